//! Every row of the catalogue of designs as a small protocol that goes the whole way: plan, sheet, rehearsal with its
//! report; and designs that cannot answer, each refused or warned with the way to mend it.
//!
//! What each row must say in its plan is what its definition promises; no number of an analysis is checked here.

use tempfile::TempDir;

use super::support::{json, run, stderr, stdout, text, write};

/// A study of one response: units, factors, the design, the planned effects and the spreads assumed.
fn study(units: &str, factors: &str, design: &str, planned: &str, spread: &str) -> String {
    format!(
        r#"wellrun = 1
[study]
id = "small"
version = "1.0"
title = "A small study"
question = "Does it move?"
kind = "variance investigation"
method = "Type D durometer on an operating stand"
[response.hardness]
measurand = "Apparent Shore D hardness of the running surface of a drive roller"
unit = "Shore D"
resolution = 0.1
possible = [0, 100]
readings = 1
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
{units}
{factors}
[design]
{design}
[analysis]
planned = [{planned}]
interactions = 1
[assumed.hardness]
source = "Invented"
mean = 57
spread = {{ {spread} }}
"#
    )
}

fn unit(name: &str, rest: &str) -> String {
    format!("[[unit]]\nname = \"{name}\"\n{rest}\n")
}

/// Factors named by letters, each with so many levels, set on a unit.
fn factors(names: &str, levels: usize, on: &str) -> String {
    let level = |name: char| {
        let all: Vec<String> = (1..=levels).map(|k| format!("\"{name}{k}\"")).collect();
        all.join(", ")
    };
    let one = |name: char| format!("[factor.{name}]\nset_on = \"{on}\"\nlevels = [{}]\n", level(name));
    names.chars().map(one).collect()
}

fn numeric(names: &str) -> String {
    let one = |name: char| format!("[factor.{name}]\nset_on = \"run\"\nlevels = [1, 3]\nscale = \"numeric\"\n");
    names.chars().map(one).collect()
}

fn in_blocks(count: usize, run: &str) -> String {
    unit("block", &format!("count = {count}")) + &unit("run", &format!("within = \"block\"\n{run}"))
}

fn crossed(rows: usize, columns: usize) -> String {
    unit("row", &format!("count = {rows}"))
        + &unit("column", &format!("count = {columns}"))
        + &unit("run", "within = [\"row\", \"column\"]")
}

const RUN: &str = "run = 0.4";
const BLOCKS: &str = "block = 0.3, run = 0.4";
const CROSSED: &str = "row = 0.3, column = 0.2, run = 0.4";

/// Plans, prints and rehearses a study, and looks for words in what the plan says and for the runs in the record.
#[track_caller]
fn goes_the_whole_way(protocol: &str, runs: usize, said: &str) {
    let dir: TempDir = tempfile::tempdir().unwrap();
    let at = dir.path();
    write(at, "protocol.toml", protocol);
    let preview = stdout(&run(at, &["plan", "--preview"], 0));
    let preview = preview.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(preview.contains(said), "{said}: {preview}");
    assert!(
        preview.starts_with(&format!("A small study {runs} runs, ")),
        "{preview}"
    );
    run(at, &["plan", "--seed", "1"], 0);
    run(at, &["sheet", "--as", "html,csv"], 0);
    assert_eq!(text(at, "sheets/sheet.csv").lines().count(), runs + 1);
    let rehearsed = json(&run(at, &["rehearse", "--as", "html", "--json"], 0));
    assert!(!rehearsed["rehearsal"].is_null());
    let findings: serde_json::Value =
        serde_json::from_str(&text(&at.join("rehearsal"), "report/findings.json")).unwrap();
    assert_eq!(findings["record"]["runs_complete"], runs);
    let effects = findings["responses"]["hardness"]["effects"].as_array().unwrap();
    assert!(effects.iter().any(|effect| effect["planned"] == true), "{effects:?}");
    assert!(text(&at.join("rehearsal"), "report/report.html").contains("REHEARSAL"));
}

#[test]
fn full_factorial() {
    let design = "treatments = \"full factorial\"\nreplicates = 3";
    let factors = factors("ab", 2, "run") + &factors("c", 3, "run");
    goes_the_whole_way(
        &study(&unit("run", ""), &factors, design, "\"a\", \"c\"", RUN),
        36,
        "36 runs",
    );
}

#[test]
fn two_level_fraction_with_centre_points() {
    let design = "treatments = \"two-level fraction\"\nruns = 8\ncentre_points = 4";
    goes_the_whole_way(
        &study(&unit("run", ""), &numeric("abcd"), design, "\"a\"", RUN),
        12,
        "Resolution IV",
    );
}

