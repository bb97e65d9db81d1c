//! Words and a figure for effects that were never repeated, and for what runs mix.
//!
//! In:  aliases and the finding on unreplicated effects.
//! Out: parts of sentences, sentences, a figure.

use std::fmt::Write as _;

use crate::analysis::{AliasFinding, LoneEffect, ResponseFindings, Standing, UnreplicatedFinding};
use crate::chart::{Head, LoneChart, LoneRow};

use super::document::Picture;
use super::figures::{picture, quantity};
use super::number::{self, fixed, with_unit};
use super::words::{Voice, capital, count, listed, place, plain, spelled};

/// Names listed before the rest is counted.
const MOST_NAMES: usize = 4;
/// Rows in the figure.
const MOST_ROWS: usize = 31;

/// What may stand in an estimate, to follow a statement about it; empty without aliases.
pub(super) fn after_aliases(aliases: &[AliasFinding]) -> String {
    let factors = |alias: &&AliasFinding| alias.effect.matches(" × ").count();
    let names = |whole: bool| -> Option<String> {
        let of_kind: Vec<&AliasFinding> = aliases.iter().filter(|a| a.whole == whole).collect();
        let least = of_kind.iter().map(factors).min()?;
        let (near, far): (Vec<&AliasFinding>, Vec<&AliasFinding>) = of_kind.iter().partition(|a| factors(a) == least);
        let mut names: Vec<String> = near.iter().take(MOST_NAMES).map(|a| plain(&a.effect)).collect();
        let rest = near.len().saturating_sub(MOST_NAMES) + far.len();
        if rest > 0 {
            names.push(format!("{rest} more"));
        }
        Some(listed(&names))
    };
    let mut text = String::new();
    if let Some(names) = names(true) {
        let _ = write!(text, "; these runs cannot tell it from {names}");
    }
    if let Some(names) = names(false) {
        let _ = write!(text, "; part of {names} would stand in it");
    }
    text
}

fn planned(effect: &LoneEffect) -> &'static str {
    if effect.planned { "planned" } else { "exploratory" }
}

impl Voice {
    /// The sentence for an effect that only stands beside others.
    pub(super) fn lone(&self, name: &str, effect: &LoneEffect, found: &UnreplicatedFinding) -> String {
        let place = place(effect.effect, Some(found.pseudo_standard_error));
        let against = match effect.standing {
            Standing::StandsOut => "stands out from what chance gives",
            Standing::MayStandOut => "may stand out from what chance gives, too near to it to say",
            Standing::WithinChance => "not told apart from what chance gives",
        };
        format!(
            "{}: {}, {against}{}; {}.",
            capital(name),
            with_unit(&fixed(effect.effect, place), &self.unit),
            after_aliases(&effect.aliases),
            planned(effect)
        )
    }

    /// How the effects without replicates come out together.
    pub(super) fn lone_summary(&self, found: &UnreplicatedFinding) -> String {
        let place = place(found.simulated_simultaneous_margin, Some(found.pseudo_standard_error));
        let names = |standing: Standing| -> Vec<String> {
            let mut of_kind: Vec<&LoneEffect> = found.effects.iter().filter(|e| e.standing == standing).collect();
            of_kind.sort_by(|a, b| b.effect.abs().total_cmp(&a.effect.abs()));
            of_kind.iter().map(|e| plain(&e.term)).collect()
        };
        let out = names(Standing::StandsOut);
        let margin = with_unit(&fixed(found.simulated_simultaneous_margin, place), &self.unit);
        let mut text = format!(
            "No setting was repeated, so the {} are judged against each other (Lenth's method): ",
            count(found.effects.len(), "effect", "effects")
        );
        let what = "which chance alone seldom passes.";
        let _ = match out.as_slice() {
            [] => write!(text, "none goes beyond {margin}, {what}"),
            [one] => write!(text, "{one} goes beyond {margin}, {what}"),
            many => write!(text, "{} go beyond {margin}, {what}", listed(many)),
        };
        let perhaps = names(Standing::MayStandOut);
        if !perhaps.is_empty() {
            let _ = write!(
                text,
                " Undecided: {}, beyond what one effect would reach by chance, but not the largest of so many.",
                listed(&perhaps)
            );
        }
        text.push_str(" The method takes most effects for none; with many real ones it sees too few.");
        text
    }

    /// The sentence for the effect of these factors where it only stands beside others.
    pub(super) fn lone_of(&self, factors: &[String], found: &ResponseFindings) -> Option<String> {
        let unreplicated = found.unreplicated.as_ref()?;
        let test = found.effects.iter().find(|e| e.factors == factors)?;
        // The spread with more degrees of freedom speaks.
        if test.denominator_df.is_some_and(|df| df >= unreplicated.df) {
            return None;
        }
        let effect = unreplicated.effects.iter().find(|e| e.term == test.term)?;
        let contrast = found
            .contrasts
            .iter()
            .find(|c| [c.factor.as_str()] == *factors && c.within.is_empty());
        let name = contrast.map_or_else(
            || plain(&effect.term),
            |c| {
                format!(
                    "{} against {}",
                    self.setting(&c.factor, &c.to),
                    self.level(&c.factor, &c.from)
                )
            },
        );
        Some(self.lone(&name, effect, unreplicated))
    }
}

