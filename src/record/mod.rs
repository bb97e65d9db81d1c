//! Readings: exact decimals, import, journal, corrections, deviations.

mod codes;
mod columns;
mod decimal;
mod doubts;
mod gather;
mod import;
mod import_reference;
mod journal;
mod layout;
mod levels;
mod long_form;
mod marks;
mod model;
mod reference;
mod replay;
mod status;
mod structure;
mod table;
mod tidy;
mod whole;
mod words;

pub use codes::{CODES, meaning};
pub use columns::{Column, Columns};
pub use decimal::{Mark, Parsed, Refusal, lies_in, lies_on, parse as parse_number};
pub use import::{deviation, import};
pub use journal::{Entry, append_lines, sha256, torn_tail};
pub use model::{Correction, Deviation, Missing, Questioned, Record, RunRecord, TakenFile, Unblinded, Written};
pub use reference::{
    ReferenceColumn, ReferenceCorrection, ReferenceReading, ReferenceRecord, most_readings, reference_readings,
    reference_table,
};
pub use replay::{Context, replay};
pub use status::{MissingValue, OutOfOrder, ReferenceRows, Status, status};
pub use table::{Cell, Fault, Rows, Table, decode, decode_text};
pub use tidy::tidy;
pub use words::MISSING_WORDS;
