//! Readings: exact decimals, import, journal, corrections, deviations.

mod codes;
mod columns;
mod decimal;
mod model;
mod table;

pub use codes::{CODES, meaning};
pub use columns::{Column, Columns};
pub use decimal::{Mark, Parsed, Refusal};
pub use model::{Correction, Deviation, Missing, Questioned, Record, RunRecord, TakenFile, Written};
pub use table::{Cell, Fault, Rows, Table};
