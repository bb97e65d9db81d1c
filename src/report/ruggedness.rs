//! Which allowed variations of the procedure move the result: the plain answer of a ruggedness test.
//!
//! In:  the findings of a response. Planned factors count as the variations that the procedure allows.
//! Out: a sentence.
//!
//! | form           | when                                                                        |
//! |----------------|-----------------------------------------------------------------------------|
//! | moves          | the interval lies on one side of zero, and is not surely less than what matters |
//! | does not move  | the interval lies within what matters, or (nothing declared) nowhere: then undecided |
//! | undecided      | the interval reaches both                                                   |
//! | cannot be told | there is no interval                                                        |

use crate::analysis::{ResponseFindings, Verdict};

use super::words::{Voice, count, listed, plain};

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
