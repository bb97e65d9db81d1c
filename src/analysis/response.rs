//! The findings of one response.
//!
//! In:  protocol, plan, record, the response.
//! Out: `ResponseFindings`. Where the study cannot be analysed, the results are listed with the reason.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;

use super::carry_over::carry_over;
use super::checks::checks;
use super::comparisons::{contrasts, slopes_within, verdict};
use super::control_drift::Course;
use super::diagnosis::Look;
use super::drift::drift;
use super::estimate::Estimate;
use super::findings::{
    EffectFinding, MeanFinding, Model, RandomizationFinding, Residual, ResponseFindings, RunResult, SlopeFinding,
    StratumFinding,
};
use super::fit::{Engine, Fit};
use super::frame::Frame;
use super::measurement_system::measurement;
use super::precision::precision;
use super::randomization::Redraw;
use super::sources::components;
use super::surface::surface;
use super::trends::trends;
use super::trust;
use super::unreplicated::unreplicated;
use crate::numeric::distribution::f_upper;
use crate::numeric::sum;
use crate::plan::{Part, Plan};
use crate::protocol::{Condition, Effect, FactorId, Protocol, ResponseId, StudyKind};
use crate::record::Record;
use crate::stats::multiplicity::{benjamini_hochberg, holm};

pub(super) fn findings(
    protocol: &Protocol,
    plan: Option<&Plan>,
    record: &Record,
    response: ResponseId,
) -> ResponseFindings {
    let declared = &protocol.responses[response];
    let frame = Frame::gather(protocol, plan, record, response);
    let relevant = declared.relevant.and_then(|r| r.to_f64());
    let results = frame.results();
    let mut found = ResponseFindings {
        unit: declared.unit.clone(),
        runs: frame.rows.len(),
        readings: frame.rows.iter().map(|row| row.readings.len()).sum(),
        missing: frame.missing,
        statistic: declared.result.word().to_owned(),
        confidence: protocol.analysis.confidence,
        relevant,
        model: Model {
            fixed: Vec::new(),
            random: Vec::new(),
            method: "none".to_owned(),
            residual_df: 0,
            log_likelihood: None,
        },
        strata: Vec::new(),
        effects: Vec::new(),
        residual: Residual {
            variance: None,
            standard_deviation: None,
            df: 0,
        },
        grand_mean: MeanFinding {
            levels: BTreeMap::new(),
            n: frame.rows.len(),
            mean: if results.is_empty() {
                0.0
            } else {
                frame.reference + sum::mean(&results)
            },
            standard_error: None,
            df: None,
            low: None,
            high: None,
        },
        means: Vec::new(),
        contrasts: Vec::new(),
        slopes: Vec::new(),
        slopes_within: Vec::new(),
        components: Vec::new(),
        precision: Vec::new(),
        precision_study: None,
        carry_over: Vec::new(),
        trends: Vec::new(),
        controls: Vec::new(),
        drift: None,
        uncertainty: None,
        decision: None,
        agreement: None,
        ruggedness: None,
        measurement_system: measurement(protocol, response, &frame),
        checks: Vec::new(),
        left_out: Vec::new(),
        unreplicated: None,
        surface: None,
        diagnosis: None,
        cannot_tell: Vec::new(),
        results: run_results(protocol, &frame),
    };
    if !frame.short.is_empty() {
        let numbers: Vec<String> = frame.short.iter().map(ToString::to_string).collect();
        found.cannot_tell.push(format!(
            "Some readings are missing in run {}; its result takes those that are there, with the same weight as the others.",
            numbers.join(", ")
        ));
    }
    if !frame.unmeasured.is_empty() {
        let numbers: Vec<String> = frame.unmeasured.iter().map(ToString::to_string).collect();
        found.cannot_tell.push(format!(
            "Run {} is left out: a covariate of the model was not measured there.",
            numbers.join(", ")
        ));
    }
    if let Some((study, levels)) = precision(protocol, response, &frame) {
        found.precision_study = Some(study);
        found.precision = levels;
    }
    let fit = match Fit::new(protocol, &frame, &declared.name) {
        Ok(fit) => fit,
        Err(why) => {
            found.cannot_tell.push(why);
            found.means = raw_means(protocol, &frame);
            return found;
        }
    };
    // Without factors a mixed model would only look for the components a second time, by a slow search.
    let measured = found.measurement_system.is_some() && protocol.study.kind == StudyKind::MeasurementSystem;
    if measured && protocol.factors.is_empty() && fit.balanced().is_none() {
        "components of the measurement system".clone_into(&mut found.model.method);
        return found;
    }
    fill(&mut found, protocol, plan, &frame, &fit);
    found.components = components(protocol, declared, &frame, &fit);
    found.carry_over = carry_over(protocol, declared, &frame, &fit, &found.contrasts, &found.slopes);
    found.trends = trends(protocol, &fit);
    if let Some(plan) = plan {
        let course = Course {
            protocol,
            plan,
            record,
            response,
            frame: &frame,
            confidence: fit.confidence,
        };
        found.controls = course.controls(&found.contrasts, &found.slopes);
    }
    found.drift = drift(protocol, &frame, &fit, &found.contrasts, &found.slopes);
    let look = Look {
        protocol,
        plan,
        record,
        response,
        frame: &frame,
        fit: &fit,
        contrasts: &found.contrasts,
    };
    let (diagnosis, ready) = look.diagnosis();
    found.checks = checks(declared, &frame, &fit, &diagnosis, &ready, found.drift.as_ref());
    found.cannot_tell.extend(trust::set_once(&diagnosis));
    found.surface = surface(protocol, &frame, &fit);
    found.diagnosis = Some(diagnosis);
    found.unreplicated = unreplicated(protocol, &frame, &fit);
    found.left_out.clone_from(&fit.left_out);
    found.cannot_tell.extend(untold(&fit));
    found
}

