//! The conclusions of a study in a form that can be compared between analyses: with a run and without it, say.
//!
//! In:  protocol and fit.
//! Out: one `Headline` a difference, slope, interaction of one degree of freedom, or planned test of several, with what its
//!      interval or p-value says. Intervals and p-values are those that the report's own statements rest on: where
//!      differences are judged together, the simultaneous ones.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::comparisons::{about, slopes_within, some_contrasts, verdict};
use super::estimate::Estimate;
use super::findings::{ContrastFinding, Verdict};
use super::fit::Fit;
use super::response::effects;
use crate::plan::Part;
use crate::protocol::{FactorId, Protocol};

/// A conclusion, and what it rests on.
pub(super) struct Headline {
    /// `instrument B against A`, `temperature`, `finish × instrument`, `finish as a whole`.
    pub about: String,
    pub planned: bool,
    pub basis: Basis,
    pub conclusion: Conclusion,
}

/// What a conclusion rests on.
pub(super) enum Basis {
    /// A linear function of the coefficients.
    Function {
        /// Column values of every term.
        values: Vec<Vec<f64>>,
        value: f64,
        standard_error: Option<f64>,
        df: Option<f64>,
        /// The interval that the statement rests on.
        interval: Option<(f64, f64)>,
        /// The size that matters, in its unit.
        size: Option<f64>,
    },
    /// The test of a term.
    Test {
        /// The term's place in the fit.
        term: usize,
        f: f64,
        df: usize,
        denominator_df: f64,
        p: f64,
        p_adjusted: f64,
    },
}

/// What an interval or a test says: on which side of zero an effect lies, whether it is large enough to matter, whether it is
/// seen at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Conclusion {
    Side { side: i8, verdict: Option<Verdict> },
    Seen(bool),
}

/// An estimate with its interval, or a test with its p-value, and what that says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeadlineFinding {
    /// The estimate; null for a test of several degrees of freedom.
    pub value: Option<f64>,
    /// Lower end of the interval that the statement rests on; null without one.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// Adjusted p-value of a test of several degrees of freedom; left out otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// What the interval says: `higher`, `lower` or `undecided`, and whether it matters where the protocol states a size; what a
    /// test says: `seen` or `undecided`.
    pub conclusion: String,
}

impl Conclusion {
    pub(super) fn of(interval: Option<(f64, f64)>, relevant: Option<f64>) -> Self {
        let Some((low, high)) = interval else {
            return Self::Side { side: 0, verdict: None };
        };
        Self::Side {
            side: i8::from(low > 0.0) - i8::from(high < 0.0),
            verdict: relevant.map(|size| verdict(low, high, size)),
        }
    }

    /// In words.
    pub(super) fn words(self) -> String {
        let (side, verdict) = match self {
            Self::Seen(true) => return "seen".to_owned(),
            Self::Seen(false) => return "undecided".to_owned(),
            Self::Side { side, verdict } => (side, verdict),
        };
        let side = match side {
            1 => "higher",
            -1 => "lower",
            _ => {
                let small = verdict == Some(Verdict::DoesNotMatter);
                return if small { "too small to matter" } else { "undecided" }.to_owned();
            }
        };
        match verdict {
            None => side.to_owned(),
            Some(Verdict::Matters) => format!("{side}, and it matters"),
            Some(Verdict::DoesNotMatter) => format!("{side}, too small to matter"),
            Some(Verdict::Undecided) => format!("{side}, undecided whether it matters"),
        }
    }
}

impl Headline {
    pub(super) fn finding(&self) -> HeadlineFinding {
        let (value, interval, p) = match &self.basis {
            Basis::Function { value, interval, .. } => (Some(*value), *interval, None),
            Basis::Test { p_adjusted, .. } => (None, None, Some(*p_adjusted)),
        };
        HeadlineFinding {
            value,
            low: interval.map(|(low, _)| low),
            high: interval.map(|(_, high)| high),
            p,
            conclusion: self.conclusion.words(),
        }
    }
}

/// The conclusions of a fit, planned ones first; `contrasts` are its differences between levels.
pub(super) fn headlines(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
    contrasts: &[ContrastFinding],
) -> Vec<Headline> {
    collected(protocol, fit, relevant, contrasts, &|_| true)
}

/// Those conclusions whose name is wanted.
pub(super) fn some_headlines(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
    wanted: &dyn Fn(&str) -> bool,
) -> Vec<Headline> {
    let contrasts = some_contrasts(protocol, fit, relevant, wanted);
    collected(protocol, fit, relevant, &contrasts, wanted)
}

