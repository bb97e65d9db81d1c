//! The diagnosis: closed forms against brute-force refits, tests of spread and shape against independent scripts, and the
//! whole way from a record to the checks.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use common::{Case, analyse, as_run, close, factor, pick, record};
use proptest::prelude::*;
use wellrun::analysis::{Check, Diagnosis, Findings, Outcome};
use wellrun::numeric::Matrix;
use wellrun::numeric::stream::Stream;
use wellrun::protocol::Protocol;
use wellrun::record::{Questioned, Record};
use wellrun::stats::deletion::{Deletion, Grouping};
use wellrun::stats::equal_spread::{bartlett, brown_forsythe};
use wellrun::stats::linear;
use wellrun::stats::power_transform::profile;

const ONE_UNIT: &str = "[[unit]]\nname = \"run\"\n";
const BLOCKS: &str = "[[unit]]\nname = \"block\"\n[[unit]]\nname = \"run\"\nwithin = [\"block\"]\n";

fn diagnosis(findings: &Findings) -> &Diagnosis {
    findings.responses["y"].diagnosis.as_ref().expect("a diagnosis")
}

fn check<'a>(findings: &'a Findings, name: &str) -> &'a Check {
    findings.responses["y"]
        .checks
        .iter()
        .find(|c| c.name == name)
        .unwrap_or_else(|| panic!("no check {name}"))
}

/// A small study of some rows: factor a (two levels), a slope, and groups of three.
fn rows(n: usize, seed: u64) -> (Vec<f64>, Vec<Vec<f64>>, Vec<u32>) {
    let mut stream = Stream::named(&format!("rows {seed}"));
    let groups: Vec<u32> = (0..n).map(|i| (i / 3) as u32).collect();
    let shifts: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
    let columns = vec![
        vec![1.0; n],
        (0..n)
            .map(|i| if (i * 7 + i / 3) % 2 == 0 { 1.0 } else { -1.0 })
            .collect(),
        (0..n).map(|_| stream.normal()).collect::<Vec<f64>>(),
    ];
    let y = (0..n)
        .map(|i| 60.0 + columns[1][i] + 0.5 * columns[2][i] + shifts[groups[i] as usize] + stream.normal())
        .collect();
    (y, columns, groups)
}