fn fill(found: &mut ResponseFindings, protocol: &Protocol, plan: Option<&Plan>, frame: &Frame, fit: &Fit) {
    let finest = fit.partitions.len() - 1;
    let unit_name = |stratum: usize| fit.structure.name(stratum, protocol);
    let mixed = match &fit.engine {
        Engine::Balanced(_) => None,
        Engine::Mixed(mixed) => Some(mixed),
    };
    found.model = Model {
        fixed: fit
            .terms
            .iter()
            .map(|term| term.name.clone())
            .chain(covariates(protocol).map(|condition| condition.name.clone()))
            .collect(),
        random: (0..=finest)
            .map(unit_name)
            .chain(mixed.iter().flat_map(|m| m.drawn.iter().map(|d| d.name.clone())))
            .collect(),
        method: match mixed {
            Some(mixed) => mixed.method(),
            None if finest == 0 => "least squares".to_owned(),
            None => "analysis of variance in strata".to_owned(),
        },
        residual_df: 0,
        log_likelihood: mixed.map(|mixed| mixed.log_likelihood()),
    };
    if let Some(balanced) = fit.balanced() {
        let strata = &balanced.strata.strata;
        found.model.residual_df = strata[finest].residual_df;
        found.residual.df = strata[finest].residual_df;
        found.strata = (0..=finest)
            .map(|stratum| StratumFinding {
                unit: unit_name(stratum),
                df: strata[stratum].df,
                effects: (0..fit.terms.len())
                    .filter(|&term| balanced.strata.terms[term].stratum == stratum)
                    .map(|term| fit.terms[term].name.clone())
                    .collect(),
                residual_df: strata[stratum].residual_df,
                sum_of_squares: strata[stratum].residual_sum_of_squares,
                mean_square: strata[stratum].mean_square(),
            })
            .collect();
    }
    found.effects = effects(protocol, fit);
    let redraw = Redraw::new(protocol, plan, frame, fit);
    for (term, effect) in fit.terms.iter().zip(&mut found.effects) {
        if !effect.planned || term.part != Part::Whole {
            continue;
        }
        if let Some(test) = redraw.as_ref().and_then(|redraw| redraw.effect(&term.effect)) {
            effect.p_randomization = Some(test.p);
            effect.randomization = Some(RandomizationFinding {
                arrangements: test.arrangements,
                exact: test.exact,
                low: test.low,
                high: test.high,
                smallest: test.smallest,
            });
        }
    }
    found.cannot_tell.extend(without_error(&found.effects));
    let left = match mixed {
        Some(mixed) => mixed
            .component(finest, finest, fit.confidence)
            .map(|residual| residual.value),
        None => fit.error(finest).map(|(mean_square, _)| mean_square),
    };
    found.residual.variance = left;
    found.residual.standard_deviation = left.map(f64::sqrt);
    let count = |at: &[(FactorId, usize)]| {
        frame
            .rows
            .iter()
            .filter(|row| at.iter().all(|&(factor, level)| row.levels[factor] == level))
            .count()
    };
    let mean = |at: &[(FactorId, usize)]| mean_finding(protocol, frame, at, count(at), fit.mean(protocol, at));
    found.grand_mean = mean(&[]);
    for effect in protocol.model_effects().iter().filter(|e| e.len() <= 2 && fit.holds(e)) {
        found.means.extend(settings(protocol, effect).iter().map(|at| mean(at)));
    }
    for (factor, declared) in protocol.factors.iter().enumerate() {
        let effect = vec![factor];
        if declared.random {
            continue;
        }
        if declared.is_numeric() {
            let planned = protocol.analysis.planned.contains(&effect);
            let redraw = redraw.as_ref().filter(|_| planned);
            found.slopes.extend(fit.slope(&effect).map(|slope| SlopeFinding {
                randomization: redraw.and_then(|redraw| redraw.slope(factor)),
                ..slope_finding(protocol, fit, factor, &slope, found.relevant)
            }));
        }
    }
    if let Some(mixed) = mixed {
        for (place, condition) in covariates(protocol).enumerate() {
            let slope = mixed.covariate(fit.terms.len() + place, fit.confidence);
            found.slopes.push(covariate_finding(condition, frame, place, &slope));
        }
    }
    found.contrasts = contrasts(protocol, fit, redraw.as_ref(), found.relevant);
    let within = slopes_within(protocol, fit, found.relevant);
    found.slopes_within = within.into_iter().map(|(slope, _)| slope).collect();
    for ((result, row), fitted) in found.results.iter_mut().zip(&frame.rows).zip(fit.fitted()) {
        result.fitted = Some(frame.reference + fitted);
        result.residual = Some(row.result - fitted);
    }
}

