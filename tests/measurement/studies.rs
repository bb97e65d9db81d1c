//! From a protocol's declarations and a record to the findings: measurement systems, budgets, decisions, comparisons and
//! intermediate precision, against published and independent results and closed forms.

use wellrun::analysis::{self, Closeness, Findings, ResponseFindings};
use wellrun::diagnostic::Source;
use wellrun::numeric::distribution::{normal_lower, normal_quantile_lower, t_quantile_upper};
use wellrun::protocol::{self, Protocol};

use crate::common::{Case, factor, pick, record, show};
use crate::reference::{Reference, close};

/// A protocol for readings that exist already; `keys` go into the table of the response `y`.
pub fn protocol(kind: &str, keys: &str, tables: &str) -> Protocol {
    let text = format!(
        "wellrun = 1\n[study]\nid = \"published\"\nversion = \"1.0\"\ntitle = \"T\"\nquestion = \"Q\"\nkind = \
         \"{kind}\"\nmethod = \"M\"\nsource = \"tests/reference\"\n[response.y]\nmeasurand = \"As published\"\nunit = \
         \"units\"\nresolution = 0.0001\nreadings = 1\nreading_time = \"not timed\"\nresult = \"mean\"\n{keys}\n{tables}\n\
         [design]\norder = \"as run\"\n"
    );
    match protocol::read(&Source::new("protocol.toml", text)) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", show(&found)),
    }
}

pub type Rows = Vec<(Vec<String>, Vec<String>, String)>;

pub fn analyse(protocol: &Protocol, rows: &Rows) -> Findings {
    match analysis::analyse(protocol, None, None, &record(protocol, rows), false) {
        Ok(findings) => findings,
        Err(found) => panic!("{}", show(&found)),
    }
}

fn y(protocol: &Protocol, rows: &Rows) -> ResponseFindings {
    analyse(protocol, rows).responses["y"].clone()
}

const RUN: &str = "[[unit]]\nname = \"run\"\n";

/// Three runs that mean nothing: what a study needs to have findings at all.
pub fn three() -> Rows {
    ["1", "2", "3"]
        .map(|text| (Vec::new(), Vec::new(), text.to_owned()))
        .to_vec()
}

const CROSSED: &str = "[[unit]]\nname = \"part\"\npart_of = \"product\"\n[[unit]]\nname = \"operator\"\n[[unit]]\nname = \
                       \"run\"\nwithin = [\"part\", \"operator\"]\n";

fn gauge(case: &str, rule: &str) -> (Reference, analysis::MeasurementFinding) {
    let table = Case::load(case);
    let system = format!("[measurement_system]\npart = \"part\"\nby = [\"operator\"]\n{rule}");
    let protocol = protocol(
        "measurement system",
        "round_to = \"none\"\ntolerance = [-4, 4]",
        &format!("{CROSSED}{system}"),
    );
    let found = y(&protocol, &pick(&table, &["part", "operator"], &[], "value"));
    (Reference::read(case), found.measurement_system.unwrap())
}

/// Published (AIAG manual, from memory) to the digits printed, and independent (lme4): a crossed study whose joint spread is
/// pooled by the declared rule.
#[test]
fn crossed_study_pooled() {
    let (reference, found) = gauge("gauge-10-parts-3-operators-3-trials", "pool_above = 0.25");
    assert!(found.pooled);
    assert_eq!((found.parts, found.results, found.design.as_str()), (10, 90, "crossed"));
    let value = |s: &Option<analysis::SpreadFinding>| s.as_ref().unwrap().value;
    for (name, got) in [
        ("pooled_sd_repeatability", value(&found.repeatability)),
        ("pooled_sd_operator", value(&found.reproducibility)),
        ("pooled_sd_part", value(&found.product)),
        ("pooled_sd_gauge", value(&found.measuring)),
        ("pooled_sd_total", value(&found.total)),
    ] {
        close(name, got, reference.number("expected", name), 1e-9);
        let (printed, room) = (
            reference.number("published", name),
            reference.number("tolerance_published", name),
        );
        assert!(
            (got - printed).abs() <= room,
            "{name}: {got} against {printed} as printed"
        );
    }
    let variance = |key: &str| reference.number("r_lme4", key);
    close(
        "lme4",
        value(&found.product).powi(2),
        variance("reml_no_interaction_var_part"),
        1e-6,
    );
    // Closed form from the published deviations.
    let (part, gauge) = (value(&found.product), value(&found.measuring));
    close(
        "categories",
        found.categories.as_ref().unwrap().value,
        2_f64.sqrt() * part / gauge,
        1e-12,
    );
    close(
        "to tolerance",
        found.to_tolerance.as_ref().unwrap().value,
        6.0 * gauge / 8.0,
        1e-12,
    );
    close(
        "share",
        found.variance_share.as_ref().unwrap().value,
        (gauge / part.hypot(gauge)).powi(2),
        1e-12,
    );
}

