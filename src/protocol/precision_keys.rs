//! The keys of `protocol.toml` about the precision of the method, the measurement system and what is known from elsewhere.
//!
//! In:  nothing.
//! Out: the tables `[precision]`, `[measurement_system]` and `[[reference]]`, hooked into `PROTOCOL`.

use super::keys::{Kind, Need, Sign, Table};
use super::protocol_keys::key;

pub(super) static PRECISION: Table = Table {
    doc: "What a statement of precision is about.",
    keys: &[
        key(
            "laboratory",
            Kind::Line,
            Need::May,
            "The unit or factor that stands for the laboratories; leave it out for a study within one laboratory.",
            "\"laboratory\"",
        ),
        key(
            "material",
            Kind::Line,
            Need::May,
            "The unit or factor that stands for the materials, each a level of the statement; left out, there is one.",
            "\"material\"",
        ),
        key(
            "intermediate",
            Kind::Names,
            Need::May,
            "What varies within a laboratory beside the repeats: days, operators, instruments.",
            "[\"day\", \"operator\"]",
        ),
        key(
            "limit_factor",
            Kind::Number(Sign::Positive),
            Need::Or("2.8"),
            "Factor from a standard deviation to a limit: 2.8, or 2.77 = 1.96 times the root of two, or what your standard says.",
            "2.8",
        ),
    ],
};

pub(super) static MEASUREMENT_SYSTEM: Table = Table {
    doc: "What a study of a measurement system is about.",
    keys: &[
        key(
            "part",
            Kind::Line,
            Need::Must("the spread of the measuring is held against the spread of the things measured"),
            "The unit or factor that stands for the things measured.",
            "\"roller\"",
        ),
        key(
            "by",
            Kind::Names,
            Need::Must("what differs from one who measures to the next is part of the measuring"),
            "The units or factors that stand for who or what measures: operators, instruments, sites.",
            "[\"operator\", \"instrument\"]",
        ),
        key(
            "check_over",
            Kind::Line,
            Need::May,
            "The unit or factor over which the readings of the references are watched: a day, a session.",
            "\"session\"",
        ),
        key(
            "multiple",
            Kind::Number(Sign::Positive),
            Need::Or("6"),
            "How many standard deviations count as the width of the measuring against the tolerance: 6, in older use 5.15.",
            "6",
        ),
        key(
            "pool_above",
            Kind::Between("0", "1"),
            Need::May,
            "Fixed before data: if the p-value of the joint spread of parts and those who measure is above, it is pooled with the repeats.",
            "0.25",
        ),
    ],
};

pub(super) static REFERENCE: Table = Table {
    doc: "A thing whose value is known from elsewhere.",
    keys: &[
        key(
            "of",
            Kind::Line,
            Need::Must("its readings are found by its unit or factor"),
            "The unit or factor to which it belongs.",
            "\"block\"",
        ),
        key(
            "label",
            Kind::Level,
            Need::Must("its readings are found by its label"),
            "Its label or level; in a randomized plan the number of the unit.",
            "\"block 60\"",
        ),
        key(
            "value",
            Kind::Number(Sign::Any),
            Need::Must("bias is the mean of the readings less the accepted value"),
            "The accepted value, in the unit of the response.",
            "60.3",
        ),
        key(
            "uncertainty",
            Kind::Number(Sign::NotNegative),
            Need::Must("the interval of a bias holds the uncertainty of the reference; 0 if it counts as exact"),
            "Standard uncertainty of the accepted value (a certificate's expanded uncertainty over its coverage factor).",
            "0.3",
        ),
        key(
            "response",
            Kind::Line,
            Need::May,
            "The response of which it is a value; needed where there are several.",
            "\"hardness\"",
        ),
        key(
            "source",
            Kind::Prose,
            Need::May,
            "Where the value comes from.",
            "\"Certificate 4711 of 2026-01-12\"",
        ),
    ],
};
