//! Figures: what the drawn SVG holds, and that no label overlaps another or leaves the canvas.
//!
//! The boxes are computed from the SVG text alone, apart from the code that placed the labels.
// Helpers of tests may give up like the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;
#[path = "report/fixture.rs"]
mod fixture;

use std::collections::BTreeMap;

use wellrun::analysis::{Findings, Verdict};
use wellrun::protocol::Protocol;
use wellrun::render::text_width;
use wellrun::report::{self, Block, Input, Picture};

/// A label's box: left, top, right, bottom.
#[derive(Debug, Clone)]
struct Label {
    text: String,
    size: f64,
    sides: [f64; 4],
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    let start = tag.find(&format!(" {name}=\""))? + name.len() + 3;
    tag[start..].split('"').next()
}

fn unescaped(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

fn labels(svg: &str) -> Vec<Label> {
    svg.split("<text")
        .skip(1)
        .map(|rest| {
            let (tag, rest) = rest.split_once('>').unwrap();
            let text = unescaped(rest.split("</text>").next().unwrap());
            let number = |name: &str| attribute(tag, name).unwrap().parse::<f64>().unwrap();
            let (x, y, size) = (number("x"), number("y"), number("font-size"));
            let bold = attribute(tag, "class").unwrap().contains("wr-heavy");
            let width = text_width(&text, size, bold);
            let left = match attribute(tag, "text-anchor") {
                None => x,
                Some("middle") => x - width / 2.0,
                Some("end") => x - width,
                Some(other) => panic!("{other}"),
            };
            Label {
                text,
                size,
                // Ink reaches from the height of a capital with its accent to the foot of a 'g'.
                sides: [left, y - size * 0.78, left + width, y + size * 0.22],
            }
        })
        .collect()
}

fn canvas(svg: &str) -> (f64, f64) {
    let view = attribute(svg, "viewBox").unwrap();
    let numbers: Vec<f64> = view.split(' ').map(|t| t.parse().unwrap()).collect();
    (numbers[2], numbers[3])
}

fn check(picture: &Picture) {
    let (width, height) = canvas(&picture.svg);
    let labels = labels(&picture.svg);
    assert!(labels.len() > 3, "{}", picture.name);
    for (index, label) in labels.iter().enumerate() {
        let [left, top, right, bottom] = label.sides;
        assert!(
            left >= -0.1 && top >= -0.1 && right <= width + 0.1 && bottom <= height + 0.1,
            "{}: '{}' leaves the canvas: {:?}",
            picture.name,
            label.text,
            label.sides
        );
        // 640 units are 160 mm, so a unit is 0.7087 pt: no text below 7 pt.
        assert!(label.size * 160.0 / 640.0 * 72.0 / 25.4 >= 7.0, "{}", label.text);
        for other in &labels[index + 1..] {
            let o = other.sides;
            let apart = right <= o[0] + 0.1 || o[2] <= left + 0.1 || bottom <= o[1] + 0.1 || o[3] <= top + 0.1;
            assert!(apart, "{}: '{}' and '{}' overlap", picture.name, label.text, other.text);
        }
    }
}

fn pictures(protocol: &Protocol, findings: &Findings) -> Vec<Picture> {
    let input = Input {
        protocol,
        site: None,
        plan: None,
        findings,
        note: None,
    };
    let (report, _) = report::build(&input).unwrap_or_else(|errors| panic!("{errors:?}"));
    report
        .blocks()
        .filter_map(|block| match block {
            Block::Figure(picture) => Some(picture.clone()),
            _ => None,
        })
        .collect()
}

/// Renames factors and levels everywhere.
fn renamed(mut findings: Findings, mut protocol: Protocol, name: &dyn Fn(&str) -> String) -> (Findings, Protocol) {
    let map = |levels: &BTreeMap<String, String>| levels.iter().map(|(f, l)| (name(f), name(l))).collect();
    for factor in &mut protocol.factors {
        factor.name = name(&factor.name);
        factor.numbers = None;
        factor.levels = factor.levels.iter().map(|l| name(l)).collect();
    }
    for unit in &mut protocol.units {
        unit.name = name(&unit.name);
    }
    for found in findings.responses.values_mut() {
        for effect in &mut found.effects {
            effect.factors = effect.factors.iter().map(|f| name(f)).collect();
            effect.term = effect.factors.join(" × ");
        }
        for c in &mut found.contrasts {
            (c.factor, c.from, c.to) = (name(&c.factor), name(&c.from), name(&c.to));
            c.within = map(&c.within);
        }
        for s in &mut found.slopes {
            s.factor = name(&s.factor);
        }
        for m in &mut found.means {
            m.levels = map(&m.levels);
        }
        for c in &mut found.components {
            c.source = name(&c.source);
        }
        for r in &mut found.results {
            r.levels = map(&r.levels);
            r.units = map(&r.units);
        }
    }
    (findings, protocol)
}

#[test]
fn each_figure_answers_one_question_at_its_head() {
    let found = pictures(&fixture::protocol(), &fixture::findings());
    let heads: Vec<(String, String)> = found
        .iter()
        .map(|p| (p.name.clone(), p.title.replace('\u{a0}', " ")))
        .collect();
    let expected = [
        (
            "hardness-effects",
            "Instrument C reads 1.398 Shore D higher than B; temperature moves the result by −0.189 Shore D per °C",
        ),
        (
            "hardness-means",
            "Means lie furthest apart between the levels of instrument: 55.92 to 57.32 Shore D",
        ),
        ("hardness-order", "No trend along the run order was found"),
        (
            "hardness-spread",
            "68 % of the variance of one result comes from the method, 32 % from the product",
        ),
    ];
    assert_eq!(heads, expected.map(|(name, title)| (name.to_owned(), title.to_owned())));
    for picture in &found {
        assert!(
            picture.svg.contains("role=\"img\"") && picture.svg.contains("<title") && picture.svg.contains("<desc")
        );
        assert!(picture.alt.starts_with(&picture.title), "{}", picture.alt);
        assert!(
            !picture.svg.contains("href") && !picture.svg.contains("url("),
            "{}",
            picture.name
        );
    }
}

#[test]
fn labels_neither_overlap_nor_leave_the_canvas() {
    for picture in pictures(&fixture::protocol(), &fixture::findings()) {
        check(&picture);
    }
}

#[test]
fn long_names_wrap_or_are_cut() {
    for name in [
        |text: &str| format!("{text} of the second and rather elaborately described sort"),
        |text: &str| format!("{text}-with-a-name-that-offers-no-place-to-break-it-anywhere-at-all"),
        |text: &str| format!("WWWWWWWWWWWWWWWWWWWW{text}"),
    ] {
        let (findings, protocol) = renamed(fixture::findings(), fixture::protocol(), &name);
        for picture in pictures(&protocol, &findings) {
            check(&picture);
        }
    }
}

#[test]
fn many_levels_still_fit() {
    let (mut findings, mut protocol) = (fixture::findings(), fixture::protocol());
    let found = findings.responses.get_mut("hardness").unwrap();
    let levels: Vec<String> = (1..=32).map(|i| format!("laboratory {i}")).collect();
    let (mean, contrast) = (found.grand_mean.clone(), found.contrasts[0].clone());
    for (index, result) in found.results.iter_mut().enumerate() {
        result
            .levels
            .insert("instrument".to_owned(), levels[index % 32].clone());
    }
    for (index, level) in levels.iter().enumerate() {
        let mut mean = mean.clone();
        mean.levels = BTreeMap::from([("instrument".to_owned(), level.clone())]);
        found.means.push(mean);
        for other in &levels[..index] {
            let mut contrast = contrast.clone();
            contrast.factor = "instrument".to_owned();
            (contrast.from, contrast.to) = (other.clone(), level.clone());
            found.contrasts.push(contrast);
        }
    }
    protocol.factors[2].levels = levels;
    let found = pictures(&protocol, &findings);
    found.iter().for_each(check);
    assert!(
        found[0].caption.contains("changes stand in the tables only"),
        "{}",
        found[0].caption
    );
}

#[test]
fn numbers_of_any_size_fit() {
    for scale in [1e-9, 1e-3, 1e5, 1e12] {
        let mut findings = fixture::findings();
        let found = findings.responses.get_mut("hardness").unwrap();
        found.relevant = found.relevant.map(|r| r * scale);
        let times = |value: &mut Option<f64>, by: f64| *value = value.map(|v| v * by);
        for c in &mut found.contrasts {
            c.difference *= scale;
            for v in [&mut c.standard_error, &mut c.low, &mut c.high] {
                times(v, scale);
            }
        }
        for s in &mut found.slopes {
            s.per_unit *= scale;
            for v in [&mut s.standard_error, &mut s.low, &mut s.high] {
                times(v, scale);
            }
        }
        for m in &mut found.means {
            m.mean *= scale;
            for v in [&mut m.standard_error, &mut m.low, &mut m.high] {
                times(v, scale);
            }
        }
        for c in &mut found.components {
            times(&mut c.variance, scale * scale);
            for v in [&mut c.standard_deviation, &mut c.low, &mut c.high] {
                times(v, scale);
            }
        }
        for r in &mut found.results {
            r.result *= scale;
            r.readings.iter_mut().for_each(|v| *v *= scale);
        }
        pictures(&fixture::protocol(), &findings).iter().for_each(check);
    }
}

#[test]
fn what_cannot_be_told_is_drawn_without_an_interval() {
    let mut findings = fixture::findings();
    let found = findings.responses.get_mut("hardness").unwrap();
    for c in &mut found.contrasts {
        (c.standard_error, c.low, c.high, c.p, c.verdict) = (None, None, None, None, None::<Verdict>);
    }
    for s in &mut found.slopes {
        (s.standard_error, s.low, s.high, s.p) = (None, None, None, None);
    }
    for c in &mut found.components {
        (c.variance, c.standard_deviation, c.low, c.high, c.share) = (None, None, None, None, None);
    }
    let found = pictures(&fixture::protocol(), &findings);
    found.iter().for_each(check);
    assert_eq!(
        found[0].title,
        "How certain each change is cannot be told from this study"
    );
    assert!(found[0].svg.contains("no interval") && !found[0].svg.contains("class=\"wr-bar\""));
    assert_eq!(
        found[3].title,
        "Where the spread of one result comes from cannot be told from this study"
    );
}

#[test]
fn markup_in_names_stays_text() {
    let name = |text: &str| format!("{text}<script>alert(1)</script>\"'&");
    let (findings, protocol) = renamed(fixture::findings(), fixture::protocol(), &name);
    for picture in pictures(&protocol, &findings) {
        assert!(!picture.svg.contains("<script"), "{}", picture.name);
        check(&picture);
    }
}

#[test]
fn the_same_findings_give_the_same_bytes() {
    let draw = || {
        pictures(&fixture::protocol(), &fixture::findings())
            .into_iter()
            .map(|p| p.svg)
            .collect::<Vec<_>>()
    };
    assert_eq!(draw(), draw());
}

/// Effects without replicates, a surface, and conclusions without a run: labels stay apart in each.
#[test]
fn figures_of_published_studies_keep_their_labels_apart() {
    let one_unit = "[[unit]]\nname = \"run\"\n";
    let levels = ["-1", "1"].map(str::to_owned);
    let mut drawn = Vec::new();
    for (name, letters) in [
        (
            "twolevel-sonoluminescence-2to7m3",
            &["A", "B", "C", "D", "E", "F", "G"][..],
        ),
        ("twolevel-bicycle-2to7m4", &["A", "B", "C", "D", "E", "F", "G"][..]),
        ("twolevel-filtration-rate-2to4", &["A", "B", "C", "D"][..]),
    ] {
        let case = common::Case::load(name);
        let factors: String = letters
            .iter()
            .map(|f| common::factor(&format!("{}_with_a_long_name", f.to_lowercase()), "run", &levels))
            .collect();
        let protocol = common::as_run(one_unit, &factors, "");
        let rows = common::pick(&case, &[], letters, "response");
        let findings = common::analyse(&protocol, &common::record(&protocol, &rows));
        drawn.extend(pictures(&protocol, &findings));
    }
    let factors = ["duration", "temperature"]
        .map(|f| format!("[factor.{f}]\nset_on = \"run\"\nlevels = [1000, 2000, 3000]\nscale = \"numeric\"\n"));
    let protocol = common::as_run(one_unit, &factors.concat(), "");
    let mut rows = Vec::new();
    for i in 0..18 {
        let (a, b) = (i % 3, i / 3 % 3);
        let bend = f64::from((a - 1) * (a - 1) + (b - 1) * (b - 1) - b);
        let at = |level: i32| ((level + 1) * 1000).to_string();
        rows.push((
            vec![],
            vec![at(a), at(b)],
            format!("{:.2}", 50.0 - bend + f64::from(i % 5) * 0.03),
        ));
    }
    let mut record = common::record(&protocol, &rows);
    drawn.extend(pictures(&protocol, &common::analyse(&protocol, &record)));
    record.questioned.push(wellrun::record::Questioned {
        run: 3,
        what: "y".to_owned(),
        text: rows[2].2.clone(),
        why: "odd".to_owned(),
    });
    drawn.extend(pictures(&protocol, &common::analyse(&protocol, &record)));
    for kind in ["stands-out", "surface", "without-questioned"] {
        assert!(drawn.iter().any(|picture| picture.name.ends_with(kind)), "{kind}");
    }
    drawn.iter().for_each(check);
}
