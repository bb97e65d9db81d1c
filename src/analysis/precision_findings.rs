//! The precision of a method as data: what `precision` finds, and what the report prints.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::Verdict;
use crate::stats::interval::Interval;

/// A standard deviation with its interval.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SpreadFinding {
    /// The standard deviation; 0 where the variance is estimated below zero.
    pub value: f64,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// Degrees of freedom (Satterthwaite for sums).
    pub df: Option<f64>,
}

impl SpreadFinding {
    /// From a variance and its interval; a negative variance counts as 0.
    pub(super) fn new(variance: f64, interval: Option<Interval>, df: Option<f64>) -> Self {
        Self {
            value: variance.max(0.0).sqrt(),
            low: interval.map(|i| i.lower.max(0.0).sqrt()),
            high: interval
                .map(|i| i.upper.max(0.0).sqrt())
                .filter(|high| high.is_finite()),
            df,
        }
    }
}

impl From<super::layers::Spread> for SpreadFinding {
    fn from(spread: super::layers::Spread) -> Self {
        Self {
            value: spread.value,
            low: spread.low,
            high: spread.high.filter(|high| high.is_finite()),
            df: spread.df.filter(|df| df.is_finite()),
        }
    }
}

/// The precision of the method at one level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PrecisionFinding {
    /// The material; empty if there is one only.
    pub level: String,
    /// Number of laboratories.
    pub laboratories: usize,
    /// Number of results.
    pub results: usize,
    /// Mean of all results.
    pub mean: f64,
    /// Standard deviation of repeats (`s_r`).
    pub repeatability_sd: Option<f64>,
    /// Standard deviation between laboratories (`s_L`).
    pub between_sd: Option<f64>,
    /// Standard deviation of single results of different laboratories (`s_R`).
    pub reproducibility_sd: Option<f64>,
    /// Repeatability limit (r).
    pub repeatability_limit: Option<f64>,
    /// Reproducibility limit (R).
    pub reproducibility_limit: Option<f64>,
    /// Variance between laboratories as estimated; negative stands for 'not told apart from zero'.
    pub between_variance: Option<f64>,
    /// Mean square among laboratories (`s_d²`), which the others can be computed from; null where days and the like are taken apart.
    pub among_mean_square: Option<f64>,
    /// Number of results that a cell counts for.
    pub cell_size: Option<f64>,
    /// `s_r` with its interval.
    pub repeatability: Option<SpreadFinding>,
    /// `s_L` with its interval.
    pub between: Option<SpreadFinding>,
    /// `s_R` with its interval.
    pub reproducibility: Option<SpreadFinding>,
    /// What varies within a laboratory, taken apart.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub intermediate: Vec<IntermediateFinding>,
    /// h by laboratory.
    pub h: BTreeMap<String, f64>,
    /// k by laboratory.
    pub k: BTreeMap<String, f64>,
    /// Critical values of h at 5 %, 1 % and 0.5 %; empty for fewer than three laboratories.
    pub h_critical: Vec<f64>,
    /// Every cell, in order of laboratories.
    pub cells: Vec<CellFinding>,
    /// Tests for odd laboratories.
    pub tests: Vec<OddLaboratory>,
    /// The estimates without the cells beyond the 1 % values; null if there are none.
    pub without: Option<WithoutFinding>,
    /// Difference of two laboratories, where there are just two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub difference: Option<LaboratoryDifference>,
    /// Against a reference value.
    pub trueness: Option<TruenessFinding>,
    /// What could not be answered, and why, in sentences.
    pub cannot_tell: Vec<String>,
}

/// A cell: one laboratory at one level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CellFinding {
    /// The laboratory.
    pub laboratory: String,
    /// Number of results.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation; null for a single one.
    pub standard_deviation: Option<f64>,
    /// (mean − mean of the cell means) over the standard deviation of the cell means.
    pub h: Option<f64>,
    /// Standard deviation over `s_r`.
    pub k: Option<f64>,
    /// Critical values of k at 5 %, 1 % and 0.5 % for a cell of this size; empty without k.
    pub k_critical: Vec<f64>,
}

