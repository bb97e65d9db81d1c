//! Power and size against published values, closed forms, and the studies that `plan` warns of.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use wellrun::analysis::{self, EffectPower, Power, PowerOptions};
use wellrun::diagnostic::{Severity, Source};
use wellrun::protocol::{self, Protocol};
use wellrun::stats::power::f_power;

const EXACT: PowerOptions = PowerOptions {
    target: 0.8,
    simulations: 0,
    mend: true,
};

/// A protocol with some units, factors and assumptions, one reading a run, relevant size 1.
fn study(units: &str, factors: &str, assumed: &str, planned: &str) -> Protocol {
    let text = format!(
        "wellrun = 1\n[study]\nid = \"t\"\nversion = \"1\"\ntitle = \"T\"\nquestion = \"Q\"\nkind = \"ruggedness test\"\n\
         method = \"M\"\n[response.y]\nmeasurand = \"Y\"\nunit = \"mm\"\nresolution = 0.1\nreadings = 1\nreading_time = \"any\"\n\
         result = \"mean\"\nround_to = \"none\"\nrelevant = 1\n{units}\n{factors}\n[assumed.y]\nsource = \"S\"\n{assumed}\n\
         [analysis]\nplanned = {planned}\n"
    );
    let (protocol, _) = protocol::read(&Source::new("protocol.toml", text)).unwrap_or_else(|wrong| {
        panic!("{}", wrong.iter().map(|d| d.render(false)).collect::<String>());
    });
    protocol
}

fn unit(name: &str, rest: &str) -> String {
    format!("[[unit]]\nname = \"{name}\"\n{rest}\n")
}

fn factor(name: &str, set_on: &str, levels: &str) -> String {
    format!("[factor.{name}]\nset_on = \"{set_on}\"\nlevels = {levels}\n")
}

fn power(protocol: &Protocol) -> Power {
    analysis::power(protocol, None, &EXACT, &|_, _| {}).unwrap()
}

fn first(power: &Power) -> &EffectPower {
    &power.responses[0].effects[0]
}

/// Class: published. Two groups of 20, difference 1, standard deviation 1: 0.8689528 (documentation of `power.t.test`
/// in R, from memory, confirmed by `tests/reference/power-t-f-tests`). How the standard deviation is made up of runs and
/// readings does not matter. The published value leaves out the 10⁻⁷ of findings with the wrong sign.
#[test]
fn two_groups_as_published() {
    for assumed in ["{ run = 1 }", "{ run = 0.8, reading = 0.6 }"] {
        let protocol = study(
            &unit("run", "count = 40"),
            &factor("f", "run", "[\"a\", \"b\"]"),
            &format!("spread = {assumed}"),
            "[\"f\"]",
        );
        let power = power(&protocol);
        assert!((first(&power).power.unwrap() - 0.868_952_8).abs() < 5e-7);
        assert!(power.warnings().is_empty());
    }
}

/// Class: published. Four groups of 5, variance between groups 1, within 3: 0.3535594 (documentation of
/// `power.anova.test` in R, from memory, confirmed likewise). The extreme groups lie √6 apart, the others half-way.
#[test]
fn four_groups_as_published() {
    let protocol = study(
        &unit("run", "count = 20"),
        &factor("f", "run", "[\"a\", \"b\", \"c\", \"d\"]"),
        &format!(
            "spread = {{ run = {} }}\n[[assumed.y.effect]]\nof = \"f\"\nrelevant = {}",
            "1.73205080757", "2.44948974278"
        ),
        "[\"f\"]",
    );
    assert!((first(&power(&protocol)).power.unwrap() - 0.353_559_4).abs() < 1e-6);
}

