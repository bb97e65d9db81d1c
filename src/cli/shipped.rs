//! The protocols that ship with the tool, and the study that the demo runs.

use crate::diagnostic::{Diagnostics, Source};
use crate::protocol::{self, Protocol};

/// A protocol that ships with the tool.
#[derive(Debug)]
pub struct Shipped {
    /// Its name: that of its folder in `protocols/`.
    pub name: &'static str,
    /// Text of `protocol.toml`.
    pub protocol: &'static str,
    /// Text of `site.toml`, to be filled in.
    pub site: &'static str,
}

/// All of them, by name.
pub const ALL: &[Shipped] = &[Shipped {
    name: "roller-reading-spread",
    protocol: include_str!("../../protocols/roller-reading-spread/protocol.toml"),
    site: include_str!("../../protocols/roller-reading-spread/site.toml"),
}];

/// The site file of the demo.
pub const DEMO_SITE: &str = include_str!("../../examples/roller-reading-spread/site.toml");
/// The filled sheet of the demo.
pub const DEMO_SHEET: &str = include_str!("../../examples/roller-reading-spread/filled-sheet.csv");
/// The sheet that corrects one reading of it.
pub const DEMO_CORRECTION: &str = include_str!("../../examples/roller-reading-spread/corrected-rows.csv");
/// The author's words of the demo.
pub const DEMO_NOTE: &str = include_str!("../../examples/roller-reading-spread/note.md");

impl Shipped {
    /// The protocol, checked.
    ///
    /// # Errors
    ///
    /// None for what ships; a test reads them all.
    pub fn read(&self) -> Result<(Protocol, Diagnostics), Diagnostics> {
        protocol::read(&Source::new(format!("protocols/{}/protocol.toml", self.name), self.protocol))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_ships_is_sound() {
        for shipped in ALL {
            let (protocol, warnings) = shipped.read().unwrap();
            assert!(warnings.is_empty(), "{}", shipped.name);
            assert_eq!(protocol.study.id, shipped.name);
        }
    }
}
