//! What a rehearsal put in, held against what came out: the true value of each estimate, and whether its interval
//! holds it.
//!
//! In:  protocol, what was assumed of each response, the findings on the simulated readings.
//! Out: one `TruthFinding` for the mean, each difference, slope and spread that both sides speak of.
//! Method: true values follow from the assumptions alone, each level of a factor weighing the same; never from the
//! readings nor from the plan. So what the design mixes up (effects that are aliased, drift, residue) shows as an
//! estimate beside its truth.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::{Component, ContrastFinding, Findings, ResponseFindings};
use crate::protocol::{Assumed, AssumedEffect, AssumedSize, Factor, FactorId, Protocol, Statistic, weight};

/// What a rehearsal put in, beside what came out.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RehearsalFinding {
    /// Where the assumptions come from, by response.
    pub sources: BTreeMap<String, String>,
    /// Change from the first run to the last that was put in, by response; none where there was none.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub drifts: BTreeMap<String, f64>,
    /// Factors whose levels were made to leave something behind, by response.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub residues: BTreeMap<String, Vec<String>>,
    /// One entry a value.
    pub values: Vec<TruthFinding>,
}

/// One true value beside its estimate.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct TruthFinding {
    /// The response.
    pub response: String,
    /// Unit of measure of the response.
    pub unit: String,
    /// `mean`, `difference`, `slope` or `spread`.
    pub kind: String,
    /// Of what: `instrument, A to B; finish turned`, `temperature, per °C`, `session`.
    pub what: String,
    /// True for a difference or slope of a planned effect.
    pub planned: bool,
    /// The value that was put in.
    pub truth: f64,
    /// The value that came out.
    pub estimate: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// True if the interval holds the true value; null without an interval.
    pub holds: Option<bool>,
}

/// Holds findings against what was assumed.
#[must_use]
pub fn rehearsed(protocol: &Protocol, assumed: &[Assumed], findings: &Findings) -> RehearsalFinding {
    let mut found = RehearsalFinding {
        sources: BTreeMap::new(),
        drifts: BTreeMap::new(),
        residues: BTreeMap::new(),
        values: Vec::new(),
    };
    for assumed in assumed {
        let response = &protocol.responses[assumed.response];
        let Some(of) = findings.responses.get(&response.name) else {
            continue;
        };
        found.sources.insert(response.name.clone(), assumed.source.clone());
        if assumed.drift != 0.0 {
            found.drifts.insert(response.name.clone(), assumed.drift);
        }
        let residues: Vec<String> = assumed
            .residues
            .iter()
            .map(|residue| protocol.factors[residue.factor].name.clone())
            .collect();
        if !residues.is_empty() {
            found.residues.insert(response.name.clone(), residues);
        }
        let held = Held {
            protocol,
            assumed,
            name: &response.name,
            of,
        };
        held.all(&mut found.values);
    }
    found
}

/// One response under comparison.
struct Held<'a> {
    protocol: &'a Protocol,
    assumed: &'a Assumed,
    name: &'a str,
    of: &'a ResponseFindings,
}