/// Which effects stand out from chance?
pub(super) fn figure(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    let unreplicated = found.unreplicated.as_ref()?;
    let mut order: Vec<&LoneEffect> = unreplicated.effects.iter().collect();
    order.sort_by(|a, b| b.effect.abs().total_cmp(&a.effect.abs()));
    let out: Vec<String> = order
        .iter()
        .filter(|e| e.standing == Standing::StandsOut)
        .map(|e| plain(&e.term))
        .collect();
    let title = match out.len() {
        0 => "No effect stands out from what chance alone would give".to_owned(),
        1 => format!("One effect stands out from chance: {}", out[0]),
        many => format!("{} effects stand out from chance: {}", spelled(many), listed(&out)),
    };
    let place = place(
        order.first().map_or(1.0, |e| e.effect),
        Some(unreplicated.pseudo_standard_error),
    );
    let rows: Vec<LoneRow> = order
        .iter()
        .take(MOST_ROWS)
        .map(|effect| {
            // The nearest aliases go with the name: no statement about a mixed effect without them.
            let least = effect.aliases.iter().map(|a| a.effect.matches(" × ").count()).min();
            let near: Vec<&AliasFinding> = effect
                .aliases
                .iter()
                .filter(|a| a.whole && Some(a.effect.matches(" × ").count()) == least)
                .collect();
            let mixed = match near.as_slice() {
                [] => String::new(),
                [one] => format!(" (or {})", plain(&one.effect)),
                [one, rest @ ..] => format!(" (or {}, or {} more)", plain(&one.effect), rest.len()),
            };
            LoneRow {
                label: format!("{}{mixed}", capital(&plain(&effect.term))),
                text: fixed(effect.effect, place),
                size: effect.effect.abs(),
                by_chance: effect.by_chance,
                out: effect.standing == Standing::StandsOut,
            }
        })
        .collect();
    let spoken: Vec<String> = rows.iter().map(|row| format!("{}: {}", row.label, row.text)).collect();
    let left = order.len() - rows.len();
    let mut caption = format!(
        "Effects by size, as in a half-normal plot. Mark: size of the effect, filled if it goes beyond the dashed line; \
         number: with its sign. Grey: where chance alone would put the effect of that rank in {} of 100 studies; dashed line: \
         what the largest of {} effects of pure chance stays below as often ({} simulated sets).",
        number::exact(100.0 * voice.confidence),
        order.len(),
        number::thousands(unreplicated.draws as u64)
    );
    if left > 0 {
        let _ = write!(caption, " {} smaller ones are not shown.", spelled(left));
    }
    let chart = LoneChart {
        axis: format!("size of the effect on {}", quantity(response, voice)),
        rows,
        margin: unreplicated.simulated_simultaneous_margin,
    };
    let head = Head {
        name: format!("{response}-stands-out"),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    Some(picture(chart.draw(&head), caption))
}

#[cfg(test)]
mod tests {
    use super::super::words::trial::{said, voice};
    use super::*;

    fn alias(effect: &str, whole: bool) -> AliasFinding {
        AliasFinding {
            effect: effect.to_owned(),
            coefficient: 1.0,
            whole,
        }
    }

    #[test]
    fn aliases_follow_the_statement() {
        assert_eq!(after_aliases(&[]), "");
        assert_eq!(
            after_aliases(&[alias("a × b", true), alias("c × d", true), alias("a × c × e", true)]),
            "; these runs cannot tell it from a × b, c × d and 1 more"
        );
        assert_eq!(
            after_aliases(&[alias("a × b", false)]),
            "; part of a × b would stand in it"
        );
    }

    #[test]
    fn a_lone_effect_says_how_it_stands() {
        let effect = LoneEffect {
            term: "stirring_rate".to_owned(),
            in_model: true,
            planned: true,
            effect: 14.625,
            score: 1.0,
            by_chance: (1.0, 2.0),
            standing: Standing::StandsOut,
            p_alone: 0.001,
            p_among_all: 0.01,
            aliases: vec![alias("a × b", true)],
        };
        let found = UnreplicatedFinding {
            effects: vec![effect.clone()],
            pseudo_standard_error: 2.625,
            df: 5.0,
            margin: 6.7,
            simultaneous_margin: 13.7,
            simulated_margin: 5.7,
            simulated_simultaneous_margin: 11.1,
            draws: 10_000,
        };
        assert_eq!(
            said(&voice(None).lone("stirring rate fast against slow", &effect, &found)),
            "Stirring rate fast against slow: 14.6 Shore D, stands out from what chance gives; these runs \
             cannot tell it from a × b; planned."
        );
        assert!(said(&voice(None).lone_summary(&found)).contains("stirring rate goes beyond 11.1 Shore D"));
    }
}
