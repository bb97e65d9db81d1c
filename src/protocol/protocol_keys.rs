//! The keys of `protocol.toml`.
//!
//! In:  nothing.
//! Out: `PROTOCOL`, the table from which reading, diagnostics and the JSON Schema follow.

use super::assumed_keys::ASSUMED;
use super::bench_keys::{BLINDING, CLEANING, CONTROL, ORDER, POSITIONS};
use super::keys::{Key, Kind, Need, Sign, Table};
use super::measurement_keys::{COMPARISON, DECISION, UNCERTAINTY};
use super::model::{
    ComponentIntervals, DegreesOfFreedom, Likelihood, ModelOf, Statistic, StudyKind, Treatments, Weights,
};
use super::precision_keys::{MEASUREMENT_SYSTEM, PRECISION, REFERENCE};
use super::replication::REPLICATION;

pub(super) const fn key(name: &'static str, kind: Kind, need: Need, doc: &'static str, example: &'static str) -> Key {
    Key {
        name,
        kind,
        need,
        doc,
        example,
    }
}

/// The whole file.
pub(super) static PROTOCOL: Table = Table {
    doc: "The portable declaration of a study of a test method: the same bytes at every site.",
    keys: &[
        key(
            "wellrun",
            Kind::Whole(1, 1_000_000),
            Need::Must("it says in which version of this format the file is written"),
            "Version of this format; 1.",
            "1",
        ),
        key(
            "study",
            Kind::Table(&STUDY),
            Need::Must("a study without a title and a question cannot be reported"),
            "What the study is.",
            "",
        ),
        key(
            "response",
            Kind::Named(&RESPONSE),
            Need::Must("a study without a response reads nothing"),
            "What is read, and how a result is made of the readings; one table a response.",
            "",
        ),
        key(
            "unit",
            Kind::Tables(&UNIT),
            Need::Must("the units say what is set up anew, and with that what each effect is judged against"),
            "What is set up as a whole, from the widest to the run, which comes last.",
            "",
        ),
        key(
            "factor",
            Kind::Named(&FACTOR),
            Need::May,
            "What is varied on purpose; one table a factor.",
            "",
        ),
        key(
            "condition",
            Kind::Named(&CONDITION),
            Need::May,
            "What is measured beside the readings, such as the temperature of a probe; one table a condition.",
            "",
        ),
        key(
            "design",
            Kind::Table(&DESIGN),
            Need::Or("{}"),
            "Which combinations are run, and in what order.",
            "",
        ),
        key(
            "analysis",
            Kind::Table(&ANALYSIS),
            Need::Or("{}"),
            "What is estimated, fixed before data.",
            "",
        ),
        key(
            "assumed",
            Kind::Named(&ASSUMED),
            Need::May,
            "What is assumed of a response before there are readings, for power and rehearsal; one table a response, under \
             its name.",
            "",
        ),
        key(
            "precision",
            Kind::Table(&PRECISION),
            Need::May,
            "What a statement of precision is about: between what results may differ.",
            "",
        ),
        key(
            "measurement_system",
            Kind::Table(&MEASUREMENT_SYSTEM),
            Need::May,
            "What a study of a measurement system is about: what is measured, and who or what measures.",
            "",
        ),
        key(
            "order",
            Kind::Table(&ORDER),
            Need::May,
            "Rules for the order of the runs, declared beforehand.",
            "",
        ),
        key(
            "reference",
            Kind::Tables(&REFERENCE),
            Need::May,
            "A thing whose value is known from elsewhere, such as a reference block.",
            "",
        ),
        key(
            "control",
            Kind::Named(&CONTROL),
            Need::May,
            "What is read between the runs to see drift; one table a control.",
            "",
        ),
        key(
            "cleaning",
            Kind::Named(&CLEANING),
            Need::May,
            "What is done after a level that leaves something behind; one table a factor, under its name.",
            "",
        ),
        key(
            "blinding",
            Kind::Table(&BLINDING),
            Need::May,
            "What those at the bench are not to know.",
            "",
        ),
        key(
            "positions",
            Kind::Table(&POSITIONS),
            Need::May,
            "Where on the specimen the readings are taken.",
            "",
        ),
        key(
            "uncertainty",
            Kind::Named(&UNCERTAINTY),
            Need::May,
            "What makes a stated result uncertain; one table a response, under its name.",
            "",
        ),
        key(
            "decision",
            Kind::Named(&DECISION),
            Need::May,
            "How results are held against the limit of a response; one table a response, under its name.",
            "",
        ),
        key(
            "comparison",
            Kind::Named(&COMPARISON),
            Need::May,
            "Two methods on the same specimens; one table a response, under its name.",
            "",
        ),
        key(
            "replication",
            Kind::Table(&REPLICATION),
            Need::May,
            "When a finding of one site counts as repeated at another; declared before the readings.",
            "",
        ),
        key(
            "procedure",
            Kind::Table(&PROCEDURE),
            Need::Or("{}"),
            "Steps and cautions for the sheet.",
            "",
        ),
    ],
};