/// The effects without an error term, in a sentence for each unit they would be judged against.
fn without_error(effects: &[EffectFinding]) -> Vec<String> {
    let mut units: Vec<&str> = Vec::new();
    let without = || effects.iter().filter(|effect| effect.denominator_df.is_none());
    for effect in without() {
        if !units.contains(&effect.judged_against.as_str()) {
            units.push(&effect.judged_against);
        }
    }
    units
        .into_iter()
        .map(|unit| {
            let terms: Vec<&str> = without()
                .filter(|effect| effect.judged_against == unit)
                .map(|effect| effect.term.as_str())
                .collect();
            let (have, them, they) = match terms.len() {
                1 => ("has", "it", "it has"),
                _ => ("have", "them", "they have"),
            };
            format!(
                "{} {have} no error term: nothing is left of the spread of {unit} to judge {them} by, so {they} no interval and no p-value.",
                terms.join(", ")
            )
        })
        .collect()
}

/// What the runs mix, for people.
fn untold(fit: &Fit) -> Vec<String> {
    let mut said = Vec::new();
    for effect in fit.left_out.iter().filter(|effect| effect.planned) {
        said.push(format!(
            "{} was planned, but these runs cannot tell it from {}: it stands in that estimate and has none of its own.",
            effect.term,
            effect.stands_in.join(", ")
        ));
    }
    let others: Vec<&str> = fit
        .left_out
        .iter()
        .filter(|e| !e.planned)
        .map(|e| e.term.as_str())
        .collect();
    if !others.is_empty() {
        said.push(format!(
            "Not in the model, because these runs cannot tell it from the effects that are given: {}.",
            others.join(", ")
        ));
    }
    said
}

