//! Statistics against published results, and what must not change when rows move or units change.
#![allow(missing_docs, clippy::disallowed_methods, clippy::unwrap_used, clippy::panic)]

#[path = "common/reference.rs"]
mod reference;

use proptest::prelude::*;
use rand_chacha::ChaCha20Rng;
use rand_core::{Rng, SeedableRng};
use reference::{Reference, close, number};
use wellrun::numeric::Matrix;
use wellrun::numeric::distribution::{chi2_quantile_upper, f_upper, t_quantile_upper};
use wellrun::stats::interval::{WeightedMeanSquare, combination_interval};
use wellrun::stats::linear::{self, LinearFit};
use wellrun::stats::power::{self, Sides};
use wellrun::stats::summary;
use wellrun::stats::unreplicated::{Lenth, effect, effect_sum_of_squares, interaction};

/// Published: NIST univariate sets. Held against exact arithmetic on the nearest doubles; 13 digits and more.
#[test]
fn nist_univariate() {
    for case in ["lew", "lottery", "mavro", "michelso", "numacc1", "numacc3"] {
        let reference = Reference::read(&format!("univariate-nist-{case}"));
        let y = reference.column("y");
        let table = "expected_from_f64";
        let want = |name: &str| reference.number(table, name);
        close(case, summary::mean(&y).unwrap(), want("mean"), 1e-15);
        close(
            case,
            summary::standard_deviation(&y).unwrap(),
            want("standard_deviation"),
            1e-14,
        );
        close(
            case,
            summary::autocorrelation_lag1(&y).unwrap(),
            want("autocorrelation_lag1"),
            1e-14,
        );
        for name in ["mean", "standard_deviation", "autocorrelation_lag1"] {
            let published = reference.number("published", name);
            let exact = reference.number("expected", name);
            assert!(
                (published - exact).abs() <= reference.number("tolerance_published", name),
                "{case} {name}"
            );
        }
    }
}

/// Published: NIST linear regression sets, held against 300-digit arithmetic on the nearest doubles.
#[test]
fn nist_regression() {
    for (case, degree, intercept) in [
        ("norris", 1, true),
        ("pontius", 2, true),
        ("noint2", 1, false),
        ("filip", 10, true),
        ("wampler1", 5, true),
        ("wampler3", 5, true),
        ("wampler5", 5, true),
    ] {
        let reference = Reference::read(&format!("regression-nist-{case}"));
        let (y, x) = (reference.column("y"), reference.column("x"));
        let fit = linear::fit_polynomial(&y, &x, degree, intercept).unwrap();
        let estimates: Vec<_> = fit
            .intercept
            .into_iter()
            .chain(fit.coefficients.iter().map(|c| c.unwrap()))
            .collect();
        let table = "expected_from_f64";
        let coefficients = reference.list(table, "coefficients");
        let errors = reference.list(table, "standard_errors");
        assert_eq!((estimates.len(), estimates.len()), (coefficients.len(), errors.len()));
        for (k, estimate) in estimates.iter().enumerate() {
            close(
                &format!("{case} coefficient {k}"),
                estimate.estimate,
                coefficients[k],
                1e-15,
            );
            // Wampler1 fits exactly; the reference's rounding at 300 digits leaves 1e-293
            let error = if errors[k] < 1e-200 { 0.0 } else { errors[k] };
            close(
                &format!("{case} standard error {k}"),
                estimate.standard_error.unwrap(),
                error,
                1e-15,
            );
        }
        let sd = reference.number(table, "residual_sd");
        close(
            case,
            fit.residual_sd().unwrap(),
            if sd < 1e-200 { 0.0 } else { sd },
            1e-15,
        );
        // these from exact arithmetic on the decimals: the rounding of the data to doubles shows
        close(
            case,
            fit.r_squared().unwrap(),
            reference.number("expected", "r_squared"),
            1e-13,
        );
        close(case, fit.ss_model, reference.number("expected", "ss_model"), 1e-13);
        assert_eq!(fit.df_model as f64, reference.number("expected", "df_model"));
        assert_eq!(fit.df_residual as f64, reference.number("expected", "df_residual"));
        if case == "wampler1" {
            assert_eq!((fit.ss_residual, fit.whole_model()), (0.0, None));
        } else {
            let (f, p) = fit.whole_model().unwrap();
            // digits of F are lost by the data, not by the fit: Pontius and Norris have R² within 1e-8 of 1
            close(case, f, reference.number("expected", "f"), 1e-10);
            close(case, p, reference.number("expected", "p_value"), 1e-8);
        }
    }
}

