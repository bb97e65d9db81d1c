//! Findings as plain sentences.
//!
//! In:  one finding, and the `Voice` that names things.
//! Out: sentences. Each says what was found, its interval, and whether it was planned; 'undecided' where the interval
//!      reaches both sides, 'cannot be told' where there is no interval. Nothing here certifies, approves or blames.
//!
//! | form           | when                                       |
//! |----------------|--------------------------------------------|
//! | reads ... higher / lower | the interval lies on one side of zero |
//! | undecided      | the interval holds zero                    |
//! | cannot be told | there is no interval                       |
//!
//! Numbers are rounded by `number`; the sentences never compute anything that the findings do not hold.

use std::collections::BTreeSet;

use crate::analysis::{Check, ContrastFinding, EffectFinding, ResponseFindings, SlopeFinding, Verdict};

use super::lone::after_aliases;
use super::number::{self, NBSP, Place, fixed, p_equals, p_value, thousands, with_unit};
use super::words::{Voice, capital, listed, place, plain, several, spelled};

/// Which side of zero an interval lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Higher,
    Lower,
    Both,
    Unknown,
}

fn side(low: Option<f64>, high: Option<f64>) -> Side {
    match (low, high) {
        (Some(low), Some(high)) if low.is_finite() && high.is_finite() => {
            if low > 0.0 {
                Side::Higher
            } else if high < 0.0 {
                Side::Lower
            } else {
                Side::Both
            }
        }
        _ => Side::Unknown,
    }
}

fn planned(planned: bool) -> &'static str {
    if planned { "planned" } else { "exploratory" }
}

/// That an interval holds together with others.
fn held_together(found: &ContrastFinding) -> String {
    match found.together.as_ref().map(|together| together.comparisons) {
        None | Some(0 | 1) => String::new(),
        Some(2) => ", together with one other".to_owned(),
        Some(many) => format!(", together with {}{NBSP}others", many - 1),
    }
}

/// How the test by randomization of each effect was made, a sentence each.
#[must_use]
pub fn randomizations(found: &ResponseFindings) -> Vec<String> {
    found.effects.iter().filter_map(randomization).collect()
}

fn randomization(effect: &EffectFinding) -> Option<String> {
    let test = effect.randomization.as_ref()?;
    let name = capital(&plain(&effect.term));
    let many = thousands(test.arrangements);
    Some(if test.exact {
        let least = test
            .smallest
            .map_or_else(String::new, |p| format!("; none could give less than {}", p_value(p)));
        let listed = match test.arrangements {
            1 => "the one arrangement that the draw allows was listed".to_owned(),
            _ => format!("all {many} arrangements that the draw allows were listed"),
        };
        format!("{name}: {listed}{least}.")
    } else {
        // Outwards, so that the ends printed hold the interval.
        let outer = |end: f64, round: fn(f64) -> f64| fixed((round(end * 1000.0) / 1000.0).clamp(0.0, 1.0), Place(3));
        format!(
            "{name}: from {many} drawn orders (99{NBSP}% interval of the p-value {} to {}).",
            outer(test.low, f64::floor),
            outer(test.high, f64::ceil)
        )
    })
}

/// True if the mixed model was used in place of averages.
#[must_use]
pub fn is_mixed(found: &ResponseFindings) -> bool {
    found.model.method.starts_with("mixed model")
}

/// What was done to the results; of the mixed model also why, and what it is.
#[must_use]
pub fn method(found: &ResponseFindings) -> String {
    let method = found.model.method.trim_end_matches('.');
    if is_mixed(found) {
        format!(
            "Method: {method}. It stands in for averages because runs are missing or lie unevenly over the units: averages \
             would then mix one effect with another. The mixed model estimates the effects and the spread of every unit \
             together, from all results at hand."
        )
    } else {
        format!("Method: {method}.")
    }
}

impl Voice {
    ///
    /// `None` unless the interval lies on one side of zero.
    #[must_use]
    pub fn contrast_short(&self, found: &ContrastFinding) -> Option<String> {
        let (low, high) = found.interval();
        let word = match side(low, high) {
            Side::Higher => "higher",
            Side::Lower => "lower",
            Side::Both | Side::Unknown => return None,
        };
        let place = place(found.difference, found.standard_error);
        Some(format!(
            "{} reads {} {word} than {}",
            self.setting(&found.factor, &found.to),
            with_unit(&fixed(found.difference.abs(), place), &self.unit),
            self.level(&found.factor, &found.from)
        ))
    }

