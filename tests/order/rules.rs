//! Rules for the order: kept by every draw, and every order that keeps them equally likely.

use std::collections::BTreeMap;

use proptest::prelude::*;
use wellrun::numeric::distribution::chi2_upper;
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, Followers, PlannedRun};
use wellrun::protocol::Protocol;

use super::support::{codes, protocol};

const ONE_FACTOR: &str = "[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\"]\ncarries_over = true\n";

fn in_one_sequence(count: usize, rules: &str) -> Protocol {
    protocol(
        &format!("[[unit]]\nname = \"run\"\ncount = {count}\n"),
        ONE_FACTOR,
        &format!("[order]\n{rules}\n"),
    )
}

fn levels(runs: &[PlannedRun], factor: usize) -> Vec<usize> {
    runs.iter().map(|run| run.levels[factor]).collect()
}

/// Every arrangement of two levels over so many runs, each level as often.
fn arrangements(count: usize) -> Vec<Vec<usize>> {
    (0..1_usize << count)
        .filter(|bits| bits.count_ones() as usize * 2 == count)
        .map(|bits| (0..count).map(|i| bits >> i & 1).collect())
        .collect()
}

/// Draws with many seeds and holds the frequencies against an equal share of each permissible arrangement: chi-square at
/// the 0.1 % level with fixed seeds; none that is forbidden ever comes.
fn each_comes_equally_often(protocol: &Protocol, permissible: &[Vec<usize>], draws: u64) {
    let mut counts: BTreeMap<Vec<usize>, usize> = permissible.iter().map(|a| (a.clone(), 0)).collect();
    for seed in 0..draws {
        let runs = plan::draw(protocol, "north", seed).unwrap();
        *counts
            .get_mut(&levels(&runs, 0))
            .unwrap_or_else(|| panic!("forbidden: {:?}", levels(&runs, 0))) += 1;
    }
    let each = draws as f64 / permissible.len() as f64;
    let statistic: f64 = counts.values().map(|&n| (n as f64 - each).powi(2) / each).sum();
    let p = chi2_upper(statistic, (permissible.len() - 1) as f64);
    assert!(p > 0.001, "p = {p}: {counts:?}");
}

/// Closed form: of the 20 orders of 3 + 3 runs, those without three alike in a row.
#[test]
fn no_more_than_so_many_alike_in_a_row() {
    let permissible: Vec<Vec<usize>> = arrangements(6)
        .into_iter()
        .filter(|a| a.windows(3).all(|w| w[0] != w[1] || w[1] != w[2]))
        .collect();
    assert_eq!(permissible.len(), 14);
    each_comes_equally_often(&in_one_sequence(6, "alike_in_a_row_at_most = 2"), &permissible, 3_000);
}

/// Closed form: the correlation with the order is (sum of the places of one level − 10.5) / (2 · √(17.5 · 1.5) / 2).
#[test]
fn no_order_too_close_to_a_factor() {
    let permissible: Vec<Vec<usize>> = arrangements(6)
        .into_iter()
        .filter(|a| {
            let sum: usize = a.iter().enumerate().filter(|(_, l)| **l == 1).map(|(i, _)| i + 1).sum();
            (sum as f64 - 10.5).abs() / (17.5_f64 * 1.5).sqrt() <= 0.5
        })
        .collect();
    assert!((8..20).contains(&permissible.len()), "{}", permissible.len());
    each_comes_equally_often(&in_one_sequence(6, "correlation_at_most = 0.5"), &permissible, 3_000);
}

/// Closed form: 4 + 4 runs in one sequence make seven pairs; balanced means each of the four kinds once or twice.
#[test]
fn each_level_follows_each_equally_often() {
    let permissible: Vec<Vec<usize>> = arrangements(8)
        .into_iter()
        .filter(|a| {
            let mut counts = [0; 4];
            a.windows(2).for_each(|w| counts[2 * w[0] + w[1]] += 1);
            counts.iter().max().unwrap() - counts.iter().min().unwrap() <= 1
        })
        .collect();
    assert!((4..70).contains(&permissible.len()), "{}", permissible.len());
    each_comes_equally_often(&in_one_sequence(8, "carry_over = \"balanced\""), &permissible, 3_000);
}

