//! What goes on at the bench beside the runs: rules for the order, controls, cleaning, blinding, spots.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    clippy::assigning_clones
)]

#[path = "order/blinding.rs"]
mod blinding;
#[path = "order/control.rs"]
mod control;
#[path = "order/positions.rs"]
mod positions;
#[path = "order/results.rs"]
mod results;
#[path = "order/rules.rs"]
mod rules;
#[path = "order/support.rs"]
mod support;
