//! Treatment sets: published structures, the draw, whole small studies, and what is refused.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use common::{Case, analyse, close, number, record, show};
use wellrun::diagnostic::Source;
use wellrun::numeric::arrangement::{
    Word, aliases, carry_over_counts, resolution, screening, search, span, williams, word_lengths,
};
use wellrun::numeric::distribution::chi2_upper;
use wellrun::plan;
use wellrun::protocol::{self, Protocol};

/// Where a run stands, and its levels.
type Placed = (Vec<usize>, Vec<usize>);

/// Letters of the published tables: I is the identity.
const LETTERS: &str = "ABCDEFGHJKLMNOPQ";

fn mask(word: &str) -> u32 {
    word.chars()
        .filter_map(|c| LETTERS.find(c))
        .fold(0, |mask, place| mask | 1 << place)
}

fn letters(mask: u32) -> String {
    LETTERS
        .chars()
        .enumerate()
        .filter(|(place, _)| mask >> place & 1 == 1)
        .map(|(_, letter)| letter)
        .collect()
}

fn text(body: &str) -> String {
    format!(
        r#"wellrun = 1
[study]
id = "small"
version = "1.0"
title = "A small study"
question = "Does it move?"
kind = "ruggedness test"
method = "A method"
source = "tests/reference"
[response.hardness]
measurand = "Hardness of the roller face"
unit = "Shore D"
resolution = 0.0001
readings = 1
reading_time = "1 s after firm contact"
result = "mean"
round_to = "none"
{body}"#
    )
}

fn read(body: &str) -> Protocol {
    match protocol::read(&Source::new("protocol.toml", text(body))) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", show(&found)),
    }
}

const RUN: &str = "[[unit]]\nname = \"run\"\n";

/// Two-level factors named after letters, set on the run.
fn two(names: &str) -> String {
    names.chars().fold(String::new(), |mut text, name| {
        let _ = write!(
            text,
            "[factor.{name}]\nset_on = \"run\"\nlevels = [\"{name} low\", \"{name} high\"]\n"
        );
        text
    })
}

fn numeric(names: &str) -> String {
    names.chars().fold(String::new(), |mut text, name| {
        let _ = write!(
            text,
            "[factor.{name}]\nset_on = \"run\"\nlevels = [-1, 1]\nscale = \"numeric\"\n"
        );
        text
    })
}

fn many(name: &str, levels: usize) -> String {
    let levels: Vec<String> = (0..levels).map(|level| format!("\"{name} {level}\"")).collect();
    format!("[factor.{name}]\nset_on = \"run\"\nlevels = [{}]\n", levels.join(", "))
}

fn blocks(count: usize, runs: &str) -> String {
    format!("[[unit]]\nname = \"block\"\ncount = {count}\n[[unit]]\nname = \"run\"\nwithin = \"block\"\n{runs}\n")
}

/// A fraction over factors of an oven and of the runs in it.
fn split(ovens: usize, runs: usize, outer: &str, inner: &str, design: &str) -> String {
    format!(
        "[[unit]]\nname = \"oven\"\ncount = {ovens}\n[[unit]]\nname = \"run\"\nwithin = \"oven\"\ncount = {runs}\n{}{}\
         [design]\ntreatments = \"two-level fraction\"\nset_on = [\"oven\", \"run\"]\n{design}",
        two(outer).replace("set_on = \"run\"", "set_on = \"oven\""),
        two(inner)
    )
}

fn crossed(first: usize, second: usize) -> String {
    format!(
        "[[unit]]\nname = \"subject\"\ncount = {first}\n[[unit]]\nname = \"place\"\ncount = {second}\n\
         [[unit]]\nname = \"run\"\nwithin = [\"subject\", \"place\"]\n"
    )
}

