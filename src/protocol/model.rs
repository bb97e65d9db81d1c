//! A checked protocol: what every later step reads.
//!
//! In:  nothing; `read` makes a `Protocol` out of TOML and vouches for the invariants below.
//! Out: plain data. Indices (`UnitId`, `FactorId`, ...) point into the lists of the same protocol.
//!
//! Invariants: names are unique across units, factors, responses and conditions, and are lower-case
//! identifiers; the last unit is the *run* (the finest unit, with every other unit above it); units
//! stand after the units they lie within; each factor has at least two levels and is set on a unit;
//! each effect is a sorted list of distinct factors.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;

use super::assumed::Assumed;
use super::bench::Bench;
use super::measurement::Measurement;
use super::precision::{MeasurementPlan, PrecisionPlan, Reference};
use super::replication::Replication;
pub use super::treatment_set::{Placement, TreatmentSet, Treatments};
use crate::numeric::arrangement::subsets;

/// Index of a unit in `Protocol::units`.
pub type UnitId = usize;
/// Index of a factor in `Protocol::factors`.
pub type FactorId = usize;
/// Index of a response in `Protocol::responses`.
pub type ResponseId = usize;
/// Index of a condition in `Protocol::conditions`.
pub type ConditionId = usize;

/// The portable declaration of a study: the same bytes at every site.
#[derive(Debug, Clone)]
pub struct Protocol {
    /// What the study is.
    pub study: Study,
    /// What is read, and how a result is made of the readings.
    pub responses: Vec<Response>,
    /// What is set up, from the widest to the run.
    pub units: Vec<Unit>,
    /// What is varied.
    pub factors: Vec<Factor>,
    /// What is measured beside the readings, such as a probe temperature.
    pub conditions: Vec<Condition>,
    /// Which combinations are run, and in what order.
    pub design: Design,
    /// What is estimated, fixed before data.
    pub analysis: AnalysisPlan,
    /// What is assumed before there are readings, for power and rehearsal; at most one entry a response.
    pub assumed: Vec<Assumed>,
    /// What the precision statement is about, if there is to be one.
    pub precision: Option<PrecisionPlan>,
    /// What the measurement-system study is about, if it is one.
    pub measurement_system: Option<MeasurementPlan>,
    /// Things whose value is known from elsewhere.
    pub references: Vec<Reference>,
    /// What a stated result means: uncertainty, decisions near a limit, comparisons of methods.
    pub measurement: Measurement,
    /// When a finding of one site counts as repeated at another.
    pub replication: Replication,
    /// Steps and cautions for the sheet.
    pub procedure: Procedure,
    /// What goes on at the bench beside the runs.
    pub bench: Bench,
    /// SHA-256 (lower-case hexadecimal) of the file's text with LF line ends and no byte-order mark.
    pub sha256: String,
    /// The same of the version from which the order is drawn: another one if the protocol was amended afterwards.
    pub drawn_as: String,
}

/// Title page of a study.
#[derive(Debug, Clone)]
pub struct Study {
    /// Short name for files: letters, digits, `-`.
    pub id: String,
    /// Version of the protocol, as written.
    pub version: String,
    /// Title for people.
    pub title: String,
    /// The question the study is to answer.
    pub question: String,
    /// What sort of study it is.
    pub kind: StudyKind,
    /// The test method and its edition, as the laboratory names them.
    pub method: String,
    /// Where published readings come from; empty for a study of one's own.
    pub source: String,
}

/// What sort of study a protocol declares; decides the order of the report's sections.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum StudyKind {
    /// Where does the spread in readings come from?
    #[serde(rename = "variance investigation")]
    VarianceInvestigation,
    /// Which allowed variations of the procedure move the result?
    #[serde(rename = "ruggedness test")]
    RuggednessTest,
    /// How much of the spread is the measuring?
    #[serde(rename = "measurement system")]
    MeasurementSystem,
    /// Do two methods agree?
    #[serde(rename = "method comparison")]
    MethodComparison,
    /// How far apart may laboratories be?
    #[serde(rename = "interlaboratory")]
    Interlaboratory,
}

