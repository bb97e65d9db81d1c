//! What a key table is: one declaration drives reading, diagnostics and the JSON Schema.
//!
//! In:  nothing; the tables themselves stand in `protocol_keys` and `site_keys`.
//! Out: `Table`, `Key`, `Kind`, `Need`.
//! Method: every key has a name, a kind, a need, a sentence and an example. Examples and defaults are TOML
//! values, read with the same code as a protocol, so that a wrong one fails a test.
//! Never here: checks that need more than one key.

/// The keys allowed in one TOML table.
pub(super) struct Table {
    /// What the table is for, in a sentence.
    pub doc: &'static str,
    /// Its keys, in the order in which a writer meets them.
    pub keys: &'static [Key],
}

/// One key of a table.
pub(super) struct Key {
    /// The key as written.
    pub name: &'static str,
    /// What its value must be.
    pub kind: Kind,
    /// Whether it has to be there.
    pub need: Need,
    /// What it means, in a sentence.
    pub doc: &'static str,
    /// A TOML value that shows it; empty for tables.
    pub example: &'static str,
}

/// Whether a key has to be there.
#[derive(Clone, Copy)]
pub(super) enum Need {
    /// It has to; the text says why.
    Must(&'static str),
    /// It may be left out.
    May,
    /// Left out it has this value (TOML).
    Or(&'static str),
}

/// What the value of a key must be.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    /// One line of text, not blank.
    Line,
    /// Text over one or more lines, not blank; line ends are read as blanks.
    Prose,
    /// A list of `Prose`.
    Steps,
    /// A list of `Line`, or one line that stands for a list of one.
    Names,
    /// One of some words.
    Words(fn() -> Vec<&'static str>),
    /// An exact decimal number.
    Number(Sign),
    /// An exact decimal number strictly between two others.
    Between(&'static str, &'static str),
    /// A number above zero, or the word "none".
    NumberOrNone,
    /// Two numbers: lowest and highest.
    Range,
    /// A whole number from the first to the second, both included.
    Whole(u64, u64),
    /// `true` or `false`.
    Flag,
    /// One level of a factor: a text or a number.
    Level,
    /// The levels of a factor.
    Levels,
    /// Lists of levels, in a list.
    Rows,
    /// Effects: each a factor, or a list of factors.
    Effects,
    /// A date.
    Date,
    /// Two dates: first and last day.
    Dates,
    /// A table with fixed keys.
    Table(&'static Table),
    /// Tables in a list: `[[unit]]`.
    Tables(&'static Table),
    /// Tables with names of the writer's choice: `[factor.NAME]`.
    Named(&'static Table),
    /// Lists of lines under names of the writer's choice.
    Lists,
    /// Tables of levels under the names of factors.
    Choices,
    /// A list of numbers.
    Series,
    /// Numbers under names that the protocol declares elsewhere.
    Numbers(Sign),
}

/// Which numbers are allowed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    /// Every number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
}

/// Most characters of one line of text.
pub(super) const LINE: usize = 300;
/// Most characters of a text over several lines.
pub(super) const PROSE: usize = 10_000;
/// Most characters of a level.
pub(super) const LEVEL: usize = 60;
/// Most entries of a list.
pub(super) const LIST: usize = 1_000;
/// Most tables of one kind: units, factors, responses, conditions.
pub(super) const TABLES: usize = 64;
/// Most bytes of a file.
pub(super) const FILE: usize = 1 << 20;

impl Kind {
    /// The kind in words, to follow 'must be'.
    pub(super) fn words(self) -> String {
        match self {
            Self::Line => "one line of text in quotes".into(),
            Self::Prose => "a text in quotes".into(),
            Self::Steps => "a list of texts, [\"...\", \"...\"]".into(),
            Self::Names => "a name in quotes or a list of them".into(),
            Self::Words(words) => format!("one of {}", quoted(&words())),
            Self::Number(Sign::Any) => "a number".into(),
            Self::Number(Sign::Positive) => "a number above zero".into(),
            Self::Number(Sign::NotNegative) => "a number, zero or above".into(),
            Self::Between(low, high) => format!("a number above {low} and below {high}"),
            Self::NumberOrNone => "a number above zero, or \"none\"".into(),
            Self::Range => "two numbers, [lowest, highest]".into(),
            Self::Whole(low, high) => format!("a whole number from {low} to {high}"),
            Self::Flag => "true or false".into(),
            Self::Level => "a text in quotes or a number".into(),
            Self::Levels => "a list of texts or numbers, such as [\"turned\", \"polished\"]".into(),
            Self::Rows => "a list of lists of levels".into(),
            Self::Effects => "a list of effects, each a factor or a list of factors".into(),
            Self::Date => "a date, such as 2026-03-02".into(),
            Self::Dates => "two dates, [first day, last day]".into(),
            Self::Table(_) => "a table".into(),
            Self::Tables(_) => "a list of tables".into(),
            Self::Named(_) => "tables with names".into(),
            Self::Lists => "lists of texts under names".into(),
            Self::Choices => "a list of levels under names, [{ ... = 21, ... = \"turned\" }]".into(),
            Self::Series => "a list of numbers, [1.5, 1.7]".into(),
            Self::Numbers(_) => "numbers under names, { ... = 0.3, ... = 0.5 }".into(),
        }
    }
}

/// Names as a list in quotes: `"a"`, `"b"` or `"c"`.
pub(super) fn quoted(words: &[&str]) -> String {
    let all: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    join(&all, "or")
}

/// A list in words: `a`, `b` and `c`.
pub(super) fn join(parts: &[String], last: &str) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., end] => format!("{} {last} {end}", first.join(", ")),
    }
}