/// How a test for an odd laboratory came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Oddness {
    /// Within the 5 % value.
    #[serde(rename = "nothing found")]
    NothingFound,
    /// Beyond the 5 % value, within the 1 % value.
    #[serde(rename = "straggler")]
    Straggler,
    /// Beyond the 1 % value.
    #[serde(rename = "outlier")]
    Outlier,
}

/// A test for odd laboratories at one level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct OddLaboratory {
    /// `Cochran` (largest variance), `Grubbs, one mean`, `Grubbs, two means`.
    pub test: String,
    /// The laboratory or the two.
    pub laboratories: Vec<String>,
    /// The statistic: for two means a small one is odd, else a large one.
    pub statistic: f64,
    /// Critical value at 5 %.
    pub critical_5: f64,
    /// Critical value at 1 %.
    pub critical_1: f64,
    /// p-value, at most.
    pub p: f64,
    /// How it came out.
    pub outcome: Oddness,
    /// What to bear in mind.
    pub note: Option<String>,
}

/// Estimates without flagged cells.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct WithoutFinding {
    /// The laboratories left out.
    pub left_out: Vec<String>,
    /// Number of laboratories left.
    pub laboratories: usize,
    /// Number of results left.
    pub results: usize,
    /// Their mean.
    pub mean: f64,
    /// `s_r` without them.
    pub repeatability_sd: Option<f64>,
    /// `s_L` without them.
    pub between_sd: Option<f64>,
    /// `s_R` without them.
    pub reproducibility_sd: Option<f64>,
    /// r without them.
    pub repeatability_limit: Option<f64>,
    /// R without them.
    pub reproducibility_limit: Option<f64>,
}

/// What varies within a laboratory.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct IntermediateFinding {
    /// What varies beside the repeats.
    pub varied: Vec<String>,
    /// Standard deviation of single results within a laboratory when these vary, with its interval.
    pub spread: SpreadFinding,
    /// The limit for two such results.
    pub limit: f64,
}

/// The difference of two laboratories.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LaboratoryDifference {
    /// The one subtracted.
    pub from: String,
    /// The one from which it is subtracted.
    pub to: String,
    /// `to` minus `from`.
    pub difference: f64,
    /// Standard error, from repeats alone.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
}

/// Bias of the method against a reference value.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct TruenessFinding {
    /// The accepted value.
    pub reference: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// Where it comes from; may be empty.
    pub source: String,
    /// Mean of the laboratories' means minus the accepted value.
    pub bias: f64,
    /// Standard uncertainty of the bias, with that of the reference; null if it cannot be told.
    pub standard_error: Option<f64>,
    /// Degrees of freedom (Welch and Satterthwaite).
    pub df: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// Against the smallest difference that matters; null if the protocol states none.
    pub verdict: Option<Verdict>,
}

/// What holds for all levels.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PrecisionStudy {
    /// What stands for the laboratories; empty within one laboratory.
    pub laboratory: String,
    /// What stands for the materials; empty for a single one.
    pub material: String,
    /// What varies within a laboratory beside the repeats.
    pub intermediate: Vec<String>,
    /// Factor from a standard deviation to a limit.
    pub limit_factor: f64,
    /// How often a limit is exceeded by chance: 2 Φ(−factor/√2), for normal results and well-known standard deviations.
    pub limit_exceeded: f64,
    /// Repeatability at all levels taken together.
    pub pooled: Option<PooledFinding>,
    /// The forms tried for the dependence on the level.
    pub against_level: Vec<AgainstLevel>,
}

/// Repeatability at all levels taken together.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledFinding {
    /// The pooled standard deviation.
    pub standard_deviation: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// p-value of 'the same at every level' (Bartlett); null if a level shows no spread at all.
    pub p: Option<f64>,
    /// True if the levels do not contradict it at 5 %.
    pub same: bool,
}

/// A form of dependence on the level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AgainstLevel {
    /// `repeatability` or `reproducibility`.
    pub of: String,
    /// `constant` (s = a), `proportional` (s = b m), `line` (s = a + b m), `power` (lg s = a + b lg m).
    pub form: String,
    /// a.
    pub a: f64,
    /// b.
    pub b: f64,
    /// Typical relative distance of the levels from the form.
    pub misfit: f64,
    /// True for the form that the rule chooses.
    pub chosen: bool,
}
