//! The sources of an uncertainty budget with their numbers: as declared, from the study's own findings, or from the site.
//!
//! In:  a declared source, the findings of the response, the conditions, the site's tolerances.
//! Out: a `Resolved`; where a number cannot be had, the reason.

use rust_decimal::prelude::ToPrimitive;

use super::findings::{Component, ConditionFinding, ResponseFindings};
use crate::numeric::distribution::chi2_quantile_lower;
use crate::protocol::{Given, Limited, Origin, Protocol, Site, Source};
use crate::stats::simulation::Shape;
use crate::stats::summary;
use crate::stats::uncertainty::Quantity;

/// A source with its numbers.
pub(super) struct Resolved<'a> {
    pub(super) declared: &'a Source,
    pub(super) origin: String,
    pub(super) type_a: bool,
    pub(super) shape: Shape,
    pub(super) value: f64,
    pub(super) standard: f64,
    pub(super) df: f64,
    pub(super) averaged: usize,
    pub(super) note: Option<String>,
    /// Takes no part: another source holds it.
    pub(super) aside: bool,
}

impl Resolved<'_> {
    /// Standard uncertainty in a result that averages `averaged` of them.
    pub(super) fn in_result(&self, averaged: usize) -> f64 {
        if self.aside {
            0.0
        } else {
            self.standard / (averaged.max(1) as f64).sqrt()
        }
    }

    pub(super) fn quantity(&self, averaged: usize) -> Quantity {
        let c = self.declared.sensitivity;
        Quantity {
            value: c * self.value,
            standard: c.abs() * self.in_result(averaged),
            df: self.df,
            kurtosis: 3.0 + (self.shape.kurtosis() - 3.0) / averaged.max(1) as f64,
        }
    }
}

pub(super) fn resolve<'a>(
    protocol: &Protocol,
    site: Option<&Site>,
    declared: &'a Source,
    found: &ResponseFindings,
    conditions: &[ConditionFinding],
) -> Result<Resolved<'a>, String> {
    let mut resolved = Resolved {
        declared,
        origin: "declared in the protocol".to_owned(),
        type_a: false,
        shape: Shape::Normal,
        value: 0.0,
        standard: 0.0,
        df: f64::INFINITY,
        averaged: 1,
        note: None,
        aside: false,
    };
    let limits = |resolved: &mut Resolved<'_>, half: f64, shape: Limited| {
        resolved.shape = match shape {
            Limited::Rectangular => Shape::Rectangular,
            Limited::Triangular => Shape::Triangular,
            Limited::Arcsine => Shape::Arcsine,
            Limited::Trapezoidal(top) => Shape::Trapezoidal(top),
        };
        resolved.standard = half * resolved.shape.over_half_width().unwrap_or(1.0);
    };
    match &declared.given {
        Given::Standard(standard) => resolved.standard = *standard,
        Given::Expanded(expanded, factor) => resolved.standard = expanded / factor,
        Given::Limits(half, shape, middle) => {
            limits(&mut resolved, *half, *shape);
            resolved.value = middle.unwrap_or(0.0);
        }
        Given::Readings(readings) => {
            let n = readings.len() as f64;
            resolved.value = summary::mean(readings).unwrap_or(0.0);
            let deviation = summary::standard_deviation(readings).unwrap_or(0.0);
            resolved.standard = deviation / n.sqrt();
            resolved.df = n - 1.0;
            resolved.type_a = true;
            resolved.shape = Shape::Student(n - 1.0);
            resolved.origin = format!("mean of {} readings in the protocol", readings.len());
            if deviation == 0.0 {
                return Err("its readings are all equal: give the resolution as `within` instead".to_owned());
            }
        }
        Given::Found(origin) => from_findings(protocol, site, (&mut resolved, origin), found, conditions, &limits)?,
    }
    Ok(resolved)
}

