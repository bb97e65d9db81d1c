//! What several sites found together, as data.
//!
//! Rules as for `Findings`: full double precision, `null` for 'cannot be told', intervals at the protocol's confidence.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::findings::{RecordSummary, Verdict};
use super::super::precision_findings::{PrecisionFinding, PrecisionStudy};

/// Format name written into `PoolFindings::format`.
pub const POOL_FORMAT: &str = "wellrun pooled findings 1";

/// Everything that was found by several sites together.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PoolFindings {
    /// `wellrun pooled findings 1`.
    pub format: String,
    /// Which protocol it is.
    pub study: PoolHead,
    /// The sites, by the time at which they began.
    pub sites: Vec<PooledSite>,
    /// Factors whose levels mean the same at every site.
    pub common: Vec<String>,
    /// Factors whose levels are each site's own; they are never compared over sites.
    pub local: Vec<String>,
    /// The criteria of replication that the protocol declared; empty if it declared none.
    pub criteria: Vec<String>,
    /// One entry a response, by name.
    pub responses: BTreeMap<String, PooledResponse>,
    /// What to bear in mind about the sites, in sentences.
    pub cautions: Vec<String>,
}

/// Which protocol was followed.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PoolHead {
    /// Study id.
    pub id: String,
    /// Title.
    pub title: String,
    /// Version of the protocol.
    pub version: String,
    /// What sort of study it is.
    pub kind: String,
    /// SHA-256 of the protocol, the same at every site.
    pub protocol_sha256: String,
    /// True if the readings were simulated.
    pub rehearsal: bool,
    /// `randomized` or `as run`.
    pub order: String,
    /// Version of this tool.
    pub tool: String,
}

/// One site's study.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledSite {
    /// Site id, by which the site is named in these findings.
    pub site: String,
    /// Name for people.
    pub name: String,
    /// True for the study that the others repeat: the one that began first.
    pub first: bool,
    /// When its plan was frozen, or for an as-run study its first readings were taken in; RFC 3339.
    pub began: String,
    /// SHA-256 of the site file; empty without one.
    pub site_sha256: String,
    /// SHA-256 of plan.csv; empty for an as-run study.
    pub plan_sha256: String,
    /// Hash of the last journal entry.
    pub record_sha256: String,
    /// Seed of the draw; empty for an as-run study.
    pub seed: String,
    /// How the order was drawn; empty for an as-run study.
    pub algorithm: String,
    /// What happened at the bench.
    pub record: RecordSummary,
}

/// What the sites found for one response.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledResponse {
    /// Unit of measure.
    pub unit: String,
    /// How readings became a result.
    pub statistic: String,
    /// Level of every interval.
    pub confidence: f64,
    /// Smallest difference that matters, if the protocol states one.
    pub relevant: Option<f64>,
    /// How it was analysed.
    pub method: String,
    /// Number of results by site.
    pub runs: BTreeMap<String, usize>,
    /// Mean of all results at each site, and how far the sites lie apart.
    pub level: Option<PooledQuantity>,
    /// Each effect that means the same at every site and can be told by one number.
    pub effects: Vec<PooledQuantity>,
    /// Does each effect of the common factors change from site to site? One line a term of the model.
    pub site_by_effect: Vec<SiteByEffect>,
    /// The spread of each unit at every site.
    pub spreads: Vec<PooledSpread>,
    /// What the levels of local factors bring, as spread within sites.
    pub local: Vec<LocalSpread>,
    /// Precision with the sites as laboratories, one entry a level; empty without a [precision] that allows it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub precision: Vec<PrecisionFinding>,
    /// What holds for all levels of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precision_study: Option<PrecisionStudy>,
    /// What could not be answered, and why, in sentences.
    pub cannot_tell: Vec<String>,
}

/// What sort of number a quantity is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum QuantityKind {
    /// Mean of all results.
    #[serde(rename = "mean of all results")]
    Level,
    /// Result at `to` minus result at `from`.
    #[serde(rename = "difference")]
    Difference,
    /// Change along a straight line over the whole span, from its lowest to its highest level.
    #[serde(rename = "change over the span")]
    Change,
    /// How the effect of one factor differs between the ends of the others.
    #[serde(rename = "interaction")]
    Interaction,
}

