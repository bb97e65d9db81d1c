//! `wellrun` runs a laboratory study of a test method from one protocol file to a published report.
//!
//! protocol → design → plan → sheet → (bench) → record → analysis → report
//!
//! Arrows between modules run down this list only; nothing below `cli` prints.
#![forbid(unsafe_code)]

pub mod analysis;
pub mod chart;
pub mod cli;
pub mod design;
pub mod diagnostic;
pub mod numeric;
pub mod plan;
pub mod protocol;
pub mod provenance;
pub mod record;
pub mod rehearsal;
pub mod render;
pub mod report;
pub mod sheet;
pub mod stats;
pub mod study;