impl StudyKind {
    /// Every kind, with the word used in protocols and reports.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::VarianceInvestigation, "variance investigation"),
        (Self::RuggednessTest, "ruggedness test"),
        (Self::MeasurementSystem, "measurement system"),
        (Self::MethodComparison, "method comparison"),
        (Self::Interlaboratory, "interlaboratory"),
    ];

    /// The word used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(kind, _)| *kind == self)
            .map_or("", |(_, word)| word)
    }
}

/// A measured quantity: the measurand in full.
#[derive(Debug, Clone)]
pub struct Response {
    /// Name used in columns and findings.
    pub name: String,
    /// What exactly is measured, in a sentence.
    pub measurand: String,
    /// Unit of measure, as printed.
    pub unit: String,
    /// Smallest step of the display, in `unit`; above zero.
    pub resolution: Decimal,
    /// Readings outside are refused.
    pub possible: Option<(Decimal, Decimal)>,
    /// Readings outside are questioned.
    pub expected: Option<(Decimal, Decimal)>,
    /// Readings in a run; at least 1.
    pub readings: usize,
    /// When a reading is taken, such as '1 s after firm contact'; or 'not timed'.
    pub reading_time: String,
    /// How the readings of a run become its result.
    pub result: Statistic,
    /// Step to which a stated result is rounded, in `unit`; `None` if the protocol says "none".
    /// The analysis never uses rounded results.
    pub round_to: Option<Decimal>,
    /// The product limit that results are held against.
    pub limit: Option<Limit>,
    /// Lowest and highest value that a product may have, in `unit`.
    pub tolerance: Option<(Decimal, Decimal)>,
    /// Smallest difference that matters in use, in `unit`; above zero.
    pub relevant: Option<Decimal>,
}

/// The seconds from contact to the reading, where the reading time begins with them: `15 s after firm contact`.
#[must_use]
pub fn reading_seconds(response: &Response) -> Option<f64> {
    let text = response.reading_time.trim();
    let digits = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let rest = text[digits..].trim_start();
    let is_seconds = rest
        .strip_prefix('s')
        .is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
        || rest.strip_prefix("seconds").is_some()
        || rest.strip_prefix("second").is_some();
    text[..digits]
        .parse()
        .ok()
        .filter(|seconds: &f64| is_seconds && (0.0..=3600.0).contains(seconds) && *seconds > 0.0)
}

/// How the readings of a run become its result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Statistic {
    /// Arithmetic mean.
    Mean,
    /// Middle reading; the mean of the two middle ones for an even number.
    Median,
    /// Smallest reading.
    Minimum,
    /// Largest reading.
    Maximum,
}

impl Statistic {
    /// Every statistic, with the word used in protocols and reports.
    pub const ALL: [(Self, &'static str); 4] = [
        (Self::Mean, "mean"),
        (Self::Median, "median"),
        (Self::Minimum, "minimum"),
        (Self::Maximum, "maximum"),
    ];

    /// The word used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(s, _)| *s == self).map_or("", |(_, word)| word)
    }
}

/// One-sided product limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// Results must not lie below.
    AtLeast(Decimal),
    /// Results must not lie above.
    AtMost(Decimal),
}

/// Whose spread a unit or factor stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum PartOf {
    /// The measuring: instrument, operator, temperature, session.
    Method,
    /// The thing measured: roller, batch, position.
    Product,
}

