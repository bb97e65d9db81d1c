//! Quadratic surfaces from the record to the sentences.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use common::{analyse, as_run, close, record};
use wellrun::analysis::{Findings, Outcome, ResponseFindings, SurfaceShape};
use wellrun::protocol::Protocol;

const ONE_UNIT: &str = "[[unit]]\nname = \"run\"\n";

fn study(factors: &str, rest: &str, rows: &[(&[&str], &str)]) -> (Protocol, Findings) {
    let protocol = as_run(ONE_UNIT, factors, rest);
    let rows: Vec<_> = rows
        .iter()
        .map(|(levels, y)| {
            (
                vec![],
                levels.iter().map(|l| (*l).to_owned()).collect(),
                (*y).to_owned(),
            )
        })
        .collect();
    let findings = analyse(&protocol, &record(&protocol, &rows));
    (protocol, findings)
}

fn y(findings: &Findings) -> &ResponseFindings {
    &findings.responses["y"]
}

fn said(findings: &Findings) -> String {
    let text = wellrun::report::terminal(findings, 100).replace(['\u{a0}', '\n'], " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Published: yield by time (minutes) and temperature (°F) in a central composite design of 13 runs, Montgomery, Design and
/// Analysis of Experiments, response surface chapter: a maximum at 87 minutes and 176.5 °F with 80.21, lack of fit p 0.2886
/// (from memory; matched by the data).
#[test]
fn a_published_composite_design_has_its_maximum() {
    let factors = "[factor.duration]\nset_on = \"run\"\nlevels = [77.93, 80, 85, 90, 92.07]\nunit = \"min\"\nscale = \"numeric\"\n\
                   [factor.temperature]\nset_on = \"run\"\nlevels = [167.93, 170, 175, 180, 182.07]\nunit = \"°F\"\nscale = \"numeric\"\n";
    let rows: [(&[&str], &str); 13] = [
        (&["80", "170"], "76.5"),
        (&["80", "180"], "77.0"),
        (&["90", "170"], "78.0"),
        (&["90", "180"], "79.5"),
        (&["85", "175"], "79.9"),
        (&["85", "175"], "80.3"),
        (&["85", "175"], "80.0"),
        (&["85", "175"], "79.7"),
        (&["85", "175"], "79.8"),
        (&["92.07", "175"], "78.4"),
        (&["77.93", "175"], "75.6"),
        (&["85", "182.07"], "78.5"),
        (&["85", "167.93"], "77.0"),
    ];
    let (_, findings) = study(
        factors,
        "[analysis]\nplanned = [\"duration\", \"temperature\"]\n",
        &rows,
    );
    let surface = y(&findings).surface.as_ref().expect("a surface");
    assert_eq!(surface.shape, SurfaceShape::Maximum);
    let point = surface.turning_point.as_ref().unwrap();
    assert!(
        (point.at[0].value - 86.95).abs() < 0.01 && (point.at[1].value - 176.53).abs() < 0.01,
        "{point:?}"
    );
    assert!((point.response - 80.21).abs() < 0.005 && point.inside);
    for at in &point.at {
        assert!(at.low.unwrap() < at.value && at.value < at.high.unwrap());
    }
    let lack = surface.lack_of_fit.as_ref().unwrap();
    assert_eq!((lack.df, lack.pure_error_df), (3, 4));
    assert!((lack.p - 0.2886).abs() < 5e-4, "{lack:?}");
    // The coefficients in the published coding: one unit is 5 minutes and 5 °F.
    for (term, published) in [
        ("duration", 0.995 * 1.414),
        ("temperature", 0.515 * 1.414),
        ("duration squared", -1.376 * 1.414 * 1.414),
        ("temperature squared", -1.001 * 1.414 * 1.414),
        ("duration × temperature", 0.250 * 1.414 * 1.414),
    ] {
        let found = surface.coefficients.iter().find(|c| c.term == term).unwrap();
        assert!(
            (found.value - published).abs() < 2e-3,
            "{term} {} {published}",
            found.value
        );
    }
    // The model of the effects holds slopes, curvatures and their interaction, and the same lack of fit.
    assert_eq!(y(&findings).residual.df, 7);
    let check = y(&findings)
        .checks
        .iter()
        .find(|c| c.name == "lack of fit against repeated settings")
        .unwrap();
    assert_eq!(check.outcome, Outcome::NothingFound);
    close(check.p.unwrap(), lack.p, 1e-9, "lack of fit");
    let text = said(&findings);
    assert!(
        text.contains("Over duration and temperature the response has a maximum at duration 86.9"),
        "{text}"
    );
    assert!(
        text.contains("No lack of fit is seen against repeated settings"),
        "{text}"
    );
}

const OFFSET: &str = "[factor.offset]\nset_on = \"run\"\nlevels = [0, 1, 2]\nunit = \"mm\"\nscale = \"numeric\"\n";

/// Closed form: a straight line with a little noise turns nowhere that can be told, and says so.
#[test]
fn a_line_turns_nowhere() {
    let rows: [(&[&str], &str); 9] = [
        (&["0"], "10.0"),
        (&["0"], "10.2"),
        (&["0"], "9.9"),
        (&["1"], "11.1"),
        (&["1"], "10.9"),
        (&["1"], "11.0"),
        (&["2"], "12.1"),
        (&["2"], "11.9"),
        (&["2"], "12.0"),
    ];
    let (_, findings) = study(OFFSET, "[analysis]\nplanned = [\"offset\"]\n", &rows);
    let surface = y(&findings).surface.as_ref().unwrap();
    assert_eq!(surface.shape, SurfaceShape::NotDetermined);
    assert!(said(&findings).contains("it is not determined whether and where it turns"));
    assert!(surface.map.is_none());
}

/// Closed form: 10 + (offset − 1.25)² without other noise than ±0.01 has its minimum at 1.25.
#[test]
fn a_parabola_turns_at_its_foot() {
    let rows: [(&[&str], &str); 6] = [
        (&["0"], "11.5725"),
        (&["0"], "11.5525"),
        (&["1"], "10.0725"),
        (&["1"], "10.0525"),
        (&["2"], "10.5725"),
        (&["2"], "10.5525"),
    ];
    let (_, findings) = study(OFFSET, "", &rows);
    let surface = y(&findings).surface.as_ref().unwrap();
    assert_eq!(surface.shape, SurfaceShape::Minimum);
    let point = surface.turning_point.as_ref().unwrap();
    close(point.at[0].value, 1.25, 1e-9, "foot");
    close(point.response, 10.0, 1e-9, "height");
    assert!(
        point.at[0].low.unwrap() > 1.1 && point.at[0].high.unwrap() < 1.4,
        "{point:?}"
    );
}

/// A response that bends along one factor only is a ridge; with a category beside it the surface is that of the average.
#[test]
fn a_bend_one_way_is_a_ridge() {
    let factors = "[factor.force]\nset_on = \"run\"\nlevels = [1, 2, 3]\nscale = \"numeric\"\n\
                   [factor.speed]\nset_on = \"run\"\nlevels = [10, 20, 30]\nscale = \"numeric\"\n\
                   [factor.lot]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n";
    let mut rows: Vec<(Vec<String>, String)> = Vec::new();
    let mut stream = wellrun::numeric::stream::Stream::named("one way");
    for (i, force) in ["1", "2", "3"].iter().enumerate() {
        for speed in ["10", "20", "30"] {
            for (l, lot) in ["A", "B"].iter().enumerate() {
                let noise = 0.05 * stream.normal();
                let bend = (i as f64 - 1.0).powi(2);
                let value = 50.0 - 2.0 * bend + l as f64 + noise;
                rows.push((
                    vec![(*force).to_owned(), speed.to_owned(), (*lot).to_owned()],
                    format!("{value:.3}"),
                ));
            }
        }
    }
    let texts: Vec<(Vec<&str>, &str)> = rows
        .iter()
        .map(|(levels, y)| (levels.iter().map(String::as_str).collect(), y.as_str()))
        .collect();
    let rows: Vec<(&[&str], &str)> = texts.iter().map(|(levels, y)| (levels.as_slice(), *y)).collect();
    let (_, findings) = study(factors, "", &rows);
    let surface = y(&findings).surface.as_ref().unwrap();
    assert_eq!(surface.shape, SurfaceShape::Ridge);
    assert!(
        (surface.coefficients[0].value - 50.5).abs() < 0.05,
        "{:?}",
        surface.coefficients[0]
    );
    assert!(said(&findings).contains("Over force and speed the response runs along a ridge"));
    let map = surface.map.as_ref().unwrap();
    assert_eq!((map.across.as_str(), map.up.as_str()), ("force", "speed"));
}