/// One number, at every site and over the sites.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledQuantity {
    /// Name for files and for finding it again: letters, digits, `-`, `_`.
    pub name: String,
    /// What sort of number it is.
    pub kind: QuantityKind,
    /// The factors in it; empty for the level.
    pub factors: Vec<String>,
    /// The level, or the setting of each factor, from which it is taken; one entry a factor.
    pub from: Vec<String>,
    /// The level, or the setting of each factor, to which it is taken; one entry a factor.
    pub to: Vec<String>,
    /// True if the protocol plans the effect.
    pub planned: bool,
    /// Each site's estimate, in the order of the sites.
    pub sites: Vec<SiteNumber>,
    /// Differences between sites.
    pub differences: Vec<SiteDifference>,
    /// Do the sites agree? Null where errors cannot be told.
    pub agreement: Option<SiteAgreement>,
    /// Plain mean of the sites: it describes these sites, whether or not they agree.
    pub these_sites: Option<PooledNumber>,
    /// Mean weighted by precision: the best guess of one true value, if the sites share one.
    pub weighted: Option<PooledNumber>,
    /// The mean of a population of sites like these; from three sites on.
    pub random: Option<RandomFinding>,
    /// What is left without each site in turn; from three sites on.
    pub without: Vec<WithoutSite>,
    /// Whether it was repeated; left out unless the protocol declared criteria for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replication: Option<RepeatedFinding>,
}

/// One site's number.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SiteNumber {
    /// The site.
    pub site: String,
    /// The estimate; null if the site cannot tell it.
    pub estimate: Option<f64>,
    /// Its standard error, from the site's own spread.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// p-value of 'zero'; null for the level.
    pub p: Option<f64>,
    /// Against the smallest difference that matters; null for the level, or if the protocol states none.
    pub verdict: Option<Verdict>,
}

/// A number over the sites.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledNumber {
    /// The estimate.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom (Satterthwaite).
    pub df: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Against the smallest difference that matters; null for the level, or if the protocol states none.
    pub verdict: Option<Verdict>,
}

/// One site's number minus another's.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SiteDifference {
    /// The site subtracted.
    pub from: String,
    /// The site it is subtracted from.
    pub to: String,
    /// `to` minus `from`.
    pub difference: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom (Welch).
    pub df: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Lower end of the narrower interval (90 % beside 95 %) that two one-sided tests of equivalence amount to.
    pub inner_low: f64,
    /// Upper end of that interval.
    pub inner_high: f64,
    /// p-value of 'no difference'.
    pub p: f64,
    /// The same, adjusted over all pairs of sites (Holm).
    pub p_adjusted: f64,
}

/// Do the sites agree?
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SiteAgreement {
    /// Variance ratio of Welch's test, every site with its own error.
    pub f: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Degrees of freedom of the denominator.
    pub denominator_df: f64,
    /// p-value of 'the same at every site'.
    pub p: f64,
    /// Cochran's Q, which takes the errors as known.
    pub q: f64,
    /// Its p-value: too small where errors rest on few degrees of freedom.
    pub q_p: f64,
    /// I²: the share of the scatter that the errors do not account for. It depends on how precise the sites are.
    pub share_beyond_error: f64,
}

/// The mean of a population of sites.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RandomFinding {
    /// How the spread between sites is estimated.
    pub method: String,
    /// Standard deviation of the true values over sites (τ), in the unit of the response.
    pub between_sd: f64,
    /// Lower end of its interval, from Q.
    pub between_low: f64,
    /// Upper end of its interval, from Q.
    pub between_high: f64,
    /// The mean.
    pub estimate: f64,
    /// Its standard error as if the spread between sites were known.
    pub plain_error: f64,
    /// Its standard error by Hartung and Knapp.
    pub scatter_error: f64,
    /// The larger of the two, which the interval uses.
    pub standard_error: f64,
    /// Degrees of freedom, sites − 1.
    pub df: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Lower end of where the true value of a further site lies, t on sites − 2.
    pub further_low: f64,
    /// Upper end of where the true value of a further site lies.
    pub further_high: f64,
    /// Against the smallest difference that matters; null for the level, or if the protocol states none.
    pub verdict: Option<Verdict>,
    /// What other ways to estimate the spread between sites give.
    pub others: Vec<OtherRandom>,
}

