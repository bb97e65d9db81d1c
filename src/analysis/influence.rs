//! Does the answer hang on a single run or specimen?
//!
//! In:  protocol, frame, fit.
//! Out: how far each run and set-up lies from what the others say, how much it moves the effects, and which conclusions would
//!      change without it.
//!
//! Closed forms look at every run and set-up (`stats::deletion`); those that would change a conclusion, or nearly, are left out
//! in truth and the study is analysed again, since the closed form holds the ratios of the variances. Nothing is left out of
//! the findings.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fit::{Engine, Fit};
use super::frame::Frame;
use super::headline::{Basis, Conclusion, Headline, HeadlineFinding, some_headlines};
use super::mixed_model::{MixedModel, Request};
use crate::numeric::Matrix;
use crate::numeric::distribution::{f_upper, t_quantile_upper, t_upper};
use crate::protocol::{Protocol, Weights};
use crate::stats::deletion::{Deleted, Deletion};

/// Most runs looked at, alone in their stratum and with set-ups above them.
const MOST_RUNS: (usize, usize) = (1000, 400);
/// Most set-ups of a kind looked at.
const MOST_SET_UPS: usize = 200;
/// Most analyses made again.
const MOST_AGAIN: usize = 12;
/// Most runs and set-ups left out one by one where there are no closed forms.
const MOST_REFITS: usize = 60;
/// By how much the reach of an interval may turn out otherwise than by the closed form: where ratios of variances are
/// estimated, and where there are none but a family of intervals takes its quantile from fewer degrees of freedom.
const DOUBT: (f64, f64) = (0.1, 0.02);

/// How much single runs and set-ups decide.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InfluenceFinding {
    /// Every run, in the order of the results; none in a model of single readings or with weights.
    pub runs: Vec<InfluenceOfRun>,
    /// Every set-up of the units above the run; none likewise.
    pub set_ups: Vec<InfluenceOfSetUp>,
    /// Conclusions that would change.
    pub changes: Vec<ChangeFinding>,
    /// True if every run and set-up without which a conclusion may change was left out in an analysis of its own; false if there
    /// were too many.
    pub complete: bool,
}

/// How one run stands among the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InfluenceOfRun {
    /// Number of the run.
    pub run: usize,
    /// Part of its own result that its fitted value takes over, 0 to 1.
    pub leverage: f64,
    /// How far its result lies from what the other runs say, in the unit of the response; null if they say nothing about it.
    pub shift: Option<f64>,
    /// That over its standard error.
    pub t: Option<f64>,
    /// Cook's distance: how far the fitted effects move without it.
    pub distance: Option<f64>,
}

/// How one set-up stands among the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InfluenceOfSetUp {
    /// The unit, or units joined by ` × `.
    pub unit: String,
    /// Its label.
    pub label: String,
    /// Its runs.
    pub runs: Vec<usize>,
    /// Cook's distance; null if the other runs do not tell all effects apart.
    pub distance: Option<f64>,
}

/// A conclusion that would change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChangeFinding {
    /// What was left out: `run 12`, `roller 3`.
    pub without: String,
    /// The runs left out.
    pub runs: Vec<usize>,
    /// What the conclusion is about: `instrument B against A`.
    pub about: String,
    /// True if it is planned.
    pub planned: bool,
    /// With all runs.
    pub with_all: HeadlineFinding,
    /// Without.
    pub without_it: HeadlineFinding,
}

