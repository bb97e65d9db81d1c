//! The keys of `protocol.toml` on what goes on at the bench beside the runs.
//!
//! In:  nothing.
//! Out: tables for `protocol_keys`.

use super::keys::{Kind, Need, Sign, Table};
use super::protocol_keys::key;

pub(super) static ORDER: Table = Table {
    doc: "Rules for the order of the runs, declared beforehand: an order that breaks one is drawn again.",
    keys: &[
        key(
            "correlation_at_most",
            Kind::Between("0", "1"),
            Need::May,
            "Largest correlation of a factor with the order, in size, over the set-ups of its unit; for categories that of \
             any one level.",
            "0.5",
        ),
        key(
            "alike_in_a_row_at_most",
            Kind::Whole(1, 1_000),
            Need::May,
            "Most set-ups in a row with the same level of a factor.",
            "3",
        ),
        key(
            "carry_over",
            Kind::Words(|| vec!["balanced"]),
            Need::May,
            "\"balanced\": each level of a factor with `carries_over` follows each other one equally often, as nearly as \
             can be.",
            "\"balanced\"",
        ),
        key(
            "tries",
            Kind::Whole(1, 1_000_000),
            Need::Or("1000"),
            "How often an order is drawn before the search ends with an error.",
            "1000",
        ),
    ],
};

pub(super) static CONTROL: Table = Table {
    doc: "Something whose value stays, such as a reference block, read between the runs to see drift.",
    keys: &[
        key(
            "what",
            Kind::Prose,
            Need::Must("whoever reads it must know which one it is"),
            "What it is, in words; without its value, which the reader must not know.",
            "\"Reference block, middle of the scale\"",
        ),
        key(
            "response",
            Kind::Line,
            Need::May,
            "The response that is read on it; left out, the only one there is.",
            "\"hardness\"",
        ),
        key(
            "readings",
            Kind::Whole(1, 1_000),
            Need::Must("a drift is judged against the spread of the readings on one occasion"),
            "Readings on each occasion.",
            "3",
        ),
        key(
            "at_start",
            Kind::Flag,
            Need::Or("true"),
            "It is read before the first run.",
            "true",
        ),
        key(
            "at_end",
            Kind::Flag,
            Need::Or("true"),
            "It is read after the last run.",
            "true",
        ),
        key(
            "every",
            Kind::Whole(1, 1_000_000),
            Need::May,
            "It is read after every so many runs as well.",
            "12",
        ),
        key(
            "each",
            Kind::Line,
            Need::May,
            "A factor: on each occasion the control is read with each of its levels.",
            "\"instrument\"",
        ),
    ],
};

pub(super) static CLEANING: Table = Table {
    doc: "What is done after a level that leaves something behind, before the next run; one table a factor.",
    keys: &[
        key(
            "after",
            Kind::Names,
            Need::May,
            "The levels that leave something behind; left out, all of them.",
            "[\"waxed\"]",
        ),
        key(
            "steps",
            Kind::Steps,
            Need::May,
            "Steps to tick.",
            "[\"Wipe the indenter.\"]",
        ),
        key(
            "wash_out",
            Kind::Whole(0, 100),
            Need::Or("0"),
            "Wash-out readings: taken and discarded.",
            "2",
        ),
        key(
            "wash_out_on",
            Kind::Line,
            Need::Or("\"a clean block\""),
            "What the wash-out readings are taken on.",
            "\"the clean block\"",
        ),
    ],
};

pub(super) static BLINDING: Table = Table {
    doc: "What those at the bench are not to know.",
    keys: &[key(
        "factors",
        Kind::Names,
        Need::Must("a study is blinded for some factor"),
        "Factors whose levels stand as codes on sheets, in the plan and in reports until the study is unblinded.",
        "[\"finish\"]",
    )],
};

pub(super) static POSITIONS: Table = Table {
    doc: "Where on the specimen the readings are taken: each on a spot of its own over the whole study.",
    keys: &[
        key(
            "on",
            Kind::Line,
            Need::Must("a spot that is used stays used for as long as the specimen is the same one"),
            "The unit that is the specimen.",
            "\"roller\"",
        ),
        key(
            "shape",
            Kind::Words(|| vec!["flat rectangle", "disc", "cylinder", "sphere"]),
            Need::Must("it decides how far two spots are apart"),
            "The shape of the face on which readings are taken.",
            "\"cylinder\"",
        ),
        key(
            "length",
            Kind::Number(Sign::Positive),
            Need::May,
            "Length of a rectangle or of a cylinder along its axis, in millimetres.",
            "80",
        ),
        key(
            "width",
            Kind::Number(Sign::Positive),
            Need::May,
            "Width of a rectangle, in millimetres.",
            "50",
        ),
        key(
            "diameter",
            Kind::Number(Sign::Positive),
            Need::May,
            "Diameter of a disc, cylinder or sphere, in millimetres.",
            "60",
        ),
        key(
            "pitch",
            Kind::Number(Sign::Positive),
            Need::Or("6"),
            "Smallest distance of two spots in a straight line, in millimetres.",
            "6",
        ),
        key(
            "edge",
            Kind::Number(Sign::NotNegative),
            Need::Or("12"),
            "Smallest distance of a spot from an edge, in millimetres; a sphere has none.",
            "12",
        ),
        key(
            "zero",
            Kind::Line,
            Need::May,
            "What the zero mark is, and which way is up.",
            "\"notch on the hub, label up\"",
        ),
        key(
            "responses",
            Kind::Names,
            Need::May,
            "The responses whose readings leave a mark; left out, all.",
            "[\"hardness\"]",
        ),
        key(
            "zone",
            Kind::Tables(&ZONE),
            Need::May,
            "A part that is left out: a parting line, a gate.",
            "",
        ),
    ],
};

static ZONE: Table = Table {
    doc: "A part of the specimen that is left out. Without one of its extents it reaches all the way.",
    keys: &[
        key(
            "name",
            Kind::Line,
            Need::Must("the map says what is there"),
            "What is there.",
            "\"parting line\"",
        ),
        key(
            "along",
            Kind::Range,
            Need::May,
            "From and to along a rectangle or the axis of a cylinder, in millimetres from the end with the zero mark.",
            "[0, 20]",
        ),
        key(
            "across",
            Kind::Range,
            Need::May,
            "From and to across a rectangle, in millimetres from the side with the zero mark.",
            "[0, 10]",
        ),
        key(
            "around",
            Kind::Range,
            Need::May,
            "From and to around a disc, cylinder or sphere, in degrees from the zero mark; [350, 10] runs through zero.",
            "[350, 10]",
        ),
        key(
            "radius",
            Kind::Range,
            Need::May,
            "From and to outwards from the middle of a disc, in millimetres.",
            "[0, 5]",
        ),
        key(
            "latitude",
            Kind::Range,
            Need::May,
            "From and to on a sphere, in degrees from the equator.",
            "[80, 90]",
        ),
    ],
};