fn without<T: Clone>(values: &[T], out: &[usize]) -> Vec<T> {
    (0..values.len())
        .filter(|i| !out.contains(i))
        .map(|i| values[i].clone())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Closed form against brute force: a refit without the rows.
    #[test]
    fn deletions_are_refits(seed in 0_u64..1000, first in 0_usize..12, second in 0_usize..12) {
        let (y, columns, _) = rows(12, seed);
        let x = Matrix::from_columns(&columns);
        let deletion = Deletion::new(&y, &x, &[]).unwrap();
        let mut out = vec![first, second];
        out.sort_unstable();
        out.dedup();
        let all = linear::fit(&y, &Matrix::from_columns(&columns[1..]), true).unwrap();
        let leverages = all.leverages(&Matrix::from_columns(&columns[1..])).unwrap();
        for (row, leverage) in leverages.iter().enumerate() {
            prop_assert!((1.0 - deletion.freedom(row) - leverage).abs() < 1e-9);
            prop_assert!((deletion.residuals()[row] - all.residuals[row]).abs() < 1e-9);
        }
        let deleted = deletion.without(&out).unwrap();
        let kept: Vec<Vec<f64>> = columns[1..].iter().map(|column| without(column, &out)).collect();
        let refit = linear::fit(&without(&y, &out), &Matrix::from_columns(&kept), true).unwrap();
        prop_assert!((deleted.variance.unwrap() - refit.ms_residual().unwrap()).abs() < 1e-8);
        // Both columns at once: their test without the rows, and with them.
        let unit = |j: usize| (0..3).map(|c| f64::from(u8::from(c == j))).collect::<Vec<f64>>();
        let both: Vec<Vec<f64>> = [1, 2].map(|j| deletion.direction(&unit(j)).unwrap()).to_vec();
        prop_assert!((deletion.squares(&both, None).unwrap() - all.partial(&[vec![0, 1]])[0].sum_of_squares).abs() < 1e-8);
        let left = deletion.squares(&both, Some(&deleted)).unwrap();
        prop_assert!((left - refit.partial(&[vec![0, 1]])[0].sum_of_squares).abs() < 1e-8);
        for j in 0..2 {
            let mut c = vec![0.0; 3];
            c[j + 1] = 1.0;
            let direction = deletion.direction(&c).unwrap();
            let (value, factor) = deletion.function_without(&direction, &deleted);
            let estimate = refit.coefficients[j].unwrap();
            prop_assert!((value - estimate.estimate).abs() < 1e-8);
            let error = (factor * deleted.variance.unwrap()).sqrt();
            prop_assert!((error - estimate.standard_error.unwrap()).abs() < 1e-8);
        }
        // The shift of a single row is its distance from what the refit gives for it.
        let alone = deletion.without(&[first]).unwrap();
        let kept: Vec<Vec<f64>> = columns[1..].iter().map(|column| without(column, &[first])).collect();
        let refit = linear::fit(&without(&y, &[first]), &Matrix::from_columns(&kept), true).unwrap();
        let predicted = refit.intercept.unwrap().estimate
            + (0..2).map(|j| refit.coefficients[j].unwrap().estimate * columns[j + 1][first]).sum::<f64>();
        prop_assert!((alone.shifts[0] - (y[first] - predicted)).abs() < 1e-8);
    }

    /// With groupings: deleting rows is the same as building the model without them, the ratio held.
    #[test]
    fn deletions_with_groups_are_refits(seed in 0_u64..1000, out in 0_usize..15, ratio in 0.0_f64..4.0) {
        let (y, columns, group) = rows(15, seed);
        let x = Matrix::from_columns(&columns);
        let deletion = Deletion::new(&y, &x, &[Grouping { group: group.clone(), ratio }]).unwrap();
        let deleted = deletion.without(&[out]).unwrap();
        let kept: Vec<Vec<f64>> = columns.iter().map(|column| without(column, &[out])).collect();
        let refit = Deletion::new(
            &without(&y, &[out]),
            &Matrix::from_columns(&kept),
            &[Grouping { group: without(&group, &[out]), ratio }],
        ).unwrap();
        prop_assert!((deleted.variance.unwrap() - refit.variance()).abs() < 1e-8);
        for j in 0..3 {
            let mut c = vec![0.0; 3];
            c[j] = 1.0;
            let (value, factor) = deletion.function_without(&deletion.direction(&c).unwrap(), &deleted);
            let (wanted, wanted_factor) = refit.function(&refit.direction(&c).unwrap());
            prop_assert!((value - wanted).abs() < 1e-8 && (factor - wanted_factor).abs() < 1e-8);
        }
    }
}

/// Independent: a script in another language, `tests/reference/spread-by-group/compute.py`.
#[test]
fn tests_of_equal_spread() {
    let case = Case::load("spread-by-group");
    let groups: Vec<Vec<f64>> = case
        .levels("group")
        .iter()
        .map(|level| {
            case.rows
                .iter()
                .filter(|row| row[0] == *level)
                .map(|row| row[1].parse().unwrap())
                .collect()
        })
        .collect();
    let (levene, normal) = (brown_forsythe(&groups).unwrap(), bartlett(&groups).unwrap());
    close(
        levene.statistic,
        case.number("expected", "brown_forsythe"),
        1e-10,
        "ratio",
    );
    close(levene.p, case.number("expected", "brown_forsythe_p"), 1e-8, "its p");
    close(
        normal.statistic,
        case.number("expected", "bartlett"),
        1e-10,
        "chi-square",
    );
    close(normal.p, case.number("expected", "bartlett_p"), 1e-8, "its p");
    assert_eq!(brown_forsythe(&[vec![1.0, 2.0], vec![1.0]]), None);
    assert_eq!(bartlett(&[vec![1.0, 1.0], vec![1.0, 2.0]]), None);
}

