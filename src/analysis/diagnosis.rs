//! How far the numbers can be trusted: replicates, single runs, spread, shape, digits, odd and questioned readings.
//!
//! In:  protocol, plan, record, response, frame, fit.
//! Out: a `Diagnosis`, and the checks that go with it. It flags; nothing is deleted and nothing is transformed.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::ContrastFinding;
use super::fit::Fit;
use super::frame::Frame;
use super::headline::{Headline, HeadlineFinding, headlines, some_headlines};
use super::influence::{InfluenceFinding, by_refits, changed, deletion, influence};
use super::surface::{LackOfFitFinding, lack_of_fit};
use crate::numeric::{Matrix, sum};
use crate::plan::Plan;
use crate::protocol::{Protocol, ResponseId};
use crate::record::{Column, Columns, Record};
use crate::stats::deletion::Deletion;
use crate::stats::equal_spread::{SpreadTest, bartlett, brown_forsythe};
use crate::stats::outlier::generalized;
use crate::stats::power_transform::profile;
use crate::stats::{digits, summary};

/// How far the numbers of one response can be trusted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Diagnosis {
    /// How often each factor was set, where that is less often than there are runs.
    pub replication: Vec<ReplicationFinding>,
    /// How much single runs and set-ups decide; null if they were not looked at.
    pub influence: Option<InfluenceFinding>,
    /// Spread of the residuals at each level of each factor.
    pub spread: Vec<SpreadByLevel>,
    /// What the model leaves over against repeated settings; null without any, or where not all factors were set on the run.
    pub lack_of_fit: Option<LackOfFitFinding>,
    /// Whether a power of the response would fit better; null if it was not looked at.
    pub transformation: Option<TransformationFinding>,
    /// Last digits of the readings; null if there are too few.
    pub last_digits: Option<DigitFinding>,
    /// Readings that stand apart from the others of their run.
    pub odd_readings: Vec<OddReading>,
    /// The conclusions without questioned readings; null if none is questioned.
    pub without_questioned: Option<AlternativeFinding>,
}

/// How often a factor was set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReplicationFinding {
    /// The factor.
    pub factor: String,
    /// The unit on which it is set.
    pub unit: String,
    /// How often it was set.
    pub set_ups: usize,
    /// Smallest number of set-ups at one level.
    pub at_a_level: usize,
    /// Runs, which are not its replicates.
    pub runs: usize,
}

/// Spread at each level of a factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SpreadByLevel {
    /// The factor.
    pub factor: String,
    /// Level with the number of runs and the standard deviation of their residuals.
    pub levels: Vec<(String, usize, f64)>,
    /// Brown and Forsythe's test; null where it cannot be made.
    pub brown_forsythe: Option<SpreadTestFinding>,
    /// Bartlett's test, which takes the residuals for normal.
    pub bartlett: Option<SpreadTestFinding>,
}

/// A test of equal spread.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SpreadTestFinding {
    /// Variance ratio, or chi-square.
    pub statistic: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Degrees of freedom of the denominator; null for a chi-square.
    pub denominator_df: Option<f64>,
    /// p-value of 'the same everywhere'.
    pub p: f64,
}

/// Which power of the response fits best (Box and Cox).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TransformationFinding {
    /// The power with the largest likelihood between −3 and 3; 1 is the response as it is, 0 its logarithm.
    pub power: f64,
    /// Lower end of its interval; null if it lies below −3.
    pub low: Option<f64>,
    /// Upper end; null if it lies above 3.
    pub high: Option<f64>,
    /// Largest result over the smallest.
    pub ratio: f64,
    /// Common powers inside the interval, in words.
    pub candidates: Vec<String>,
}

/// Last digits of the readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DigitFinding {
    /// How many readings end in 0, 1, ... 9 steps of the display.
    pub counts: Vec<usize>,
    /// Chi-square of 'all digits alike'.
    pub statistic: f64,
    /// p-value.
    pub p: f64,
    /// True if the p-value is exact, false from the chi-square distribution.
    pub exact: bool,
}

/// A reading that stands apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OddReading {
    /// Number of the run.
    pub run: usize,
    /// Column of the sheet.
    pub what: String,
    /// The reading.
    pub value: f64,
    /// Distance from the mean of its run over the standard deviation; null if it was questioned for another reason.
    pub statistic: Option<f64>,
    /// Critical value of that; null likewise.
    pub critical: Option<f64>,
}

