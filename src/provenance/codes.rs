//! Every diagnostic code of this room, with its meaning in a line.
//!
//! A code never changes its meaning and is never given out twice, because people quote it in records.

/// Code and meaning, in order.
pub const CODES: &[(&str, &str)] = &[
    ("V001", "the file is not an archive that can be read"),
    ("V002", "an archive is larger than packs are, packed or unpacked"),
    ("V003", "a name in an archive is not one that a pack can hold"),
    ("V004", "an entry of an archive is not a plain file"),
    ("V005", "a name stands twice in an archive"),
    ("V006", "two names in an archive stand in each other's way"),
    ("V007", "an archive holds bytes that belong to none of its files"),
    ("V008", "the contents of an archive are damaged"),
    ("V010", "a pack has no manifest"),
    ("V011", "a manifest cannot be read"),
    ("V012", "a file is not in the manifest"),
    ("V013", "a file of the manifest is not there"),
    ("V014", "a file is not the one that the manifest speaks of"),
    ("V015", "what a manifest says of the study is not so"),
    ("V020", "there is no signature"),
    ("V021", "a signature does not fit its manifest and key"),
    ("V022", "a key cannot be read"),
    ("V030", "an origin file cannot be read, or is of another protocol"),
    ("V031", "a second site has the first one's id"),
    ("V032", "a second site draws with the first one's seed"),
    ("V033", "the first site's results are not shown yet"),
    ("V040", "two things that cannot be compared"),
    ("V041", "findings that cannot be read, or of another format"),
];

/// The meaning of a code; `None` for a code that is not of this room.
#[must_use]
pub fn meaning(code: &str) -> Option<&'static str> {
    CODES
        .iter()
        .find(|(known, _)| *known == code)
        .map(|(_, meaning)| *meaning)
}
