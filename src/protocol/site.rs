//! The site file: what is local to one bench.
//!
//! In:  `site.toml` and the checked protocol it serves.
//! Out: a `Site`; missing or expired entries are diagnostics (codes `S...`).

use rust_decimal::Decimal;

use super::model::FactorId;

/// What is local: instruments behind level names, people, room, dates.
#[derive(Debug, Clone)]
pub struct Site {
    /// Short name for files and for the draw: letters, digits, `-`.
    pub id: String,
    /// Name for people: 'North bench'.
    pub name: String,
    /// The room or place of work.
    pub room: String,
    /// First and last day of the work, ISO dates; empty if not given.
    pub dates: (String, String),
    /// Who takes part.
    pub people: Vec<Person>,
    /// What stands behind the levels of factors that the site names.
    pub named: Vec<Named>,
    /// Labels of specimens and other units, by unit name, when the site gives them.
    pub labels: Vec<(String, Vec<String>)>,
    /// Labels of specimens that are read at another site too, by unit name.
    pub travelling: Vec<(String, Vec<String>)>,
    /// SHA-256 (lower-case hexadecimal) of the file's text with LF line ends and no byte-order mark.
    pub sha256: String,
}

/// Somebody who takes part.
#[derive(Debug, Clone)]
pub struct Person {
    /// Initials or code, as written on sheets.
    pub code: String,
    /// What the person may do: 'operator', 'lead'.
    pub role: String,
}

/// The thing behind one level of a factor.
#[derive(Debug, Clone)]
pub struct Named {
    /// The factor.
    pub factor: FactorId,
    /// The level, by index.
    pub level: usize,
    /// What it is: 'Type D durometer with digital display'.
    pub description: String,
    /// Serial number.
    pub serial: String,
    /// Certificate number.
    pub certificate: String,
    /// Date of calibration, ISO date.
    pub calibrated: String,
    /// Day until which the calibration is good, ISO date.
    pub due: String,
    /// Half-width of the calibration tolerance, in the response's unit.
    pub tolerance: Option<Decimal>,
}
