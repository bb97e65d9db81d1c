//! Readings: exact decimals, import, journal, corrections, deviations.

mod codes;
mod columns;
mod decimal;
mod doubts;
mod gather;
mod journal;
mod levels;
mod model;
mod replay;
mod table;
mod words;

pub use codes::{CODES, meaning};
pub use columns::{Column, Columns};
pub use decimal::{Mark, Parsed, Refusal, parse as parse_number};
pub use journal::{Entry, append_lines, sha256, torn_tail};
pub use model::{Correction, Deviation, Missing, Questioned, Record, RunRecord, TakenFile, Written};
pub use replay::{Context, replay};
pub use table::{Cell, Fault, Rows, Table};
