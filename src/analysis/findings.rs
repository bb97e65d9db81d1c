//! The analysis as data: the one thing that reports, charts and the terminal look at.
//!
//! Every number is in full double precision; rounding happens where it is shown. `null` stands for
//! 'cannot be told', and a `note` beside it says why. Intervals have the protocol's confidence.
//! The keys are a contract: see `wellrun schema findings`.

use std::collections::BTreeMap;

use super::rehearsed::RehearsalFinding;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::agreement::AgreementFinding;
use super::aliasing::{AliasFinding, LeftOutFinding};
use super::decision::DecisionFinding;
use super::diagnosis::Diagnosis;
use super::measurement_system::MeasurementFinding;
use super::precision_findings::{PrecisionFinding, PrecisionStudy};
use super::ruggedness::RuggednessFinding;
use super::surface::SurfaceFinding;
use super::uncertainty::UncertaintyFinding;
use super::unreplicated::UnreplicatedFinding;

/// Format name written into `Findings::format`.
pub const FORMAT: &str = "wellrun findings 1";

/// Everything that was found.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Findings {
    /// `wellrun findings 1`.
    pub format: String,
    /// Which study this is.
    pub study: StudyHead,
    /// Where every number comes from.
    pub provenance: Provenance,
    /// What happened at the bench.
    pub record: RecordSummary,
    /// One entry a response, by name.
    pub responses: BTreeMap<String, ResponseFindings>,
    /// Where the study comes from, if it repeats one of another site.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<OriginFinding>,
    /// What a rehearsal put in, beside what came out; left out for a study that was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rehearsal: Option<RehearsalFinding>,
}

/// Which study the findings belong to.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct StudyHead {
    /// Study id.
    pub id: String,
    /// Title.
    pub title: String,
    /// Version of the protocol.
    pub version: String,
    /// SHA-256 of the protocol.
    pub protocol_sha256: String,
    /// Site id; empty without a site file.
    pub site: String,
    /// True if the readings were simulated.
    pub rehearsal: bool,
    /// `randomized` or `as run`.
    pub order: String,
    /// What sort of study it is, as the protocol says.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub kind: String,
    /// Whether the levels of some factors are codes; left out for a study that was never blinded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blinding: Option<BlindingFinding>,
}

/// How far a study is blinded.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct BlindingFinding {
    /// The blinded factors.
    pub factors: Vec<String>,
    /// When it was unblinded, RFC 3339; nothing while the levels are codes.
    pub unblinded_at: Option<String>,
    /// Why it was unblinded; empty while the levels are codes.
    pub why: String,
    /// How many runs had an entry by then.
    pub after_runs: usize,
}

/// What a stranger needs to compute the numbers again.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Provenance {
    /// Version of this tool.
    pub tool: String,
    /// SHA-256 of the site file; empty without one.
    pub site_sha256: String,
    /// SHA-256 of plan.csv; empty for an as-run study.
    pub plan_sha256: String,
    /// Hash of the last journal entry.
    pub record_sha256: String,
    /// Seed of the draw, as decimal text; empty for an as-run study.
    pub seed: String,
    /// How the order was drawn; empty for an as-run study.
    pub algorithm: String,
    /// When the plan was frozen, RFC 3339; empty for an as-run study.
    pub frozen_at: String,
}

/// What happened at the bench.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RecordSummary {
    /// Runs in the plan.
    pub runs_planned: usize,
    /// Runs with every reading.
    pub runs_complete: usize,
    /// Numbers of the runs without a single reading.
    pub runs_missing: Vec<usize>,
    /// Numbers of the runs with some readings but not all.
    pub runs_incomplete: Vec<usize>,
    /// What has to be the same at every site; left out where nobody answered.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conformance: Vec<ConformanceFinding>,
    /// Changes of the protocol after the plan was frozen.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub amendments: Vec<AmendmentFinding>,
    /// The end of the record; left out while it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<ClosedFinding>,
    /// Changed values.
    pub corrections: Vec<CorrectionFinding>,
    /// Departures from the protocol.
    pub deviations: Vec<DeviationFinding>,
    /// Values outside the expected range, taken in with a question.
    pub questioned: Vec<QuestionedFinding>,
    /// Runs that were made in another order than planned.
    pub out_of_order: Vec<usize>,
    /// Conditions measured beside the readings.
    pub conditions: Vec<ConditionFinding>,
    /// Values that a word stands in place of; left out if there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<MissingFinding>,
    /// What the page noted beside the values; left out where no results file of a page was taken in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bench: Option<BenchFinding>,
}