/// Something that is set up as a whole: a day, an oven session, a roller, a run.
#[derive(Debug, Clone)]
pub struct Unit {
    /// Name used in columns and findings.
    pub name: String,
    /// How many there are within each combination of the units it lies within. For an as-run study 0.
    pub count: usize,
    /// The units it lies within, directly; those it does not lie within cross it.
    pub within: Vec<UnitId>,
    /// Whose spread it stands for.
    pub part_of: PartOf,
    /// Steps to tick whenever the next one is set up.
    pub set_up: Vec<String>,
    /// Bench time for setting one up, in minutes.
    pub set_up_minutes: f64,
}

/// Something that is varied on purpose.
#[derive(Debug, Clone)]
pub struct Factor {
    /// Name used in columns and findings.
    pub name: String,
    /// The unit on which a level is set.
    pub set_on: UnitId,
    /// Levels in protocol order, as written; at least two, all different.
    pub levels: Vec<String>,
    /// The levels as numbers, for a numeric factor, in the same order.
    pub numbers: Option<Vec<Decimal>>,
    /// Unit of measure of a numeric factor, as printed; empty if it has none.
    pub unit: String,
    /// Whose spread it stands for.
    pub part_of: PartOf,
    /// The site file says which thing stands behind each level.
    pub named_by_site: bool,
    /// The levels are drawn from a population: the factor brings a spread, not differences.
    pub random: bool,
    /// The level leaves something behind that may move the next reading.
    pub carries_over: bool,
    /// The unit at whose setting-up the residue is gone; `None` if it stays through the whole study.
    pub carries_within: Option<UnitId>,
    /// The level that all others are compared with; `None` for all pairs.
    pub compare_with: Option<usize>,
    /// What the technician does to set it; `{level}` stands for the level with its unit.
    pub how: String,
    /// Index of the level in the middle of the two others, run at centre points only; the last one.
    pub centre: Option<usize>,
}

impl Factor {
    /// Number of levels without that of the centre points: those over which effects are averaged.
    #[must_use]
    pub fn corner_levels(&self) -> usize {
        self.levels.len() - usize::from(self.centre.is_some())
    }

    /// A level as printed: `21 °C`, `waxed`.
    #[must_use]
    pub fn level(&self, index: usize) -> String {
        if self.unit.is_empty() {
            self.levels[index].clone()
        } else {
            format!("{}\u{a0}{}", self.levels[index], self.unit)
        }
    }

    /// The levels of a numeric factor minus their mean, as numbers; `None` for categories.
    #[must_use]
    pub fn centred_levels(&self) -> Option<Vec<f64>> {
        let numbers = self.numbers.as_ref()?;
        let reference = numbers.first().copied().unwrap_or_default();
        let from_first: Vec<f64> = numbers
            .iter()
            .map(|&n| (n - reference).to_f64().unwrap_or(f64::NAN))
            .collect();
        let mean = from_first.iter().sum::<f64>() / from_first.len() as f64;
        Some(from_first.iter().map(|n| n - mean).collect())
    }

    /// Lowest and highest level of a numeric factor; `None` for categories.
    #[must_use]
    pub fn span(&self) -> Option<(f64, f64)> {
        let numbers = self.numbers.as_ref()?;
        numbers.iter().min()?.to_f64().zip(numbers.iter().max()?.to_f64())
    }

    /// Places of the lowest and the highest level of a numeric factor; `None` for categories.
    #[must_use]
    pub fn ends(&self) -> Option<(usize, usize)> {
        let numbers = self.numbers.as_ref()?;
        let places = || 0..numbers.len();
        let lowest = places().min_by_key(|&l| (numbers[l], l))?;
        let highest = places().max_by_key(|&l| (numbers[l], std::cmp::Reverse(l)))?;
        Some((lowest, highest))
    }

    /// True for a factor that is fitted as a slope.
    #[must_use]
    pub fn is_numeric(&self) -> bool {
        self.numbers.is_some()
    }
}

