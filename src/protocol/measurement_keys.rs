//! The keys of `protocol.toml` about what a stated result means: its uncertainty, decisions near a limit, two methods.
//!
//! In:  nothing.
//! Out: the tables `[uncertainty.RESPONSE]`, `[decision.RESPONSE]` and `[comparison.RESPONSE]`, hooked into `PROTOCOL`.

use super::comparing::SCALES;
use super::deciding::{RETESTS, RULES};
use super::keys::{Kind, Need, Sign, Table};
use super::protocol_keys::key;

/// The shapes of a distribution, as written.
pub(super) const SHAPES: [&str; 5] = ["rectangular", "triangular", "arcsine", "trapezoidal", "normal"];

pub(super) static UNCERTAINTY: Table = Table {
    doc: "The uncertainty budget of one stated result.",
    keys: &[
        key(
            "equation",
            Kind::Line,
            Need::May,
            "How the stated result follows from the sources, in plain arithmetic; left out, it is the sum of all sources.",
            "\"reading + calibration + slope * (temperature - 23)\"",
        ),
        key(
            "result_of",
            Kind::Numbers(Sign::Positive),
            Need::May,
            "What one stated result averages: how many different ones of each unit, and how many readings in all; left out, one \
             of each unit and the readings of a run.",
            "{ session = 1, run = 1, reading = 10 }",
        ),
        key(
            "coverage",
            Kind::Between("0.5", "1"),
            Need::Or("0.95"),
            "Probability with which the expanded uncertainty is to hold the true value.",
            "0.95",
        ),
        key(
            "digits",
            Kind::Whole(1, 2),
            Need::Or("2"),
            "Significant digits to which the expanded uncertainty is stated.",
            "2",
        ),
        key(
            "rounding",
            Kind::Words(|| vec!["nearest", "up"]),
            Need::Or("\"nearest\""),
            "How the expanded uncertainty is rounded.",
            "\"up\"",
        ),
        key(
            "trials",
            Kind::Whole(10_000, 10_000_000),
            Need::Or("1000000"),
            "Most trials of the check by simulation; it ends sooner when its digits are steady.",
            "200000",
        ),
        key(
            "source",
            Kind::Named(&SOURCE),
            Need::Must("a budget lists what makes the result uncertain"),
            "What makes the result uncertain; one table a source.",
            "",
        ),
        key(
            "correlation",
            Kind::Tables(&CORRELATION),
            Need::May,
            "Sources that go up and down together, as through a shared instrument; one table for two of them.",
            "",
        ),
    ],
};

static SOURCE: Table = Table {
    doc: "A source of uncertainty; its spread is given in one of five ways: `from`, `standard`, `within` or `between`, \
          `expanded`, `readings`.",
    keys: &[
        key(
            "what",
            Kind::Prose,
            Need::May,
            "What it is and where its numbers come from.",
            "\"Calibration tolerance, certificate K-17\"",
        ),
        key(
            "unit",
            Kind::Line,
            Need::May,
            "Unit of measure of the source; left out, that of the response.",
            "\"°C\"",
        ),
        key(
            "value",
            Kind::Number(Sign::Any),
            Need::May,
            "Its best estimate; left out, what `from`, `between` or `readings` give, else 0.",
            "23",
        ),
        key(
            "from",
            Kind::Line,
            Need::May,
            "Taken from this study's own findings: \"spread of UNIT\", \"spread of reading\", \"slope of FACTOR\", \
             \"difference of FACTOR\", \"mean\", \"resolution\", \"tolerance of FACTOR\", \"condition NAME\".",
            "\"spread of session\"",
        ),
        key(
            "standard",
            Kind::Number(Sign::Positive),
            Need::May,
            "Its standard uncertainty.",
            "0.2",
        ),
        key(
            "within",
            Kind::Number(Sign::Positive),
            Need::May,
            "Half width of limits about the estimate that it surely keeps.",
            "1",
        ),
        key(
            "between",
            Kind::Range,
            Need::May,
            "Limits that it surely keeps, such as [-0.3, 0] for an effect in one direction; the estimate is their middle.",
            "[21, 25]",
        ),
        key(
            "shape",
            Kind::Words(|| SHAPES.to_vec()),
            Need::May,
            "Its distribution; left out, rectangular between limits and normal otherwise.",
            "\"triangular\"",
        ),
        key(
            "top",
            Kind::Between("0", "1"),
            Need::May,
            "For a trapezoidal shape: length of its level part over its whole width.",
            "0.5",
        ),
        key(
            "expanded",
            Kind::Number(Sign::Positive),
            Need::May,
            "Its expanded uncertainty, as on a certificate; with `factor`.",
            "0.6",
        ),
        key(
            "factor",
            Kind::Number(Sign::Positive),
            Need::May,
            "The coverage factor of `expanded`.",
            "2",
        ),
        key(
            "readings",
            Kind::Series,
            Need::May,
            "Readings of it, two or more; their mean is the estimate.",
            "[5.007, 4.994, 5.005]",
        ),
        key(
            "df",
            Kind::Number(Sign::Positive),
            Need::May,
            "Degrees of freedom of the standard uncertainty; left out, those of `from` or `readings`, else it is taken as known.",
            "9",
        ),
        key(
            "doubt",
            Kind::Between("0", "1"),
            Need::May,
            "In place of `df`: the part by which the standard uncertainty itself may be wrong.",
            "0.25",
        ),
        key(
            "anew",
            Kind::Names,
            Need::May,
            "The unit (or `reading`) with each of which it takes a new value, so that averaging makes it smaller; left out, all \
             readings of a result share it.",
            "\"session\"",
        ),
        key(
            "sensitivity",
            Kind::Number(Sign::Any),
            Need::May,
            "Change of the result for a change of the source by one; for a budget without an equation. Left out, 1.",
            "0.2",
        ),
    ],
};

