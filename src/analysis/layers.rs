//! Runs told apart by units and factors, all of them taken as drawn from many: the layers of spread and their components.
//!
//! In:  rows of the frame, and the groupings that bring spread, such as part, operator, day.
//! Out: `Layers`: mean squares, components and any sum of components with an interval.
//! Method: equal cells: analysis of variance, modified large sample intervals; unequal cells: restricted likelihood,
//! profile intervals. Beside each grouping stand the joint layers of those that cross; a grouping nested in another one
//! has the cells of both. Never here: which sum means what.

use std::collections::BTreeMap;

use super::frame::{Frame, Row};
use crate::numeric::Matrix;
use crate::numeric::distribution::f_upper;
use crate::protocol::{Grouping, Protocol};
use crate::stats::components::{Combinations, combinations};
use crate::stats::interval::{WeightedMeanSquare, combination, combination_interval, satterthwaite_df};
use crate::stats::mixed::{self, Method, MixedFit, MixedProblem, RandomTerm};
use crate::stats::strata::{Partition, StrataFit, fit};

/// The name of a unit or factor.
pub(super) fn grouping_name(protocol: &Protocol, grouping: Grouping) -> String {
    match grouping {
        Grouping::Unit(unit) => protocol.units[unit].name.clone(),
        Grouping::Factor(factor) => protocol.factors[factor].name.clone(),
    }
}

/// A name as it stands in a sentence.
pub(super) fn spoken(name: &str) -> String {
    name.replace('_', " ")
}

/// The label of a row's unit, or the level of its factor, as printed.
pub(super) fn label_of(protocol: &Protocol, grouping: Grouping, row: &Row) -> String {
    match grouping {
        Grouping::Unit(unit) => row.labels.get(unit).cloned().unwrap_or_default(),
        Grouping::Factor(factor) => protocol.factors[factor].level(row.levels[factor]),
    }
}

/// What tells the unit or level of a row from all others: for a unit its number and those of the units above.
pub(super) fn key_of(protocol: &Protocol, grouping: Grouping, row: &Row) -> Vec<usize> {
    match grouping {
        Grouping::Unit(unit) => {
            let mut key: Vec<usize> = protocol.above(unit).iter().map(|&u| row.units[u]).collect();
            key.push(row.units[unit]);
            key
        }
        Grouping::Factor(factor) => vec![row.levels[factor]],
    }
}

/// One layer of spread.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layer {
    /// The groupings whose joint spread it is, by place in the list asked for; empty for the repeats.
    pub of: Vec<usize>,
    /// Degrees of freedom, sum of squares and mean square; `None` where cells are unequal.
    pub squares: Option<(usize, f64, f64)>,
    /// The component as estimated, which may be negative; `None` if it cannot be told.
    pub variance: Option<f64>,
}

/// A standard deviation with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Spread {
    pub value: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub df: Option<f64>,
}

/// The layers of some rows.
pub(super) struct Layers {
    /// The groupings first, then joint layers, the repeats last.
    pub list: Vec<Layer>,
    engine: Engine,
    confidence: f64,
}

enum Engine {
    Balanced(Box<(StrataFit, Combinations)>),
    /// The layers in order, the repeats last.
    Mixed(Box<MixedFit>),
}

/// How runs fall into cells, for each layer; the repeats last.
struct Cells {
    of: Vec<Vec<usize>>,
    partitions: Vec<Partition>,
}

impl Layers {
    /// The layers of `rows`; with `joint` false those of several groupings are pooled with the repeats.
    ///
    /// Returns the reason in a sentence if nothing can be told.
    pub(super) fn new(
        protocol: &Protocol,
        frame: &Frame,
        rows: &[usize],
        groupings: &[Grouping],
        joint: bool,
    ) -> Result<Self, String> {
        let cells = cells(protocol, frame, rows, groupings, joint);
        let results: Vec<f64> = rows.iter().map(|&row| frame.rows[row].result).collect();
        let confidence = protocol.analysis.confidence;
        if let Ok(strata) = fit(&results, &cells.partitions, &[]) {
            let known: Vec<bool> = strata.strata.iter().map(|s| s.residual_df > 0).collect();
            let combos = combinations(&cells.partitions, &known, results.len());
            let mut found = Self {
                list: Vec::new(),
                engine: Engine::Balanced(Box::new((strata, combos))),
                confidence,
            };
            found.list = (0..cells.of.len()).map(|layer| found.layer(layer, &cells)).collect();
            return Ok(found);
        }
        let finest = cells.of.len() - 1;
        let problem = MixedProblem {
            x: Matrix::from_columns(&[vec![1.0; results.len()]]),
            y: results,
            terms: cells.partitions[..finest]
                .iter()
                .map(|p| RandomTerm::intercept(p.cell.clone(), p.cells))
                .collect(),
            weights: None,
        };
        let mixed = mixed::fit(&problem, Method::Reml).map_err(|e| super::mixed_model::explain(&e))?;
        let layers = (0..=finest)
            .map(|layer| Layer {
                of: cells.of[layer].clone(),
                squares: None,
                variance: mixed.components.get(layer).map(|c| c.value),
            })
            .collect();
        Ok(Self {
            list: layers,
            engine: Engine::Mixed(Box::new(mixed)),
            confidence,
        })
    }

