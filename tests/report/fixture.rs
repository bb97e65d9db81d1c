//! An invented roller study: findings from `findings.json`, results from a small seeded generator.
//!
//! The numbers in `findings.json` were computed from these very results by the textbook formulas for strata of a
//! balanced layout (numpy 2, scipy 1.17.1 for the tails of t and F), so that figures and tables agree.
#![allow(dead_code)]

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use wellrun::analysis::{Findings, RunResult};
use wellrun::plan::{Plan, PlanHeader, PlannedRun};
use wellrun::protocol::*;

/// The findings, with results and readings.
pub fn findings() -> Findings {
    let mut findings: Findings = serde_json::from_str(include_str!("findings.json")).unwrap();
    let found = findings.responses.get_mut("hardness").unwrap();
    let grand = found.grand_mean.mean;
    let means: BTreeMap<(String, String), f64> = found
        .means
        .iter()
        .filter(|m| m.levels.len() == 1)
        .map(|m| {
            let (factor, level) = m.levels.iter().next().unwrap();
            ((factor.clone(), level.clone()), m.mean)
        })
        .collect();
    found.results = results();
    for result in &mut found.results {
        let moved: f64 = result
            .levels
            .iter()
            .map(|(factor, level)| means[&(factor.clone(), level.clone())] - grand)
            .sum();
        result.fitted = Some(grand + moved);
        result.residual = Some(result.result - grand - moved);
    }
    findings
}

/// The same study with four runs missing, as the mixed model leaves it: no sums of squares, no strata, degrees of freedom
/// that need not be whole, and an interval here and there that cannot be told. The numbers are near those of the whole study.
pub fn mixed() -> Findings {
    let mut findings = findings();
    let missing = [9, 40, 41, 77];
    findings.record.runs_complete -= missing.len();
    findings.record.runs_missing = missing.to_vec();
    let found = findings.responses.get_mut("hardness").unwrap();
    found.results.retain(|r| !missing.contains(&r.run));
    found.runs -= missing.len();
    found.readings -= 10 * missing.len();
    found.missing = 10 * missing.len();
    "mixed model by restricted maximum likelihood, tests after Kenward and Roger".clone_into(&mut found.model.method);
    found.model.residual_df = 0;
    found.model.log_likelihood = Some(-21.4);
    found.residual.df = 0;
    found.strata.clear();
    for effect in &mut found.effects {
        (effect.sum_of_squares, effect.mean_square) = (None, None);
        (effect.p_randomization, effect.randomization) = (None, None);
        effect.denominator_df = effect.denominator_df.map(|df| df - 0.37);
    }
    for component in &mut found.components {
        component.df = None;
        // At the edge of what a variance can be, with one end of its interval not found.
        if component.source == "session" {
            component.variance = Some(0.0);
            component.low = None;
        }
        if component.source == "roller" {
            component.high = None;
        }
    }
    let last = found.contrasts.last_mut().unwrap();
    (last.standard_error, last.df, last.low, last.high) = (None, None, None, None);
    (last.p, last.p_adjusted, last.verdict) = (None, None, None);
    findings
}

struct Draw(u64);

impl Draw {
    fn part(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.part()).sum::<f64>() - 6.0
    }

    fn shuffled(&mut self, count: usize) -> Vec<usize> {
        let mut order: Vec<usize> = (0..count).collect();
        for at in (1..count).rev() {
            let other = (self.part() * (at + 1) as f64) as usize;
            order.swap(at, other);
        }
        order
    }
}

const TEMPERATURES: [&str; 4] = ["21", "25", "25", "21"];
const FINISHES: [&str; 2] = ["turned", "waxed"];
const INSTRUMENTS: [(&str, f64); 3] = [("A", 0.0), ("B", -0.55), ("C", 0.85)];