/// Published: generators and resolutions of the standard tables (sources in the case), computed alias sets beside them.
#[test]
fn standard_fractions_have_the_published_alias_structures() {
    let case = Case::load("alias-structures-standard");
    let designs = case.expected["design"].as_array().unwrap();
    for design in designs {
        let name = design["name"].as_str().unwrap();
        let factors = design["factors"].as_integer().unwrap() as usize;
        let texts = |key: &str| -> Vec<&str> {
            design[key]
                .as_array()
                .unwrap()
                .iter()
                .map(|v| v.as_str().unwrap())
                .collect()
        };
        let words: Vec<Word> = texts("generators")
            .iter()
            .map(|generator| Word {
                factors: mask(generator),
                is_minus: generator.contains('-'),
            })
            .collect();
        let all = span(&words);
        let found: BTreeSet<String> = all
            .iter()
            .map(|word| format!("{}{}", if word.is_minus { "-" } else { "" }, letters(word.factors)))
            .collect();
        let wanted: BTreeSet<String> = texts("defining_words").iter().map(|word| (*word).to_owned()).collect();
        assert_eq!(found, wanted, "{name}");
        let lengths = word_lengths(&all, factors);
        let numbers = |key: &str| -> Vec<usize> {
            let list = design[key].as_array().unwrap();
            list.iter().map(|v| v.as_integer().unwrap() as usize).collect()
        };
        assert_eq!(lengths[3..], numbers("word_length_pattern"), "{name}");
        assert_eq!(
            resolution(&lengths),
            usize::try_from(design["resolution"].as_integer().unwrap()).ok()
        );
        let groups = |order: usize| -> BTreeSet<BTreeSet<String>> {
            let effects: Vec<u32> = (1_u32..1 << factors)
                .filter(|m| m.count_ones() as usize == order)
                .collect();
            effects
                .iter()
                .map(|&effect| {
                    aliases(effect, &all)
                        .iter()
                        .filter(|alias| (1..=2).contains(&alias.length()))
                        .map(|alias| letters(alias.factors))
                        .chain([letters(effect)])
                        .collect::<BTreeSet<String>>()
                })
                .filter(|group| group.len() > 1)
                .collect()
        };
        let split = |key: &str| -> BTreeSet<BTreeSet<String>> {
            texts(key)
                .iter()
                .map(|text| text.split(['=', '+']).map(|word| word.trim().to_owned()).collect())
                .collect()
        };
        assert_eq!(groups(1), split("main_effect_aliases"), "{name}");
        if factors <= 11 {
            let pairs: BTreeSet<BTreeSet<String>> = groups(2)
                .into_iter()
                .filter(|g| g.iter().all(|word| word.len() == 2))
                .collect();
            let wanted = split("two_factor_alias_groups");
            assert!(pairs.is_subset(&wanted), "{name}: {pairs:?}");
        }
        // The search reaches the least pattern of a full enumeration.
        if design.get("minimum_aberration").and_then(toml::Value::as_bool) == Some(true) {
            let base = factors - words.len();
            let best = search(factors, base).unwrap();
            assert_eq!(
                word_lengths(&span(&best), factors)[3..],
                numbers("best_word_length_pattern"),
                "{name}"
            );
        }
    }
}

/// Published: first rows of Plackett and Burman (1946) and the products of three columns.
#[test]
fn screening_sets_are_those_of_plackett_and_burman() {
    let case = Case::load("screening-design-rows-8-12-20");
    let rows: BTreeMap<usize, String> = case
        .rows
        .iter()
        .map(|row| (row[0].parse().unwrap(), row[1].clone()))
        .collect();
    for design in case.expected["design"].as_array().unwrap() {
        let runs = design["runs"].as_integer().unwrap() as usize;
        let matrix = screening(runs).unwrap();
        let first: String = matrix[0]
            .iter()
            .map(|&level| if level == 1 { '+' } else { '-' })
            .collect();
        assert_eq!(first, rows[&runs]);
        let mut products: BTreeMap<String, i64> = BTreeMap::new();
        let sign = |level: u8| if level == 1 { 1_i64 } else { -1 };
        for a in 0..runs - 1 {
            for b in 0..a {
                for c in 0..b {
                    let sum: i64 = matrix
                        .iter()
                        .map(|row| sign(row[a]) * sign(row[b]) * sign(row[c]))
                        .sum();
                    *products.entry(sum.abs().to_string()).or_insert(0) += 1;
                }
            }
        }
        let wanted: BTreeMap<String, i64> = design["triple_inner_products"]
            .as_table()
            .unwrap()
            .iter()
            .map(|(key, value)| (key.clone(), value.as_integer().unwrap()))
            .collect();
        assert_eq!(products, wanted, "{runs}");
    }
}

/// Published: Williams (1949), sequences of the case.
#[test]
fn williams_sequences_are_those_of_the_reference() {
    let case = Case::load("carry-over-balanced-squares");
    let mut published: BTreeMap<usize, BTreeMap<usize, Vec<usize>>> = BTreeMap::new();
    for row in &case.rows {
        let cell = |i: usize| row[i].parse::<usize>().unwrap();
        published
            .entry(cell(0))
            .or_default()
            .entry(cell(1))
            .or_default()
            .push(cell(3) - 1);
    }
    for design in case.expected["design"].as_array().unwrap() {
        let treatments = design["treatments"].as_integer().unwrap() as usize;
        let mut own = williams(treatments);
        let mut theirs: Vec<Vec<usize>> = published[&treatments].values().cloned().collect();
        assert_eq!(
            carry_over_counts(&own, treatments),
            carry_over_counts(&theirs, treatments),
            "{treatments}"
        );
        own.sort();
        theirs.sort();
        assert_eq!(own, theirs, "{treatments}");
    }
}

