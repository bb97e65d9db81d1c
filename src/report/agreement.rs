//! Two methods in words, tables and figures.
//!
//! In:  the agreement of one response, and the `Voice` that names things.
//! Out: sentences for the head of the report, and a section.
//!
//! | form              | when                                                                     |
//! |-------------------|--------------------------------------------------------------------------|
//! | agree             | the interval of the mean difference lies within the margin, and single differences keep theirs |
//! | do not agree      | one of the two surely does not                                            |
//! | undecided         | neither                                                                  |
//! | cannot be told    | the test could not be made                                                |

use crate::analysis::{AgreementFinding, Closeness, SpreadTrendFinding};

use super::agreement_figures::{against_mean, along_order, between};
use super::agreement_tables::{along_level, bias, lines, next, pairs, summary};
use super::document::{Block, Section};
use super::number::{self, NBSP, Place, fixed, p_equals, p_value, significant, with_unit};
use super::sections::section;
use super::words::{Voice, capital, plain, several};

impl AgreementFinding {
    pub(super) fn is_ratio(&self) -> bool {
        self.scale == "ratio"
    }
}

/// How numbers of one comparison are printed.
pub(super) struct Print<'a> {
    found: &'a AgreementFinding,
    pub(super) unit: &'a str,
    pub(super) place: Place,
}

impl<'a> Print<'a> {
    fn new(found: &'a AgreementFinding, voice: &'a Voice) -> Self {
        let error = if found.is_ratio() {
            found.standard_error * 100.0
        } else {
            found.standard_error
        };
        Self {
            found,
            unit: if found.is_ratio() { "%" } else { &voice.unit },
            place: Place::of_error(error).unwrap_or(Place(2)),
        }
    }

    /// A difference in its unit, or what a ratio is off by in per cent.
    pub(super) fn bare(&self, value: f64) -> String {
        fixed(
            if self.found.is_ratio() {
                (value - 1.0) * 100.0
            } else {
                value
            },
            self.place,
        )
    }

    pub(super) fn size(&self, value: f64) -> String {
        with_unit(&self.bare(value), self.unit)
    }

    pub(super) fn to(&self, low: f64, high: f64) -> String {
        with_unit(&format!("{} to {}", self.bare(low), self.bare(high)), self.unit)
    }

    /// A declared size, as short as it reads.
    pub(super) fn declared(&self, size: f64) -> String {
        with_unit(
            &number::exact(if self.found.is_ratio() {
                (size * 1e6).round() / 1e4
            } else {
                size
            }),
            self.unit,
        )
    }

    /// `mini reads 6.0 L/min higher than large`.
    pub(super) fn direction(&self) -> String {
        let zero = if self.found.is_ratio() { 1.0 } else { 0.0 };
        let off = if self.found.is_ratio() {
            (self.found.difference - 1.0).abs() * 100.0
        } else {
            self.found.difference.abs()
        };
        let name = plain(&self.found.factor);
        format!(
            "{name} {} reads {} {} than {}",
            self.found.other,
            with_unit(&fixed(off, self.place), self.unit),
            if self.found.difference >= zero {
                "higher"
            } else {
                "lower"
            },
            self.found.reference
        )
    }
}

/// The plain answer first, then what it rests on.
pub(super) fn answers(found: &AgreementFinding, voice: &Voice) -> Vec<String> {
    let print = Print::new(found, voice);
    let mut said = vec![verdict(found)];
    said.push(mean(found, voice, &print));
    said.push(single(found, voice, &print));
    said.extend(changing(found, voice));
    said.extend(tolerance(found, voice));
    said
}

fn pair(found: &AgreementFinding) -> String {
    format!("{} {} and {}", plain(&found.factor), found.reference, found.other)
}

