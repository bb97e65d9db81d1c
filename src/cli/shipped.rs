//! The protocols that ship with the tool, by name, and the study that the demo runs.

use crate::diagnostic::{Diagnostic, Diagnostics, nearest};
use crate::protocol::shipped;

/// Name of the protocol that the demo runs.
pub const DEMO: &str = "roller-reading-spread";
/// The site file of the demo.
pub const DEMO_SITE: &str = include_str!("../../examples/roller-reading-spread/site.toml");
/// The filled sheet of the demo.
pub const DEMO_SHEET: &str = include_str!("../../examples/roller-reading-spread/filled-sheet.csv");
/// The sheet that corrects one reading of it.
pub const DEMO_CORRECTION: &str = include_str!("../../examples/roller-reading-spread/corrected-reading.csv");
/// The author's words of the demo.
pub const DEMO_NOTE: &str = include_str!("../../examples/roller-reading-spread/note.md");

/// A file of the shipped protocol of that name.
///
/// # Errors
///
/// `F016`, with the nearest name there is.
pub fn file(name: &str, file: &str) -> Result<&'static str, Diagnostics> {
    let Some(shipped) = shipped().iter().find(|shipped| shipped.name == name) else {
        let names = || shipped().iter().map(|shipped| shipped.name);
        let help = match nearest(name, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("there are: {}", names().collect::<Vec<_>>().join(", ")),
        };
        return Err(
            Diagnostic::error("F016", format!("no protocol called `{name}` ships with this tool"))
                .help(help)
                .into(),
        );
    };
    let text = shipped
        .files
        .iter()
        .find(|(known, _)| *known == file)
        .map(|(_, text)| *text);
    text.ok_or_else(|| Diagnostic::error("F016", format!("`{name}` ships without a {file}")).into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{PROTOCOL, SITE};

    #[test]
    fn every_shipped_protocol_has_what_a_study_starts_from() {
        for shipped in shipped() {
            file(shipped.name, PROTOCOL).unwrap();
            file(shipped.name, SITE).unwrap();
        }
        assert!(file("roller-reading-spred", PROTOCOL).is_err());
    }
}
