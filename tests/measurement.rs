//! Uncertainty, conformity, agreement, measurement systems and precision against published and independent results: the
//! statistics here, whole studies in `measurement/studies.rs`, the complete examples in `measurement/examples.rs`, what is
//! said about wrong declarations in `measurement/declared.rs`.
#![allow(missing_docs, clippy::disallowed_methods, clippy::unwrap_used, clippy::panic)]

mod common;
#[path = "measurement/declared.rs"]
mod declared;
#[path = "measurement/examples.rs"]
mod examples;
#[path = "common/reference.rs"]
mod reference;
#[path = "measurement/studies.rs"]
mod studies;

use proptest::prelude::*;
use reference::{Reference, close, number};
use wellrun::numeric::Matrix;
use wellrun::numeric::distribution::normal_quantile_lower;
use wellrun::numeric::expression::Expression;
use wellrun::stats::agreement;
use wellrun::stats::both_errors::{self, BothErrorsLine};
use wellrun::stats::conformity::{conformity_probability, global_risk};
use wellrun::stats::simulation::{Drawn, Shape, Simulation, Trials, simulate};
use wellrun::stats::uncertainty::{Quantity, correlation_of, coverage_factor, propagate};

fn known(value: f64, standard: f64) -> Quantity {
    Quantity {
        value,
        standard,
        df: f64::INFINITY,
        kurtosis: 3.0,
    }
}

/// A number of `published` within the rounding of the source.
fn published(reference: &Reference, name: &str, got: f64) {
    let (want, tolerance) = (
        reference.number("published", name),
        reference.number("tolerance_published", name),
    );
    assert!(
        (got - want).abs() <= tolerance,
        "{name}: {got} against {want} as printed"
    );
}

/// Published, JCGM 100 H.1: the whole budget of an end gauge from its equation, and its second-order terms.
#[test]
fn end_gauge() {
    let reference = Reference::read("uncertainty-end-gauge");
    let standard = reference.column("standard_uncertainty");
    let equation =
        Expression::read("standard + difference - standard * (expansion * deviation + swelling * warmth)").unwrap();
    assert_eq!(
        equation.names(),
        ["standard", "difference", "expansion", "deviation", "swelling", "warmth"]
    );
    // Lengths in nm; the temperature stands 0.1 K below 20 °C, the gauge expands by 11.5 in a million a kelvin.
    let df = [18.0, 25.6, 50.0, f64::INFINITY, f64::INFINITY, 2.0];
    let u = [
        standard[0],
        standard[1],
        standard[2],
        standard[5],
        standard[4],
        standard[3],
    ];
    let x = [50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0];
    let quantities: Vec<Quantity> = (0..6)
        .map(|i| Quantity {
            df: df[i],
            ..known(x[i], u[i])
        })
        .collect();
    let found = propagate(&equation, &quantities, None).unwrap();
    let contributions = reference.list("expected", "contributions");
    for (at, want) in [
        (0, contributions[0]),
        (1, contributions[1]),
        (2, contributions[2]),
        (5, contributions[3]),
    ] {
        close(&equation.names()[at], found.contributions[at].linear, want, 1e-6);
    }
    let linear = found.linear_variance.sqrt();
    close("combined", linear, reference.number("expected", "combined"), 1e-6);
    close("df", found.df, reference.number("expected", "effective_df"), 1e-6);
    close(
        "k99",
        coverage_factor(0.99, found.df),
        reference.number("expected", "k99_truncated_df"),
        1e-9,
    );
    // Closed form: the two products of quantities that are 0 here, from unrounded uncertainties.
    let products = (x[0] * u[2] * u[3]).powi(2) + (x[0] * u[4] * u[5]).powi(2);
    close(
        "with second-order terms",
        found.combined,
        (linear * linear + products).sqrt(),
        1e-9,
    );
    published(&reference, "combined", linear);
    published(&reference, "combined_second_order", found.combined);
    published(&reference, "length_mm", found.value / 1e6);
}

/// Published, JCGM 100 G.4.1: three relative parts.
#[test]
fn welch_and_satterthwaite() {
    let reference = Reference::read("uncertainty-welch-satterthwaite");
    let (u, df) = (
        reference.column("standard_uncertainty"),
        reference.column("degrees_of_freedom"),
    );
    let quantities: Vec<Quantity> = u
        .iter()
        .zip(df)
        .map(|(&u, df)| Quantity { df, ..known(0.0, u) })
        .collect();
    let found = propagate(&Expression::read("a + b + c").unwrap(), &quantities, None).unwrap();
    close(
        "combined",
        found.combined,
        reference.number("expected", "combined"),
        1e-10,
    );
    close("df", found.df, reference.number("expected", "effective_df"), 1e-10);
    let expanded = found.combined * coverage_factor(0.95, found.df);
    close(
        "U",
        expanded,
        reference.number("expected", "expanded95_truncated_df"),
        1e-9,
    );
    published(&reference, "effective_df", found.df);
}

