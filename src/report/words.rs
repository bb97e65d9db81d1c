//! Findings as plain sentences.
//!
//! In:  one finding, and what is needed to name things (`Voice`).
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

use std::collections::BTreeMap;

use crate::analysis::{Check, Component, ContrastFinding, EffectFinding, ResponseFindings, SlopeFinding, Verdict};

use super::number::{self, NBSP, Place, fixed, p_equals, percent, with_unit};

/// What sentences need to know to name things.
#[derive(Debug, Clone, Default)]
pub struct Voice {
    /// Unit of the response, as printed.
    pub unit: String,
    /// Level of the intervals, in (0, 1).
    pub confidence: f64,
    /// Smallest difference that matters, in `unit`.
    pub relevant: Option<f64>,
    /// Unit of measure of each numeric factor that has one.
    pub factor_units: BTreeMap<String, String>,
}

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

/// The decimal place for an estimate: from its standard error, else three significant digits.
pub(super) fn place(estimate: f64, standard_error: Option<f64>) -> Place {
    standard_error
        .and_then(Place::of_error)
        .unwrap_or_else(|| Place(Place::of_digits(estimate, 3).0.max(0)))
}

/// A name as it stands in a sentence: underscores become spaces.
#[must_use]
pub fn plain(name: &str) -> String {
    name.replace('_', " ")
}

/// The first letter made a capital.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut characters = text.chars();
    match characters.next() {
        Some(first) => first.to_uppercase().chain(characters).collect(),
        None => String::new(),
    }
}

/// Things named one after another: `a`, `a and b`, `a, b and c`.
#[must_use]
pub fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// A count with its noun: `1 run`, `96 runs`.
#[must_use]
pub fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number}{NBSP}{}", if number == 1 { one } else { many })
}

/// Numbers in a sentence, runs of them joined: `3, 5 to 8 and 12`.
#[must_use]
pub fn numbers(values: &[usize]) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut at = 0;
    while at < values.len() {
        let mut end = at;
        while end + 1 < values.len() && values[end + 1] == values[end] + 1 {
            end += 1;
        }
        match end - at {
            0 => parts.push(values[at].to_string()),
            1 => parts.extend([values[at].to_string(), values[end].to_string()]),
            _ => parts.push(format!("{} to {}", values[at], values[end])),
        }
        at = end + 1;
    }
    listed(&parts)
}

fn planned(planned: bool) -> &'static str {
    if planned { "planned" } else { "exploratory" }
}

impl Voice {
    /// The voice for one response.
    #[must_use]
    pub fn new(found: &ResponseFindings, factor_units: BTreeMap<String, String>) -> Self {
        Self {
            unit: found.unit.clone(),
            confidence: found.confidence,
            relevant: found.relevant,
            factor_units,
        }
    }

    /// `95 % interval`.
    #[must_use]
    pub fn interval_name(&self) -> String {
        format!("{} interval", number::confidence(self.confidence))
    }

    /// A level with the unit of its factor: `21 °C`, whether it came with its unit or without.
    #[must_use]
    pub fn level(&self, factor: &str, level: &str) -> String {
        with_unit(
            &self.bare_level(factor, level),
            self.factor_units.get(factor).map_or("", String::as_str),
        )
    }

    /// A level without the unit of its factor: `21`.
    #[must_use]
    pub fn bare_level(&self, factor: &str, level: &str) -> String {
        let unit = self.factor_units.get(factor).map_or("", String::as_str);
        match level.strip_suffix(unit) {
            Some(bare) if !unit.is_empty() && bare.ends_with([' ', NBSP]) => {
                bare.trim_end_matches([' ', NBSP]).to_owned()
            }
            _ => level.to_owned(),
        }
    }

    /// True if two texts name the same level, each with or without its unit.
    #[must_use]
    pub fn same_level(&self, factor: &str, one: &str, other: &str) -> bool {
        self.bare_level(factor, one) == self.bare_level(factor, other)
    }

