//! The draw, the skeleton table and the frozen plan.
#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

use std::collections::{BTreeMap, BTreeSet};

use wellrun::diagnostic::Source;
use wellrun::numeric::distribution::chi2_upper;
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, Structure};
use wellrun::protocol::{self, Protocol};

fn protocol(units: &str, factors: &str, rest: &str) -> Protocol {
    let text = format!(
        r#"wellrun = 1
[study]
id = "small"
version = "1.0"
title = "A small study"
question = "Does it move?"
kind = "variance investigation"
method = "A method"
[response.hardness]
measurand = "Hardness of the roller face"
unit = "Shore D"
resolution = 0.1
readings = 1
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
{units}
{factors}
[design]
treatments = "full factorial"
order = "randomized"
{rest}
"#
    );
    match protocol::read(&Source::new("protocol.toml", text)) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!(
            "{}",
            found.iter().map(|d| d.render(false)).collect::<Vec<_>>().join("\n")
        ),
    }
}

fn unhex(text: &str) -> Vec<u8> {
    (0..text.len())
        .step_by(2)
        .map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap())
        .collect()
}

/// Published: keystream blocks of RFC 8439 A.1 and the zero-nonce vectors (tests/reference/chacha20-known-answers).
#[test]
fn the_keystream_is_chacha20() {
    let data = std::fs::read_to_string("tests/reference/chacha20-known-answers/data.csv").unwrap();
    let mut seen = 0;
    for line in data.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        // The stream starts at counter 0 with a zero nonce; the other vectors do not concern it.
        if cells[2].chars().any(|c| c != '0') || cells[4].is_empty() {
            continue;
        }
        let key: [u8; 32] = unhex(cells[1]).try_into().unwrap();
        let mut stream = Stream::from_key(key);
        let blocks: usize = cells[3].parse().unwrap();
        for _ in 0..8 * blocks {
            stream.word();
        }
        let words: Vec<u8> = (0..8).flat_map(|_| stream.word().to_le_bytes()).collect();
        assert_eq!(words, unhex(cells[4]), "{}", cells[0]);
        seen += 1;
    }
    assert!(seen >= 3, "{seen} vectors seen");
}

/// Independent implementation: plain Python (tests/reference/shuffle-from-keystream/compute.py).
#[test]
fn shuffles_repeat_the_known_answers() {
    let data = std::fs::read_to_string("tests/reference/shuffle-from-keystream/data.csv").unwrap();
    let expected: toml::Table =
        toml::from_str(&std::fs::read_to_string("tests/reference/shuffle-from-keystream/expected.toml").unwrap())
            .unwrap();
    let expected = expected["expected"].as_table().unwrap();
    let header: Vec<&str> = data.lines().next().unwrap().split(',').collect();
    let column = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let mut seen = 0;
    for line in data.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let case = cells[column("case")];
        let key: [u8; 32] = unhex(cells[column("key")]).try_into().unwrap();
        let n: usize = cells[column("n")].parse().unwrap();
        let wanted: Vec<usize> = expected[&format!("{case}_lemire")]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_integer().unwrap() as usize)
            .collect();
        assert_eq!(Stream::from_key(key).permutation(n), wanted, "{case}");
        seen += 1;
    }
    assert_eq!(seen, expected.keys().filter(|key| key.ends_with("_lemire")).count());
}

const SPLIT_PLOT: (&str, &str) = (
    "[[unit]]\nname = \"day\"\ncount = 3\n[[unit]]\nname = \"session\"\nwithin = \"day\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n",
    "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\nscale = \"numeric\"\n[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\", \"raw\"]\n",
);