/// A value that a word stands in place of.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct MissingFinding {
    /// Number of the run.
    pub run: usize,
    /// Column.
    pub what: String,
    /// The word: `not done`, `lost`, `void` or `-`.
    pub reason: String,
    /// What happened; empty if not said.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
}

/// What the page noted beside the values.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct BenchFinding {
    /// How many devices took readings.
    pub devices: usize,
    /// Readings by the initials of who wrote them down.
    pub readings_by: std::collections::BTreeMap<String, usize>,
    /// Runs that were skipped and taken up later or not at all, in order.
    pub skipped: Vec<DeviationFinding>,
    /// How often the work was paused.
    pub pauses: usize,
    /// Questions put before a value was taken.
    pub asked: Vec<AskedFinding>,
    /// Second values for places that had one.
    pub conflicts: Vec<ConflictFinding>,
}

/// A question put before a value was taken.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AskedFinding {
    /// The run, or the row of a control.
    pub row: String,
    /// Column.
    pub what: String,
    /// The text as it was first written.
    pub text: String,
    /// What was odd.
    pub why: String,
    /// `kept`, or `written again`.
    pub answer: String,
}

/// A second value for a place that had one.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ConflictFinding {
    /// The run, or the row of a control.
    pub row: String,
    /// Column.
    pub what: String,
    /// The value that stands.
    pub stands: String,
    /// The other one.
    pub other: String,
    /// Initials of who wrote the other one; empty if not said.
    pub by: String,
}

/// A point that has to be the same at every site, and what was done about it.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ConformanceFinding {
    /// The point.
    pub what: String,
    /// What the protocol asks for.
    pub asked: String,
    /// True if it is the same.
    pub same: bool,
    /// What is done instead; empty if it is the same.
    pub instead: String,
    /// How many runs had an entry when it was answered.
    pub after_runs: usize,
}

/// A change of the protocol after the plan was frozen.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AmendmentFinding {
    /// Version before.
    pub before: String,
    /// Version from then on.
    pub version: String,
    /// SHA-256 of the protocol before.
    pub from: String,
    /// SHA-256 of the protocol from then on.
    pub to: String,
    /// Why.
    pub reason: String,
    /// When, RFC 3339.
    pub at: String,
    /// How many runs had an entry by then.
    pub after_runs: usize,
}

/// Where a study at a second site comes from.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct OriginFinding {
    /// Id of the first site; empty if only its protocol was passed on.
    pub site: String,
    /// SHA-256 of the manifest of the pack.
    pub manifest_sha256: String,
    /// True if the pack held the first site's results too.
    pub with_results: bool,
}

/// The end of the record.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ClosedFinding {
    /// When, RFC 3339.
    pub at: String,
    /// Initials of who closed it; empty if not said.
    pub by: String,
    /// Why it was closed although values are missing without a reason; empty if none are.
    pub why: String,
}

/// A changed value.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CorrectionFinding {
    /// Number of the run.
    pub run: usize,
    /// Column.
    pub what: String,
    /// Text before.
    pub from: String,
    /// Text after.
    pub to: String,
    /// Reason given.
    pub reason: String,
}

/// A departure from the protocol.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct DeviationFinding {
    /// Number of the run, if it concerns one.
    pub run: Option<usize>,
    /// What happened.
    pub what: String,
}

/// A value taken in with a question.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct QuestionedFinding {
    /// Number of the run.
    pub run: usize,
    /// Column.
    pub what: String,
    /// Text as written.
    pub text: String,
    /// What is odd.
    pub why: String,
}

/// A condition measured beside the readings.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ConditionFinding {
    /// Its name.
    pub name: String,
    /// Unit of measure.
    pub unit: String,
    /// How many values were recorded.
    pub values: usize,
    /// Smallest value.
    pub lowest: Option<f64>,
    /// Mean value.
    pub mean: Option<f64>,
    /// Largest value.
    pub highest: Option<f64>,
}

