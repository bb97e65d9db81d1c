//! What the order of the runs brings: residue, wash-out, drift, and the randomization test of schemes that are no plain
//! shuffle; closed forms put into readings and looked for again.
#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use std::collections::BTreeMap;

use common::{close, show};
use wellrun::analysis::{CorrectedFinding, ResponseFindings, analyse};
use wellrun::diagnostic::Source;
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, Plan, PlannedRun};
use wellrun::protocol::{self, Protocol};
use wellrun::record::{Record, RunRecord, Written};

fn protocol(readings: usize, units: &str, factors: &str, rest: &str) -> Protocol {
    let text = format!(
        r#"wellrun = 1
[study]
id = "course"
version = "1.0"
title = "What stays on the indenter?"
question = "Does it carry over?"
kind = "variance investigation"
method = "A method"
[response.y]
measurand = "Hardness of the roller face"
unit = "Shore D"
resolution = 0.0001
readings = {readings}
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
{units}
{factors}
{rest}
"#
    );
    match protocol::read(&Source::new("protocol.toml", text)) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", show(&found)),
    }
}

/// Readings made by `value` from the run, the run before it, and the number of the reading.
fn findings(
    protocol: &Protocol,
    seed: u64,
    value: &dyn Fn(&PlannedRun, Option<&PlannedRun>, usize) -> f64,
) -> (Plan, ResponseFindings) {
    let (plan, _, _) = plan::freeze(protocol, None, seed, "2026-03-02T08:00:00Z").unwrap();
    let count = protocol.responses[0].readings;
    let runs: BTreeMap<usize, RunRecord> = plan
        .runs
        .iter()
        .enumerate()
        .map(|(at, run)| {
            let before = at.checked_sub(1).map(|b| &plan.runs[b]);
            let readings = (0..count)
                .map(|k| {
                    let text = format!("{:.4}", value(run, before, k));
                    Some(Written {
                        value: text.parse().unwrap(),
                        text,
                        entry: 1,
                    })
                })
                .collect();
            let record = RunRecord {
                run: run.run,
                readings: vec![readings],
                ..RunRecord::default()
            };
            (run.run, record)
        })
        .collect();
    let record = Record {
        runs,
        ..Record::default()
    };
    let mut found = analyse(protocol, None, Some(&plan), &record, false).unwrap();
    (plan, found.responses.remove("y").unwrap())
}

const FOUR: &str = "[factor.finish]\nset_on = \"run\"\nlevels = [\"a\", \"b\", \"c\", \"d\"]\ncarries_over = true\n";
const SQUARE: &str = "[[unit]]\nname = \"roller\"\ncount = 8\npart_of = \"product\"\n[[unit]]\nname = \"place\"\ncount = 4\n\
                      [[unit]]\nname = \"run\"\nwithin = [\"roller\", \"place\"]\n";

fn change<'a>(changes: &'a [CorrectedFinding], to: &str) -> &'a CorrectedFinding {
    changes.iter().find(|c| c.from == "a" && c.to == to).unwrap()
}

