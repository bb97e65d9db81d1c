//! Spots: one for each reading, none too close to another, spread over treatments, drawn so that a stranger can repeat it.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use wellrun::diagnostic::Source;
use wellrun::numeric::distribution::chi2_upper;
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, SpotMap};
use wellrun::protocol::Protocol;
use wellrun::sheet;

use super::support::{FACTORS, codes, freeze, protocol};

/// Sessions that the same rollers come back in, two runs on each.
const CROSSED: &str = "[[unit]]\nname = \"session\"\ncount = 3\n[[unit]]\nname = \"roller\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\n";
const RUN_FACTOR: &str = "[factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n";

fn study(positions: &str) -> Protocol {
    protocol(
        CROSSED,
        RUN_FACTOR,
        &format!("[positions]\non = \"roller\"\n{positions}"),
    )
}

fn map(protocol: &Protocol, seed: u64) -> SpotMap {
    let runs = plan::draw(protocol, "", seed).unwrap();
    plan::spot_map(protocol, &runs, &|purpose| Stream::named(&format!("{seed} {purpose}")))
        .unwrap()
        .unwrap()
}

/// Distance in a straight line, in mm.
fn chord(protocol: &Protocol, map: &SpotMap, one: usize, other: usize) -> f64 {
    let shape = protocol.bench.positions.as_ref().unwrap().shape;
    let [a, b] = [one, other].map(|number| plan::in_space(shape, map.spots[number - 1].at));
    a.iter().zip(&b).map(|(x, y)| (x - y) * (x - y)).sum::<f64>().sqrt()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// On every shape: no spot of a specimen comes twice in the study, none is closer than the pitch to another one, none lies in
    /// a zone, and every run has as many readings in each sector as every other.
    #[test]
    fn spots_are_apart_and_shared_out(kind in 0_usize..4, size in 55_u32..120, pitch in 4_u32..8, seed in 0_u64..500) {
        let shape = match kind {
            0 => format!("shape = \"flat rectangle\"\nlength = {size}\nwidth = 50\n"),
            1 => format!("shape = \"disc\"\ndiameter = {size}\n"),
            2 => format!("shape = \"cylinder\"\ndiameter = {size}\nlength = 50\n"),
            _ => format!("shape = \"sphere\"\ndiameter = {size}\n"),
        };
        let zone = match kind {
            0 => "along = [0, 20]\nacross = [0, 20]\n",
            _ => "around = [350, 20]\n",
        };
        let protocol = study(&format!("{shape}pitch = {pitch}\nedge = 5\n[[positions.zone]]\nname = \"gate\"\n{zone}"));
        let map = map(&protocol, seed);
        let mut of_specimen: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (spots, specimen) in map.of_run.iter().zip(&map.specimen) {
            prop_assert_eq!(spots.len(), 2);
            of_specimen.entry(*specimen).or_default().extend(spots);
        }
        prop_assert_eq!(of_specimen.len(), 2);
        for numbers in of_specimen.values() {
            prop_assert_eq!(numbers.iter().collect::<BTreeSet<_>>().len(), 3 * 2 * 2);
            for (index, &one) in numbers.iter().enumerate() {
                let at = map.spots[one - 1].at;
                let in_zone = match kind {
                    0 => at[0] <= 20.0 && at[1] <= 20.0,
                    _ => at[1] >= 350.0 || at[1] <= 20.0,
                };
                prop_assert!(!in_zone, "{:?}", at);
                for &other in &numbers[..index] {
                    prop_assert!(chord(&protocol, &map, one, other) >= f64::from(pitch) - 1e-6);
                }
            }
        }
        // Two sectors: the first half of the spots by number (one more if odd), and the rest.
        let first = map.spots.len().div_ceil(2);
        for spots in &map.of_run {
            prop_assert_eq!(spots.iter().filter(|number| **number <= first).count(), 1);
        }
    }
}