/// What was found for one response.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ResponseFindings {
    /// Unit of measure.
    pub unit: String,
    /// Number of run results analysed.
    pub runs: usize,
    /// Number of readings analysed.
    pub readings: usize,
    /// Number of readings planned but not there.
    pub missing: usize,
    /// How readings became a result: `mean`, `median`, ...
    pub statistic: String,
    /// Level of every interval, such as 0.95.
    pub confidence: f64,
    /// Smallest difference that matters, if the protocol states one.
    pub relevant: Option<f64>,
    /// The model.
    pub model: Model,
    /// One line a stratum: what each unit's spread is, and what is judged against it.
    pub strata: Vec<StratumFinding>,
    /// One line an effect.
    pub effects: Vec<EffectFinding>,
    /// Spread of the finest unit.
    pub residual: Residual,
    /// Mean of all results.
    pub grand_mean: MeanFinding,
    /// Means by level, and by pairs of levels for the effects of the model with two category factors.
    pub means: Vec<MeanFinding>,
    /// Differences between levels.
    pub contrasts: Vec<ContrastFinding>,
    /// Slopes of numeric factors.
    pub slopes: Vec<SlopeFinding>,
    /// Slopes at each level of another factor, where the pair is planned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub slopes_within: Vec<SlopeWithinFinding>,
    /// Where the spread comes from.
    pub components: Vec<Component>,
    /// The precision of the method, one entry a level; empty without a [precision] in the protocol.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub precision: Vec<PrecisionFinding>,
    /// What holds for all levels of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precision_study: Option<PrecisionStudy>,
    /// What levels leave behind for the next run; left out if no factor is declared to carry over.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub carry_over: Vec<super::CarryOverFinding>,
    /// The shape of the change along numeric factors with more than two levels; left out if there is none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trends: Vec<super::TrendFinding>,
    /// What controls read between the runs say; left out if there is none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub controls: Vec<super::ControlDriftFinding>,
    /// Drift along the order of the runs, and what it does to the changes; left out where the order is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift: Option<super::DriftFinding>,
    /// What makes a stated result uncertain, where the protocol declares a budget.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<UncertaintyFinding>,
    /// Results held against the limit, where the protocol declares how.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decision: Option<DecisionFinding>,
    /// How two methods agree, where the protocol declares a comparison.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub agreement: Option<AgreementFinding>,
    /// How closely a procedure must hold what it allows to vary; left out but for a ruggedness test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ruggedness: Option<RuggednessFinding>,
    /// The study of the measurement system; null without one in the protocol.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measurement_system: Option<MeasurementFinding>,
    /// Is there anything the model does not see?
    pub checks: Vec<Check>,
    /// Effects of the protocol that these runs cannot tell from those of the model.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOutFinding>,
    /// Effects judged against each other, where no setting was repeated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unreplicated: Option<UnreplicatedFinding>,
    /// The quadratic surface over numeric factors with three or more levels.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface: Option<SurfaceFinding>,
    /// How far the numbers can be trusted; null if the study could not be analysed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diagnosis: Option<Diagnosis>,
    /// What could not be answered, and why, in sentences.
    pub cannot_tell: Vec<String>,
    /// Every result with its settings: what the figures show.
    pub results: Vec<RunResult>,
}

/// The model that was fitted.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Model {
    /// Names of the fixed effects.
    pub fixed: Vec<String>,
    /// Names of the units that bring spread.
    pub random: Vec<String>,
    /// `analysis of variance in strata`, `least squares`, ...
    pub method: String,
    /// Degrees of freedom left in the finest stratum.
    pub residual_df: usize,
    /// Log-likelihood, where the method has one.
    pub log_likelihood: Option<f64>,
}

/// The spread of one unit, after the effects set on it.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct StratumFinding {
    /// The unit, or units joined by ` × `.
    pub unit: String,
    /// Degrees of freedom in all.
    pub df: usize,
    /// Names of the effects judged against it.
    pub effects: Vec<String>,
    /// Degrees of freedom left.
    pub residual_df: usize,
    /// Sum of squares left.
    pub sum_of_squares: f64,
    /// Mean square left; null without degrees of freedom.
    pub mean_square: Option<f64>,
}

/// One effect of the model.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct EffectFinding {
    /// Name: `finish × instrument`; ` (departure from a straight line)` is added for the part of a numeric factor with more than two levels that a slope does not describe.
    pub term: String,
    /// The factors in it.
    pub factors: Vec<String>,
    /// Degrees of freedom.
    pub df: usize,
    /// Degrees of freedom of the spread it is judged against; null without one.
    pub denominator_df: Option<f64>,
    /// The unit whose spread it is judged against.
    pub judged_against: String,
    /// Sum of squares; null for the mixed model, which has none.
    pub sum_of_squares: Option<f64>,
    /// Mean square; null for the mixed model.
    pub mean_square: Option<f64>,
    /// Variance ratio; null without an error term.
    pub f: Option<f64>,
    /// p-value; null without an error term.
    pub p: Option<f64>,
    /// p-value adjusted over the planned effects (Holm), or over the exploratory ones (Benjamini and Hochberg).
    pub p_adjusted: Option<f64>,
    /// p-value of the randomization test, where one was made.
    pub p_randomization: Option<f64>,
    /// How that test was made.
    #[serde(default)]
    pub randomization: Option<RandomizationFinding>,
    /// True if the protocol names it as planned.
    pub planned: bool,
    /// Why something is null.
    pub note: Option<String>,
    /// What else stands in the estimate: effects that these runs cannot tell from it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aliases: Vec<AliasFinding>,
}