/// Published, JCGM 100 H.2: resistance and reactance from correlated readings.
#[test]
fn resistance_and_reactance() {
    let reference = Reference::read("uncertainty-resistance-reactance");
    let volt = reference.column("volt");
    let ampere: Vec<f64> = reference.column("milliampere").iter().map(|i| i / 1000.0).collect();
    let phase = reference.column("phase_rad");
    let readings = [&volt, &ampere, &phase];
    let quantities: Vec<Quantity> = readings
        .iter()
        .map(|values| {
            let mean = values.iter().sum::<f64>() / 5.0;
            let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
            Quantity {
                df: 4.0,
                ..known(mean, (squares / 20.0).sqrt())
            }
        })
        .collect();
    let r = |a: &[f64], b: &[f64]| correlation_of(a, b).unwrap();
    let (vi, vp, ip) = (r(&volt, &ampere), r(&volt, &phase), r(&ampere, &phase));
    close("r(V, I)", vi, reference.number("expected", "r_v_i"), 1e-9);
    let correlation = Matrix::from_columns(&[vec![1.0, vi, vp], vec![vi, 1.0, ip], vec![vp, ip, 1.0]]);
    for (what, text) in [
        ("resistance", "v / i * cos(phase)"),
        ("reactance", "v / i * sin(phase)"),
        ("impedance", "v / i + 0 * phase"),
    ] {
        let found = propagate(&Expression::read(text).unwrap(), &quantities, Some(&correlation)).unwrap();
        close(what, found.value, reference.number("expected", what), 1e-9);
        let u = format!("u_{what}");
        close(&u, found.linear_variance.sqrt(), reference.number("expected", &u), 1e-8);
        published(&reference, &u, found.linear_variance.sqrt());
    }
}

fn drawn(values: &[(f64, f64, Shape)]) -> Vec<Drawn> {
    values
        .iter()
        .map(|&(value, standard, shape)| Drawn {
            value,
            standard,
            shape,
            count: 1,
        })
        .collect()
}

fn trials(equation: &str, quantities: &[Drawn], name: &str) -> Simulation {
    let equation = Expression::read(equation).unwrap();
    simulate(&equation, quantities, None, 0.95, Trials::Fixed(60_000), name).unwrap()
}

/// Published, JCGM 101 9.2: sums of four quantities. The interval's ends from 60,000 trials lie within five standard
/// errors of the exact ones.
#[test]
fn sums_by_simulation() {
    let reference = Reference::read("uncertainty-additive-model");
    for (case, shape, sizes) in [
        ("normal_equal", Shape::Normal, [1.0; 4]),
        ("rectangular_equal", Shape::Rectangular, [1.0; 4]),
        ("rectangular_dominant", Shape::Rectangular, [1.0, 1.0, 1.0, 10.0]),
    ] {
        let quantities = drawn(&sizes.map(|u| (0.0, u, shape)));
        let found = trials("a + b + c + d", &quantities, case);
        let want = reference.number("expected", &format!("{case}_interval95_halfwidth"));
        let deviation = reference.number("expected", &format!("{case}_standard_uncertainty"));
        // Standard error of an end: √(p(1−p)/M) over the density there, taken as that of a normal result.
        let error = 5.0 * deviation * (0.025_f64 * 0.975 / 60_000.0).sqrt() / 0.0584;
        assert!(
            (found.symmetric.1 - want).abs() < error,
            "{case}: {:?}",
            found.symmetric
        );
        assert!(
            (found.symmetric.0 + want).abs() < error,
            "{case}: {:?}",
            found.symmetric
        );
        assert!((found.deviation - deviation).abs() < 0.015 * deviation);
        let names: Vec<Quantity> = sizes.iter().map(|&u| known(0.0, u)).collect();
        let linear = propagate(&Expression::read("a + b + c + d").unwrap(), &names, None).unwrap();
        let half = normal_quantile_lower(0.975) * linear.combined;
        close(
            case,
            half,
            reference.number("expected", &format!("{case}_linear_method_halfwidth")),
            1e-12,
        );
    }
}

