//! A study tried dry: the readings that a plan would bring if what is assumed were true.

mod fill;
mod simulate;

pub use fill::{Filled, Misread, Wishes, fill};
pub use simulate::{Simulated, simulate};
