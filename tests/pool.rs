//! Several sites together: against independent computations, and what must not change when sites, rows or labels move.
#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use common::{Case, as_run, close, factor, record, show};
use proptest::prelude::*;
use wellrun::analysis::{
    self, Consistency, PoolFindings, PooledQuantity, PooledResponse, Repeated, SiteStudy, pool, pool_schema,
};
use wellrun::protocol::Protocol;
use wellrun::record::Record;
use wellrun::report;
use wellrun::stats::pooling::{
    BetweenSites, SiteEstimate, agreement, between_interval, between_sites, plain_mean, random_sites, scatter,
    weighted_mean,
};

type Row = (Vec<String>, Vec<String>, String);

/// Independent: statsmodels for the means and moments, scipy for roots and tails; the first case is a worked one.
#[test]
fn estimates_of_several_sites() {
    let case = Case::load("pooled-sites");
    for name in ["three", "six", "agreeing"] {
        let at = |row: &[String], column: &str| -> f64 { row[case.column(column)].parse().unwrap() };
        let sites: Vec<SiteEstimate> = case
            .rows
            .iter()
            .filter(|row| row[case.column("case")] == name)
            .map(|row| SiteEstimate {
                estimate: at(row, "estimate"),
                variance: at(row, "error").powi(2),
                df: at(row, "df"),
            })
            .collect();
        let same = |found: f64, key: &str| {
            let expected = case.number(name, key);
            assert!(
                (found - expected).abs() <= 1e-8 * expected.abs().max(1e-3),
                "{name} {key}: {found} against {expected}"
            );
        };
        let weighted = weighted_mean(&sites).unwrap();
        same(weighted.mean, "fixed");
        same(weighted.standard_error, "fixed_error");
        same(weighted.df, "weighted_df");
        let plain = plain_mean(&sites).unwrap();
        same(plain.mean, "plain");
        same(plain.standard_error, "plain_error");
        same(plain.df, "plain_df");
        let q = scatter(&sites).unwrap();
        same(q.q, "q");
        same(q.p, "q_p");
        same(q.share_beyond_error, "share");
        for (method, key) in [
            (BetweenSites::Moments, "moments"),
            (BetweenSites::PauleMandel, "paule_mandel"),
            (BetweenSites::Restricted, "restricted"),
        ] {
            let between = between_sites(&sites, method).unwrap();
            same(between, key);
            let random = random_sites(&sites, between).unwrap();
            same(random.mean, &format!("{key}_mean"));
            same(random.plain_error, &format!("{key}_plain_error"));
            same(random.scatter_error, &format!("{key}_scatter_error"));
            let (low, high) = random.interval_with(random.scatter_error, 0.95);
            same(low, &format!("{key}_low"));
            same(high, &format!("{key}_high"));
            let (low, high) = random.further_site(random.plain_error, 0.95).unwrap();
            same(low, &format!("{key}_further_low"));
            same(high, &format!("{key}_further_high"));
        }
        let (low, high) = between_interval(&sites, 0.95).unwrap();
        same(low, "tau2_low");
        same(high, "tau2_high");
        let values: Vec<Vec<f64>> = sites.iter().map(|s| vec![s.estimate]).collect();
        let errors: Vec<wellrun::numeric::Matrix> = sites
            .iter()
            .map(|s| wellrun::numeric::Matrix::from_columns(&[vec![s.variance]]))
            .collect();
        let df: Vec<f64> = sites.iter().map(|s| s.df).collect();
        let welch = agreement(&values, &errors, &df).unwrap();
        same(welch.f, "welch");
        same(welch.df2, "welch_df");
        same(welch.p, "welch_p");
    }
}

fn words(list: &[&str]) -> Vec<String> {
    list.iter().map(|&word| word.to_owned()).collect()
}

fn with(protocol: Protocol, more: impl FnOnce(&mut Protocol)) -> Protocol {
    let mut protocol = protocol;
    more(&mut protocol);
    protocol
}

fn study<'a>(name: &'a str, protocol: &'a Protocol, record: &'a Record) -> SiteStudy<'a> {
    SiteStudy {
        folder: name,
        protocol,
        site: None,
        plan: None,
        record,
        rehearsal: false,
        blinded: false,
    }
}