/// Columns of −1 and +1 from a table of signs.
fn signs(reference: &Reference, factors: &str) -> Vec<Vec<i8>> {
    let column = |factor: char| {
        reference
            .column(&factor.to_string())
            .iter()
            .map(|sign| *sign as i8)
            .collect()
    };
    factors.chars().map(column).collect()
}

/// Published (from memory of the textbook, confirmed by recomputation): effects, sums of squares and Lenth's margins of
/// the unreplicated 2⁴ filtration example.
#[test]
fn filtration_effects_and_margins() {
    let reference = Reference::read("twolevel-filtration-rate-2to4");
    let (y, factors) = (reference.column("response"), signs(&reference, "ABCD"));
    let mut effects = Vec::new();
    for (name, want) in reference.starting("expected", "effect_") {
        let columns: Vec<&[i8]> = name
            .chars()
            .map(|factor| &factors["ABCD".find(factor).unwrap()][..])
            .collect();
        let got = effect(&y, &interaction(&columns)).unwrap();
        close(&name, got, want, 1e-14);
        close(
            &name,
            effect_sum_of_squares(got, y.len()),
            reference.number("expected", &format!("ss_{name}")),
            1e-13,
        );
        effects.push(got);
    }
    assert_eq!(effects.len(), 15);
    let lenth = Lenth::new(&effects).unwrap();
    close("s0", lenth.s0, reference.number("expected", "lenth_s0"), 1e-14);
    close("pse", lenth.pse, reference.number("expected", "lenth_pse"), 1e-14);
    close("df", lenth.df, reference.number("expected", "lenth_df"), 1e-14);
    close(
        "margin",
        lenth.margin(0.95),
        reference.number("expected", "lenth_me_95"),
        1e-12,
    );
    close(
        "simultaneous",
        lenth.simultaneous_margin(0.95),
        reference.number("expected", "lenth_sme_95"),
        1e-12,
    );
    let published = reference.number("published", "lenth_sme_95");
    assert!((lenth.simultaneous_margin(0.95) - published).abs() < 0.0006);
}

/// Published (from memory of the textbook, confirmed by recomputation): the 2³ pilot plant in duplicate, by least squares
/// on ±1 columns; an effect is twice a coefficient.
#[test]
fn pilot_plant_by_least_squares() {
    let reference = Reference::read("twolevel-pilot-plant-2to3");
    let (y, factors) = (reference.column("response"), signs(&reference, "TCK"));
    let effects = reference.starting("expected", "effect_");
    let column = |name: &str| -> Vec<f64> {
        let parts: Vec<&[i8]> = name
            .chars()
            .map(|factor| &factors["TCK".find(factor).unwrap()][..])
            .collect();
        interaction(&parts).into_iter().map(f64::from).collect()
    };
    let x = Matrix::from_columns(&effects.iter().map(|(name, _)| column(name)).collect::<Vec<_>>());
    let fit = linear::fit(&y, &x, true).unwrap();
    close(
        "mean",
        fit.intercept.unwrap().estimate,
        reference.number("expected", "grand_mean"),
        1e-15,
    );
    close(
        "error",
        fit.ms_residual().unwrap(),
        reference.number("expected", "ms_error"),
        1e-14,
    );
    assert_eq!(fit.df_residual as f64, reference.number("expected", "df_error"));
    let terms: Vec<Vec<usize>> = (0..effects.len()).map(|j| vec![j]).collect();
    let (sequential, partial) = (fit.sequential(&terms), fit.partial(&terms));
    for (j, (name, want)) in effects.iter().enumerate() {
        let coefficient = fit.coefficients[j].unwrap();
        assert!((2.0 * coefficient.estimate - want).abs() < 1e-13, "{name}");
        let error = 2.0 * coefficient.standard_error.unwrap();
        close(name, error, reference.number("expected", "se_effect"), 1e-14);
        let squares = reference.number("expected", &format!("ss_{name}"));
        for got in [sequential[j], partial[j]] {
            assert!((got.sum_of_squares - squares).abs() < 1e-11 && got.df == 1, "{name}");
        }
        let f = partial[j].sum_of_squares / fit.ms_residual().unwrap();
        let p = reference.number("expected", &format!("p_{name}"));
        close(name, f_upper(f, 1.0, fit.df_residual as f64), p, 1e-12);
    }
}

