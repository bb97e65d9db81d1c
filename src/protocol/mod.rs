//! TOML to a checked `Protocol`, and the site file beside it.

mod assumed;
mod codes;
mod keys;
mod model;
mod number;
mod protocol_keys;
mod read;
mod read_site;
mod schema;
mod shipped;
mod site;
mod site_keys;
mod structure;
mod tree;
mod values;
mod walk;

pub use assumed::{Assumed, AssumedEffect, AssumedSize, Spread};
pub use codes::codes;
pub use model::{
    AnalysisPlan, Condition, ConditionId, Design, Effect, Factor, FactorId, Limit, Order, PartOf, Procedure, Protocol,
    Response, ResponseId, Statistic, Study, StudyKind, Treatments, Unit, UnitId,
};
pub use read::{read, text_sha256};
pub use read_site::read_site;
pub use schema::{protocol_schema, site_schema};
pub use shipped::{Shipped, shipped};
pub use site::{Named, Person, Site};