#[test]
fn orthogonal_array() {
    let design = "treatments = \"orthogonal array\"\nruns = 18";
    let factors = factors("a", 2, "run") + &factors("bcd", 3, "run");
    goes_the_whole_way(
        &study(&unit("run", ""), &factors, design, "\"b\"", RUN),
        18,
        "Orthogonal array of 18 runs",
    );
}

#[test]
fn screening_set_folded_over() {
    let design = "treatments = \"screening\"\nruns = 12\nfold_over = \"all\"";
    let factors = factors("abcdefg", 2, "run");
    goes_the_whole_way(
        &study(&unit("run", ""), &factors, design, "\"a\"", RUN),
        24,
        "Screening of 24 runs",
    );
}

#[test]
fn latin_and_graeco_latin_squares() {
    let design = "treatments = \"latin square\"";
    let protocol = study(&crossed(4, 4), &factors("a", 4, "run"), design, "\"a\"", CROSSED);
    goes_the_whole_way(&protocol, 16, "once in every row and every column");
    let design = "treatments = \"graeco-latin square\"";
    let protocol = study(
        &crossed(5, 5),
        &factors("ab", 5, "run"),
        design,
        "\"a\", \"b\"",
        CROSSED,
    );
    goes_the_whole_way(&protocol, 25, "once in every row and every column");
}

#[test]
fn williams_squares_of_even_and_odd_numbers() {
    let design = "treatments = \"williams square\"";
    for (treatments, subjects) in [(4, 4), (3, 6)] {
        let factors = factors("a", treatments, "run").replace("\nlevels", "\ncarries_over = true\nlevels");
        let protocol = study(&crossed(subjects, treatments), &factors, design, "\"a\"", CROSSED);
        goes_the_whole_way(
            &protocol,
            subjects * treatments,
            "each treatment follows each other one",
        );
    }
}

#[test]
fn incomplete_blocks() {
    let design = "treatments = \"incomplete blocks\"";
    let protocol = study(
        &in_blocks(7, "count = 3"),
        &factors("a", 7, "run"),
        design,
        "\"a\"",
        BLOCKS,
    );
    goes_the_whole_way(&protocol, 21, "each pair meets once in a block");
}

#[test]
fn optimal_set_under_constraints() {
    let design = "treatments = \"optimal\"\nruns = 11\n[design.optimal]\nstarts = 3\n\
                  forbidden = [{ a = \"a1\", b = \"b2\" }]";
    let factors = factors("ab", 3, "run") + &numeric("c");
    let protocol = study(&unit("run", ""), &factors, design, "\"a\", \"c\"", RUN);
    goes_the_whole_way(&protocol, 11, "D-efficiency");
}

#[test]
fn list_of_ones_own() {
    let design = "treatments = \"list\"\nreplicates = 3\n\
                  combinations = [[\"a1\", \"b1\"], [\"a2\", \"b1\"], [\"a3\", \"b2\"], [\"a1\", \"b2\"]]";
    let factors = factors("a", 3, "run") + &factors("b", 2, "run");
    goes_the_whole_way(
        &study(&unit("run", ""), &factors, design, "\"a\"", RUN),
        12,
        "List of 4 runs",
    );
}

#[test]
fn factorial_and_fraction_confounded_with_blocks() {
    let design = "treatments = \"full factorial\"\nconfounded = [[\"a\", \"b\", \"c\"]]";
    let protocol = study(
        &in_blocks(4, "count = 4"),
        &factors("abc", 2, "run"),
        design,
        "\"a\"",
        BLOCKS,
    );
    goes_the_whole_way(&protocol, 16, "a × b × c");
    let design = "treatments = \"two-level fraction\"\nruns = 16\nblocks = 2";
    let protocol = study(&in_blocks(4, ""), &factors("abcde", 2, "run"), design, "\"a\"", BLOCKS);
    goes_the_whole_way(&protocol, 32, "is confounded with");
}

/// A hard-to-change factor on a wider unit: two strata from the units alone.
#[test]
fn split_plot() {
    let units = unit("block", "count = 4") + &unit("oven", "within = \"block\"") + &unit("run", "within = \"oven\"");
    let factors = factors("t", 2, "oven") + &factors("a", 2, "run");
    let protocol = study(
        &units,
        &factors,
        "",
        "\"t\", \"a\"",
        "block = 0.3, oven = 0.2, run = 0.4",
    );
    goes_the_whole_way(&protocol, 16, "oven");
}

/// A fraction with a hard-to-change factor on the wider unit.
#[test]
fn split_plot_fraction() {
    let units = unit("oven", "count = 8") + &unit("run", "within = \"oven\"\ncount = 4");
    let factors = factors("tm", 2, "oven") + &factors("abc", 2, "run");
    let design = "treatments = \"two-level fraction\"\nset_on = [\"oven\", \"run\"]\nruns = 16";
    let protocol = study(&units, &factors, design, "\"t\", \"a\"", "oven = 0.2, run = 0.4");
    goes_the_whole_way(&protocol, 32, "One fraction over the factors of both units");
}