    /// A factor at a level: `instrument B`.
    #[must_use]
    pub fn setting(&self, factor: &str, level: &str) -> String {
        format!("{} {}", plain(factor), self.level(factor, level))
    }

    /// Levels of several factors: `finish waxed and instrument B`.
    #[must_use]
    pub fn settings(&self, levels: &BTreeMap<String, String>) -> String {
        let parts: Vec<String> = levels.iter().map(|(f, l)| self.setting(f, l)).collect();
        listed(&parts)
    }

    /// An interval with signs: `−1.91 to −0.93`.
    #[must_use]
    pub fn interval(low: f64, high: f64, place: Place) -> String {
        format!("{} to {}", fixed(low, place), fixed(high, place))
    }

    /// A difference without its interval, for titles: `instrument B reads 1.42 Shore D lower than A`.
    ///
    /// `None` unless the interval lies on one side of zero.
    #[must_use]
    pub fn contrast_short(&self, found: &ContrastFinding) -> Option<String> {
        let word = match side(found.low, found.high) {
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
        let side = side(found.low, found.high);
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!(
                "{at}{}: the difference is {difference}; how certain it is cannot be told; {kind}.",
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
                    "{at}{} reads {} {word} than {from} ({} {} {word}){}{}; {kind}.",
                    start(to),
                    with_unit(&fixed(found.difference.abs(), place), &self.unit),
                    self.interval_name(),
                    Self::interval(near, far, place),
                    self.verdict_after_decided(found.verdict),
                    self.after_all_comparisons(found.p_adjusted),
                )
            }
            Side::Both | Side::Unknown => format!(
                "{at}{}: undecided; the difference is {difference} ({} {}){}; {kind}.",
                start(format!("{to} against {from}")),
                self.interval_name(),
                Self::interval(low, high, place),
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

    /// What remains when all comparisons are allowed for, if that is less than the interval says.
    fn after_all_comparisons(&self, p_adjusted: Option<f64>) -> String {
        match p_adjusted {
            Some(p) if p > 1.0 - self.confidence => format!(
                "; no longer decided when all comparisons of the factor are allowed for (adjusted {})",
                p_equals(p)
            ),
            _ => String::new(),
        }
    }

    /// The unit of a slope: `Shore D per °C`.
    #[must_use]
    pub fn slope_unit(&self, found: &SlopeFinding) -> String {
        let per = if found.unit.is_empty() { "unit" } else { &found.unit };
        match self.unit.as_str() {
            "" => format!("per{NBSP}{per}"),
            unit => format!("{unit}{NBSP}per{NBSP}{per}"),
        }
    }

    /// The span of a slope: `21 to 25 °C`.
    #[must_use]
    pub fn span(found: &SlopeFinding) -> String {
        let (low, high) = found.span;
        with_unit(&format!("{} to {}", short(low), short(high)), &found.unit)
    }

    /// A slope.
    #[must_use]
    pub fn slope(&self, found: &SlopeFinding) -> String {
        let place = place(found.per_unit, found.standard_error);
        let name = capital(&plain(&found.factor));
        let value = with_unit(&fixed(found.per_unit, place), &self.slope_unit(found));
        let kind = planned(found.planned);
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!("{name}: {value}; how certain it is cannot be told; {kind}.");
        };
        let interval = format!("({} {})", self.interval_name(), Self::interval(low, high, place));
        match side(found.low, found.high) {
            Side::Higher | Side::Lower => format!("{name}: {value} {interval} over {}; {kind}.", Self::span(found)),
            Side::Both | Side::Unknown => {
                format!(
                    "{name}: undecided; {value} {interval} over {}; {kind}.",
                    Self::span(found)
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
        let (Some(p), Some(f), Some(df)) = (found.p, found.f, found.denominator_df) else {
            let why = found
                .note
                .as_deref()
                .map_or_else(String::new, |note| format!(" ({})", note.trim_end_matches('.')));
            return format!("{name}: cannot be told{why}; {kind}.");
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
                format!("{factor}: the change is not along a straight line ({test}); {kind}.")
            } else {
                format!("{factor}: undecided whether the change leaves a straight line ({test}); {kind}.")
            };
        }
        let names: Vec<String> = found.factors.iter().map(|f| plain(f)).collect();
        match (decided, names.as_slice()) {
            (true, [first, rest @ ..]) if !rest.is_empty() => format!(
                "{name}: what {first} does depends on {} ({test}); {kind}.",
                listed(rest)
            ),
            (true, _) => format!("{name}: its levels read differently ({test}); {kind}."),
            (false, _) => format!("{name}: undecided ({test}); {kind}."),
        }
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
        }
        let tests = found.effects.iter().filter(|e| e.planned && e.factors.len() > 1);
        said.extend(tests.map(|e| self.effect(e)));
        said.extend(self.spread(&found.components));
        said
    }

    /// Where the spread of one result comes from, in one or two sentences; none without components.
    #[must_use]
    pub fn spread(&self, components: &[Component]) -> Vec<String> {
        let sum = |part: &str| -> f64 {
            components
                .iter()
                .filter(|c| c.part_of == part)
                .filter_map(|c| c.share)
                .sum()
        };
        let (method, product) = (sum("method"), sum("product"));
        let mut said = Vec::new();
        if method + product > 0.0 {
            let whole = if components.iter().any(|c| c.variance.is_none()) {
                "Of the spread of one result that can be told apart"
            } else {
                "Of the spread of one result"
            };
            said.push(format!(
                "{whole}, {} of the variance comes from the method{} and {} from the product{}.",
                percent(method),
                largest(components, "method"),
                percent(product),
                largest(components, "product"),
            ));
        }
        let zero = sources(components, |c| c.variance.is_some_and(|v| v <= 0.0));
        if !zero.is_empty() {
            said.push(format!("Not told apart from zero: the spread of {}.", listed(&zero)));
        }
        let unknown = sources(components, |c| c.variance.is_none());
        if !unknown.is_empty() {
            said.push(format!("Cannot be told: the spread of {}.", listed(&unknown)));
        }
        said
    }

    /// The division of the variance, for titles.
    #[must_use]
    pub fn spread_short(&self, components: &[Component]) -> Option<String> {
        let sum = |part: &str| -> f64 {
            let of_part = components.iter().filter(|c| c.part_of == part);
            of_part.filter_map(|c| c.share).sum()
        };
        let (method, product) = (sum("method"), sum("product"));
        (method + product > 0.0).then(|| {
            format!(
                "{} of the variance of one result comes from the method, {} from the product",
                percent(method),
                percent(product)
            )
        })
    }

    /// A component's standard deviation with its interval, as printed.
    #[must_use]
    pub fn component(&self, found: &Component) -> String {
        let (Some(variance), Some(deviation)) = (found.variance, found.standard_deviation) else {
            return "cannot be told".to_owned();
        };
        let place = Place(
            Place::of_digits(found.high.or(found.low).unwrap_or(deviation), 3)
                .0
                .clamp(0, 15),
        );
        let value = if variance <= 0.0 {
            "not told apart from zero".to_owned()
        } else {
            fixed(deviation, place)
        };
        match (found.low, found.high) {
            (Some(low), Some(high)) => format!("{value} ({})", Self::interval(low, high, place)),
            (None, Some(high)) => format!("{value} (at most {})", fixed(high, place)),
            _ => value,
        }
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

/// A number of the protocol, such as a level: as short as it reads back.
fn short(value: f64) -> String {
    let text = number::exact(value.abs());
    if value < 0.0 { format!("\u{2212}{text}") } else { text }
}

fn sources(components: &[Component], test: impl Fn(&Component) -> bool) -> Vec<String> {
    components.iter().filter(|c| test(c)).map(source).collect()
}

/// A source of spread by name; of a factor it is its levels that bring spread.
#[must_use]
pub fn source(component: &Component) -> String {
    let name = plain(&component.source);
    if component.kind == "levels studied" {
        format!("the levels of {name}")
    } else {
        name
    }
}

/// The two largest sources of a part, in parentheses.
fn largest(components: &[Component], part: &str) -> String {
    let mut found: Vec<(&Component, f64)> = components
        .iter()
        .filter(|c| c.part_of == part)
        .filter_map(|c| c.share.filter(|&s| s >= 0.005).map(|s| (c, s)))
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let parts: Vec<String> = found
        .iter()
        .take(2)
        .map(|(c, share)| format!("{} {}", source(c), percent(*share)))
        .collect();
    match (parts.len(), found.len()) {
        (0, _) => String::new(),
        (_, 1) => format!(" ({})", source(found[0].0)),
        _ => format!(" (most from {})", listed(&parts)),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn voice(relevant: Option<f64>) -> Voice {
        Voice {
            unit: "Shore D".to_owned(),
            confidence: 0.95,
            relevant,
            factor_units: BTreeMap::from([("temperature".to_owned(), "°C".to_owned())]),
        }
    }

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

    fn component(source: &str, part: &str, variance: Option<f64>, share: Option<f64>) -> Component {
        serde_json::from_value(json!({
            "source": source, "kind": "unit", "part_of": part, "variance": variance,
            "standard_deviation": variance.map(|v| v.max(0.0).sqrt()), "low": null, "high": null, "df": 3.0,
            "share": share, "note": null,
        }))
        .unwrap()
    }

    /// No-break spaces as plain ones: the tests read like the sentences.
    fn said(text: &str) -> String {
        text.replace(NBSP, " ")
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
        found.p_adjusted = Some(0.081);
        assert!(said(&voice(None).contrast(&found)).ends_with(
            "lower); no longer decided when all comparisons of the factor are allowed for (adjusted p = 0.081); planned."
        ));
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

    #[test]
    fn the_spread_is_divided_between_method_and_product() {
        let parts = [
            component("session", "method", Some(0.22), Some(0.22)),
            component("run", "method", Some(0.40), Some(0.40)),
            component("roller", "product", Some(0.38), Some(0.38)),
            component("position", "product", Some(-0.01), Some(0.0)),
        ];
        let sentences: Vec<String> = voice(None).spread(&parts).iter().map(|s| said(s)).collect();
        assert_eq!(
            sentences,
            [
                "Of the spread of one result, 62 % of the variance comes from the method (most from run 40 % and session \
                 22 %) and 38 % from the product (roller).",
                "Not told apart from zero: the spread of position."
            ]
        );
        let unknown = [
            component("session", "method", None, None),
            component("run", "method", Some(1.0), Some(1.0)),
        ];
        let sentences: Vec<String> = voice(None).spread(&unknown).iter().map(|s| said(s)).collect();
        assert_eq!(
            sentences,
            [
                "Of the spread of one result that can be told apart, 100 % of the variance comes from the method (run) \
                 and 0 % from the product.",
                "Cannot be told: the spread of session."
            ]
        );
        assert!(voice(None).spread(&[]).is_empty());
    }

    #[test]
    fn levels_carry_their_unit_once() {
        let voice = voice(None);
        for level in ["21", "21 °C", "21\u{a0}°C"] {
            assert_eq!(voice.level("temperature", level), "21\u{a0}°C");
            assert_eq!(voice.bare_level("temperature", level), "21");
            assert!(voice.same_level("temperature", level, "21"));
        }
        assert_eq!(voice.level("finish", "waxed"), "waxed");
        assert_eq!(voice.bare_level("temperature", "°C"), "°C");
    }

    #[test]
    fn lists_and_counts_read_well() {
        assert_eq!(numbers(&[3, 5, 6, 7, 8, 11, 12]), "3, 5 to 8, 11 and 12");
        assert_eq!(numbers(&[]), "");
        assert_eq!(said(&count(1, "run", "runs")), "1 run");
        assert_eq!(said(&count(0, "run", "runs")), "0 runs");
        assert_eq!(capital("étage"), "Étage");
        assert_eq!(plain("indenter_speed"), "indenter speed");
    }
}