/// Published: Box, Hunter and Hunter (1978), bicycle: alias chains, in the protocol's own names.
#[test]
fn chains_are_told_in_the_names_of_the_factors() {
    let case = Case::load("twolevel-bicycle-2to7m4");
    let generators = "generators = [{ factor = \"d\", product_of = [\"a\", \"b\"] }, { factor = \"e\", product_of = [\"a\", \"c\"] }, \
                      { factor = \"f\", product_of = [\"b\", \"c\"] }, { factor = \"g\", product_of = [\"a\", \"b\", \"c\"] }]";
    let protocol = read(&format!(
        "{RUN}{}[design]\ntreatments = \"two-level fraction\"\n{generators}\nalias_order = 4\n[analysis]\nplanned = [\"a\"]\n",
        two("abcdefg")
    ));
    let chains = case.expected["expected"]["alias_chains"].as_table().unwrap();
    for (place, letter) in "ABCDEFG".chars().enumerate() {
        let wanted: BTreeSet<String> = chains[&letter.to_string()]
            .as_array()
            .unwrap()
            .iter()
            .map(|word| word.as_str().unwrap().to_owned())
            .filter(|word| word.len() > 1)
            .collect();
        let found: BTreeSet<String> = plan::alias_chain(&protocol, &[place], 4)
            .iter()
            .map(|alias| alias.effect.replace(" × ", "").to_uppercase())
            .collect();
        assert_eq!(found, wanted, "{letter}");
    }
    let aliasing = plan::aliasing(&protocol).unwrap();
    assert_eq!(aliasing.resolution, Some(3));
    assert_eq!(aliasing.word_lengths, [0, 0, 7, 7, 0, 0, 1]);
    assert_eq!(aliasing.generators[0], "d = a × b");
    assert_eq!(aliasing.chains.len(), 7);
}

/// Published: Hamada and Wu (1992), twelve runs: each interaction adds a third of itself to each main effect outside it.
#[test]
fn interactions_enter_a_screening_set_by_thirds() {
    let case = Case::load("screening-12-run-cast-fatigue");
    let protocol = read(&format!(
        "{RUN}{}[design]\ntreatments = \"screening\"\n[analysis]\nplanned = [\"a\"]\n",
        two("abcdefghijk")
    ));
    let table = case.expected["expected"]["alias_of_two_factor_interactions"]
        .as_table()
        .unwrap();
    let mut compared = 0;
    for main in 0..11 {
        let found: BTreeMap<String, f64> = plan::alias_chain(&protocol, &[main], 2)
            .into_iter()
            .map(|alias| (alias.effect.replace(" × ", "").to_uppercase(), alias.coefficient))
            .collect();
        for (pair, thirds) in table {
            let wanted = number(&thirds.as_array().unwrap()[main]) / 3.0;
            let own = found.get(pair).copied().unwrap_or(0.0);
            assert!((own - wanted).abs() < 1e-12, "{pair} in {main}: {own} {wanted}");
            compared += 1;
        }
    }
    assert_eq!(compared, 605);
}

/// Published: Montgomery, 2² with five centre points, from memory: curvature is judged against the repeats.
#[test]
fn centre_points_give_curvature_and_error() {
    let case = Case::load("twolevel-center-points-2to2");
    let protocol = read(&format!(
        "{RUN}{}[design]\ncentre_points = 5\norder = \"as run\"\n[analysis]\nplanned = [\"a\", \"b\"]\n",
        numeric("ab")
    ));
    let rows: Vec<(Vec<String>, Vec<String>, String)> = case
        .rows
        .iter()
        .map(|row| (Vec::new(), row[..2].to_vec(), row[2].clone()))
        .collect();
    let findings = analyse(&protocol, &record(&protocol, &rows));
    let found = &findings.responses["hardness"];
    let effect = |term: &str| found.effects.iter().find(|e| e.term.starts_with(term)).unwrap();
    let expected = |key: &str| case.number("expected", key);
    assert_eq!(found.residual.df, 4);
    close(
        found.residual.variance.unwrap(),
        expected("ms_pure_error"),
        1e-10,
        "pure error",
    );
    let curvature = effect("curvature");
    close(curvature.f.unwrap(), expected("f_curvature"), 1e-9, "curvature");
    close(curvature.p.unwrap(), expected("p_curvature"), 1e-9, "its p-value");
    close(effect("a").f.unwrap(), expected("f_center_A"), 1e-10, "a");
    close(effect("b").f.unwrap(), expected("f_center_B"), 1e-10, "b");
}

