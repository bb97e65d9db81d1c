//! Every diagnostic code of this room, with its meaning in a line.
//!
//! A code never changes its meaning and is never given out twice, because people quote it in records.

/// Code and meaning, in order.
pub const CODES: &[(&str, &str)] = &[
    ("R001", "the file is not text that can be read"),
    ("R002", "the file has no header line"),
    ("R003", "a quote is never closed"),
    ("R004", "text stands after a closing quote"),
    ("R005", "a row has fewer cells than the header (warning)"),
    ("R006", "a row has more cells than the header"),
    ("R007", "a cell is too long"),
    ("R008", "a row has too many cells"),
    ("R009", "a cell holds a formula"),
    ("R010", "a text is too long or holds control characters"),
    ("R011", "a column is named twice"),
    ("R012", "a column name is misspelt"),
    ("R013", "a column is not known and is left out (warning)"),
    ("R014", "a column that is needed is not there"),
    ("R015", "a column counts more readings than a run has"),
    ("R016", "no column holds anything to take in"),
    (
        "R017",
        "columns are not there by which shifted rows would be noticed (note)",
    ),
    ("R018", "a column that the protocol declares is not there (warning)"),
    ("R019", "the file has no rows (warning)"),
    ("R020", "a run number is missing or not a whole number"),
    ("R021", "a run is not in the plan"),
    ("R022", "a run stands in two rows"),
    ("R023", "a unit differs from the plan"),
    ("R024", "a factor level differs from the plan"),
    ("R025", "a factor level is not declared in the protocol"),
    ("R026", "a unit has no label"),
    ("R027", "there is no plan to hold the sheet against"),
    ("R028", "a response is not declared in the protocol"),
    ("R029", "a reading number is not one of the run's"),
    ("R030", "a reading stands in two rows"),
    ("R031", "rows of one run disagree"),
    ("R040", "a cell is not a number"),
    ("R041", "a number has thousands separators, or may have"),
    ("R042", "a number has an exponent"),
    ("R043", "a number is not finite"),
    ("R044", "a spreadsheet made a date or a time of a number"),
    ("R045", "a number has more digits than are taken"),
    ("R046", "a value lies outside what is possible"),
    ("R047", "a value lies outside what is expected (questioned)"),
    ("R048", "a reading does not lie on a step of the display (questioned)"),
    (
        "R049",
        "decimal commas and decimal points stand in one file (questioned)",
    ),
    ("R050", "an operator is not on the site's list (questioned)"),
    ("R051", "a position in the order is not a whole number from 1"),
    ("R052", "two runs claim one position in the order (questioned)"),
    ("R053", "a condition differs within one unit (questioned)"),
    ("R060", "a recorded value is changed without a reason"),
    ("R061", "the reason is blank, too long or says nothing"),
    ("R070", "the journal's last line is cut off"),
    ("R071", "a journal line is not an entry"),
    ("R072", "a journal line is out of sequence"),
    ("R073", "the journal's chain of hashes is broken"),
    ("R074", "a journal line is not written as this tool writes it"),
    ("R075", "an entry names a run that does not exist"),
    ("R076", "an entry names a column that the protocol does not have"),
    ("R077", "an entry records what is recorded already"),
    ("R078", "a correction does not start from the recorded value"),
    ("R079", "an entry holds a value that is not acceptable"),
    ("R080", "a control row that the plan does not have"),
    ("R081", "a cell that a control row, or a run's row, has no use for"),
    ("R082", "a control row stands twice"),
    ("R083", "a study is unblinded that is not blinded"),
    ("R084", "the record is closed, and nothing is added to it"),
    (
        "R085",
        "a record is closed although values are missing without a reason",
    ),
    ("R090", "a conformance list cannot be read, or is of another protocol"),
    ("R091", "a point of a conformance list is not answered, or not one"),
    ("R092", "an amendment of the protocol that does not fit"),
    (
        "R093",
        "a second site takes readings in before its conformance list (warning)",
    ),
    ("R099", "there is more of the same than is listed"),
];

/// The meaning of a code; `None` for a code that is not of this room.
#[must_use]
pub fn meaning(code: &str) -> Option<&'static str> {
    CODES
        .iter()
        .find(|(known, _)| *known == code)
        .map(|(_, meaning)| *meaning)
}
