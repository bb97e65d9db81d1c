//! What a study will be able to find, as a figure.
//!
//! In:  `Power` of the analysis.
//! Out: one figure a response; the answer is its title. Effects whose curves coincide share one.
//! Never here: probabilities.

use super::number::{Place, significant};
use crate::analysis::{EffectPower, Power, ResponsePower, percent};
use crate::chart::{Figure, Head, PowerChart, PowerCurve};

/// Most curves of a figure.
const CURVES: usize = 6;

/// A size as printed: three significant digits, no zeros at the end.
#[must_use]
pub fn size(value: f64) -> String {
    let text = significant(value, 3);
    if Place::of_digits(value, 3).0 > 0 && text.contains('.') && !text.contains('×') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// One power curve figure for each response that has a curve; named `power-RESPONSE`.
#[must_use]
pub fn power_figures(power: &Power) -> Vec<Figure> {
    power
        .responses
        .iter()
        .filter_map(|response| figure(power, response))
        .collect()
}

fn figure(power: &Power, response: &ResponsePower) -> Option<Figure> {
    // Planned effects are what the study is for; without any, all are shown.
    let with_curve = |planned: bool| -> Vec<&EffectPower> {
        let all = response.effects.iter().filter(|e| !e.curve.is_empty());
        all.filter(|e| e.planned || !planned).collect()
    };
    let mut effects = with_curve(true);
    if effects.is_empty() {
        effects = with_curve(false);
    }
    let mut groups: Vec<Vec<&EffectPower>> = Vec::new();
    for effect in effects {
        let same = |other: &EffectPower| {
            other.df == effect.df && other.error_df == effect.error_df && close(other.detectable, effect.detectable)
        };
        match groups.iter_mut().find(|group| group.iter().any(|other| same(other))) {
            Some(group) => group.push(effect),
            None => groups.push(vec![effect]),
        }
    }
    // The weakest first: they decide.
    groups.sort_by(|a, b| reach(b).total_cmp(&reach(a)));
    groups.truncate(CURVES);
    let first = groups.first()?;
    let unit = &response.unit;
    let relevant = groups.iter().flatten().find_map(|effect| effect.relevant);
    let one_size = groups.iter().flatten().all(|effect| effect.relevant == relevant);
    let names = |group: &Vec<&EffectPower>| group.iter().map(|e| e.term.as_str()).collect::<Vec<&str>>().join(", ");
    let weakest = first.first()?;
    let title = match (weakest.relevant, weakest.power) {
        (Some(relevant), Some(found)) if found < power.target => format!(
            "{} {unit} in {} would be found with {} power: too little",
            size(relevant),
            names(first),
            percent(found)
        ),
        (Some(relevant), Some(_)) if one_size => format!(
            "Every effect shown would be found at {} {unit} with {} power or more",
            size(relevant),
            percent(power.target)
        ),
        _ => format!(
            "{} must reach {} {unit} to be found with {} power",
            names(first),
            weakest.detectable.map_or_else(|| "–".to_owned(), size),
            percent(power.target)
        ),
    };
    // Each curve ends where the longest one does not need more room.
    let end = groups
        .iter()
        .filter_map(|group| group.first()?.curve.last())
        .map(|point| point[0])
        .fold(0.0, f64::max);
    let curves: Vec<PowerCurve> = groups
        .iter()
        .map(|group| {
            let mut points: Vec<(f64, f64)> = group[0].curve.iter().map(|p| (p[0], p[1])).collect();
            // A steep curve is at 100 % long before the end of the axis.
            if points.last().is_some_and(|last| last.0 < end && last.1 > 0.999) {
                points.push((end, 1.0));
            }
            PowerCurve {
                label: format!(
                    "{}: found with {} power at {} {unit}",
                    names(group),
                    percent(power.target),
                    group[0].detectable.map_or_else(|| "–".to_owned(), size)
                ),
                points,
            }
        })
        .collect();
    let described: Vec<String> = curves.iter().map(|curve| curve.label.clone()).collect();
    let head = Head {
        name: format!("power-{}", response.response),
        title,
        description: format!(
            "Curves of power along the true size of an effect on {} in {unit}. {}.",
            response.response,
            described.join(". ")
        ),
    };
    let chart = PowerChart {
        across: format!(
            "True size of the effect on {}, in {unit}: last level minus first, of an interaction the difference of differences",
            response.response
        ),
        curves,
        target: (power.target, format!("{} power", percent(power.target))),
        relevant: relevant
            .filter(|_| one_size)
            .map(|relevant| (relevant, format!("relevant: {} {unit}", size(relevant)))),
    };
    Some(chart.draw(&head))
}

fn reach(group: &[&EffectPower]) -> f64 {
    group
        .first()
        .and_then(|effect| effect.detectable)
        .unwrap_or(f64::INFINITY)
}

fn close(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()),
        (a, b) => a == b,
    }
}