/// Class: closed form. Split plots: 6 sessions with 4 runs; ξ(session) = 4σ² + τ², ξ(run) = τ²; λ = N Δ²/4 over ξ for a
/// main effect and N Δ²/16 over ξ for an interaction.
#[test]
fn each_effect_is_judged_in_its_own_stratum() {
    let protocol = split_plot(6);
    let power = power(&protocol);
    let effects = &power.responses[0].effects;
    let (session, run) = (4.0 * 0.25 + 1.0, 1.0);
    for (effect, want) in effects.iter().zip([
        f_power(24.0 / 4.0 / session, 1.0, 4.0, 0.05),
        f_power(24.0 / 4.0 / run, 1.0, 16.0, 0.05),
        f_power(24.0 / 16.0 / run, 1.0, 16.0, 0.05),
    ]) {
        assert!((effect.power.unwrap() - want).abs() < 1e-12, "{}", effect.term);
        let detectable = effect.detectable.unwrap();
        let squares = if effect.term == "whole × sub" {
            24.0 / 16.0
        } else {
            24.0 / 4.0
        };
        let error = if effect.term == "whole" { session } else { run };
        let there = f_power(
            squares * detectable * detectable / error,
            1.0,
            effect.error_df.unwrap(),
            0.05,
        );
        assert!((there - 0.8).abs() < 1e-9);
    }
}

fn split_plot(sessions: usize) -> Protocol {
    study(
        &[
            unit("session", &format!("count = {sessions}")),
            unit("run", "within = \"session\"\ncount = 4"),
        ]
        .concat(),
        &[
            factor("whole", "session", "[\"a\", \"b\"]"),
            factor("sub", "run", "[\"a\", \"b\"]"),
        ]
        .concat(),
        "spread = { session = 0.5, run = 1 }",
        "[\"whole\", \"sub\"]",
    )
}

/// The mend names the unit, and with the count it gives the power is there; with one set less it is not.
#[test]
fn the_mend_is_the_smallest_count_that_does() {
    let power = power(&split_plot(6));
    let whole = first(&power);
    assert!(whole.power.unwrap() < 0.8);
    let mend = whole.mends.iter().find(|mend| mend.more_of == "session").unwrap();
    let at = |sessions: usize| first(&self::power(&split_plot(sessions))).power.unwrap();
    assert!(at(mend.to) >= 0.8 && at(mend.to - 2) < 0.8, "{mend:?}");
    assert!((at(mend.to) - mend.power).abs() < 1e-12);
    let warnings = power.warnings();
    assert_eq!(warnings.count(Severity::Warning), 2);
    let text: String = warnings.iter().map(|d| d.render(false)).collect();
    assert!(
        text.contains("D030") && text.contains(&format!("`count = {}`", mend.to)),
        "{text}"
    );
    assert!(
        !text.contains("whole × sub"),
        "an effect nobody planned is no reason to warn: {text}"
    );
}

/// A factor set once per level has no error term, and no number of readings changes that.
#[test]
fn without_an_error_term_there_is_no_power() {
    let power = power(&split_plot(2));
    assert_eq!(first(&power).power, None);
    assert_eq!(first(&power).method, "no error term");
    assert!(first(&power).curve.is_empty());
}

/// Class: invariance. Power does not change with the unit of measure.
#[test]
fn the_unit_of_measure_changes_nothing() {
    let millimetres = split_plot(8);
    let mut micrometres = millimetres.clone();
    for spread in &mut micrometres.assumed[0].spreads {
        spread.sd *= 1000.0;
    }
    micrometres.responses[0].relevant = Some(1000.into());
    for (a, b) in power(&millimetres).responses[0]
        .effects
        .iter()
        .zip(&power(&micrometres).responses[0].effects)
    {
        assert!((a.power.unwrap() - b.power.unwrap()).abs() < 1e-12);
        assert!((1000.0 * a.detectable.unwrap() / b.detectable.unwrap() - 1.0).abs() < 1e-9);
    }
}

/// A figure for each response: the answer is its title, and each curve is told in words.
#[test]
fn the_figure_says_what_is_found() {
    let figures = wellrun::report::power_figures(&power(&split_plot(6)));
    assert_eq!(figures.len(), 1);
    let figure = &figures[0];
    assert_eq!(figure.name, "power-y");
    assert!(
        figure.title.contains("whole") && figure.title.ends_with("too little"),
        "{}",
        figure.title
    );
    assert!(figure.description.contains("sub: found with"), "{}", figure.description);
    assert!(figure.svg.contains("relevant: 1 mm"));
}

#[test]
fn nothing_assumed_is_said() {
    let mut protocol = split_plot(6);
    protocol.assumed.clear();
    let wrong = analysis::power(&protocol, None, &EXACT, &|_, _| {}).unwrap_err();
    assert_eq!(wrong.iter().next().unwrap().code, "D031");
}
