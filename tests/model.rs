//! The mixed model where the protocol asks for more than averages give: drawn levels, covariates, weights, single readings.
#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use common::{Case, analyse, as_run, close, factor, pick, record, show};
use wellrun::analysis::{Component, Findings, ResponseFindings};
use wellrun::diagnostic::Source;
use wellrun::protocol::{self, Protocol};
use wellrun::record::{Record, RunRecord, Written};

const ONE_UNIT: &str = "[[unit]]\nname = \"run\"\n";

fn y(findings: &Findings) -> &ResponseFindings {
    &findings.responses["y"]
}

fn component<'a>(findings: &'a Findings, source: &str) -> &'a Component {
    y(findings)
        .components
        .iter()
        .find(|c| c.source == source)
        .unwrap_or_else(|| panic!("no component {source}"))
}

fn random(name: &str, levels: &[String]) -> String {
    format!("{}random = true\n", factor(name, "run", levels))
}

/// Published: Davies and Goldsmith (1972) table 6.6, penicillin: two crossed random factors, by restricted and by full
/// likelihood; digits beyond the printed ones from tests/reference/random-penicillin-crossed.
#[test]
fn two_factors_drawn_from_populations() {
    let case = Case::load("random-penicillin-crossed");
    let factors = random("plate", &case.levels("plate")) + &random("sample", &case.levels("sample"));
    let rows = pick(&case, &[], &["plate", "sample"], "diameter");
    for (extra, prefix) in [
        ("", "reml"),
        (
            "[analysis.model]\nlikelihood = \"full\"\ndegrees_of_freedom = \"Satterthwaite\"\n",
            "ml",
        ),
    ] {
        let protocol = as_run(ONE_UNIT, &factors, &format!("[analysis]\ninteractions = 1\n{extra}"));
        let findings = analyse(&protocol, &record(&protocol, &rows));
        for (source, key) in [("plate", "plate"), ("sample", "sample"), ("run", "residual")] {
            close(
                component(&findings, source).variance.unwrap(),
                case.number("expected", &format!("{prefix}_var_{key}")),
                1e-7,
                source,
            );
        }
        close(
            y(&findings).model.log_likelihood.unwrap(),
            case.number("expected", &format!("{prefix}_loglik")),
            1e-9,
            "log-likelihood",
        );
        assert!(y(&findings).effects.is_empty(), "drawn levels have no effects");
        assert_eq!(component(&findings, "plate").kind, "levels drawn");
    }
}

/// Closed form: in a balanced table of a fixed factor (a levels) and a drawn one (b levels), n runs a cell, and positive
/// components, F of the fixed factor is its mean square over that of the interaction, on (a − 1)(b − 1) degrees of freedom.
#[test]
fn a_fixed_factor_is_judged_against_its_change_over_drawn_levels() {
    let (a, b, n) = (2, 5, 3);
    let cell = |i: usize, j: usize| {
        20.0 + 3.0 * i as f64 + [0.0, 2.0, -1.5, 4.0, 1.0][j] + [[0.0; 5], [1.0, -1.6, 0.7, 0.2, -0.9]][i][j]
    };
    let noise = |i: usize, j: usize, k: usize| (((7 * i + 3 * j + 11 * k) * 13 % 17) as f64 - 8.0) * 0.02;
    let mut rows = Vec::new();
    for i in 0..a {
        for j in 0..b {
            for k in 0..n {
                let value = format!("{:.4}", cell(i, j) + noise(i, j, k));
                rows.push((Vec::new(), vec![format!("f{i}"), format!("o{j}")], value));
            }
        }
    }
    let names = |letter: &str, count: usize| -> Vec<String> { (0..count).map(|i| format!("{letter}{i}")).collect() };
    let factors = factor("finish", "run", &names("f", a)) + &random("operator", &names("o", b));
    let protocol = as_run(
        ONE_UNIT,
        &factors,
        "[analysis]\nplanned = [\"finish\"]\ninteractions = 2\n",
    );
    let findings = analyse(&protocol, &record(&protocol, &rows));

    let value = |i: usize, j: usize, k: usize| -> f64 { rows[(i * b + j) * n + k].2.parse().unwrap() };
    let mean_cell = |i: usize, j: usize| (0..n).map(|k| value(i, j, k)).sum::<f64>() / n as f64;
    let row = |i: usize| (0..b).map(|j| mean_cell(i, j)).sum::<f64>() / b as f64;
    let column = |j: usize| (0..a).map(|i| mean_cell(i, j)).sum::<f64>() / a as f64;
    let grand = (0..a).map(row).sum::<f64>() / a as f64;
    let ms_a = (0..a).map(|i| (row(i) - grand).powi(2)).sum::<f64>() * (b * n) as f64 / (a - 1) as f64;
    let ms_ab = (0..a)
        .flat_map(|i| (0..b).map(move |j| (i, j)))
        .map(|(i, j)| (mean_cell(i, j) - row(i) - column(j) + grand).powi(2))
        .sum::<f64>()
        * n as f64
        / ((a - 1) * (b - 1)) as f64;
    let found = &y(&findings).effects[0];
    assert_eq!(found.term, "finish");
    assert_eq!(found.judged_against, "finish × operator");
    close(found.f.unwrap(), ms_a / ms_ab, 1e-7, "F");
    close(
        found.denominator_df.unwrap(),
        ((a - 1) * (b - 1)) as f64,
        1e-6,
        "degrees of freedom",
    );
    // Differences are given for the fixed factor only.
    assert!(y(&findings).contrasts.iter().all(|c| c.factor == "finish"));
}