/// Closed form: in sequences balanced for it, residue and direct effects come back as they were put in; without the residue
/// in the model the direct ones do not. In a balanced square the two cost each other little.
#[test]
fn residue_and_direct_effects_come_apart_in_balanced_sequences() {
    let protocol = protocol(
        1,
        SQUARE,
        FOUR,
        "[design]\ntreatments = \"williams square\"\n[analysis]\nplanned = [\"finish\"]\n",
    );
    let (direct, residue) = ([0.0, 1.0, -0.5, 0.3], [0.0, 0.4, 0.0, -0.2]);
    let (_, found) = findings(&protocol, 3, &|run, before, _| {
        let mut value = 60.0 + 0.7 * run.units[0] as f64 - 0.2 * run.units[1] as f64 + direct[run.levels[0]];
        if run.units[1] > 1 {
            value += residue[before.unwrap().levels[0]];
        }
        // A pattern without a name keeps the fit from being exact.
        value + 0.0004 * f64::from((run.run * 7 % 11) as u32)
    });
    let carried = &found.carry_over[0];
    assert_eq!(
        (carried.followers, carried.chain.as_str(), carried.df),
        (24, "roller", 3)
    );
    assert!(carried.note.is_none() && carried.p.unwrap() < 1e-6, "{carried:?}");
    for r in carried.residues.iter().filter(|r| r.from == "a") {
        let level = r.to.as_bytes()[0] - b'a';
        let (got, want) = (&r.difference, residue[level as usize]);
        assert!((got.value - want).abs() < 0.006, "{r:?}");
        assert!(got.low.unwrap() < got.value && got.value < got.high.unwrap());
    }
    for (to, want) in [("b", direct[1]), ("c", direct[2]), ("d", direct[3])] {
        let change = change(&carried.changes, to);
        assert!((change.corrected.value - want).abs() < 0.006, "{change:?}");
        assert!(change.inflation.unwrap() > 1.0 && change.inflation.unwrap() < 1.5);
    }
    // What comes after b reads 0.4 more, and b never follows itself.
    assert!((change(&carried.changes, "b").uncorrected.value - direct[1]).abs() > 0.05);
}

/// Where the levels come in an order in which residue follows the level itself, nothing is estimated, and it is said.
#[test]
fn an_order_that_cannot_tell_says_so() {
    let units = "[[unit]]\nname = \"session\"\ncount = 6\n[[unit]]\nname = \"run\"\nwithin = \"session\"\ncount = 2\n";
    let factors = "[factor.finish]\nset_on = \"run\"\nlevels = [\"a\", \"b\"]\ncarries_over = true\n";
    let protocol = protocol(1, units, factors, "[analysis]\nplanned = [\"finish\"]\n");
    // With two runs a session the level before is always the other one: residue stands in the difference itself.
    let (_, found) = findings(&protocol, 1, &|run, _, _| {
        60.0 + 0.01 * f64::from((run.run * 7 % 5) as u32)
    });
    let carried = &found.carry_over[0];
    assert!(
        carried.residues.is_empty() || carried.residues[0].difference.low.is_none() || {
            // What the first and second runs of the sessions tell apart is left to the spread between sessions.
            change_growth(&carried.changes) > 1.5
        },
        "{carried:?}"
    );
}

fn change_growth(changes: &[CorrectedFinding]) -> f64 {
    changes.iter().filter_map(|c| c.inflation).fold(0.0, f64::max)
}

/// Closed form: a drift put in comes back, and the corrected difference is nearer to what was put in.
#[test]
fn a_drift_comes_back_and_the_differences_are_corrected() {
    let units = "[[unit]]\nname = \"run\"\ncount = 16\n";
    let factors = "[factor.finish]\nset_on = \"run\"\nlevels = [\"a\", \"b\"]\n";
    let protocol = protocol(1, units, factors, "[analysis]\nplanned = [\"finish\"]\n");
    let (_, found) = findings(&protocol, 5, &|run, _, _| {
        60.0 + 0.05 * run.run as f64 + 0.5 * run.levels[0] as f64 + 0.001 * f64::from((run.run * 5 % 7) as u32)
    });
    let drift = found.drift.as_ref().unwrap();
    let slope = drift.per_run.as_ref().unwrap();
    assert!(
        (slope.value - 0.05).abs() < 5e-4 && slope.low.unwrap() > 0.0,
        "{slope:?}"
    );
    close(
        drift.over_all.as_ref().unwrap().value,
        15.0 * slope.value,
        1e-9,
        "first to last",
    );
    // What the figure shows: results less the effects of their levels, the drift still in them.
    assert_eq!(drift.course.len(), 16);
    for (at, point) in drift.course.iter().enumerate() {
        assert_eq!(point.position, at + 1);
        assert!((point.left - slope.value * (at as f64 - 7.5)).abs() < 0.01, "{point:?}");
    }
    let change = change(&drift.changes, "b");
    assert!((change.corrected.value - 0.5).abs() < 5e-3, "{change:?}");
    assert!((change.uncorrected.value - 0.5).abs() > (change.corrected.value - 0.5).abs());
    assert!(found.carry_over.is_empty());
}