/// Parts and operators that cross; rollers within batches: units without a treatment set beyond one factor.
#[test]
fn crossed_and_nested_measurement_systems() {
    let units = unit("operator", "count = 3")
        + &unit("part", "count = 5")
        + &unit("run", "within = [\"operator\", \"part\"]\ncount = 2");
    let protocol = study(
        &units,
        &factors("o", 3, "operator"),
        "",
        "\"o\"",
        "operator = 0.1, part = 0.8, run = 0.3",
    );
    goes_the_whole_way(&protocol, 30, "operator");
    let units = unit("batch", "count = 4")
        + &unit("roller", "within = \"batch\"\ncount = 3")
        + &unit("run", "within = \"roller\"");
    let protocol = study(
        &units,
        &factors("a", 2, "run"),
        "",
        "\"a\"",
        "batch = 0.6, roller = 0.4, run = 0.3",
    );
    goes_the_whole_way(&protocol, 24, "batch");
}

/// Laboratories, materials, repeats: what the statement of precision is about is named.
#[test]
fn interlaboratory_layout() {
    let units = unit("laboratory", "count = 6")
        + &unit("material", "count = 3")
        + &unit("run", "within = [\"laboratory\", \"material\"]\ncount = 3");
    let protocol = study(
        &units,
        &factors("m", 3, "material"),
        "",
        "\"m\"",
        "laboratory = 0.7, material = 0, run = 0.3",
    ) + "[precision]\nlaboratory = \"laboratory\"\nmaterial = \"material\"\n";
    goes_the_whole_way(&protocol, 54, "laboratory");
}

/// Temperature set once a level in one block: no spread is left to judge it by. The count in the hint mends it.
#[test]
fn a_factor_set_once_a_level_is_warned_of_with_the_count_that_mends_it() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let sessions = |count: usize| {
        let units = unit("session", &format!("count = {count}")) + &unit("run", "within = \"session\"\ncount = 6");
        let factors = factors("t", 2, "session") + &factors("a", 2, "run");
        study(&units, &factors, "", "\"t\", \"a\"", "session = 0.2, run = 0.4")
    };
    write(at, "protocol.toml", sessions(2));
    for command in [&["plan", "--preview"][..], &["check"]] {
        let told = stderr(&run(at, command, 0));
        assert!(
            told.contains("warning[D022]: `t` is planned and cannot be judged"),
            "{told}"
        );
        assert!(told.contains("raise the count of `session` from 2 to 4"), "{told}");
    }
    write(at, "protocol.toml", sessions(4));
    let told = stderr(&run(at, &["plan", "--preview"], 0));
    assert!(!told.contains("D022"), "{told}");
}

/// Planned effects that share one estimate are refused, and what the hint says parts them.
#[test]
fn planned_effects_that_share_an_estimate_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let fraction = |resolution: usize| {
        let design = format!("treatments = \"two-level fraction\"\nresolution = {resolution}");
        let planned = "\"a\", [\"a\", \"b\"], [\"c\", \"d\"]";
        study(&unit("run", ""), &factors("abcde", 2, "run"), &design, planned, RUN)
    };
    write(at, "protocol.toml", fraction(3));
    let told = stderr(&run(at, &["plan", "--preview"], 1));
    assert!(told.contains("[P091]") || told.contains("[P094]"), "{told}");
    assert!(
        told.contains("a higher `resolution`") || told.contains("take more runs"),
        "{told}"
    );
    write(at, "protocol.toml", fraction(5));
    run(at, &["plan", "--preview"], 0);
}

/// A specimen without room is refused with the count that fits, and fewer readings fit.
#[test]
fn a_map_without_room_is_refused_with_the_count_that_fits() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let plate = |length: usize| {
        let units = unit("plate", "count = 2") + &unit("run", "within = \"plate\"\ncount = 6");
        study(&units, &factors("a", 2, "run"), "", "\"a\"", "plate = 0.2, run = 0.4")
            + &format!(
                "[positions]\non = \"plate\"\nshape = \"flat rectangle\"\nlength = {length}\nwidth = 24\npitch = 6\nedge = 12\n"
            )
    };
    // Closed form: along the one line in the middle, 24 mm from end to end, five spots 6 mm apart.
    write(at, "protocol.toml", plate(48));
    for command in [&["plan", "--preview"][..], &["check"]] {
        let told = stderr(&run(at, command, 1));
        assert!(told.contains("[D042]") && told.contains("room for 5 spots"), "{told}");
        assert!(told.contains("5 runs of 1 reading fit"), "{told}");
    }
    write(at, "protocol.toml", plate(54));
    run(at, &["plan", "--preview"], 0);
}
