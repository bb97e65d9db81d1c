//! TOML to a checked `Protocol`, and the site file beside it.

mod model;
mod site;

pub use model::{
    AnalysisPlan, Condition, ConditionId, Design, Effect, Factor, FactorId, Limit, Order, PartOf, Procedure, Protocol,
    Response, ResponseId, Statistic, Study, StudyKind, Treatments, Unit, UnitId,
};
pub use site::{Named, Person, Site};