    fn layer(&self, layer: usize, cells: &Cells) -> Layer {
        let squares = match &self.engine {
            Engine::Balanced(balanced) => {
                let stratum = &balanced.0.strata[layer];
                stratum
                    .mean_square()
                    .map(|ms| (stratum.residual_df, stratum.residual_sum_of_squares, ms))
            }
            Engine::Mixed(_) => None,
        };
        Layer {
            of: cells.of[layer].clone(),
            squares,
            variance: self.parts(&[layer]).map(|parts| combination(&parts)),
        }
    }

    /// The mean squares that make up a sum of components, given by the factor of each layer.
    fn weighted(&self, factors: &[(usize, f64)]) -> Option<Vec<WeightedMeanSquare>> {
        let Engine::Balanced(balanced) = &self.engine else {
            return None;
        };
        let (strata, combos) = balanced.as_ref();
        let mut total = vec![0.0; strata.strata.len()];
        for &(layer, factor) in factors {
            let own = combos.components.get(layer)?.as_ref()?;
            total.iter_mut().zip(own).for_each(|(t, o)| *t += factor * o);
        }
        let largest = total.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
        let mut parts = Vec::new();
        for (stratum, &coefficient) in strata.strata.iter().zip(&total) {
            if coefficient.abs() > 1e-12 * largest {
                parts.push(WeightedMeanSquare {
                    coefficient,
                    mean_square: stratum.mean_square()?,
                    df: stratum.residual_df as f64,
                });
            }
        }
        Some(parts)
    }

    fn parts(&self, layers: &[usize]) -> Option<Vec<WeightedMeanSquare>> {
        let factors: Vec<(usize, f64)> = layers.iter().map(|&layer| (layer, 1.0)).collect();
        self.weighted(&factors)
    }

    /// The standard deviation of a sum of components, negative ones counted as 0; `None` if one cannot be told.
    pub(super) fn sum(&self, layers: &[usize]) -> Option<Spread> {
        let mut variance = 0.0;
        for &layer in layers {
            variance += self.list.get(layer)?.variance?.max(0.0);
        }
        let mut found = Spread {
            value: variance.sqrt(),
            ..Spread::default()
        };
        match &self.engine {
            Engine::Balanced(_) => {
                let parts = self.parts(layers)?;
                if let Some(interval) = combination_interval(&parts, self.confidence) {
                    found.low = Some(interval.lower.max(0.0).sqrt().min(found.value));
                    found.high = Some(interval.upper.max(0.0).sqrt().max(found.value));
                }
                found.df = satterthwaite_df(&parts);
            }
            Engine::Mixed(mixed) => {
                if let [layer] = layers {
                    let interval = mixed.profile_interval(*layer, self.confidence).ok();
                    found.low = interval.map(|i| i.low);
                    found.high = interval.map(|i| i.high).filter(|high| high.is_finite());
                }
            }
        }
        Some(found)
    }

    /// The ratio of one sum of components to another, with its interval: the values λ for which the modified large sample
    /// interval of numerator − λ · denominator holds zero. The estimate counts negative components as 0; `None` where the
    /// denominator is zero or something cannot be told. An end may be infinite.
    pub(super) fn ratio(&self, over: &[usize], under: &[usize]) -> Option<(f64, Option<(f64, f64)>)> {
        let sum = |layers: &[usize]| -> Option<f64> {
            layers
                .iter()
                .map(|&layer| self.list.get(layer)?.variance.map(|v| v.max(0.0)))
                .sum()
        };
        let (above, below) = (sum(over)?, sum(under)?);
        if below <= 0.0 {
            return None;
        }
        let estimate = above / below;
        if matches!(self.engine, Engine::Mixed(_)) {
            return Some((estimate, None));
        }
        let ends = |lambda: f64| {
            let factors: Vec<(usize, f64)> = over
                .iter()
                .map(|&layer| (layer, 1.0))
                .chain(under.iter().map(|&layer| (layer, -lambda)))
                .collect();
            let parts = self.weighted(&factors)?;
            combination_interval(&parts, self.confidence)
        };
        // Each end falls as λ grows and changes its sign once, if at all.
        let middle = if estimate > 0.0 { estimate } else { 1.0 };
        let low = crossing(|lambda| ends(lambda).map_or(f64::NAN, |i| i.lower), middle);
        let high = crossing(|lambda| ends(lambda).map_or(f64::NAN, |i| i.upper), middle);
        Some((estimate, Some((low.min(estimate), high.max(estimate)))))
    }

