//! The protocols that come with the tool, built in.

/// A protocol that comes with the tool.
#[derive(Debug)]
pub struct Shipped {
    /// Its folder, and the word to ask for it by; the `id` of its study.
    pub name: &'static str,
    /// Its title, as in the protocol.
    pub title: &'static str,
    /// Its files: name and text.
    pub files: &'static [(&'static str, &'static str)],
}

/// The protocols that come with the tool, by name.
#[must_use]
pub fn shipped() -> &'static [Shipped] {
    &SHIPPED
}

/// A shipped protocol with its three files, and more if it has them.
macro_rules! shipped {
    ($name:literal, $title:literal $(, $more:literal)*) => {
        Shipped {
            name: $name,
            title: $title,
            files: &[
                (
                    "protocol.toml",
                    include_str!(concat!("../../protocols/", $name, "/protocol.toml")),
                ),
                (
                    "site.toml",
                    include_str!(concat!("../../protocols/", $name, "/site.toml")),
                ),
                (
                    "README.md",
                    include_str!(concat!("../../protocols/", $name, "/README.md")),
                ),
                $(($more, include_str!(concat!("../../protocols/", $name, "/", $more))),)*
            ],
        }
    };
}

static SHIPPED: [Shipped; 10] = [
    shipped!(
        "carry-over",
        "Does a surface leave something on the indenter that moves the next reading?"
    ),
    shipped!("centring", "What does it cost to read beside the crown of a roller?"),
    shipped!("instrument-comparison", "Do two instruments agree on the same rollers?"),
    shipped!(
        "interlaboratory-precision",
        "How far apart may two results on one material lie: in one laboratory, and in two?"
    ),
    shipped!(
        "measurement-system",
        "How much of the spread between rollers is the measuring?"
    ),
    shipped!(
        "measurement-system-nested",
        "How much of the spread is the measuring, when no roller can be measured by two?"
    ),
    shipped!(
        "reference-blocks",
        "Do the instruments read the reference blocks alike, and as their certificates say?"
    ),
    shipped!(
        "roller-reading-spread",
        "What moves a Shore D reading on a drive roller?",
        "assumed.toml"
    ),
    shipped!(
        "ruggedness-screen",
        "Which of seven liberties of the procedure move a Shore D reading?"
    ),
    shipped!(
        "temperature-sensitivity",
        "How much does a Shore D reading change with the temperature of the roller?"
    ),
];