/// Published (AIAG manual, from memory), ANOVA table; independent, components with the negative one kept as estimated.
#[test]
fn crossed_study_with_its_joint_spread() {
    for case in ["gauge-10-parts-3-operators-3-trials", "gauge-synthetic-hardness"] {
        let (reference, found) = gauge(case, "");
        assert!(!found.pooled);
        let expected = |name: &str| reference.number("expected", name);
        let published = case.starts_with("gauge-10");
        for (name, key) in [
            ("part", "part"),
            ("operator", "operator"),
            ("part × operator", "part_x_operator"),
            ("repeat", "repeatability"),
        ] {
            let layer = found
                .layers
                .iter()
                .find(|l| l.source == name || name.contains('×') && l.source.contains('×'))
                .unwrap_or_else(|| panic!("no {name}"));
            close(key, layer.mean_square.unwrap(), expected(&format!("ms_{key}")), 1e-9);
            close(key, layer.sum_of_squares.unwrap(), expected(&format!("ss_{key}")), 1e-9);
            assert_eq!(layer.df.map(|df| df as f64), Some(expected(&format!("df_{key}"))));
            let variance = expected(&format!("var_{key}"));
            assert!(
                (layer.variance.unwrap() - variance).abs() < 1e-9 * variance.abs().max(1e-3),
                "{name}"
            );
            if published {
                let printed = reference.number("published", &format!("ms_{key}"));
                assert!((layer.mean_square.unwrap() - printed).abs() <= 5.1e-6, "{name}");
            }
        }
        close(
            "p of the joint spread",
            found.p_joint.unwrap(),
            expected("p_part_x_operator"),
            1e-8,
        );
        close(
            "measuring",
            found.measuring.as_ref().unwrap().value.powi(2),
            expected("var_total_gauge"),
            1e-9,
        );
        close(
            "total",
            found.total.as_ref().unwrap().value.powi(2),
            expected("var_total"),
            1e-9,
        );
        close(
            "categories",
            found.categories.as_ref().unwrap().value,
            expected("number_of_distinct_categories_unrounded"),
            1e-9,
        );
        close(
            "ratio of deviations",
            found.spread_ratio.as_ref().unwrap().value * 100.0,
            expected("percent_study_variation_gauge"),
            1e-9,
        );
        // Every figure has an interval that holds it, and few operators make it wide.
        for ratio in [
            &found.categories,
            &found.spread_ratio,
            &found.variance_share,
            &found.to_tolerance,
        ] {
            let ratio = ratio.as_ref().unwrap();
            let (low, high) = (ratio.low.unwrap(), ratio.high.unwrap());
            assert!(
                low < ratio.value && ratio.value < high,
                "{case} {low} {} {high}",
                ratio.value
            );
        }
        let by = found.reproducibility.as_ref().unwrap();
        // χ² on 2 or 3 degrees of freedom alone reaches 6.28 or 3.73 times the estimate.
        assert!(by.high.unwrap() > 2.5 * by.value, "{by:?}");
    }
}

