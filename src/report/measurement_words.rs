//! A study of a measurement system in plain sentences.
//!
//! In:  the findings on the measurement system, and the `Voice` that names things.
//! Out: sentences: the spread of the measuring and where it comes from, against the product, against the tolerance, how many
//!      groups of parts are told apart, bias, linearity, stability.
//!
//! | form           | when                                                         |
//! |----------------|--------------------------------------------------------------|
//! | decided        | the whole interval lies on one side of a guidepost            |
//! | undecided      | it reaches both sides                                         |
//! | cannot be told | there is no interval                                          |
//!
//! Guideposts are marked as common practice and are never a pass mark.

use crate::analysis::{
    BiasFinding, LinearityFinding, MeasurementFinding, RatioFinding, SpreadFinding, StabilityFinding, Verdict,
};

use super::number::{self, NBSP, Place, fixed, percent, significant, with_unit};
use super::words::{self, Voice, count, listed, plain, several};

/// A spread with its interval: `0.45 (0.32 to 1.21)`.
pub(super) fn spread(found: &SpreadFinding) -> String {
    let place = found
        .high
        .and_then(|high| Place::of_error((high - found.low.unwrap_or(0.0)) / 4.0))
        .map_or_else(
            || Place(Place::of_digits(found.value, 3).0.max(0)),
            |p| Place(p.0.max(0)),
        );
    let value = fixed(found.value, place);
    match (found.low, found.high) {
        (Some(low), Some(high)) => format!("{value} ({})", Voice::interval(low, high, place)),
        (Some(low), None) => format!("{value} (at least {})", fixed(low, place)),
        _ => format!("{value} (no interval)"),
    }
}

/// A ratio in per cent with its interval.
pub(super) fn in_percent(found: &RatioFinding) -> String {
    match (found.low, found.high) {
        (Some(low), Some(high)) => format!("{} ({} to {})", percent(found.value), percent(low), percent(high)),
        (Some(low), None) => format!("{} (at least {})", percent(found.value), percent(low)),
        _ => format!("{} (no interval)", percent(found.value)),
    }
}

/// Where a ratio lies among the common guideposts of a tenth and three tenths.
fn guidepost(found: &RatioFinding) -> String {
    let word = |v: f64| {
        if v < 0.1 {
            "below a tenth"
        } else if v <= 0.3 {
            "between a tenth and three tenths"
        } else {
            "above three tenths"
        }
    };
    match (found.low, found.high) {
        (Some(low), Some(high)) if word(low) == word(high) => format!("{}, the whole interval", word(low)),
        (Some(_), _) => format!("{} by the estimate, undecided by the interval", word(found.value)),
        _ => format!(
            "{} by the estimate; how certain that is cannot be told",
            word(found.value)
        ),
    }
}

/// Whole categories: `4 (2 to 7)`.
pub(super) fn categories(found: &RatioFinding) -> String {
    // Rounded down, and never below one: what is not told apart is one group.
    let whole = |v: f64| fixed(v.floor().max(1.0), Place(0));
    match (found.low, found.high) {
        (Some(low), Some(high)) => format!("{} ({} to {})", whole(found.value), whole(low), whole(high)),
        (Some(low), None) => format!("{} (at least {})", whole(found.value), whole(low)),
        _ => format!("{} (no interval)", whole(found.value)),
    }
}

/// The plain answer by the common guideposts: against the tolerance if there is one, else against the spread of the parts.
fn opening(found: &MeasurementFinding, parts: &str) -> Option<String> {
    found.measuring.as_ref()?;
    let (ratio, what) = match (&found.to_tolerance, &found.spread_ratio) {
        (Some(ratio), _) => (ratio, "for this tolerance".to_owned()),
        (None, Some(ratio)) => (ratio, format!("for telling these {parts} apart")),
        (None, None) => return None,
    };
    let guide = "by the common guidepost of three tenths (common practice, no pass mark)";
    Some(match (ratio.low, ratio.high) {
        (Some(_), Some(high)) if high <= 0.3 => format!("The measuring is fine enough {what} {guide}."),
        (Some(low), _) if low > 0.3 => format!("The measuring is too coarse {what} {guide}."),
        (Some(_), _) => format!("Whether the measuring is fine enough {what} {guide} is undecided."),
        _ => format!("Whether the measuring is fine enough {what} {guide} cannot be told: there is no interval."),
    })
}

