//! Mixed models against closed forms, published data, an independent dense computation, and themselves from many starts.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)] // helpers of tests, outside the functions marked as such

#[path = "mixed/cases.rs"]
mod cases;
#[path = "mixed/optimum.rs"]
mod optimum;
#[path = "mixed/oracle.rs"]
mod oracle;
#[path = "mixed/properties.rs"]
mod properties;
#[path = "mixed/published.rs"]
mod published;
#[path = "mixed/simulate.rs"]
mod simulate;