/// Closed form: each operator has parts of its own.
#[test]
fn nested_study() {
    let nested = "[[unit]]\nname = \"operator\"\n[[unit]]\nname = \"part\"\nwithin = [\"operator\"]\npart_of = \
                  \"product\"\n[[unit]]\nname = \"run\"\nwithin = [\"part\"]\n[measurement_system]\npart = \"part\"\nby = \
                  [\"operator\"]\n";
    let protocol = protocol("measurement system", "round_to = \"none\"", nested);
    let value = |o: usize, p: usize, r: usize| ((o * 7 + p * 5 + r * 3 + o * p * r) % 11) as f64 + 4.0 * p as f64;
    let (operators, parts, repeats) = (3, 4, 2);
    let mut rows: Rows = Vec::new();
    for o in 0..operators {
        for p in 0..parts {
            for r in 0..repeats {
                let units = vec![o.to_string(), format!("{o}-{p}")];
                rows.push((units, Vec::new(), value(o, p, r).to_string()));
            }
        }
    }
    let found = y(&protocol, &rows).measurement_system.unwrap();
    assert_eq!(found.design, "nested");
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let cell = |o, p| mean(&(0..repeats).map(|r| value(o, p, r)).collect::<Vec<f64>>());
    let whole = |o| mean(&(0..parts).map(|p| cell(o, p)).collect::<Vec<f64>>());
    let (mut among_parts, mut repeat) = (0.0, 0.0);
    for o in 0..operators {
        for p in 0..parts {
            among_parts += repeats as f64 * (cell(o, p) - whole(o)).powi(2);
            repeat += (0..repeats).map(|r| (value(o, p, r) - cell(o, p)).powi(2)).sum::<f64>();
        }
    }
    let (ms_parts, ms_repeat) = (among_parts / 9.0, repeat / 12.0);
    close("repeat", found.repeatability.unwrap().value.powi(2), ms_repeat, 1e-10);
    close(
        "part",
        found.product.unwrap().value.powi(2),
        (ms_parts - ms_repeat) / 2.0,
        1e-10,
    );
    // What operators and parts do jointly stands in the parts: it cannot be told.
    assert_eq!(found.p_joint, None);
}

/// Published, JCGM 100 H.1 and H.2: budgets declared in a protocol.
#[test]
fn budgets_of_the_guide() {
    let end_gauge = "[uncertainty.y]\nequation = \"standard + difference - standard * (expansion * deviation + swelling * \
                     warmth)\"\ncoverage = 0.99\ntrials = 10000\n[uncertainty.y.source.standard]\nvalue = \
                     50000623\nexpanded = 75\nfactor = 3\ndf = 18\n[uncertainty.y.source.difference]\nvalue = 215\nstandard = \
                     9.7\ndf = 25.6\n[uncertainty.y.source.expansion]\nwithin = 1e-6\ndf = \
                     50\n[uncertainty.y.source.deviation]\nvalue = -0.1\nstandard = \
                     0.41\n[uncertainty.y.source.swelling]\nvalue = 11.5e-6\nwithin = 2e-6\n[uncertainty.y.source.warmth]\nwithin \
                     = 0.05\ndf = 2\n";
    let own = protocol(
        "variance investigation",
        "round_to = \"none\"",
        &format!("{RUN}{end_gauge}"),
    );
    let found = y(&own, &three()).uncertainty.unwrap();
    let reference = Reference::read("uncertainty-end-gauge");
    let linear: f64 = found.sources.iter().map(|s| (s.sensitivity * s.standard).powi(2)).sum();
    close(
        "combined",
        linear.sqrt(),
        reference.number("expected", "combined"),
        1e-6,
    );
    close(
        "df",
        found.df.unwrap(),
        reference.number("expected", "effective_df"),
        1e-5,
    );
    close(
        "k",
        found.factor,
        reference.number("expected", "k99_truncated_df"),
        1e-9,
    );
    assert!(
        (found.standard - 34.0).abs() < 0.5,
        "{}: printed with second-order terms",
        found.standard
    );
    // Printed: 93 nm from the linear terms alone; here the second-order ones count as well.
    assert!((found.factor * linear.sqrt() - 93.0).abs() < 1.1);

    let resistance = "[uncertainty.y]\nequation = \"v / i * cos(phase)\"\ntrials = 10000\n[uncertainty.y.source.v]\nreadings = \
                      VOLT\n[uncertainty.y.source.i]\nreadings = AMPERE\n[uncertainty.y.source.phase]\nreadings = \
                      PHASE\n[[uncertainty.y.correlation]]\nof = [\"v\", \"i\"]\n[[uncertainty.y.correlation]]\nof = [\"v\", \
                      \"phase\"]\n[[uncertainty.y.correlation]]\nof = [\"i\", \"phase\"]\n";
    let reference = Reference::read("uncertainty-resistance-reactance");
    let list = |name: &str, over: f64| {
        let values: Vec<String> = reference
            .column(name)
            .iter()
            .map(|v| format!("{:.7}", v / over))
            .collect();
        format!("[{}]", values.join(", "))
    };
    let tables = resistance
        .replace("VOLT", &list("volt", 1.0))
        .replace("AMPERE", &list("milliampere", 1000.0))
        .replace("PHASE", &list("phase_rad", 1.0));
    let own = protocol(
        "variance investigation",
        "round_to = \"none\"",
        &format!("{RUN}{tables}"),
    );
    let found = y(&own, &three()).uncertainty.unwrap();
    assert!((found.value - 127.732).abs() < 0.001, "{}", found.value);
    close(
        "u(R)",
        found.standard,
        reference.number("expected", "u_resistance"),
        1e-4,
    );
    close(
        "r(V, I)",
        found.correlations[0].correlation,
        reference.number("expected", "r_v_i"),
        1e-9,
    );
    // Shares would not add up where sources go together.
    assert!(found.sources.iter().all(|s| s.share.is_none()));
}

