//! Statistics of measurement: pure functions on slices and matrices. Knows nothing of protocols, files or text.

pub mod agreement;
pub mod alias;
pub mod balanced;
pub mod both_errors;
pub mod components;
pub mod conformity;
pub mod consistency;
pub mod deletion;
pub mod digits;
pub mod equal_spread;
pub mod interval;
pub mod linear;
pub mod mixed;
pub mod multiplicity;
pub mod order_variance;
pub mod outlier;
pub mod power;
pub mod power_transform;
pub mod randomization;
pub mod repeatability;
pub mod simulation;
pub mod strata;
pub mod summary;
pub mod uncertainty;
pub mod unreplicated;
