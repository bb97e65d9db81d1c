//! The quadratic surface over the numeric factors of a study.
//!
//! In:  protocol, frame, fit.
//! Out: a `SurfaceFinding` where every numeric factor with three or more levels can be given a curve and all were set on the
//!      run; and the lack of fit of any model against repeated settings.
//!
//! Factors are coded −1 at the lowest level and 1 at the highest. Terms with other factors share the model and average out.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fit::Fit;
use super::frame::Frame;
use crate::protocol::{Factor, FactorId, Protocol};
use crate::stats::surface::{self, Curvature, LackOfFit, REACH, Surface};

/// A quadratic surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurfaceFinding {
    /// Its factors with their coding.
    pub factors: Vec<SurfaceFactor>,
    /// Coefficients in coded units.
    pub coefficients: Vec<SurfaceCoefficient>,
    /// Residual degrees of freedom.
    pub df: usize,
    /// Residual standard deviation.
    pub standard_deviation: f64,
    /// Against repeated settings; null without any.
    pub lack_of_fit: Option<LackOfFitFinding>,
    /// How it is shaped, as far as the intervals of the curvatures tell.
    pub shape: SurfaceShape,
    /// Its curvatures, the lowest first.
    pub curvatures: Vec<CurvatureFinding>,
    /// Where it neither rises nor falls; null where it does so nowhere.
    pub turning_point: Option<TurningPoint>,
    /// Its height over two of the factors; null for one factor.
    pub map: Option<SurfaceMap>,
}

/// A factor of a surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurfaceFactor {
    /// The factor.
    pub factor: String,
    /// Its unit of measure.
    pub unit: String,
    /// Coded 0.
    pub middle: f64,
    /// One coded unit.
    pub half_span: f64,
}

/// A coefficient of a surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurfaceCoefficient {
    /// `middle`, `temperature`, `temperature squared`, `temperature × time`.
    pub term: String,
    /// Its value.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// What a model leaves over against repeated settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LackOfFitFinding {
    /// Degrees of freedom of the lack of fit.
    pub df: usize,
    /// Its sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom of the pure error.
    pub pure_error_df: usize,
    /// Its sum of squares.
    pub pure_error_sum_of_squares: f64,
    /// Variance ratio.
    pub f: f64,
    /// p-value of 'the model fits'.
    pub p: f64,
}

/// How a surface is shaped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum SurfaceShape {
    /// Every curvature lies below zero.
    #[serde(rename = "maximum")]
    Maximum,
    /// Every curvature lies above zero.
    #[serde(rename = "minimum")]
    Minimum,
    /// Some lie below, some above zero.
    #[serde(rename = "saddle")]
    Saddle,
    /// Some are told apart from zero, some are not.
    #[serde(rename = "ridge")]
    Ridge,
    /// No curvature is told apart from zero.
    #[serde(rename = "not determined")]
    NotDetermined,
}

/// The curvature along one direction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurvatureFinding {
    /// Change of the response at one coded unit from the turning point, along the direction.
    pub value: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
    /// The direction, of length one in coded units, in the order of the factors.
    pub direction: Vec<f64>,
}

/// Where a surface neither rises nor falls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TurningPoint {
    /// One value a factor.
    pub at: Vec<TurningCoordinate>,
    /// Response there.
    pub response: f64,
    /// True if it lies inside the levels studied.
    pub inside: bool,
}

/// The turning point in one factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TurningCoordinate {
    /// The factor.
    pub factor: String,
    /// Value, in its unit.
    pub value: f64,
    /// Lower end of the interval for all factors together, rounded outwards; null if it is not determined within twice the
    /// span studied.
    pub low: Option<f64>,
    /// Upper end; null likewise.
    pub high: Option<f64>,
}

/// The height of a surface over two factors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurfaceMap {
    /// The factor across.
    pub across: String,
    /// The factor upwards.
    pub up: String,
    /// Values of the factor across.
    pub across_values: Vec<f64>,
    /// Values of the factor upwards.
    pub up_values: Vec<f64>,
    /// Response, row by row upwards.
    pub response: Vec<Vec<f64>>,
    /// The other factors, held at these values.
    pub held: BTreeMap<String, f64>,
}