/// Published, JCGM 101 9.3: a mass in air, where the linear method misses most of the uncertainty.
#[test]
fn mass_in_air() {
    let reference = Reference::read("uncertainty-mass-calibration");
    let flat = Shape::Rectangular;
    let flat_u = |low: f64, high: f64| (high - low) / 12.0_f64.sqrt();
    let rows = [
        (100_000.0, 0.05, Shape::Normal),
        (1.234, 0.02, Shape::Normal),
        (1.2, flat_u(1.1, 1.3), flat),
        (8_000.0, flat_u(7_000.0, 9_000.0), flat),
        (8_000.0, flat_u(7_950.0, 8_050.0), flat),
    ];
    let text = "(weight + added) * (1 + (air - 1.2) * (1 / steel - 1 / brass)) - 100000 + 0 * (steel + brass)";
    let equation = Expression::read(text).unwrap();
    assert_eq!(equation.names(), ["weight", "added", "air", "steel", "brass"]);
    let quantities: Vec<Quantity> = rows
        .iter()
        .map(|&(value, u, shape)| Quantity {
            kurtosis: shape.kurtosis(),
            ..known(value, u)
        })
        .collect();
    let found = propagate(&equation, &quantities, None).unwrap();
    close(
        "first order",
        found.linear_variance.sqrt(),
        reference.number("expected", "standard_uncertainty_first_order"),
        1e-6,
    );
    close(
        "second order",
        found.combined,
        reference.number("expected", "standard_uncertainty_second_order"),
        1e-6,
    );
    let simulated = trials(text, &drawn(&rows), "mass in air");
    let exact = reference.number("expected", "standard_uncertainty_exact");
    assert!(
        (simulated.deviation - exact).abs() < 0.02 * exact,
        "{}",
        simulated.deviation
    );
    assert!((simulated.mean - 1.234).abs() < 0.0016, "{}", simulated.mean);
}

/// Published first row, JCGM 106; the others computed: probability that a true value keeps its limits.
#[test]
fn conformity() {
    let reference = Reference::read("conformity-probability");
    for row in &reference.rows {
        let limits = (
            number(row, "lower").unwrap_or(f64::NEG_INFINITY),
            number(row, "upper").unwrap_or(f64::INFINITY),
        );
        let (y, u) = (
            number(row, "estimate").unwrap(),
            number(row, "standard_uncertainty").unwrap(),
        );
        let found = conformity_probability(y, u, f64::INFINITY, limits);
        let name = format!("{}_conformity_probability", row["case"]);
        close(&name, found, reference.number("expected", &name), 1e-12);
    }
}

/// Independent: quadrature of another program, checked there against the bivariate normal distribution.
#[test]
fn risks_of_a_production() {
    let reference = Reference::read("conformity-global-risk");
    for row in &reference.rows {
        let n = |name: &str| number(row, name).unwrap();
        let found = global_risk(
            (n("process_mean"), n("process_sd")),
            n("measurement_sd"),
            (n("lower_tolerance"), n("upper_tolerance")),
            (n("lower_acceptance"), n("upper_acceptance")),
        )
        .unwrap();
        for (what, got) in [
            ("conforming_production", found.conforming),
            ("accepted", found.accepted),
            ("consumer_risk", found.wrongly_accepted),
            ("producer_risk", found.wrongly_rejected),
            (
                "conforming_given_accepted",
                1.0 - found.wrongly_accepted / found.accepted,
            ),
        ] {
            let name = format!("{}_{what}", row["case"]);
            close(&name, got, reference.number("expected", &name), 1e-9);
        }
    }
}

/// The two methods of a case, first results only.
fn pairs(reference: &Reference, case: &str) -> (Vec<f64>, Vec<f64>) {
    if case.ends_with("peak-flow") {
        (reference.column("large_first"), reference.column("mini_first"))
    } else {
        (reference.column("old_method"), reference.column("new_method"))
    }
}