fn survival() -> (Case, Protocol, Findings) {
    let case = Case::load("power-of-survival-times");
    let factors =
        factor("poison", "run", &case.levels("poison")) + &factor("treatment", "run", &case.levels("treatment"));
    let protocol = as_run(ONE_UNIT, &factors, "[analysis]\ninteractions = 1\n");
    let findings = analyse(
        &protocol,
        &record(&protocol, &pick(&case, &[], &["poison", "treatment"], "response")),
    );
    (case, protocol, findings)
}

/// Published: Box and Cox (1964), survival times, power −0.75; interval from an independent script. Data from memory.
#[test]
fn the_power_of_survival_times() {
    let (case, _, findings) = survival();
    let found = diagnosis(&findings).transformation.as_ref().unwrap();
    close(found.power, case.number("published", "power"), 0.005, "published");
    close(found.power, case.number("expected", "power"), 1e-5, "power");
    close(found.low.unwrap(), case.number("expected", "low"), 1e-6, "low");
    close(found.high.unwrap(), case.number("expected", "high"), 1e-6, "high");
    assert_eq!(found.candidates, ["reciprocal of the square root", "reciprocal"]);
    let said = check(&findings, "transformation of the response");
    assert!(
        said.outcome == Outcome::Look && said.answer.contains("for the lead to decide"),
        "{}",
        said.answer
    );
    // A response that varies little is left alone, and one that is not positive has no power.
    let y: Vec<f64> = case
        .rows
        .iter()
        .map(|row| row[2].parse::<f64>().unwrap() - 0.5)
        .collect();
    assert_eq!(profile(&y, &Matrix::from_columns(&[vec![1.0; 48]]), 0.95), None);
}

/// Property: multiplying the response by a constant changes no power.
#[test]
fn the_power_does_not_depend_on_the_unit() {
    let case = Case::load("power-of-survival-times");
    let y: Vec<f64> = case.rows.iter().map(|row| row[2].parse().unwrap()).collect();
    let x = Matrix::from_columns(&[vec![1.0; 48]]);
    let one = profile(&y, &x, 0.95).unwrap();
    let other = profile(&y.iter().map(|v| v * 3600.0).collect::<Vec<f64>>(), &x, 0.95).unwrap();
    assert!((one.best - other.best).abs() < 1e-5 && (one.gain - other.gain).abs() < 1e-8);
}

/// Two levels in four runs each; run 8 alone makes the difference.
fn two_levels(last: &str) -> (Protocol, Record) {
    let protocol = as_run(ONE_UNIT, &factor("lot", "run", &["A".to_owned(), "B".to_owned()]), "");
    let values = ["60.1", "60.4", "59.9", "60.0", "60.9", "61.0", "60.8", last];
    let rows: Vec<_> = values
        .iter()
        .enumerate()
        .map(|(i, v)| (vec![], vec![if i < 4 { "A" } else { "B" }.to_owned()], (*v).to_owned()))
        .collect();
    let mut record = record(&protocol, &rows);
    for (run, own) in &mut record.runs {
        own.order = Some(*run);
    }
    (protocol, record)
}

/// Closed form: seven runs say 'higher', the eighth makes it undecided; the finding says so and leaves it in.
#[test]
fn a_run_that_decides_is_named() {
    let (protocol, record) = two_levels("52.3");
    let findings = analyse(&protocol, &record);
    let influence = diagnosis(&findings).influence.as_ref().unwrap();
    assert_eq!(influence.changes.len(), 1);
    let change = &influence.changes[0];
    assert_eq!(
        (change.without.as_str(), change.about.as_str()),
        ("run 8", "lot B against A")
    );
    assert_eq!(
        (
            change.with_all.conclusion.as_str(),
            change.without_it.conclusion.as_str()
        ),
        ("undecided", "higher")
    );
    assert_eq!(findings.responses["y"].results.len(), 8);
    let said = check(&findings, "conclusions without single runs or set-ups");
    assert_eq!(said.outcome, Outcome::Look);
    assert!(
        said.answer
            .starts_with("Without run 8, lot B against A would be higher in place of undecided"),
        "{}",
        said.answer
    );
    let calm = analyse(&two_levels("60.9").0, &two_levels("60.9").1);
    assert_eq!(
        check(&calm, "conclusions without single runs or set-ups").outcome,
        Outcome::NothingFound
    );
    // Leverage of a run in a group of four is a quarter, closed form.
    assert!(influence.runs.iter().all(|run| (run.leverage - 0.25).abs() < 1e-12));
}