/// Closed form: four spots in two sectors, two runs of two readings on one specimen: 2 orders in each sector and 2 beginnings of each
/// run are 16 arrangements. Chi-square at the 0.1 % level, fixed seeds.
#[test]
fn every_sharing_out_is_equally_likely() {
    let protocol = protocol(
        "[[unit]]\nname = \"roller\"\ncount = 1\n[[unit]]\nname = \"run\"\nwithin = \"roller\"\n",
        RUN_FACTOR,
        "[positions]\non = \"roller\"\nshape = \"flat rectangle\"\nlength = 42\nwidth = 24\npitch = 6\nedge = 12\n",
    );
    let draws = 3_200;
    let mut counts: BTreeMap<Vec<Vec<usize>>, usize> = BTreeMap::new();
    for seed in 0..draws {
        let map = map(&protocol, seed);
        assert_eq!(map.spots.len(), 4);
        *counts.entry(map.of_run).or_default() += 1;
    }
    assert_eq!(counts.len(), 16);
    let each = draws as f64 / 16.0;
    let statistic: f64 = counts.values().map(|&n| (n as f64 - each).powi(2) / each).sum();
    assert!(chi2_upper(statistic, 15.0) > 0.001, "{counts:?}");
}

/// Closed form: a plate of 60 × 36 mm holds 21 spots, and 3 sessions of 2 runs of 2 readings are 12; one of 36 × 36 mm holds 9.
#[test]
fn a_specimen_without_room_is_refused_with_the_count_that_fits() {
    let sizes =
        |length: u32| format!("shape = \"flat rectangle\"\nlength = {length}\nwidth = 36\npitch = 6\nedge = 12\n");
    assert!(plan::skeleton(&study(&sizes(60))).is_ok());
    let found = plan::skeleton(&study(&sizes(36))).unwrap_err();
    assert_eq!(codes(&found), ["D042"]);
    let problem = found.iter().next().unwrap();
    assert!(
        problem.message.contains("room for 9 spots") && problem.message.contains("= 12 readings"),
        "{}",
        problem.message
    );
    assert!(problem.help.as_ref().unwrap().starts_with("4 runs of 2 readings fit"));
    for positions in [
        "shape = \"disc\"\ndiameter = 0.001\npitch = 6\nedge = 12\n",
        "shape = \"sphere\"\ndiameter = 0.001\npitch = 6\n",
        "shape = \"cylinder\"\ndiameter = 1\nlength = 1\npitch = 0.0001\nedge = 12\n",
        "shape = \"disc\"\ndiameter = 60\npitch = 6\nedge = 12\n[[positions.zone]]\nname = \"all\"\naround = [0, 360]\n",
    ] {
        let text = super::support::text(
            CROSSED,
            RUN_FACTOR,
            &format!("[positions]\non = \"roller\"\n{positions}"),
        );
        if let Ok((protocol, _)) = super::support::read(&text) {
            assert_eq!(codes(&plan::skeleton(&protocol).unwrap_err()), ["D042"], "{positions}");
        }
    }
}

/// The file holds what the sheet shows, reads back, and a changed one is noticed at the line.
#[test]
fn positions_are_frozen_with_the_plan() {
    let protocol = study("shape = \"cylinder\"\ndiameter = 60\nlength = 60\npitch = 6\nedge = 12\n");
    let plan = freeze(&protocol, 11);
    let text = plan::positions_csv(&protocol, &plan).unwrap().unwrap();
    assert_eq!(text.lines().count(), 1 + 12 * 2);
    assert!(plan.header.positions_sha256.is_some());
    let check = |text: &str| plan::check_positions(&Source::new("positions.csv", text), &protocol, &plan);
    assert!(check(&text).is_ok() && check(&text.replace('\n', "\r\n")).is_ok());
    let changed = text.replacen("\n3,hardness,1,", "\n3,hardness,1,1", 1);
    let found = check(&changed).unwrap_err();
    assert_eq!(codes(&found), ["D044"]);
    let place = &found.iter().next().unwrap().places[0];
    assert_eq!(changed[..place.span.start].lines().count(), 5);

    let map = plan::spots_of(&protocol, &plan).unwrap().unwrap();
    let csv = sheet::csv(&protocol, None, &plan);
    let at = csv
        .lines()
        .next()
        .unwrap()
        .split(',')
        .position(|cell| cell == "spots")
        .unwrap();
    for (line, spots) in csv.lines().skip(1).zip(&map.of_run) {
        let cell = line.split(',').nth(at).unwrap();
        assert_eq!(
            cell,
            spots.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
        );
    }
    let view = sheet::data(&protocol, None, &plan);
    let mut used: BTreeMap<usize, u64> = BTreeMap::new();
    for (run, specimen) in view["runs"].as_array().unwrap().iter().zip(&map.specimen) {
        let before = used.entry(*specimen).or_default();
        assert_eq!(run["map"]["used"].as_u64().unwrap(), *before);
        let crosses = run["map"]["svg"].as_str().unwrap().matches("m0 -").count();
        assert_eq!(crosses as u64, *before, "each used spot is crossed off");
        *before += 2;
    }
    assert_eq!(view["positions"]["room"].as_u64().unwrap() as usize, map.spots.len());
}

