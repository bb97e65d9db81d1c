//! The keys of `[assumed.RESPONSE]` and of `assumed.toml`: what is taken for granted before there are readings.
//!
//! In:  nothing.
//! Out: the table `ASSUMED`, hooked into `PROTOCOL`.

use super::keys::{Kind, Need, Sign, Table};
use super::protocol_keys::key;

pub(super) static ASSUMED: Table = Table {
    doc: "What is assumed of a response before there are readings: spreads, and effects of a certain size.",
    keys: &[
        key(
            "source",
            Kind::Prose,
            Need::Must("a power is worth what the spreads behind it are worth"),
            "Where the spreads come from: a pilot, an earlier study, a precision statement; or that they are a guess.",
            "\"Pilot on six rollers, notebook 12\"",
        ),
        key(
            "spread",
            Kind::Numbers(Sign::NotNegative),
            Need::Must("how large an effect can be found depends on the spread it is judged against"),
            "Standard deviations, in the unit of the response: one for each unit, from one to the next of it within the units \
             above; `reading` for readings within a run; units joined by ` x ` for what units that cross do together (left \
             out, none).",
            "{ session = 0.3, roller = 0.6, run = 0.2, reading = 0.45 }",
        ),
        key(
            "mean",
            Kind::Number(Sign::Any),
            Need::May,
            "Mean of all readings; for rehearsal.",
            "60",
        ),
        key(
            "effect",
            Kind::Tables(&ASSUMED_EFFECT),
            Need::May,
            "Effects of which more is assumed; one table an effect.",
            "",
        ),
        key(
            "drift",
            Kind::Number(Sign::Any),
            Need::Or("0"),
            "Change of the readings from the first run to the last, in equal steps; for rehearsal.",
            "-0.3",
        ),
        key(
            "residue",
            Kind::Tables(&ASSUMED_RESIDUE),
            Need::May,
            "What levels leave behind for the run after them; for rehearsal; one table a factor.",
            "",
        ),
        key(
            "control",
            Kind::Numbers(Sign::Any),
            Need::May,
            "What each control reads at the middle of the study; for rehearsal. A control left out reads the mean of all readings.",
            "{ block = 60.2 }",
        ),
    ],
};

static ASSUMED_EFFECT: Table = Table {
    doc: "What is assumed of one effect.",
    keys: &[
        key(
            "of",
            Kind::Names,
            Need::Must("a size belongs to an effect"),
            "The factor, or the list of factors for an interaction.",
            "[\"finish\", \"instrument\"]",
        ),
        key(
            "relevant",
            Kind::Number(Sign::Positive),
            Need::May,
            "Size that the study must find, counted like `difference`; left out, `relevant` of the response.",
            "0.5",
        ),
        key(
            "difference",
            Kind::Number(Sign::Any),
            Need::May,
            "Size it is assumed to have, for rehearsal: the mean at the last level minus the mean at the first (numeric: \
             highest minus lowest, on a straight line; levels of a category between them lie half-way); for an interaction \
             the change of that difference from the first to the last level of the other factor.",
            "-0.6",
        ),
        key(
            "values",
            Kind::Numbers(Sign::Any),
            Need::May,
            "Instead of `difference`, for one factor: what each of its levels adds.",
            "{ turned = 0, polished = -0.6 }",
        ),
    ],
};

static ASSUMED_RESIDUE: Table = Table {
    doc: "What the levels of a factor are assumed to leave behind.",
    keys: &[
        key(
            "of",
            Kind::Line,
            Need::Must("what is left behind depends on the level of a factor"),
            "The factor.",
            "\"finish\"",
        ),
        key(
            "values",
            Kind::Numbers(Sign::Any),
            Need::Must("without a number nothing is left behind"),
            "What the run after one at a level reads more; levels left out leave nothing.",
            "{ polished = -0.3 }",
        ),
        key(
            "within",
            Kind::Line,
            Need::May,
            "Nothing is left behind from one of these units to the next; left out, it is from each run to the next.",
            "\"session\"",
        ),
    ],
};