/// The model ready for deletions; the sentence that says why not.
pub(super) fn deletion(protocol: &Protocol, frame: &Frame, fit: &Fit) -> Result<Deletion, &'static str> {
    let n = frame.rows.len();
    let alone = fit.partitions.len() == 1;
    if n > if alone { MOST_RUNS.0 } else { MOST_RUNS.1 } {
        return Err("There are too many runs to look at each of them.");
    }
    let results = frame.results();
    let none = "Single runs are not looked at in a model of single readings or with weights.";
    if protocol.analysis.model.weights == Weights::Readings {
        return Err(none);
    }
    let (x, groupings) = match &fit.engine {
        Engine::Mixed(mixed) => (mixed.design().clone(), mixed.groupings(&fit.partitions).ok_or(none)?),
        Engine::Balanced(_) => {
            let mut columns = vec![vec![1.0; n]];
            columns.extend(fit.columns.iter().flat_map(|term| term.columns.iter().cloned()));
            let groupings = if alone {
                Vec::new()
            } else {
                let request = Request {
                    results: &results,
                    readings: None,
                    partitions: &fit.partitions,
                    terms: &fit.columns,
                    drawn: Vec::new(),
                    weights: None,
                    plan: &protocol.analysis.model,
                    stream: String::new(),
                };
                MixedModel::new(request)
                    .ok()
                    .and_then(|mixed| mixed.groupings(&fit.partitions))
                    .ok_or("The results do not vary enough to look at single runs.")?
            };
            (Matrix::from_columns(&columns), groupings)
        }
    };
    Deletion::new(&results, &x, &groupings)
        .filter(|deletion| deletion.df() > 1 && deletion.variance() > 0.0)
        .ok_or("Too few degrees of freedom are left to look at single runs.")
}

/// A part of the study that may be left out.
struct Candidate {
    name: String,
    rows: Vec<usize>,
    /// The conclusions that would change by the closed form, or nearly.
    about: Vec<String>,
    /// True if the closed form sees one change, false if it nearly does.
    sure: bool,
}

pub(super) fn influence(
    protocol: &Protocol,
    name: &str,
    frame: &Frame,
    fit: &Fit,
    (relevant, all): (Option<f64>, &[Headline]),
    deletion: &Deletion,
) -> InfluenceFinding {
    let mut found = InfluenceFinding {
        runs: Vec::new(),
        set_ups: Vec::new(),
        changes: Vec::new(),
        complete: true,
    };
    let mut suspects: Vec<Candidate> = Vec::new();
    for (row, own) in frame.rows.iter().enumerate() {
        let deleted = deletion.without(&[row]);
        let shift = deleted.as_ref().and_then(|d| d.shifts.first().copied());
        let free = deletion.freedom(row);
        found.runs.push(InfluenceOfRun {
            run: own.run,
            leverage: (1.0 - free).clamp(0.0, 1.0),
            shift,
            t: shift
                .zip(deleted.as_ref().and_then(|d| d.variance))
                .filter(|(_, variance)| *variance > 0.0)
                .map(|(shift, variance)| shift * (free / variance).sqrt()),
            distance: deleted.as_ref().and_then(|d| d.distance),
        });
        suspects.extend(suspect(format!("run {}", own.run), vec![row], deletion, all, fit));
    }
    for set_up in set_ups(protocol, frame, fit) {
        suspects.extend(suspect(set_up.name, set_up.rows.clone(), deletion, all, fit));
        found.set_ups.push(InfluenceOfSetUp {
            unit: set_up.unit,
            label: set_up.label,
            runs: set_up.rows.iter().map(|&row| frame.rows[row].run).collect(),
            distance: deletion.without(&set_up.rows).and_then(|d| d.distance),
        });
    }
    found.complete = suspects.len() <= MOST_AGAIN;
    suspects.sort_by_key(|candidate| !candidate.sure);
    for candidate in suspects.into_iter().take(MOST_AGAIN) {
        found
            .changes
            .extend(again(protocol, name, frame, &candidate, all, relevant));
    }
    found
}