/// A record with a head of its own, as a journal would give it.
fn headed(name: &str, protocol: &Protocol, rows: &[Row]) -> Record {
    Record {
        head: name.to_owned(),
        ..record(protocol, rows)
    }
}

fn pooled(protocol: &Protocol, sites: &[(&str, Vec<Row>)]) -> PoolFindings {
    let records: Vec<Record> = sites.iter().map(|(name, rows)| headed(name, protocol, rows)).collect();
    let studies: Vec<SiteStudy> = sites
        .iter()
        .zip(&records)
        .map(|((name, _), record)| study(name, protocol, record))
        .collect();
    match pool(&studies) {
        Ok((findings, _)) => findings,
        Err(found) => panic!("{}", show(&found)),
    }
}

fn y(findings: &PoolFindings) -> &PooledResponse {
    &findings.responses["y"]
}

fn quantity<'a>(findings: &'a PoolFindings, name: &str) -> &'a PooledQuantity {
    let all = &y(findings).effects;
    all.iter()
        .find(|q| q.name == name)
        .unwrap_or_else(|| panic!("no {name} among {:?}", all.iter().map(|q| &q.name).collect::<Vec<_>>()))
}

const RUNS: &str = "[[unit]]\nname = \"run\"\n";

fn benches_protocol() -> Protocol {
    let factors = [
        factor("approach", "run", &words(&["slow", "brisk"])),
        factor("material", "run", &words(&["soft", "middle", "hard"])),
        factor("instrument", "run", &words(&["A", "B"])) + "named_by_site = true\n",
    ]
    .concat();
    as_run(RUNS, &factors, "[analysis]\nplanned = [\"approach\", \"material\"]\n")
}

fn bench(case: &Case, site: &str) -> Vec<Row> {
    let at = |row: &[String], name: &str| row[case.column(name)].clone();
    case.rows
        .iter()
        .filter(|row| at(row, "site") == site)
        .map(|row| {
            (
                Vec::new(),
                vec![at(row, "approach"), at(row, "material"), at(row, "instrument")],
                at(row, "y"),
            )
        })
        .collect()
}

