//! Optimal sets of treatments from a protocol: the whole path, and optima that are known.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;

use wellrun::analysis;
use wellrun::diagnostic::Source;
use wellrun::numeric::exchange::{Criterion, Problem};
use wellrun::numeric::stream::Stream;
use wellrun::plan;
use wellrun::protocol::{self, Protocol, text_sha256};
use wellrun::record::{Record, RunRecord, Written};
use wellrun::stats::power::{Sides, t_power};

fn rig_text(design: &str) -> String {
    format!(
        "wellrun = 1\n[study]\nid = \"t\"\nversion = \"1\"\ntitle = \"T\"\nquestion = \"Q\"\nkind = \"ruggedness test\"\n\
         method = \"M\"\n[response.y]\nmeasurand = \"Y\"\nunit = \"mm\"\nresolution = 0.001\nreadings = 1\nreading_time = \"any\"\n\
         result = \"mean\"\nround_to = \"none\"\nrelevant = 1\n[[unit]]\nname = \"run\"\n\
         [factor.load]\nset_on = \"run\"\nlevels = [1, 5, 9]\nscale = \"numeric\"\n\
         [factor.finish]\nset_on = \"run\"\nlevels = [\"turned\", \"polished\", \"waxed\"]\n\
         [design]\ntreatments = \"optimal\"\nruns = 14\n[design.optimal]\nstarts = 2\n{design}\n\
         [analysis]\nplanned = [\"load\", \"finish\"]\n\
         [assumed.y]\nsource = \"S\"\nspread = {{ run = 0.5 }}\n"
    )
}

fn rig(design: &str) -> Protocol {
    let text = rig_text(design);
    let (protocol, _) = protocol::read(&Source::new("protocol.toml", text)).unwrap_or_else(|wrong| {
        panic!("{}", wrong.iter().map(|d| d.render(false)).collect::<String>());
    });
    protocol
}

/// From protocol to findings: the effect that was put in comes out, and forbidden combinations never occur.
#[test]
fn an_optimal_set_goes_the_whole_way() {
    let protocol = rig("forbidden = [{ load = 9, finish = \"polished\" }]\nforced = [[5, \"waxed\"]]");
    let skeleton = plan::skeleton(&protocol).unwrap();
    assert_eq!(skeleton.runs, 14);
    let quality = skeleton.quality.unwrap();
    assert_eq!(quality.coefficients, 7);
    assert!(quality.d_efficiency > 0.8 && quality.d_efficiency < 1.5, "{quality:?}");
    let (plan, _, _) = plan::freeze(&protocol, None, 3, "2026-01-01T00:00:00Z").unwrap();
    let levels: Vec<(usize, usize)> = plan.runs.iter().map(|run| (run.levels[0], run.levels[1])).collect();
    assert!(!levels.contains(&(2, 1)) && levels.contains(&(1, 2)));
    let mut noise = Stream::named("noise");
    let mut runs = BTreeMap::new();
    for run in &plan.runs {
        let result = 50.0 + 4.0 * run.levels[0] as f64 + 0.2 * noise.normal();
        let text = format!("{result:.3}");
        let written = Written {
            value: text.parse().unwrap(),
            text,
            entry: 1,
        };
        runs.insert(
            run.run,
            RunRecord {
                run: run.run,
                units: vec!["1".to_owned()],
                levels: run.levels.clone(),
                readings: vec![vec![Some(written)]],
                ..RunRecord::default()
            },
        );
    }
    let record = Record {
        runs,
        head: text_sha256(""),
        ..Record::default()
    };
    let findings = analysis::analyse(&protocol, None, Some(&plan), &record, false).unwrap();
    let found = &findings.responses["y"];
    assert!(found.cannot_tell.is_empty(), "{:?}", found.cannot_tell);
    let slope = &found.slopes[0];
    assert!(slope.low.unwrap() < 1.0 && slope.high.unwrap() > 1.0, "{slope:?}");
    let power = analysis::power(
        &protocol,
        Some(&plan),
        &analysis::PowerOptions {
            target: 0.8,
            simulations: 0,
            mend: false,
        },
        &|_, _| {},
    )
    .unwrap();
    let load = &power.responses[0].effects[0];
    assert_eq!(load.method, "exact");
    // The interval of the analysis and the power rest on one standard error.
    let wide = slope.standard_error.unwrap() * 8.0 / found.residual.standard_deviation.unwrap() * 0.5;
    let delta = load.detectable.unwrap() / wide;
    assert!(delta > 2.8 && delta < 3.6, "{delta}");
}

/// Class: invariance. The set does not depend on the seed, nor on the order of constraints.
#[test]
fn the_same_declaration_gives_the_same_set() {
    let one = rig("forbidden = [{ load = 9, finish = \"polished\" }, { load = 1, finish = \"waxed\" }]");
    let two = rig("forbidden = [{ finish = \"waxed\", load = 1 }, { finish = \"polished\", load = 9 }] # the same");
    assert_ne!(one.sha256, two.sha256);
    assert_eq!(one.design.set, two.design.set);
}