/// Points along each side of a map.
const SIDE: usize = 41;

/// Middle and half the span of a numeric factor with three or more levels.
fn span(factor: &Factor) -> Option<(f64, f64)> {
    let numbers = factor.numbers.as_ref()?;
    let (low, high) = (numbers.iter().min()?, numbers.iter().max()?);
    // Halved as decimals: the coding is printed.
    let half = Decimal::ONE / Decimal::TWO;
    let middle = low.checked_add(*high)?.checked_mul(half)?.to_f64()?;
    let half_span = high.checked_sub(*low)?.checked_mul(half)?.to_f64()?;
    let usable = factor.corner_levels() > 2 && !factor.random;
    (usable && half_span > 0.0).then_some((middle, half_span))
}

/// Numbers for the combinations of levels that were run.
fn settings(frame: &Frame) -> Vec<u32> {
    let mut numbers: BTreeMap<&[usize], u32> = BTreeMap::new();
    frame
        .rows
        .iter()
        .map(|row| {
            let next = numbers.len() as u32;
            *numbers.entry(row.levels.as_slice()).or_insert(next)
        })
        .collect()
}

fn lack(found: LackOfFit) -> LackOfFitFinding {
    LackOfFitFinding {
        df: found.df,
        sum_of_squares: found.sum_of_squares,
        pure_error_df: found.pure_df,
        pure_error_sum_of_squares: found.pure_sum_of_squares,
        f: found.f,
        p: found.p,
    }
}

/// What the model leaves over against repeated settings, where all factors were set on the run.
pub(super) fn lack_of_fit(frame: &Frame, fit: &Fit) -> Option<LackOfFitFinding> {
    let strata = &fit.balanced()?.strata.strata;
    let [only] = strata.as_slice() else { return None };
    let found = surface::lack_of_fit(
        &frame.results(),
        &settings(frame),
        only.residual_sum_of_squares,
        only.residual_df,
    );
    found.map(lack)
}

pub(super) fn surface(protocol: &Protocol, frame: &Frame, fit: &Fit) -> Option<SurfaceFinding> {
    if fit.balanced().is_none() || fit.partitions.len() > 1 {
        return None;
    }
    let own: Vec<(FactorId, (f64, f64))> = (0..protocol.factors.len())
        .filter_map(|f| span(&protocol.factors[f]).map(|span| (f, span)))
        .collect();
    let coding: Vec<SurfaceFactor> = own
        .iter()
        .map(|&(f, (middle, half_span))| SurfaceFactor {
            factor: protocol.factors[f].name.clone(),
            unit: protocol.factors[f].unit.clone(),
            middle,
            half_span,
        })
        .collect();
    let x: Vec<Vec<f64>> = own
        .iter()
        .zip(&coding)
        .map(|(&(f, _), code)| {
            let numbers = protocol.factors[f].numbers.as_ref();
            let level = |row: &super::frame::Row| numbers.and_then(|n| n.get(row.levels[f])?.to_f64());
            frame
                .rows
                .iter()
                .map(|row| (level(row).unwrap_or(f64::NAN) - code.middle) / code.half_span)
                .collect()
        })
        .collect();
    let others: Vec<Vec<f64>> = fit
        .terms
        .iter()
        .zip(&fit.columns)
        .filter(|(term, _)| term.effect.iter().any(|f| own.iter().all(|(o, _)| o != f)))
        .flat_map(|(_, columns)| columns.columns.iter().cloned())
        .collect();
    let fitted = surface::fit(&frame.results(), &x, &others, &settings(frame)).filter(|s| s.variance > 0.0)?;
    let curvatures = fitted.curvatures(fit.confidence);
    Some(SurfaceFinding {
        coefficients: coefficients(&coding, &fitted, frame, fit.confidence),
        df: fitted.df,
        standard_deviation: fitted.variance.sqrt(),
        lack_of_fit: fitted.lack_of_fit.map(lack),
        shape: shape(&curvatures),
        turning_point: turning_point(&coding, &fitted, frame, fit.confidence),
        map: map(&coding, &fitted, frame),
        curvatures: curvatures
            .into_iter()
            .map(|c| CurvatureFinding {
                value: c.value,
                low: c.interval.0,
                high: c.interval.1,
                direction: c.direction,
            })
            .collect(),
        factors: coding,
    })
}