/// Something measured beside the readings, once for each unit of a kind.
#[derive(Debug, Clone)]
pub struct Condition {
    /// Name used in columns and findings.
    pub name: String,
    /// Unit of measure, as printed.
    pub unit: String,
    /// The unit for which it is written down once.
    pub measured_on: UnitId,
    /// Values outside are refused.
    pub possible: Option<(Decimal, Decimal)>,
    /// Values outside are questioned.
    pub expected: Option<(Decimal, Decimal)>,
    /// The numeric factor whose level it is to show.
    pub follows: Option<FactorId>,
}

/// Which combinations are run, and in what order.
#[derive(Debug, Clone)]
pub struct Design {
    /// The sort of set of treatments.
    pub treatments: Treatments,
    /// The set itself and how it lies on the units; `None` for a full factorial without centre points or blocks, and where
    /// something else makes the set.
    pub set: Option<TreatmentSet>,
    /// Most runs that the study may have, if it says so.
    pub budget: Option<usize>,
    /// How often each combination of the factors set on a unit comes back within it, where `count` is left out.
    pub replicates: usize,
    /// Who decides the order.
    pub order: Order,
}

/// Who decides the order of the runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Order {
    /// This tool draws it.
    #[serde(rename = "randomized")]
    Randomized,
    /// The readings exist already; nothing is drawn.
    #[serde(rename = "as run")]
    AsRun,
}

/// An effect: a sorted list of distinct factors; one factor is a main effect.
pub type Effect = Vec<FactorId>;

/// What is estimated, fixed before data.
#[derive(Debug, Clone)]
pub struct AnalysisPlan {
    /// Effects to be judged as planned; everything else is exploratory.
    pub planned: Vec<Effect>,
    /// Highest order of interaction in the model beside the planned ones: 1 main effects only, 2 pairs, ...
    pub interactions: usize,
    /// Level of every interval, in (0, 1).
    pub confidence: f64,
    /// How the mixed model is fitted.
    pub model: ModelPlan,
    /// Whether the differences between the levels of a factor are judged together.
    pub comparisons: Comparisons,
}

/// How the mixed model is fitted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModelPlan {
    /// What it describes.
    pub of: ModelOf,
    /// How results are weighted.
    pub weights: Weights,
    /// Conditions whose straight-line effect is taken out.
    pub covariates: Vec<ConditionId>,
    /// Which likelihood is maximised.
    pub likelihood: Likelihood,
    /// How degrees of freedom are found.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// How intervals of spreads are found.
    pub component_intervals: ComponentIntervals,
    /// Number of simulated sets for bootstrap intervals.
    pub bootstrap: usize,
}

impl Default for ModelPlan {
    fn default() -> Self {
        Self {
            of: ModelOf::Results,
            weights: Weights::Equal,
            covariates: Vec::new(),
            likelihood: Likelihood::Restricted,
            degrees_of_freedom: DegreesOfFreedom::KenwardRoger,
            component_intervals: ComponentIntervals::Profile,
            bootstrap: 1999,
        }
    }
}

impl ModelPlan {
    /// True if nothing but the usual way is asked for.
    #[must_use]
    pub fn is_usual(&self) -> bool {
        *self
            == Self {
                bootstrap: self.bootstrap,
                ..Self::default()
            }
    }
}

/// Defines an enumeration of words of the protocol.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $name { $($(#[$variant_doc])* $variant,)* }

        impl $name {
            /// Every one, with the word used in protocols.
            pub const ALL: &'static [(Self, &'static str)] = &[$((Self::$variant, $word),)*];
        }
    };
}

words! {
    /// What the mixed model describes.
    ModelOf {
        /// The result of each run.
        Results = "results",
        /// Each single reading; runs are a unit of their own.
        Readings = "readings",
    }
}

words! {
    /// How the results of runs are weighted.
    Weights {
        /// All alike.
        Equal = "equal",
        /// By their number of readings.
        Readings = "readings",
    }
}

words! {
    /// Which likelihood is maximised.
    Likelihood {
        /// That of what the fixed effects leave: spreads without bias in balanced studies.
        Restricted = "restricted",
        /// That of everything.
        Full = "full",
    }
}

