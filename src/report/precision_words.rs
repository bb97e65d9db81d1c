//! The precision of the method in plain sentences.
//!
//! In:  the precision findings of one response, and the `Voice` that names things.
//! Out: sentences: the limits and how often they are exceeded, whether laboratories lie apart, how the spread depends on the
//!      level, who stands apart and what it matters, what varies within a laboratory, trueness.
//!
//! | form           | when                                                                    |
//! |----------------|-------------------------------------------------------------------------|
//! | lie apart      | the interval of the standard deviation between laboratories is above zero |
//! | undecided      | that interval holds zero                                                |
//! | cannot be told | there is no such estimate                                               |

use crate::analysis::{AgainstLevel, Oddness, PrecisionFinding, PrecisionStudy, TruenessFinding, Verdict};

use super::number::{self, NBSP, Place, fixed, percent, significant, with_unit};
use super::words::{Voice, capital, listed, plain, spelled};

/// The decimal place of a mean: that of the second digit of the standard deviation it varies with.
pub(super) fn mean_place(level: &PrecisionFinding) -> Place {
    let deviation = level.reproducibility_sd.or(level.repeatability_sd).unwrap_or(0.0);
    Place::of_error(deviation).map_or_else(
        || Place(Place::of_digits(level.mean, 4).0.max(0)),
        |p| Place(p.0.max(0)),
    )
}

/// `about once in twenty times`, or the part of them.
pub(super) fn how_often(exceeded: f64) -> String {
    if (0.045..0.055).contains(&exceeded) {
        "about once in twenty times".to_owned()
    } else {
        format!("in about {} of the cases", percent(exceeded))
    }
}

/// `material A`; empty for a single level.
pub(super) fn level_name(study: &PrecisionStudy, level: &PrecisionFinding) -> String {
    if level.level.is_empty() {
        String::new()
    } else {
        format!("{}{NBSP}{}", plain(&study.material), level.level)
    }
}

/// Levels in a sentence: `material A`, `materials A and C`.
fn levels_named(study: &PrecisionStudy, levels: &[&PrecisionFinding]) -> String {
    match levels {
        [one] => level_name(study, one),
        many => {
            let names: Vec<String> = many.iter().map(|l| l.level.clone()).collect();
            format!("{} {}", super::words::several(&plain(&study.material)), listed(&names))
        }
    }
}