/// Closed form: 3 days of 2 sessions of 3 runs; temperature on (2−1)(3−1) = 2 df, finish and its interaction on 2·2·... = 8 df.
#[test]
fn a_split_plot_follows_from_its_units() {
    let protocol = protocol(
        SPLIT_PLOT.0,
        SPLIT_PLOT.1,
        "[analysis]\nplanned = [\"temperature\", \"finish\"]",
    );
    let skeleton = plan::skeleton(&protocol).unwrap();
    let strata: Vec<(&str, usize, usize)> = skeleton
        .strata
        .iter()
        .map(|s| (s.unit.as_str(), s.df, s.residual_df))
        .collect();
    assert_eq!(strata, [("day", 2, 2), ("session", 3, 2), ("run", 12, 8)]);
    let effects: Vec<(&str, &str, usize, usize)> = skeleton
        .effects
        .iter()
        .map(|e| (e.term.as_str(), e.judged_against.as_str(), e.df, e.error_df))
        .collect();
    assert_eq!(
        effects,
        [
            ("temperature", "session", 1, 2),
            ("finish", "run", 2, 8),
            ("temperature × finish", "run", 2, 8)
        ]
    );
    let runs = plan::draw(&protocol, "north", 7).unwrap();
    assert_eq!(runs.len(), 18);
    for day in 1..=3 {
        let temperatures: BTreeSet<usize> = runs.iter().filter(|r| r.units[0] == day).map(|r| r.levels[0]).collect();
        assert_eq!(temperatures.len(), 2, "both temperatures on day {day}");
        for session in 1..=2 {
            let own: Vec<_> = runs.iter().filter(|r| r.units[..2] == [day, session]).collect();
            assert_eq!(
                own.iter().map(|r| r.levels[0]).collect::<BTreeSet<_>>().len(),
                1,
                "one oven setting a session"
            );
            assert_eq!(
                own.iter().map(|r| r.levels[1]).collect::<BTreeSet<_>>().len(),
                3,
                "each finish once"
            );
        }
    }
}

/// Closed form: rows and columns of a strip-plot are judged against their own spread, the interaction against the crossing.
#[test]
fn a_strip_plot_follows_from_its_units() {
    let protocol = protocol(
        "[[unit]]\nname = \"block\"\ncount = 4\n[[unit]]\nname = \"row\"\nwithin = \"block\"\ncount = 3\n[[unit]]\nname = \"column\"\nwithin = \"block\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = [\"row\", \"column\"]\n",
        "[factor.cure]\nset_on = \"row\"\nlevels = [\"a\", \"b\", \"c\"]\n[factor.finish]\nset_on = \"column\"\nlevels = [\"turned\", \"waxed\"]\n",
        "[analysis]\nplanned = [\"cure\"]",
    );
    let skeleton = plan::skeleton(&protocol).unwrap();
    let strata: Vec<(&str, usize, usize)> = skeleton
        .strata
        .iter()
        .map(|s| (s.unit.as_str(), s.df, s.residual_df))
        .collect();
    // (4−1); 4(3−1) − 2; 4(2−1) − 1; 4·2·1 − 2
    assert_eq!(
        strata,
        [("block", 3, 3), ("row", 8, 6), ("column", 4, 3), ("run", 8, 6)]
    );
}

/// A factor that takes up a whole stratum has no error term, and the table says so in words.
#[test]
fn an_effect_without_an_error_term_is_named() {
    let protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n",
        "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\n[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\"]\n",
        "replicates = 3\n[analysis]\nplanned = [\"temperature\"]",
    );
    let skeleton = plan::skeleton(&protocol).unwrap();
    assert_eq!(skeleton.effects[0].error_df, 0);
    assert!(
        skeleton.sentences[0].contains("temperature (planned) has no error term"),
        "{:?}",
        skeleton.sentences
    );
}

/// Degrees of freedom over all strata add up to the runs less one, whatever the units.
#[test]
fn degrees_of_freedom_add_up() {
    let protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 4\n[[unit]]\nname = \"roller\"\ncount = 6\n[[unit]]\nname = \"spot\"\nwithin = \"roller\"\ncount = 3\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"spot\"]\ncount = 2\n",
        "",
        "",
    );
    let structure = Structure::of(&protocol);
    assert_eq!(
        structure.strata.iter().map(|s| s.df).sum::<usize>(),
        structure.runs() - 1
    );
    assert_eq!(structure.runs(), 4 * 6 * 3 * 2);
}

/// Every arrangement that the structure allows comes equally often; the others never. Chi-square at the 0.1 % level,
/// fixed seeds: 2 sessions × 2 runs, temperature on sessions, finish on runs: 2 · 2 · 2 arrangements.
#[test]
fn permissible_arrangements_are_equally_likely() {
    let protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n",
        "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\n[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\"]\n",
        "",
    );
    let mut counts: BTreeMap<Vec<Vec<usize>>, usize> = BTreeMap::new();
    let draws = 8_000;
    for seed in 0..draws {
        let runs = plan::draw(&protocol, "north", seed).unwrap();
        *counts.entry(runs.into_iter().map(|r| r.levels).collect()).or_insert(0) += 1;
    }
    assert_eq!(counts.len(), 8);
    let each = draws as f64 / 8.0;
    let statistic: f64 = counts.values().map(|&n| (n as f64 - each).powi(2) / each).sum();
    assert!(chi2_upper(statistic, 7.0) > 0.001, "{counts:?}");
}