const READINGS: &str = r#"wellrun = 1
[study]
id = "rollers"
version = "1.0"
title = "Rollers"
question = "What moves the reading?"
kind = "variance investigation"
method = "Stand"
source = "made up in this test"
[response.y]
measurand = "Hardness"
unit = "Shore D"
resolution = 0.01
readings = 3
reading_time = "not timed"
result = "mean"
round_to = "none"
[[unit]]
name = "session"
[[unit]]
name = "run"
within = "session"
[factor.finish]
set_on = "run"
levels = ["turned", "polished"]
[condition.core]
unit = "°C"
measured_on = "session"
[design]
treatments = "full factorial"
order = "as run"
[analysis]
planned = ["finish"]
"#;

fn rollers(extra: &str) -> Protocol {
    match protocol::read(&Source::new("protocol.toml", format!("{READINGS}{extra}"))) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", show(&found)),
    }
}

fn written(value: f64) -> Written {
    let text = format!("{value:.2}");
    Written {
        value: text.parse().unwrap(),
        text,
        entry: 1,
    }
}

/// Four sessions of four runs of three readings; some of the last readings left out on request.
fn sessions(short: bool) -> Record {
    let mut record = Record::default();
    for run in 0..16_usize {
        let (session, finish) = (run / 4, run % 2);
        let level = 55.0 + [0.0, 1.1, -0.7, 0.4][session] + 0.8 * finish as f64 + ((run * 29 % 11) as f64 - 5.0) * 0.09;
        let taken = if short && run % 5 == 2 { 1 } else { 3 };
        let readings = (0..3)
            .map(|k| (k < taken).then(|| written(level + (((run + 5 * k) * 31 % 13) as f64 - 6.0) * 0.05)))
            .collect();
        record.runs.insert(
            run + 1,
            RunRecord {
                run: run + 1,
                readings: vec![readings],
                conditions: vec![(run % 4 == 0).then(|| written([21.0, 22.5, 20.5, 24.0][session]))],
                units: vec![format!("s{session}"), (run + 1).to_string()],
                levels: vec![finish],
                ..RunRecord::default()
            },
        );
    }
    record
}