impl Voice {
    /// The answers on a measurement system, in order.
    #[must_use]
    pub fn measurement(&self, found: &MeasurementFinding) -> Vec<String> {
        let part = plain(&found.part);
        let mut said: Vec<String> = opening(found, &several(&part)).into_iter().collect();
        let interval = self.interval_name();
        match &found.measuring {
            Some(measuring) => {
                let mut parts = Vec::new();
                if let Some(repeats) = &found.repeatability {
                    parts.push(format!("repeats {}", spread(repeats)));
                }
                if let Some(by) = &found.reproducibility {
                    let names: Vec<String> = found.by.iter().map(|b| plain(b)).collect();
                    parts.push(format!("{} {}", listed(&names), spread(by)));
                }
                said.push(format!(
                    "One result varies by the measuring with a standard deviation of {}{}: {} ({interval} in parentheses).",
                    spread(measuring),
                    if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) },
                    listed(&parts)
                ));
            }
            None => said.push("The spread of the measuring cannot be told.".to_owned()),
        }
        if let (Some(share), Some(ratio)) = (&found.variance_share, &found.spread_ratio) {
            said.push(format!(
                "Of the variance of one result over these {}, {} is the measuring; as standard deviations the measuring is {} \
                 of the whole: {} (common guideposts, no pass mark).",
                several(&part),
                in_percent(share),
                in_percent(ratio),
                guidepost(ratio)
            ));
        }
        if let (Some(ratio), Some((low, high))) = (&found.to_tolerance, found.tolerance) {
            said.push(format!(
                "Against the tolerance of {} to {}: {} standard deviations of the measuring take up {} of its width: {} \
                 (common guideposts, no pass mark).",
                number::exact(low),
                with_unit(&number::exact(high), &self.unit),
                number::exact(found.multiple),
                in_percent(ratio),
                guidepost(ratio)
            ));
        }
        if let Some(ratio) = &found.categories {
            let five = match (ratio.low, ratio.high) {
                (Some(low), _) if low >= 5.0 => "five or more are a common guidepost, which the whole interval reaches",
                (_, Some(high)) if high < 5.0 => {
                    "five or more are a common guidepost, which the whole interval falls short of"
                }
                (Some(_), _) => "undecided against the common guidepost of five",
                _ => "the common guidepost is five; how certain this is cannot be told",
            };
            said.push(format!(
                "Groups of {} that single results tell apart: {}; {five}.",
                several(&part),
                categories(ratio)
            ));
        }
        if let Some(p) = found.p_joint {
            let decided = p <= 1.0 - self.confidence;
            said.push(if decided {
                format!("Those who measure differ from {part} to {part} by more than repeats explain ({}).", number::p_equals(p))
            } else {
                format!(
                    "Undecided whether those who measure differ from {part} to {part} by more than repeats explain ({}).",
                    number::p_equals(p)
                )
            });
        }
        said.extend(found.bias.iter().map(|b| self.bias(b)));
        said.extend(found.linearity.as_ref().map(|l| self.linearity(l)));
        said.extend(found.stability.iter().map(|s| self.stability(s)));
        said
    }

    /// Bias on a reference.
    #[must_use]
    pub fn bias(&self, found: &BiasFinding) -> String {
        let place = words::place(found.bias, found.standard_error);
        let value = with_unit(&fixed(found.bias, place), &self.unit);
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!("Bias on {}: {value}; how certain that is cannot be told.", found.label);
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
        let interval = format!("{} {}", self.interval_name(), Self::interval(low, high, place));
        if low > 0.0 || high < 0.0 {
            let word = if low > 0.0 { "above" } else { "below" };
            format!(
                "Bias on {}: {value}, {word} the accepted value ({interval}){verdict}.",
                found.label
            )
        } else {
            format!("Bias on {}: undecided; {value} ({interval}){verdict}.", found.label)
        }
    }

    /// Bias along the scale.
    #[must_use]
    pub fn linearity(&self, found: &LinearityFinding) -> String {
        let place = words::place(found.slope, found.standard_error);
        let value = fixed(found.slope, place);
        let per = if self.unit.is_empty() {
            String::new()
        } else {
            format!(" per {}", self.unit)
        };
        let relevant = self
            .relevant
            .map_or_else(String::new, |r| with_unit(&number::exact(r), &self.unit));
        let verdict = match found.verdict {
            None => String::new(),
            Some(Verdict::DoesNotMatter) => {
                format!("; over the whole span the bias stays within the {relevant} that matter")
            }
            Some(Verdict::Matters) => {
                format!("; somewhere on the span the bias is more than the {relevant} that matter")
            }
            Some(Verdict::Undecided) => {
                format!("; whether it stays within the {relevant} that matter over the whole span is undecided")
            }
        };
        let (Some(low), Some(high)) = (found.low, found.high) else {
            return format!(
                "Linearity: the bias changes by {value}{per}; how certain that is cannot be told{verdict}."
            );
        };
        let interval = format!("{} {}", self.interval_name(), Self::interval(low, high, place));
        let references = count(found.references, "reference", "references");
        if low > 0.0 || high < 0.0 {
            let word = if low > 0.0 { "grows" } else { "falls" };
            format!("Linearity: the bias {word} along the scale, {value}{per} ({interval}, {references}){verdict}.")
        } else {
            format!(
                "Linearity: undecided whether the bias changes along the scale; {value}{per} ({interval}, {references}){verdict}."
            )
        }
    }

    /// A reference over time.
    #[must_use]
    pub fn stability(&self, found: &StabilityFinding) -> String {
        let checks = count(found.checks.len(), "check", "checks");
        let over = plain(&found.over);
        let outside = match found.outside.as_slice() {
            [] => format!("all {checks} lie within the limits"),
            [one] => format!("of {checks} that of {over}{NBSP}{one} lies outside the limits"),
            many => format!(
                "of {checks} those of {} {} lie outside the limits",
                several(&over),
                listed(many)
            ),
        };
        let place = Place::of_error(found.mean_step).unwrap_or(Place(2));
        let trend = match (found.slope_low, found.slope_high) {
            (Some(low), Some(high)) => {
                let interval = format!("{} {}", self.interval_name(), Self::interval(low, high, place));
                let value = with_unit(&fixed(found.slope, place), &self.unit);
                if low > 0.0 || high < 0.0 {
                    let word = if low > 0.0 { "climb" } else { "fall" };
                    format!("they {word} by {value} from one to the next ({interval})")
                } else {
                    format!("undecided whether they drift: {value} from one to the next ({interval})")
                }
            }
            _ => "whether they drift cannot be told".to_owned(),
        };
        format!(
            "Stability on {}: {outside} ({} to {}); {trend}.",
            found.label,
            significant(found.low, 4),
            with_unit(&significant(found.high, 4), &self.unit)
        )
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::words::trial::{said, voice};
    use super::*;

    fn ratio(value: f64, low: f64, high: f64) -> RatioFinding {
        RatioFinding {
            value,
            low: Some(low),
            high: Some(high),
        }
    }

    fn study() -> MeasurementFinding {
        let spread = |value: f64, low: f64, high: f64| json!({ "value": value, "low": low, "high": high, "df": 3.0 });
        let ratio = |value: f64, low: f64, high: f64| json!({ "value": value, "low": low, "high": high });
        serde_json::from_value(json!({
            "part": "roller", "by": ["operator"], "parts": 10, "results": 60, "mean": 57.0, "design": "crossed",
            "layers": [], "p_joint": 0.2, "pooled": false, "repeatability": spread(0.35, 0.28, 0.47),
            "reproducibility": spread(0.4, 0.2, 2.4), "measuring": spread(0.53, 0.4, 2.5),
            "product": spread(3.0, 2.0, 5.5), "total": spread(3.05, 2.1, 5.9), "variance_share": ratio(0.03, 0.01, 0.6),
            "spread_ratio": ratio(0.174, 0.08, 0.77), "categories": ratio(8.0, 1.2, 17.9), "tolerance": [50.0, 65.0],
            "multiple": 6.0, "to_tolerance": ratio(0.212, 0.16, 1.0), "by_means": [], "cells": [], "cannot_tell": [],
        }))
        .unwrap()
    }

    #[test]
    fn the_measuring_against_product_and_tolerance() {
        let said: Vec<String> = voice(Some(0.5)).measurement(&study()).iter().map(|s| said(s)).collect();
        assert_eq!(
            said,
            [
                "Whether the measuring is fine enough for this tolerance by the common guidepost of three tenths (common \
                 practice, no pass mark) is undecided.",
                "One result varies by the measuring with a standard deviation of 0.53 (0.40 to 2.50) Shore D: repeats 0.350 \
                 (0.280 to 0.470) and operator 0.40 (0.20 to 2.40) (95 % interval in parentheses).",
                "Of the variance of one result over these rollers, 3 % (1 % to 60 %) is the measuring; as standard deviations \
                 the measuring is 17 % (8 % to 77 %) of the whole: between a tenth and three tenths by the estimate, \
                 undecided by the interval (common guideposts, no pass mark).",
                "Against the tolerance of 50 to 65 Shore D: 6 standard deviations of the measuring take up 21 % (16 % to 100 \
                 %) of its width: between a tenth and three tenths by the estimate, undecided by the interval (common \
                 guideposts, no pass mark).",
                "Groups of rollers that single results tell apart: 8 (1 to 17); undecided against the common guidepost of \
                 five.",
                "Undecided whether those who measure differ from roller to roller by more than repeats explain (p = 0.20).",
            ]
        );
    }

    #[test]
    fn the_opening_is_decided_undecided_or_cannot_be_told() {
        let mut found = study();
        let mut opening = |to_tolerance: Option<RatioFinding>| {
            found.to_tolerance = to_tolerance;
            opening(&found, "rollers").unwrap()
        };
        let guide = "by the common guidepost of three tenths (common practice, no pass mark)";
        assert_eq!(
            opening(Some(ratio(0.2, 0.15, 0.3))),
            format!("The measuring is fine enough for this tolerance {guide}.")
        );
        assert_eq!(
            opening(Some(ratio(0.5, 0.31, 0.9))),
            format!("The measuring is too coarse for this tolerance {guide}.")
        );
        assert!(opening(Some(ratio(0.2, 0.1, 0.4))).ends_with("is undecided."));
        // Without a tolerance the parts are what it is held against.
        assert_eq!(
            opening(None),
            format!("Whether the measuring is fine enough for telling these rollers apart {guide} is undecided.")
        );
        let none = RatioFinding {
            value: 0.2,
            low: None,
            high: None,
        };
        assert!(opening(Some(none)).ends_with("cannot be told: there is no interval."));
    }

    #[test]
    fn guideposts_are_decided_by_the_whole_interval() {
        assert_eq!(guidepost(&ratio(0.05, 0.03, 0.09)), "below a tenth, the whole interval");
        assert_eq!(
            guidepost(&ratio(0.5, 0.31, 0.9)),
            "above three tenths, the whole interval"
        );
        let none = RatioFinding {
            value: 0.2,
            low: None,
            high: None,
        };
        assert!(guidepost(&none).ends_with("cannot be told"));
        let mut found = study();
        for (ratio, text) in [
            (ratio(8.0, 5.1, 12.0), "which the whole interval reaches."),
            (ratio(2.0, 0.4, 4.9), "which the whole interval falls short of."),
        ] {
            found.categories = Some(ratio);
            assert!(voice(None).measurement(&found).iter().any(|s| s.ends_with(text)));
        }
        assert_eq!(categories(&ratio_of_nothing()), "1 (1 to 4)");
    }

    fn ratio_of_nothing() -> RatioFinding {
        ratio(0.3, 0.0, 4.9)
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let mut found = study();
        (found.measuring, found.variance_share, found.to_tolerance) = (None, None, None);
        (found.categories, found.p_joint) = (None, None);
        assert_eq!(
            voice(None).measurement(&found),
            ["The spread of the measuring cannot be told."]
        );
    }

    #[test]
    fn bias_linearity_and_stability() {
        let voice = voice(Some(0.5));
        let mut bias: BiasFinding = serde_json::from_value(json!({
            "label": "block 70", "reference": 70.2, "uncertainty": 0.15, "source": "", "n": 18, "by": 3, "bias": 0.72,
            "standard_error": 0.09, "df": 4.0, "low": 0.55, "high": 0.89, "verdict": "matters",
        }))
        .unwrap();
        assert_eq!(
            said(&voice.bias(&bias)),
            "Bias on block 70: 0.720 Shore D, above the accepted value (95 % interval 0.550 to 0.890), more than the 0.5 \
             Shore D that matter."
        );
        (bias.low, bias.verdict) = (Some(-0.1), Some(Verdict::Undecided));
        assert!(said(&voice.bias(&bias)).starts_with("Bias on block 70: undecided; 0.720 Shore D"));
        bias.high = None;
        assert!(said(&voice.bias(&bias)).ends_with("how certain that is cannot be told."));
        let mut line: LinearityFinding = serde_json::from_value(json!({
            "references": 3, "at_mean": 0.2, "mean": 55.0, "slope": 0.02, "standard_error": 0.004, "df": 1.0,
            "low": 0.004, "high": 0.036, "band": [], "verdict": "undecided",
        }))
        .unwrap();
        assert_eq!(
            said(&voice.linearity(&line)),
            "Linearity: the bias grows along the scale, 0.0200 per Shore D (95 % interval 0.0040 to 0.0360, 3 references); \
             whether it stays within the 0.5 Shore D that matter over the whole span is undecided."
        );
        line.low = Some(-0.1);
        assert!(said(&voice.linearity(&line)).starts_with("Linearity: undecided whether the bias changes"));
        line.high = None;
        assert!(said(&voice.linearity(&line)).contains("cannot be told"));
        let stable: StabilityFinding = serde_json::from_value(json!({
            "label": "block 55", "over": "day", "checks": [["1", 55.0], ["2", 55.2], ["3", 54.9], ["4", 55.1], ["5", 56.5]],
            "mean": 55.34, "mean_step": 0.2, "low": 54.8, "high": 55.9, "outside": ["5"], "slope": 0.1,
            "slope_low": -0.2, "slope_high": 0.4,
        }))
        .unwrap();
        assert_eq!(
            said(&voice.stability(&stable)),
            "Stability on block 55: of 5 checks that of day 5 lies outside the limits (54.80 to 55.90 Shore D); undecided \
             whether they drift: 0.10 Shore D from one to the next (95 % interval −0.20 to 0.40)."
        );
    }
}
