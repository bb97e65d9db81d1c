//! Which allowed variations of the procedure move the result: the plain answer of a ruggedness test.
//!
//! In:  the findings of a response. Planned factors count as the variations that the procedure allows.
//! Out: a sentence, and a section: every variation with what would have been found, and how closely to hold it.
//!
//! | form           | when                                                                        |
//! |----------------|-----------------------------------------------------------------------------|
//! | moves          | the interval lies on one side of zero, and is not surely less than what matters |
//! | does not move  | the interval lies within what matters, or (nothing declared) nowhere: then undecided |
//! | undecided      | the interval reaches both                                                   |
//! | cannot be told | there is no interval                                                        |

use std::fmt::Write as _;

use crate::analysis::{ResponseFindings, RuggednessFinding, VariationFinding, Verdict};

use super::document::{Block, Cell, Section, Table};
use super::number::{self, Place, fixed, significant, with_unit};
use super::sections::section;
use super::words::{Voice, capital, count, listed, plain};

/// How one variation came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Came {
    Moves,
    Harmless,
    Undecided,
    Untold,
}

/// The plain answer; `None` if no factor is planned.
pub(super) fn opening(found: &ResponseFindings, voice: &Voice) -> Option<String> {
    let mut factors: Vec<&str> = Vec::new();
    for effect in found.effects.iter().filter(|effect| effect.planned) {
        if let [factor] = effect.factors.as_slice()
            && !factors.contains(&factor.as_str())
        {
            factors.push(factor);
        }
    }
    if factors.is_empty() {
        return None;
    }
    let named = |wanted: Came| -> Vec<String> {
        factors
            .iter()
            .filter(|factor| came(found, voice, factor) == wanted)
            .map(|factor| plain(factor))
            .collect()
    };
    let mut parts = Vec::new();
    for (wanted, one, many) in [
        (Came::Moves, "moves the result", "move the result"),
        (
            Came::Harmless,
            "moves it by less than matters",
            "move it by less than matters",
        ),
        (Came::Undecided, "is undecided", "are undecided"),
        (Came::Untold, "cannot be told", "cannot be told"),
    ] {
        let names = named(wanted);
        match names.len() {
            0 => {}
            1 => parts.push(format!("{} {one}", listed(&names))),
            _ => parts.push(format!("{} {many}", listed(&names))),
        }
    }
    Some(format!(
        "Of {} that the procedure allows, {}.",
        count(factors.len(), "variation", "variations"),
        parts.join("; ")
    ))
}

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &RuggednessFinding, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    for v in &found.variations {
        let at = |what: &str| format!("{name}.ruggedness.{}.{what}", v.factor);
        if let Some(size) = v.detectable {
            add(at("detectable"), with_unit(&significant(size, 2), &voice.unit));
        }
        let unit = voice.factor_units.get(&v.factor).map_or("", String::as_str);
        for (what, half) in [("half_range", v.half_range), ("cautious", v.half_range_cautious)] {
            if let Some(half) = half.filter(|half| v.span.is_none_or(|span| *half < span / 2.0)) {
                add(at(what), format!("±\u{a0}{}", with_unit(&significant(half, 2), unit)));
            }
        }
    }
}

fn came(found: &ResponseFindings, voice: &Voice, factor: &str) -> Came {
    // Each change: its interval, and what that says about the size that matters.
    let contrasts = found
        .contrasts
        .iter()
        .filter(|c| c.factor == factor && c.within.is_empty())
        .map(|c| (c.low.zip(c.high), c.verdict));
    let slopes = found.slopes.iter().filter(|s| s.factor == factor).map(|s| {
        let span = s.span.1 - s.span.0;
        let interval = s.low.zip(s.high).map(|(low, high)| (low * span, high * span));
        let verdict = voice.relevant.zip(interval).map(|(size, (low, high))| {
            if low >= size || high <= -size {
                Verdict::Matters
            } else if low > -size && high < size {
                Verdict::DoesNotMatter
            } else {
                Verdict::Undecided
            }
        });
        (interval, verdict)
    });
    let all: Vec<Came> = contrasts
        .chain(slopes)
        .map(|(interval, verdict)| match (interval, verdict) {
            (None, _) => Came::Untold,
            (_, Some(Verdict::DoesNotMatter)) => Came::Harmless,
            (Some((low, high)), _) if low > 0.0 || high < 0.0 => Came::Moves,
            _ => Came::Undecided,
        })
        .collect();
    for wanted in [Came::Moves, Came::Undecided, Came::Harmless] {
        if all.contains(&wanted) {
            return wanted;
        }
    }
    Came::Untold
}