/// How a randomization test was made.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RandomizationFinding {
    /// Number of arrangements of the levels that were listed, or drawn.
    pub arrangements: u64,
    /// True if every arrangement that the plan's draw could have given was listed.
    pub exact: bool,
    /// Lower end of the 99 % interval of the p-value that endless draws would give; the p-value itself if exact.
    pub low: f64,
    /// Upper end of that interval.
    pub high: f64,
    /// Smallest p-value that this design could have given; null where arrangements were drawn.
    pub smallest: Option<f64>,
}

/// Spread of the finest unit.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Residual {
    /// Variance of a run's result; null without degrees of freedom.
    pub variance: Option<f64>,
    /// Its square root.
    pub standard_deviation: Option<f64>,
    /// Degrees of freedom.
    pub df: usize,
}

/// A mean with its interval.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct MeanFinding {
    /// Level by factor.
    pub levels: BTreeMap<String, String>,
    /// Number of run results in it.
    pub n: usize,
    /// The mean.
    pub mean: f64,
    /// Standard error, with every unit that varies; null if it cannot be told.
    pub standard_error: Option<f64>,
    /// Degrees of freedom (Satterthwaite where several spreads enter).
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
}

/// A difference between two levels of a factor.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ContrastFinding {
    /// The factor.
    pub factor: String,
    /// The level subtracted.
    pub from: String,
    /// The level it is subtracted from: the difference is `to` minus `from`.
    pub to: String,
    /// Levels of other factors at which it was taken; empty for the difference over all of them.
    pub within: BTreeMap<String, String>,
    /// `to` minus `from`.
    pub difference: f64,
    /// Standard error; null without an error term.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// p-value of 'no difference'.
    pub p: Option<f64>,
    /// p-value adjusted over all differences of the same factor, in agreement with the simultaneous interval; null where the protocol asks for each difference alone.
    pub p_adjusted: Option<f64>,
    /// The interval that holds together with those of the other differences; left out where there is one difference only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub together: Option<TogetherFinding>,
    /// True if its effect is planned.
    pub planned: bool,
    /// Against the smallest difference that matters, from the simultaneous interval where there is one; null if the protocol states none.
    pub verdict: Option<Verdict>,
    /// What else stands in the estimate: effects that these runs cannot tell from it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aliases: Vec<AliasFinding>,
    /// The differences that the randomization test does not rule out; left out where none was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub randomization: Option<ShiftFinding>,
}

impl ContrastFinding {
    /// Ends of the interval that statements rest on: the simultaneous one where there is one.
    #[must_use]
    pub fn interval(&self) -> (Option<f64>, Option<f64>) {
        self.together.as_ref().map_or((self.low, self.high), |together| {
            (Some(together.low), Some(together.high))
        })
    }
}

/// What a randomization test does not rule out, at the protocol's confidence.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ShiftFinding {
    /// Lower end; null where the design has too few arrangements to rule anything out.
    pub low: Option<f64>,
    /// Upper end; null likewise.
    pub high: Option<f64>,
    /// Number of arrangements of the levels that were listed, or drawn.
    pub arrangements: u64,
    /// True if every arrangement was listed.
    pub exact: bool,
}

/// An interval that holds together with others.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct TogetherFinding {
    /// How: `all pairs (Tukey)`, `all against one (Dunnett)`, with settings of other factors `2 settings (Bonferroni)`.
    pub method: String,
    /// Number of differences that it holds for.
    pub comparisons: usize,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// What an interval says about the smallest difference that matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Verdict {
    /// The whole interval lies beyond it.
    #[serde(rename = "matters")]
    Matters,
    /// The whole interval lies within it.
    #[serde(rename = "does not matter")]
    DoesNotMatter,
    /// The interval reaches both.
    #[serde(rename = "undecided")]
    Undecided,
}