/// Closed form: readings that fall off after one level only.
#[test]
fn readings_after_a_level_that_leaves_residue() {
    let units = "[[unit]]\nname = \"run\"\ncount = 24\n";
    let factors = "[factor.finish]\nset_on = \"run\"\nlevels = [\"dry\", \"waxed\"]\ncarries_over = true\n";
    let protocol = protocol(8, units, factors, "[analysis]\nplanned = [\"finish\"]\n");
    let mut stream = Stream::named("residue in a study");
    let noise: Vec<f64> = (0..24 * 8).map(|_| 0.05 * stream.normal()).collect();
    let (_, found) = findings(&protocol, 9, &|run, before, k| {
        let left = if before.is_some_and(|b| b.levels[0] == 1) {
            1.2
        } else {
            0.0
        };
        60.0 + left * 0.5_f64.powf(k as f64) + noise[(run.run - 1) * 8 + k]
    });
    let series = found.carry_over[0].wash_out.as_ref().unwrap();
    let after = |level: &str| series.after.iter().find(|a| a.level == level).unwrap();
    assert!(after("waxed").slope.high.unwrap() < 0.0, "{series:?}");
    assert!(after("dry").slope.low.unwrap() < 0.0 && after("dry").slope.high.unwrap() > 0.0);
    // −1/ln 0.5 readings, and a size of 1.2 at the first one.
    let length = std::f64::consts::LOG2_E;
    let (low, high) = (series.readings_low.unwrap(), series.readings_high.unwrap());
    assert!(low < length && length < high && high < 2.0, "{low} {high}");
    let size = after("waxed").size.as_ref().unwrap();
    assert!(size.low.unwrap() < 1.2 && 1.2 < size.high.unwrap());
    let said = wellrun::report::course::sentences(&found, &wellrun::report::words::Voice::new(&found, BTreeMap::new()))
        .join(" ")
        .replace('\u{a0}', " ");
    assert!(
        said.contains("After finish waxed the readings of a run fall by"),
        "{said}"
    );
    assert!(said.contains("What finish leaves behind falls to 37 % in"), "{said}");
}

/// Squares and sequences are re-drawn as squares and sequences: the test is there, and its interval holds the estimate.
#[test]
fn squares_are_redrawn_as_squares() {
    for treatments in ["latin square", "williams square"] {
        let units = SQUARE.replace("count = 8", "count = 4");
        let rest = format!("[design]\ntreatments = \"{treatments}\"\n[analysis]\nplanned = [\"finish\"]\n");
        let protocol = protocol(1, &units, FOUR, &rest);
        let found = {
            findings(&protocol, 2, &|run, _, _| {
                60.0 + run.units[0] as f64 + 0.6 * run.levels[0] as f64 + 0.13 * f64::from((run.run * 7 % 11) as u32)
            })
            .1
        };
        let effect = found.effects.iter().find(|e| e.term == "finish").unwrap();
        let test = effect.randomization.as_ref().unwrap();
        assert!(
            !test.exact && effect.p_randomization.unwrap() < 0.2,
            "{treatments}: {effect:?}"
        );
        let difference = found.contrasts.iter().find(|c| c.from == "a" && c.to == "d").unwrap();
        let made = difference.randomization.as_ref().unwrap();
        assert!(
            made.low.is_none_or(|low| low < difference.difference + 1e-9),
            "{made:?}"
        );
        assert!(
            made.high.is_none_or(|high| high > difference.difference - 1e-9),
            "{made:?}"
        );
    }
}

