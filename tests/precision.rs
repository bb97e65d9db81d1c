//! Precision of test methods against published and independently computed values.

#![allow(missing_docs, clippy::disallowed_methods, clippy::unwrap_used, clippy::panic)]

#[path = "common/reference.rs"]
mod reference;

use reference::{Reference, close, number};
use wellrun::stats::consistency::{
    cochran, cochran_critical, grubbs_one, grubbs_one_critical, grubbs_two, grubbs_two_critical, h_critical,
    k_critical, standardized,
};
use wellrun::stats::repeatability::{Cell, Level};

/// Independent: scipy, see `compute.py` of the case; published: ASTM E691, to the digits printed.
#[test]
fn critical_values_of_h_and_k() {
    let case = Reference::read("critical-mandel-h-k");
    let published = case.number_at("tolerance_published_abs");
    for row in &case.rows {
        let cell = |name| number(row, name);
        let (p, n) = (cell("laboratories").unwrap(), cell("replicates").unwrap());
        let significance = cell("alpha").unwrap();
        let h = h_critical(p as usize, significance);
        let k = k_critical(n - 1.0, p * (n - 1.0), significance);
        close("h", h, cell("h_critical").unwrap(), 1e-10);
        close("k", k, cell("k_critical").unwrap(), 1e-10);
        for (got, printed) in [(h, cell("published_h")), (k, cell("published_k"))] {
            assert!(
                printed.is_none_or(|printed| (got - printed).abs() < published),
                "{row:?}"
            );
        }
    }
}

/// Independent: scipy, the pair statistic by another integration of the same recursion, itself held against simulation.
#[test]
fn critical_values_of_cochran_and_grubbs() {
    let case = Reference::read("critical-cochran-grubbs");
    for row in &case.rows {
        let significance = number(row, "alpha").unwrap();
        let p = number(row, "laboratories").unwrap() as usize;
        let want = number(row, "critical").unwrap();
        let (got, tolerance) = match row["statistic"].as_str() {
            "cochran" => {
                let df = number(row, "replicates").unwrap() - 1.0;
                (cochran_critical(p, df, significance), 1e-11)
            }
            "grubbs_one" => (grubbs_one_critical(p, significance), 1e-11),
            // The recursion is tabulated and interpolated there and here; tables print four decimals.
            _ => (grubbs_two_critical(p, significance), 1e-5),
        };
        assert!((got - want).abs() <= tolerance, "{row:?}: {got}");
        let printed = number(row, "published");
        let name = format!("tolerance_published_abs_{}", row["statistic"]);
        assert!(
            printed.is_none_or(|printed| (got - printed).abs() <= case.number_at(&name)),
            "{row:?}: {got}"
        );
    }
}

fn cells(case: &Reference, level: &str) -> Vec<Cell> {
    (1..=8)
        .map(|laboratory| {
            let results: Vec<f64> = case
                .rows
                .iter()
                .filter(|row| row["laboratory"] == laboratory.to_string() && row["level"] == level)
                .map(|row| number(row, "result").unwrap())
                .collect();
            Cell::of(&results).unwrap()
        })
        .collect()
}

fn check_level(case: &Reference, level: &str) {
    let cells = cells(case, level);
    let found = Level::new(&cells).unwrap();
    let want = |name: &str| case.number("expected", &format!("{name}_{level}"));
    let (s_r, s_reproducibility) = (found.within.unwrap().0.sqrt(), found.reproducibility().unwrap().sqrt());
    close("mean", found.mean, want("mean"), 1e-12);
    close("s_r", s_r, want("s_r"), 1e-10);
    close("s_L²", found.between().unwrap(), want("s_L_squared_unclamped"), 1e-10);
    close("s_R", s_reproducibility, want("s_R"), 1e-10);
    for (name, got) in [("mean", found.mean), ("s_r", s_r), ("s_R", s_reproducibility)] {
        let name = format!("{name}_{level}");
        let away = (got - case.number("published", &name)).abs();
        assert!(away <= case.number("tolerance_published", &name), "{name}: {got}");
    }
    let means: Vec<f64> = cells.iter().map(|c| c.mean).collect();
    for (got, want) in standardized(&means)
        .unwrap()
        .iter()
        .zip(case.list("expected", &format!("mandel_h_{level}")))
    {
        assert!((got - want).abs() < 1e-9, "h {got} against {want}");
    }
    for (cell, want) in cells.iter().zip(case.list("expected", &format!("mandel_k_{level}"))) {
        let got = cell.variance.unwrap().sqrt() / s_r;
        assert!((got - want).abs() < 1e-9, "k {got} against {want}");
    }
    let variances: Vec<f64> = cells.iter().map(|c| c.variance.unwrap()).collect();
    close("C", cochran(&variances).unwrap().1, want("cochran_c"), 1e-10);
    let (high, low) = (want("grubbs_high"), want("grubbs_low"));
    close(
        "G",
        grubbs_one(&means).unwrap().1,
        if high >= low { high } else { -low },
        1e-10,
    );
    let two = want("grubbs_two_high").min(want("grubbs_two_low"));
    close("G two", grubbs_two(&means).unwrap().1, two, 1e-10);
}

/// Published: ASTM E691, serum glucose (to the digits printed); independent: numpy, R.
#[test]
fn glucose_in_serum() {
    let case = Reference::read("precision-glucose-8-labs");
    for level in ["A", "B", "C", "D", "E"] {
        check_level(&case, level);
    }
}

/// Published: ISO 5725-2, sulfur in coal, with unequal cells (to the digits printed); independent: numpy, R.
#[test]
fn sulfur_in_coal() {
    let case = Reference::read("precision-sulfur-in-coal-unequal-cells");
    for level in ["1", "2", "3", "4"] {
        check_level(&case, level);
    }
}

/// Published, from memory: ASTM D2240, type D durometer; r and R are 2.83 times the standard deviations there.
#[test]
fn hardness_type_d() {
    let case = Reference::read("hardness-precision-type-d");
    for (name, column) in [("r", "s_r"), ("R", "s_R")] {
        for ((deviation, published), tolerance) in case
            .column(column)
            .into_iter()
            .zip(case.list("published", name))
            .zip(case.list("tolerance_published", name))
        {
            assert!((2.83 * deviation - published).abs() <= tolerance, "{name} {published}");
        }
    }
    // √(s_R² − s_r²) is the standard deviation between laboratories.
    let pairs = case.column("s_r").into_iter().zip(case.column("s_R"));
    for ((within, all), want) in pairs.zip(case.list("expected", "between_laboratory_sd")) {
        close("s_L", (all * all - within * within).sqrt(), want, 1e-12);
    }
}
