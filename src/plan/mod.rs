//! Units, allocation, randomized order: the frozen plan.

mod model;

pub use model::{Plan, PlanHeader, PlannedRun};