/// Published: npk field trial (Rothamsted; Venables and Ripley): the three-factor interaction confounded with blocks.
#[test]
fn a_confounded_factorial_is_judged_within_blocks() {
    let case = Case::load("anova-npk-confounded-blocks");
    let factor = |name: &str| format!("[factor.{name}]\nset_on = \"run\"\nlevels = [\"0\", \"1\"]\n");
    let body = |order: &str| {
        format!(
            "{}{}{}{}[design]\n{order}\n[analysis]\nplanned = [\"n\"]\n",
            blocks(6, "").replace("count = 6\n", if order.contains("as run") { "" } else { "count = 6\n" }),
            factor("n"),
            factor("p"),
            factor("k")
        )
    };
    let protocol = read(&body("order = \"as run\""));
    let rows: Vec<(Vec<String>, Vec<String>, String)> = case
        .rows
        .iter()
        .map(|row| (vec![row[0].clone()], row[1..4].to_vec(), row[4].clone()))
        .collect();
    let findings = analyse(&protocol, &record(&protocol, &rows));
    let found = &findings.responses["hardness"];
    let expected = |key: &str| case.number("expected", key);
    for (term, key) in [
        ("n", "N"),
        ("p", "P"),
        ("k", "K"),
        ("n × p", "N_x_P"),
        ("p × k", "P_x_K"),
    ] {
        let effect = found.effects.iter().find(|e| e.term == term).unwrap();
        close(
            effect.sum_of_squares.unwrap(),
            expected(&format!("ss_{key}")),
            1e-9,
            term,
        );
        close(effect.p.unwrap(), expected(&format!("p_{key}")), 1e-9, term);
    }
    assert_eq!(found.residual.df, 12);
    // The same study drawn: its blocks hold what the trial's held, half of the combinations each.
    let drawn = read(&body("blocks = 2"));
    let aliasing = plan::aliasing(&drawn).unwrap();
    assert_eq!(aliasing.confounded, ["n × p × k"]);
    for seed in 0..20 {
        let runs = plan::draw(&drawn, "", seed).unwrap();
        let mut odd = 0;
        for block in 1..=6 {
            let signs: BTreeSet<usize> = runs
                .iter()
                .filter(|run| run.units[0] == block)
                .map(|run| run.levels.iter().sum::<usize>() % 2)
                .collect();
            assert_eq!(signs.len(), 1, "one sign of n × p × k in a block");
            odd += signs.first().unwrap();
        }
        assert_eq!(odd, 3, "each sign equally often");
    }
}

/// Closed form: 2^(5−1) over two factors of an oven and three of a run, I = tmabc: each oven holds four of the eight
/// combinations, all sixteen come once in four ovens, and the sign of the word is the same throughout. Eight ovens leave 7 − 3 = 4
/// degrees of freedom to judge t, m and t × m by.
#[test]
fn a_fraction_lies_over_two_units() {
    let all = "[analysis]\nplanned = [\"t\", \"a\"]\ninteractions = 2\n";
    let protocol = read(&split(8, 4, "tm", "abc", &format!("runs = 16\n{all}")));
    let runs = plan::draw(&protocol, "", 5).unwrap();
    let mut times: BTreeMap<Vec<usize>, usize> = BTreeMap::new();
    let mut ovens: BTreeMap<usize, BTreeSet<Vec<usize>>> = BTreeMap::new();
    for run in &runs {
        assert_eq!(
            run.levels.iter().sum::<usize>() % 2,
            runs[0].levels.iter().sum::<usize>() % 2
        );
        *times.entry(run.levels.clone()).or_default() += 1;
        ovens.entry(run.units[0]).or_default().insert(run.levels[..2].to_vec());
    }
    assert_eq!((times.len(), times.values().all(|&n| n == 2)), (16, true));
    assert!(ovens.values().all(|outer| outer.len() == 1));
    let skeleton = plan::skeleton(&protocol).unwrap();
    for effect in &skeleton.effects {
        let in_oven = ["t", "m", "t × m"].contains(&effect.term.as_str());
        assert_eq!(
            effect.judged_against,
            if in_oven { "oven" } else { "run" },
            "{}",
            effect.term
        );
        // 24 in the runs, less a, b, c and nine interactions of two.
        assert_eq!(effect.error_df, if in_oven { 4 } else { 12 }, "{}", effect.term);
    }
    assert_eq!(skeleton.effects.len(), 15);

    // I = tmab: a × b says the same as t × m, which the ovens carry.
    let generators = "generators = [{ factor = \"b\", product_of = [\"t\", \"m\", \"a\"] }]\n[analysis]\n\
                      planned = [\"t\", [\"a\", \"b\"]]\ninteractions = 1\n";
    let protocol = read(&split(8, 2, "tm", "ab", generators));
    let skeleton = plan::skeleton(&protocol).unwrap();
    let judged = |term: &str| {
        let effect = skeleton.effects.iter().find(|effect| effect.term == term).unwrap();
        (effect.judged_against.clone(), effect.error_df)
    };
    assert_eq!(judged("a × b"), ("oven".to_owned(), 4));
    assert_eq!(judged("a"), ("run".to_owned(), 6));
}

