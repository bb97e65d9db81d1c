//! Words in a report: names as they stand in sentences, lists, counts, and the `Voice` that names things for one response.
//!
//! In:  names and levels as the protocol writes them.
//! Out: parts of sentences. The sentences themselves are made in `sentences` and `spread`.
//!
//! Numbers are rounded by `number`.

use std::collections::BTreeMap;

use crate::analysis::{ResponseFindings, SlopeFinding};

use super::number::{self, NBSP, Place, fixed, with_unit};

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

/// A count as a word at the head of a sentence: `Four`; digits from thirteen up.
#[must_use]
pub fn spelled(number: usize) -> String {
    const WORDS: [&str; 13] = [
        "No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve",
    ];
    WORDS
        .get(number)
        .map_or_else(|| number.to_string(), |&word| word.to_owned())
}

/// Several of a thing, by the common rules: `sessions`, `batches`, `assemblies`.
#[must_use]
pub fn several(noun: &str) -> String {
    let ends = |with: &[&str]| with.iter().any(|end| noun.ends_with(end));
    match noun.strip_suffix('y') {
        Some(stem) if !stem.ends_with(['a', 'e', 'i', 'o', 'u']) => format!("{stem}ies"),
        _ if ends(&["s", "x", "z", "ch", "sh"]) => format!("{noun}es"),
        _ => format!("{noun}s"),
    }
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

    /// The unit of a slope: `Shore D per °C`.
    #[must_use]
    pub fn slope_unit(&self, found: &SlopeFinding) -> String {
        self.per(&found.unit)
    }

    /// The unit of a change per unit of measure of a factor.
    #[must_use]
    pub fn per(&self, unit: &str) -> String {
        let per = if unit.is_empty() { "unit" } else { unit };
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
}

/// A number of the protocol, such as a level: as short as it reads back.
pub(super) fn short(value: f64) -> String {
    let text = number::exact(value.abs());
    if value < 0.0 { format!("\u{2212}{text}") } else { text }
}

#[cfg(test)]
pub(super) mod trial {
    //! What the tests of the sentences share.

    use super::*;

    /// A voice that speaks of Shore D, with a temperature in °C.
    pub(in crate::report) fn voice(relevant: Option<f64>) -> Voice {
        Voice {
            unit: "Shore D".to_owned(),
            confidence: 0.95,
            relevant,
            factor_units: BTreeMap::from([("temperature".to_owned(), "°C".to_owned())]),
        }
    }

    /// No-break spaces as plain ones: the tests read like the sentences.
    pub(in crate::report) fn said(text: &str) -> String {
        text.replace(NBSP, " ")
    }

    /// Findings of a response that hold nothing yet.
    pub(in crate::report) fn response() -> ResponseFindings {
        serde_json::from_value(serde_json::json!({
            "unit": "Shore D", "runs": 8, "readings": 8, "missing": 0, "statistic": "mean", "confidence": 0.95,
            "relevant": null, "model": {
                "fixed": [], "random": [], "method": "strata", "residual_df": 0, "log_likelihood": null,
            },
            "strata": [], "effects": [], "residual": {"variance": null, "standard_deviation": null, "df": 0},
            "grand_mean": {
                "levels": {}, "n": 8, "mean": 1.0, "standard_error": null, "df": null, "low": null, "high": null,
            },
            "means": [], "contrasts": [], "slopes": [], "components": [], "checks": [], "cannot_tell": [], "results": [],
        }))
        .unwrap()
    }
}

#[cfg(test)]
mod tests {
    use super::trial::{said, voice};
    use super::*;

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
        assert_eq!([4, 12, 13].map(spelled), ["Four", "Twelve", "13"]);
        assert_eq!(
            ["session", "batch", "assembly", "day", "box"].map(several),
            ["sessions", "batches", "assemblies", "days", "boxes"]
        );
        assert_eq!(capital("étage"), "Étage");
        assert_eq!(plain("indenter_speed"), "indenter speed");
    }
}