/// The conclusions without some readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AlternativeFinding {
    /// The readings left out for once.
    pub readings: Vec<OddReading>,
    /// Every conclusion with and without them.
    pub headlines: Vec<AlternativeHeadline>,
    /// Why there is none, if the rest cannot be analysed.
    pub note: Option<String>,
}

/// One conclusion with and without some readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AlternativeHeadline {
    /// What it is about.
    pub about: String,
    /// True if it is planned.
    pub planned: bool,
    /// With all readings.
    pub with_all: HeadlineFinding,
    /// Without.
    pub without_them: HeadlineFinding,
    /// True if the conclusion is another one.
    pub changes: bool,
}

/// Level of the test for odd readings.
const ODD: f64 = 0.01;
/// Fewest readings for a test of odd ones.
const FEWEST_ODD: usize = 25;
/// Fewest readings for a look at last digits; common practice.
const FEWEST_DIGITS: usize = 15;
/// Steps of the display over which readings must spread before last digits say anything; common practice.
const FEWEST_STEPS: f64 = 10.0;
/// Ratio of the largest to the smallest result below which a power changes next to nothing; common practice.
pub(super) const LEAST_RATIO: f64 = 1.5;
/// Most numbers in the model matrix of a transformation.
const MOST_NUMBERS: usize = 100_000;

/// What the look at a response needs.
#[derive(Clone, Copy)]
pub(super) struct Look<'a> {
    pub protocol: &'a Protocol,
    pub plan: Option<&'a Plan>,
    pub record: &'a Record,
    pub response: ResponseId,
    pub frame: &'a Frame,
    pub fit: &'a Fit,
    /// The differences between levels that the fit gives.
    pub contrasts: &'a [ContrastFinding],
}