/// Closed form: every arrangement that a set allows comes equally often, no other one ever. Chi-square at the 0.1 % level,
/// fixed seeds.
#[test]
fn permissible_arrangements_of_sets_are_equally_likely() {
    let cases = [
        // 12 latin squares of order 3.
        (
            format!(
                "{}{}[design]\ntreatments = \"latin square\"\n",
                crossed(3, 3),
                many("a", 3)
            ),
            12,
        ),
        // Three pairs dealt to three blocks, each in two orders.
        (
            format!(
                "{}{}[design]\ntreatments = \"incomplete blocks\"\n",
                blocks(3, "count = 2"),
                many("a", 3)
            ),
            48,
        ),
        // Two halves of a 2² dealt to two blocks, each in two orders.
        (
            format!(
                "{}{}[design]\nblocks = 2\nconfounded = [[\"a\", \"b\"]]\n",
                blocks(2, ""),
                two("ab")
            ),
            8,
        ),
        // Two sequences dealt to four subjects.
        (
            format!(
                "{}{}[design]\ntreatments = \"williams square\"\n",
                crossed(4, 2),
                many("a", 2)
            ),
            6,
        ),
        // Four runs of a half fraction in any order.
        (
            format!(
                "{RUN}{}[design]\ntreatments = \"two-level fraction\"\nruns = 4\n",
                two("abc")
            ),
            24,
        ),
        // Two ovens in two orders; the two runs that belong to each, in two orders.
        (split(2, 2, "t", "ab", "runs = 4\n"), 8),
    ];
    for (body, arrangements) in cases {
        let protocol = read(&body);
        let draws = 60 * arrangements as u64;
        let mut counts: BTreeMap<Vec<Placed>, usize> = BTreeMap::new();
        for seed in 0..draws {
            let mut runs: Vec<Placed> = plan::draw(&protocol, "", seed)
                .unwrap()
                .into_iter()
                .map(|run| (run.units, run.levels))
                .collect();
            // The order of visits is another draw; what stands where is compared.
            runs.sort();
            *counts.entry(runs).or_insert(0) += 1;
        }
        assert_eq!(counts.len(), arrangements, "{body}");
        let each = draws as f64 / arrangements as f64;
        let statistic: f64 = counts.values().map(|&n| (n as f64 - each).powi(2) / each).sum();
        assert!(
            chi2_upper(statistic, arrangements as f64 - 1.0) > 0.001,
            "{body}: {counts:?}"
        );
    }
}

/// The description in tests/draw/README.md is enough: a short Python script, written from it alone, draws the same plans.
#[test]
fn a_stranger_can_repeat_the_draw_of_a_set() {
    for (name, body) in [
        (
            "fraction",
            format!(
                "{RUN}{}[design]\ntreatments = \"two-level fraction\"\nruns = 8\n",
                two("abcd")
            ),
        ),
        (
            "blocks",
            format!(
                "{}{}[design]\ntreatments = \"incomplete blocks\"\n",
                blocks(6, "count = 2"),
                many("a", 4)
            ),
        ),
        (
            "square",
            format!(
                "{}{}[design]\ntreatments = \"latin square\"\n",
                crossed(4, 4),
                many("a", 4)
            ),
        ),
        (
            "sequences",
            format!(
                "{}{}[design]\ntreatments = \"williams square\"\n",
                crossed(6, 3),
                many("a", 3)
            ),
        ),
        (
            "split",
            split(
                8,
                4,
                "tm",
                "abc",
                "generators = [{ factor = \"c\", product_of = [\"t\", \"m\", \"a\", \"b\"] }]\n",
            ),
        ),
    ] {
        let mut protocol = read(&body);
        protocol.drawn_as = "0123456789abcdef".repeat(4);
        let (_, csv, _) = plan::freeze(&protocol, None, 20_260_302, "2026-03-02T08:00:00Z").unwrap();
        // Printed by tests/draw/repeat-sets.py (Python 3.11, standard library only).
        let repeated = std::fs::read_to_string(format!("tests/draw/repeated-{name}.csv")).unwrap();
        assert_eq!(csv, repeated, "{name}");
    }
}