static CORRELATION: Table = Table {
    doc: "Two sources that go up and down together.",
    keys: &[
        key(
            "of",
            Kind::Names,
            Need::Must("a correlation belongs to two sources"),
            "The two sources.",
            "[\"first\", \"second\"]",
        ),
        key(
            "is",
            Kind::Number(Sign::Any),
            Need::May,
            "Their correlation, from −1 to 1; left out, that of their `readings`, taken together in this order.",
            "1",
        ),
        key(
            "why",
            Kind::Prose,
            Need::May,
            "What makes them go together.",
            "\"the same reference block\"",
        ),
    ],
};

pub(super) static DECISION: Table = Table {
    doc: "How results are held against the limit of the response.",
    keys: &[
        key(
            "rule",
            Kind::Words(|| RULES.iter().map(|(_, word)| *word).collect()),
            Need::Must(
                "near a limit the same result passes under one rule and fails under another: agree it beforehand",
            ),
            "The rule by which a result passes.",
            "\"guarded acceptance\"",
        ),
        key(
            "guard",
            Kind::Number(Sign::Positive),
            Need::May,
            "Width of the guard band, in the unit of the response; left out, it follows from `risk`.",
            "1.2",
        ),
        key(
            "risk",
            Kind::Between("0", "0.5"),
            Need::Or("0.05"),
            "Highest chance that a result at the edge of the guard band stands for a true value on the other side of the limit.",
            "0.05",
        ),
        key(
            "results",
            Kind::Series,
            Need::May,
            "Stated results to be judged.",
            "[55.8, 56.9]",
        ),
        key(
            "of",
            Kind::Line,
            Need::May,
            "A unit or a factor: the mean of the study's results for each of them is judged.",
            "\"roller\"",
        ),
        key(
            "standard",
            Kind::Number(Sign::Positive),
            Need::May,
            "Standard uncertainty of a stated result, for a protocol without an uncertainty budget.",
            "0.8",
        ),
        key(
            "rounded",
            Kind::Words(|| vec!["before comparison", "not"]),
            Need::Or("\"not\""),
            "Whether a result is rounded to `round_to` of the response before it is compared with the limit.",
            "\"before comparison\"",
        ),
        key(
            "retest",
            Kind::Words(|| RETESTS.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"none\""),
            "What is done when a result does not pass.",
            "\"second result counts\"",
        ),
        key(
            "pass_share",
            Kind::Between("0.5", "1"),
            Need::Or("0.95"),
            "Share of results that are to pass: for the least true value that does.",
            "0.95",
        ),
        key(
            "production",
            Kind::Table(&PRODUCTION),
            Need::May,
            "What is known of the true values before a result: for the risks of the production as a whole.",
            "",
        ),
        key(
            "window",
            Kind::Table(&WINDOW),
            Need::May,
            "The window of a numeric factor within which results may be taken: for its worst case.",
            "",
        ),
        key(
            "between_laboratories",
            Kind::Number(Sign::NotNegative),
            Need::May,
            "Standard deviation between laboratories, as published; it takes the place of what the budget says all results of one \
             laboratory share.",
            "0.8",
        ),
    ],
};

