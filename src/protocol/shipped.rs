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

static SHIPPED: [Shipped; 1] = [Shipped {
    name: "roller-reading-spread",
    title: "What moves a Shore D reading on a drive roller?",
    files: &[
        (
            "protocol.toml",
            include_str!("../../protocols/roller-reading-spread/protocol.toml"),
        ),
        (
            "site.toml",
            include_str!("../../protocols/roller-reading-spread/site.toml"),
        ),
        (
            "README.md",
            include_str!("../../protocols/roller-reading-spread/README.md"),
        ),
    ],
}];