static STUDY: Table = Table {
    doc: "What the study is.",
    keys: &[
        key(
            "id",
            Kind::Line,
            Need::Must("files and the drawing of the order are named after it"),
            "Short name for files: letters, digits and `-`.",
            "\"roller-reading-spread\"",
        ),
        key(
            "version",
            Kind::Line,
            Need::Must("two sites must be able to say that they follow the same edition"),
            "Version of the protocol, as you write it.",
            "\"1.0\"",
        ),
        key(
            "title",
            Kind::Line,
            Need::Must("it stands on each sheet and at the head of the report"),
            "Title for people.",
            "\"What moves a Shore D reading on a drive roller?\"",
        ),
        key(
            "question",
            Kind::Prose,
            Need::Must("a study answers the question that was asked before the data came"),
            "The question the study is to answer, and the decision that waits for it.",
            "\"Which part of the spread comes from the method, and which from the roller?\"",
        ),
        key(
            "kind",
            Kind::Words(|| StudyKind::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Must("it decides what the report puts first"),
            "What sort of study it is.",
            "\"variance investigation\"",
        ),
        key(
            "method",
            Kind::Prose,
            Need::Must("readings of different methods, or of different editions of one, are different quantities"),
            "The test method and its edition, as your laboratory names them.",
            "\"Type D durometer on an operating stand\"",
        ),
        key(
            "source",
            Kind::Prose,
            Need::May,
            "Where published readings come from; for a study with `order = \"as run\"`.",
            "\"Table 2 of the laboratory's notebook 14\"",
        ),
    ],
};

static RESPONSE: Table = Table {
    doc: "A measured quantity: the measurand in full.",
    keys: &[
        key(
            "measurand",
            Kind::Prose,
            Need::Must("a number can be compared with another one only if both say what exactly was measured"),
            "What exactly is measured, in a sentence: the quantity, the thing, the state it is in.",
            "\"Apparent Shore D hardness of the running surface\"",
        ),
        key(
            "unit",
            Kind::Line,
            Need::Must("a number without its unit is no reading"),
            "Unit of measure, as printed.",
            "\"Shore D\"",
        ),
        key(
            "resolution",
            Kind::Number(Sign::Positive),
            Need::Must(
                "the step of the display bounds what a difference can mean, and misread decimals are found by it",
            ),
            "Smallest step of the display, in the unit of the response.",
            "0.1",
        ),
        key(
            "possible",
            Kind::Range,
            Need::May,
            "Lowest and highest value that can be; a reading outside is refused.",
            "[0, 100]",
        ),
        key(
            "expected",
            Kind::Range,
            Need::May,
            "Lowest and highest value that is expected; a reading outside is questioned.",
            "[45, 70]",
        ),
        key(
            "readings",
            Kind::Whole(1, 1_000),
            Need::Must("a mean of ten readings and a single reading are different quantities with different spreads"),
            "Readings in a run.",
            "10",
        ),
        key(
            "reading_time",
            Kind::Line,
            Need::Must("readings taken at different times after contact are different quantities: the material creeps"),
            "When a reading is taken; \"not timed\" if that cannot matter.",
            "\"1 s after firm contact\"",
        ),
        key(
            "result",
            Kind::Words(|| Statistic::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Must("a mean and a median of the same readings are different results"),
            "How the readings of a run become its result.",
            "\"mean\"",
        ),
        key(
            "round_to",
            Kind::NumberOrNone,
            Need::Must("near a limit half a step of rounding is often the whole margin"),
            "Step to which a stated result is rounded, or \"none\". The analysis never uses rounded results.",
            "0.1",
        ),
        key(
            "limit",
            Kind::Table(&LIMIT),
            Need::May,
            "The product limit that results are held against: `at_least` or `at_most`.",
            "{ at_least = 55 }",
        ),
        key(
            "tolerance",
            Kind::Range,
            Need::May,
            "Lowest and highest value that a product may have; the spread of the measuring is held against its width.",
            "[60, 70]",
        ),
        key(
            "relevant",
            Kind::Number(Sign::Positive),
            Need::May,
            "Smallest difference that matters in use, in the unit of the response.",
            "0.5",
        ),
    ],
};

static LIMIT: Table = Table {
    doc: "A one-sided product limit.",
    keys: &[
        key(
            "at_least",
            Kind::Number(Sign::Any),
            Need::May,
            "Results must not lie below.",
            "55",
        ),
        key(
            "at_most",
            Kind::Number(Sign::Any),
            Need::May,
            "Results must not lie above.",
            "70",
        ),
    ],
};

static UNIT: Table = Table {
    doc: "Something that is set up as a whole: a day, an oven session, a roller, a run.",
    keys: &[
        key(
            "name",
            Kind::Line,
            Need::Must("factors and the columns of the sheet refer to it"),
            "Name used in columns and findings: small letters, digits and `_`.",
            "\"session\"",
        ),
        key(
            "count",
            Kind::Whole(1, 1_000_000),
            Need::May,
            "How many there are within each combination of the units it lies within. Left out: once for each combination of \
             the levels set on it, times `replicates`.",
            "4",
        ),
        key(
            "within",
            Kind::Names,
            Need::May,
            "The unit or units it lies within; units that do not lie within each other cross. The last unit, the run, lies \
             within all others.",
            "[\"session\", \"roller\"]",
        ),
        key(
            "part_of",
            Kind::Words(part_of_words),
            Need::Or("\"method\""),
            "Whose spread it stands for: the measuring, or the thing measured.",
            "\"product\"",
        ),
        key(
            "set_up",
            Kind::Steps,
            Need::May,
            "Steps to tick whenever the next one is set up.",
            "[\"Set the oven.\", \"Wait two hours.\"]",
        ),
        key(
            "set_up_minutes",
            Kind::Number(Sign::NotNegative),
            Need::Or("0"),
            "Bench time for setting one up, in minutes.",
            "120",
        ),
        key(
            "wait_minutes",
            Kind::Number(Sign::NotNegative),
            Need::Or("0"),
            "Minutes between the end of setting one up and the first reading, such as for conditioning; the page counts them.",
            "60",
        ),
    ],
};

fn part_of_words() -> Vec<&'static str> {
    vec!["method", "product"]
}

static FACTOR: Table = Table {
    doc: "Something that is varied on purpose.",
    keys: &[
        key(
            "set_on",
            Kind::Line,
            Need::Must("the unit on which a level is set decides what the effect is judged against"),
            "The unit on which a level is set: all runs in one such unit share the level.",
            "\"session\"",
        ),
        key(
            "levels",
            Kind::Levels,
            Need::Must("a factor is known by its levels"),
            "The levels, two or more, all different, as they stand on the sheet.",
            "[21, 25]",
        ),
        key(
            "unit",
            Kind::Line,
            Need::May,
            "Unit of measure of the levels, as printed.",
            "\"°C\"",
        ),
        key(
            "scale",
            Kind::Words(|| vec!["numeric"]),
            Need::May,
            "\"numeric\" if the levels are numbers on a scale and the effect is fitted as a slope; leave it out for categories.",
            "\"numeric\"",
        ),
        key(
            "safe",
            Kind::Range,
            Need::May,
            "Lowest and highest level that specimen, instrument and people can bear; levels beyond are refused.",
            "[15, 35]",
        ),
        key(
            "part_of",
            Kind::Words(part_of_words),
            Need::Or("\"method\""),
            "Whose spread it stands for: the measuring, or the thing measured.",
            "\"product\"",
        ),
        key(
            "named_by_site",
            Kind::Flag,
            Need::Or("false"),
            "The site file says which thing stands behind each level.",
            "true",
        ),
        key(
            "random",
            Kind::Flag,
            Need::Or("false"),
            "The levels are drawn from a population that the answer is about, such as operators: the factor brings a spread, not \
             differences, and so does its interaction with any other factor of the model.",
            "true",
        ),
        key(
            "carries_over",
            Kind::Flag,
            Need::Or("false"),
            "A level leaves something behind that may move the next reading.",
            "true",
        ),
        key(
            "carries_within",
            Kind::Line,
            Need::May,
            "The unit at whose setting-up the residue is gone; left out, the widest unit, or none if the factor is set on it.",
            "\"session\"",
        ),
        key(
            "compare_with",
            Kind::Level,
            Need::May,
            "The level of a category factor that all others are compared with; left out, all pairs are compared.",
            "\"turned\"",
        ),
        key(
            "how",
            Kind::Prose,
            Need::May,
            "What the technician does to set a level; `{level}` stands for the level with its unit.",
            "\"Set the oven to {level}.\"",
        ),
    ],
};

static CONDITION: Table = Table {
    doc: "Something measured beside the readings, once for each unit of a kind.",
    keys: &[
        key(
            "unit",
            Kind::Line,
            Need::Must("a number without its unit is no reading"),
            "Unit of measure, as printed.",
            "\"°C\"",
        ),
        key(
            "measured_on",
            Kind::Line,
            Need::May,
            "The unit for which it is written down once; left out, the run.",
            "\"session\"",
        ),
        key(
            "possible",
            Kind::Range,
            Need::May,
            "Lowest and highest value that can be; a value outside is refused.",
            "[0, 60]",
        ),
        key(
            "expected",
            Kind::Range,
            Need::May,
            "Lowest and highest value that is expected; a value outside is questioned.",
            "[20, 26]",
        ),
        key(
            "follows",
            Kind::Line,
            Need::May,
            "The numeric factor whose level it is to show, in the same unit; a rehearsal simulates values near it.",
            "\"temperature\"",
        ),
    ],
};

static DESIGN: Table = Table {
    doc: "Which combinations are run, and in what order.",
    keys: &[
        key(
            "treatments",
            Kind::Words(|| Treatments::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"full factorial\""),
            "The set of treatments.",
            "\"full factorial\"",
        ),
        key(
            "set_on",
            Kind::Names,
            Need::May,
            "The unit whose factors the set combines; left out, the finest unit on which factors are set. Factors of other units \
             make a full factorial with it. A two-level fraction may name two units, one within the other, and is then one \
             fraction over the factors of both.",
            "[\"oven\", \"run\"]",
        ),
        key(
            "runs",
            Kind::Whole(4, 65_536),
            Need::May,
            "Runs of one set, without centre points and fold-over; for a fraction, an orthogonal array, a screening design or an optimal set.",
            "16",
        ),
        key(
            "resolution",
            Kind::Whole(3, 16),
            Need::May,
            "Least resolution of a two-level fraction: 3 keeps main effects apart, 4 also from pairs, 5 also pairs from pairs.",
            "4",
        ),
        key(
            "generators",
            Kind::Tables(&GENERATOR),
            Need::May,
            "Generators of one's own for a two-level fraction; left out, ones with as few short words as can be are found.",
            "[{ factor = \"dwell\", product_of = [\"speed\", \"load\"] }]",
        ),
        key(
            "fold_over",
            Kind::Names,
            Need::May,
            "Factors whose levels are exchanged in a second half of the set; \"all\" for every factor.",
            "\"all\"",
        ),
        key(
            "centre_points",
            Kind::Whole(1, 1_000),
            Need::May,
            "Runs with every numeric factor at the middle of its two levels, added to each set.",
            "4",
        ),
        key(
            "blocks",
            Kind::Whole(2, 4_096),
            Need::May,
            "Number of blocks, a power of two, that one set of two-level factors is divided into; the blocks are the unit above, and \
             interactions that cost least are confounded with them.",
            "2",
        ),
        key(
            "confounded",
            Kind::Effects,
            Need::May,
            "Effects to be confounded with blocks in place of chosen ones.",
            "[[\"speed\", \"load\", \"dwell\"]]",
        ),
        key(
            "periods",
            Kind::Line,
            Need::May,
            "For a williams square: the unit that counts the places in a sequence; left out, the later declared of the two units.",
            "\"place\"",
        ),
        key(
            "combinations",
            Kind::Rows,
            Need::May,
            "Combinations of one's own for a list: each a level of every factor set on the unit, in declared order.",
            "[[21, \"turned\"], [25, \"polished\"]]",
        ),
        key(
            "budget",
            Kind::Whole(2, 1_000_000),
            Need::May,
            "Most runs that the study may have: `wellrun plan --preview` then lists the designs that fit.",
            "48",
        ),
        key(
            "optimal",
            Kind::Table(&OPTIMAL),
            Need::May,
            "What an optimal set is asked for.",
            "",
        ),
        key(
            "alias_order",
            Kind::Whole(1, 6),
            Need::Or("2"),
            "Highest order of interaction in the list of aliases.",
            "2",
        ),
        key(
            "replicates",
            Kind::Whole(1, 1_000_000),
            Need::Or("1"),
            "How often each combination of the levels set on a unit comes back within it, where the unit has no `count`.",
            "2",
        ),
        key(
            "order",
            Kind::Words(|| vec!["randomized", "as run"]),
            Need::Or("\"randomized\""),
            "Who decides the order: drawn by this tool, or \"as run\" for readings that exist already.",
            "\"randomized\"",
        ),
    ],
};

static GENERATOR: Table = Table {
    doc: "How the level of one factor follows from those of others.",
    keys: &[
        key(
            "factor",
            Kind::Line,
            Need::Must("a generator sets the levels of one factor"),
            "The factor whose level follows.",
            "\"dwell\"",
        ),
        key(
            "product_of",
            Kind::Names,
            Need::Must("the level follows from those of other factors"),
            "The factors whose levels, as minus for the first and plus for the second one, are multiplied.",
            "[\"speed\", \"load\"]",
        ),
        key(
            "minus",
            Kind::Flag,
            Need::Or("false"),
            "True if the product is turned round.",
            "true",
        ),
    ],
};

static OPTIMAL: Table = Table {
    doc: "An optimal set: the runs that tell most about the effects of the model. The same declaration gives the same set.",
    keys: &[
        key(
            "criterion",
            Kind::Words(|| vec!["D", "I"]),
            Need::Or("\"D\""),
            "\"D\" for coefficients that are as sure as can be, \"I\" for predictions that are so on average.",
            "\"D\"",
        ),
        key(
            "forbidden",
            Kind::Choices,
            Need::May,
            "Levels that must not come together in a run.",
            "[{ finish = \"polished\", load = 9 }]",
        ),
        key(
            "forced",
            Kind::Rows,
            Need::May,
            "Combinations that must be in the set: each a level of every factor set on the unit, in declared order.",
            "[[21, \"turned\"]]",
        ),
        key(
            "already_run",
            Kind::Rows,
            Need::May,
            "Combinations that were run before: the set is chosen to add most to them. They are not run again, and their readings \
             are not analysed with this study.",
            "[[21, \"turned\"], [25, \"turned\"]]",
        ),
        key(
            "starts",
            Kind::Whole(1, 10_000),
            Need::Or("30"),
            "Number of random starts of the search; the best end is kept.",
            "100",
        ),
    ],
};

static ANALYSIS: Table = Table {
    doc: "What is estimated, fixed before data.",
    keys: &[
        key(
            "planned",
            Kind::Effects,
            Need::May,
            "Effects to be judged as planned, each a factor or a list of factors; everything else is exploratory.",
            "[\"finish\", \"instrument\", [\"finish\", \"instrument\"]]",
        ),
        key(
            "interactions",
            Kind::Whole(1, 6),
            Need::Or("2"),
            "Highest order of interaction in the model beside the planned ones: 1 main effects only, 2 pairs as well.",
            "2",
        ),
        key(
            "confidence",
            Kind::Between("0.5", "1"),
            Need::Or("0.95"),
            "Level of every interval.",
            "0.95",
        ),
        key(
            "comparisons",
            Kind::Words(|| vec!["together", "each alone"]),
            Need::Or("\"together\""),
            "Whether the intervals of the differences between the levels of a factor hold all at once, or each by itself.",
            "\"together\"",
        ),
        key(
            "model",
            Kind::Table(&MODEL),
            Need::May,
            "How the mixed model is fitted, where the usual way is not wanted.",
            "{ of = \"readings\" }",
        ),
    ],
};

static MODEL: Table = Table {
    doc: "How the mixed model is fitted. Any key that differs from its default asks for the mixed model, also where averages would do.",
    keys: &[
        key(
            "of",
            Kind::Words(|| ModelOf::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"results\""),
            "What the model describes: the result of each run, or each single reading, with runs as a unit of their own.",
            "\"readings\"",
        ),
        key(
            "weights",
            Kind::Words(|| Weights::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"equal\""),
            "\"readings\" gives each result the weight of its number of readings: right where readings of a run vary as much as runs do.",
            "\"readings\"",
        ),
        key(
            "covariates",
            Kind::Names,
            Need::May,
            "Conditions whose straight-line effect is taken out: their slopes are reported, and all else holds at their mean.",
            "[\"core_temperature\"]",
        ),
        key(
            "likelihood",
            Kind::Words(|| Likelihood::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"restricted\""),
            "Which likelihood is maximised. The full one underestimates spreads; it needs Satterthwaite's degrees of freedom.",
            "\"full\"",
        ),
        key(
            "degrees_of_freedom",
            Kind::Words(|| DegreesOfFreedom::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"Kenward-Roger\""),
            "How degrees of freedom of tests and intervals are found.",
            "\"Satterthwaite\"",
        ),
        key(
            "component_intervals",
            Kind::Words(|| ComponentIntervals::ALL.iter().map(|(_, word)| *word).collect()),
            Need::Or("\"profile\""),
            "Intervals of the spreads: from the likelihood's profile, or from refits of simulated results (parametric bootstrap).",
            "\"bootstrap\"",
        ),
        key(
            "bootstrap",
            Kind::Whole(199, 100_000),
            Need::Or("1999"),
            "How many sets of results are simulated for bootstrap intervals.",
            "1999",
        ),
    ],
};

static PROCEDURE: Table = Table {
    doc: "Steps and cautions for the sheet.",
    keys: &[
        key(
            "before_study",
            Kind::Steps,
            Need::May,
            "Steps before the first run.",
            "[\"Read the block three times.\"]",
        ),
        key(
            "before_run",
            Kind::Steps,
            Need::May,
            "Steps before each run.",
            "[\"Wipe the indenter.\"]",
        ),
        key(
            "after_run",
            Kind::Steps,
            Need::May,
            "Steps after each run.",
            "[\"Cap the indenter.\"]",
        ),
        key(
            "after_study",
            Kind::Steps,
            Need::May,
            "Steps after the last run.",
            "[\"Read the block three times.\"]",
        ),
        key(
            "void_when",
            Kind::Steps,
            Need::May,
            "For what a reading is void; whoever takes one out on the page names one of these.",
            "[\"The foot was not seated.\"]",
        ),
        key(
            "cautions",
            Kind::Steps,
            Need::May,
            "Warnings printed on each sheet and in the report.",
            "[\"The indenter is sharp.\"]",
        ),
        key(
            "run_minutes",
            Kind::Number(Sign::NotNegative),
            Need::Or("0"),
            "Bench time for one run without its readings, in minutes.",
            "3",
        ),
        key(
            "reading_minutes",
            Kind::Number(Sign::NotNegative),
            Need::Or("0"),
            "Bench time for one reading, in minutes.",
            "0.25",
        ),
    ],
};
