//! Readings: exact decimals, import, journal, corrections, deviations.

mod amend;
mod close;
mod codes;
mod columns;
mod conformance;
mod control;
mod decimal;
mod doubts;
mod gather;
mod import;
mod import_control;
mod journal;
mod layout;
mod levels;
mod long_form;
mod marks;
mod model;
mod patterns;
mod replay;
mod results;
mod status;
mod structure;
mod table;
mod tidy;
mod whole;
mod words;

pub use amend::{Amended, amend, amendments};
pub use close::{close, still_open};
pub use codes::{CODES, meaning};
pub use columns::{Column, Columns};
pub use conformance::{Point, conformance, conformance_list, points};
pub use control::{
    ControlColumn, ControlCorrection, ControlReading, ControlRecord, control_readings, control_table, most_readings,
};
pub use decimal::{Mark, Parsed, Refusal, lies_in, lies_on, parse as parse_number};
pub use import::{deviation, import, said_by, unblind};
pub use journal::{COURSE, Entry, Trace, append_lines, rewritten, sha256, torn_tail};
pub use model::{
    Amendment, Asked, Closed, Conflict, Conformance, Correction, Course, Deviation, DeviceLog, Missing, Questioned,
    Record, RunRecord, TakenFile, Unblinded, Written,
};
pub use patterns::{Pattern, patterns};
pub use replay::{Context, replay};
pub use results::{import_results, is_results};
pub use status::{ControlRows, MissingValue, OutOfOrder, Status, status};
pub use table::{Cell, Fault, Rows, Table, decode, decode_text};
pub use tidy::tidy;
pub use words::MISSING_WORDS;
