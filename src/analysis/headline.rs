//! The conclusions of a study in a form that can be compared between analyses: with a run and without it, say.
//!
//! In:  protocol and fit.
//! Out: one `Headline` a difference, slope or interaction of one degree of freedom, with what its interval says.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::comparisons::verdict;
use super::estimate::Estimate;
use super::findings::Verdict;
use super::fit::Fit;
use crate::protocol::Protocol;

/// Levels of a factor up to which all its differences are conclusions; beyond, only those from its first level.
const MOST_LEVELS: usize = 6;

/// A conclusion, and the linear function it rests on.
pub(super) struct Headline {
    /// `instrument B against A`, `temperature`, `finish × instrument`.
    pub about: String,
    pub planned: bool,
    /// Column values of every term.
    pub values: Vec<Vec<f64>>,
    pub estimate: Estimate,
    pub conclusion: Conclusion,
}

/// What an interval says: on which side of zero it lies, and whether it is large enough to matter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Conclusion {
    side: i8,
    verdict: Option<Verdict>,
}

/// An estimate with its interval and what that says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeadlineFinding {
    /// The estimate.
    pub value: f64,
    /// Lower end of the interval; null without one.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// What the interval says: `higher`, `lower` or `undecided`, and whether it matters where the protocol states a size.
    pub conclusion: String,
}

impl Conclusion {
    pub(super) fn of(low: Option<f64>, high: Option<f64>, relevant: Option<f64>) -> Self {
        let Some((low, high)) = low.zip(high) else {
            return Self { side: 0, verdict: None };
        };
        Self {
            side: i8::from(low > 0.0) - i8::from(high < 0.0),
            verdict: relevant.map(|size| verdict(low, high, size)),
        }
    }

    /// True if it says whether the size matters.
    pub(super) fn has_verdict(self) -> bool {
        self.verdict.is_some()
    }

    /// In words.
    pub(super) fn words(self) -> String {
        let side = match self.side {
            1 => "higher",
            -1 => "lower",
            _ => "undecided",
        };
        match self.verdict {
            None => side.to_owned(),
            Some(Verdict::Matters) => format!("{side}, and it matters"),
            Some(Verdict::DoesNotMatter) => format!("{side}, too small to matter"),
            Some(Verdict::Undecided) => format!("{side}, and undecided whether it matters"),
        }
    }
}

impl Headline {
    pub(super) fn finding(&self) -> HeadlineFinding {
        HeadlineFinding {
            value: self.estimate.value,
            low: self.estimate.low,
            high: self.estimate.high,
            conclusion: self.conclusion.words(),
        }
    }
}

/// The conclusions of a fit, planned ones first.
pub(super) fn headlines(protocol: &Protocol, fit: &Fit, relevant: Option<f64>) -> Vec<Headline> {
    some_headlines(protocol, fit, relevant, &|_| true)
}

/// Those conclusions whose name is `wanted`: a small-sample interval of the mixed model takes its time.
pub(super) fn some_headlines(
    protocol: &Protocol,
    fit: &Fit,
    relevant: Option<f64>,
    wanted: &dyn Fn(&str) -> bool,
) -> Vec<Headline> {
    let mut all = Vec::new();
    let mut push = |about: String, planned: bool, values: Vec<Vec<f64>>, relevant: Option<f64>| {
        if !wanted(&about) {
            return;
        }
        let estimate = fit.estimate(0.0, &values);
        all.push(Headline {
            about,
            planned,
            values,
            conclusion: Conclusion::of(estimate.low, estimate.high, relevant),
            estimate,
        });
    };
    for (factor, declared) in protocol.factors.iter().enumerate() {
        let effect = vec![factor];
        let planned = protocol.analysis.planned.contains(&effect);
        if declared.is_numeric() {
            if let Some(values) = fit.first_column_of(&effect) {
                push(declared.name.clone(), planned, values, None);
            }
            continue;
        }
        if !fit.holds(&effect) {
            continue;
        }
        let levels = declared.corner_levels();
        for to in 1..levels {
            let last = if levels > MOST_LEVELS { 1 } else { to };
            for from in 0..last {
                let about = format!(
                    "{} {} against {}",
                    declared.name,
                    declared.level(to),
                    declared.level(from)
                );
                push(
                    about,
                    planned,
                    fit.difference_values(protocol, &[(factor, to)], &[(factor, from)]),
                    relevant,
                );
            }
        }
    }
    for effect in protocol.analysis.planned.iter().filter(|effect| effect.len() > 1) {
        let single = fit.terms.iter().any(|term| term.effect == *effect && term.df == 1);
        if let Some(values) = fit.first_column_of(effect).filter(|_| single) {
            push(protocol.effect_name(effect), true, values, None);
        }
    }
    all.sort_by_key(|headline| !headline.planned);
    all
}