/// Two sequences of the two orders AB and BA: balanced only if each comes as often.
#[test]
fn two_levels_in_four_sequences_are_balanced_by_construction() {
    let protocol = protocol(
        "[[unit]]\nname = \"day\"\ncount = 4\n[[unit]]\nname = \"run\"\nwithin = \"day\"\ncount = 2\n",
        ONE_FACTOR,
        "[order]\ncarry_over = \"balanced\"\n",
    );
    let permissible: Vec<Vec<usize>> = arrangements(4)
        .into_iter()
        .map(|days| days.into_iter().flat_map(|first| [first, 1 - first]).collect())
        .collect();
    each_comes_equally_often(&protocol, &permissible, 1_200);
}

fn followers(runs: &[PlannedRun], factor: usize, kinds: usize, length: usize) -> Followers {
    let starts: Vec<bool> = (0..runs.len()).map(|i| i % length == 0).collect();
    Followers::count(&levels(runs, factor), &starts, kinds)
}

/// The property of Williams' squares, through the draw: 7 levels in 14 sequences, 6 levels in 6 and in 8.
#[test]
fn squares_come_out_of_the_draw() {
    for (kinds, sequences) in [(7, 14), (6, 6), (6, 8)] {
        let names: Vec<String> = (0..kinds).map(|i| format!("\"m{i}\"")).collect();
        let protocol = protocol(
            &format!("[[unit]]\nname = \"day\"\ncount = {sequences}\n[[unit]]\nname = \"run\"\nwithin = \"day\"\n"),
            &format!(
                "[factor.finish]\nset_on = \"run\"\nlevels = [{}]\ncarries_over = true\n",
                names.join(", ")
            ),
            "[order]\ncarry_over = \"balanced\"\n",
        );
        for seed in 0..5 {
            let runs = plan::draw(&protocol, "", seed).unwrap();
            let most = usize::from(sequences % kinds != 0);
            assert!(
                followers(&runs, 0, kinds, kinds).spread() <= most,
                "{kinds} in {sequences}"
            );
        }
    }
}

/// Where neither a try nor a square gives it, an order is mended: three levels, twice each, with a second factor, in five
/// sequences; and rollers that come back, whose finish stays with them.
#[test]
fn orders_are_mended_where_no_try_is_balanced() {
    let nested = protocol(
        "[[unit]]\nname = \"day\"\ncount = 5\n[[unit]]\nname = \"run\"\nwithin = \"day\"\n",
        "[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\", \"raw\"]\ncarries_over = true\n\
         [factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n",
        "[order]\ncarry_over = \"balanced\"\ntries = 3\n",
    );
    let runs = plan::draw(&nested, "", 1).unwrap();
    assert!(followers(&runs, 0, 3, 6).spread() <= 1);
    for day in 1..=5 {
        let own: Vec<&PlannedRun> = runs.iter().filter(|run| run.units[0] == day).collect();
        let mut seen: Vec<&[usize]> = own.iter().map(|run| run.levels.as_slice()).collect();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), 6, "every combination once a day");
    }
    let crossed = protocol(
        "[[unit]]\nname = \"session\"\ncount = 6\n[[unit]]\nname = \"roller\"\ncount = 8\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\ncount = 1\n",
        "[factor.finish]\nset_on = \"roller\"\nlevels = [\"turned\", \"waxed\", \"raw\", \"ground\"]\ncarries_over = true\n",
        "[order]\ncarry_over = \"balanced\"\ntries = 2\n",
    );
    let runs = plan::draw(&crossed, "", 1).unwrap();
    assert!(followers(&runs, 0, 4, 8).spread() <= 1);
    let mut finish: BTreeMap<usize, usize> = BTreeMap::new();
    for run in &runs {
        assert_eq!(*finish.entry(run.units[1]).or_insert(run.levels[0]), run.levels[0]);
    }
}