impl Look<'_> {
    fn relevant(&self) -> Option<f64> {
        self.protocol.responses[self.response].relevant.and_then(|r| r.to_f64())
    }

    /// The whole diagnosis, and the model ready for deletions or why it is not.
    pub(super) fn diagnosis(&self) -> (Diagnosis, Result<Deletion, &'static str>) {
        let ready = deletion(self.protocol, self.frame, self.fit);
        let declared = &self.protocol.responses[self.response];
        let residuals = match (self.fit.balanced(), &ready) {
            (Some(balanced), _) => Some(balanced.strata.residuals.clone()),
            (None, Ok(deletion)) => Some(deletion.residuals()),
            (None, Err(_)) => None,
        };
        let odd_readings = self.odd_readings();
        let all = headlines(self.protocol, self.fit, self.relevant(), self.contrasts);
        let found = Diagnosis {
            replication: self.replication(),
            influence: match &ready {
                Ok(deletion) => Some(influence(
                    self.protocol,
                    &declared.name,
                    self.frame,
                    self.fit,
                    (self.relevant(), &all),
                    deletion,
                )),
                Err(_) if self.fit.balanced().is_none() => by_refits(
                    self.protocol,
                    &declared.name,
                    self.frame,
                    self.fit,
                    (self.relevant(), &all),
                ),
                Err(_) => None,
            },
            spread: residuals.map_or_else(Vec::new, |r| self.spread(&r)),
            lack_of_fit: lack_of_fit(self.frame, self.fit),
            transformation: self.transformation(),
            last_digits: self.last_digits(),
            without_questioned: self.without_questioned(&odd_readings, &all),
            odd_readings,
        };
        (found, ready)
    }

    fn replication(&self) -> Vec<ReplicationFinding> {
        let structure = &self.fit.structure;
        let mut found = Vec::new();
        for (factor, declared) in self.protocol.factors.iter().enumerate() {
            let unit = declared.set_on;
            let mut set: BTreeMap<usize, BTreeSet<Vec<usize>>> = BTreeMap::new();
            for row in &self.frame.rows {
                let mut key: Vec<usize> = structure.above[unit].iter().map(|&u| row.units[u]).collect();
                key.push(row.units[unit]);
                set.entry(row.levels[factor]).or_default().insert(key);
            }
            let all: BTreeSet<&Vec<usize>> = set.values().flatten().collect();
            if all.len() < self.frame.rows.len() {
                found.push(ReplicationFinding {
                    factor: declared.name.clone(),
                    unit: self.protocol.units[unit].name.clone(),
                    set_ups: all.len(),
                    at_a_level: set.values().map(BTreeSet::len).min().unwrap_or(0),
                    runs: self.frame.rows.len(),
                });
            }
        }
        found
    }

    fn spread(&self, residuals: &[f64]) -> Vec<SpreadByLevel> {
        let finding = |test: SpreadTest| SpreadTestFinding {
            statistic: test.statistic,
            df: test.df1,
            denominator_df: test.df2.is_finite().then_some(test.df2),
            p: test.p,
        };
        let mut found = Vec::new();
        for (factor, declared) in self.protocol.factors.iter().enumerate() {
            let mut groups: Vec<Vec<f64>> = vec![Vec::new(); declared.corner_levels()];
            for (row, &residual) in self.frame.rows.iter().zip(residuals) {
                if let Some(group) = groups.get_mut(row.levels[factor]) {
                    group.push(residual);
                }
            }
            let enough = groups.iter().all(|group| group.len() >= 3);
            found.push(SpreadByLevel {
                factor: declared.name.clone(),
                levels: groups
                    .iter()
                    .enumerate()
                    .map(|(level, group)| {
                        let deviation = summary::standard_deviation(group).unwrap_or(0.0);
                        (declared.level(level), group.len(), deviation)
                    })
                    .collect(),
                brown_forsythe: brown_forsythe(&groups).filter(|_| enough).map(finding),
                bartlett: bartlett(&groups).filter(|_| enough).map(finding),
            });
        }
        found
    }

    fn transformation(&self) -> Option<TransformationFinding> {
        let frame = self.frame;
        let y: Vec<f64> = frame.rows.iter().map(|row| frame.reference + row.result).collect();
        let (low, high) = y
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(l, h), &v| (l.min(v), h.max(v)));
        if !(low > 0.0) {
            return None;
        }
        let ratio = high / low;
        let nothing = TransformationFinding {
            power: 1.0,
            low: None,
            high: None,
            ratio,
            candidates: Vec::new(),
        };
        if ratio < LEAST_RATIO {
            return Some(nothing);
        }
        let n = y.len();
        let mut columns = vec![vec![1.0; n]];
        columns.extend(self.fit.columns.iter().flat_map(|term| term.columns.iter().cloned()));
        // Set-ups above the run join as they are: the shape is judged inside them.
        for partition in &self.fit.partitions[..self.fit.partitions.len() - 1] {
            if n * (columns.len() + partition.cells) > MOST_NUMBERS {
                return None;
            }
            for cell in 0..partition.cells {
                let own = partition.cell.iter().map(|&c| f64::from(u8::from(c as usize == cell)));
                columns.push(own.collect());
            }
        }
        let power = profile(&y, &Matrix::from_columns(&columns), self.fit.confidence)?;
        let inside = |value: f64| power.low.is_none_or(|l| value >= l) && power.high.is_none_or(|h| value <= h);
        let words = [
            (2.0, "square"),
            (1.0, "as it is"),
            (0.5, "square root"),
            (0.0, "logarithm"),
            (-0.5, "reciprocal of the square root"),
            (-1.0, "reciprocal"),
        ];
        Some(TransformationFinding {
            power: power.best,
            low: power.low,
            high: power.high,
            candidates: words
                .iter()
                .filter(|(value, _)| inside(*value))
                .map(|(_, word)| (*word).to_owned())
                .collect(),
            ..nothing
        })
    }

    /// Readings of the response with their place in the run, as decimals.
    fn written(&self) -> Vec<(usize, usize, Decimal)> {
        let of_frame: BTreeSet<usize> = self.frame.rows.iter().map(|row| row.run).collect();
        let mut found = Vec::new();
        for run in self.record.runs.values().filter(|run| of_frame.contains(&run.run)) {
            for (place, written) in run.readings.get(self.response).into_iter().flatten().enumerate() {
                found.extend(written.as_ref().map(|written| (run.run, place, written.value)));
            }
        }
        found
    }

    fn last_digits(&self) -> Option<DigitFinding> {
        let step = self.protocol.responses[self.response].resolution;
        let mut counts = vec![0_usize; 10];
        let mut steps: Vec<f64> = Vec::new();
        for (_, _, value) in self.written() {
            // Off the steps of the display there is no last digit.
            let Some(many) = value.checked_div(step).filter(|many| many.fract().is_zero()) else {
                continue;
            };
            let digit = (many.abs() % Decimal::TEN).to_usize()?;
            *counts.get_mut(digit)? += 1;
            steps.push(many.to_f64()?);
        }
        let (low, high) = steps
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &v| (l.min(v), h.max(v)));
        if steps.len() < FEWEST_DIGITS || high - low < FEWEST_STEPS {
            return None;
        }
        let evenness = digits::evenness(&counts)?;
        Some(DigitFinding {
            counts,
            statistic: evenness.statistic,
            p: evenness.p,
            exact: evenness.exact,
        })
    }

    /// Single readings far from the others of their run, all runs together.
    fn odd_readings(&self) -> Vec<OddReading> {
        let mut by_run: BTreeMap<usize, Vec<(usize, Decimal)>> = BTreeMap::new();
        for (run, place, value) in self.written() {
            by_run.entry(run).or_default().push((place, value));
        }
        let mut places: Vec<(usize, usize, f64)> = Vec::new();
        let mut left: Vec<f64> = Vec::new();
        for (run, own) in by_run.iter().filter(|(_, own)| own.len() > 2) {
            let reference = own[0].1;
            let values: Vec<f64> = own
                .iter()
                .map(|(_, v)| (*v - reference).to_f64().unwrap_or(f64::NAN))
                .collect();
            let mean = sum::mean(&values);
            let m = values.len() as f64;
            for ((place, value), v) in own.iter().zip(&values) {
                places.push((*run, *place, value.to_f64().unwrap_or(f64::NAN)));
                left.push((v - mean) / (1.0 - 1.0 / m).sqrt());
            }
        }
        if left.len() < FEWEST_ODD {
            return Vec::new();
        }
        let most = (left.len() / 10).clamp(1, 20);
        let Some(found) = generalized(&left, most, ODD) else {
            return Vec::new();
        };
        let columns = Columns::new(self.protocol);
        found.steps[..found.count]
            .iter()
            .map(|step| {
                let (run, place, value) = places[step.index];
                OddReading {
                    run,
                    what: columns.name(Column::Reading(self.response, place)),
                    value,
                    statistic: Some(step.statistic),
                    critical: Some(step.critical),
                }
            })
            .collect()
    }

    /// Every conclusion without the readings that are questioned, by whoever took them in or by the test.
    fn without_questioned(&self, odd: &[OddReading], all: &[Headline]) -> Option<AlternativeFinding> {
        let columns = Columns::new(self.protocol);
        let mut reduced = self.record.clone();
        let mut readings = Vec::new();
        for (run, place, value) in self.written() {
            let what = columns.name(Column::Reading(self.response, place));
            let asked = self.record.questioned.iter().any(|q| q.run == run && q.what == what);
            let apart = odd.iter().find(|o| o.run == run && o.what == what);
            if !asked && apart.is_none() {
                continue;
            }
            readings.push(apart.cloned().unwrap_or(OddReading {
                run,
                what,
                value: value.to_f64().unwrap_or(f64::NAN),
                statistic: None,
                critical: None,
            }));
            let slot = reduced
                .runs
                .get_mut(&run)
                .and_then(|r| r.readings.get_mut(self.response));
            if let Some(slot) = slot.and_then(|own| own.get_mut(place)) {
                *slot = None;
            }
        }
        if readings.is_empty() {
            return None;
        }
        let frame = Frame::gather(self.protocol, self.plan, &reduced, self.response);
        let name = &self.protocol.responses[self.response].name;
        let (without, note) = match Fit::new(self.protocol, &frame, name) {
            Ok(fit) => (some_headlines(self.protocol, &fit, self.relevant(), &|_| true), None),
            Err(why) => (Vec::new(), Some(why)),
        };
        let other: BTreeSet<&str> = changed(all, &without).map(|(b, _)| b.about.as_str()).collect();
        Some(AlternativeFinding {
            readings,
            headlines: all
                .iter()
                .filter_map(|b| without.iter().find(|a| a.about == b.about).map(|a| (b, a)))
                .map(|(before, after)| AlternativeHeadline {
                    about: before.about.clone(),
                    planned: before.planned,
                    with_all: before.finding(),
                    without_them: after.finding(),
                    changes: other.contains(before.about.as_str()),
                })
                .collect(),
            note,
        })
    }
}