/// Independent: mpmath at 34 to 60 digits; rows 6, 15 and 16 also as printed in the documentation of R's power functions.
#[test]
fn powers() {
    let reference = Reference::read("power-t-f-tests");
    let mut expected: Vec<(usize, f64)> = reference
        .starting("expected", "row")
        .into_iter()
        .map(|(name, value)| (name.split('_').next().unwrap().parse().unwrap(), value))
        .collect();
    expected.sort_by_key(|(row, _)| *row);
    assert_eq!(expected.len(), reference.rows.len());
    for ((number_of_row, want), row) in expected.into_iter().zip(&reference.rows) {
        let given = |name: &str| number(row, name).unwrap_or(f64::NAN);
        let (d, n, groups, alpha) = (given("effect"), given("n"), given("groups"), given("alpha"));
        let sides = if row["sides"] == "1" { Sides::One } else { Sides::Two };
        let two_sample = |n: f64| power::t_power(power::two_group_noncentrality(d, n), 2.0 * n - 2.0, alpha, sides);
        let got = match row["test"].as_str() {
            "t_two_sample" if row["power"].is_empty() => two_sample(n),
            "t_two_sample" => power::sample_size_exact(given("power"), 2.0, 1e4, two_sample).unwrap(),
            "t_one_sample" | "t_paired" => power::t_power(power::one_group_noncentrality(d, n), n - 1.0, alpha, sides),
            "factorial_effect" => power::t_power(power::two_level_noncentrality(d, n), given("error_df"), alpha, sides),
            "anova_oneway" => power::f_power(groups * n * d * d, groups - 1.0, groups * (n - 1.0), alpha),
            "anova_random" => power::random_factor_power(1.0 + n * d, groups - 1.0, groups * (n - 1.0), alpha),
            "tost_paired" => power::equivalence_power(d * n.sqrt(), given("margin") * n.sqrt(), n - 1.0, alpha),
            other => panic!("{other} is no test of this table"),
        };
        close(&format!("row {number_of_row}"), got, want, 1e-11);
    }
}

/// Independent: coverage counted over 2000 seeded draws of the mean squares, at a nominal 95 %. The method is approximate
/// and errs to the wide side with several terms of one sign; four standard errors of the count are 2 %.
#[test]
fn coverage_of_combinations() {
    let mut stream = ChaCha20Rng::seed_from_u64(20);
    let mut uniform = move || ((stream.next_u64() >> 11) as f64 + 0.5) / 2f64.powi(53);
    // (coefficient, true mean square, df)
    let cases: [&[(f64, f64, f64)]; 5] = [
        &[(1.0 / 3.0, 12.6, 5.0), (-1.0 / 3.0, 0.9, 12.0)],
        &[(0.5, 4.0, 4.0), (-0.5, 3.0, 6.0)],
        &[(1.0, 2.0, 3.0), (0.5, 3.0, 8.0), (0.25, 1.0, 20.0)],
        &[(0.5, 5.0, 4.0), (0.3, 4.0, 6.0), (-0.4, 2.0, 10.0)],
        &[(0.4, 6.0, 5.0), (0.2, 5.0, 8.0), (-0.3, 3.0, 6.0), (-0.2, 1.0, 15.0)],
    ];
    for (place, case) in cases.iter().enumerate() {
        let truth: f64 = case.iter().map(|(c, mean_square, _)| c * mean_square).sum();
        let draws = 2000;
        let mut covered = 0;
        for _ in 0..draws {
            let terms: Vec<WeightedMeanSquare> = case
                .iter()
                .map(|(coefficient, expected, df)| WeightedMeanSquare {
                    coefficient: *coefficient,
                    mean_square: expected * chi2_quantile_upper(uniform(), *df) / df,
                    df: *df,
                })
                .collect();
            let interval = combination_interval(&terms, 0.95).unwrap();
            covered += i32::from(interval.lower <= truth && truth <= interval.upper);
        }
        let share = f64::from(covered) / f64::from(draws);
        assert!((0.93..0.99).contains(&share), "case {place}: {share}");
    }
}

/// What is compared between two fits: estimates in the unit of y, and numbers without unit.
fn outline(fit: &LinearFit) -> (Vec<f64>, Vec<f64>) {
    let estimates = fit.coefficients.iter().flatten();
    let with_unit = estimates
        .flat_map(|e| [e.estimate, e.standard_error.unwrap()])
        .collect();
    let partial = fit.partial(&[vec![0], vec![1, 2]]);
    let ratios = partial
        .iter()
        .map(|term| term.sum_of_squares / fit.ss_residual)
        .collect();
    (with_unit, ratios)
}