/// Closed form: what all readings of a result share is not divided by √n, and a source in one direction moves the value.
#[test]
fn shared_terms_stay_whole() {
    let tables = |n: usize| {
        format!(
            "[[unit]]\nname = \"session\"\n[[unit]]\nname = \"run\"\nwithin = [\"session\"]\n[uncertainty.y]\nequation = \
             \"reading + session + calibration - off * off / 2\"\nresult_of = {{ reading = {n}, session = 2 }}\ntrials = \
             400000\n[uncertainty.y.source.reading]\nstandard = 0.6\nanew = \
             \"reading\"\n[uncertainty.y.source.session]\nstandard = 0.2\nanew = \
             \"session\"\n[uncertainty.y.source.calibration]\nwithin = 1\n[uncertainty.y.source.off]\nunit = \"mm\"\nstandard = \
             0.5\n"
        )
    };
    let rows: Rows = ["1", "2", "3", "4"]
        .map(|s| (vec![s.to_owned()], Vec::new(), s.to_owned()))
        .to_vec();
    for n in [1, 10, 1000] {
        let own = protocol("variance investigation", "round_to = \"none\"", &tables(n));
        let found = y(&own, &rows).uncertainty.unwrap();
        let part = |name: &str| found.sources.iter().find(|s| s.name == name).unwrap().contribution;
        close("reading", part("reading"), 0.6 / (n as f64).sqrt(), 1e-9);
        close("session", part("session"), 0.2 / 2_f64.sqrt(), 1e-9);
        close("calibration", part("calibration"), 1.0 / 3_f64.sqrt(), 1e-9);
        // e²/2 with e normal: mean σ²/2, standard deviation σ²/√2.
        close("off", part("off"), 0.25 / 2_f64.sqrt(), 1e-9);
        close("shift", found.shift, -0.125, 1e-9);
        close("fresh", found.fresh, part("reading").hypot(part("session")), 1e-9);
        close("shared", found.shared, part("calibration").hypot(part("off")), 1e-9);
        // The simulation of the same equation agrees in mean and standard deviation, and leans to the low side.
        let simulated = found.simulation.as_ref().unwrap();
        assert!(
            (simulated.mean - found.value).abs() < 0.01,
            "{} {}",
            simulated.mean,
            found.value
        );
        assert!(found.value - simulated.low > simulated.high - found.value);
        close(
            "simulated deviation",
            simulated.standard_deviation,
            found.standard,
            0.01,
        );
        // Where one reading is taken, more readings buy much; where a thousand are, they buy nothing.
        let more = found
            .options
            .iter()
            .find(|o| o.change.starts_with(&format!("{} readings in place", 2 * n)));
        let gain = more.map_or(0.0, |o| 1.0 - o.standard / found.standard);
        assert!(if n == 1 { gain > 0.1 } else { gain < 0.03 }, "{n}: {gain}");
    }
}