/// The text of a protocol does not get into the drawing.
#[test]
fn a_zone_cannot_bring_markup_into_the_map() {
    let protocol = study(
        "shape = \"disc\"\ndiameter = 90\npitch = 6\nedge = 12\nzero = \"<script>alert(1)</script>\"\n[[positions.zone]]\nname = \"<b onload=x>#eval\"\nradius = [0, 5]\n",
    );
    let view = sheet::data(&protocol, None, &freeze(&protocol, 1));
    let html = wellrun::render::html(&wellrun::render::Templates::shipped(), "sheet.html.jinja", &view).unwrap();
    assert!(!html.contains("<script>alert") && !html.contains("<b onload"));
    assert!(html.contains("&lt;b onload"));
    assert!(html.contains("<svg") && html.contains("Spots of this run on the disc"));
}

/// The description is enough: plain Python shares out the same spots and draws the same codes.
#[test]
fn a_stranger_can_repeat_spots_and_codes() {
    let mut protocol = protocol(
        "[[unit]]\nname = \"session\"\ncount = 4\n[[unit]]\nname = \"roller\"\ncount = 4\n[[unit]]\nname = \"run\"\nwithin = [\"session\", \"roller\"]\n",
        "[factor.temperature]\nset_on = \"session\"\nlevels = [21, 25]\n[factor.finish]\nset_on = \"roller\"\nlevels = [\"turned\", \"waxed\"]\n[factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]\n",
        "[positions]\non = \"roller\"\nshape = \"flat rectangle\"\nlength = 60\nwidth = 36\npitch = 6\nedge = 12\n[blinding]\nfactors = [\"finish\"]\n",
    );
    protocol.drawn_as = "0123456789abcdef".repeat(4);
    let plan = freeze(&protocol, 20_260_302);
    let map = plan::spots_of(&protocol, &plan).unwrap().unwrap();
    let blind = plan::Blind::of(&protocol, "", 20_260_302);
    let mut ours = format!("{} {}\n", blind.code(1, 0).unwrap(), blind.code(1, 1).unwrap());
    for spots in &map.of_run {
        ours.push_str(&spots[0].to_string());
        ours.push(' ');
        ours.push_str(&spots[1].to_string());
        ours.push('\n');
    }
    // Printed by `tests/draw/repeat.py spots` (Python 3.11, standard library only).
    assert_eq!(ours, std::fs::read_to_string("tests/draw/repeated-spots.txt").unwrap());
}

/// Two units of specimens within each other: the path tells them apart.
#[test]
fn a_specimen_is_known_by_all_units_above_it() {
    let protocol = protocol(
        "[[unit]]\nname = \"batch\"\ncount = 2\n[[unit]]\nname = \"roller\"\nwithin = \"batch\"\ncount = 3\n[[unit]]\nname = \"run\"\nwithin = \"roller\"\n",
        FACTORS,
        "[positions]\non = \"roller\"\nshape = \"sphere\"\ndiameter = 50\npitch = 6\n",
    );
    let map = map(&protocol, 2);
    assert_eq!(map.specimen.iter().collect::<BTreeSet<_>>().len(), 6);
    assert!(map.specimen.chunks(4).all(|runs| runs.iter().all(|s| s == &runs[0])));
}
