//! Statistics of measurement: pure functions on slices and matrices. Knows nothing of protocols, files or text.

pub mod agreement;
pub mod both_errors;
pub mod components;
pub mod conformity;
pub mod interval;
pub mod linear;
pub mod mixed;
pub mod multiplicity;
pub mod power;
pub mod randomization;
pub mod simulation;
pub mod strata;
pub mod summary;
pub mod uncertainty;
pub mod unreplicated;