/// What cannot be is said, with the rule that stood in the way and how near it came; and the search ends.
#[test]
fn an_order_that_cannot_be_is_refused_with_the_reason() {
    let cases = [
        (
            "alike_in_a_row_at_most = 1\ncorrelation_at_most = 0.01",
            "D040",
            "finish",
        ),
        ("correlation_at_most = 0.01\ntries = 50", "D040", "correlation"),
    ];
    for (rules, code, word) in cases {
        let found = plan::draw(&in_one_sequence(6, rules), "", 1).unwrap_err();
        assert_eq!(codes(&found), [code]);
        let help = found.iter().next().unwrap().help.clone().unwrap_or_default();
        assert!(help.contains(word), "{help}");
    }
    let alone = protocol(
        "[[unit]]\nname = \"day\"\ncount = 4\n[[unit]]\nname = \"run\"\nwithin = \"day\"\ncount = 1\n",
        "[factor.finish]\nset_on = \"day\"\nlevels = [\"turned\", \"waxed\"]\n[factor.instrument]\nset_on = \"day\"\nlevels = [\"A\", \"B\"]\n",
        "",
    );
    let mut alone = alone;
    alone.bench.rules.carry_over_balanced = true;
    alone.factors[0].carries_over = true;
    alone.factors[0].set_on = 1;
    alone.factors[1].set_on = 0;
    alone.units[1].count = 1;
    // Two levels cannot stand on one run a day; the draw says so before it looks at rules.
    assert_eq!(codes(&plan::draw(&alone, "", 1).unwrap_err()), ["D002"]);
    // A large study with a rule that nothing can keep ends all the same.
    let large = in_one_sequence(20_000, "alike_in_a_row_at_most = 1\ntries = 1000000");
    let mut large = large;
    large.bench.rules.tries = 20;
    assert_eq!(codes(&plan::draw(&large, "", 1).unwrap_err()), ["D040"]);
}

/// How many orders were drawn stands in the plan, and the plan reads back.
#[test]
fn the_plan_says_how_many_orders_were_drawn() {
    let protocol = in_one_sequence(8, "correlation_at_most = 0.2");
    let (frozen, csv, toml) = plan::freeze(&protocol, None, 3, "2026-03-02T08:00:00Z").unwrap();
    let tries = frozen.header.tries.unwrap();
    assert!(toml.contains(&format!("tries = {tries}\n")));
    let source = wellrun::diagnostic::Source::new;
    assert_eq!(
        plan::read(&source("plan.csv", csv), &source("plan.toml", toml), &protocol).unwrap(),
        frozen
    );
    let seeds: Vec<usize> = (0..30)
        .map(|seed| {
            let drawn = plan::draw_with(&protocol, &|purpose| Stream::named(&format!("{seed} {purpose}"))).unwrap();
            assert_eq!(plan::broken_rule(&protocol, &drawn.runs, 1), None);
            drawn.tries
        })
        .collect();
    assert!(seeds.iter().any(|&tries| tries > 1), "{seeds:?}");
}

/// The description in tests/draw/README.md is enough: plain Python, written from it alone, draws the same plan under rules.
#[test]
fn a_stranger_can_repeat_a_draw_under_rules() {
    let mut protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 4\n[[unit]]\nname = \"roller\"\ncount = 4\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\n",
        "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\nscale = \"numeric\"\n[factor.finish]\nset_on = \"roller\"\nlevels = [\"turned\", \"waxed\", \"ground\", \"raw\"]\ncarries_over = true\n[factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n",
        "[order]\ncorrelation_at_most = 0.5\nalike_in_a_row_at_most = 3\ncarry_over = \"balanced\"\n",
    );
    protocol.drawn_as = "0123456789abcdef".repeat(4);
    let (plan, csv, _) = plan::freeze(&protocol, None, 20_260_302, "2026-03-02T08:00:00Z").unwrap();
    let repeated = std::fs::read_to_string("tests/draw/repeated-rules.csv").unwrap();
    assert_eq!(csv, repeated);
    assert!(plan.header.tries.unwrap() > 1, "the first try would show little");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// Rules or none, a draw runs every combination as often within each set-up, and keeps the rules.
    #[test]
    fn every_draw_keeps_the_rules(days in 1_usize..4, replicates in 1_usize..4, in_a_row in 3_usize..5, seed in 0_u64..1000) {
        let protocol = protocol(
            &format!("[[unit]]\nname = \"day\"\ncount = {days}\n[[unit]]\nname = \"run\"\nwithin = \"day\"\ncount = {}\n", 4 * replicates),
            "[factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"waxed\"]\ncarries_over = true\n\
             [factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n",
            &format!("[order]\nalike_in_a_row_at_most = {in_a_row}\ncorrelation_at_most = 0.8\ncarry_over = \"balanced\"\n"),
        );
        let drawn = plan::draw_with(&protocol, &|purpose| Stream::named(&format!("{seed} {purpose}"))).unwrap();
        prop_assert_eq!(plan::broken_rule(&protocol, &drawn.runs, drawn.spread.unwrap()), None);
        for day in 1..=days {
            for combination in [[0, 0], [0, 1], [1, 0], [1, 1]] {
                let often = drawn.runs.iter().filter(|r| r.units[0] == day && r.levels == combination).count();
                prop_assert_eq!(often, replicates);
            }
        }
    }
}
