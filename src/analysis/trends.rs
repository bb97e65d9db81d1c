//! The shape of a numeric factor's change: straight part, curvature, and what is left, one degree of freedom each.
//!
//! In:  protocol and fit. Out: `TrendFinding`s for numeric factors with more than two levels.
//!
//! Each part is a power of the level made orthogonal to the powers below it over the levels as they are spaced; its size is
//! how far it moves the response between its highest and lowest point on the levels studied.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::adjusted::EstimateFinding;
use super::fit::Fit;
use crate::plan::Part;
use crate::protocol::Protocol;
use crate::stats::multiplicity::holm;

/// One part of the shape.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendFinding {
    /// The factor.
    pub factor: String,
    /// 1 for the straight part, 2 for the curvature, and so on.
    pub degree: usize,
    /// How far it moves the response over the levels studied; below zero where it turns downwards at the highest level.
    pub size: EstimateFinding,
    /// p-value adjusted over the parts of this factor (Holm).
    pub p_adjusted: Option<f64>,
    /// True if the factor's effect is planned.
    pub planned: bool,
}

/// The parts of every numeric factor with more than two levels.
pub(super) fn trends(protocol: &Protocol, fit: &Fit) -> Vec<TrendFinding> {
    let mut all = Vec::new();
    for (factor, declared) in protocol.factors.iter().enumerate() {
        let levels = declared.corner_levels();
        if !declared.is_numeric() || levels < 3 || declared.random {
            continue;
        }
        let mut found = Vec::new();
        for (place, term) in fit.terms.iter().enumerate() {
            let first = match term.part {
                Part::Whole => 1,
                Part::Departure => 2,
                Part::Curvature => continue,
            };
            if term.effect != [factor] {
                continue;
            }
            for column in 0..term.df {
                let at = |level: usize| {
                    let mut own = vec![0; protocol.factors.len()];
                    own[factor] = level;
                    term.columns_at(protocol, &own).get(column).copied().unwrap_or(0.0)
                };
                let heights: Vec<f64> = (0..levels).map(at).collect();
                let low = heights.iter().copied().fold(f64::INFINITY, f64::min);
                let high = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let mut values: Vec<Vec<f64>> = fit.terms.iter().map(|term| vec![0.0; term.df]).collect();
                values[place][column] = high - low;
                found.push(TrendFinding {
                    factor: declared.name.clone(),
                    degree: first + column,
                    size: fit.estimate(0.0, &values).into(),
                    p_adjusted: None,
                    planned: protocol.analysis.planned.contains(&vec![factor]),
                });
            }
        }
        let known: Vec<usize> = (0..found.len()).filter(|&i| found[i].size.p.is_some()).collect();
        let adjusted = holm(&known.iter().filter_map(|&i| found[i].size.p).collect::<Vec<f64>>());
        for (&index, p) in known.iter().zip(adjusted) {
            found[index].p_adjusted = Some(p);
        }
        all.extend(found);
    }
    all
}