/// The conclusions from these differences, and all others that are wanted.
fn collected(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
    contrasts: &[ContrastFinding],
    wanted: &dyn Fn(&str) -> bool,
) -> Vec<Headline> {
    let mut all = differences(protocol, fit, relevant, contrasts);
    all.extend(slopes(protocol, fit, relevant, wanted));
    for effect in protocol.analysis.planned.iter().filter(|effect| effect.len() > 1) {
        let name = protocol.effect_name(effect);
        let single = fit.terms.iter().any(|term| term.effect == *effect && term.df == 1);
        if let Some(values) = fit.first_column_of(effect).filter(|_| single && wanted(&name)) {
            let estimate = fit.estimate(0.0, &values);
            all.push(function(name, true, values, &estimate, None));
        }
    }
    all.extend(tests(protocol, fit, wanted));
    all.sort_by_key(|headline| !headline.planned);
    all
}

fn function(about: String, planned: bool, values: Vec<Vec<f64>>, estimate: &Estimate, size: Option<f64>) -> Headline {
    let interval = estimate.low.zip(estimate.high);
    Headline {
        about,
        planned,
        basis: Basis::Function {
            values,
            value: estimate.value,
            standard_error: estimate.standard_error,
            df: estimate.df,
            interval,
            size,
        },
        conclusion: Conclusion::of(interval, size),
    }
}

fn differences(protocol: &Protocol, fit: &Fit, relevant: Option<f64>, contrasts: &[ContrastFinding]) -> Vec<Headline> {
    let place = |factor: &str, level: &str| -> Option<(FactorId, usize)> {
        let id = protocol.factors.iter().position(|f| f.name == factor)?;
        let declared = &protocol.factors[id];
        let level = (0..declared.levels.len()).find(|&l| declared.level(l) == level)?;
        Some((id, level))
    };
    contrasts
        .iter()
        .filter_map(|c| {
            let settings: Vec<(FactorId, usize)> = c.within.iter().map(|(f, l)| place(f, l)).collect::<Option<_>>()?;
            let at = |level: &str| Some([settings.as_slice(), &[place(&c.factor, level)?]].concat());
            let (low, high) = c.interval();
            let interval = low.zip(high);
            Some(Headline {
                about: about(c),
                planned: c.planned,
                basis: Basis::Function {
                    values: fit.difference_values(protocol, &at(&c.to)?, &at(&c.from)?),
                    value: c.difference,
                    standard_error: c.standard_error,
                    df: c.df,
                    interval,
                    size: relevant,
                },
                conclusion: Conclusion::of(interval, relevant),
            })
        })
        .collect()
}

fn slopes(protocol: &Protocol, fit: &Fit, relevant: Option<f64>, wanted: &dyn Fn(&str) -> bool) -> Vec<Headline> {
    let mut all = Vec::new();
    for (factor, declared) in protocol.factors.iter().enumerate() {
        let effect = vec![factor];
        let Some(span) = declared.span().filter(|_| !declared.random) else {
            continue;
        };
        if let Some(values) = fit.first_column_of(&effect).filter(|_| wanted(&declared.name)) {
            let planned = protocol.analysis.planned.contains(&effect);
            let estimate = fit.estimate(0.0, &values);
            let size = relevant.map(|size| size / (span.1 - span.0));
            all.push(function(declared.name.clone(), planned, values, &estimate, size));
        }
    }
    for (slope, values) in slopes_within(protocol, fit, relevant) {
        let named: Vec<String> = slope
            .within
            .iter()
            .map(|(factor, level)| format!("{factor} {level}"))
            .collect();
        let about = format!("{} at {}", slope.factor, named.join(", "));
        if !wanted(&about) {
            continue;
        }
        let (low, high) = slope.interval();
        let size = relevant.map(|size| size / (slope.span.1 - slope.span.0));
        let interval = low.zip(high);
        all.push(Headline {
            about,
            planned: slope.planned,
            basis: Basis::Function {
                values,
                value: slope.per_unit,
                standard_error: slope.standard_error,
                df: slope.df,
                interval,
                size,
            },
            conclusion: Conclusion::of(interval, size),
        });
    }
    all
}

/// The planned tests of several degrees of freedom.
fn tests(protocol: &Protocol, fit: &Fit, wanted: &dyn Fn(&str) -> bool) -> Vec<Headline> {
    let name = |term: usize| format!("{} as a whole", fit.terms[term].name);
    let several = |term: usize| fit.terms[term].df > 1 && fit.terms[term].part == Part::Whole;
    if !(0..fit.terms.len()).any(|term| several(term) && wanted(&name(term))) {
        return Vec::new();
    }
    effects(protocol, fit)
        .into_iter()
        .enumerate()
        .filter(|(term, effect)| effect.planned && several(*term) && wanted(&name(*term)))
        .filter_map(|(term, effect)| {
            let p_adjusted = effect.p_adjusted?;
            Some(Headline {
                about: name(term),
                planned: true,
                basis: Basis::Test {
                    term,
                    f: effect.f?,
                    df: effect.df,
                    denominator_df: effect.denominator_df?,
                    p: effect.p?,
                    p_adjusted,
                },
                conclusion: Conclusion::Seen(p_adjusted <= 1.0 - fit.confidence),
            })
        })
        .collect()
}