impl Held<'_> {
    fn all(&self, values: &mut Vec<TruthFinding>) {
        let grand = &self.of.grand_mean;
        if let Some(mean) = self.assumed.mean {
            let truth = mean + self.expected(&[]);
            values.push(self.value(
                "mean",
                "all results".to_owned(),
                truth,
                Some(grand.mean),
                (grand.low, grand.high),
            ));
        }
        for contrast in &self.of.contrasts {
            if let Some(truth) = self.difference(contrast) {
                let at = contrast.within.iter().map(|(f, level)| format!("; {f} {level}"));
                let what = format!("{}, {} to {}", contrast.factor, contrast.from, contrast.to);
                let what = at.fold(what, |what, at| what + &at);
                let ends = (contrast.low, contrast.high);
                let mut value = self.value("difference", what, truth, Some(contrast.difference), ends);
                value.planned = contrast.planned;
                values.push(value);
            }
        }
        for slope in &self.of.slopes {
            if let Some(truth) = self.factor(&slope.factor).and_then(|factor| self.slope(factor)) {
                let what = match slope.unit.as_str() {
                    "" => format!("{}, per unit", slope.factor),
                    unit => format!("{}, per {unit}", slope.factor),
                };
                let mut value = self.value("slope", what, truth, Some(slope.per_unit), (slope.low, slope.high));
                value.planned = slope.planned;
                values.push(value);
            }
        }
        for component in &self.of.components {
            if let Some(truth) = self.spread(component) {
                let ends = (component.low, component.high);
                values.push(self.value(
                    "spread",
                    component.source.clone(),
                    truth,
                    component.standard_deviation,
                    ends,
                ));
            }
        }
    }

    fn value(
        &self,
        kind: &str,
        what: String,
        truth: f64,
        estimate: Option<f64>,
        (low, high): (Option<f64>, Option<f64>),
    ) -> TruthFinding {
        // A truth that an interval ends on, to the last bits, lies in it.
        let slack = 1e-9 * truth.abs().max(1e-3);
        TruthFinding {
            response: self.name.to_owned(),
            unit: self.of.unit.clone(),
            kind: kind.to_owned(),
            what,
            planned: false,
            truth,
            estimate,
            low,
            high,
            holds: low
                .zip(high)
                .map(|(low, high)| low - slack <= truth && truth <= high + slack),
        }
    }

    fn factor(&self, name: &str) -> Option<FactorId> {
        self.protocol.factors.iter().position(|factor| factor.name == name)
    }

    /// What the effects add where some factors stand at a level, over all levels of the others.
    fn expected(&self, at: &[(FactorId, usize)]) -> f64 {
        let effects = self.assumed.effects.iter();
        effects.map(|effect| share(&self.protocol.factors, effect, at)).sum()
    }

    fn difference(&self, contrast: &ContrastFinding) -> Option<f64> {
        let factor = self.factor(&contrast.factor)?;
        let level = |factor: FactorId, text: &str| {
            let declared: &Factor = &self.protocol.factors[factor];
            (0..declared.levels.len()).find(|&index| declared.levels[index] == text || declared.level(index) == text)
        };
        let mut at = Vec::new();
        for (name, text) in &contrast.within {
            let other = self.factor(name)?;
            at.push((other, level(other, text)?));
        }
        let with = |text: &str| Some(self.expected(&[at.as_slice(), &[(factor, level(factor, text)?)]].concat()));
        Some(with(&contrast.to)? - with(&contrast.from)?)
    }

    /// The straight line through what each level adds, by least squares.
    fn slope(&self, factor: FactorId) -> Option<f64> {
        let numbers = self.protocol.factors[factor].numbers.as_ref()?;
        let reference = *numbers.first()?;
        let x: Vec<f64> = numbers.iter().filter_map(|&n| (n - reference).to_f64()).collect();
        let y: Vec<f64> = (0..x.len()).map(|level| self.expected(&[(factor, level)])).collect();
        let middle = x.iter().sum::<f64>() / x.len() as f64;
        let squares: f64 = x.iter().map(|x| (x - middle) * (x - middle)).sum();
        let products: f64 = x.iter().zip(&y).map(|(x, y)| (x - middle) * y).sum();
        (squares > 0.0).then(|| products / squares)
    }

    /// The standard deviation that a source was given, as it enters one result.
    fn spread(&self, component: &Component) -> Option<f64> {
        let response = &self.protocol.responses[self.assumed.response];
        let readings = response.readings as f64;
        let is_mean = response.result == Statistic::Mean;
        if component.kind == "reading" {
            return is_mean.then(|| self.assumed.reading / readings.sqrt());
        }
        if component.kind != "unit" {
            return None;
        }
        let stated = |source: &str| -> f64 {
            let named = |units: &[usize]| -> String {
                let names: Vec<&str> = units.iter().map(|&u| self.protocol.units[u].name.as_str()).collect();
                names.join(" × ")
            };
            let of = self
                .assumed
                .spreads
                .iter()
                .find(|spread| named(&spread.units) == source);
            of.map_or(0.0, |spread| spread.sd)
        };
        let own = stated(&component.source);
        let is_run = component.source == self.protocol.units[self.protocol.run_unit()].name;
        match (is_run, response.readings) {
            (false, _) => Some(own),
            // One reading a run: the spread of readings cannot be told from that of runs.
            (true, 1) => Some(own.hypot(self.assumed.reading)),
            (true, _) => is_mean.then_some(own),
        }
    }
}

/// What one effect adds at some levels, over all levels of the factors that are left free.
fn share(factors: &[Factor], effect: &AssumedEffect, at: &[(FactorId, usize)]) -> f64 {
    let fixed = |factor: FactorId| at.iter().find(|(id, _)| *id == factor).map(|(_, level)| *level);
    let over = |factor: FactorId, value: &dyn Fn(usize) -> f64| {
        let levels = factors[factor].levels.len();
        fixed(factor).map_or_else(|| (0..levels).map(value).sum::<f64>() / levels as f64, value)
    };
    match &effect.size {
        None => 0.0,
        Some(AssumedSize::Difference(difference)) => {
            let shares = effect
                .effect
                .iter()
                .map(|&factor| over(factor, &|level| weight(&factors[factor], level)));
            difference * shares.product::<f64>()
        }
        Some(AssumedSize::Values(values)) => effect.effect.first().map_or(0.0, |&factor| {
            over(factor, &|level| values.get(level).copied().unwrap_or(0.0))
        }),
    }
}
