//! Readings: exact decimals, import, journal, corrections, deviations.

mod model;

pub use model::{Correction, Deviation, Questioned, Record, RunRecord, TakenFile, Written};