/// Closed form: without effects the test of a small study rejects as often as its level says, however the readings spread.
/// Eight runs in two blocks have 36 arrangements; p ≤ 4/36 in one of nine studies at most.
#[test]
fn the_level_of_the_test_is_held() {
    let units = "[[unit]]\nname = \"block\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = \"block\"\ncount = 4\n";
    let factors = "[factor.finish]\nset_on = \"run\"\nlevels = [\"a\", \"b\"]\n";
    let protocol = protocol(1, units, factors, "[analysis]\nplanned = [\"finish\"]\n");
    let mut stream = Stream::named("level");
    // Skewed readings with one far out: no model would hold.
    let readings: Vec<f64> = (0..8)
        .map(|i| 60.0 + stream.normal().exp() + if i == 3 { 20.0 } else { 0.0 })
        .collect();
    let studies = 60;
    let rejected = (0..studies)
        .filter(|&seed| {
            let (_, found) = findings(&protocol, seed, &|run, _, _| readings[run.run - 1]);
            let test = found.effects[0].randomization.as_ref().unwrap();
            assert!(test.exact && test.arrangements == 36);
            found.effects[0].p_randomization.unwrap() <= 4.0 / 36.0 + 1e-12
        })
        .count();
    // Binomial with 60 studies and 1/9: 6.7 expected, 15 or more with probability 0.002.
    assert!((1..15).contains(&rejected), "{rejected}");
}

/// Closed form: a control that climbs by 0.1 a run beside results that do the same; with its correction the difference comes
/// back, without it does not.
#[test]
fn a_control_takes_the_drift_out() {
    let units = "[[unit]]\nname = \"run\"\ncount = 12\n";
    let factors = "[factor.finish]\nset_on = \"run\"\nlevels = [\"a\", \"b\"]\n";
    let rest =
        "[control.block]\nwhat = \"Reference block\"\nreadings = 2\nevery = 4\n[analysis]\nplanned = [\"finish\"]\n";
    let protocol = protocol(1, units, factors, rest);
    let (plan, _, _) = plan::freeze(&protocol, None, 4, "2026-03-02T08:00:00Z").unwrap();
    let written = |value: f64| {
        let text = format!("{value:.4}");
        Some(Written {
            value: text.parse().unwrap(),
            text,
            entry: 1,
        })
    };
    let mut record = Record::default();
    for run in &plan.runs {
        let value =
            60.0 + 0.1 * run.run as f64 + 0.5 * run.levels[0] as f64 + 0.001 * f64::from((run.run * 5 % 7) as u32);
        let own = RunRecord {
            run: run.run,
            readings: vec![vec![written(value)]],
            ..RunRecord::default()
        };
        record.runs.insert(run.run, own);
    }
    for row in plan::control_rows(&protocol, 12) {
        let value = 40.0 + 0.1 * (row.after_run as f64 + 0.5);
        let own = wellrun::record::ControlRecord {
            readings: vec![written(value - 0.01), written(value + 0.01)],
            ..Default::default()
        };
        record.controls.insert((row.control, row.number), own);
    }
    let mut all = analyse(&protocol, None, Some(&plan), &record, false).unwrap();
    let found = all.responses.remove("y").unwrap();
    let control = &found.controls[0];
    let span = control.occasions.last().unwrap().after_run - control.occasions[0].after_run;
    close(
        control.over_all.as_ref().unwrap().value,
        0.1 * span as f64,
        1e-9,
        "drift",
    );
    let change = change(&control.changes, "b");
    assert!((change.corrected.value - 0.5).abs() < 0.06, "{change:?}");
    assert!((change.uncorrected.value - 0.5).abs() > (change.corrected.value - 0.5).abs());
    let width = |e: &wellrun::analysis::EstimateFinding| e.high.unwrap() - e.low.unwrap();
    assert!(width(&change.corrected) < 0.5 * width(&change.uncorrected));
}