/// The specimens that come back are visited in a fresh order each time, each exactly once.
#[test]
fn crossed_units_are_visited_anew_in_each_session() {
    let protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 6\n[[unit]]\nname = \"roller\"\ncount = 5\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\n",
        "",
        "",
    );
    let runs = plan::draw(&protocol, "north", 3).unwrap();
    let orders: Vec<Vec<usize>> = (1..=6)
        .map(|s| runs.iter().filter(|r| r.units[0] == s).map(|r| r.units[1]).collect())
        .collect();
    for order in &orders {
        assert_eq!(order.iter().copied().collect::<BTreeSet<_>>(), (1..=5).collect());
    }
    assert!(orders.iter().collect::<BTreeSet<_>>().len() > 3, "{orders:?}");
}

#[test]
fn seed_site_and_protocol_all_enter_the_draw() {
    let one = protocol(SPLIT_PLOT.0, SPLIT_PLOT.1, "");
    let other = protocol(SPLIT_PLOT.0, SPLIT_PLOT.1, "[analysis]\nplanned = [\"finish\"]");
    let base = plan::draw(&one, "north", 1).unwrap();
    assert_eq!(base, plan::draw(&one, "north", 1).unwrap());
    assert_ne!(base, plan::draw(&one, "north", 2).unwrap());
    assert_ne!(base, plan::draw(&one, "south", 1).unwrap());
    assert_ne!(base, plan::draw(&other, "north", 1).unwrap());
}

#[test]
fn a_frozen_plan_reads_back_and_notices_changes() {
    let protocol = protocol(SPLIT_PLOT.0, SPLIT_PLOT.1, "");
    let (frozen, csv, toml) = plan::freeze(&protocol, None, u64::MAX, "2026-03-02T08:00:00Z").unwrap();
    let read = |csv: &str, toml: &str, protocol: &Protocol| {
        plan::read(&Source::new("plan.csv", csv), &Source::new("plan.toml", toml), protocol)
    };
    assert_eq!(read(&csv, &toml, &protocol).unwrap(), frozen);
    assert_eq!(
        read(&csv.replace('\n', "\r\n"), &toml, &protocol).unwrap(),
        frozen,
        "line ends do not matter"
    );
    let codes = |result: Result<plan::Plan, wellrun::diagnostic::Diagnostics>| -> Vec<&'static str> {
        result.unwrap_err().iter().map(|d| d.code).collect()
    };
    assert_eq!(
        codes(read(&csv.replacen("turned", "waxed", 1), &toml, &protocol)),
        ["D013"]
    );
    assert_eq!(
        codes(read(&csv.replacen("turned", "tuned", 1), &toml, &protocol)),
        ["D013", "D016"]
    );
    let other = self::protocol(SPLIT_PLOT.0, SPLIT_PLOT.1, "[analysis]\nplanned = [\"finish\"]");
    assert_eq!(codes(read(&csv, &toml, &other)), ["D012"]);
    assert_eq!(codes(read(&csv, "seed = ", &protocol)), ["D011"]);
    assert_eq!(codes(read("a,b\n1,2\n", &toml, &protocol)), ["D013", "D014"]);
}

/// The description in tests/draw/README.md is enough: a short Python script, written from it alone, draws the same plan.
#[test]
fn a_stranger_can_repeat_the_draw() {
    let mut protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 4\n[[unit]]\nname = \"roller\"\ncount = 4\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\n",
        "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\n[factor.finish]\nset_on = \"roller\"\nlevels = [\"turned\", \"waxed\"]\n[factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n",
        "",
    );
    protocol.drawn_as = "0123456789abcdef".repeat(4);
    let (_, csv, _) = plan::freeze(&protocol, None, 20_260_302, "2026-03-02T08:00:00Z").unwrap();
    // Printed by tests/draw/repeat.py (Python 3.11, standard library only).
    let repeated = std::fs::read_to_string("tests/draw/repeated.csv").unwrap();
    assert_eq!(csv, repeated);
}