/// Published, Bland and Altman (1986), and a made-up set: limits of agreement with exact intervals.
#[test]
fn limits_of_agreement() {
    for case in ["limits-of-agreement-peak-flow", "limits-of-agreement-synthetic"] {
        let reference = Reference::read(case);
        let (x, y) = pairs(&reference, case);
        // The reference takes first minus second.
        let d: Vec<f64> = x.iter().zip(&y).map(|(x, y)| x - y).collect();
        let found = agreement::limits(&d, None, 0.95, 0.95).unwrap();
        let want = |name: &str| reference.number("expected", name);
        close("mean", found.mean, want("mean_difference"), 1e-9);
        close("sd", found.deviation, want("sd_difference"), 1e-9);
        let list = |name: &str| reference.list("expected", name);
        for (name, pair) in [
            ("limits_of_agreement", (found.lower.0, found.upper.0)),
            (
                "mean_difference_ci95",
                (found.mean_interval.lower, found.mean_interval.upper),
            ),
            ("exact_ci95_upper_limit", (found.upper.1.lower, found.upper.1.upper)),
            ("exact_ci95_lower_limit", (found.lower.1.lower, found.lower.1.upper)),
        ] {
            close(name, pair.0, list(name)[0], 1e-9);
            close(name, pair.1, list(name)[1], 1e-9);
        }
        let means: Vec<f64> = x.iter().zip(&y).map(|(x, y)| (x + y) / 2.0).collect();
        let line = agreement::line(&means, &d).unwrap();
        close("slope", line.slope, want("slope_difference_on_mean"), 1e-9);
        let c = agreement::concordance(&x, &y, 0.95).unwrap();
        close("r", c.correlation, want("pearson_r"), 1e-9);
        if case.ends_with("peak-flow") {
            published(&reference, "sd_difference", found.deviation);
            for (method, name) in [("large", "within_sd_large"), ("mini", "within_sd_mini")] {
                let columns = [
                    reference.column(&format!("{method}_first")),
                    reference.column(&format!("{method}_second")),
                ];
                let groups: Vec<Vec<f64>> = (0..17).map(|i| vec![columns[0][i], columns[1][i]]).collect();
                let within = agreement::replicates(&groups).unwrap();
                close(name, within.variance.sqrt(), want(name), 1e-9);
                assert_eq!((within.df, within.inverse), (17.0, 0.5));
            }
        }
    }
}

/// Independent (scripts in two languages): Deming, Passing and Bablok, concordance, equivalence.
#[test]
fn lines_between_methods() {
    for (case, ratios) in [
        (
            "regression-both-errors-peak-flow",
            [("lambda1", 1.0), ("lambda_2p5", 2.5)],
        ),
        (
            "regression-both-errors-synthetic",
            [("lambda1", 1.0), ("lambda_1p69", 1.69)],
        ),
    ] {
        let reference = Reference::read(case);
        let (x, y) = pairs(&reference, case);
        let want = |name: &str| reference.number("expected", name);
        let list = |name: &str| reference.list("expected", name);
        for (tag, ratio) in ratios {
            let line: BothErrorsLine = both_errors::deming(&x, &y, ratio, false).unwrap();
            let name = |what: &str| format!("deming_{tag}_{what}");
            close(case, line.slope, want(&name("slope")), 1e-9);
            close(case, line.intercept, want(&name("intercept")), 1e-8);
            close(case, line.errors.0, want(&name("slope_jackknife_se")), 1e-9);
            close(case, line.errors.1, want(&name("intercept_jackknife_se")), 1e-9);
            let (low, high) = line.slope_interval(0.95);
            close(case, low, list(&name("slope_ci95"))[0], 1e-9);
            close(case, high, list(&name("slope_ci95"))[1], 1e-9);
        }
        let ranks = both_errors::passing_bablok(&x, &y, 0.95).unwrap();
        assert_eq!(ranks.slopes.0 as f64, want("passing_bablok_n_slopes"));
        assert_eq!(ranks.slopes.1 as f64, want("passing_bablok_offset"));
        close(case, ranks.slope, want("passing_bablok_slope"), 1e-9);
        close(case, ranks.intercept, want("passing_bablok_intercept"), 1e-9);
        for (name, pair) in [
            ("passing_bablok_slope_ci95", ranks.slope_interval),
            ("passing_bablok_intercept_ci95", ranks.intercept_interval),
        ] {
            close(name, pair.0, list(name)[0], 1e-9);
            close(name, pair.1, list(name)[1], 1e-9);
        }
        let c = agreement::concordance(&x, &y, 0.95).unwrap();
        close(case, c.value, want("concordance"), 1e-9);
        close(case, c.nearness, want("concordance_bias_factor"), 1e-9);
        close(case, c.standard_error, want("concordance_se"), 1e-8);
        close(case, c.interval.lower, list("concordance_ci95")[0], 1e-9);
        close(case, c.interval.upper, list("concordance_ci95")[1], 1e-9);
        let d: Vec<f64> = x.iter().zip(&y).map(|(x, y)| x - y).collect();
        let limits = agreement::limits(&d, None, 0.95, 0.95).unwrap();
        let df = d.len() as f64 - 1.0;
        let test = agreement::equivalence(limits.mean, limits.standard_error, df, want("tost_margin"), 0.05).unwrap();
        close(case, test.p_lower, want("tost_p_lower"), 1e-9);
        close(case, test.p_upper, want("tost_p_upper"), 1e-8);
        close(case, test.interval.lower, list("tost_ci90")[0], 1e-9);
        close(case, test.interval.upper, list("tost_ci90")[1], 1e-9);
    }
}