/// Published, JCGM 106 (breakdown voltage, from memory): 91.9 % for −5.47 with 0.05 against at most −5.40; closed form for
/// the other rules and the true values.
#[test]
fn decisions_from_their_declarations() {
    let keys = "round_to = 0.1\nlimit = { at_most = -5.40 }";
    let tables = "[decision.y]\nrule = \"simple acceptance\"\nresults = [-5.47]\nstandard = 0.05\n";
    let own = protocol("variance investigation", keys, &format!("{RUN}{tables}"));
    let found = y(&own, &three()).decision.unwrap();
    let reference = Reference::read("conformity-probability");
    close(
        "conformity",
        found.results[0].conforming,
        reference.number("expected", "breakdown_voltage_conformity_probability"),
        1e-12,
    );
    assert!((found.results[0].conforming - 0.919).abs() < 5e-4);
    assert_eq!(found.results[0].outcome, "pass");
    // An upper limit: the largest true value that passes lies below it.
    close(
        "largest",
        found.least[0].estimate,
        -5.40 - 1.644_853_626_951_472_2 * 0.05,
        1e-12,
    );

    let keys = "round_to = 1\nlimit = { at_least = 55 }";
    let tables = "[decision.y]\nrule = \"guarded acceptance\"\nresults = [55.8]\nstandard = 0.3\nbetween_laboratories = 0.4\n\
                  retest = \"second result counts\"\n";
    let own = protocol("variance investigation", keys, &format!("{RUN}{tables}"));
    let found = y(&own, &three()).decision.unwrap();
    let z = normal_quantile_lower(0.95);
    let acceptance = 55.0 + z * 0.3;
    close("acceptance", found.acceptance, acceptance, 1e-12);
    assert_eq!(found.variants.len(), 6);
    let variant = |rounded: bool, retest: &str| {
        let fits = |v: &&analysis::VariantFinding| v.rounded_to.is_some() == rounded && v.retest == retest;
        found.variants.iter().find(fits).unwrap()
    };
    assert_eq!(found.variants.iter().filter(|v| v.declared).count(), 1);
    assert!(variant(false, "second result counts").declared);
    let once = variant(false, "none");
    close("one, once", once.least_one, acceptance + z * 0.3, 1e-12);
    close("random, once", once.least_random, acceptance + z * 0.5, 1e-12);
    close("at the limit", once.at_limit, normal_lower(-z * 0.3 / 0.5), 1e-12);
    // Two tries without a common bias: both must fail.
    let twice = variant(false, "second result counts");
    close(
        "one, twice",
        twice.least_one,
        acceptance + 0.3 * normal_quantile_lower(1.0 - 0.05_f64.sqrt()),
        1e-9,
    );
    assert!(twice.least_random > twice.least_one && twice.least_random < once.least_random);
    let both = variant(false, "mean of two");
    close(
        "one, mean of two",
        both.least_one,
        acceptance + z * 0.3 / 2_f64.sqrt(),
        1e-12,
    );
    // To whole points: 55.49 rounds down to 55 and fails 55.4934, so 56 and with it 55.5 is needed.
    close("rounded", variant(true, "none").cut, 55.5, 1e-12);
}

/// Independent, scipy 1.17 by `compute.py` of the case: risks of a production against a lower limit.
#[test]
fn risks_from_their_declarations() {
    let reference = Reference::read("conformity-one-sided-risk");
    for row in &reference.rows {
        let keys = format!("round_to = 0.1\nlimit = {{ at_least = {} }}", row["limit"]);
        let tables = format!(
            "{RUN}[decision.y]\nrule = \"guarded acceptance\"\nguard = {}\nresults = [{}]\nstandard = {}\nproduction = {{ mean \
             = {}, standard_deviation = {} }}\n",
            row["guard"], row["result"], row["measurement_sd"], row["process_mean"], row["process_sd"]
        );
        let own = protocol("variance investigation", &keys, &tables);
        let decided = y(&own, &three()).decision.unwrap();
        let found = decided.production.unwrap();
        let case = &row["case"];
        for (what, got) in [
            ("conforming", found.conforming),
            ("simple_consumer_risk", found.by_limit.wrongly_accepted),
            ("simple_producer_risk", found.by_limit.wrongly_rejected),
            ("guarded_consumer_risk", found.by_rule.wrongly_accepted),
            ("guarded_producer_risk", found.by_rule.wrongly_rejected),
            ("guarded_accepted", found.by_rule.accepted),
            (
                "posterior_conforming",
                decided.results[0].conforming_in_production.unwrap(),
            ),
        ] {
            let name = format!("{case}_{what}");
            close(&name, got, reference.number("expected", &name), 1e-8);
        }
    }
}