/// Class: published. D-optimal sets of the full quadratic on a cube for N = 6, ..., 9 in two factors and of three levels:
/// |XᵀX|/Nᵖ of the best exact sets of N = 6 on the continuous square is 5.74e-3, on the 3 × 3 grid 3.84e-3 (Box and Draper
/// 1971, Technometrics 13:731; Mitchell 1974, Technometrics 16:203; from memory). N = 9: the 3 × 3 grid, 9.76e-3, in closed form:
/// det(X′X) = 9·6·6·2·2·4 = 5184.
#[test]
fn the_quadratic_in_two_factors_reaches_the_known_optimum() {
    let columns = vec![vec![vec![-1.0, 1.0], vec![0.0, 0.0], vec![1.0, 1.0]]; 2];
    let problem = Problem {
        columns,
        effects: vec![vec![(0, 2)], vec![(1, 2)], vec![(0, 1), (1, 1)]],
        forbidden: Vec::new(),
        forced: Vec::new(),
        already: Vec::new(),
        rows: 9,
        criterion: Criterion::D,
        starts: 5,
    };
    let found = problem.solve().unwrap();
    assert!(
        found.ln_determinant >= 5184_f64.ln() - 6.0 * 1e-3,
        "{}",
        found.ln_determinant.exp()
    );
    let six = Problem { rows: 6, ..problem };
    let found = six.solve().unwrap();
    let share = (found.ln_determinant - 6.0 * 6_f64.ln()).exp();
    assert!(share > 3.8e-3 && share < 5.74e-3, "{share}");
}

/// A protocol with a budget and two-level factors: the designs that fit, and what each of them cannot tell.
#[test]
fn a_budget_lists_the_designs_that_fit() {
    let mut text = "wellrun = 1\n[study]\nid = \"t\"\nversion = \"1\"\ntitle = \"T\"\nquestion = \"Q\"\nkind = \"ruggedness test\"\n\
        method = \"M\"\n[response.y]\nmeasurand = \"Y\"\nunit = \"mm\"\nresolution = 0.001\nreadings = 1\nreading_time = \"any\"\n\
        result = \"mean\"\nround_to = \"none\"\nrelevant = 1\n[[unit]]\nname = \"run\"\n"
        .to_owned();
    for name in ["v", "w", "x", "u", "z"] {
        let parts = ["[factor.", name, "]\nset_on = \"run\"\nlevels = [\"low\", \"high\"]\n"];
        text.push_str(&parts.concat());
    }
    text += "[design]\nbudget = 24\n[design.optimal]\nstarts = 2\n[analysis]\nplanned = [\"v\", \"w\", [\"v\", \"w\"]]\n\
             [assumed.y]\nsource = \"S\"\nspread = { run = 0.5 }\n";
    let source = Source::new("protocol.toml", text);
    let (protocol, _) = protocol::read(&source).unwrap();
    let found = analysis::candidates(&source, &protocol);
    let names: Vec<&str> = found.iter().map(|candidate| candidate.name.as_str()).collect();
    assert!(found.iter().all(|candidate| candidate.runs <= 24), "{names:?}");
    assert!(found.windows(2).all(|pair| pair[0].runs >= pair[1].runs));
    let called = |name: &str| {
        let found = found.iter().find(|candidate| candidate.name.starts_with(name));
        found.unwrap_or_else(|| panic!("{name} in {names:?}"))
    };
    assert!(
        names.iter().all(|name| !name.starts_with("full factorial")),
        "32 runs do not fit"
    );
    // Closed form. 2^(5-1): every pair stands alone, and 16 coefficients leave nothing to judge by.
    let half = called("two-level fraction of 16 runs");
    assert_eq!((half.resolution, half.error_df, half.runs), (Some(5), None, 16));
    assert!(half.mixed.is_empty() && half.lost.is_empty());
    // 2^(5-2), three times: 24 runs, 7 effects and the mean, so that 16 are left.
    let quarter = called("two-level fraction of 8 runs");
    assert_eq!((quarter.resolution, quarter.sets, quarter.runs), (Some(3), 3, 24));
    assert_eq!(quarter.error_df, Some(16));
    assert_eq!(quarter.lost, ["v × w"]);
    // A main effect with 12 runs a level, σ = 0.5, judged on 16: δ = Δ √24 / (2σ). The interaction has no size: a main effect stands in its place.
    let size = quarter.detectable[0].size.unwrap();
    let power = t_power(size * 24_f64.sqrt() / (2.0 * 0.5), 16.0, 0.05, Sides::Two);
    assert!((power - 0.8).abs() < 1e-6, "{size} {power}");
    assert_eq!(called("screening of 12 runs, folded over").runs, 24);
    assert!(called("optimal of 24 runs").lost.is_empty());
    assert_eq!(
        quarter.write,
        [
            "[design] treatments = \"two-level fraction\", runs = 8",
            "[[unit]] `run`: count = 24"
        ]
    );
}

/// What must not come together comes together in no candidate: of three by three levels with one pair forbidden only
/// optimal sets are left.
#[test]
fn candidates_keep_to_the_constraints() {
    let text = rig_text("forbidden = [{ load = 9, finish = \"polished\" }]");
    let source = Source::new("protocol.toml", text.replace("runs = 14", "runs = 14\nbudget = 30"));
    let (protocol, _) = protocol::read(&source).unwrap();
    let found = analysis::candidates(&source, &protocol);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found.iter().all(|candidate| candidate.name.starts_with("optimal")));
    // 7 coefficients and 4 more.
    assert_eq!((found[0].runs, found[1].runs), (30, 11));
}