/// What cannot be is refused where it stands, with its code and a way to mend it.
#[test]
fn what_cannot_be_is_refused_with_the_mend() {
    let fraction = |rest: &str| {
        format!(
            "{RUN}{}[design]\ntreatments = \"two-level fraction\"\n{rest}",
            two("abcde")
        )
    };
    let plan = |effects: &str| format!("\n[analysis]\nplanned = {effects}\n");
    let cases = [
        (fraction(""), "P082", "runs = 16"),
        (fraction("runs = 12"), "P082", "8, 16"),
        (fraction("resolution = 6"), "P084", "full factorial"),
        (fraction("runs = 8\nresolution = 4"), "P084", "smallest fraction"),
        (
            fraction("generators = [{ factor = \"e\", product_of = [\"a\", \"x\"] }]"),
            "P083",
            "did you mean `a`",
        ),
        (
            fraction("generators = [{ factor = \"e\", product_of = [\"a\"] }]"),
            "P083",
            "two or more",
        ),
        (fraction("runs = 16\nfold_over = \"q\""), "P093", "did you mean `a`"),
        (
            split(
                4,
                2,
                "tm",
                "ab",
                "generators = [{ factor = \"b\", product_of = [\"t\", \"m\"] }]\n",
            ),
            "P095",
            "two factors of `run` or more",
        ),
        (split(4, 2, "tm", "a", "runs = 4\n"), "P095", "full factorial"),
        (
            split(4, 4, "tm", "ab", "runs = 8\nblocks = 2\n"),
            "P095",
            "every `oven` is a block already",
        ),
        (
            split(4, 4, "tm", "abc", "").replace("two-level fraction", "screening"),
            "P095",
            "two-level fraction",
        ),
        (
            split(4, 4, "tm", "abc", "runs = 16\n")
                .replace("[\"oven\", \"run\"]", "\"run\"")
                .replace(
                    "runs = 16",
                    "generators = [{ factor = \"c\", product_of = [\"t\", \"a\", \"b\"] }]",
                ),
            "P083",
            "set_on = [\"oven\", \"run\"]",
        ),
        (
            fraction("runs = 16\nfold_over = [\"a\", \"b\"]"),
            "P093",
            "single factor",
        ),
        (fraction("runs = 16\ncentre_points = 3"), "P090", "numeric"),
        (
            fraction(&format!("runs = 8{}", plan("[\"a\", [\"b\", \"d\"], [\"a\", \"c\"]]"))),
            "P091",
            "resolution",
        ),
        (
            format!(
                "{RUN}{}[design]\ntreatments = \"two-level fraction\"\nruns = 8\n",
                many("a", 3)
            ),
            "P081",
            "orthogonal array",
        ),
        (
            format!("{RUN}{}[design]\ntreatments = \"screening\"\nruns = 10\n", two("abcde")),
            "P082",
            "from 8 to 48",
        ),
        (
            format!(
                "{RUN}{}{}[design]\ntreatments = \"orthogonal array\"\nruns = 8\n",
                many("a", 3),
                two("b")
            ),
            "P082",
            "18",
        ),
        (
            format!(
                "{}{}{}[design]\ntreatments = \"graeco-latin square\"\n",
                crossed(6, 6),
                many("a", 6),
                many("b", 6)
            ),
            "P085",
            "3, 4, 5",
        ),
        (
            format!(
                "{}{}[design]\ntreatments = \"latin square\"\n",
                crossed(4, 5),
                many("a", 5)
            ),
            "P086",
            "multiple of 5",
        ),
        (
            format!("{RUN}{}[design]\ntreatments = \"williams square\"\n", many("a", 4)),
            "P086",
            "two units",
        ),
        (
            format!(
                "{}{}[design]\ntreatments = \"incomplete blocks\"\n",
                blocks(8, "count = 3"),
                many("a", 7)
            ),
            "P087",
            "multiple of 7",
        ),
        (
            format!(
                "{RUN}{}[design]\ntreatments = \"list\"\ncombinations = [[\"a 0\"], [\"a 9\"]]\n",
                many("a", 2)
            ),
            "P088",
            "a 0, a 1",
        ),
        (
            format!(
                "{}{}[design]\nblocks = 2\nconfounded = [\"a\"]\n",
                blocks(2, ""),
                two("abc")
            ),
            "P089",
            "choose others",
        ),
        (
            format!(
                "{}{}[design]\nblocks = 2\nconfounded = [[\"a\", \"b\"]]{}",
                blocks(2, ""),
                two("abc"),
                plan("[\"a\", [\"a\", \"b\"]]")
            ),
            "P094",
            "confound another",
        ),
    ];
    for (body, code, help) in cases {
        let found = protocol::read(&Source::new("protocol.toml", text(&body))).unwrap_err();
        let told = show(&found);
        assert!(
            found.iter().any(|d| d.code == code),
            "{code} expected in\n{body}\n{told}"
        );
        assert!(told.contains(help), "{help} expected in\n{told}");
    }
    // A main effect shares its estimate with a pair: warned, not refused.
    let source = Source::new(
        "protocol.toml",
        text(&format!("{}{}", fraction("runs = 8"), plan("[\"a\", \"b\"]"))),
    );
    let (_, warnings) = protocol::read(&source).unwrap();
    assert!(warnings.iter().any(|d| d.code == "P092"), "{}", show(&warnings));
    let source = Source::new(
        "protocol.toml",
        text(&format!("{RUN}{}[design]\nruns = 8\n", two("ab"))),
    );
    let (_, warnings) = protocol::read(&source).unwrap();
    assert!(warnings.iter().any(|d| d.code == "P080"), "{}", show(&warnings));
}