fn near(a: &[f64], b: &[f64], factor: f64) -> bool {
    a.len() == b.len()
        && a.iter()
            .zip(b)
            .all(|(a, b)| (a * factor - b).abs() <= 1e-9 * (1.0 + b.abs()))
}

fn table() -> impl Strategy<Value = (Vec<f64>, Vec<Vec<f64>>)> {
    let values = || prop::collection::vec(-5.0..5.0_f64, 10);
    (values(), prop::collection::vec(values(), 3))
}

proptest! {
    /// The order of the rows changes nothing; a shift of y moves the intercept alone; a scale of y scales the estimates.
    #[test]
    fn rows_shift_and_scale((y, columns) in table(), turn in 1..9_usize, shift in -1e3..1e3_f64, scale in 0.1..50.0_f64) {
        let fit = |y: &[f64], columns: &[Vec<f64>]| linear::fit(y, &Matrix::from_columns(columns), true).unwrap();
        let plain = fit(&y, &columns);
        let (estimates, ratios) = outline(&plain);
        let turned = |values: &[f64]| {
            let mut values = values.to_vec();
            values.rotate_left(turn);
            values.reverse();
            values
        };
        let moved = outline(&fit(&turned(&y), &columns.iter().map(|c| turned(c)).collect::<Vec<_>>()));
        prop_assert!(near(&estimates, &moved.0, 1.0) && near(&ratios, &moved.1, 1.0));
        let shifted = fit(&y.iter().map(|v| v + shift).collect::<Vec<_>>(), &columns);
        let outline_of_shifted = outline(&shifted);
        prop_assert!(near(&estimates, &outline_of_shifted.0, 1.0) && near(&ratios, &outline_of_shifted.1, 1.0));
        let moved_by = shifted.intercept.unwrap().estimate - plain.intercept.unwrap().estimate;
        prop_assert!((moved_by - shift).abs() < 1e-9);
        let scaled = outline(&fit(&y.iter().map(|v| v * scale).collect::<Vec<_>>(), &columns));
        prop_assert!(near(&estimates, &scaled.0, scale) && near(&ratios, &scaled.1, 1.0));
    }

    /// Both ways of solving agree: the small problem in extended precision, the same rows many times over in plain doubles.
    #[test]
    fn small_and_large_problems_agree((y, columns) in table()) {
        let times = 400;
        let small = linear::fit(&y, &Matrix::from_columns(&columns), true).unwrap();
        let long: Vec<Vec<f64>> = columns.iter().map(|column| column.repeat(times)).collect();
        let large = linear::fit(&y.repeat(times), &Matrix::from_columns(&long), true).unwrap();
        for (a, b) in small.coefficients.iter().zip(&large.coefficients) {
            let (a, b) = (a.unwrap().estimate, b.unwrap().estimate);
            prop_assert!((a - b).abs() < 1e-10 * (1.0 + a.abs()));
        }
        prop_assert!((small.ss_residual * times as f64 / large.ss_residual - 1.0).abs() < 1e-9);
        let (a, b) = (small.partial(&[vec![1, 2]])[0], large.partial(&[vec![1, 2]])[0]);
        prop_assert!((a.sum_of_squares * times as f64 - b.sum_of_squares).abs() < 1e-8 * (1.0 + b.sum_of_squares));
        let leverages: f64 = large.leverages(&Matrix::from_columns(&long)).unwrap().iter().sum();
        prop_assert!((leverages - 4.0).abs() < 1e-10);
    }

    /// The mean and spread follow shift and scale; the margin of an unreplicated design follows the scale.
    #[test]
    fn summaries_follow_shift_and_scale(y in prop::collection::vec(-5.0..5.0_f64, 3..20), shift in -1e6..1e6_f64) {
        let shifted: Vec<f64> = y.iter().map(|v| v + shift).collect();
        let (a, b) = (summary::mean(&y).unwrap(), summary::mean(&shifted).unwrap());
        prop_assert!((b - a - shift).abs() < 1e-9);
        let (a, b) = (summary::standard_deviation(&y).unwrap(), summary::standard_deviation(&shifted).unwrap());
        prop_assert!((a - b).abs() < 1e-9);
        let doubled: Vec<f64> = y.iter().map(|v| 2.0 * v).collect();
        let (a, b) = (Lenth::new(&y).unwrap(), Lenth::new(&doubled).unwrap());
        prop_assert_eq!((2.0 * a.s0, 2.0 * a.pse), (b.s0, b.pse));
        prop_assert_eq!(a.margin(0.5), t_quantile_upper(0.25, a.df) * a.pse);
    }
}