/// Closed form: where every run has as many readings, the model of single readings gives the same test as that of results,
/// and the same components.
#[test]
fn single_readings_and_results_agree_where_runs_are_alike() {
    let of_results = analyse(&rollers(""), &sessions(false));
    let of_readings = analyse(&rollers("[analysis.model]\nof = \"readings\"\n"), &sessions(false));
    let (one, other) = (&y(&of_results).effects[0], &y(&of_readings).effects[0]);
    close(other.f.unwrap(), one.f.unwrap(), 1e-7, "F");
    close(other.denominator_df.unwrap(), one.denominator_df.unwrap(), 1e-6, "df");
    for source in ["session", "run", "reading"] {
        close(
            component(&of_readings, source).variance.unwrap(),
            component(&of_results, source).variance.unwrap(),
            1e-6,
            source,
        );
    }
    assert!(y(&of_readings).model.method.contains("single readings"));
}

/// Closed form: with runs of one and of three readings, a weight by readings makes the residual of a run with m readings
/// vary by 1/m; the fit equals that of the statistics room on the same numbers.
#[test]
fn weights_by_readings_reach_the_fit() {
    let record = sessions(true);
    let weighted = analyse(&rollers("[analysis.model]\nweights = \"readings\"\n"), &record);
    let equal = analyse(
        &rollers("[analysis.model]\ndegrees_of_freedom = \"Satterthwaite\"\n"),
        &record,
    );
    let rows: Vec<(usize, &RunRecord)> = record.runs.values().enumerate().collect();
    let mean = |run: &RunRecord| {
        let own: Vec<f64> = run.readings[0]
            .iter()
            .flatten()
            .map(|w| w.text.parse().unwrap())
            .collect();
        (own.iter().sum::<f64>() / own.len() as f64, own.len() as f64)
    };
    let x: Vec<f64> = rows
        .iter()
        .map(|(_, run)| if run.levels[0] == 0 { 1.0 } else { -1.0 })
        .collect();
    let problem = |weights: Option<Vec<f64>>| wellrun::stats::mixed::MixedProblem {
        y: rows.iter().map(|(_, run)| mean(run).0 - 55.0).collect(),
        x: wellrun::numeric::Matrix::from_columns(&[vec![1.0; rows.len()], x.clone()]),
        terms: vec![wellrun::stats::mixed::RandomTerm::intercept(
            rows.iter().map(|(index, _)| (*index / 4) as u32).collect(),
            4,
        )],
        weights,
    };
    let reml = wellrun::stats::mixed::Method::Reml;
    let fit =
        wellrun::stats::mixed::fit(&problem(Some(rows.iter().map(|(_, run)| mean(run).1).collect())), reml).unwrap();
    let unweighted = wellrun::stats::mixed::fit(&problem(None), reml).unwrap();
    let found = |findings: &Findings| -y(findings).contrasts[0].difference / 2.0;
    close(found(&weighted), fit.coefficients[1], 1e-8, "weighted");
    close(found(&equal), unweighted.coefficients[1], 1e-8, "equal");
    assert!((found(&weighted) - found(&equal)).abs() > 1e-4);
}

/// Closed form: a covariate written once a session stands for all its runs, its slope is that of the statistics room, and a
/// run of a session where it was never written is left out with a sentence.
#[test]
fn a_covariate_of_the_session() {
    let protocol = rollers("[analysis.model]\ncovariates = [\"core\"]\n");
    let mut record = sessions(false);
    let findings = analyse(&protocol, &record);
    let slope = y(&findings).slopes.iter().find(|s| s.covariate).unwrap();
    assert_eq!((slope.factor.as_str(), slope.unit.as_str()), ("core", "°C"));
    assert_eq!(slope.span, (20.5, 24.0));
    // Sessions of four runs, balanced in finish: the slope is that of the four session means.
    let core = [21.0, 22.5, 20.5, 24.0];
    let means: Vec<f64> = (0..4)
        .map(|s| {
            let own: Vec<f64> = (4 * s + 1..=4 * s + 4)
                .flat_map(|run| record.runs[&run].readings[0].iter().flatten())
                .map(|w| w.text.parse().unwrap())
                .collect();
            own.iter().sum::<f64>() / 12.0
        })
        .collect();
    let (cm, mm) = (core.iter().sum::<f64>() / 4.0, means.iter().sum::<f64>() / 4.0);
    let sxy: f64 = core.iter().zip(&means).map(|(c, m)| (c - cm) * (m - mm)).sum();
    let sxx: f64 = core.iter().map(|c| (c - cm).powi(2)).sum();
    close(slope.per_unit, sxy / sxx, 1e-7, "slope");
    close(
        slope.df.unwrap(),
        2.0,
        1e-5,
        "two degrees of freedom are left of four sessions",
    );

    record.runs.get_mut(&5).unwrap().conditions = vec![None];
    let findings = analyse(&protocol, &record);
    assert_eq!(y(&findings).runs, 12);
    assert!(
        y(&findings)
            .cannot_tell
            .iter()
            .any(|s| s.contains("5, 6, 7, 8") && s.contains("left out"))
    );
}