/// A questioned reading stays in; the conclusions without it stand beside.
#[test]
fn conclusions_without_questioned_readings() {
    let (protocol, mut record) = two_levels("52.3");
    record.questioned.push(Questioned {
        run: 8,
        what: "y".to_owned(),
        text: "52.3".to_owned(),
        why: "lies outside what is expected".to_owned(),
    });
    let findings = analyse(&protocol, &record);
    let found = diagnosis(&findings).without_questioned.as_ref().unwrap();
    assert_eq!(found.readings.len(), 1);
    assert!(
        found
            .headlines
            .iter()
            .any(|h| h.changes && h.without_them.conclusion == "higher")
    );
    let said = check(&findings, "conclusions without questioned readings");
    assert!(
        said.answer.contains("All readings stand in the analysis"),
        "{}",
        said.answer
    );
    let plain = analyse(&two_levels("52.3").0, &two_levels("52.3").1);
    assert_eq!(
        findings.responses["y"].contrasts[0].difference,
        plain.responses["y"].contrasts[0].difference
    );
    assert!(diagnosis(&plain).without_questioned.is_none());
}

/// The conclusions compared are those that the report states: differences judged together with the others of their factor, at
/// each setting of a planned pair too, and planned tests of several degrees of freedom.
#[test]
fn conclusions_rest_on_simultaneous_intervals() {
    let (lots, heats) = (["A", "B", "C"], ["low", "high"]);
    let factors = factor("lot", "run", &lots.map(str::to_owned)) + &factor("heat", "run", &heats.map(str::to_owned));
    let rest = "[analysis]\nplanned = [\"lot\", [\"lot\", \"heat\"]]\n";
    let protocol = as_run(ONE_UNIT, &factors, rest);
    let mut stream = Stream::named("together");
    let mut rows = Vec::new();
    for (l, lot) in lots.iter().enumerate() {
        for (h, heat) in heats.iter().enumerate() {
            for _ in 0..4 {
                let y = 60.0 + 0.9 * l as f64 + (l * h) as f64 + 0.5 * stream.normal();
                rows.push((vec![], vec![(*lot).to_owned(), (*heat).to_owned()], format!("{y:.4}")));
            }
        }
    }
    let mut record = record(&protocol, &rows);
    record.questioned.push(Questioned {
        run: 3,
        what: "y".to_owned(),
        text: String::new(),
        why: "lies outside what is expected".to_owned(),
    });
    let findings = analyse(&protocol, &record);
    let found = &findings.responses["y"];
    let headlines = &diagnosis(&findings).without_questioned.as_ref().unwrap().headlines;
    let of = |about: &str| headlines.iter().find(|h| h.about == about).unwrap();
    assert_eq!(headlines.iter().filter(|h| h.about.contains(" at heat ")).count(), 6);
    for contrast in found.contrasts.iter().filter(|c| c.factor == "lot") {
        let together = contrast.together.as_ref().unwrap();
        let at = contrast
            .within
            .get("heat")
            .map_or_else(String::new, |heat| format!(" at heat {heat}"));
        let headline = &of(&format!("lot {} against {}{at}", contrast.to, contrast.from)).with_all;
        assert_eq!((headline.low, headline.high), (Some(together.low), Some(together.high)));
    }
    let whole = &of("lot × heat as a whole").with_all;
    let effect = found.effects.iter().find(|e| e.term == "lot × heat").unwrap();
    assert_eq!((whole.value, whole.p), (None, effect.p_adjusted));
    assert_eq!(
        whole.conclusion,
        if effect.p_adjusted.unwrap() <= 0.05 {
            "seen"
        } else {
            "undecided"
        }
    );
}