/// Closed form: degrees of freedom of each sort of set, before any reading.
#[test]
fn degrees_of_freedom_follow_from_the_set() {
    for (body, term, against, df, left) in [
        (
            format!(
                "{}{}[design]\ntreatments = \"latin square\"\n",
                crossed(5, 5),
                many("a", 5)
            ),
            "a",
            "run",
            4,
            12,
        ),
        (
            format!(
                "{}{}{}[design]\ntreatments = \"graeco-latin square\"\n",
                crossed(4, 4),
                many("a", 4),
                many("b", 4)
            ),
            "b",
            "run",
            3,
            3,
        ),
        (
            format!(
                "{}{}[design]\ntreatments = \"williams square\"\n",
                crossed(10, 5),
                many("a", 5)
            ),
            "a",
            "run",
            4,
            32,
        ),
        // b k − b − v + 1 = 21 − 7 − 7 + 1.
        (
            format!(
                "{}{}[design]\ntreatments = \"incomplete blocks\"\n",
                blocks(7, "count = 3"),
                many("a", 7)
            ),
            "a",
            "run",
            6,
            8,
        ),
        (
            format!(
                "{}{}[design]\nblocks = 2\nconfounded = [[\"a\", \"b\"]]\n[analysis]\nplanned = [\"a\"]\n",
                blocks(8, ""),
                two("ab")
            ),
            "a × b",
            "block",
            1,
            6,
        ),
    ] {
        let skeleton = plan::skeleton(&read(&body)).unwrap();
        let effect = skeleton.effects.iter().find(|e| e.term == term).unwrap();
        assert_eq!(
            (effect.df, effect.judged_against.as_str(), effect.error_df),
            (df, against, left),
            "{body}"
        );
        let spent: usize = skeleton.strata.iter().map(|s| s.df).sum();
        assert_eq!(spent, skeleton.runs - 1);
    }
}

/// Closed form: blocks, rows and subjects grow by whole sets, what makes the square itself does not.
#[test]
fn counts_grow_by_whole_sets() {
    let steps = |body: &str| -> Vec<Option<usize>> {
        let protocol = read(body);
        (0..protocol.units.len())
            .map(|unit| wellrun::design::step(&protocol, unit))
            .collect()
    };
    let latin = format!(
        "{}{}[design]\ntreatments = \"latin square\"\n",
        crossed(8, 4),
        many("a", 4)
    );
    assert_eq!(steps(&latin), [Some(4), Some(4), None]);
    let williams = format!(
        "{}{}[design]\ntreatments = \"williams square\"\n",
        crossed(6, 3),
        many("a", 3)
    );
    assert_eq!(steps(&williams), [Some(6), None, None]);
    let halves = format!("{}{}[design]\nblocks = 2\n", blocks(4, ""), two("abc"));
    assert_eq!(steps(&halves), [Some(2), Some(4)]);
    assert_eq!(steps(&format!("{RUN}{}", two("abc"))), [Some(8)]);
}