words! {
    /// How degrees of freedom are found.
    DegreesOfFreedom {
        /// Kenward and Roger, 1997.
        KenwardRoger = "Kenward-Roger",
        /// Satterthwaite; for several columns Fai and Cornelius, 1996.
        Satterthwaite = "Satterthwaite",
    }
}

words! {
    /// How intervals of spreads are found.
    ComponentIntervals {
        /// From the profile of the likelihood.
        Profile = "profile",
        /// From refits of simulated results.
        Bootstrap = "bootstrap",
    }
}

/// How the differences between the levels of one factor are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comparisons {
    /// With intervals that hold all at once.
    Together,
    /// Each as if it were the only one.
    Alone,
}

/// Steps and cautions for the sheet.
#[derive(Debug, Clone, Default)]
pub struct Procedure {
    /// Steps before the first run.
    pub before_study: Vec<String>,
    /// Steps before each run.
    pub before_run: Vec<String>,
    /// Steps after each run.
    pub after_run: Vec<String>,
    /// Steps after the last run.
    pub after_study: Vec<String>,
    /// Warnings printed on each sheet and in the report.
    pub cautions: Vec<String>,
    /// Bench time for one run without its readings, in minutes.
    pub run_minutes: f64,
    /// Bench time for one reading, in minutes.
    pub reading_minutes: f64,
}

impl Protocol {
    /// The finest unit.
    #[must_use]
    pub fn run_unit(&self) -> UnitId {
        self.units.len() - 1
    }

    /// True if the readings existed before the protocol.
    #[must_use]
    pub fn is_as_run(&self) -> bool {
        self.design.order == Order::AsRun
    }

    /// All units that lie above `unit`, in declared order, without itself.
    #[must_use]
    pub fn above(&self, unit: UnitId) -> Vec<UnitId> {
        let mut found = vec![false; self.units.len()];
        let mut open = self.units[unit].within.clone();
        while let Some(next) = open.pop() {
            if !found[next] {
                found[next] = true;
                open.extend(&self.units[next].within);
            }
        }
        (0..self.units.len()).filter(|&u| found[u]).collect()
    }

    /// The factors set on a unit, in declared order.
    #[must_use]
    pub fn factors_on(&self, unit: UnitId) -> Vec<FactorId> {
        (0..self.factors.len())
            .filter(|&f| self.factors[f].set_on == unit)
            .collect()
    }

    /// An effect as printed: `finish × instrument`.
    #[must_use]
    pub fn effect_name(&self, effect: &[FactorId]) -> String {
        let names: Vec<&str> = effect.iter().map(|&f| self.factors[f].name.as_str()).collect();
        names.join(" × ")
    }

    /// The effects of the model: mains, interactions to the declared order, and the planned ones; by order, then declaration.
    #[must_use]
    pub fn model_effects(&self) -> Vec<Effect> {
        model_effects(self.factors.len(), &self.analysis)
    }
}

/// The effects of the model of so many factors; see `Protocol::model_effects`.
pub(super) fn model_effects(factor_count: usize, analysis: &AnalysisPlan) -> Vec<Effect> {
    let mut effects: Vec<Effect> = Vec::new();
    for order in 1..=analysis.interactions.max(1).min(factor_count) {
        effects.extend(subsets(factor_count, order));
    }
    for planned in &analysis.planned {
        // A model that holds an interaction holds every effect inside it.
        for subset in 1_usize..(1 << planned.len()) {
            let inner: Effect = (0..planned.len())
                .filter(|bit| subset >> bit & 1 == 1)
                .map(|bit| planned[bit])
                .collect();
            if !effects.contains(&inner) {
                effects.push(inner);
            }
        }
    }
    effects.sort_by(|a, b| a.len().cmp(&b.len()).then_with(|| a.cmp(b)));
    effects
}
