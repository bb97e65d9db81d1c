//! Differences between levels: which are taken, and how they are judged together.
//!
//! In:  protocol and fit. Out: `ContrastFinding`s, and the slopes of numeric factors at levels of others.
//!
//! The differences of one factor are one family: all pairs, or all levels against the one that the protocol names. The
//! same differences taken at each level of another factor are a family of their own.

use super::estimate::Estimate;
use super::findings::{ContrastFinding, SlopeWithinFinding, TogetherFinding, Verdict};
use super::fit::Fit;
use super::randomization::Redraw;
use super::response::level_names;
use crate::protocol::{Comparisons, Effect, FactorId, Protocol};
use crate::stats::comparisons::{Difference, Family, Judge, loadings};

/// Most differences listed for one factor; beyond, a table of differences helps nobody.
const MOST_DIFFERENCES: usize = 66;
/// Correlations that are no products by more than this are said to be approximate.
const MISFIT: f64 = 1e-6;

/// The differences of every category factor, over all settings, then at each level of the other factor of a planned pair.
pub(super) fn contrasts(
    protocol: &Protocol,
    fit: &Fit,
    redraw: Option<&Redraw>,
    relevant: Option<f64>,
) -> Vec<ContrastFinding> {
    let mut found = some_contrasts(protocol, fit, relevant, &|_| true);
    for factor in 0..protocol.factors.len() {
        let mut own = found
            .iter_mut()
            .filter(|c| c.factor == protocol.factors[factor].name && c.within.is_empty());
        if let Some(redraw) = redraw.filter(|_| protocol.analysis.planned.contains(&vec![factor])) {
            for (contrast, (from, to)) in own.by_ref().zip(pairs(protocol, factor)) {
                contrast.randomization = redraw.difference(factor, from, to);
            }
        }
    }
    found
}

/// Those differences whose name, as [`about`] gives it, is wanted; without intervals by randomization. What a simultaneous
/// interval needs takes its time where each difference has degrees of freedom of its own.
pub(super) fn some_contrasts(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
    wanted: &dyn Fn(&str) -> bool,
) -> Vec<ContrastFinding> {
    let mut found = Vec::new();
    for factor in 0..protocol.factors.len() {
        if !protocol.factors[factor].random {
            let one = [Vec::new()];
            found.extend(family(protocol, fit, factor, &vec![factor], &one, relevant, wanted));
        }
    }
    let pairs_planned = protocol
        .analysis
        .planned
        .iter()
        .filter(|e| e.len() == 2 && fit.holds(e));
    for effect in pairs_planned {
        for (factor, other) in [(effect[0], effect[1]), (effect[1], effect[0])] {
            let settings: Vec<Vec<(FactorId, usize)>> = (0..protocol.factors[other].corner_levels())
                .map(|level| vec![(other, level)])
                .collect();
            found.extend(family(protocol, fit, factor, effect, &settings, relevant, wanted));
        }
    }
    found
}

/// The slopes of the numeric factors of planned pairs at each level of the other factor, with the column values of every term.
pub(super) fn slopes_within(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
) -> Vec<(SlopeWithinFinding, Vec<Vec<f64>>)> {
    let mut found = Vec::new();
    let planned = protocol.analysis.planned.iter();
    for effect in planned.filter(|e| e.len() == 2 && fit.holds(e)) {
        for (factor, other) in [(effect[0], effect[1]), (effect[1], effect[0])] {
            let declared = &protocol.factors[factor];
            let Some(span) = declared
                .span()
                .filter(|_| !declared.random && !protocol.factors[other].random)
            else {
                continue;
            };
            let settings = protocol.factors[other].corner_levels();
            if settings > MOST_DIFFERENCES {
                continue;
            }
            let together = protocol.analysis.comparisons == Comparisons::Together && settings > 1;
            let mut judge = Judge::new(Family::AllPairs(2), settings, fit.confidence);
            for level in 0..settings {
                let at = [(other, level)];
                let values = fit.slope_values(protocol, factor, &at);
                let estimate = fit.estimate(0.0, &values);
                let judged = estimate.standard_error.zip(estimate.df).filter(|_| together);
                let judged = judged.map(|(standard_error, df)| {
                    judge.judge(&Difference {
                        value: estimate.value,
                        standard_error,
                        df,
                    })
                });
                let mut slope = SlopeWithinFinding {
                    factor: declared.name.clone(),
                    unit: declared.unit.clone(),
                    within: level_names(protocol, &at),
                    per_unit: estimate.value,
                    standard_error: estimate.standard_error,
                    df: estimate.df,
                    low: estimate.low,
                    high: estimate.high,
                    p: estimate.p,
                    p_adjusted: judged.map(|j| j.p),
                    together: judged.map(|j| TogetherFinding {
                        method: format!("{settings} settings (Bonferroni)"),
                        comparisons: settings,
                        low: j.low,
                        high: j.high,
                    }),
                    span,
                    planned: true,
                    aliases: fit.aliases_of(effect),
                    verdict: None,
                };
                let (low, high) = slope.interval();
                let length = span.1 - span.0;
                slope.verdict = relevant
                    .zip(low.zip(high))
                    .map(|(size, (low, high))| verdict(low * length, high * length, size));
                found.push((slope, values));
            }
        }
    }
    found
}

