//! How many of which unit a wanted power needs.
//!
//! In:  a protocol, what is assumed, a term with the size it is to find, the power wanted.
//! Out: one `Mend` for each unit, or for the readings of a run, that reaches the power by itself; the least bench time first.
//!
//! The count of one unit is raised by whole sets of its treatments, everything else as it is; the smallest that reaches the
//! power is found by halving, since power rises with each count.

use super::power::Mend;
use super::power_strength::{MOST_RUNS, Test, holds};
use crate::design::step;
use crate::plan::{Structure, Term, skeleton};
use crate::protocol::{Assumed, Protocol, Treatments};
use crate::stats::power::{f_power, sample_size};

/// Most sets of treatments that are tried.
const MOST_SETS: usize = 1_000;
/// Most runs of a study that is proposed.
const MOST: usize = 20_000;
/// Most readings in a run that are proposed.
const MOST_READINGS: u32 = 100;

/// The ways to reach a power that change one count only.
pub(super) fn mends(protocol: &Protocol, assumed: &Assumed, term: &Term, size: f64, target: f64) -> Vec<Mend> {
    let power_of = |changed: &Protocol| power_at(changed, assumed, term, size);
    let runs = Structure::of(protocol).runs();
    let limit = if protocol.design.treatments == Treatments::FullFactorial {
        MOST
    } else {
        MOST_RUNS / 4
    };
    let mut found = Vec::new();
    for unit in 0..protocol.units.len() {
        let Some(set) = step(protocol, unit) else { continue };
        let now = protocol.units[unit].count;
        let others = (runs / now.max(1)).max(1);
        let most = (limit / others / set).min(MOST_SETS);
        let with = |sets: usize| {
            let mut changed = protocol.clone();
            changed.units[unit].count = sets * set;
            changed
        };
        let sets = sample_size(target, (now / set + 1) as u32, most as u32, |sets| {
            power_of(&with(sets as usize)).unwrap_or(0.0)
        });
        if let Some(sets) = sets {
            let changed = with(sets as usize);
            found.extend(mend(
                &changed,
                &protocol.units[unit].name,
                (now, sets as usize * set),
                power_of(&changed),
            ));
        }
    }
    let now = protocol.responses[assumed.response].readings;
    if assumed.reading > 0.0 {
        let with = |readings: usize| {
            let mut changed = protocol.clone();
            changed.responses[assumed.response].readings = readings;
            changed
        };
        let readings = sample_size(target, now as u32 + 1, MOST_READINGS, |readings| {
            power_of(&with(readings as usize)).unwrap_or(0.0)
        });
        if let Some(readings) = readings {
            let changed = with(readings as usize);
            found.extend(mend(&changed, "reading", (now, readings as usize), power_of(&changed)));
        }
    }
    found.sort_by(|a, b| {
        a.bench_minutes
            .total_cmp(&b.bench_minutes)
            .then(a.runs.cmp(&b.runs))
            .then(a.readings.cmp(&b.readings))
    });
    found
}

/// Power of a term in a protocol; `None` if it has no test.
fn power_at(protocol: &Protocol, assumed: &Assumed, term: &Term, size: f64) -> Option<f64> {
    let holds = holds(protocol, assumed, None).ok()?;
    let hold = holds.iter().find(|hold| hold.term.name == term.name)?;
    match hold.test {
        Test::F {
            per_square, error_df, ..
        } => Some(f_power(
            per_square * size * size,
            term.df as f64,
            error_df,
            1.0 - protocol.analysis.confidence,
        )),
        _ => None,
    }
}

fn mend(changed: &Protocol, of: &str, (from, to): (usize, usize), power: Option<f64>) -> Option<Mend> {
    let skeleton = skeleton(changed).ok()?;
    Some(Mend {
        more_of: of.to_owned(),
        from,
        to,
        runs: skeleton.runs,
        readings: skeleton.readings,
        bench_minutes: skeleton.bench_minutes,
        power: power?,
    })
}