fn verdict(found: &AgreementFinding) -> String {
    let who = pair(found);
    let single = found.acceptable.as_ref().map(|a| a.outcome.as_str());
    match (found.equivalence.as_ref().map(|e| e.outcome), single) {
        (None, _) => format!("Whether {who} agree within the declared margins cannot be told."),
        (Some(Closeness::DifferentAndRelevant), _) => {
            format!(
                "{} do not agree: their mean difference is more than does no harm.",
                capital(&who)
            )
        }
        (_, Some("beyond")) => {
            format!(
                "{} do not agree: single {}s differ by more than does no harm.",
                capital(&who),
                found.single
            )
        }
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), Some("within")) => {
            format!(
                "{} agree within the declared margins, on average and one by one.",
                capital(&who)
            )
        }
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), None) => format!(
            "{} agree on average within the declared margin; for single {}s the protocol declares none.",
            capital(&who),
            found.single
        ),
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), _) => format!(
            "{} agree on average within the declared margin; whether single {}s do is undecided.",
            capital(&who),
            found.single
        ),
        (Some(Closeness::Undecided), _) => format!("Whether {who} agree within the declared margins is undecided."),
    }
}

fn mean(found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> String {
    let margin = print.declared(found.margin);
    let head = format!(
        "On average {} ({} {})",
        print.direction(),
        voice.interval_name(),
        print.to(found.low, found.high)
    );
    let Some(test) = &found.equivalence else {
        return format!("{head}; how that lies to the margin of {margin} cannot be told.");
    };
    let inner = format!(
        "{} interval {}, {}",
        number::confidence(1.0 - 2.0 * test.risk),
        print.to(test.low, test.high),
        p_equals(test.p)
    );
    match test.outcome {
        Closeness::Equivalent => format!("{head}: within the {margin} that do no harm ({inner})."),
        Closeness::DifferentButEquivalent => {
            format!("{head}: a difference, but within the {margin} that do no harm ({inner}).")
        }
        Closeness::DifferentAndRelevant => format!("{head}: more than the {margin} that do no harm."),
        Closeness::Undecided => {
            format!("{head}: undecided whether that keeps the {margin} that do no harm ({inner}).")
        }
    }
}

fn single(found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> String {
    let text = format!(
        "{} of the differences between two single {}s lie between {} and {} ({} of these limits {}, and {})",
        number::confidence(found.coverage),
        found.single,
        print.size(found.lower_limit.value),
        print.size(found.upper_limit.value),
        voice.interval_name().replace("interval", "intervals"),
        print.to(found.lower_limit.low, found.lower_limit.high),
        print.to(found.upper_limit.low, found.upper_limit.high),
    );
    match &found.acceptable {
        None => format!("{text}."),
        Some(acceptable) => {
            let size = print.declared(acceptable.size);
            match acceptable.outcome.as_str() {
                "within" => format!("{text}: within the {size} that do no harm."),
                "beyond" => format!("{text}: beyond the {size} that do no harm."),
                _ => format!("{text}: undecided whether they keep the {size} that do no harm."),
            }
        }
    }
}

/// What a single pair of limits does not tell.
fn changing(found: &AgreementFinding, voice: &Voice) -> Vec<String> {
    let decided = |trend: &Option<SpreadTrendFinding>| {
        trend
            .as_ref()
            .filter(|trend| trend.p <= 1.0 - voice.confidence)
            .map(|trend| (trend.slope > 0.0, trend.p))
    };
    let mut said = Vec::new();
    if let Some((up, p)) = decided(&found.along_level) {
        let word = if up { "rises" } else { "falls" };
        said.push(format!(
            "The difference {word} with the level ({}), so one mean difference does not hold at every level; the line between \
             the methods gives it at each.",
            p_equals(p)
        ));
    }
    if let Some((up, p)) = decided(&found.spread_along_level) {
        let word = if up { "more" } else { "less" };
        let too = if up {
            "wide for low levels and too narrow for high ones"
        } else {
            "narrow for low levels and too wide for high ones"
        };
        said.push(format!(
            "Differences scatter {word} at higher levels ({}), so the limits above are too {too}; a table gives them along \
             the level.",
            p_equals(p)
        ));
    }
    if let Some((up, p)) = decided(&found.along_order) {
        let word = if up { "rose" } else { "fell" };
        said.push(format!(
            "The difference {word} in the course of the study ({}): something drifted.",
            p_equals(p)
        ));
    }
    said
}

fn tolerance(found: &AgreementFinding, voice: &Voice) -> Option<String> {
    let t = found.tolerance.as_ref()?;
    let size = |value: f64| with_unit(&number::exact((value * 1e6).round() / 1e6), &voice.unit);
    let likely = with_unit(&significant(t.likely, 3), &voice.unit);
    let start = format!(
        "The calibration tolerances ({} and {}) allow the two to differ by {} together, and 95{NBSP}% of such pairs by no \
         more than {likely}",
        size(t.reference),
        size(t.other),
        size(t.together)
    );
    Some(match t.outcome.as_str() {
        "within" => format!("{start}: the mean difference is inside what the tolerances allow."),
        "beyond" => format!(
            "{start}: the mean difference is more than the tolerances allow, so one of the two is out of tolerance or is used \
             in another way."
        ),
        _ => format!("{start}: undecided whether the mean difference is inside that."),
    })
}

/// The rules, assumptions and caveats behind the section.
fn rules(found: &AgreementFinding) -> Vec<String> {
    let one = plain(&found.specimens);
    let mut items = vec![
        format!(
            "One {one} is one pair, however often it was read; that the methods correlate, or that a difference is not told \
             apart from zero, is not taken for agreement."
        ),
        "Equivalence: two one-sided tests, which decide as the narrower interval named beside them does: inside the margin or \
         not; limits of agreement after Bland and Altman; line with errors in both after Deming; line by ranks after Passing and Bablok; \
         concordance after Lin."
            .to_owned(),
        format!("Assumed: differences near normal, and independent from one {one} to the next."),
        format!(
            "What is said holds for {} like these, over their range; a correction of one method to the other must be tried on \
             new ones.",
            several(&one)
        ),
        "What both share, such as a reference block or the room, cancels in the difference and does not against a limit."
            .to_owned(),
    ];
    if !found.within.iter().any(|w| w.method != "both together") {
        items.push("Which of the two scatters more by itself cannot be told from these readings.".to_owned());
    }
    items
}

/// The section.
pub(super) fn report(response: &str, found: &AgreementFinding, voice: &Voice) -> Section {
    let print = Print::new(found, voice);
    let mut blocks = vec![
        Block::paragraph(format!(
            "{} were read by both; differences are {} {} minus {}. The margin of {} is declared in the protocol: {}.",
            capital(&number_of(found)),
            plain(&found.factor),
            found.other,
            found.reference,
            print.declared(found.margin),
            found.origin.trim_end_matches('.')
        )),
        Block::Figure(against_mean(response, found, voice, &print)),
        Block::Table(summary(response, found, voice, &print)),
    ];
    if !found.limits_along_level.is_empty() {
        blocks.push(Block::Table(along_level(response, found, &print)));
    }
    if found.line.is_some() || found.ranks.is_some() {
        blocks.push(Block::Figure(between(response, found, voice)));
        blocks.push(Block::Table(lines(response, found, voice)));
    }
    if found.line.as_ref().is_some_and(|line| !line.bias.is_empty()) {
        blocks.push(Block::Table(bias(response, found, voice)));
    }
    if found.along_order.is_some() {
        blocks.push(Block::Figure(along_order(response, found, voice, &print)));
    }
    blocks.push(Block::Table(next(response, found, &print)));
    blocks.push(Block::Table(pairs(response, found, &print)));
    blocks.push(Block::heading("Rules, assumptions and caveats"));
    blocks.push(Block::list(rules(found)));
    section("agreement", "How the two methods agree", blocks)
}

fn number_of(found: &AgreementFinding) -> String {
    format!("{}{NBSP}{}", found.n, several(&plain(&found.specimens)))
}

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &AgreementFinding, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    let print = Print::new(found, voice);
    let at = |what: &str| format!("{name}.agreement.{what}");
    add(at("n"), found.n.to_string());
    add(at("difference"), print.size(found.difference));
    add(at("interval"), print.to(found.low, found.high));
    add(at("margin"), print.declared(found.margin));
    add(at("lower_limit"), print.size(found.lower_limit.value));
    add(at("upper_limit"), print.size(found.upper_limit.value));
    if let Some(test) = &found.equivalence {
        add(at("p"), p_value(test.p));
        add(at("equivalence_interval"), print.to(test.low, test.high));
    }
    add(at("verdict"), verdict(found));
}

#[cfg(test)]
pub(super) mod trial {
    use super::*;
    use crate::analysis::{AcceptableFinding, EquivalenceFinding, LimitFinding, NextFinding, ToleranceFinding};

    /// Two instruments on rollers; `outcome` and `single` decide the verdict.
    pub(in crate::report) fn found(outcome: Option<Closeness>, single: Option<&str>) -> AgreementFinding {
        let limit = |value: f64| LimitFinding {
            value,
            low: value - 0.4,
            high: value + 0.4,
        };
        AgreementFinding {
            factor: "instrument".to_owned(),
            reference: "A".to_owned(),
            other: "B".to_owned(),
            specimens: "roller".to_owned(),
            n: 12,
            scale: "difference".to_owned(),
            single: "result".to_owned(),
            difference: -0.312,
            standard_error: 0.084,
            df: 11.0,
            low: -0.497,
            high: -0.127,
            standard_deviation: 0.41,
            coverage: 0.95,
            lower_limit: limit(-1.116),
            upper_limit: limit(0.492),
            exact: true,
            within: Vec::new(),
            along_level: None,
            spread_along_level: None,
            along_order: None,
            limits_along_level: Vec::new(),
            margin: 0.5,
            origin: "A third of the guard band".to_owned(),
            equivalence: outcome.map(|outcome| EquivalenceFinding {
                risk: 0.05,
                p: 0.0234,
                low: -0.463,
                high: -0.161,
                outcome,
            }),
            acceptable: single.map(|outcome| AcceptableFinding {
                size: 1.5,
                outcome: outcome.to_owned(),
            }),
            line: None,
            ranks: None,
            concordance: None,
            tolerance: Some(ToleranceFinding {
                reference: 1.0,
                other: 1.0,
                together: 2.0,
                likely: 1.553,
                outcome: "within".to_owned(),
            }),
            next: NextFinding {
                power: 0.9,
                equivalence: Some(14),
                limit_reach: 0.75,
                limits: None,
                bias: None,
                ranks: None,
                concordance: None,
            },
            pairs: Vec::new(),
            cannot_tell: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::words::trial::{said, voice};
    use super::trial::found;
    use super::*;

    #[test]
    fn each_verdict_has_its_words() {
        use Closeness::{DifferentAndRelevant, DifferentButEquivalent, Equivalent, Undecided};
        let verdict = |outcome, single| said(&verdict(&found(outcome, single)));
        assert_eq!(
            verdict(Some(Equivalent), Some("within")),
            "Instrument A and B agree within the declared margins, on average and one by one."
        );
        assert_eq!(
            verdict(Some(DifferentButEquivalent), Some("undecided")),
            "Instrument A and B agree on average within the declared margin; whether single results do is undecided."
        );
        assert_eq!(
            verdict(Some(Equivalent), None),
            "Instrument A and B agree on average within the declared margin; for single results the protocol declares none."
        );
        assert_eq!(
            verdict(Some(Equivalent), Some("beyond")),
            "Instrument A and B do not agree: single results differ by more than does no harm."
        );
        assert_eq!(
            verdict(Some(DifferentAndRelevant), None),
            "Instrument A and B do not agree: their mean difference is more than does no harm."
        );
        assert_eq!(
            verdict(Some(Undecided), Some("undecided")),
            "Whether instrument A and B agree within the declared margins is undecided."
        );
        assert_eq!(
            verdict(None, None),
            "Whether instrument A and B agree within the declared margins cannot be told."
        );
    }

    #[test]
    fn the_mean_is_said_with_its_direction_and_margin() {
        let voice = voice(None);
        let mean = |outcome| {
            let found = found(outcome, None);
            said(&mean(&found, &voice, &Print::new(&found, &voice)))
        };
        let head = "On average instrument B reads 0.312 Shore D lower than A (95 % interval −0.497 to −0.127 Shore D)";
        assert_eq!(
            mean(Some(Closeness::DifferentButEquivalent)),
            format!(
                "{head}: a difference, but within the 0.5 Shore D that do no harm (90 % interval −0.463 to −0.161 Shore D, p = \
                 0.023)."
            )
        );
        assert_eq!(
            mean(Some(Closeness::DifferentAndRelevant)),
            format!("{head}: more than the 0.5 Shore D that do no harm.")
        );
        assert!(mean(Some(Closeness::Undecided)).contains("undecided whether that keeps the 0.5 Shore D"));
        assert_eq!(
            mean(None),
            format!("{head}; how that lies to the margin of 0.5 Shore D cannot be told.")
        );
    }

    #[test]
    fn single_differences_and_tolerances() {
        let voice = voice(None);
        let found = found(Some(Closeness::Equivalent), Some("within"));
        let print = Print::new(&found, &voice);
        assert_eq!(
            said(&single(&found, &voice, &print)),
            "95 % of the differences between two single results lie between −1.116 Shore D and 0.492 Shore D (95 % intervals \
             of these limits −1.516 to −0.716 Shore D, and 0.092 to 0.892 Shore D): within the 1.5 Shore D that do no harm."
        );
        assert_eq!(
            said(&tolerance(&found, &voice).unwrap()),
            "The calibration tolerances (1 Shore D and 1 Shore D) allow the two to differ by 2 Shore D together, and 95 % of \
             such pairs by no more than 1.55 Shore D: the mean difference is inside what the tolerances allow."
        );
    }

    #[test]
    fn ratios_are_said_in_per_cent() {
        let voice = voice(None);
        let mut found = found(Some(Closeness::Equivalent), None);
        found.scale = "ratio".to_owned();
        (found.difference, found.low, found.high, found.margin) = (1.021, 1.003, 1.04, 0.05);
        found.standard_error = 0.0092;
        let print = Print::new(&found, &voice);
        assert_eq!(said(&print.direction()), "instrument B reads 2.10 % higher than A");
        assert_eq!(said(&print.declared(found.margin)), "5 %");
    }

    #[test]
    fn trends_are_said_only_if_seen() {
        let voice = voice(None);
        let mut found = found(Some(Closeness::Equivalent), None);
        assert!(changing(&found, &voice).is_empty());
        let trend = |slope: f64, p: f64| {
            Some(SpreadTrendFinding {
                intercept: 0.0,
                slope,
                low: slope - 0.1,
                high: slope + 0.1,
                p,
                standard_deviation: 0.3,
            })
        };
        found.along_level = trend(-0.2, 0.01);
        found.spread_along_level = trend(0.3, 0.002);
        found.along_order = trend(0.1, 0.2);
        let said: Vec<String> = changing(&found, &voice).iter().map(|s| said(s)).collect();
        assert_eq!(said.len(), 2);
        assert!(said[0].starts_with("The difference falls with the level (p = 0.010)"));
        assert!(said[1].contains("too wide for low levels and too narrow for high ones"));
    }
}
