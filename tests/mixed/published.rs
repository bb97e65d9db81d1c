//! Published data sets. Criterion to 1e-9 relative; the rest to the tolerance each case states.
//!
//! Expected values: recomputed by the independent dense code named in each case (`obtained`), and as printed in the
//! publication named there (`source`).

use wellrun::stats::mixed::{Boundary, DfMethod, Method, MixedError, MixedFit, MixedProblem, Part, RandomTerm, fit};

use crate::cases::{Case, pick};

/// Which random terms a case names, in the order of the problem, and the fixed effects it tests.
struct Layout<'a> {
    response: &'a str,
    effects: &'a [&'a [&'a str]],
    terms: &'a [(&'a str, &'a [&'a str])],
    tests: &'a [(&'a str, usize)],
}

fn check_fit(case: &Case, fit: &MixedFit, names: &[&str], tag: &str) {
    let tolerance = case.tolerance();
    case.check(&format!("{tag}_loglik"), &[fit.log_likelihood()], 1e-9);
    assert_eq!(fit.components.len(), names.len(), "{}", case.name);
    for (component, name) in fit.components.iter().zip(names) {
        case.check(&format!("{tag}_var_{name}"), &[component.value], tolerance);
        if case.has(&format!("{tag}_sd_{name}")) {
            case.check(
                &format!("{tag}_sd_{name}"),
                &[component.standard_deviation()],
                tolerance,
            );
        }
    }
    assert!(
        fit.score_error < 1e-10,
        "{}: score equations off by {}",
        case.name,
        fit.score_error
    );
    if case.has(&format!("{tag}_fixed")) {
        case.check(&format!("{tag}_fixed"), &fit.coefficients, tolerance);
        let errors: Vec<f64> = (0..fit.coefficients.len())
            .map(|j| fit.covariance[(j, j)].sqrt())
            .collect();
        case.check(&format!("{tag}_fixed_se"), &errors, tolerance);
    }
}

fn check_case(name: &str, layout: &Layout) {
    let case = Case::read(name);
    let tolerance = case.tolerance();
    let terms: Vec<&[&str]> = layout.terms.iter().map(|(_, factors)| *factors).collect();
    let mut names: Vec<&str> = layout.terms.iter().map(|(name, _)| *name).collect();
    names.push("residual");
    let problem = case.problem(layout.response, layout.effects, &terms);
    let (x, ranges) = case.fixed(layout.effects);
    let p = x.cols();

    let ml = fit(&problem, Method::MaximumLikelihood).unwrap();
    check_fit(&case, &ml, &names, "ml");
    let reml = fit(&problem, Method::Reml).unwrap();
    check_fit(&case, &reml, &names, "reml");

    let singular = reml.singular;
    let mut errors = Vec::new();
    let (mut kr, mut satterthwaite) = (Vec::new(), Vec::new());
    for j in 0..p {
        let mut c = vec![0.0; p];
        c[j] = 1.0;
        let estimate = reml.contrast(&c, DfMethod::KenwardRoger).unwrap();
        errors.push(estimate.standard_error);
        kr.push(estimate.df);
        satterthwaite.push(reml.contrast(&c, DfMethod::Satterthwaite).unwrap().df);
    }
    if case.has("kr_fixed_se") {
        case.check("kr_fixed_se", &errors, tolerance);
        case.check("kr_fixed_df", &kr, tolerance);
        if !singular {
            case.check("satterthwaite_fixed_df", &satterthwaite, tolerance);
        }
    }
    for &(effect, at) in layout.tests {
        let l = pick(ranges[at].clone(), p);
        let test = reml.kenward_roger(&l).unwrap();
        case.check(&format!("kr_f_{effect}"), &[test.f], tolerance);
        case.check(&format!("kr_ndf_{effect}"), &[test.numerator_df], 0.0);
        case.check(&format!("kr_ddf_{effect}"), &[test.denominator_df], tolerance);
        case.check(&format!("kr_scaling_{effect}"), &[test.scaling], tolerance);
        case.check(&format!("kr_p_{effect}"), &[test.p], 100.0 * tolerance);
        let test = reml.satterthwaite(&l).unwrap();
        case.check(&format!("satterthwaite_f_{effect}"), &[test.f], tolerance);
        case.check(
            &format!("satterthwaite_ddf_{effect}"),
            &[test.denominator_df],
            tolerance,
        );
        case.check(&format!("satterthwaite_p_{effect}"), &[test.p], 100.0 * tolerance);
    }
    for (index, name) in names.iter().enumerate() {
        let key = format!("ml_profile95_sd_{name}");
        if case.has(&key) {
            let interval = ml.profile_interval(index, 0.95).unwrap();
            case.check(&key, &[interval.low, interval.high], tolerance);
        }
    }
}