/// What a difference is about: `instrument B against A`, `finish waxed against turned at temperature 21 °C`.
pub(super) fn about(contrast: &ContrastFinding) -> String {
    let named: Vec<String> = contrast
        .within
        .iter()
        .map(|(factor, level)| format!("{factor} {level}"))
        .collect();
    let at = if named.is_empty() {
        String::new()
    } else {
        format!(" at {}", named.join(", "))
    };
    format!("{} {} against {}{at}", contrast.factor, contrast.to, contrast.from)
}

/// The pairs of levels compared, (from, to).
fn pairs(protocol: &Protocol, factor: FactorId) -> Vec<(usize, usize)> {
    let declared = &protocol.factors[factor];
    let levels = declared.levels.len();
    match declared.compare_with {
        Some(one) => (0..levels).filter(|&to| to != one).map(|to| (one, to)).collect(),
        None => (1..levels).flat_map(|to| (0..to).map(move |from| (from, to))).collect(),
    }
}

/// The pairs of levels whose differences are listed; none for a factor with so many levels that no table helps.
pub(super) fn listed_pairs(protocol: &Protocol, factor: FactorId) -> Vec<(usize, usize)> {
    if let Some(ends) = protocol.factors[factor].ends() {
        return vec![ends];
    }
    let pairs = pairs(protocol, factor);
    if pairs.len() > MOST_DIFFERENCES {
        Vec::new()
    } else {
        pairs
    }
}

/// One family: the differences of a factor at each of some settings of others.
fn family(
    protocol: &Protocol,
    fit: &Fit,
    factor: FactorId,
    effect: &Effect,
    settings: &[Vec<(FactorId, usize)>],
    relevant: Option<f64>,
    wanted: &dyn Fn(&str) -> bool,
) -> Vec<ContrastFinding> {
    let declared = &protocol.factors[factor];
    let pairs = pairs(protocol, factor);
    if declared.is_numeric() || pairs.len() > MOST_DIFFERENCES {
        return Vec::new();
    }
    let mut found = Vec::new();
    let mut judge: Option<Judge> = None;
    for within in settings {
        let at = |level: usize| -> Vec<(FactorId, usize)> { [within.as_slice(), &[(factor, level)]].concat() };
        let difference = |from: usize, to: usize| fit.difference(protocol, &at(to), &at(from));
        let estimates: Vec<Estimate> = pairs.iter().map(|&(from, to)| difference(from, to)).collect();
        let mut own: Vec<ContrastFinding> = pairs
            .iter()
            .zip(&estimates)
            .map(|(&(from, to), estimate)| ContrastFinding {
                factor: declared.name.clone(),
                from: declared.level(from),
                to: declared.level(to),
                within: level_names(protocol, within),
                difference: estimate.value,
                standard_error: estimate.standard_error,
                df: estimate.df,
                low: estimate.low,
                high: estimate.high,
                p: estimate.p,
                p_adjusted: None,
                together: None,
                aliases: fit.aliases_of(effect),
                planned: protocol.analysis.planned.contains(effect),
                verdict: None,
                randomization: None,
            })
            .collect();
        let asked: Vec<bool> = own.iter().map(|contrast| wanted(&about(contrast))).collect();
        if !asked.contains(&true) {
            continue;
        }
        if protocol.analysis.comparisons == Comparisons::Together {
            let family = common(protocol, factor, &difference, &estimates);
            if let Some((family, approximate)) = family {
                if judge.as_ref().is_none_or(|judge| *judge.family() != family) {
                    judge = Some(Judge::new(family, settings.len(), fit.confidence));
                }
                if let Some(judge) = &mut judge {
                    judge_together(judge, approximate, settings.len(), (&estimates, &asked), &mut own);
                }
            }
        }
        for contrast in &mut own {
            let interval = contrast.interval();
            contrast.verdict = relevant
                .zip(interval.0.zip(interval.1))
                .map(|(size, (low, high))| verdict(low, high, size));
        }
        found.extend(
            own.into_iter()
                .zip(asked)
                .filter(|(_, asked)| *asked)
                .map(|(own, _)| own),
        );
    }
    found
}