    /// A difference between two levels.
    #[must_use]
    pub fn contrast(&self, found: &ContrastFinding) -> String {
        let place = place(found.difference, found.standard_error);
        let (to, from) = (
            self.setting(&found.factor, &found.to),
            self.level(&found.factor, &found.from),
        );
        let at = if found.within.is_empty() {
            String::new()
        } else {
            format!("At {}: ", self.settings(&found.within))
        };
        let start = |text: String| if at.is_empty() { capital(&text) } else { text };
        let difference = with_unit(&fixed(found.difference, place), &self.unit);
        let kind = planned(found.planned);
        let mixed = after_aliases(&found.aliases);
        let ends = found.interval();
        let side = side(ends.0, ends.1);
        let (Some(low), Some(high)) = ends else {
            return format!(
                "{at}{}: the difference is {difference}; how certain it is cannot be told{mixed}; {kind}.",
                start(format!("{to} against {from}"))
            );
        };
        match side {
            Side::Higher | Side::Lower => {
                let (word, near, far) = if side == Side::Higher {
                    ("higher", low, high)
                } else {
                    ("lower", -high, -low)
                };
                format!(
                    "{at}{} reads {} {word} than {from} ({} {} {word}{}){}{mixed}; {kind}.",
                    start(to),
                    with_unit(&fixed(found.difference.abs(), place), &self.unit),
                    self.interval_name(),
                    Self::interval(near, far, place),
                    held_together(found),
                    self.verdict_after_decided(found.verdict),
                )
            }
            Side::Both | Side::Unknown => format!(
                "{at}{}: undecided; the difference is {difference} ({} {}{}){}{mixed}; {kind}.",
                start(format!("{to} against {from}")),
                self.interval_name(),
                Self::interval(low, high, place),
                held_together(found),
                self.verdict_after_undecided(found.verdict),
            ),
        }
    }

    fn relevant_text(&self) -> String {
        self.relevant
            .map_or_else(String::new, |r| with_unit(&number::exact(r), &self.unit))
    }

    fn verdict_after_decided(&self, verdict: Option<Verdict>) -> String {
        match verdict {
            None => String::new(),
            Some(Verdict::Matters) => format!(", more than the {} that matter", self.relevant_text()),
            Some(Verdict::DoesNotMatter) => format!(", less than the {} that matter", self.relevant_text()),
            Some(Verdict::Undecided) => {
                format!(", undecided whether more than the {} that matter", self.relevant_text())
            }
        }
    }

    fn verdict_after_undecided(&self, verdict: Option<Verdict>) -> String {
        match verdict {
            Some(Verdict::DoesNotMatter) => {
                format!(", in any case less than the {} that matter", self.relevant_text())
            }
            Some(Verdict::Undecided) => format!(", which leaves room for the {} that matter", self.relevant_text()),
            Some(Verdict::Matters) | None => String::new(),
        }
    }