/// The same by another way.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct OtherRandom {
    /// How the spread between sites is estimated.
    pub method: String,
    /// Standard deviation over sites.
    pub between_sd: f64,
    /// The mean.
    pub estimate: f64,
    /// Its standard error as if the spread between sites were known.
    pub plain_error: f64,
    /// Its standard error by Hartung and Knapp.
    pub scatter_error: f64,
    /// Lower end of the interval, with the larger of the two.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// The mean without one site.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct WithoutSite {
    /// The site left out.
    pub site: String,
    /// The mean of the others: of a population of sites where three are left, else of these two.
    pub estimate: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
}

/// Does an effect change from site to site?
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SiteByEffect {
    /// The term of the model.
    pub term: String,
    /// True if the protocol plans the effect.
    pub planned: bool,
    /// The unit against whose spread it is judged, within sites.
    pub judged_against: String,
    /// Degrees of freedom: (sites − 1) times those of the term.
    pub df: f64,
    /// Every site with its own spread (Welch; Johansen for several columns): variance ratio.
    pub f: Option<f64>,
    /// Degrees of freedom of its denominator.
    pub denominator_df: Option<f64>,
    /// Its p-value.
    pub p: Option<f64>,
    /// One spread for all sites: variance ratio; null where runs are missing.
    pub f_one_spread: Option<f64>,
    /// Degrees of freedom of its denominator.
    pub denominator_df_one_spread: Option<f64>,
    /// Its p-value.
    pub p_one_spread: Option<f64>,
    /// Why something is null.
    pub note: Option<String>,
}

/// The spread of one unit at every site.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PooledSpread {
    /// The unit, or `reading` for readings within a run.
    pub unit: String,
    /// Each site's own.
    pub sites: Vec<SiteSpread>,
    /// `ratio of variances (F)` for two sites, `Bartlett` for more; empty if none was made.
    pub test: String,
    /// Its statistic.
    pub statistic: Option<f64>,
    /// Its p-value, of 'the same spread at every site'.
    pub p: Option<f64>,
    /// True if the sites do not contradict one spread at 5 %: a weak test, look at the numbers too.
    pub same: Option<bool>,
    /// All sites together; means little where `same` is false.
    pub pooled: Option<SpreadOverSites>,
}

/// A standard deviation at one site.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SiteSpread {
    /// The site.
    pub site: String,
    /// The standard deviation: of single readings in a run, or of means over all within the unit (root of the mean square left,
    /// over the runs in the unit).
    pub standard_deviation: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
}

/// A standard deviation over the sites.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SpreadOverSites {
    /// The standard deviation.
    pub standard_deviation: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// What the levels of local factors bring.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LocalSpread {
    /// The term of the model.
    pub term: String,
    /// The factors in it.
    pub factors: Vec<String>,
    /// Degrees of freedom over all sites.
    pub df: f64,
    /// Mean square over all sites.
    pub mean_square: f64,
    /// Degrees of freedom of the spread within sites that it is judged against.
    pub denominator_df: Option<f64>,
    /// Variance ratio.
    pub f: Option<f64>,
    /// p-value of 'no more than chance'.
    pub p: Option<f64>,
    /// Standard deviation that it brings, its levels taken as drawn within each site; 0 where estimated below zero.
    pub standard_deviation: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
}

/// How a criterion came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Consistency {
    /// It holds.
    #[serde(rename = "consistent")]
    Consistent,
    /// It does not hold.
    #[serde(rename = "inconsistent")]
    Inconsistent,
    /// The readings leave both open.
    #[serde(rename = "undecided")]
    Undecided,
}

/// Whether a finding was repeated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Repeated {
    /// Every declared criterion holds at every further site.
    #[serde(rename = "replicated")]
    Replicated,
    /// A declared criterion does not hold at some site.
    #[serde(rename = "not replicated")]
    NotReplicated,
    /// Neither.
    #[serde(rename = "undecided")]
    Undecided,
}

/// Whether a finding was repeated, by the declared criteria.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RepeatedFinding {
    /// The verdict over all criteria and further sites.
    pub verdict: Repeated,
    /// The criteria, each at every further site.
    pub criteria: Vec<CriterionFinding>,
}

/// One criterion at one further site.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CriterionFinding {
    /// The criterion, in the words of the protocol.
    pub criterion: String,
    /// The further site.
    pub site: String,
    /// How it came out.
    pub outcome: Consistency,
    /// Lower end of the interval that it was judged by, if it has one of its own.
    pub low: Option<f64>,
    /// Upper end of that interval.
    pub high: Option<f64>,
    /// Why it came out so, in a sentence.
    pub why: String,
}
