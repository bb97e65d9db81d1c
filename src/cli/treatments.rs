//! What a set of treatments cannot tell apart, for the terminal.

use super::console::Page;
use super::counted;
use crate::plan::Aliasing;

/// Most lines of one list on a terminal; `--json` has all of them.
const LINES: usize = 60;

/// Adds resolution, defining relation, alias chains and what blocks take to a page.
pub(super) fn describe(page: &mut Page, aliasing: &Aliasing) {
    page.heading("What the treatments can and cannot tell apart");
    page.sentence(format!(
        "{} of {} on `{}`{}.",
        sentence_case(&aliasing.treatments),
        counted(aliasing.runs, "run"),
        aliasing.unit,
        match aliasing.centre_points {
            0 => String::new(),
            points => format!(", {points} of them centre points"),
        }
    ));
    if let Some(resolution) = aliasing.resolution {
        page.sentence(format!("Resolution {}: {}.", roman(resolution), meaning(resolution)));
        for generator in &aliasing.generators {
            page.item(format!("generator: {generator}"));
        }
        let words: Vec<String> = aliasing.defining_relation.iter().take(LINES).cloned().collect();
        let all: usize = aliasing.word_lengths.iter().sum();
        let more = if all > words.len() {
            format!(" = … ({} more)", all - words.len())
        } else {
            String::new()
        };
        page.item(format!("defining relation: I = {}{more}", words.join(" = ")));
        let lengths: Vec<String> = aliasing
            .word_lengths
            .iter()
            .enumerate()
            .filter(|(_, count)| **count > 0)
            .map(|(length, count)| format!("{count} of {} factors", length + 1))
            .collect();
        page.item(format!("words: {}", lengths.join(", ")));
    }
    if !aliasing.chains.is_empty() {
        let mut rows = vec![vec!["the estimate of".to_owned(), "holds as well".to_owned()]];
        for chain in aliasing.chains.iter().take(LINES) {
            let mut held: Vec<String> = chain
                .aliases
                .iter()
                .take(12)
                .map(|alias| weighed(alias.coefficient, &alias.effect))
                .collect();
            if chain.aliases.len() > held.len() {
                held.push(format!("{} more", chain.aliases.len() - held.len()));
            }
            rows.push(vec![chain.effect.clone(), held.join(", ")]);
        }
        page.table(rows);
        if aliasing.chains.len() > LINES {
            page.sentence(format!("{} more in `--json`.", aliasing.chains.len() - LINES));
        }
    } else if aliasing.resolution.is_some() {
        page.sentence(format!(
            "No two effects of order {} or below share an estimate.",
            aliasing.alias_order
        ));
    }
    for chain in &aliasing.confounded {
        page.item(format!("confounded with blocks: {chain}"));
    }
    for sentence in &aliasing.sentences {
        page.item(sentence);
    }
}

fn sentence_case(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// An effect that is held whole, turned round, or by a part.
fn weighed(coefficient: f64, effect: &str) -> String {
    if (coefficient - 1.0).abs() < 1e-9 {
        effect.to_owned()
    } else if (coefficient + 1.0).abs() < 1e-9 {
        format!("−{effect}")
    } else {
        format!("{effect} ({})", format!("{coefficient:.2}").replace('-', "−"))
    }
}

/// Resolution and what is confounded, in one line; `None` where there is nothing to say.
pub(super) fn summary(aliasing: &Aliasing) -> Option<String> {
    let mut parts: Vec<String> = Vec::new();
    if let Some(resolution) = aliasing.resolution {
        let words: Vec<String> = aliasing.defining_relation.iter().take(3).cloned().collect();
        let more = if aliasing.defining_relation.len() > 3 {
            " = …"
        } else {
            ""
        };
        parts.push(format!(
            "resolution {}, I = {}{more}",
            roman(resolution),
            words.join(" = ")
        ));
    } else if !aliasing.chains.is_empty() {
        parts.push(format!(
            "the estimates of {} hold parts of interactions as well",
            counted(aliasing.chains.len(), "effect")
        ));
    }
    if !aliasing.confounded.is_empty() {
        parts.push(format!("confounded with blocks: {}", aliasing.confounded.join("; ")));
    }
    (!parts.is_empty()).then(|| format!("{}: {}", aliasing.treatments, parts.join("; ")))
}

pub(super) fn roman(number: usize) -> String {
    let mut rest = number;
    let mut text = String::new();
    for (value, letters) in [(10, "X"), (9, "IX"), (5, "V"), (4, "IV"), (1, "I")] {
        while rest >= value {
            text.push_str(letters);
            rest -= value;
        }
    }
    text
}

fn meaning(resolution: usize) -> &'static str {
    match resolution {
        3 => "main effects are told apart from one another, not from interactions of two",
        4 => "main effects are told apart from interactions of two, these not all from one another",
        5 => "main effects and interactions of two are told apart, these not all from interactions of three",
        _ => "main effects and interactions of two are told apart from one another and from interactions of three",
    }
}