fn three_benches() -> (Case, Protocol, Vec<(&'static str, Vec<Row>)>) {
    let case = Case::load("pooled-three-benches");
    let protocol = benches_protocol();
    let sites = ["east", "north", "south"]
        .map(|site| (site, bench(&case, site)))
        .to_vec();
    (case, protocol, sites)
}

/// Independent: each site by statsmodels, Welch and Johansen in numpy, the joint model with one spread by statsmodels.
#[test]
fn three_benches_together() {
    let (case, protocol, sites) = three_benches();
    let findings = pooled(&protocol, &sites);
    let expected = |key: &str| case.number("expected", key);
    let same = |found: f64, key: &str| close(found, expected(key), 1e-8, key);
    assert_eq!(findings.local, ["instrument"]);
    let approach = quantity(&findings, "approach-1-2");
    for site in &approach.sites {
        same(site.estimate.unwrap(), &format!("approach_{}", site.site));
        same(site.standard_error.unwrap(), &format!("approach_error_{}", site.site));
        same(site.df.unwrap(), "residual_df");
    }
    for site in &y(&findings).level.as_ref().unwrap().sites {
        same(site.estimate.unwrap(), &format!("level_{}", site.site));
        same(site.standard_error.unwrap(), &format!("level_error_{}", site.site));
    }
    let apart = approach
        .differences
        .iter()
        .find(|d| d.to == "south" && d.from == "north")
        .unwrap();
    same(apart.difference, "south_less_north");
    same(apart.df, "south_less_north_df");
    same(apart.p, "south_less_north_p");
    let agreement = approach.agreement.as_ref().unwrap();
    same(agreement.q, "approach_q");
    same(agreement.f, "approach_f");
    same(agreement.p, "approach_p");
    let moments = &approach.random.as_ref().unwrap().others[0];
    assert_eq!(moments.method, "DerSimonian-Laird");
    same(moments.between_sd, "approach_tau_moments");
    same(moments.estimate, "approach_mean_moments");
    for term in ["approach", "material"] {
        let line = y(&findings).site_by_effect.iter().find(|l| l.term == term).unwrap();
        same(line.f.unwrap(), &format!("{term}_f"));
        same(line.denominator_df.unwrap(), &format!("{term}_df2"));
        same(line.p.unwrap(), &format!("{term}_p"));
        same(line.f_one_spread.unwrap(), &format!("{term}_f_one_spread"));
        same(line.denominator_df_one_spread.unwrap(), "df_one_spread");
        same(line.p_one_spread.unwrap(), &format!("{term}_p_one_spread"));
    }
    let spread = &y(&findings).spreads[0];
    assert_eq!(spread.unit, "run");
    for site in &spread.sites {
        same(site.standard_deviation.unwrap(), &format!("residual_sd_{}", site.site));
    }
    same(spread.statistic.unwrap(), "bartlett");
    same(spread.p.unwrap(), "bartlett_p");
    same(spread.pooled.as_ref().unwrap().standard_deviation, "pooled_sd");
    assert_eq!(spread.same, Some(false));
    let local = y(&findings).local.iter().find(|l| l.term == "instrument").unwrap();
    same(local.mean_square, "local_mean_square");
    same(local.f.unwrap(), "local_f");
    same(local.p.unwrap(), "local_p");
    same(local.standard_deviation.unwrap(), "local_sd");
    // Levels of a local factor are never compared over sites.
    assert!(
        y(&findings)
            .effects
            .iter()
            .all(|q| !q.factors.contains(&"instrument".to_owned()))
    );
    assert!(
        y(&findings)
            .site_by_effect
            .iter()
            .all(|l| !l.term.contains("instrument"))
    );
    // Leaving one of three out leaves two: their plain mean.
    let without = &approach.without[0];
    let others: Vec<f64> = approach.sites[1..].iter().map(|s| s.estimate.unwrap()).collect();
    close(
        without.estimate,
        f64::midpoint(others[0], others[1]),
        1e-12,
        "without east",
    );
}

/// Two sites: no mean over a population of sites, no further site, and the difference instead.
#[test]
fn two_sites_get_no_population() {
    let (_, protocol, sites) = three_benches();
    let findings = pooled(&protocol, &sites[1..]);
    for quantity in y(&findings).effects.iter().chain(&y(&findings).level) {
        assert!(
            quantity.random.is_none() && quantity.without.is_empty(),
            "{}",
            quantity.name
        );
        assert_eq!(quantity.differences.len(), 1);
        assert!(quantity.these_sites.is_some());
    }
    assert!(
        findings
            .cautions
            .iter()
            .any(|c| c.starts_with("Two sites cannot stand for all"))
    );
    let told = report::pooled_terminal(&findings, 100);
    assert!(
        told.contains("neither shown nor ruled out") && !told.contains("sites like these"),
        "{told}"
    );
}

/// Closed form: a factor set on sessions is judged by session means at each site: u² = Σ s² 2/3 of three sessions a level.
#[test]
fn an_effect_is_judged_by_the_unit_it_is_set_on() {
    let units = "[[unit]]\nname = \"session\"\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n";
    let factors = "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\nunit = \"°C\"\nscale = \"numeric\"\n";
    let protocol = as_run(units, factors, "[analysis]\nplanned = [\"temperature\"]\n");
    let site = |means: [f64; 6]| -> Vec<Row> {
        let mut rows: Vec<Row> = Vec::new();
        for (session, mean) in means.into_iter().enumerate() {
            let level = if session < 3 { "21" } else { "25" };
            for away in [-0.5, 0.5] {
                rows.push((
                    vec![session.to_string()],
                    words(&[level]),
                    format!("{:.3}", mean + away),
                ));
            }
        }
        rows
    };
    let north = [57.0, 57.3, 57.6, 56.0, 56.2, 56.4];
    let south = [58.0, 58.6, 58.3, 57.2, 57.1, 57.0];
    let findings = pooled(&protocol, &[("north", site(north)), ("south", site(south))]);
    let temperature = quantity(&findings, "temperature");
    for (found, means) in temperature.sites.iter().zip([north, south]) {
        let mean = |m: &[f64]| m.iter().sum::<f64>() / 3.0;
        let squares = |m: &[f64]| m.iter().map(|v| (v - mean(m)).powi(2)).sum::<f64>();
        let variance = (squares(&means[..3]) + squares(&means[3..])) / 4.0;
        close(
            found.estimate.unwrap(),
            mean(&means[3..]) - mean(&means[..3]),
            1e-9,
            "change",
        );
        close(
            found.standard_error.unwrap(),
            (variance * 2.0 / 3.0).sqrt(),
            1e-9,
            "error",
        );
        assert_eq!(found.df.unwrap().round(), 4.0);
    }
    assert_eq!(y(&findings).site_by_effect[0].judged_against, "session");
    let session = y(&findings).spreads.iter().find(|s| s.unit == "session").unwrap();
    assert_eq!(session.test, "ratio of variances (F)");
    close(
        session.sites[1].standard_deviation.unwrap(),
        ((0.18 + 0.02) / 4.0_f64).sqrt(),
        1e-9,
        "spread of session means",
    );
}

/// The order in which studies are named changes no byte.
#[test]
fn order_of_sites_changes_nothing() {
    let (_, protocol, mut sites) = three_benches();
    let text = |sites: &[(&str, Vec<Row>)]| serde_json::to_string(&pooled(&protocol, sites)).unwrap();
    let before = text(&sites);
    sites.rotate_left(1);
    assert_eq!(text(&sites), before);
    sites.swap(0, 2);
    assert_eq!(text(&sites), before);
}

fn shifted(rows: &[Row], by: f64) -> Vec<Row> {
    rows.iter()
        .map(|(units, levels, y)| {
            let y: f64 = y.parse().unwrap();
            (units.clone(), levels.clone(), format!("{:.3}", y + by))
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    /// Adding a constant to one site moves its level and nothing else; rows in another order, or instruments renamed at one
    /// site, change no effect.
    #[test]
    fn shifts_rows_and_local_names(by in -20_000_i32..20_000, turn in 0_usize..24) {
        let (_, protocol, sites) = three_benches();
        let before = pooled(&protocol, &sites);
        let by = f64::from(by) / 1000.0;
        let mut moved = sites.clone();
        moved[1].1 = shifted(&sites[1].1, by);
        moved[0].1.rotate_left(turn);
        for (_, levels, _) in &mut moved[2].1 {
            levels[2] = if levels[2] == "A" { "B".to_owned() } else { "A".to_owned() };
        }
        let after = pooled(&protocol, &moved);
        for (one, other) in y(&before).effects.iter().zip(&y(&after).effects) {
            for (a, b) in one.sites.iter().zip(&other.sites) {
                prop_assert!((a.estimate.unwrap() - b.estimate.unwrap()).abs() < 1e-9);
                prop_assert!((a.standard_error.unwrap() - b.standard_error.unwrap()).abs() < 1e-9);
            }
            let (a, b) = (one.random.as_ref().unwrap(), other.random.as_ref().unwrap());
            prop_assert!((a.estimate - b.estimate).abs() < 1e-9 && (a.high - b.high).abs() < 1e-7);
        }
        for (one, other) in y(&before).local.iter().zip(&y(&after).local) {
            prop_assert!((one.mean_square - other.mean_square).abs() < 1e-9, "{}", one.term);
        }
        let level = |f: &PoolFindings| y(f).level.as_ref().unwrap().sites[1].estimate.unwrap();
        prop_assert!((level(&after) - level(&before) - by).abs() < 1e-9);
    }
}

/// A site renamed is the same site: every number stays.
#[test]
fn names_of_sites_change_no_number() {
    let (_, protocol, sites) = three_benches();
    let before = pooled(&protocol, &sites);
    let renamed: Vec<(&str, Vec<Row>)> = sites
        .iter()
        .zip(["z", "m", "a"])
        .map(|((_, rows), name)| (name, rows.clone()))
        .collect();
    let after = pooled(&protocol, &renamed);
    let (one, other) = (quantity(&before, "approach-1-2"), quantity(&after, "approach-1-2"));
    close(
        other.random.as_ref().unwrap().estimate,
        one.random.as_ref().unwrap().estimate,
        1e-12,
        "mean",
    );
    close(
        other.agreement.as_ref().unwrap().p,
        one.agreement.as_ref().unwrap().p,
        1e-10,
        "p",
    );
    let of = |q: &PooledQuantity, site: &str| q.sites.iter().find(|s| s.site == site).unwrap().estimate;
    assert_eq!(of(one, "east"), of(other, "z"));
}

/// Criteria declared in the protocol give a verdict for the effects they name, and for no other.
#[test]
fn declared_criteria_give_verdicts() {
    let declared = "[analysis]\nplanned = [\"approach\", \"material\"]\n\
                    [replication]\ncriteria = [\"same sign\", \"within prediction\"]\neffects = [\"approach\"]\n";
    let factors = [
        factor("approach", "run", &words(&["slow", "brisk"])),
        factor("material", "run", &words(&["soft", "middle", "hard"])),
        factor("instrument", "run", &words(&["A", "B"])) + "named_by_site = true\n",
    ]
    .concat();
    let protocol = as_run(RUNS, &factors, declared);
    let (_, _, sites) = three_benches();
    let findings = pooled(&protocol, &sites);
    assert_eq!(findings.criteria, ["same sign", "within prediction"]);
    let approach = quantity(&findings, "approach-1-2").replication.as_ref().unwrap();
    // East finds 0.84 ± 0.08, North 0.54 ± 0.07 and South 0.94 ± 0.25: North lies outside of what East lets expect.
    let outcome = |site: &str, criterion: &str| {
        let all = &approach.criteria;
        all.iter()
            .find(|c| c.site == site && c.criterion == criterion)
            .unwrap()
            .outcome
    };
    assert_eq!(outcome("north", "same sign"), Consistency::Consistent);
    assert_eq!(outcome("north", "within prediction"), Consistency::Inconsistent);
    assert_eq!(outcome("south", "within prediction"), Consistency::Consistent);
    assert_eq!(approach.verdict, Repeated::NotReplicated);
    assert!(quantity(&findings, "material-1-2").replication.is_none());
    // Without criteria there is no verdict, and the findings say why.
    let none = pooled(&benches_protocol(), &sites);
    assert!(quantity(&none, "approach-1-2").replication.is_none());
    assert!(y(&none).cannot_tell.iter().any(|s| s.contains("declared no criteria")));
}

/// Closed form: sites stand for laboratories, and day 1 of one site is not day 1 of another. In a day two results 0.2 apart,
/// `s_r²` = 0.02; day means 0.4 apart, mean square 0.16; site means 0.6 apart, mean square 4 · 0.36.
#[test]
fn precision_between_sites() {
    let units = "[[unit]]\nname = \"day\"\n[[unit]]\nname = \"run\"\nwithin = \"day\"\n";
    let protocol = as_run(
        units,
        &factor("material", "run", &words(&["soft", "hard"])),
        "[analysis]\nplanned = [\"material\"]\n[precision]\nmaterial = \"material\"\nintermediate = [\"day\"]\n",
    );
    let site = |shift: f64| -> Vec<Row> {
        let mut rows: Vec<Row> = Vec::new();
        for (level, base) in [("soft", 40.0), ("hard", 70.0)] {
            for (day, away) in [("1", 0.0), ("1", 0.2), ("2", 0.4), ("2", 0.6)] {
                rows.push((words(&[day]), words(&[level]), format!("{:.3}", base + away + shift)));
            }
        }
        rows
    };
    let findings = pooled(&protocol, &[("a", site(0.0)), ("b", site(0.6)), ("c", site(1.2))]);
    assert_eq!(y(&findings).precision.len(), 2);
    let soft = &y(&findings).precision[0];
    assert_eq!((soft.level.as_str(), soft.laboratories, soft.results), ("soft", 3, 12));
    close(soft.repeatability_sd.unwrap(), 0.02_f64.sqrt(), 1e-9, "repeatability");
    close(soft.between_variance.unwrap(), (1.44 - 0.16) / 4.0, 1e-9, "between");
    assert!(
        y(&findings)
            .cannot_tell
            .iter()
            .any(|s| s.contains("3 sites say next to nothing"))
    );
    let tables = report::tables_csv(&report::pooled(&protocol, &findings).unwrap());
    assert!(tables["y-precision"].contains("soft"), "{}", tables["y-precision"]);
}

/// What cannot be pooled is refused with its own code, all at once.
#[test]
fn what_does_not_belong_together_is_refused() {
    let (_, protocol, sites) = three_benches();
    let records: Vec<Record> = sites.iter().map(|(name, rows)| headed(name, &protocol, rows)).collect();
    let base: Vec<SiteStudy> = sites
        .iter()
        .zip(&records)
        .map(|((name, _), record)| study(name, &protocol, record))
        .collect();
    let codes = |studies: &[SiteStudy]| -> Vec<String> {
        match pool(studies) {
            Ok(_) => Vec::new(),
            Err(found) => found.iter().map(|d| d.code.to_owned()).collect(),
        }
    };
    assert_eq!(codes(&base[..1]), ["A060"]);
    assert_eq!(codes(&[base[0], base[0]]), ["A063"]);
    let other = with(protocol.clone(), |p| p.sha256 = "0".repeat(64));
    assert_eq!(codes(&[base[0], study("x", &other, &records[1])]), ["A061"]);
    let mut rehearsed = base[1];
    rehearsed.rehearsal = true;
    assert_eq!(codes(&[base[0], rehearsed]), ["A062"]);
    assert_eq!(codes(&[base[0], study("east", &protocol, &records[1])]), ["A064"]);
    let empty = Record::default();
    assert_eq!(codes(&[base[0], study("y", &protocol, &empty)]), ["A066"]);
    let mut blinded = base[1];
    blinded.blinded = true;
    assert_eq!(codes(&[base[0], blinded]), ["A067"]);
    assert_eq!(
        codes(&[base[0], study("east", &other, &empty)]),
        ["A061", "A066", "A064"]
    );
    assert!(codes(&base).is_empty());
}

/// A span that differs is named, not just a hash.
#[test]
fn a_different_span_is_named() {
    let of = |levels: &str| {
        let factors =
            format!("[factor.temperature]\nset_on = \"run\"\nlevels = {levels}\nunit = \"°C\"\nscale = \"numeric\"\n");
        as_run(RUNS, &factors, "[analysis]\nplanned = [\"temperature\"]\n")
    };
    let (one, mut other) = (of("[21, 25]"), of("[18, 28]"));
    other.sha256 = "1".repeat(64);
    let rows = |low: &str, high: &str| -> Vec<Row> {
        [(low, "1.0"), (high, "2.0"), (low, "1.2"), (high, "2.1")]
            .map(|(level, y)| (Vec::new(), words(&[level]), y.to_owned()))
            .to_vec()
    };
    let records = [
        headed("a", &one, &rows("21", "25")),
        headed("b", &other, &rows("18", "28")),
    ];
    let found = pool(&[study("a", &one, &records[0]), study("b", &other, &records[1])]).unwrap_err();
    let told = show(&found).replace('\u{a0}', " ");
    assert!(
        told.contains("span of temperature 21 °C, 25 °C against 18 °C, 28 °C"),
        "{told}"
    );
}

/// Findings hold to their schema and survive a round trip.
#[test]
fn pooled_findings_are_data() {
    let (_, protocol, sites) = three_benches();
    let schema = jsonschema::validator_for(&pool_schema()).unwrap();
    for sites in [&sites[..], &sites[..2]] {
        let findings = pooled(&protocol, sites);
        let value = serde_json::to_value(&findings).unwrap();
        let wrong: Vec<String> = schema.iter_errors(&value).map(|e| e.to_string()).collect();
        assert!(wrong.is_empty(), "{wrong:?}");
        let again: PoolFindings = serde_json::from_value(value.clone()).unwrap();
        assert_eq!(serde_json::to_value(&again).unwrap(), value);
    }
    let _ = analysis::POOL_FORMAT;
}

/// The report has a figure for each planned effect and for the level, the answer at its head, and no word that overclaims.
#[test]
fn the_pooled_report_sets_sites_side_by_side() {
    let (_, protocol, sites) = three_benches();
    let findings = pooled(&protocol, &sites);
    let document = report::pooled(&protocol, &findings).unwrap();
    let figures = report::figures(&document);
    for name in ["y-approach-1-2", "y-material-1-2", "y-level"] {
        assert!(figures.contains_key(name), "{name} in {:?}", figures.keys());
    }
    let svg = &figures["y-approach-1-2"];
    for word in [
        "east",
        "north",
        "south",
        "Mean over sites like these",
        "Expected of a further site",
    ] {
        assert!(svg.contains(word), "{word}");
    }
    let tables = report::tables_csv(&document);
    for name in [
        "y-sites",
        "y-site-by-effect",
        "y-between-sites",
        "y-ways",
        "y-without",
        "y-spreads",
        "y-local",
    ] {
        assert!(tables.contains_key(name), "{name} in {:?}", tables.keys());
    }
    assert!(tables["provenance"].contains("north"), "{}", tables["provenance"]);
}