#[allow(clippy::type_complexity)]
fn from_findings(
    protocol: &Protocol,
    site: Option<&Site>,
    (resolved, origin): (&mut Resolved<'_>, &Origin),
    found: &ResponseFindings,
    conditions: &[ConditionFinding],
    limits: &dyn Fn(&mut Resolved<'_>, f64, Limited),
) -> Result<(), String> {
    let estimate = |resolved: &mut Resolved<'_>, value: f64, error: Option<f64>, df: Option<f64>, what: String| {
        resolved.value = value;
        resolved.standard = error.ok_or("its standard error cannot be told from this study")?;
        resolved.df = df.unwrap_or(f64::INFINITY);
        resolved.shape = df.map_or(Shape::Normal, Shape::Student);
        resolved.type_a = true;
        resolved.origin = what;
        Ok::<(), String>(())
    };
    match origin {
        Origin::ReadingSpread => {
            let component = component(found, "reading")?;
            let inverse: f64 = found.results.iter().map(|r| 1.0 / r.readings.len().max(1) as f64).sum();
            let readings = found.results.len() as f64 / inverse;
            spread(resolved, component, readings.sqrt(), found.confidence)?;
            resolved.df = component.df.unwrap_or(resolved.df);
            resolved.shape = Shape::Student(resolved.df);
            resolved.value = found.grand_mean.mean;
            "spread of readings within runs of this study".clone_into(&mut resolved.origin);
        }
        Origin::UnitSpread(units) => {
            let name = units
                .iter()
                .map(|&u| protocol.units[u].name.as_str())
                .collect::<Vec<_>>()
                .join(" \u{d7} ");
            spread(resolved, component(found, &name)?, 1.0, found.confidence)?;
            resolved.origin = format!(
                "spread between one {} and the next in this study",
                name.replace('_', " ")
            );
            // What stands for the mean in a budget whose result has no spread of readings.
            if units == &[protocol.run_unit()] && found.readings == found.runs {
                resolved.value = found.grand_mean.mean;
            }
        }
        Origin::Slope(factor) => {
            let name = &protocol.factors[*factor].name;
            let slope = found
                .slopes
                .iter()
                .find(|s| s.factor == *name)
                .ok_or("this study has no slope of it")?;
            estimate(
                resolved,
                slope.per_unit,
                slope.standard_error,
                slope.df,
                format!("slope of {} in this study", name.replace('_', " ")),
            )?;
        }
        Origin::Difference(factor) => {
            let name = &protocol.factors[*factor].name;
            let contrast = found
                .contrasts
                .iter()
                .find(|c| c.factor == *name && c.within.is_empty())
                .ok_or("this study has no difference of it")?;
            let what = format!(
                "{} minus {} of {} in this study",
                contrast.to,
                contrast.from,
                name.replace('_', " ")
            );
            estimate(
                resolved,
                contrast.difference,
                contrast.standard_error,
                contrast.df,
                what,
            )?;
        }
        Origin::Mean => {
            let mean = &found.grand_mean;
            estimate(
                resolved,
                mean.mean,
                mean.standard_error,
                mean.df,
                "mean of this study".to_owned(),
            )?;
        }
        Origin::Resolution => {
            let step = protocol
                .responses
                .iter()
                .find(|r| found.unit == r.unit && found.statistic == r.result.word())
                .and_then(|r| r.resolution.to_f64())
                .unwrap_or(0.0);
            limits(resolved, step / 2.0, Limited::Rectangular);
            "step of the display".clone_into(&mut resolved.origin);
        }
        Origin::Tolerance(factor) => {
            let largest = site
                .into_iter()
                .flat_map(|site| &site.named)
                .filter(|named| named.factor == *factor)
                .filter_map(|named| named.tolerance)
                .max()
                .and_then(|tolerance| tolerance.to_f64())
                .ok_or("the site file gives no tolerance for it")?;
            limits(resolved, largest, Limited::Rectangular);
            let name = protocol.factors[*factor].name.replace('_', " ");
            resolved.origin = format!("calibration tolerance of the {name}, from the site file");
        }
        Origin::Condition(condition) => {
            let name = &protocol.conditions[*condition].name;
            let seen = conditions.iter().find(|c| c.name == *name);
            let (low, mean, high) = seen
                .and_then(|c| Some((c.lowest?, c.mean?, c.highest?)))
                .ok_or("it was not written down")?;
            if low == high {
                return Err("it never changed".to_owned());
            }
            limits(resolved, (high - low) / 2.0, Limited::Rectangular);
            resolved.value = mean;
            resolved.origin = format!("range of {} in this study", name.replace('_', " "));
        }
    }
    Ok(())
}

fn component<'a>(found: &'a ResponseFindings, name: &str) -> Result<&'a Component, String> {
    found
        .components
        .iter()
        .find(|c| c.source == name && c.kind != "levels studied")
        .ok_or_else(|| format!("this study has no spread of {name}"))
}