impl Voice {
    /// The answers on precision, in order.
    #[must_use]
    pub fn precision(&self, study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<String> {
        let mut said = Vec::new();
        let laboratory = if study.laboratory.is_empty() {
            "the laboratory".to_owned()
        } else {
            format!("one {}", plain(&study.laboratory))
        };
        let often = how_often(study.limit_exceeded);
        said.push(match self.limits(study, levels, |l| l.repeatability_limit, "r") {
            Some(limits) => format!(
                "Repeatability: two results that {laboratory} obtains on the same thing in a short time, with nothing \
                 changed, differ by more than r {often}; {limits}."
            ),
            None => "Repeatability cannot be told: no cell holds two results.".to_owned(),
        });
        for place in 0..levels.iter().map(|l| l.intermediate.len()).max().unwrap_or(0) {
            said.extend(self.intermediate(study, levels, place));
        }
        if !study.laboratory.is_empty() {
            let name = plain(&study.laboratory);
            said.push(match self.limits(study, levels, |l| l.reproducibility_limit, "R") {
                Some(limits) => format!(
                    "Reproducibility: two results on the same thing, one from each of two {}, differ by more than R {often}; \
                     {limits}.",
                    super::words::several(&name)
                ),
                None => format!(
                    "Reproducibility cannot be told: it takes repeats in two {} at least.",
                    super::words::several(&name)
                ),
            });
            said.extend(self.between(study, levels));
        }
        said.extend(self.dependence(study, levels));
        said.extend(Self::odd(study, levels));
        for level in levels {
            if let Some(found) = &level.trueness {
                said.push(self.trueness(found, &level_name(study, level)));
            }
        }
        said
    }

    /// `r is 2.98 mg/dL`, or from the smallest to the largest.
    fn limits(
        &self,
        study: &PrecisionStudy,
        levels: &[PrecisionFinding],
        limit: impl Fn(&PrecisionFinding) -> Option<f64>,
        symbol: &str,
    ) -> Option<String> {
        let known: Vec<(&PrecisionFinding, f64)> = levels.iter().filter_map(|l| Some((l, limit(l)?))).collect();
        let least = known.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let most = known.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let text = |value: f64| with_unit(&significant(value, 3), &self.unit);
        if text(least.1) == text(most.1) {
            return Some(format!("{symbol}{NBSP}={NBSP}{}", text(least.1)));
        }
        let at = |level: &PrecisionFinding| {
            format!(
                "{} (mean {})",
                level_name(study, level),
                fixed(level.mean, mean_place(level))
            )
        };
        Some(format!(
            "{symbol} is from {} at {} to {} at {}",
            text(least.1),
            at(least.0),
            text(most.1),
            at(most.0)
        ))
    }

    /// Results within a laboratory when something varies.
    fn intermediate(&self, study: &PrecisionStudy, levels: &[PrecisionFinding], place: usize) -> Option<String> {
        let varied = levels.iter().find_map(|l| l.intermediate.get(place))?;
        let names: Vec<String> = varied.varied.iter().map(|v| plain(v)).collect();
        let limits = self.limits(
            study,
            levels,
            |l| l.intermediate.get(place).map(|i| i.limit),
            "the limit",
        )?;
        Some(format!(
            "Intermediate precision: with another {} as well, two results of the same laboratory differ by more than the \
             limit {}; {limits}.",
            listed(&names),
            how_often(study.limit_exceeded),
        ))
    }

    /// Whether laboratories lie apart beyond their repeats.
    fn between(&self, study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<String> {
        let name = capital(&super::words::several(&plain(&study.laboratory)));
        let mut said = Vec::new();
        let (mut apart, mut undecided) = (Vec::new(), Vec::new());
        for level in levels {
            match level.between.as_ref().and_then(|b| b.low) {
                Some(low) if low > 0.0 => apart.push(level),
                Some(_) => undecided.push(level),
                None => {}
            }
        }
        let at = |levels: &[&PrecisionFinding]| match levels {
            [one] if one.level.is_empty() => String::new(),
            _ => format!(" at {}", levels_named(study, levels)),
        };
        let interval = self.interval_name();
        if !apart.is_empty() {
            said.push(format!(
                "{name} lie apart by more than their repeats explain{} (the {interval} of the standard deviation between \
                 them is above zero).",
                at(&apart)
            ));
        }
        if !undecided.is_empty() {
            said.push(format!(
                "{name}{}: undecided whether they lie apart beyond their repeats (the {interval} reaches zero).",
                at(&undecided)
            ));
        }
        for level in levels {
            if let Some(two) = &level.difference {
                let at = at(&[level]);
                let (from, to) = (&two.from, &two.to);
                let place = super::words::place(two.difference, two.standard_error);
                let value = with_unit(&fixed(two.difference, place), &self.unit);
                said.push(match (two.low, two.high) {
                    (Some(low), Some(high)) => format!(
                        "With two of them a difference says more than a standard deviation{at}: {to} less {from} is {value} \
                         ({interval} {}).",
                        Self::interval(low, high, place)
                    ),
                    _ => format!("{to} less {from} is {value}{at}; how certain that is cannot be told."),
                });
            }
        }
        said
    }

    /// How the standard deviations depend on the level.
    fn dependence(&self, study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<String> {
        let chosen = study.against_level.iter().filter(|a| a.chosen);
        let mut said: Vec<String> = chosen.map(|a| self.form(a)).collect();
        let near = levels.len() < 4 && !said.is_empty();
        if near {
            said.push(format!(
                "{} levels are few to tell such a dependence by.",
                spelled(levels.len())
            ));
        }
        said
    }

    /// One form of dependence with its numbers.
    #[must_use]
    pub fn form(&self, found: &AgainstLevel) -> String {
        let symbol = if found.of == "repeatability" { "s_r" } else { "s_R" };
        let (a, b) = (significant(found.a, 3), significant(found.b, 3));
        let of = capital(&found.of);
        match found.form.as_str() {
            "constant" => format!(
                "{of} does not depend on the level as far as these levels show: {symbol}{NBSP}={NBSP}{}.",
                with_unit(&a, &self.unit)
            ),
            "proportional" => format!("{of} grows in proportion to the level m: {symbol}{NBSP}={NBSP}{b}{NBSP}m."),
            "line" => {
                let sign = if found.b < 0.0 { "\u{2212}" } else { "+" };
                let b = significant(found.b.abs(), 3);
                let word = if found.b < 0.0 { "falls" } else { "grows" };
                format!(
                    "{of} {word} with the level m along a line: {symbol}{NBSP}={NBSP}{a}{NBSP}{sign}{NBSP}{b}{NBSP}m."
                )
            }
            _ => format!(
                "{of} follows a power of the level m: {symbol}{NBSP}={NBSP}{}{NBSP}×{NBSP}m to the power of {b}.",
                significant(10_f64.powf(found.a), 3)
            ),
        }
    }

    /// Who stands apart, and what the estimates are without.
    fn odd(study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<String> {
        let mut said = Vec::new();
        let tested: Vec<&PrecisionFinding> = levels.iter().filter(|l| !l.tests.is_empty()).collect();
        if tested.is_empty() {
            return said;
        }
        let name = plain(&study.laboratory);
        for level in &tested {
            let at = match level_name(study, level) {
                at if at.is_empty() => String::new(),
                at => format!(" at {at}"),
            };
            for test in &level.tests {
                let (beyond, how) = match test.outcome {
                    Oddness::Outlier => ("1", "beyond"),
                    Oddness::Straggler => ("5", "beyond"),
                    Oddness::NothingFound => continue,
                };
                let who = match test.laboratories.as_slice() {
                    [one] => format!("{} {one}", capital(&name)),
                    many => format!("{} {}", capital(&super::words::several(&name)), listed(many)),
                };
                let why = match test.test.as_str() {
                    "Cochran" => "spreads more than the others",
                    "Grubbs, one mean" => "reads apart from the others",
                    _ => "read apart from the others together",
                };
                let what = format!("{who} {why}{at} ({}: {how} the {beyond}{NBSP}% value)", test.test);
                said.push(match (&level.without, test.outcome) {
                    (Some(without), Oddness::Outlier) => {
                        let pair = |with: Option<f64>, less: Option<f64>| match (with, less) {
                            (Some(with), Some(less)) => {
                                format!("{} instead of {}", significant(less, 3), significant(with, 3))
                            }
                            _ => "not told".to_owned(),
                        };
                        format!(
                            "{what}; nothing was left out. Without it r would be {} and R {}.",
                            pair(level.repeatability_limit, without.repeatability_limit),
                            pair(level.reproducibility_limit, without.reproducibility_limit)
                        )
                    }
                    (None, Oddness::Outlier) => format!("{what}; nothing was left out."),
                    _ => format!("{what}: a straggler, which stays and is worth a look."),
                });
            }
        }
        if said.is_empty() {
            said.push(format!("No {name} stands apart in the tests of Cochran and Grubbs."));
        }
        said
    }

    /// Bias against an accepted value.
    #[must_use]
    pub fn trueness(&self, found: &TruenessFinding, at: &str) -> String {
        let place = super::words::place(found.bias, found.standard_error);
        let at = if at.is_empty() {
            String::new()
        } else {
            format!(" at {at}")
        };
        let size = with_unit(&fixed(found.bias.abs(), place), &self.unit);
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!(
                "Trueness{at}: the mean lies {} from the accepted value; how certain that is cannot be told.",
                with_unit(&fixed(found.bias, place), &self.unit)
            );
        };
        let relevant = self
            .relevant
            .map_or_else(String::new, |r| with_unit(&number::exact(r), &self.unit));
        let verdict = match found.verdict {
            None => String::new(),
            Some(Verdict::Matters) => format!(", more than the {relevant} that matter"),
            Some(Verdict::DoesNotMatter) => format!(", less than the {relevant} that matter"),
            Some(Verdict::Undecided) => format!(", undecided whether more than the {relevant} that matter"),
        };
        if low > 0.0 || high < 0.0 {
            let (word, near, far) = if low > 0.0 {
                ("above", low, high)
            } else {
                ("below", -high, -low)
            };
            format!(
                "Trueness{at}: the method reads {size} {word} the accepted value ({} {} {word}){verdict}.",
                self.interval_name(),
                Self::interval(near, far, place)
            )
        } else {
            format!(
                "Trueness{at}: undecided whether the method reads off the accepted value; the bias is {} ({} {}){verdict}.",
                with_unit(&fixed(found.bias, place), &self.unit),
                self.interval_name(),
                Self::interval(low, high, place)
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::words::trial::{said, voice};
    use super::*;

    fn study(levels: usize) -> PrecisionStudy {
        serde_json::from_value(json!({
            "laboratory": "laboratory", "material": if levels > 1 { "material" } else { "" }, "intermediate": [],
            "limit_factor": 2.8, "limit_exceeded": 0.0477, "pooled": null, "against_level": [],
        }))
        .unwrap()
    }

    fn level(name: &str, mean: f64, s_r: f64, s_reproducibility: f64, low: f64) -> PrecisionFinding {
        serde_json::from_value(json!({
            "level": name, "laboratories": 8, "results": 24, "mean": mean, "repeatability_sd": s_r,
            "between_sd": 0.5, "reproducibility_sd": s_reproducibility, "repeatability_limit": 2.8 * s_r,
            "reproducibility_limit": 2.8 * s_reproducibility, "between_variance": 0.25, "among_mean_square": 1.0,
            "cell_size": 3.0, "repeatability": null,
            "between": { "value": 0.5, "low": low, "high": 2.0, "df": 7.0 }, "reproducibility": null, "h": {}, "k": {},
            "h_critical": [], "cells": [], "tests": [], "without": null, "trueness": null, "cannot_tell": [],
        }))
        .unwrap()
    }

    fn sentences(study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<String> {
        voice(Some(0.5))
            .precision(study, levels)
            .iter()
            .map(|s| said(s))
            .collect()
    }

    #[test]
    fn one_level_decided() {
        assert_eq!(
            sentences(&study(1), &[level("", 59.8, 0.762, 3.32, 1.9)]),
            [
                "Repeatability: two results that one laboratory obtains on the same thing in a short time, with nothing \
                 changed, differ by more than r about once in twenty times; r = 2.13 Shore D.",
                "Reproducibility: two results on the same thing, one from each of two laboratories, differ by more than R \
                 about once in twenty times; R = 9.30 Shore D.",
                "Laboratories lie apart by more than their repeats explain (the 95 % interval of the standard deviation \
                 between them is above zero).",
            ]
        );
    }

    #[test]
    fn several_levels_undecided_at_some() {
        let levels = [
            level("A", 41.52, 1.063, 1.4, 0.0),
            level("B", 134.73, 1.543, 2.148, 0.5),
        ];
        let said = sentences(&study(2), &levels);
        assert!(
            said[0].ends_with(
                "r is from 2.98 Shore D at material A (mean 41.5) to 4.32 Shore D at material B (mean 134.7)."
            )
        );
        assert!(said[2].starts_with("Laboratories lie apart by more than their repeats explain at material B"));
        assert_eq!(
            said[3],
            "Laboratories at material A: undecided whether they lie apart beyond their repeats (the 95 % interval reaches \
             zero)."
        );
    }

    #[test]
    fn what_is_missing_cannot_be_told() {
        let mut one = level("", 59.8, 0.7, 3.0, 1.0);
        (one.repeatability_limit, one.reproducibility_limit, one.between) = (None, None, None);
        assert_eq!(
            sentences(&study(1), &[one]),
            [
                "Repeatability cannot be told: no cell holds two results.",
                "Reproducibility cannot be told: it takes repeats in two laboratories at least.",
            ]
        );
    }

    #[test]
    fn odd_laboratories_are_named_and_kept() {
        let mut one = level("", 294.5, 3.93, 4.19, 0.0);
        let test = |test: &str, who: &[&str], outcome: &str| {
            serde_json::from_value(json!({
                "test": test, "laboratories": who, "statistic": 0.68, "critical_5": 0.516, "critical_1": 0.615,
                "p": 0.003, "outcome": outcome, "note": null,
            }))
            .unwrap()
        };
        one.tests = vec![
            test("Cochran", &["2"], "outlier"),
            test("Grubbs, one mean", &["7"], "nothing found"),
            test("Grubbs, two means", &["3", "6"], "straggler"),
        ];
        one.without = serde_json::from_value(json!({
            "left_out": ["2"], "laboratories": 7, "results": 21, "mean": 293.9, "repeatability_sd": 2.375,
            "between_sd": 1.69, "reproducibility_sd": 2.914, "repeatability_limit": 6.649, "reproducibility_limit": 8.16,
        }))
        .unwrap();
        let said = sentences(&study(1), std::slice::from_ref(&one));
        assert_eq!(
            said[3..],
            [
                "Laboratory 2 spreads more than the others (Cochran: beyond the 1 % value); nothing was left out. Without \
                 it r would be 6.65 instead of 11.0 and R 8.16 instead of 11.7.",
                "Laboratories 3 and 6 read apart from the others together (Grubbs, two means: beyond the 5 % value): a \
                 straggler, which stays and is worth a look.",
            ]
        );
        one.tests.truncate(2);
        one.tests.remove(0);
        one.without = None;
        let said = sentences(&study(1), &[one]);
        assert_eq!(
            said[3],
            "No laboratory stands apart in the tests of Cochran and Grubbs."
        );
    }

    #[test]
    fn trueness_is_decided_undecided_or_cannot_be_told() {
        let mut found: TruenessFinding = serde_json::from_value(json!({
            "reference": 60.0, "uncertainty": 0.1, "source": "", "bias": -0.84, "standard_error": 0.12, "df": 7.0,
            "low": -1.12, "high": -0.56, "verdict": "matters",
        }))
        .unwrap();
        let say = |found: &TruenessFinding| said(&voice(Some(0.5)).trueness(found, ""));
        assert_eq!(
            say(&found),
            "Trueness: the method reads 0.84 Shore D below the accepted value (95 % interval 0.56 to 1.12 below), more than \
             the 0.5 Shore D that matter."
        );
        (found.low, found.high, found.verdict) = (Some(-1.12), Some(0.1), Some(Verdict::Undecided));
        assert_eq!(
            say(&found),
            "Trueness: undecided whether the method reads off the accepted value; the bias is −0.84 Shore D (95 % interval \
             −1.12 to 0.10), undecided whether more than the 0.5 Shore D that matter."
        );
        (found.low, found.high) = (None, None);
        assert_eq!(
            say(&found),
            "Trueness: the mean lies −0.84 Shore D from the accepted value; how certain that is cannot be told."
        );
    }

    #[test]
    fn forms_have_their_numbers() {
        let form = |form: &str, a: f64, b: f64| AgainstLevel {
            of: "repeatability".to_owned(),
            form: form.to_owned(),
            a,
            b,
            misfit: 0.1,
            chosen: true,
        };
        let say = |found: AgainstLevel| said(&voice(None).form(&found));
        assert_eq!(
            say(form("constant", 0.0218, 0.0)),
            "Repeatability does not depend on the level as far as these levels show: s_r = 0.0218 Shore D."
        );
        assert_eq!(
            say(form("proportional", 0.0, 0.0165)),
            "Repeatability grows in proportion to the level m: s_r = 0.0165 m."
        );
        assert_eq!(
            say(form("line", 0.614, 0.01)),
            "Repeatability grows with the level m along a line: s_r = 0.614 + 0.0100 m."
        );
        assert_eq!(
            say(form("line", 0.614, -0.01)),
            "Repeatability falls with the level m along a line: s_r = 0.614 − 0.0100 m."
        );
        assert_eq!(
            say(form("power", -1.0, 0.64)),
            "Repeatability follows a power of the level m: s_r = 0.100 × m to the power of 0.640."
        );
    }
}