/// The conclusions that would change in a model without closed forms: every run and set-up left out in an analysis of its own.
/// `None` for too many of them.
pub(super) fn by_refits(
    protocol: &Protocol,
    name: &str,
    frame: &Frame,
    fit: &Fit,
    (relevant, all): (Option<f64>, &[Headline]),
) -> Option<InfluenceFinding> {
    let every = || all.iter().map(|headline| headline.about.clone()).collect();
    let runs = frame.rows.iter().enumerate().map(|(row, own)| Candidate {
        name: format!("run {}", own.run),
        rows: vec![row],
        about: every(),
        sure: false,
    });
    let set_ups = set_ups(protocol, frame, fit).into_iter().map(|set_up| Candidate {
        name: set_up.name,
        rows: set_up.rows,
        about: every(),
        sure: false,
    });
    let candidates: Vec<Candidate> = runs.chain(set_ups).take(MOST_REFITS + 1).collect();
    if candidates.len() > MOST_REFITS {
        return None;
    }
    let changes = candidates
        .iter()
        .flat_map(|candidate| again(protocol, name, frame, candidate, all, relevant));
    Some(InfluenceFinding {
        runs: Vec::new(),
        set_ups: Vec::new(),
        changes: changes.collect(),
        complete: true,
    })
}

/// The runs of one set-up of a unit above the run.
struct SetUp {
    name: String,
    unit: String,
    label: String,
    rows: Vec<usize>,
}

fn set_ups(protocol: &Protocol, frame: &Frame, fit: &Fit) -> Vec<SetUp> {
    let mut found = Vec::new();
    for stratum in 0..fit.partitions.len().saturating_sub(1) {
        let partition = &fit.partitions[stratum];
        if partition.cells < 3 || partition.cells > MOST_SET_UPS || partition.cells == frame.rows.len() {
            continue;
        }
        for cell in 0..partition.cells {
            let rows: Vec<usize> = (0..frame.rows.len())
                .filter(|&row| partition.cell[row] as usize == cell)
                .collect();
            let Some(&first) = rows.first() else { continue };
            let units = &fit.structure.strata[stratum].units;
            let label = |u: usize| frame.rows[first].labels.get(u).cloned().unwrap_or_default();
            let labels: Vec<String> = units.iter().map(|&u| label(u)).collect();
            let names: Vec<String> = units
                .iter()
                .map(|&u| format!("{} {}", protocol.units[u].name, label(u)))
                .collect();
            found.push(SetUp {
                name: names.join(", "),
                unit: fit.structure.name(stratum, protocol),
                label: labels.join(", "),
                rows,
            });
        }
    }
    found
}

/// What may be left out, if the closed form sees a conclusion change.
fn suspect(name: String, rows: Vec<usize>, deletion: &Deletion, all: &[Headline], fit: &Fit) -> Option<Candidate> {
    let deleted = deletion.without(&rows)?;
    let doubt = if fit.partitions.len() > 1 || fit.balanced().is_none() {
        DOUBT.0
    } else {
        DOUBT.1
    };
    let changes = |headline: &Headline, factor: f64| {
        let without = conclusion_without(headline, deletion, &deleted, fit, factor);
        without.is_some_and(|conclusion| conclusion != headline.conclusion)
    };
    let near = |headline: &&Headline| [1.0, 1.0 - doubt, 1.0 + doubt].iter().any(|&f| changes(headline, f));
    let about: Vec<String> = all.iter().filter(near).map(|h| h.about.clone()).collect();
    (!about.is_empty()).then(|| Candidate {
        name,
        rows,
        about,
        sure: all.iter().any(|headline| changes(headline, 1.0)),
    })
}

