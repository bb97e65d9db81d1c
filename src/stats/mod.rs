//! Statistics of measurement: pure functions on slices and matrices. Knows nothing of protocols, files or text.

pub mod interval;
pub mod linear;
pub mod mixed;
pub mod multiplicity;
pub mod power;
pub mod summary;
pub mod unreplicated;