#[test]
fn oats_split_plot() {
    let effects: &[&[&str]] = &[&[], &["variety"], &["nitrogen"], &["nitrogen", "variety"]];
    for name in ["splitplot-oats", "splitplot-oats-unbalanced"] {
        check_case(
            name,
            &Layout {
                response: "yield",
                effects,
                terms: &[("block_variety", &["block", "variety"]), ("block", &["block"])],
                tests: &[("variety", 1), ("nitrogen", 2), ("variety_x_nitrogen", 3)],
            },
        );
    }
}

#[test]
fn cake_split_plot() {
    check_case(
        "splitplot-cake",
        &Layout {
            response: "angle",
            effects: &[&[], &["recipe"], &["temperature"], &["temperature", "recipe"]],
            terms: &[("recipe_replicate", &["recipe", "replicate"])],
            tests: &[("recipe", 1), ("temperature", 2), ("recipe_x_temperature", 3)],
        },
    );
}

#[test]
fn one_random_factor() {
    for (name, term, response) in [
        ("random-dyestuff", "batch", "yield"),
        ("random-dyestuff-unbalanced", "batch", "yield"),
        ("random-dyestuff2-zero-component", "batch", "yield"),
        ("random-rail", "rail", "travel"),
    ] {
        check_case(
            name,
            &Layout {
                response,
                effects: &[&[]],
                terms: &[(term, &[term])],
                tests: &[],
            },
        );
    }
}

#[test]
fn crossed_random_factors() {
    check_case(
        "random-penicillin-crossed",
        &Layout {
            response: "diameter",
            effects: &[&[]],
            terms: &[("plate", &["plate"]), ("sample", &["sample"])],
            tests: &[],
        },
    );
}

#[test]
fn assay_crossed_within_blocks() {
    check_case(
        "random-assay-crossed-in-block",
        &Layout {
            response: "logdensity",
            effects: &[&[], &["sample"], &["dilution"], &["dilution", "sample"]],
            terms: &[
                ("block", &["block"]),
                ("block_sample", &["block", "sample"]),
                ("block_dilution", &["block", "dilution"]),
            ],
            tests: &[("sample", 1), ("dilution", 2), ("sample_x_dilution", 3)],
        },
    );
}

#[test]
fn predicted_effects_of_a_random_factor() {
    let tags = [
        ("random-dyestuff", "yield", "batch"),
        ("random-dyestuff-unbalanced", "yield", "batch"),
    ];
    for (name, response, factor) in tags {
        let case = Case::read(name);
        let fit = fit(&case.problem(response, &[&[]], &[&[factor]]), Method::Reml).unwrap();
        // Groups are numbered by first appearance, the case lists them by name.
        let (groups, levels) = case.groups(&[factor]);
        let mut order: Vec<(String, u32)> = case.texts(factor).into_iter().zip(groups).collect();
        order.sort();
        order.dedup();
        assert_eq!(order.len(), levels);
        let sorted: Vec<f64> = order
            .iter()
            .map(|(_, group)| fit.predicted[0].values[*group as usize])
            .collect();
        case.check(&format!("reml_ranef_{factor}"), &sorted, case.tolerance());
    }
}

#[test]
fn a_component_at_zero_is_flagged_and_both_rules_for_it_are_had() {
    let case = Case::read("random-dyestuff2-zero-component");
    let fit = fit(&case.problem("yield", &[&[]], &[&["batch"]]), Method::Reml).unwrap();
    assert!(fit.singular && fit.components[0].boundary && !fit.components[1].boundary);
    assert_eq!(fit.components[0].value, 0.0);
    // Closed form: kept, the mean has the 5 df of six batches; dropped, the 29 of thirty runs.
    let kept = fit
        .contrast_with(&[1.0], DfMethod::KenwardRoger, Boundary::Keep)
        .unwrap();
    let dropped = fit
        .contrast_with(&[1.0], DfMethod::KenwardRoger, Boundary::Drop)
        .unwrap();
    assert!((kept.df - 5.0).abs() < 1e-9 && (dropped.df - 29.0).abs() < 1e-9);
    let dropped = fit
        .contrast_with(&[1.0], DfMethod::Satterthwaite, Boundary::Drop)
        .unwrap();
    case.check("satterthwaite_fixed_df", &[dropped.df], case.tolerance());
}