/// What a headline would say without some rows, the ratios of variances held and its interval's reach taken so many times;
/// `None` where it has no interval.
fn conclusion_without(
    headline: &Headline,
    deletion: &Deletion,
    deleted: &Deleted,
    fit: &Fit,
    factor: f64,
) -> Option<Conclusion> {
    let scale = deleted.variance.unwrap_or(0.0) / deletion.variance();
    let gone = deleted.rows().len() as f64;
    let direction = |own: &mut dyn Iterator<Item = f64>| {
        let mut c = vec![0.0];
        c.extend(own);
        // Covariates stand last and have no part in it.
        c.resize(deletion.columns(), 0.0);
        deletion.direction(&c)
    };
    match &headline.basis {
        Basis::Function {
            values,
            standard_error,
            df,
            interval,
            size,
            ..
        } => {
            let (error, df, (low, high)) = ((*standard_error)?, (*df)?, (*interval)?);
            let direction = direction(&mut values.iter().flatten().copied())?;
            let (_, before) = deletion.function(&direction);
            let (value, after) = deletion.function_without(&direction, deleted);
            let quantile = |df: f64| t_quantile_upper((1.0 - fit.confidence) / 2.0, df);
            // The reach of the interval, simultaneous ones included, on so many degrees of freedom less.
            let reach = (high - low) / (2.0 * error) * quantile((df - gone).max(1.0)) / quantile(df);
            let reach = factor * reach * error * (scale * after / before).sqrt();
            Some(Conclusion::of(Some((value - reach, value + reach)), *size))
        }
        Basis::Test {
            term,
            f,
            df,
            denominator_df,
            p,
            p_adjusted,
        } => {
            let first: usize = fit.columns[..*term].iter().map(|own| own.columns.len()).sum();
            let directions: Vec<Vec<f64>> = (first..first + df)
                .map(|column| direction(&mut (0..=column).map(|c| f64::from(u8::from(c == column)))))
                .collect::<Option<_>>()?;
            let before = deletion.squares(&directions, None)?;
            let after = deletion.squares(&directions, Some(deleted))?;
            let f = f * after / before / scale / (factor * factor);
            let alone = f_upper(f, *df as f64, (denominator_df - gone).max(1.0));
            // The adjustment for the family, as it was.
            Some(Conclusion::Seen(alone * (p_adjusted / p) <= 1.0 - fit.confidence))
        }
    }
}

/// The conclusions that differ once a part is left out and the study analysed again.
fn again(
    protocol: &Protocol,
    name: &str,
    frame: &Frame,
    candidate: &Candidate,
    all: &[Headline],
    relevant: Option<f64>,
) -> Vec<ChangeFinding> {
    let mut reduced = frame.clone();
    let mut row = 0;
    reduced.rows.retain(|_| {
        row += 1;
        !candidate.rows.contains(&(row - 1))
    });
    let Ok(fit) = Fit::new(protocol, &reduced, name) else {
        return Vec::new();
    };
    let wanted = |about: &str| candidate.about.iter().any(|own| own == about);
    changed(all, &some_headlines(protocol, &fit, relevant, &wanted))
        .map(|(before, after)| ChangeFinding {
            without: candidate.name.clone(),
            runs: candidate.rows.iter().map(|&row| frame.rows[row].run).collect(),
            about: before.about.clone(),
            planned: before.planned,
            with_all: before.finding(),
            without_it: after.finding(),
        })
        .collect()
}

/// The pairs of conclusions that differ.
pub(super) fn changed<'a>(
    before: &'a [Headline],
    after: &'a [Headline],
) -> impl Iterator<Item = (&'a Headline, &'a Headline)> {
    before
        .iter()
        .filter_map(|b| after.iter().find(|a| a.about == b.about).map(|a| (b, a)))
        .filter(|(b, a)| b.conclusion != a.conclusion)
}

/// p-value of the run that lies furthest from what the others say, all runs allowed for; its place among the runs.
pub(super) fn furthest(found: &InfluenceFinding, df: usize) -> Option<(usize, f64)> {
    let size = |run: &InfluenceOfRun| run.t.map_or(0.0, f64::abs);
    let worst = (0..found.runs.len()).max_by(|&a, &b| size(&found.runs[a]).total_cmp(&size(&found.runs[b])))?;
    let t = found.runs[worst].t?;
    let n = found.runs.len() as f64;
    (df > 1).then(|| (worst, (2.0 * n * t_upper(t.abs(), df as f64 - 1.0)).min(1.0)))
}
