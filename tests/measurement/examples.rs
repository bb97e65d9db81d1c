//! The complete example studies, one for each kind of report, through the program: what stands in their findings, and what
//! cannot be told is said.

use std::process::Command;

use serde_json::Value;

use crate::studies::{Rows, analyse, protocol, three};

fn findings(example: &str) -> Value {
    let folder = format!("{}/examples/{example}", env!("CARGO_MANIFEST_DIR"));
    let run = Command::new(env!("CARGO_BIN_EXE_wellrun"))
        .args(["analyse", &folder, "--json"])
        .output()
        .unwrap();
    assert!(
        run.status.success(),
        "{example}: {}",
        String::from_utf8_lossy(&run.stderr)
    );
    serde_json::from_slice(&run.stdout).unwrap()
}

fn response<'a>(findings: &'a Value, name: &str) -> &'a Value {
    &findings["responses"][name]
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value}"))
}

fn holds(finding: &Value, low: &str, high: &str, truth: f64) {
    let (low, high) = (number(&finding[low]), number(&finding[high]));
    assert!(low <= truth && truth <= high, "{low} to {high} does not hold {truth}");
}

/// The truth behind the simulated readings stands in the README of each example.
#[test]
fn rollers_near_their_limit() {
    let all = findings("roller-near-limit");
    let found = response(&all, "hardness");
    holds(&found["agreement"], "low", "high", -0.3);
    holds(&found["slopes"][0], "low", "high", -0.2);
    assert_eq!(found["agreement"]["equivalence"]["outcome"], "different but equivalent");
    // Two instruments with ± 1 each: a difference of 0.3 is no sign of a fault.
    assert_eq!(found["agreement"]["tolerance"]["outcome"], "within");
    assert_eq!(number(&found["agreement"]["tolerance"]["together"]), 2.0);
    let truth = [56.9, 55.4, 57.8, 56.2, 54.6, 58.3, 57.1, 55.9];
    let results = found["decision"]["results"].as_array().unwrap();
    for (result, truth) in results.iter().zip(truth) {
        assert!((number(&result["value"]) - truth).abs() < 0.5, "{result} {truth}");
        // By guarded acceptance nothing passes that truly misses the limit.
        assert!(result["outcome"] != "pass" || truth >= 55.0);
    }
    let budget = &found["uncertainty"];
    let sources = budget["sources"].as_array().unwrap();
    let share = |name: &str| number(&sources.iter().find(|s| s["name"] == name).unwrap()["share"]);
    // What all readings share outweighs the readings.
    assert!(share("calibration") > 0.5 && share("reading") < 0.15);
    // Off the crown line is one-sided: it lowers the value.
    assert!(number(&budget["shift"]) < -0.02);
    // Instruments buy more than readings.
    let options = budget["options"].as_array().unwrap();
    let left = |start: &str| {
        let found = options
            .iter()
            .find(|o| o["change"].as_str().unwrap().starts_with(start));
        number(&found.unwrap()["standard"])
    };
    assert!(left("the same readings shared out over 2 instruments") < left("40 readings"));
    assert_eq!(found["decision"]["variants"].as_array().unwrap().len(), 6);
}

#[test]
fn ruggedness_of_a_procedure() {
    let all = findings("roller-ruggedness");
    let found = &response(&all, "hardness")["ruggedness"];
    let variations = found["variations"].as_array().unwrap();
    for (factor, truth) in [
        ("moment", -0.8),
        ("approach", 0.0),
        ("offset", -0.4),
        ("wiping", -0.1),
        ("spacing", 0.0),
        ("cradle", 0.0),
        ("rest", 0.0),
    ] {
        let variation = variations.iter().find(|v| v["factor"] == factor).unwrap();
        holds(variation, "low", "high", truth);
        // Closed form: (t(0.975; 21) + t(0.9; 21)) s.e.
        let detectable = (2.079_614 + 1.323_188) * number(&variation["standard_error"]);
        assert!((number(&variation["detectable"]) - detectable).abs() < 1e-5);
    }
    let moment = &variations[0];
    let half = 0.4 / 2.0 / number(&moment["change"]).abs();
    assert!((number(&moment["half_range"]) - half).abs() < 1e-12);
    assert!(number(&moment["half_range_cautious"]) < half);
}

#[test]
fn gauge_on_rollers() {
    let all = findings("roller-gauge");
    let found = &response(&all, "hardness")["measurement_system"];
    holds(&found["repeatability"], "low", "high", 0.4);
    holds(&found["product"], "low", "high", 2.6);
    holds(&found["reproducibility"], "low", "high", 0.35_f64.hypot(0.15));
    let bias = found["bias"].as_array().unwrap();
    for (bias, truth) in bias.iter().zip([0.05, 0.25, 0.75]) {
        holds(bias, "low", "high", truth);
    }
    assert_eq!(found["stability"].as_array().unwrap().len(), 3);
    let categories = &found["categories"];
    assert!(
        number(&categories["low"]) < 5.0 && number(&categories["high"]) > 5.0,
        "undecided"
    );
}