static PRODUCTION: Table = Table {
    doc: "True values of the production: normal, with a mean and a standard deviation.",
    keys: &[
        key(
            "from",
            Kind::Line,
            Need::May,
            "A unit of the study: its spread, about the mean of the study.",
            "\"roller\"",
        ),
        key("mean", Kind::Number(Sign::Any), Need::May, "Their mean.", "57"),
        key(
            "standard_deviation",
            Kind::Number(Sign::Positive),
            Need::May,
            "Their standard deviation.",
            "1.2",
        ),
    ],
};

static WINDOW: Table = Table {
    doc: "The window of a numeric factor within which results may be taken.",
    keys: &[
        key(
            "factor",
            Kind::Line,
            Need::Must("the study's own slope says what the window does"),
            "The numeric factor.",
            "\"temperature\"",
        ),
        key(
            "between",
            Kind::Range,
            Need::Must("a window has two ends"),
            "The lowest and the highest value allowed.",
            "[21, 25]",
        ),
        key(
            "reference",
            Kind::Number(Sign::Any),
            Need::Must("a true value holds at one value of the factor"),
            "The value to which the true value refers.",
            "23",
        ),
    ],
};

pub(super) static COMPARISON: Table = Table {
    doc: "Two methods, instruments or sites on the same specimens.",
    keys: &[
        key(
            "methods",
            Kind::Line,
            Need::Must("a comparison is between the levels of a factor"),
            "The factor whose two levels are compared.",
            "\"instrument\"",
        ),
        key(
            "reference",
            Kind::Level,
            Need::May,
            "The level that is subtracted from the other one; left out, the first.",
            "\"A\"",
        ),
        key(
            "specimens",
            Kind::Line,
            Need::Must("ten readings on one part are one specimen, not ten"),
            "The unit that both methods read: one pair each.",
            "\"roller\"",
        ),
        key(
            "margin",
            Kind::Number(Sign::Positive),
            Need::Must(
                "without it nothing but 'different' could ever be shown: agreement needs a difference that is small enough",
            ),
            "Largest mean difference that does no harm in use, declared before the readings; a part of the value (such as \
             0.05) if the scale is \"ratio\".",
            "0.5",
        ),
        key(
            "origin",
            Kind::Prose,
            Need::Must("a margin is judged by where it comes from"),
            "Where the margin comes from.",
            "\"A third of the guard band\"",
        ),
        key(
            "acceptable",
            Kind::Number(Sign::Positive),
            Need::May,
            "Largest difference between two single results that does no harm; as `margin`.",
            "1.5",
        ),
        key(
            "coverage",
            Kind::Between("0.5", "1"),
            Need::Or("0.95"),
            "Share of single differences between the limits of agreement.",
            "0.95",
        ),
        key(
            "risk",
            Kind::Between("0", "0.5"),
            Need::Or("0.05"),
            "Level of each of the two one-sided tests against the margin.",
            "0.05",
        ),
        key(
            "scale",
            Kind::Words(|| SCALES.to_vec()),
            Need::Or("\"difference\""),
            "What is compared: differences, or ratios where differences grow with the level.",
            "\"ratio\"",
        ),
        key(
            "single",
            Kind::Words(|| vec!["result", "reading"]),
            Need::Or("\"result\""),
            "What is stated in use: a result, or a single reading. The limits of agreement are for differences of these.",
            "\"reading\"",
        ),
        key(
            "error_ratio",
            Kind::Number(Sign::Positive),
            Need::May,
            "Variance of the errors of the other method over that of the reference; left out, from replicates, else 1.",
            "1",
        ),
        key(
            "weighted",
            Kind::Flag,
            Need::Or("false"),
            "Errors grow in proportion to the level: the straight line weights each specimen by it.",
            "true",
        ),
        key(
            "levels",
            Kind::Series,
            Need::May,
            "Values of the reference method at which the bias is stated; a limit of the response is one anyway.",
            "[50, 60]",
        ),
    ],
};
