//! Pure functions on slices and matrices: what the analysis asks.

pub mod components;
pub mod strata;