impl Came {
    fn word(self) -> &'static str {
        match self {
            Self::Moves => "moves the result",
            Self::Harmless => "by less than matters",
            Self::Undecided => "undecided",
            Self::Untold => "cannot be told",
        }
    }
}

/// The section.
pub(super) fn report(response: &str, all: &ResponseFindings, found: &RuggednessFinding, voice: &Voice) -> Section {
    let blocks = vec![
        Block::Table(table(response, all, found, voice)),
        Block::heading("Rules, assumptions and caveats"),
        Block::list(rules(all, found)),
    ];
    section(
        "ruggedness",
        "How closely the procedure must hold each variation",
        blocks,
    )
}

fn table(response: &str, all: &ResponseFindings, found: &RuggednessFinding, voice: &Voice) -> Table {
    let ranges = found.variations.iter().any(|v| v.half_range.is_some());
    let row = |v: &VariationFinding| {
        let place = v.standard_error.and_then(Place::of_error).unwrap_or(Place(2));
        let mut row = vec![
            Cell::words(format!(
                "{}, {} to {}",
                capital(&plain(&v.factor)),
                voice.bare_level(&v.factor, &v.from),
                voice.level(&v.factor, &v.to)
            )),
            Cell::number(fixed(v.change, place), v.change),
            Cell::words(match (v.low, v.high) {
                (Some(low), Some(high)) => Voice::interval(low, high, place).replace(' ', "\u{a0}"),
                _ => "–".to_owned(),
            }),
            Cell::words(came(all, voice, &v.factor).word()),
            Cell::maybe(v.detectable, |size| significant(size, 2)),
        ];
        if ranges {
            for half in [v.half_range, v.half_range_cautious] {
                let unit = voice.factor_units.get(&v.factor).map_or("", String::as_str);
                row.push(Cell::maybe(half, |half| {
                    if v.span.is_some_and(|span| half >= span / 2.0) {
                        "as studied".to_owned()
                    } else {
                        format!("±\u{a0}{}", with_unit(&significant(half, 2), unit))
                    }
                }));
            }
        }
        row
    };
    let interval = format!(">{}", voice.interval_name());
    let mut columns = vec!["Variation", ">Change", &interval, "Outcome", ">Would be found from"];
    if ranges {
        columns.extend([">To hold within", ">Cautious"]);
    }
    let mut remark = format!(
        "Would be found from: a change of that size is found with a probability of {} or more; 'nothing seen' means no more.",
        number::percent(found.power)
    );
    if let (true, Some(relevant)) = (ranges, voice.relevant) {
        let _ = write!(
            remark,
            " To hold within: half of what matters, {}, over the change, times the span: two laboratories at the ends of that \
             range lie as far apart as matters. Cautious: the same by the end of the interval that is further from zero. As \
             studied: even the levels studied keep within it. One variation at a time; several add up.",
            with_unit(&number::exact(relevant / 2.0), &voice.unit)
        );
    }
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    Table::new(
        format!("{response}-variations"),
        format!("What each variation does, and how closely to hold it{unit}"),
        &columns,
    )
    .group("", found.variations.iter().map(row).collect())
    .remark(remark)
}