/// What the differences of a factor have in common, and whether that is approximate; `None` where a standard error is
/// missing.
fn common(
    protocol: &Protocol,
    factor: FactorId,
    difference: &dyn Fn(usize, usize) -> Estimate,
    estimates: &[Estimate],
) -> Option<(Family, bool)> {
    let declared = &protocol.factors[factor];
    let errors: Vec<f64> = estimates.iter().map(|e| e.standard_error).collect::<Option<_>>()?;
    Some(match declared.compare_with {
        None => (Family::AllPairs(declared.levels.len()), false),
        Some(one) => {
            let others: Vec<usize> = (0..declared.levels.len()).filter(|&level| level != one).collect();
            let between = |i: usize, j: usize| difference(others[i], others[j]).standard_error.unwrap_or(f64::NAN);
            let (loadings, worst) = loadings(&errors, between);
            (Family::AgainstOne(loadings), !(worst <= MISFIT))
        }
    })
}

/// Adds simultaneous intervals and the p-values that belong to them.
fn judge_together(
    judge: &mut Judge,
    approximate: bool,
    settings: usize,
    (estimates, asked): (&[Estimate], &[bool]),
    found: &mut [ContrastFinding],
) {
    let mut parts: Vec<String> = Vec::new();
    if found.len() > 1 {
        parts.push(match judge.family() {
            Family::AllPairs(_) => "all pairs (Tukey)".to_owned(),
            Family::AgainstOne(_) if approximate => "all against one (Dunnett, correlations approximate)".to_owned(),
            Family::AgainstOne(_) => "all against one (Dunnett)".to_owned(),
        });
    }
    if settings > 1 {
        parts.push(format!("{settings} settings (Bonferroni)"));
    }
    let comparisons = found.len() * settings;
    for ((contrast, estimate), _) in found.iter_mut().zip(estimates).zip(asked).filter(|(_, asked)| **asked) {
        let (Some(standard_error), Some(df)) = (estimate.standard_error, estimate.df) else {
            continue;
        };
        let judged = judge.judge(&Difference {
            value: estimate.value,
            standard_error,
            df,
        });
        if !judged.p.is_finite() {
            continue;
        }
        contrast.p_adjusted = Some(judged.p);
        if !parts.is_empty() {
            contrast.together = Some(TogetherFinding {
                method: parts.join(", "),
                comparisons,
                low: judged.low,
                high: judged.high,
            });
        }
    }
}

/// What an interval says about the smallest difference that matters.
pub(super) fn verdict(low: f64, high: f64, size: f64) -> Verdict {
    if low >= size || high <= -size {
        Verdict::Matters
    } else if low > -size && high < size {
        Verdict::DoesNotMatter
    } else {
        Verdict::Undecided
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: the interval decides, not the estimate.
    #[test]
    fn the_interval_gives_the_verdict() {
        assert_eq!(verdict(0.6, 1.9, 0.5), Verdict::Matters);
        assert_eq!(verdict(-1.9, -0.5, 0.5), Verdict::Matters);
        assert_eq!(verdict(-0.4, 0.4, 0.5), Verdict::DoesNotMatter);
        assert_eq!(verdict(0.2, 0.9, 0.5), Verdict::Undecided);
        assert_eq!(verdict(-0.9, 0.9, 0.5), Verdict::Undecided);
    }
}