fn compared(case: &str, columns: [&str; 2], extra: &str) -> ResponseFindings {
    let table = Case::load(case);
    let tables = format!(
        "[[unit]]\nname = \"specimen\"\n[[unit]]\nname = \"run\"\nwithin = [\"specimen\"]\n{}[comparison.y]\nmethods = \
         \"method\"\nspecimens = \"specimen\"\norigin = \"tests\"\n{extra}",
        factor("method", "run", &["first".to_owned(), "second".to_owned()])
    );
    let own = protocol("method comparison", "round_to = \"none\"", &tables);
    let mut rows: Rows = Vec::new();
    for (at, row) in table.rows.iter().enumerate() {
        for (method, column) in ["first", "second"].into_iter().zip(columns) {
            let reading = row[table.column(column)].clone();
            rows.push((vec![(at + 1).to_string()], vec![method.to_owned()], reading));
        }
    }
    y(&own, &rows)
}

/// Published, Bland and Altman 1986 (from memory), and independent (R): limits of agreement with exact intervals, Deming,
/// Passing and Bablok, concordance and the two one-sided tests.
#[test]
fn comparisons_from_their_declarations() {
    for (limits, lines, columns, margin) in [
        (
            "limits-of-agreement-peak-flow",
            "regression-both-errors-peak-flow",
            ["large_first", "mini_first"],
            20.0,
        ),
        (
            "limits-of-agreement-synthetic",
            "regression-both-errors-synthetic",
            ["old_method", "new_method"],
            2.0,
        ),
    ] {
        let found = compared(limits, columns, &format!("margin = {margin}\nerror_ratio = 1\n"));
        let found = found.agreement.unwrap();
        let reference = Reference::read(limits);
        let expected = |name: &str| reference.number("expected", name);
        // The reference subtracts the second method from the first.
        close("mean", -found.difference, expected("mean_difference"), 1e-9);
        close("sd", found.standard_deviation, expected("sd_difference"), 1e-9);
        let both = reference.list("expected", "limits_of_agreement");
        close("lower limit", -found.upper_limit.value, both[0], 1e-6);
        close("upper limit", -found.lower_limit.value, both[1], 1e-6);
        assert!(found.exact);
        for (limit, name) in [
            (&found.upper_limit, "exact_ci95_lower_limit"),
            (&found.lower_limit, "exact_ci95_upper_limit"),
        ] {
            let ends = reference.list("expected", name);
            close(name, -limit.high, ends[0], 1e-6);
            close(name, -limit.low, ends[1], 1e-6);
        }
        let reference = Reference::read(lines);
        let expected = |name: &str| reference.number("expected", name);
        let line = found.line.as_ref().unwrap();
        assert_eq!(line.error_ratio_from, "declared");
        close("Deming slope", line.slope.value, expected("deming_lambda1_slope"), 1e-9);
        close(
            "Deming intercept",
            line.intercept.value,
            expected("deming_lambda1_intercept"),
            1e-8,
        );
        let ranks = found.ranks.as_ref().unwrap();
        close("rank slope", ranks.slope.0, expected("passing_bablok_slope"), 1e-9);
        close(
            "rank intercept",
            ranks.intercept.0,
            expected("passing_bablok_intercept"),
            1e-8,
        );
        let ends = reference.list("expected", "passing_bablok_slope_ci95");
        close("rank slope, low", ranks.slope.1.unwrap(), ends[0], 1e-9);
        close("rank slope, high", ranks.slope.2.unwrap(), ends[1], 1e-9);
        let c = found.concordance.as_ref().unwrap();
        close("concordance", c.value, expected("concordance"), 1e-9);
        let ends = reference.list("expected", "concordance_ci95");
        close("concordance, low", c.low, ends[0], 1e-6);
        close("concordance, high", c.high, ends[1], 1e-6);
        let test = found.equivalence.as_ref().unwrap();
        close("two one-sided tests", test.p, expected("tost_p"), 1e-8);
        let ends = reference.list("expected", "tost_ci90");
        close("their interval", -test.high, ends[0], 1e-8);
        close("their interval", -test.low, ends[1], 1e-8);
        let apart = found.low > 0.0 || found.high < 0.0;
        let outcome = if apart {
            Closeness::DifferentButEquivalent
        } else {
            Closeness::Equivalent
        };
        assert_eq!(test.outcome, outcome);
    }
}