/// Published, York et al. (2004): a weight for every value on both sides.
#[test]
fn weights_on_both_sides() {
    let reference = Reference::read("regression-weighted-both-errors-york");
    let column = |name: &str| reference.column(name);
    let line = both_errors::york(&column("x"), &column("y"), &column("weight_x"), &column("weight_y")).unwrap();
    for (name, got) in [
        ("slope", line.slope),
        ("intercept", line.intercept),
        ("slope_se", line.slope_error),
        ("intercept_se", line.intercept_error),
    ] {
        close(name, got, reference.number("expected", name), 1e-9);
        published(&reference, name, got);
    }
    close(
        "sum",
        line.sum_of_squares,
        reference.number("expected", "weighted_sum_of_squares"),
        1e-9,
    );
}

/// Coverage of the intervals of limits of agreement with replicates: 2,000 simulated comparisons of ten specimens. The
/// interval holds the true limit in 95 % of them, within what the approximation and the simulation allow.
#[test]
fn intervals_with_replicates_cover() {
    use wellrun::numeric::stream::Stream;
    let mut stream = Stream::named("limits with replicates");
    let true_limit = 1.959_964 * (0.25_f64 + 1.0 + 1.0).sqrt();
    let mut covered = 0;
    for _ in 0..2_000 {
        let mut groups = [Vec::new(), Vec::new()];
        let mut differences = Vec::new();
        for _ in 0..10 {
            let own = 0.5 * stream.normal();
            let a = [stream.normal(), stream.normal()];
            let b = [own + stream.normal(), own + stream.normal()];
            differences.push((b[0] + b[1] - a[0] - a[1]) / 2.0);
            groups[0].push(a.to_vec());
            groups[1].push(b.to_vec());
        }
        let within = [
            agreement::replicates(&groups[0]).unwrap(),
            agreement::replicates(&groups[1]).unwrap(),
        ];
        let found = agreement::limits(&differences, Some(within), 0.95, 0.95).unwrap();
        covered += usize::from(found.upper.1.lower <= true_limit && true_limit <= found.upper.1.upper);
    }
    let part = covered as f64 / 2_000.0;
    assert!((0.93..0.98).contains(&part), "{part}");
}

proptest! {
    /// Units and order do not matter: what is found scales with the readings, and rows may stand in any order.
    #[test]
    fn agreement_follows_the_unit(
        mut rows in prop::collection::vec((10.0..90.0_f64, -2.0..2.0_f64), 8..20),
        turn in 1..7_usize,
        scale in 0.1..40.0_f64,
    ) {
        let split = |rows: &[(f64, f64)], scale: f64| -> (Vec<f64>, Vec<f64>) {
            rows.iter().map(|(level, off)| (level * scale, (level + off) * scale)).unzip()
        };
        let (x, y) = split(&rows, 1.0);
        let first = both_errors::deming(&x, &y, 1.0, false).unwrap();
        let ranks = both_errors::passing_bablok(&x, &y, 0.95).unwrap();
        rows.rotate_left(turn);
        let (x, y) = split(&rows, scale);
        let other = both_errors::deming(&x, &y, 1.0, false).unwrap();
        let other_ranks = both_errors::passing_bablok(&x, &y, 0.95).unwrap();
        prop_assert!((first.slope - other.slope).abs() < 1e-9);
        prop_assert!((first.errors.0 - other.errors.0).abs() < 1e-7 * first.errors.0.max(1e-6));
        prop_assert!((first.intercept * scale - other.intercept).abs() < 1e-7 * scale);
        prop_assert!((ranks.slope - other_ranks.slope).abs() < 1e-9);
    }

    /// Swapping the methods turns Deming's line over: slope 1/b with λ turned over too.
    #[test]
    fn deming_has_no_favourite(rows in prop::collection::vec((10.0..90.0_f64, -2.0..2.0_f64), 8..20), ratio in 0.2..5.0_f64) {
        let (x, y): (Vec<f64>, Vec<f64>) = rows.iter().map(|(level, off)| (*level, level + off)).unzip();
        let one = both_errors::deming(&x, &y, ratio, false).unwrap();
        let two = both_errors::deming(&y, &x, 1.0 / ratio, false).unwrap();
        prop_assert!((one.slope * two.slope - 1.0).abs() < 1e-9);
    }
}