pub(super) fn effects(protocol: &Protocol, fit: &Fit) -> Vec<EffectFinding> {
    let mut effects: Vec<EffectFinding> = (0..fit.terms.len()).map(|index| effect(protocol, fit, index)).collect();
    // Two families: what was planned must hold as a whole, what was not is a list of hints.
    for (planned, correct) in [(true, holm as fn(&[f64]) -> Vec<f64>), (false, benjamini_hochberg)] {
        let family: Vec<usize> = (0..effects.len())
            .filter(|&e| effects[e].planned == planned && effects[e].p.is_some())
            .collect();
        let adjusted = correct(&family.iter().filter_map(|&e| effects[e].p).collect::<Vec<f64>>());
        for (&effect, p) in family.iter().zip(adjusted) {
            effects[effect].p_adjusted = Some(p);
        }
    }
    effects
}

fn effect(protocol: &Protocol, fit: &Fit, index: usize) -> EffectFinding {
    let term = &fit.terms[index];
    let mut found = EffectFinding {
        term: term.name.clone(),
        factors: term.effect.iter().map(|&f| protocol.factors[f].name.clone()).collect(),
        df: term.df,
        denominator_df: None,
        judged_against: String::new(),
        sum_of_squares: None,
        mean_square: None,
        f: None,
        p: None,
        p_adjusted: None,
        p_randomization: None,
        randomization: None,
        planned: protocol.analysis.planned.contains(&term.effect),
        note: None,
        aliases: fit.aliases[index].clone(),
    };
    match &fit.engine {
        Engine::Balanced(balanced) => {
            let fitted = &balanced.strata.terms[index];
            let mean_square = fitted.sum_of_squares / fitted.df as f64;
            let error = fit.error(fitted.stratum).filter(|(ms, _)| *ms > 0.0);
            found.judged_against = fit.structure.name(fitted.stratum, protocol);
            found.sum_of_squares = Some(fitted.sum_of_squares);
            found.mean_square = Some(mean_square);
            found.denominator_df = error.map(|(_, df)| df);
            found.f = error.map(|(ms, _)| mean_square / ms);
            found.p = found.f.zip(error).map(|(f, (_, df))| f_upper(f, fitted.df as f64, df));
        }
        Engine::Mixed(mixed) => {
            // The stratum in which it was set; what it is judged against is mixed from several where runs are missing.
            let units: Vec<usize> = term.effect.iter().map(|&f| protocol.factors[f].set_on).collect();
            let stratum = fit.structure.stratum_of(&units).unwrap_or(fit.partitions.len() - 1);
            let with_drawn = mixed.drawn.iter().find(|d| {
                d.untold.is_none()
                    && term.effect.iter().all(|f| d.factors.contains(f))
                    && d.factors
                        .iter()
                        .all(|f| term.effect.contains(f) || protocol.factors[*f].random)
            });
            found.judged_against = with_drawn.map_or_else(|| fit.structure.name(stratum, protocol), |d| d.name.clone());
            if let Some(test) = mixed.test(index, term.df) {
                found.denominator_df = Some(test.denominator_df);
                found.f = Some(test.f);
                found.p = Some(test.p);
            }
        }
    }
    if found.denominator_df.is_none() {
        found.note = Some("no error term".to_owned());
    }
    found
}

/// Every combination of levels of an effect's factors.
fn settings(protocol: &Protocol, effect: &Effect) -> Vec<Vec<(FactorId, usize)>> {
    effect.iter().fold(vec![Vec::new()], |settings, &factor| {
        settings
            .into_iter()
            .flat_map(|setting| {
                (0..protocol.factors[factor].corner_levels()).map(move |level| {
                    let mut longer = setting.clone();
                    longer.push((factor, level));
                    longer
                })
            })
            .collect()
    })
}

pub(super) fn level_names(protocol: &Protocol, at: &[(FactorId, usize)]) -> BTreeMap<String, String> {
    at.iter()
        .map(|&(factor, level)| {
            (
                protocol.factors[factor].name.clone(),
                protocol.factors[factor].level(level),
            )
        })
        .collect()
}