/// A study in blocks with a run lost gets the checks that a balanced one has, and the odd run is seen.
#[test]
fn studies_with_missing_runs_are_checked_as_well() {
    let levels = ["A", "B", "C"].map(str::to_owned);
    let protocol = as_run(BLOCKS, &factor("lot", "run", &levels), "");
    let mut stream = Stream::named("blocks");
    let mut rows = Vec::new();
    for block in 0..8 {
        let shift = stream.normal();
        for (l, level) in levels.iter().enumerate() {
            let odd = if block == 3 && l == 1 { 9.0 } else { 0.0 };
            let y = 60.0 + shift + l as f64 + odd + 0.3 * stream.normal();
            rows.push((vec![format!("{block}")], vec![level.clone()], format!("{y:.4}")));
        }
    }
    rows.remove(20);
    let mut record = record(&protocol, &rows);
    for (run, own) in &mut record.runs {
        own.order = Some(*run);
    }
    let findings = analyse(&protocol, &record);
    assert!(findings.responses["y"].model.method.starts_with("mixed model"));
    assert_eq!(
        check(&findings, "drift along the run order").outcome,
        Outcome::NothingFound
    );
    let odd = check(&findings, "a run that stands apart");
    assert_eq!(odd.outcome, Outcome::Look);
    assert!(odd.answer.starts_with("Run 11 stands"), "{}", odd.answer);
    assert!(check(&findings, "spread by lot").p.is_some());
    let influence = diagnosis(&findings).influence.as_ref().unwrap();
    assert_eq!((influence.runs.len(), influence.set_ups.len()), (23, 8));
    let furthest = influence
        .set_ups
        .iter()
        .max_by(|a, b| a.distance.unwrap().total_cmp(&b.distance.unwrap()));
    assert_eq!(furthest.unwrap().label, "3");
}

/// Readings rounded by eye to whole numbers on a display of tenths.
#[test]
fn favoured_digits_are_seen() {
    let levels = ["A", "B"].map(str::to_owned);
    let protocol = as_run(ONE_UNIT, &factor("lot", "run", &levels), "").clone();
    let rows: Vec<_> = (0..20)
        .map(|i| {
            (
                vec![],
                vec![levels[i % 2].clone()],
                format!("{}.0000", 60 + (i * 7) % 11),
            )
        })
        .collect();
    let findings = analyse(&protocol, &record(&protocol, &rows));
    let said = check(&findings, "last digits of the readings");
    assert_eq!(said.outcome, Outcome::Look);
    assert!(said.answer.starts_with("20 of 20 readings end in 0"), "{}", said.answer);
    let found = diagnosis(&findings).last_digits.as_ref().unwrap();
    assert!(found.exact && (found.p - 1e-19).abs() < 1e-25, "{}", found.p);
}

/// What is repeated inside a set-up is no replicate of what was set there.
#[test]
fn set_ups_are_counted_as_replicates() {
    let case = Case::load("splitplot-oats");
    let units = "[[unit]]\nname = \"block\"\n[[unit]]\nname = \"plot\"\nwithin = [\"block\"]\n[[unit]]\nname = \"run\"\nwithin = [\"plot\"]\n";
    let factors =
        factor("variety", "plot", &case.levels("variety")) + &factor("nitrogen", "run", &case.levels("nitrogen"));
    let protocol = as_run(units, &factors, "");
    let rows: Vec<_> = case
        .rows
        .iter()
        .map(|row| {
            let at = |name: &str| row[case.column(name)].clone();
            (
                vec![at("block"), at("variety")],
                vec![at("variety"), at("nitrogen")],
                at("yield"),
            )
        })
        .collect();
    let findings = analyse(&protocol, &record(&protocol, &rows));
    let found = &diagnosis(&findings).replication;
    assert_eq!(found.len(), 1);
    assert_eq!(
        (
            found[0].factor.as_str(),
            found[0].set_ups,
            found[0].at_a_level,
            found[0].runs
        ),
        ("variety", 18, 6, 72)
    );
}