/// Independent, the formulas of Bland and Altman 1999 (3.2) written out with ordinary least squares.
#[test]
fn limits_follow_the_level() {
    // Differences that grow, and scatter more, along the level.
    let tables = format!(
        "[[unit]]\nname = \"specimen\"\n[[unit]]\nname = \"run\"\nwithin = [\"specimen\"]\n{}[comparison.y]\nmethods = \
         \"method\"\nspecimens = \"specimen\"\norigin = \"tests\"\nmargin = 1\n",
        factor("method", "run", &["first".to_owned(), "second".to_owned()])
    );
    let own = protocol("method comparison", "round_to = \"none\"", &tables);
    let signs = [1.0, -0.6, -1.1, 0.9, 0.4, -1.3, 1.2, -0.7];
    let pairs: Vec<(f64, f64)> = (0..24)
        .map(|i| {
            let level = 10.0 + 2.0 * f64::from(i);
            let off = 0.05 * level + signs[i as usize % 8] * 0.03 * level;
            (level, level + off)
        })
        .collect();
    let mut rows: Rows = Vec::new();
    for (at, (x, y)) in pairs.iter().enumerate() {
        for (method, value) in [("first", x), ("second", y)] {
            rows.push((
                vec![(at + 1).to_string()],
                vec![method.to_owned()],
                format!("{value:.6}"),
            ));
        }
    }
    let found = y(&own, &rows).agreement.unwrap();
    assert!(found.along_level.as_ref().unwrap().p < 0.01 && found.spread_along_level.as_ref().unwrap().p < 0.05);
    let line = |x: &[f64], y: &[f64]| {
        let n = x.len() as f64;
        let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
        let sxx: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
        let sxy: f64 = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum();
        (my - sxy / sxx * mx, sxy / sxx)
    };
    let rounded = |v: f64| format!("{v:.6}").parse::<f64>().unwrap();
    let mean: Vec<f64> = pairs
        .iter()
        .map(|p| f64::midpoint(rounded(p.0), rounded(p.1)))
        .collect();
    let off: Vec<f64> = pairs.iter().map(|p| rounded(p.1) - rounded(p.0)).collect();
    let (a, b) = line(&mean, &off);
    let size: Vec<f64> = mean.iter().zip(&off).map(|(m, d)| (d - a - b * m).abs()).collect();
    let (c, d) = line(&mean, &size);
    assert_eq!(found.limits_along_level.len(), 3);
    for limits in &found.limits_along_level {
        let deviation = (c + d * limits.at) * (std::f64::consts::PI / 2.0).sqrt();
        close("difference", limits.difference, a + b * limits.at, 1e-9);
        close("deviation", limits.standard_deviation, deviation, 1e-9);
        close(
            "upper",
            limits.upper,
            limits.difference + 1.959_963_984_540_054 * deviation,
            1e-9,
        );
    }
    // One pair of limits for all levels would be too wide at the low end.
    assert!(found.limits_along_level[0].upper < found.upper_limit.value);
}

/// Published, Bland and Altman 1986 (from memory): with both readings of both meters the corrected standard deviation of a
/// single difference is 37.7 L/min.
#[test]
fn replicates_are_put_back() {
    let table = Case::load("limits-of-agreement-peak-flow");
    let text = std::fs::read_to_string(format!(
        "{}/examples/peak-flow-two-meters/protocol.toml",
        env!("CARGO_MANIFEST_DIR")
    ))
    .unwrap()
    .replace("readings = 2 ", "readings = 1 ");
    let (own, _) =
        protocol::read(&Source::new("protocol.toml", text)).unwrap_or_else(|found| panic!("{}", show(&found)));
    let mut rows: Rows = Vec::new();
    for (at, row) in table.rows.iter().enumerate() {
        for (method, columns) in [
            ("large", ["large_first", "large_second"]),
            ("mini", ["mini_first", "mini_second"]),
        ] {
            for column in columns {
                let reading = row[table.column(column)].clone();
                rows.push((vec![(at + 1).to_string()], vec![method.to_owned()], reading));
            }
        }
    }
    let found = analyse(&own, &rows).responses["flow"].agreement.clone().unwrap();
    assert!(
        (found.standard_deviation - 37.7).abs() < 0.06,
        "{}",
        found.standard_deviation
    );
    let reference = Reference::read("limits-of-agreement-peak-flow");
    for (within, name) in found.within.iter().zip(["within_sd_large", "within_sd_mini"]) {
        close(
            name,
            within.standard_deviation,
            reference.number("expected", name),
            1e-9,
        );
    }
    // Closed form: s_D² = s² + half of each square.
    let of_means = found.standard_error * 17_f64.sqrt();
    let half: f64 = found.within.iter().map(|w| w.standard_deviation.powi(2) / 2.0).sum();
    close(
        "s_D",
        found.standard_deviation,
        (of_means * of_means + half).sqrt(),
        1e-9,
    );
}