/// A spread of the study, times a factor.
fn spread(resolved: &mut Resolved<'_>, component: &Component, times: f64, confidence: f64) -> Result<(), String> {
    let deviation = component.standard_deviation.ok_or_else(|| {
        component
            .note
            .clone()
            .unwrap_or_else(|| "this study cannot tell it".to_owned())
    })?;
    resolved.standard = deviation * times;
    resolved.type_a = true;
    resolved.df = match component.high {
        Some(high) if deviation > 0.0 => df_of_interval(high / deviation, (1.0 - confidence) / 2.0),
        _ => 1.0,
    };
    resolved.shape = Shape::Student(resolved.df);
    if deviation == 0.0 {
        resolved.df = f64::INFINITY;
        resolved.note = Some(match component.high {
            Some(high) => format!("not told apart from zero; it may be as large as {:.2}", high * times),
            None => "not told apart from zero".to_owned(),
        });
    }
    Ok(())
}

/// Degrees of freedom ν with √(ν/χ²(tail; ν)) = ratio: those of a standard deviation whose upper limit is so far above it.
fn df_of_interval(ratio: f64, tail: f64) -> f64 {
    let reach = |df: f64| (df / chi2_quantile_lower(tail, df)).sqrt() - ratio;
    let (mut low, mut high) = (0.5, 1e6);
    if !(reach(low) > 0.0) {
        return low;
    }
    if reach(high) > 0.0 {
        return high;
    }
    for _ in 0..200 {
        let middle = (low * high).sqrt();
        if reach(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low * high).sqrt()
}

/// Readings that scatter over several steps hold the rounding already; readings that do not, hide it.
pub(super) fn set_resolution_aside(sources: &mut [Resolved<'_>]) {
    let is = |source: &Resolved<'_>, origin: &Origin| source.declared.given == Given::Found(origin.clone());
    let of = |origin: Origin| sources.iter().position(|source| is(source, &origin));
    let (Some(resolution), Some(readings)) = (of(Origin::Resolution), of(Origin::ReadingSpread)) else {
        return;
    };
    let larger = sources[readings].standard >= sources[resolution].standard;
    let (aside, why) = if larger {
        (
            resolution,
            "set aside: the spread of readings is larger and holds the rounding already",
        )
    } else {
        (
            readings,
            "set aside: the readings scatter less than the display can show, so the resolution counts",
        )
    };
    sources[aside].aside = true;
    sources[aside].note = Some(why.to_owned());
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: a chi-square interval gives its own degrees of freedom back.
    #[test]
    fn an_interval_holds_its_degrees_of_freedom() {
        for df in [1.0, 4.0, 12.5, 150.0] {
            let ratio = (df / chi2_quantile_lower(0.025, df)).sqrt();
            assert!((df_of_interval(ratio, 0.025) - df).abs() < 1e-6 * df);
        }
    }
}
