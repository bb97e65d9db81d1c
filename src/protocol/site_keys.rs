//! The keys of `site.toml`.
//!
//! In:  nothing.
//! Out: `SITE`, the table from which reading, diagnostics and the JSON Schema follow.

use super::keys::{Key, Kind, Need, Sign, Table};

const fn key(name: &'static str, kind: Kind, need: Need, doc: &'static str, example: &'static str) -> Key {
    Key {
        name,
        kind,
        need,
        doc,
        example,
    }
}

/// The whole file.
pub(super) static SITE: Table = Table {
    doc: "What is local to one bench: the things behind level names, people, room, dates.",
    keys: &[
        key(
            "wellrun_site",
            Kind::Whole(1, 1_000_000),
            Need::Must("it says in which version of this format the file is written"),
            "Version of this format; 1.",
            "1",
        ),
        key(
            "site",
            Kind::Table(&PLACE),
            Need::Must("each site draws an order of its own, under its own name"),
            "Where the work is done.",
            "",
        ),
        key(
            "person",
            Kind::Tables(&PERSON),
            Need::May,
            "Who takes part; one table a person.",
            "",
        ),
        key(
            "named",
            Kind::Tables(&NAMED),
            Need::May,
            "What stands behind a level of a factor that the protocol leaves to the site; one table a level.",
            "",
        ),
        key(
            "labels",
            Kind::Lists,
            Need::May,
            "Labels of specimens and other units, a list for each unit that has them.",
            "{ roller = [\"R-01\", \"R-02\"] }",
        ),
        key(
            "travelling",
            Kind::Lists,
            Need::May,
            "Specimens that are read at another site too: their labels, a list for each unit.",
            "{ roller = [\"R-01\"] }",
        ),
    ],
};

static PLACE: Table = Table {
    doc: "Where the work is done.",
    keys: &[
        key(
            "id",
            Kind::Line,
            Need::Must("files and the drawing of the order are named after it"),
            "Short name for files and for the draw: letters, digits and `-`.",
            "\"north\"",
        ),
        key(
            "name",
            Kind::Line,
            Need::Must("it stands on each sheet and at the head of the report"),
            "Name for people.",
            "\"North bench\"",
        ),
        key(
            "room",
            Kind::Line,
            Need::May,
            "The room or place of work.",
            "\"Room 2\"",
        ),
        key(
            "dates",
            Kind::Dates,
            Need::May,
            "First and last day of the work.",
            "[\"2026-03-02\", \"2026-03-06\"]",
        ),
    ],
};

static PERSON: Table = Table {
    doc: "Somebody who takes part.",
    keys: &[
        key(
            "code",
            Kind::Line,
            Need::Must("sheets carry a code, not a name"),
            "Initials or code, as written on sheets.",
            "\"op1\"",
        ),
        key(
            "role",
            Kind::Line,
            Need::Must("the report says who read and who led"),
            "What the person does.",
            "\"operator\"",
        ),
    ],
};

static NAMED: Table = Table {
    doc: "The thing behind one level of a factor.",
    keys: &[
        key(
            "factor",
            Kind::Line,
            Need::Must("it says of which factor a level is explained"),
            "The factor.",
            "\"instrument\"",
        ),
        key(
            "level",
            Kind::Level,
            Need::Must("it says which level is explained"),
            "The level, as in the protocol.",
            "\"A\"",
        ),
        key(
            "description",
            Kind::Prose,
            Need::Must("a reader at another site must be able to tell what the level was"),
            "What it is.",
            "\"Type D durometer with digital display\"",
        ),
        key("serial", Kind::Line, Need::May, "Serial number.", "\"D-1041\""),
        key(
            "certificate",
            Kind::Line,
            Need::May,
            "Number of the calibration certificate.",
            "\"C-2026-017\"",
        ),
        key(
            "calibrated",
            Kind::Date,
            Need::May,
            "Day of the calibration.",
            "\"2026-01-15\"",
        ),
        key(
            "due",
            Kind::Date,
            Need::May,
            "Last day on which the calibration is good.",
            "\"2027-01-15\"",
        ),
        key(
            "tolerance",
            Kind::Number(Sign::NotNegative),
            Need::May,
            "Half-width of the calibration tolerance, in the unit of the response.",
            "1.0",
        ),
    ],
};