fn rules(all: &ResponseFindings, found: &RuggednessFinding) -> Vec<String> {
    let mut items = vec![
        "A ruggedness test looks for what moves the result inside the range that competent laboratories use without knowing \
         it. It is made in one laboratory on uniform material, before a study between laboratories, and does not replace one: \
         it gives no reproducibility."
            .to_owned(),
        "That no change is seen says only that none is larger than what would be found from the table; it is no proof that \
         there is none."
            .to_owned(),
        "Changes are the mean at the second level less that at the first; a regression coefficient for levels −1 and 1 is half \
         of it."
            .to_owned(),
    ];
    if all.contrasts.iter().any(|c| !c.aliases.is_empty()) || all.slopes.iter().any(|s| !s.aliases.is_empty()) {
        items.push(
            "In this fraction each change also holds joint effects of others, as listed; where two variations are large, their \
             joint effect may stand in a third. Repeating the runs with all levels exchanged would part them."
                .to_owned(),
        );
    }
    if found.variations.iter().any(|v| v.half_range.is_some()) {
        items.push(
            "How closely to hold a variation is for the procedure's owner to decide; the table says what follows from a straight \
             line."
                .to_owned(),
        );
    }
    items
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::words::trial::{response, said, voice};
    use super::*;

    fn contrast(
        factor: &str,
        difference: f64,
        interval: Option<(f64, f64)>,
        verdict: Option<&str>,
    ) -> serde_json::Value {
        json!({
            "factor": factor, "from": "a", "to": "b", "within": {}, "difference": difference, "standard_error": 0.1,
            "df": 6.0, "low": interval.map(|i| i.0), "high": interval.map(|i| i.1), "p": 0.01, "p_adjusted": 0.01,
            "planned": true, "verdict": verdict,
        })
    }

    fn found() -> ResponseFindings {
        let mut found = response();
        let effect = |factor: &str| {
            json!({
                "term": factor, "factors": [factor], "df": 1, "denominator_df": 6.0, "judged_against": "run",
                "sum_of_squares": 1.0, "mean_square": 1.0, "f": 1.0, "p": 0.1, "p_adjusted": 0.1,
                "p_randomization": null, "planned": true, "note": null,
            })
        };
        let factors = ["moment", "wiping", "cradle", "rest", "offset"];
        found.effects = serde_json::from_value(factors.map(effect).to_vec().into()).unwrap();
        let slope = json!({
            "factor": "offset", "unit": "mm", "per_unit": -0.4, "standard_error": 0.05, "df": 6.0, "low": -0.52,
            "high": -0.28, "p": 0.001, "span": [0.0, 2.0], "planned": true,
        });
        found.contrasts = serde_json::from_value(json!([
            contrast("moment", -0.9, Some((-1.1, -0.7)), Some("matters")),
            contrast("wiping", 0.1, Some((-0.1, 0.3)), Some("does not matter")),
            contrast("cradle", 0.3, Some((-0.1, 0.7)), Some("undecided")),
            contrast("rest", 0.2, None, None),
        ]))
        .unwrap();
        found.slopes = vec![serde_json::from_value(slope).unwrap()];
        found
    }

    #[test]
    fn the_opening_sorts_the_variations() {
        assert_eq!(
            opening(&found(), &voice(Some(0.5))).map(|s| said(&s)).as_deref(),
            Some(
                "Of 5 variations that the procedure allows, moment and offset move the result; wiping moves it by less \
                 than matters; cradle is undecided; rest cannot be told."
            )
        );
        assert_eq!(opening(&response(), &voice(None)), None);
    }

    #[test]
    fn a_variation_says_how_closely_to_hold_it() {
        let all = found();
        let variation: VariationFinding = serde_json::from_value(json!({
            "factor": "offset", "from": "0", "to": "2", "change": -0.8, "standard_error": 0.1, "df": 6.0, "low": -1.04,
            "high": -0.56, "detectable": 0.388, "span": 4.0, "half_range": 2.5, "half_range_cautious": 0.9615,
        }))
        .unwrap();
        let ruggedness = RuggednessFinding {
            power: 0.9,
            variations: vec![variation],
        };
        let mut voice = voice(Some(0.5));
        voice.factor_units.insert("offset".to_owned(), "mm".to_owned());
        let table = table("hardness", &all, &ruggedness, &voice);
        let row: Vec<String> = table.groups[0].rows[0].iter().map(|cell| said(&cell.text)).collect();
        assert_eq!(
            row,
            [
                "Offset, 0 to 2 mm",
                "−0.80",
                "−1.04 to −0.56",
                "moves the result",
                "0.39",
                "as studied",
                "± 0.96 mm"
            ]
        );
        assert!(
            said(&table.remark).contains("0.25 Shore D, over the change"),
            "{}",
            table.remark
        );
    }
}
