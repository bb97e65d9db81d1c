//! TOML to a checked `Protocol`, and the site file beside it.

mod assumed;
mod assumed_keys;
mod bench;
mod bench_keys;
mod budget;
mod check_inference;
mod check_optimal;
mod check_placement;
mod check_rehearsal;
mod check_treatments;
mod choice;
mod codes;
mod comparing;
mod deciding;
mod keys;
mod measurement;
mod measurement_keys;
mod model;
mod number;
mod precision;
mod precision_keys;
mod protocol_keys;
mod read;
mod read_assumed;
mod read_bench;
mod read_model;
mod read_site;
mod replication;
mod schema;
mod shipped;
mod site;
mod site_keys;
mod site_template;
mod split_set;
mod structure;
mod treatment_set;
mod tree;
mod values;
mod walk;

pub use assumed::{Assumed, AssumedEffect, AssumedResidue, AssumedSize, Spread, weight};
pub use bench::{Bench, Cleaning, Control, OrderRules, Positions, Shape, Zone};
pub use budget::{Anew, Budget, Correlation, Given, Limited, Origin, Source};
pub use check_rehearsal::can_be_rehearsed;
pub use choice::Choice;
pub use codes::codes;
pub use comparing::ComparisonPlan;
pub use deciding::{DecisionPlan, JudgedBy, Production, RetestRule, Rule, Window};
pub use measurement::Measurement;
pub use model::{
    AnalysisPlan, Comparisons, ComponentIntervals, Condition, ConditionId, DegreesOfFreedom, Design, Effect, Factor,
    FactorId, Likelihood, Limit, ModelOf, ModelPlan, Order, PartOf, Placement, Procedure, Protocol, Response,
    ResponseId, Statistic, Study, StudyKind, TreatmentSet, Treatments, Unit, UnitId, Weights, reading_seconds,
};
pub use precision::{Grouping, MeasurementPlan, PrecisionPlan, Reference};
pub use read::{read, read_as, text_sha256};
pub use read_assumed::read_assumed;
pub use read_site::read_site;
pub use replication::{Criterion, Replication};
pub use schema::{protocol_schema, site_schema};
pub use shipped::{Shipped, shipped};
pub use site::{Named, Person, Site};
pub use site_template::site_template;