/// Closed form, ISO 5725-3 nested design: days within laboratories, repeats within days; and 5725-4: bias against a reference.
#[test]
fn intermediate_precision_and_trueness() {
    let tables = "[[unit]]\nname = \"laboratory\"\n[[unit]]\nname = \"day\"\nwithin = [\"laboratory\"]\n[[unit]]\nname = \
                  \"run\"\nwithin = [\"day\"]\n[factor.material]\nset_on = \"run\"\nlevels = [\"one\", \"two\"]\n[precision]\nlaboratory \
                  = \"laboratory\"\nmaterial = \"material\"\nintermediate = [\"day\"]\n[[reference]]\nof = \"material\"\nlabel = \
                  \"one\"\nvalue = 54.5\nuncertainty = 0.2\n";
    let own = protocol("interlaboratory", "round_to = \"none\"\nrelevant = 3", tables);
    let value = |l: usize, d: usize, r: usize| {
        50.0 + [0.0, 4.0, 7.0, 2.0, 9.0, 5.0][l]
            + [0.0, 1.5, -0.7][d] * (1.0 + l as f64 / 4.0)
            + 0.3 * ((r + l + d) % 3) as f64
    };
    let (labs, days, repeats) = (6, 3, 2);
    let mut rows: Rows = Vec::new();
    for l in 0..labs {
        for d in 0..days {
            for r in 0..repeats {
                let units = vec![(l + 1).to_string(), format!("{}", d + 1)];
                rows.push((units, vec!["one".to_owned()], format!("{:.4}", value(l, d, r))));
            }
        }
    }
    let found = y(&own, &rows).precision[0].clone();
    let exact = |l, d, r| format!("{:.4}", value(l, d, r)).parse::<f64>().unwrap();
    let mean = |values: Vec<f64>| values.iter().sum::<f64>() / values.len() as f64;
    let day = |l, d| mean((0..repeats).map(|r| exact(l, d, r)).collect());
    let lab = |l| mean((0..days).map(|d| day(l, d)).collect());
    let all = mean((0..labs).map(lab).collect());
    let (mut ms_r, mut ms_d, mut ms_l) = (0.0, 0.0, 0.0);
    for l in 0..labs {
        ms_l += 6.0 * (lab(l) - all).powi(2) / 5.0;
        for d in 0..days {
            ms_d += 2.0 * (day(l, d) - lab(l)).powi(2) / 12.0;
            ms_r += (0..repeats).map(|r| (exact(l, d, r) - day(l, d)).powi(2)).sum::<f64>() / 18.0;
        }
    }
    let (s_day, s_lab) = ((ms_d - ms_r) / 2.0, (ms_l - ms_d) / 6.0);
    close("s_r", found.repeatability_sd.unwrap(), ms_r.sqrt(), 1e-9);
    close("s_L", found.between_sd.unwrap(), s_lab.sqrt(), 1e-9);
    close(
        "s_R",
        found.reproducibility_sd.unwrap(),
        (ms_r + s_day + s_lab).sqrt(),
        1e-9,
    );
    let [days] = found.intermediate.as_slice() else {
        panic!("{:?}", found.intermediate)
    };
    assert_eq!(days.varied, ["day"]);
    close("s_I(T)", days.spread.value, (ms_r + s_day).sqrt(), 1e-9);
    close("its limit", days.limit, 2.8 * (ms_r + s_day).sqrt(), 1e-9);
    assert!(days.spread.low.unwrap() < days.spread.value && days.spread.value < days.spread.high.unwrap());

    let trueness = found.trueness.unwrap();
    let own_variance = (0..labs).map(|l| (lab(l) - all).powi(2)).sum::<f64>() / 5.0 / 6.0;
    let u = (own_variance + 0.04_f64).sqrt();
    close("bias", trueness.bias, all - 54.5, 1e-9);
    close("u(bias)", trueness.standard_error.unwrap(), u, 1e-9);
    let df = u.powi(4) / (own_variance * own_variance / 5.0);
    close("df", trueness.df.unwrap(), df, 1e-9);
    close(
        "high",
        trueness.high.unwrap(),
        trueness.bias + t_quantile_upper(0.025, df) * u,
        1e-8,
    );
}