/// Closed form: bootstrap intervals hold the estimate, stay the same from one analysis to the next, and are named.
#[test]
fn bootstrap_intervals_where_asked() {
    let protocol = rollers("[analysis.model]\ncomponent_intervals = \"bootstrap\"\nbootstrap = 199\n");
    let first = analyse(&protocol, &sessions(false));
    let again = analyse(&protocol, &sessions(false));
    let (one, two) = (component(&first, "session"), component(&again, "session"));
    assert_eq!((one.low, one.high), (two.low, two.high));
    let sd = one.standard_deviation.unwrap();
    assert!(one.low.unwrap() < sd && sd < one.high.unwrap());
    let profile = analyse(&rollers(""), &sessions(false));
    assert_ne!(component(&profile, "session").low, one.low);
}

/// A factor whose levels coincide with a unit brings nothing of its own, and the report says so.
#[test]
fn a_drawn_factor_that_is_a_unit_in_disguise() {
    let text = READINGS.replace(
        "[factor.finish]",
        "[factor.operator]\nset_on = \"session\"\nlevels = [\"a\", \"b\", \"c\", \"d\"]\nrandom = true\n[factor.finish]",
    );
    let Ok((protocol, _)) = protocol::read(&Source::new("protocol.toml", text)) else {
        panic!("refused")
    };
    let mut record = sessions(false);
    for (index, run) in record.runs.values_mut().enumerate() {
        run.levels.insert(0, index / 4);
    }
    let findings = analyse(&protocol, &record);
    let operator = component(&findings, "operator");
    assert_eq!(operator.variance, None);
    assert!(operator.note.as_deref().unwrap().contains("cannot be told"));
    assert!(component(&findings, "session").variance.unwrap() > 0.0);
    assert!(y(&findings).effects[0].p.is_some());
}

/// What cannot be is refused, each with its own code and place.
#[test]
fn wrong_models_are_refused() {
    for (extra, code) in [
        ("[analysis.model]\nlikelihood = \"full\"\n", "P145"),
        ("[analysis.model]\ncovariates = [\"cor\"]\n", "P142"),
        ("[analysis.model]\ncovariates = [\"core\", \"core\"]\n", "P143"),
        ("[analysis.model]\nof = \"readings\"\nweights = \"readings\"\n", "P147"),
        (
            "[factor.operator]\nset_on = \"run\"\nlevels = [1, 2]\nscale = \"numeric\"\nrandom = true\n",
            "P141",
        ),
    ] {
        let found = protocol::read(&Source::new("protocol.toml", format!("{READINGS}{extra}"))).unwrap_err();
        assert!(found.iter().any(|d| d.code == code), "{extra}: {}", show(&found));
    }
    let text = READINGS.replace(
        "levels = [\"turned\", \"polished\"]",
        "levels = [\"turned\", \"polished\"]\nrandom = true",
    );
    let found = protocol::read(&Source::new("protocol.toml", text)).unwrap_err();
    assert!(found.iter().any(|d| d.code == "P140"), "{}", show(&found));
    let text = READINGS.replace("result = \"mean\"", "result = \"median\"") + "[analysis.model]\nof = \"readings\"\n";
    let found = protocol::read(&Source::new("protocol.toml", text)).unwrap_err();
    assert!(found.iter().any(|d| d.code == "P146"), "{}", show(&found));
}
