//! What goes on at the bench beside the runs: rules for the order, references, cleaning, blinding, spots.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    clippy::assigning_clones
)]

#[path = "order/reference.rs"]
mod reference;
#[path = "order/rules.rs"]
mod rules;
#[path = "order/support.rs"]
mod support;