fn run(folder: &Path, arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_wellrun"))
        .args(arguments)
        .current_dir(folder)
        .env_clear()
        .env("SOURCE_DATE_EPOCH", "1772433000")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(output.status.success(), "{arguments:?}\n{said}");
    // Lines are broken to the width of a terminal.
    said.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A whole small study: check, plan, sheet, record, analyse, report; what plan and report must say is given.
fn whole(body: &str, planned: &str, said: &str) {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path();
    std::fs::create_dir(folder.join("study")).unwrap();
    std::fs::write(folder.join("study/protocol.toml"), text(body)).unwrap();
    run(folder, &["check", "study"]);
    let plan = run(folder, &["plan", "study", "--seed", "7"]);
    assert!(plan.contains(planned), "{planned} expected in\n{plan}");
    run(folder, &["sheet", "study", "--as", "csv"]);
    let sheet = std::fs::read_to_string(folder.join("study/sheets/sheet.csv")).unwrap();
    let mut lines = sheet.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let mut filled = header.join(",");
    for (index, line) in lines.enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        // Half a unit for each level of `a`, and something that looks like spread.
        let level = cells[at("a")].bytes().map(usize::from).sum::<usize>() % 5;
        cells[at("hardness")] = format!("{:.4}", 60.0 + 0.5 * level as f64 + ((index * 37) % 11) as f64 / 10.0);
        "AB".clone_into(&mut cells[at("initials")]);
        filled.push('\n');
        filled.push_str(&cells.join(","));
    }
    filled.push('\n');
    std::fs::write(folder.join("filled.csv"), filled).unwrap();
    run(folder, &["record", "study", "filled.csv"]);
    let analysed = run(folder, &["analyse", "study"]);
    assert!(analysed.contains(said), "{said} expected in\n{analysed}");
    run(folder, &["report", "study", "--as", "html"]);
    let page = std::fs::read_to_string(folder.join("study/report/report.html")).unwrap();
    assert!(page.contains("</html>"));
}

#[test]
fn a_fraction_runs_from_protocol_to_report() {
    whole(
        &format!(
            "{RUN}{}[design]\ntreatments = \"two-level fraction\"\nruns = 16\n[analysis]\nplanned = [\"a\", \"b\"]\n",
            two("abcdef")
        ),
        "Resolution IV",
        "judged against each other",
    );
}

#[test]
fn a_fraction_with_centre_points_runs_from_protocol_to_report() {
    whole(
        &format!(
            "{RUN}{}[design]\ntreatments = \"two-level fraction\"\nruns = 8\ncentre_points = 4\n\
             [analysis]\nplanned = [\"a\", \"b\"]\n",
            numeric("abcd")
        ),
        "4 of them centre points",
        "curvature",
    );
}

#[test]
fn an_orthogonal_array_runs_from_protocol_to_report() {
    whole(
        &format!(
            "{RUN}{}{}{}[design]\ntreatments = \"orthogonal array\"\n[analysis]\nplanned = [\"a\"]\n",
            many("a", 3),
            many("b", 3),
            two("c")
        ),
        "Orthogonal array of 18 runs",
        "a 2 run 12",
    );
}

#[test]
fn a_folded_screening_set_runs_from_protocol_to_report() {
    whole(
        &format!(
            "{RUN}{}[design]\ntreatments = \"screening\"\nruns = 12\nfold_over = \"all\"\n[analysis]\nplanned = [\"a\"]\n",
            two("abcdefgh")
        ),
        "Screening of 24 runs",
        "a high",
    );
}

#[test]
fn squares_run_from_protocol_to_report() {
    whole(
        &format!(
            "{}{}{}[design]\ntreatments = \"graeco-latin square\"\n[analysis]\nplanned = [\"a\"]\n",
            crossed(5, 5),
            many("a", 5),
            many("b", 5)
        ),
        "once in every subject and every place",
        "on 4 and 8 degrees of freedom",
    );
}

#[test]
fn sequences_run_from_protocol_to_report() {
    whole(
        &format!(
            "{}{}[design]\ntreatments = \"williams square\"\n[analysis]\nplanned = [\"a\"]\n",
            crossed(6, 3),
            many("a", 3)
        ),
        "each treatment follows each other one twice",
        "a 2 run 8",
    );
}

#[test]
fn incomplete_blocks_run_from_protocol_to_report() {
    whole(
        &format!(
            "{}{}[design]\ntreatments = \"incomplete blocks\"\n[analysis]\nplanned = [\"a\"]\n",
            blocks(7, "count = 3"),
            many("a", 7)
        ),
        "each pair meets once in a block",
        "mixed model",
    );
}

#[test]
fn a_list_of_ones_own_runs_from_protocol_to_report() {
    whole(
        &format!(
            "{RUN}{}{}[design]\ntreatments = \"list\"\nreplicates = 3\n\
             combinations = [[\"a 0\", \"b 0\"], [\"a 1\", \"b 0\"], [\"a 2\", \"b 1\"], [\"a 0\", \"b 1\"]]\n\
             [analysis]\nplanned = [\"a\"]\n",
            many("a", 3),
            many("b", 2)
        ),
        "List of 4 runs",
        "a 1",
    );
}

#[test]
fn blocks_of_a_fraction_run_from_protocol_to_report() {
    whole(
        &format!(
            "{}{}[design]\ntreatments = \"two-level fraction\"\nruns = 16\nblocks = 2\n[analysis]\nplanned = [\"a\"]\n",
            blocks(4, ""),
            two("abcde")
        ),
        "confounded with blocks",
        "a high",
    );
}