/// Change of the response per unit of a numeric factor.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SlopeFinding {
    /// The factor.
    pub factor: String,
    /// Unit of measure of the factor.
    pub unit: String,
    /// Change per unit.
    pub per_unit: f64,
    /// Standard error; null without an error term.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// p-value of 'no slope'.
    pub p: Option<f64>,
    /// Lowest and highest level studied.
    pub span: (f64, f64),
    /// True if its effect is planned.
    pub planned: bool,
    /// True for a condition measured at the bench whose effect the model takes out; `factor` is then its name.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub covariate: bool,
    /// What else stands in the estimate: effects that these runs cannot tell from it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aliases: Vec<AliasFinding>,
    /// The change over the whole span against the smallest difference that matters; left out if the protocol states none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// The slopes that the randomization test does not rule out; left out where none was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub randomization: Option<ShiftFinding>,
}

/// The slope of a numeric factor at one level of another factor.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SlopeWithinFinding {
    /// The factor.
    pub factor: String,
    /// Unit of measure of the factor.
    pub unit: String,
    /// The level of the other factor.
    pub within: BTreeMap<String, String>,
    /// Change per unit.
    pub per_unit: f64,
    /// Standard error; null without an error term.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// p-value of 'no slope'.
    pub p: Option<f64>,
    /// p-value adjusted over the levels of the other factor; null where the protocol asks for each alone.
    pub p_adjusted: Option<f64>,
    /// The interval that holds together with those at the other levels; left out where the protocol asks for each alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub together: Option<TogetherFinding>,
    /// Lowest and highest level studied.
    pub span: (f64, f64),
    /// True if its effect is planned.
    pub planned: bool,
    /// What else stands in the estimate: effects that these runs cannot tell from it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aliases: Vec<AliasFinding>,
    /// The change over the whole span against the smallest difference that matters, from the simultaneous interval where there is
    /// one; left out if the protocol states none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
}

impl SlopeWithinFinding {
    /// Ends of the interval that statements rest on: the simultaneous one where there is one.
    #[must_use]
    pub fn interval(&self) -> (Option<f64>, Option<f64>) {
        self.together.as_ref().map_or((self.low, self.high), |together| {
            (Some(together.low), Some(together.high))
        })
    }
}

/// One source of spread.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Component {
    /// The unit, `reading` for readings within a run, or the factor.
    pub source: String,
    /// `unit`, `reading`, `levels drawn` for a random factor and what it joins with, or `levels studied` for a fixed factor (the variance of its effects over these levels, no population behind it).
    pub kind: String,
    /// `method` or `product`.
    pub part_of: String,
    /// Variance in one result, as estimated; may be negative, which stands for 'not told apart from zero'; null if it cannot be told.
    pub variance: Option<f64>,
    /// Square root of the variance; 0 for a negative one.
    pub standard_deviation: Option<f64>,
    /// Lower end of the interval of the standard deviation.
    pub low: Option<f64>,
    /// Upper end of the interval of the standard deviation.
    pub high: Option<f64>,
    /// Degrees of freedom of the mean square at its head.
    pub df: Option<f64>,
    /// Part of the sum of all variances of one result, negative ones counted as 0; in [0, 1].
    pub share: Option<f64>,
    /// Why something is null, or what to bear in mind.
    pub note: Option<String>,
}

/// How a check came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Outcome {
    /// Nothing to see.
    #[serde(rename = "nothing found")]
    NothingFound,
    /// Somebody should look.
    #[serde(rename = "look")]
    Look,
    /// There are too few data to tell.
    #[serde(rename = "cannot tell")]
    CannotTell,
}

/// Is there anything the model does not see?
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// Stable name: `trend along the run order`.
    pub name: String,
    /// How it came out.
    pub outcome: Outcome,
    /// The answer in a sentence.
    pub answer: String,
    /// The statistic behind it.
    pub statistic: Option<f64>,
    /// p-value, where there is one.
    pub p: Option<f64>,
}

/// One run's result with its settings.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RunResult {
    /// Number of the run.
    pub run: usize,
    /// Position in which it was made.
    pub position: usize,
    /// Label by unit, without the run itself.
    pub units: BTreeMap<String, String>,
    /// Level by factor.
    pub levels: BTreeMap<String, String>,
    /// Readings as numbers, in order.
    pub readings: Vec<f64>,
    /// The result.
    pub result: f64,
    /// What the model's fixed effects give for it.
    pub fitted: Option<f64>,
    /// The result minus fitted.
    pub residual: Option<f64>,
}
