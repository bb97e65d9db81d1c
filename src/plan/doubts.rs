//! What a design cannot answer, as warnings with the way to mend it.
//!
//! In:  a protocol and its skeleton table.
//! Out: a warning for planned effects without an error term, with the smallest change of one count that gives them one.
//! Never here: power, which needs spreads (`analysis`).

use super::skeleton::{Skeleton, skeleton};
use super::structure::Structure;
use crate::design::step;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::protocol::{Protocol, UnitId};

/// Most helpings of treatments that are added to a unit in the search for a mend.
const MOST_STEPS: usize = 4;
/// Most runs of a study for which a mend is searched.
const MOST_RUNS: usize = 2_000;

/// A warning for each spread on which planned effects depend and of which nothing is left to judge them by.
#[must_use]
pub fn doubts(protocol: &Protocol, skeleton: &Skeleton) -> Diagnostics {
    let mut found = Diagnostics::new();
    if protocol.is_as_run() {
        return found;
    }
    let mut by_spread: Vec<(&str, Vec<&str>)> = Vec::new();
    for effect in skeleton.effects.iter().filter(|e| e.planned && e.error_df == 0) {
        let spread = effect.judged_against.as_str();
        match by_spread.iter_mut().find(|(known, _)| *known == spread) {
            Some((_, terms)) => terms.push(&effect.term),
            None => by_spread.push((spread, vec![&effect.term])),
        }
    }
    let run = &protocol.units[protocol.run_unit()].name;
    for (spread, terms) in by_spread {
        let names: Vec<String> = terms.iter().map(|term| format!("`{term}`")).collect();
        let (names, verb) = match names.as_slice() {
            [one] => (one.clone(), "is"),
            [first @ .., last] => (format!("{} and {last}", first.join(", ")), "are"),
            [] => continue,
        };
        let message = format!(
            "{names} {verb} planned and cannot be judged: nothing is left of the spread between one {spread} and the next"
        );
        let mut help = match mend(protocol, &terms) {
            Some((unit, to)) => {
                let declared = &protocol.units[unit];
                format!("raise the count of `{}` from {} to {to}", declared.name, declared.count)
            }
            None => "judge it against a finer unit, or leave interactions out of the model".to_owned(),
        };
        help.push_str(if spread == run {
            ", or leave interactions out of the model (`interactions` in [analysis]); as it is, effects are only held against \
             each other"
        } else {
            "; more runs or readings within one do not help"
        });
        found.push(Diagnostic::warning("D022", message).help(help));
    }
    found
}

/// The unit and the smallest count of it that leave something to judge all these effects by; the fewest runs first.
fn mend(protocol: &Protocol, terms: &[&str]) -> Option<(UnitId, usize)> {
    let runs = Structure::of(protocol).runs();
    let mut found: Vec<(usize, UnitId, usize)> = Vec::new();
    for unit in 0..protocol.units.len() {
        let (Some(step), now) = (step(protocol, unit), protocol.units[unit].count) else {
            continue;
        };
        for steps in 1..=MOST_STEPS {
            let count = (now / step + steps) * step;
            if runs / now.max(1) * count > MOST_RUNS {
                break;
            }
            let mut changed = protocol.clone();
            changed.units[unit].count = count;
            let Ok(table) = skeleton(&changed) else { break };
            let judged = |term: &&str| table.effects.iter().any(|e| e.term == **term && e.error_df > 0);
            if terms.iter().all(judged) {
                found.push((table.runs, unit, count));
                break;
            }
        }
    }
    found.into_iter().min().map(|(_, unit, count)| (unit, count))
}