    /// A slope.
    #[must_use]
    pub fn slope(&self, found: &SlopeFinding) -> String {
        let place = place(found.per_unit, found.standard_error);
        let name = capital(&plain(&found.factor));
        let value = with_unit(&fixed(found.per_unit, place), &self.slope_unit(found));
        let kind = planned(found.planned);
        let mixed = after_aliases(&found.aliases);
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!("{name}: {value}; how certain it is cannot be told{mixed}; {kind}.");
        };
        let interval = format!("({} {})", self.interval_name(), Self::interval(low, high, place));
        match side(found.low, found.high) {
            Side::Higher | Side::Lower => format!(
                "{name}: {value} {interval} over {}{}{mixed}; {kind}.",
                Self::span(found),
                self.verdict_after_decided(found.verdict)
            ),
            Side::Both | Side::Unknown => {
                format!(
                    "{name}: undecided; {value} {interval} over {}{}{mixed}; {kind}.",
                    Self::span(found),
                    self.verdict_after_undecided(found.verdict)
                )
            }
        }
    }

    /// A slope without its interval, for titles: `temperature moves the result by −0.18 Shore D per °C`.
    #[must_use]
    pub fn slope_short(&self, found: &SlopeFinding) -> Option<String> {
        match side(found.low, found.high) {
            Side::Higher | Side::Lower => Some(format!(
                "{} moves the result by {}",
                plain(&found.factor),
                with_unit(
                    &fixed(found.per_unit, place(found.per_unit, found.standard_error)),
                    &self.slope_unit(found)
                )
            )),
            Side::Both | Side::Unknown => None,
        }
    }

    /// An effect of several factors, or one of a factor with several levels, from its test.
    #[must_use]
    pub fn effect(&self, found: &EffectFinding) -> String {
        let name = capital(&plain(&found.term));
        let kind = planned(found.planned);
        let mixed = after_aliases(&found.aliases);
        let (Some(p), Some(f), Some(df)) = (found.p, found.f, found.denominator_df) else {
            let why = found
                .note
                .as_deref()
                .map_or_else(String::new, |note| format!(" ({})", note.trim_end_matches('.')));
            return format!("{name}: cannot be told{why}{mixed}; {kind}.");
        };
        let shown = found.p_adjusted.unwrap_or(p);
        let adjusted = if found.p_adjusted.is_some() { "adjusted " } else { "" };
        let test = format!(
            "{adjusted}{}, variance ratio {} on {} and {} degrees of freedom",
            p_equals(shown),
            number::significant(f, 3),
            found.df,
            number::degrees(df)
        );
        let decided = shown <= 1.0 - self.confidence;
        if let ([factor], true) = (found.factors.as_slice(), found.term.contains("straight line")) {
            let factor = capital(&plain(factor));
            return if decided {
                format!("{factor}: the change is not along a straight line ({test}){mixed}; {kind}.")
            } else {
                format!("{factor}: undecided whether the change leaves a straight line ({test}){mixed}; {kind}.")
            };
        }
        let names: Vec<String> = found.factors.iter().map(|f| plain(f)).collect();
        match (decided, names.as_slice()) {
            (true, [first, rest @ ..]) if !rest.is_empty() => format!(
                "{name}: what {first} does depends on {} ({test}){mixed}; {kind}.",
                listed(rest)
            ),
            (true, _) => format!("{name}: its levels read differently ({test}){mixed}; {kind}."),
            (false, _) => format!("{name}: undecided ({test}){mixed}; {kind}."),
        }
    }

    /// That the order of so few units cannot decide about an effect; none where it can, or where no order was drawn.
    #[must_use]
    pub fn few_orders(&self, effect: &EffectFinding, found: &ResponseFindings) -> Option<String> {
        let test = effect.randomization.as_ref().filter(|test| test.exact)?;
        let smallest = test.smallest.filter(|&p| p > 1.0 - self.confidence + 1e-12)?;
        let orders = match test.arrangements {
            1 => "one order".to_owned(),
            many => format!("{}{NBSP}orders", thousands(many)),
        };
        let unit = effect.judged_against.as_str();
        let labels: BTreeSet<&String> = found.results.iter().filter_map(|r| r.units.get(unit)).collect();
        // All units in one row, none within others: then their number says why the orders are so few.
        let in_a_row = found
            .strata
            .iter()
            .any(|s| s.unit == unit && labels.len() > 1 && s.df + 1 == labels.len());
        let allowed = if in_a_row {
            format!(
                "{} {} allow only {orders}",
                spelled(labels.len()),
                several(&plain(unit))
            )
        } else {
            format!("The draw allows only {orders}")
        };
        Some(format!(
            "{allowed}, so the randomization test cannot go below {} and decides nothing here.",
            p_value(smallest)
        ))
    }

    /// The answers in order: planned contrasts and slopes, planned tests of several factors, then the spread.
    #[must_use]
    pub fn answers(&self, found: &ResponseFindings) -> Vec<String> {
        let mut said: Vec<String> = Vec::new();
        let mut factors: Vec<&str> = Vec::new();
        for effect in &found.effects {
            if let [factor] = effect.factors.as_slice()
                && effect.planned
                && !factors.contains(&factor.as_str())
            {
                factors.push(factor);
            }
        }
        for factor in factors {
            let before = said.len();
            said.extend(self.lone_of(&[factor.to_owned()], found));
            if said.len() > before {
                continue;
            }
            said.extend(
                found
                    .slopes
                    .iter()
                    .filter(|s| s.factor == factor)
                    .map(|s| self.slope(s)),
            );
            if said.len() > before {
                let bent = |e: &&EffectFinding| e.factors == [factor] && e.term.contains("straight line");
                said.extend(found.effects.iter().filter(bent).map(|e| self.effect(e)));
            }
            let contrasts: Vec<&ContrastFinding> = found
                .contrasts
                .iter()
                .filter(|c| c.factor == factor && c.within.is_empty())
                .collect();
            if said.len() == before && contrasts.len() <= 6 {
                said.extend(contrasts.iter().map(|c| self.contrast(c)));
            }
            if said.len() == before {
                let tests = found.effects.iter().filter(|e| e.factors == [factor]);
                said.extend(tests.map(|e| self.effect(e)));
            }
            let few = found
                .effects
                .iter()
                .filter(|e| e.planned && e.factors == [factor])
                .find_map(|e| self.few_orders(e, found));
            if let (Some(few), Some(last)) = (few, said.get_mut(before..).and_then(<[String]>::last_mut)) {
                last.extend([" ", few.as_str()]);
            }
        }
        for effect in found.effects.iter().filter(|e| e.planned && e.factors.len() > 1) {
            let few = self.few_orders(effect, found).map(|few| format!(" {few}"));
            let lone = self.lone_of(&effect.factors, found);
            said.push(lone.unwrap_or_else(|| self.effect(effect)) + few.as_deref().unwrap_or_default());
        }
        said.extend(found.unreplicated.as_ref().map(|u| self.lone_summary(u)));
        said.extend(found.surface.as_ref().map(|s| self.surface(s)));
        said.extend(self.spread(&found.components));
        said
    }

    /// A check, with what it found.
    #[must_use]
    pub fn check(&self, found: &Check) -> String {
        match found.p {
            Some(p) => format!("{} ({})", found.answer.trim_end_matches('.'), p_equals(p)),
            None => found.answer.trim_end_matches('.').to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use serde_json::json;

    use super::super::words::trial::{said, voice};
    use super::*;
    use crate::analysis::TogetherFinding;

    // Findings come from JSON here, so that a new key with nothing in it changes no test.
    fn contrast(difference: f64, error: Option<f64>, verdict: Option<Verdict>) -> ContrastFinding {
        serde_json::from_value(json!({
            "factor": "instrument", "from": "A", "to": "B", "within": {},
            "difference": difference, "standard_error": error, "df": error.map(|_| 60.0),
            "low": error.map(|e| difference - 2.0 * e), "high": error.map(|e| difference + 2.0 * e),
            "p": error.map(|_| 0.01), "p_adjusted": error.map(|_| 0.02), "planned": true, "verdict": verdict,
        }))
        .unwrap()
    }

    fn slope(per_unit: f64, error: Option<f64>) -> SlopeFinding {
        serde_json::from_value(json!({
            "factor": "temperature", "unit": "°C", "per_unit": per_unit, "standard_error": error,
            "df": error.map(|_| 2.0), "low": error.map(|e| per_unit - 2.0 * e),
            "high": error.map(|e| per_unit + 2.0 * e), "p": null, "span": [21.0, 25.0], "planned": true,
        }))
        .unwrap()
    }

    /// Source: the sentences are this project's own wording; the numbers are closed form.
    #[test]
    fn a_decided_difference_says_which_way() {
        let down = voice(None).contrast(&contrast(-1.42, Some(0.25), None));
        assert_eq!(
            said(&down),
            "Instrument B reads 1.42 Shore D lower than A (95 % interval 0.92 to 1.92 lower); planned."
        );
        let mut up = contrast(1.42, Some(0.25), None);
        up.planned = false;
        assert_eq!(
            said(&voice(None).contrast(&up)),
            "Instrument B reads 1.42 Shore D higher than A (95 % interval 0.92 to 1.92 higher); exploratory."
        );
        up.within = BTreeMap::from([("finish".to_owned(), "waxed".to_owned())]);
        assert!(said(&voice(None).contrast(&up)).starts_with("At finish waxed: instrument B reads 1.42"));
    }

    #[test]
    fn an_interval_that_holds_zero_is_undecided() {
        assert_eq!(
            said(&voice(None).contrast(&contrast(0.12, Some(0.25), None))),
            "Instrument B against A: undecided; the difference is 0.12 Shore D (95 % interval −0.38 to 0.62); planned."
        );
        assert_eq!(voice(None).contrast_short(&contrast(0.12, Some(0.25), None)), None);
    }

    #[test]
    fn no_interval_cannot_be_told() {
        assert_eq!(
            said(&voice(None).contrast(&contrast(-0.123_4, None, None))),
            "Instrument B against A: the difference is −0.123 Shore D; how certain it is cannot be told; planned."
        );
        assert_eq!(
            said(&voice(None).slope(&slope(-0.5, None))),
            "Temperature: −0.500 Shore D per °C; how certain it is cannot be told; planned."
        );
    }

    #[test]
    fn what_matters_is_said_beside_what_was_found() {
        let voice = voice(Some(0.5));
        for (difference, verdict, part) in [
            (
                -1.42,
                Verdict::Matters,
                "lower), more than the 0.5 Shore D that matter; planned.",
            ),
            (
                -0.30,
                Verdict::DoesNotMatter,
                "lower), less than the 0.5 Shore D that matter; planned.",
            ),
            (
                -0.60,
                Verdict::Undecided,
                "lower), undecided whether more than the 0.5 Shore D that matter; planned.",
            ),
            (
                0.05,
                Verdict::DoesNotMatter,
                "0.25), in any case less than the 0.5 Shore D that matter; planned.",
            ),
            (
                0.05,
                Verdict::Undecided,
                "0.25), which leaves room for the 0.5 Shore D that matter; planned.",
            ),
        ] {
            let sentence = said(&voice.contrast(&contrast(difference, Some(0.1), Some(verdict))));
            assert!(sentence.ends_with(part), "{sentence}");
        }
    }

    #[test]
    fn many_comparisons_are_allowed_for() {
        let mut found = contrast(-1.42, Some(0.25), None);
        let mut together = TogetherFinding {
            method: "all pairs (Tukey)".to_owned(),
            comparisons: 3,
            low: -2.02,
            high: -0.82,
        };
        found.together = Some(together.clone());
        assert_eq!(
            said(&voice(None).contrast(&found)),
            "Instrument B reads 1.42 Shore D lower than A (95 % interval 0.82 to 2.02 lower, together with 2 others); planned."
        );
        // What the interval alone decides, it may leave open together with the others.
        together.comparisons = 2;
        together.high = 0.1;
        found.together = Some(together);
        assert_eq!(voice(None).contrast_short(&found), None);
        assert_eq!(
            said(&voice(None).contrast(&found)),
            "Instrument B against A: undecided; the difference is −1.42 Shore D (95 % interval −2.02 to 0.10, together \
             with one other); planned."
        );
    }

    #[test]
    fn slopes_carry_both_units_and_their_span() {
        assert_eq!(
            said(&voice(None).slope(&slope(-0.18, Some(0.031)))),
            "Temperature: −0.180 Shore D per °C (95 % interval −0.242 to −0.118) over 21 to 25 °C; planned."
        );
        assert_eq!(
            said(&voice(None).slope(&slope(0.02, Some(0.2)))),
            "Temperature: undecided; 0.02 Shore D per °C (95 % interval −0.38 to 0.42) over 21 to 25 °C; planned."
        );
        let mut small = slope(-0.018, Some(0.003));
        small.verdict = Some(Verdict::DoesNotMatter);
        let small = said(&voice(Some(0.5)).slope(&small));
        assert!(
            small.ends_with("over 21 to 25 °C, less than the 0.5 Shore D that matter; planned."),
            "{small}"
        );
        let mut bare = slope(0.5, Some(0.1));
        bare.unit.clear();
        let mut voice = voice(None);
        voice.unit.clear();
        assert!(said(&voice.slope(&bare)).starts_with("Temperature: 0.50 per unit (95 % interval"));
    }

    #[test]
    fn tests_of_several_factors_say_what_depends_on_what() {
        let mut effect: EffectFinding = serde_json::from_value(json!({
            "term": "finish × instrument", "factors": ["finish", "instrument"], "df": 2, "denominator_df": 60.0,
            "judged_against": "run", "sum_of_squares": 1.0, "mean_square": 0.5, "f": 9.871, "p": 0.0002,
            "p_adjusted": 0.0004, "p_randomization": null, "planned": true, "note": null,
        }))
        .unwrap();
        assert_eq!(
            said(&voice(None).effect(&effect)),
            "Finish × instrument: what finish does depends on instrument (adjusted p = 0.00040, variance ratio 9.87 on \
             2 and 60 degrees of freedom); planned."
        );
        effect.p_adjusted = None;
        effect.p = Some(0.31);
        effect.planned = false;
        assert_eq!(
            said(&voice(None).effect(&effect)),
            "Finish × instrument: undecided (p = 0.31, variance ratio 9.87 on 2 and 60 degrees of freedom); exploratory."
        );
        effect.factors = vec!["speed".to_owned()];
        effect.term = "speed (departure from a straight line)".to_owned();
        assert_eq!(
            said(&voice(None).effect(&effect)),
            "Speed: undecided whether the change leaves a straight line (p = 0.31, variance ratio 9.87 on 2 and 60 degrees \
             of freedom); exploratory."
        );
        effect.factors = vec!["finish".to_owned(), "instrument".to_owned()];
        effect.term = "finish × instrument".to_owned();
        effect.p = None;
        effect.note = Some("no spread is left to judge it against.".to_owned());
        assert_eq!(
            said(&voice(None).effect(&effect)),
            "Finish × instrument: cannot be told (no spread is left to judge it against); exploratory."
        );
    }

    fn found(method: &str, effects: &serde_json::Value) -> ResponseFindings {
        let results: Vec<_> = (1..=8)
            .map(|run| {
                json!({
                    "run": run, "position": run, "units": {"session": ((run + 1) / 2).to_string()},
                    "levels": {}, "readings": [1.0], "result": 1.0, "fitted": null, "residual": null,
                })
            })
            .collect();
        serde_json::from_value(json!({
            "unit": "", "runs": 8, "readings": 8, "missing": 0, "statistic": "mean", "confidence": 0.95,
            "relevant": null, "model": {
                "fixed": [], "random": [], "method": method, "residual_df": 0, "log_likelihood": null,
            },
            "strata": [{
                "unit": "session", "df": 3, "effects": [], "residual_df": 2, "sum_of_squares": 1.0, "mean_square": 0.5,
            }],
            "effects": effects,
            "residual": {"variance": null, "standard_deviation": null, "df": 0},
            "grand_mean": {
                "levels": {}, "n": 8, "mean": 1.0, "standard_error": null, "df": null, "low": null, "high": null,
            },
            "means": [], "contrasts": [], "slopes": [], "components": [], "checks": [], "cannot_tell": [],
            "results": results,
        }))
        .unwrap()
    }

    fn tested(unit: &str, arrangements: u64, smallest: Option<f64>) -> serde_json::Value {
        json!({
            "term": "temperature", "factors": ["temperature"], "df": 1, "denominator_df": 2.0, "judged_against": unit,
            "sum_of_squares": 1.0, "mean_square": 1.0, "f": 170.0, "p": 0.0058, "p_adjusted": null,
            "p_randomization": 0.3333, "planned": true, "note": null,
            "randomization": {
                "arrangements": arrangements, "exact": smallest.is_some(), "low": 0.071_06, "high": 0.084_96,
                "smallest": smallest,
            },
        })
    }

    /// Source: own wording; four units in two pairs have 4!/(2! 2!) = 6 arrangements, two of them as extreme as can be.
    #[test]
    fn too_few_orders_are_said_beside_the_answer() {
        let one = |effect| {
            let found = found("analysis of variance in strata", &json!([effect]));
            (
                said(&voice(None).answers(&found).join(" ")),
                said(&randomizations(&found).join(" ")),
            )
        };
        let (answer, note) = one(tested("session", 6, Some(1.0 / 3.0)));
        assert!(
            answer.ends_with(
                "planned. Four sessions allow only 6 orders, so the randomization test cannot go below 0.33 and decides \
                 nothing here."
            ),
            "{answer}"
        );
        assert_eq!(
            note,
            "Temperature: all 6 arrangements that the draw allows were listed; none could give less than 0.33."
        );
        let (answer, _) = one(tested("session × roller", 6, Some(1.0 / 3.0)));
        assert!(
            answer.contains("planned. The draw allows only 6 orders, so"),
            "{answer}"
        );
        // At the level of the intervals itself, the test can still decide.
        let (answer, _) = one(tested("session", 20, Some(0.05)));
        assert!(answer.ends_with("planned."), "{answer}");
        let (answer, note) = one(tested("run", 9999, None));
        assert!(answer.ends_with("planned."), "{answer}");
        assert_eq!(
            note,
            "Temperature: from 9,999 drawn orders (99 % interval of the p-value 0.071 to 0.085)."
        );
    }

    #[test]
    fn the_mixed_model_says_why_it_is_used() {
        let mixed = found("mixed model by restricted maximum likelihood", &json!([]));
        assert!(method(&mixed).contains("because runs are missing or lie unevenly over the units"));
        let strata = found("analysis of variance in strata", &json!([]));
        assert_eq!(method(&strata), "Method: analysis of variance in strata.");
    }
}