#[test]
fn sleep_study_with_correlated_slopes() {
    let case = Case::read("random-sleepstudy-intercept-slope");
    let (groups, levels) = case.groups(&["subject"]);
    let problem = MixedProblem {
        y: case.numbers("reaction"),
        x: case.fixed(&[&[], &["=days"]]).0,
        terms: vec![RandomTerm::intercept_and_slope(groups, levels, case.numbers("days"))],
        weights: None,
    };
    let tolerance = case.tolerance();
    for (tag, method) in [("reml", Method::Reml), ("ml", Method::MaximumLikelihood)] {
        let fit = fit(&problem, method).unwrap();
        case.check(&format!("{tag}_loglik"), &[fit.log_likelihood()], 1e-9);
        let parts: Vec<Part> = fit.components.iter().map(|component| component.part).collect();
        assert_eq!(parts, [Part::Intercept, Part::Covariance, Part::Slope, Part::Residual]);
        for (component, name) in fit
            .components
            .iter()
            .zip(["var_intercept", "covariance", "var_slope", "var_residual"])
        {
            case.check(&format!("{tag}_{name}"), &[component.value], tolerance);
        }
        case.check(&format!("{tag}_fixed"), &fit.coefficients, tolerance);
        if method == Method::Reml {
            let (mut errors, mut kr, mut satterthwaite) = (Vec::new(), Vec::new(), Vec::new());
            for c in [[1.0, 0.0], [0.0, 1.0]] {
                let estimate = fit.contrast(&c, DfMethod::KenwardRoger).unwrap();
                errors.push(estimate.standard_error);
                kr.push(estimate.df);
                satterthwaite.push(fit.contrast(&c, DfMethod::Satterthwaite).unwrap().df);
            }
            case.check("kr_fixed_se", &errors, tolerance);
            case.check("kr_fixed_df", &kr, tolerance);
            case.check("satterthwaite_fixed_df", &satterthwaite, tolerance);
            let test = fit.kenward_roger(&pick(1..2, 2)).unwrap();
            case.check("kr_f_days", &[test.f], tolerance);
            case.check("kr_p_days", &[test.p], 10.0 * tolerance);
        }
    }
}

/// Printed by lme4's `confint` for this model (from memory); its interpolated profiles are good to the third digit.
#[test]
fn sleep_study_profile_intervals() {
    let case = Case::read("random-sleepstudy-intercept-slope");
    let (groups, levels) = case.groups(&["subject"]);
    let problem = MixedProblem {
        y: case.numbers("reaction"),
        x: case.fixed(&[&[], &["=days"]]).0,
        terms: vec![RandomTerm::intercept_and_slope(groups, levels, case.numbers("days"))],
        weights: None,
    };
    let fit = fit(&problem, Method::MaximumLikelihood).unwrap();
    for (component, low, high) in [(0, 14.3815, 37.7160), (2, 3.8012, 8.7534), (3, 22.8983, 28.8580)] {
        let interval = fit.profile_interval(component, 0.95).unwrap();
        assert!((interval.low - low).abs() < 2e-3 * low, "{interval:?}");
        assert!((interval.high - high).abs() < 2e-3 * high, "{interval:?}");
    }
    assert_eq!(fit.profile_interval(1, 0.95).unwrap_err(), MixedError::NoSuchComponent);
}

#[test]
fn crossed_measurement_studies() {
    for name in ["gauge-10-parts-3-operators-3-trials", "gauge-synthetic-hardness"] {
        let case = Case::read(name);
        let both = case.problem("value", &[&[]], &[&["part"], &["operator"], &["part", "operator"]]);
        let full = fit(&both, Method::Reml).unwrap();
        // The components of the case are good to 1e-9 where balanced closed forms exist, the search to less.
        let check = |fit: &MixedFit, tag: &str, names: &[&str]| {
            case.check(&format!("{tag}_loglik"), &[fit.log_likelihood()], 1e-9);
            for (component, name) in fit.components.iter().zip(names) {
                case.check(&format!("{tag}_var_{name}"), &[component.value], 1e-7);
            }
        };
        check(&full, "reml", &["part", "operator", "part_x_operator", "repeatability"]);
        let without = case.problem("value", &[&[]], &[&["part"], &["operator"]]);
        check(
            &fit(&without, Method::Reml).unwrap(),
            "reml_no_interaction",
            &["part", "operator", "repeatability"],
        );
        // Closed form: with no component at zero, REML in a balanced layout is the analysis of variance.
        if !full.singular {
            for (component, key) in full
                .components
                .iter()
                .zip(["part", "operator", "part_x_operator", "repeatability"])
            {
                case.check(&format!("var_{key}"), &[component.value], 1e-10);
            }
        }
    }
}