/// Published: ASTM E691, worked example, to the digits printed (from memory); Bland and Altman (1986), table 1.
#[test]
fn published_studies() {
    let all = findings("glucose-between-laboratories");
    let levels = response(&all, "glucose")["precision"].as_array().unwrap();
    for (level, (s_r, s_reproducibility)) in levels.iter().zip([
        (1.0632, 1.0632),
        (1.4949, 1.5796),
        (1.5434, 2.1482),
        (2.6251, 3.3657),
        (3.9350, 4.1923),
    ]) {
        assert!((number(&level["repeatability_sd"]) - s_r).abs() < 5.1e-5, "{level}");
        assert!(
            (number(&level["reproducibility_sd"]) - s_reproducibility).abs() < 5.1e-5,
            "{level}"
        );
    }
    let all = findings("peak-flow-two-meters");
    let found = &response(&all, "flow")["agreement"];
    assert!((number(&found["standard_deviation"]) - 37.7).abs() < 0.06);
    assert_eq!(found["acceptable"]["outcome"], "beyond");
    assert_eq!(found["limits_along_level"].as_array().unwrap().len(), 3);
    // The band is narrowest where the subjects are, and widens to both sides.
    let width = |b: &Value| number(&b["high"]) - number(&b["low"]);
    let band = found["line"]["band"].as_array().unwrap();
    assert!(width(&band[0]) > width(&band[12]) && width(&band[20]) > width(&band[12]));
}

/// What is declared and cannot be had is said in a sentence, and nothing is made up.
#[test]
fn what_cannot_be_told_is_said() {
    let run = "[[unit]]\nname = \"run\"\n";
    let heat = "[factor.heat]\nset_on = \"run\"\nlevels = [20, 30]\nscale = \"numeric\"\n";
    let rows: Rows = ["1", "2", "3"]
        .map(|text| (Vec::new(), vec!["20".to_owned()], text.to_owned()))
        .to_vec();
    let slope = format!("{run}{heat}[uncertainty.y]\n[uncertainty.y.source.slope]\nfrom = \"slope of heat\"\n");
    let decided = format!("{slope}[decision.y]\nrule = \"simple acceptance\"\nresults = [1]\n");
    let own = protocol(
        "variance investigation",
        "round_to = \"none\"\nlimit = { at_least = 1 }",
        &decided,
    );
    let found = &analyse(&own, &rows).responses["y"];
    assert!(found.uncertainty.is_none() && found.decision.is_none());
    let said = found.cannot_tell.join(" ");
    assert!(said.contains("no number for slope"), "{said}");
    assert!(said.contains("Nothing is decided near the limit"), "{said}");

    // A limit without a rule decides nothing.
    let own = protocol(
        "variance investigation",
        "round_to = \"none\"\nlimit = { at_least = 1 }",
        run,
    );
    let found = &analyse(&own, &three()).responses["y"];
    assert!(found.cannot_tell.iter().any(|why| why.contains("no rule for deciding")));

    // Three specimens are too few to compare two methods.
    let tables = "[[unit]]\nname = \"specimen\"\n[[unit]]\nname = \"run\"\nwithin = [\"specimen\"]\n[factor.method]\nset_on = \
                  \"run\"\nlevels = [\"a\", \"b\"]\n[comparison.y]\nmethods = \"method\"\nspecimens = \
                  \"specimen\"\norigin = \"tests\"\nmargin = 1\n";
    let own = protocol("method comparison", "round_to = \"none\"", tables);
    let pair = |n: usize, off: &dyn Fn(usize) -> f64| -> Rows {
        (0..n)
            .flat_map(|s| ["a", "b"].map(|m| (s, m)))
            .map(|(s, m)| {
                let value = s as f64 + if m == "b" { off(s) } else { 0.0 };
                (vec![(s + 1).to_string()], vec![m.to_owned()], format!("{value:.4}"))
            })
            .collect()
    };
    for (rows, why) in [
        (pair(3, &|s| 0.1 * s as f64), "four are the least"),
        (pair(6, &|_| 0.5), "differ by the same"),
    ] {
        let found = &analyse(&own, &rows).responses["y"];
        assert!(found.agreement.is_none());
        assert!(
            found.cannot_tell.iter().any(|said| said.contains(why)),
            "{:?}",
            found.cannot_tell
        );
    }
}

/// Closed form: on the ratio scale everything is worked out in logarithms.
#[test]
fn ratios() {
    let tables = "[[unit]]\nname = \"specimen\"\n[[unit]]\nname = \"run\"\nwithin = [\"specimen\"]\n[factor.method]\nset_on = \
                  \"run\"\nlevels = [\"a\", \"b\"]\n[comparison.y]\nmethods = \"method\"\nspecimens = \
                  \"specimen\"\norigin = \"tests\"\nmargin = 0.2\nscale = \"ratio\"\n";
    let own = protocol("method comparison", "round_to = \"none\"", tables);
    let pairs: Vec<(f64, f64)> = (1..=8)
        .map(|s| {
            (
                10.0 * f64::from(s),
                10.0 * f64::from(s) * (1.05 + 0.01 * f64::from(s % 3)),
            )
        })
        .collect();
    let rows: Rows = pairs
        .iter()
        .enumerate()
        .flat_map(|(s, (x, y))| [("a", x), ("b", y)].map(|(m, v)| (s, m, *v)))
        .map(|(s, m, v)| (vec![(s + 1).to_string()], vec![m.to_owned()], format!("{v:.4}")))
        .collect();
    let found = analyse(&own, &rows).responses["y"].agreement.clone().unwrap();
    let logs: Vec<f64> = pairs
        .iter()
        .map(|(x, y)| (format!("{y:.4}").parse::<f64>().unwrap() / x).ln())
        .collect();
    let mean = logs.iter().sum::<f64>() / 8.0;
    let deviation = (logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 7.0).sqrt();
    assert!((found.difference - mean.exp()).abs() < 1e-12);
    let upper = (mean + 1.959_963_984_540_054 * deviation).exp();
    assert!(
        (found.upper_limit.value - upper).abs() < 1e-9,
        "{}",
        found.upper_limit.value
    );
}