fn coefficients(coding: &[SurfaceFactor], fitted: &Surface, frame: &Frame, confidence: f64) -> Vec<SurfaceCoefficient> {
    let name = |i: usize| coding[i].factor.as_str();
    let names = surface::terms(coding.len()).into_iter().map(|(i, j)| match j {
        None => name(i).to_owned(),
        Some(j) if i == j => format!("{} squared", name(i)),
        Some(j) => format!("{} × {}", name(i), name(j)),
    });
    std::iter::once("middle".to_owned())
        .chain(names)
        .enumerate()
        .map(|(index, term)| {
            let offset = if index == 0 { frame.reference } else { 0.0 };
            let (standard_error, low, high) = fitted.interval(index, confidence);
            SurfaceCoefficient {
                term,
                value: offset + fitted.coefficients[index],
                standard_error,
                low: offset + low,
                high: offset + high,
            }
        })
        .collect()
}

fn shape(curvatures: &[Curvature]) -> SurfaceShape {
    let below = curvatures.iter().filter(|c| c.interval.1 < 0.0).count();
    let above = curvatures.iter().filter(|c| c.interval.0 > 0.0).count();
    match (below, above) {
        (0, 0) => SurfaceShape::NotDetermined,
        (b, _) if b == curvatures.len() => SurfaceShape::Maximum,
        (_, a) if a == curvatures.len() => SurfaceShape::Minimum,
        (b, a) if b + a == curvatures.len() => SurfaceShape::Saddle,
        _ => SurfaceShape::Ridge,
    }
}

fn turning_point(coding: &[SurfaceFactor], fitted: &Surface, frame: &Frame, confidence: f64) -> Option<TurningPoint> {
    let point = fitted.turning_point()?;
    let ranges = fitted.turning_range(confidence);
    Some(TurningPoint {
        at: coding
            .iter()
            .enumerate()
            .map(|(i, code)| {
                let natural = |value: f64| code.middle + code.half_span * value;
                let range = ranges.get(i).copied().flatten().filter(|_| point[i].abs() < REACH);
                TurningCoordinate {
                    factor: code.factor.clone(),
                    value: natural(point[i]),
                    low: range.map(|(low, _)| natural(low)),
                    high: range.map(|(_, high)| natural(high)),
                }
            })
            .collect(),
        response: frame.reference + fitted.at(&point),
        inside: point.iter().all(|v| v.abs() <= 1.0),
    })
}

/// The map over the two factors that move the surface most, the others in the middle.
fn map(coding: &[SurfaceFactor], fitted: &Surface, frame: &Frame) -> Option<SurfaceMap> {
    let k = coding.len();
    let coded: Vec<f64> = (0..SIDE).map(|i| -1.0 + 2.0 * i as f64 / (SIDE - 1) as f64).collect();
    let reach = |factor: usize| {
        let heights = coded.iter().map(|&value| {
            let mut x = vec![0.0; k];
            x[factor] = value;
            fitted.at(&x)
        });
        let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        high - low
    };
    let mut order: Vec<usize> = (0..k).collect();
    order.sort_by(|&a, &b| reach(b).total_cmp(&reach(a)));
    let (&across, &up) = (order.first()?, order.get(1)?);
    let natural = |factor: usize| -> Vec<f64> {
        let code = &coding[factor];
        coded.iter().map(|v| code.middle + code.half_span * v).collect()
    };
    Some(SurfaceMap {
        across: coding[across].factor.clone(),
        up: coding[up].factor.clone(),
        across_values: natural(across),
        up_values: natural(up),
        response: coded
            .iter()
            .map(|&high| {
                let height = |&right: &f64| {
                    let mut x = vec![0.0; k];
                    (x[across], x[up]) = (right, high);
                    frame.reference + fitted.at(&x)
                };
                coded.iter().map(height).collect()
            })
            .collect(),
        held: order[2..]
            .iter()
            .map(|&f| (coding[f].factor.clone(), coding[f].middle))
            .collect(),
    })
}