    /// p-value of 'this layer brings no spread of its own', against the layer just around it.
    pub(super) fn p(&self, layer: usize, against: usize) -> Option<f64> {
        let (df, _, ms) = self.list.get(layer)?.squares?;
        let (error_df, _, error) = self.list.get(against)?.squares?;
        (error > 0.0).then(|| f_upper(ms / error, df as f64, error_df as f64))
    }
}

/// Where a falling function of a positive number changes its sign, looked for by doubling or halving from `middle`: 0 if it is
/// not positive anywhere, infinite if it stays so.
fn crossing(f: impl Fn(f64) -> f64, middle: f64) -> f64 {
    let up = f(middle) > 0.0;
    let mut last = middle;
    for _ in 0..60 {
        let next = if up { 2.0 * last } else { 0.5 * last };
        if (f(next) > 0.0) != up {
            let root = crate::numeric::bracketed_zero(&f, last.min(next), last.max(next));
            return if root.is_finite() { root } else { last };
        }
        last = next;
    }
    if up { f64::INFINITY } else { 0.0 }
}

fn cells(protocol: &Protocol, frame: &Frame, rows: &[usize], groupings: &[Grouping], joint: bool) -> Cells {
    let keys: Vec<Vec<Vec<usize>>> = groupings
        .iter()
        .map(|&g| rows.iter().map(|&row| key_of(protocol, g, &frame.rows[row])).collect())
        .collect();
    let mut of: Vec<Vec<usize>> = Vec::new();
    let mut partitions: Vec<Partition> = Vec::new();
    // Sets of groupings by size, then in order.
    let mut sets: Vec<Vec<usize>> = (1_usize..1 << groupings.len().min(8))
        .map(|bits| (0..groupings.len()).filter(|g| bits >> g & 1 == 1).collect())
        .collect();
    sets.sort_by(|a: &Vec<usize>, b| a.len().cmp(&b.len()).then_with(|| a.cmp(b)));
    for set in sets.into_iter().filter(|set| joint || set.len() == 1) {
        let mut numbers: BTreeMap<Vec<&[usize]>, u32> = BTreeMap::new();
        let cell: Vec<u32> = (0..rows.len())
            .map(|row| {
                let key: Vec<&[usize]> = set.iter().map(|&g| keys[g][row].as_slice()).collect();
                let next = numbers.len() as u32;
                *numbers.entry(key).or_insert(next)
            })
            .collect();
        let count = numbers.len();
        // A joint layer with the cells of one of its parts (nesting), or of the runs themselves, brings nothing new.
        let known = partitions
            .iter()
            .any(|p: &Partition| p.cells == count && p.cell == cell);
        if count > 1 && count < rows.len() && !known {
            of.push(set);
            partitions.push(Partition {
                cell,
                cells: count,
                inside: Vec::new(),
            });
        }
    }
    // Coarser ones first, as the fit wants them; groupings keep their order among equals.
    let mut order: Vec<usize> = (0..partitions.len()).collect();
    order.sort_by_key(|&p| (partitions[p].cells, p));
    let mut sorted: Vec<Partition> = order.iter().map(|&p| partitions[p].clone()).collect();
    let mut named: Vec<Vec<usize>> = order.iter().map(|&p| of[p].clone()).collect();
    sorted.push(Partition {
        cell: (0..rows.len() as u32).collect(),
        cells: rows.len(),
        inside: Vec::new(),
    });
    named.push(Vec::new());
    for outer in 0..sorted.len() {
        sorted[outer].inside = (0..outer)
            .filter(|&inner| coarser(&sorted[inner], &sorted[outer]))
            .collect();
    }
    Cells {
        of: named,
        partitions: sorted,
    }
}

/// Whether each cell of `fine` lies in one cell of `coarse`.
fn coarser(coarse: &Partition, fine: &Partition) -> bool {
    let mut home: Vec<Option<u32>> = vec![None; fine.cells];
    coarse.cell.iter().zip(&fine.cell).all(|(&c, &f)| {
        let known = home[f as usize].get_or_insert(c);
        *known == c
    })
}