fn mean_finding(protocol: &Protocol, frame: &Frame, at: &[(FactorId, usize)], n: usize, mean: Estimate) -> MeanFinding {
    MeanFinding {
        levels: level_names(protocol, at),
        n,
        mean: frame.reference + mean.value,
        standard_error: mean.standard_error,
        df: mean.df,
        low: mean.low.map(|low| frame.reference + low),
        high: mean.high.map(|high| frame.reference + high),
    }
}

/// Plain averages without a standard error, for a study that cannot be analysed.
fn raw_means(protocol: &Protocol, frame: &Frame) -> Vec<MeanFinding> {
    (0..protocol.factors.len())
        .flat_map(|factor| settings(protocol, &vec![factor]))
        .filter_map(|at| {
            let results: Vec<f64> = frame
                .rows
                .iter()
                .filter(|row| at.iter().all(|&(factor, level)| row.levels[factor] == level))
                .map(|row| row.result)
                .collect();
            let value = sum::mean(&results);
            (!results.is_empty()).then(|| {
                mean_finding(
                    protocol,
                    frame,
                    &at,
                    results.len(),
                    Estimate {
                        value,
                        ..Estimate::default()
                    },
                )
            })
        })
        .collect()
}

fn slope_finding(
    protocol: &Protocol,
    fit: &Fit,
    factor: FactorId,
    slope: &Estimate,
    relevant: Option<f64>,
) -> SlopeFinding {
    let declared = &protocol.factors[factor];
    let ends = declared.span().unwrap_or((f64::NAN, f64::NAN));
    SlopeFinding {
        factor: declared.name.clone(),
        unit: declared.unit.clone(),
        per_unit: slope.value,
        standard_error: slope.standard_error,
        df: slope.df,
        low: slope.low,
        high: slope.high,
        p: slope.p,
        span: ends,
        planned: protocol.analysis.planned.contains(&vec![factor]),
        covariate: false,
        aliases: fit.aliases_of(&vec![factor]),
        verdict: relevant
            .zip(slope.low.zip(slope.high))
            .map(|(size, (low, high))| verdict(low * (ends.1 - ends.0), high * (ends.1 - ends.0), size)),
        randomization: None,
    }
}

/// The conditions whose straight-line effect the model takes out.
fn covariates(protocol: &Protocol) -> impl Iterator<Item = &Condition> {
    protocol
        .analysis
        .model
        .covariates
        .iter()
        .map(|&condition| &protocol.conditions[condition])
}

fn covariate_finding(condition: &Condition, frame: &Frame, place: usize, slope: &Estimate) -> SlopeFinding {
    let mean = frame.covariate_means[place];
    let values = || frame.rows.iter().map(|row| mean + row.covariates[place]);
    SlopeFinding {
        factor: condition.name.clone(),
        unit: condition.unit.clone(),
        per_unit: slope.value,
        standard_error: slope.standard_error,
        df: slope.df,
        low: slope.low,
        high: slope.high,
        p: slope.p,
        span: (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        ),
        planned: false,
        covariate: true,
        aliases: Vec::new(),
        verdict: None,
        randomization: None,
    }
}

fn run_results(protocol: &Protocol, frame: &Frame) -> Vec<RunResult> {
    let run_unit = protocol.run_unit();
    frame
        .rows
        .iter()
        .enumerate()
        .map(|(place, row)| RunResult {
            run: row.run,
            position: place + 1,
            units: protocol.units[..run_unit]
                .iter()
                .zip(&row.labels)
                .map(|(unit, label)| (unit.name.clone(), label.clone()))
                .collect(),
            levels: protocol
                .factors
                .iter()
                .zip(&row.levels)
                .map(|(factor, &level)| (factor.name.clone(), factor.level(level)))
                .collect(),
            readings: row.readings.iter().map(|reading| frame.reference + reading).collect(),
            result: frame.reference + row.result,
            fitted: None,
            residual: None,
        })
        .collect()
}
