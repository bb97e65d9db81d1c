//! Protocol, plan and record to findings; chooses what `stats` is asked.

mod adjusted;
mod agreement;
mod aliasing;
mod candidates;
mod carry_over;
mod checks;
mod comparisons;
mod control_drift;
mod decision;
mod diagnosis;
mod drift;
mod estimate;
mod findings;
mod fit;
mod frame;
mod headline;
mod influence;
mod layers;
mod measurement;
mod measurement_system;
mod mixed_model;
mod pool;
mod power;
mod power_simulation;
mod power_size;
mod power_strength;
mod precision;
mod precision_findings;
mod randomization;
mod rehearsed;
mod response;
mod ruggedness;
mod sources;
mod summary;
mod surface;
mod trends;
mod trust;
mod uncertainty;
mod uncertainty_sources;
mod unreplicated;

pub use adjusted::{CorrectedFinding, EstimateFinding};
pub use agreement::{
    AcceptableFinding, AgreementFinding, BiasAtFinding, Closeness, ConcordanceFinding, EquivalenceFinding,
    LimitFinding, LimitsAtFinding, LineFinding, NextFinding, PairFinding, RankFinding, SpreadTrendFinding,
    ToleranceFinding, WithinFinding,
};
pub use aliasing::{AliasFinding, LeftOutFinding};
pub use candidates::{Candidate, Detectable, Mixed, candidates};
pub use carry_over::{AfterFinding, CarryOverFinding, ResidueFinding, WashOutFinding};
pub use control_drift::{ControlDriftFinding, OccasionFinding};
pub use decision::{
    CurvePoint, DecisionFinding, JudgedResult, LeastTrueValue, ProductionFinding, RiskFinding, VariantFinding,
    WindowFinding,
};
pub use diagnosis::*;
pub use drift::{CoursePoint, DriftFinding};
pub use findings::*;
pub use headline::HeadlineFinding;
pub use influence::{ChangeFinding, InfluenceFinding, InfluenceOfRun, InfluenceOfSetUp};
pub use measurement_system::{
    BiasFinding, LinearityFinding, MeasuredMean, MeasurementFinding, MeasuringLayer, RatioFinding, StabilityFinding,
};
pub use pool::*;
pub use power::{ENOUGH, EffectPower, Mend, Power, PowerOptions, ResponsePower, SpreadLine, percent, power};
pub use precision_findings::{
    AgainstLevel, CellFinding, IntermediateFinding, LaboratoryDifference, OddLaboratory, Oddness, PooledFinding,
    PrecisionFinding, PrecisionStudy, SpreadFinding, TruenessFinding, WithoutFinding,
};
pub use rehearsed::{RehearsalFinding, TruthFinding, rehearsed};
pub use ruggedness::{RuggednessFinding, VariationFinding};
pub use summary::{analyse, findings_schema};
pub use surface::{
    CurvatureFinding, LackOfFitFinding, SurfaceCoefficient, SurfaceFactor, SurfaceFinding, SurfaceMap, SurfaceShape,
    TurningCoordinate, TurningPoint,
};
pub use trends::TrendFinding;
pub use uncertainty::{CorrelationFinding, OptionFinding, SimulationFinding, SourceFinding, UncertaintyFinding};
pub use unreplicated::{LoneEffect, Standing, UnreplicatedFinding};