fn results() -> Vec<RunResult> {
    let mut draw = Draw(20_260_711);
    let sessions: Vec<f64> = (0..4).map(|_| 0.12 * draw.normal()).collect();
    let rollers: Vec<f64> = (0..8).map(|_| 0.45 * draw.normal()).collect();
    let mut all: Vec<RunResult> = Vec::new();
    for session in 0..4 {
        for roller in draw.shuffled(8) {
            for instrument in draw.shuffled(3) {
                let spread = 0.2 * draw.normal();
                let temperature: f64 = TEMPERATURES[session].parse().unwrap();
                let finish = if roller % 2 == 1 { -0.25 } else { 0.0 };
                let truth = 56.8 - 0.18 * (temperature - 23.0)
                    + finish
                    + INSTRUMENTS[instrument].1
                    + sessions[session]
                    + rollers[roller]
                    + spread;
                let readings: Vec<f64> = (0..10)
                    .map(|_| ((truth + 0.6 * draw.normal()) * 10.0 + 0.5).floor() / 10.0)
                    .collect();
                let run = all.len() + 1;
                let text = |name: &str, value: &str| (name.to_owned(), value.to_owned());
                all.push(RunResult {
                    run,
                    position: match run {
                        17 => 18,
                        18 => 17,
                        other => other,
                    },
                    units: BTreeMap::from([
                        text("session", &(session + 1).to_string()),
                        text("roller", &format!("R{}", roller + 1)),
                    ]),
                    levels: BTreeMap::from([
                        text("temperature", &format!("{}\u{a0}°C", TEMPERATURES[session])),
                        text("finish", FINISHES[roller % 2]),
                        text("instrument", INSTRUMENTS[instrument].0),
                    ]),
                    result: readings.iter().sum::<f64>() / 10.0,
                    readings,
                    fitted: None,
                    residual: None,
                });
            }
        }
    }
    all
}

fn strings(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|&text| text.to_owned()).collect()
}

/// The protocol behind the findings.
pub fn protocol() -> Protocol {
    let unit = |name: &str, count: usize, within: &[usize], part_of: PartOf| Unit {
        name: name.to_owned(),
        count,
        within: within.to_vec(),
        part_of,
        set_up: Vec::new(),
        set_up_minutes: 5.0,
    };
    let factor = |name: &str, set_on: usize, levels: &[&str], part_of: PartOf| Factor {
        name: name.to_owned(),
        set_on,
        levels: strings(levels),
        numbers: None,
        unit: String::new(),
        part_of,
        named_by_site: false,
        random: false,
        carries_over: false,
        carries_within: None,
        compare_with: None,
        how: String::new(),
        centre: None,
    };
    Protocol {
        study: Study {
            id: "roller-reading-spread".to_owned(),
            version: "1.0".to_owned(),
            title: "What moves a Shore D reading on a drive roller?".to_owned(),
            question: "Which part of the spread in readings comes from the method, and which from the roller?"
                .to_owned(),
            kind: StudyKind::VarianceInvestigation,
            method: "Type D durometer on an operating stand".to_owned(),
            source: String::new(),
        },
        responses: vec![Response {
            name: "hardness".to_owned(),
            measurand: "Apparent Shore D hardness of the cover at the crown line, mean of ten places round the roller"
                .to_owned(),
            unit: "Shore D".to_owned(),
            resolution: Decimal::new(1, 1),
            possible: Some((Decimal::new(0, 0), Decimal::new(100, 0))),
            expected: Some((Decimal::new(55, 0), Decimal::new(80, 0))),
            readings: 10,
            reading_time: "1 s after firm contact".to_owned(),
            result: Statistic::Mean,
            round_to: Some(Decimal::new(1, 1)),
            limit: Some(Limit::AtLeast(Decimal::new(55, 0))),
            tolerance: None,
            relevant: Some(Decimal::new(5, 1)),
        }],
        units: vec![
            unit("session", 4, &[], PartOf::Method),
            unit("roller", 8, &[], PartOf::Product),
            unit("run", 3, &[0, 1], PartOf::Method),
        ],
        factors: vec![
            Factor {
                numbers: Some(vec![Decimal::new(21, 0), Decimal::new(25, 0)]),
                unit: "°C".to_owned(),
                ..factor("temperature", 0, &["21", "25"], PartOf::Method)
            },
            Factor {
                random: false,
                carries_over: true,
                carries_within: None,
                compare_with: None,
                ..factor("finish", 1, &["turned", "waxed"], PartOf::Product)
            },
            Factor {
                named_by_site: true,
                ..factor("instrument", 2, &["A", "B", "C"], PartOf::Method)
            },
        ],
        conditions: Vec::new(),
        design: Design {
            set: None,
            budget: None,
            treatments: Treatments::FullFactorial,
            replicates: 1,
            order: Order::Randomized,
        },
        analysis: AnalysisPlan {
            planned: vec![vec![0], vec![1], vec![2], vec![1, 2]],
            interactions: 2,
            confidence: 0.95,
            model: wellrun::protocol::ModelPlan::default(),
            comparisons: Comparisons::Together,
        },
        assumed: Vec::new(),
        precision: None,
        measurement_system: None,
        references: Vec::new(),
        measurement: wellrun::protocol::Measurement::default(),
        replication: Replication::default(),
        procedure: Procedure {
            before_study: strings(&[
                "Check each instrument on the test block; write the readings on the sheet.",
                "Mark the zero line and the ten places on each roller.",
            ]),
            before_run: strings(&["Wipe the indenter; take two readings on the clean block and discard them."]),
            after_run: strings(&["Put the guard cap on."]),
            after_study: Vec::new(),
            cautions: strings(&[
                "The indenter pierces skin: guard cap on whenever the instrument is idle.",
                "The stand's mass comes down with 5 kg: fingers off the platen.",
            ]),
            run_minutes: 2.0,
            reading_minutes: 0.3,
        },
        bench: wellrun::protocol::Bench::default(),
        sha256: "6d0f3c6b1a4e5f7089b2c3d4e5f60718293a4b5c6d7e8f90a1b2c3d4e5f60718".to_owned(),
        drawn_as: String::new(),
    }
}

/// The site where it was done.
pub fn site() -> Site {
    let named = |level: usize, serial: &str, certificate: &str| Named {
        factor: 2,
        level,
        description: "Type D durometer, digital display".to_owned(),
        serial: serial.to_owned(),
        certificate: certificate.to_owned(),
        calibrated: "2026-03-02".to_owned(),
        due: "2027-03-01".to_owned(),
        tolerance: Some(Decimal::new(10, 1)),
    };
    let person = |code: &str, role: &str| Person {
        code: code.to_owned(),
        role: role.to_owned(),
    };
    Site {
        id: "north-bench".to_owned(),
        name: "North bench".to_owned(),
        room: "Room 2, stand 1".to_owned(),
        dates: ("2026-07-13".to_owned(), "2026-07-16".to_owned()),
        people: vec![person("NB1", "operator"), person("NB2", "lead")],
        named: vec![
            named(0, "D-1042", "C-26-118"),
            named(1, "D-1377", "C-26-119"),
            named(2, "D-2090", ""),
        ],
        labels: Vec::new(),
        travelling: Vec::new(),
        sha256: "0f1e2d3c4b5a69788796a5b4c3d2e1f00f1e2d3c4b5a69788796a5b4c3d2e1f0".to_owned(),
    }
}

/// The plan of the 96 runs, as the findings have them.
pub fn plan(findings: &Findings) -> Plan {
    let runs: Vec<PlannedRun> = findings.responses["hardness"]
        .results
        .iter()
        .map(|r| PlannedRun {
            run: r.run,
            units: vec![
                r.units["session"].parse().unwrap(),
                r.units["roller"].trim_start_matches('R').parse().unwrap_or(1),
                (r.run - 1) % 3 + 1,
            ],
            levels: vec![0, 0, 0],
        })
        .collect();
    let from = &findings.provenance;
    Plan {
        header: PlanHeader {
            wellrun_plan: 1,
            study: findings.study.id.clone(),
            version: findings.study.version.clone(),
            protocol_sha256: findings.study.protocol_sha256.clone(),
            site: findings.study.site.clone(),
            site_sha256: from.site_sha256.clone(),
            seed: from.seed.clone(),
            algorithm: from.algorithm.clone(),
            tool: from.tool.clone(),
            frozen_at: from.frozen_at.clone(),
            plan_sha256: from.plan_sha256.clone(),
            runs: runs.len(),
            tries: None,
            carry_over_spread: None,
            key_sha256: None,
            positions_sha256: None,
            rehearsal: false,
        },
        runs,
    }
}

/// A note of the author.
pub const NOTE: &str = "\
# What we make of it

Instrument C reads {{value: hardness.contrasts.instrument.B.C.difference}} above B
({{value: hardness.contrasts.instrument.B.C.interval}}). Both are *within* their tolerance of 1 Shore D.

## What we will do

1. Correct C by its certificate before the next study.
2. Keep the room at 23 °C: each degree moves the result by {{value: hardness.slopes.temperature.per_unit}}.

| Source | Share |
|:-------|------:|
| method | {{value: hardness.spread.method.share}} |
| product | {{value: hardness.spread.product.share}} |
";
