//! What is assumed of a response before there are readings: spreads, and sizes of effects.
//!
//! In:  the tree of a protocol, with its units and factors.
//! Out: one `Assumed` for each table `[assumed.RESPONSE]`.
//!
//! | name      | symbol | meaning                                                                          |
//! |-----------|--------|----------------------------------------------------------------------------------|
//! | spread    | σ      | standard deviation of what a unit adds to every reading in it, around 0          |
//! | size      | Δ      | last level minus first level; for an interaction the difference of differences   |
//! | weight    | w      | share of Δ that a combination of levels gets: Π over the factors, each from −½ to ½ |
//!
//! Never here: what follows from it (analysis), or what happened (record).

use std::collections::BTreeMap;

use super::model::{Effect, Factor, FactorId, ResponseId, Unit, UnitId};
use super::number::Exact;
use super::structure::{above, did_you_mean, unit_called};
use super::tree::{Item, Span, Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// What is assumed of one response.
#[derive(Debug, Clone)]
pub struct Assumed {
    /// The response.
    pub response: ResponseId,
    /// Where the spreads come from.
    pub source: String,
    /// Mean of all readings.
    pub mean: Option<f64>,
    /// Spread of the units; every unit has one, combinations of crossed units only where one is stated.
    pub spreads: Vec<Spread>,
    /// Standard deviation of the readings within a run; 0 for one reading a run without a stated one.
    pub reading: f64,
    /// Effects of which more is assumed.
    pub effects: Vec<AssumedEffect>,
    /// Change of the readings from the first run to the last.
    pub drift: f64,
    /// What levels leave behind for the run after them.
    pub residues: Vec<AssumedResidue>,
    /// What controls read at the middle of the study, by index in `Bench::controls`.
    pub controls: BTreeMap<usize, f64>,
}

/// What the levels of a factor are assumed to leave behind for the run after.
#[derive(Debug, Clone, PartialEq)]
pub struct AssumedResidue {
    /// The factor.
    pub factor: FactorId,
    /// What the run after one at each level reads more.
    pub values: Vec<f64>,
    /// Nothing is left behind from one of these units to the next.
    pub within: Option<UnitId>,
}

/// The spread of a unit, or of what units that cross do together.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// The unit; or several of which none lies above another, in declared order.
    pub units: Vec<UnitId>,
    /// Standard deviation from one to the next, in the unit of the response; 0 or above.
    pub sd: f64,
}

/// What is assumed of one effect.
#[derive(Debug, Clone, PartialEq)]
pub struct AssumedEffect {
    /// The effect.
    pub effect: Effect,
    /// Size that the study must find.
    pub relevant: Option<f64>,
    /// Size it is assumed to have; `None` for no effect.
    pub size: Option<AssumedSize>,
}

/// The size that an effect is assumed to have.
#[derive(Debug, Clone, PartialEq)]
pub enum AssumedSize {
    /// Last level minus first; for an interaction the difference of differences.
    Difference(f64),
    /// What each level of the one factor adds.
    Values(Vec<f64>),
}

impl AssumedEffect {
    /// What the effect adds to a reading at some levels (one index for each factor of the protocol).
    #[must_use]
    pub fn value(&self, factors: &[Factor], levels: &[usize]) -> f64 {
        match &self.size {
            None => 0.0,
            Some(AssumedSize::Difference(difference)) => {
                let shares = self.effect.iter().map(|&f| weight(&factors[f], levels[f]));
                difference * shares.product::<f64>()
            }
            Some(AssumedSize::Values(values)) => {
                let level = self.effect.first().map_or(0, |&f| levels[f]);
                values.get(level).copied().unwrap_or(0.0)
            }
        }
    }
}

/// The share of a difference that a level gets. Categories: first level −½, last ½, others 0. Numeric: the level
/// minus the mean of the levels, over the range of the levels.
#[must_use]
pub fn weight(factor: &Factor, level: usize) -> f64 {
    let last = factor.levels.len().saturating_sub(1);
    let Some(centred) = factor.centred_levels() else {
        return match level {
            0 => -0.5,
            level if level == last => 0.5,
            _ => 0.0,
        };
    };
    let high = centred.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = centred.iter().copied().fold(f64::INFINITY, f64::min);
    centred[level] / (high - low)
}

/// Reads the tables `[assumed.RESPONSE]`.
pub(super) fn read(
    desk: &mut Desk<'_>,
    root: &Tree,
    responses: &[&str],
    units: &[Unit],
    factors: &[Factor],
) -> Vec<Assumed> {
    let mut all = Vec::new();
    for tree in root.trees("assumed") {
        let Some(response) = responses.iter().position(|known| *known == tree.name) else {
            let diagnostic = Diagnostic::error("P100", format!("no response is called `{}`", shown(&tree.name)));
            desk.say(
                diagnostic.help(did_you_mean(&tree.name, responses, "responses")),
                tree.at.clone(),
                "unknown response",
            );
            continue;
        };
        let (spreads, reading) = spreads(desk, root, tree, units, response);
        all.push(Assumed {
            response,
            source: tree.string("source"),
            mean: tree.number("mean").map(Exact::to_f64),
            spreads,
            reading,
            effects: effects(desk, tree, factors),
            drift: tree.number("drift").map_or(0.0, Exact::to_f64),
            residues: super::check_rehearsal::residues(desk, root, tree, factors),
            controls: super::check_rehearsal::controls(desk, root, tree, responses),
        });
    }
    all
}

/// The stated spreads; the last is that of the readings within a run.
fn spreads(desk: &mut Desk<'_>, root: &Tree, tree: &Tree, units: &[Unit], response: ResponseId) -> (Vec<Spread>, f64) {
    let mut spreads: Vec<Spread> = Vec::new();
    let mut reading: Option<f64> = None;
    let mut all_known = tree.item("spread").is_some();
    for (name, name_span, items) in tree.lists("spread") {
        let sd = items.first().and_then(number).unwrap_or(0.0);
        if name == "reading" {
            reading = Some(sd);
            continue;
        }
        let mut heads: Vec<UnitId> = Vec::new();
        let mut known = true;
        for part in name.split([' ', '×']).filter(|part| !part.is_empty() && *part != "x") {
            match unit_called(desk, root, part, name_span.clone()) {
                Some(unit) => heads.push(unit),
                None => known = false,
            }
        }
        all_known &= known;
        if !known {
            continue;
        }
        heads.sort_unstable();
        let twice = heads.windows(2).any(|pair| pair[0] == pair[1]);
        let nested = twice
            || heads.iter().any(|&inner| {
                let outer = above(units, inner);
                heads.iter().any(|&u| outer[u])
            });
        if heads.is_empty() || nested || spreads.iter().any(|known| known.units == heads) {
            desk.say(
                Diagnostic::error("P102", format!("`{}` names no spread of its own", shown(name))).help(
                    "a spread belongs to one unit, or to units that cross, each named once, such as `\"session x roller\"`",
                ),
                name_span.clone(),
                "",
            );
            continue;
        }
        spreads.push(Spread { units: heads, sd });
    }
    if all_known {
        missing(desk, root, tree, units, &spreads, (response, reading));
    }
    spreads.sort_by(|a, b| a.units.len().cmp(&b.units.len()).then_with(|| a.units.cmp(&b.units)));
    (spreads, reading.unwrap_or(0.0))
}

/// Says which spreads are not stated.
fn missing(
    desk: &mut Desk<'_>,
    root: &Tree,
    tree: &Tree,
    units: &[Unit],
    spreads: &[Spread],
    (response, reading): (ResponseId, Option<f64>),
) {
    let mut lacking: Vec<String> = (0..units.len())
        .filter(|&u| !spreads.iter().any(|spread| spread.units == [u]))
        .map(|u| format!("`{}`", units[u].name))
        .collect();
    let readings = root
        .trees("response")
        .get(response)
        .and_then(|tree| tree.whole("readings"));
    if reading.is_none() && readings.is_some_and(|n| n > 1) {
        lacking.push("`reading`".to_owned());
    }
    if lacking.is_empty() {
        return;
    }
    desk.say(
        Diagnostic::error("P101", format!("no spread is stated for {}", super::keys::join(&lacking, "and"))).help(
            "state a standard deviation for each unit, and `reading` for the readings within a run; write 0 where you know \
             that there is none",
        ),
        tree.span("spread"),
        "",
    );
}

pub(super) fn number(item: &Item) -> Option<f64> {
    match &item.value {
        Value::Number(number) => Some(number.to_f64()),
        _ => None,
    }
}

fn effects(desk: &mut Desk<'_>, tree: &Tree, factors: &[Factor]) -> Vec<AssumedEffect> {
    let names: Vec<&str> = factors.iter().map(|factor| factor.name.as_str()).collect();
    let mut all: Vec<(AssumedEffect, Span)> = Vec::new();
    for inner in tree.trees("effect") {
        let Some(effect) = effect(desk, inner, &names) else {
            continue;
        };
        if let Some((_, first)) = all.iter().find(|(known, _)| known.effect == effect) {
            let diagnostic = Diagnostic::error("P104", "two tables speak of one effect")
                .at(desk.source, inner.span("of"), "again")
                .at(desk.source, first.clone(), "here already")
                .help("put both into one table; the order of the factors has no meaning");
            desk.push(diagnostic);
            continue;
        }
        let size = match (inner.number("difference"), inner.given("values")) {
            (Some(_), true) => {
                desk.say(
                    Diagnostic::error("P104", "an effect has a `difference` or `values`, not both")
                        .help("`values` gives each level its own; take one of the two out"),
                    inner.span("values"),
                    "",
                );
                None
            }
            (Some(difference), false) => Some(AssumedSize::Difference(difference.to_f64())),
            (None, true) => values(desk, inner, &effect, factors).map(AssumedSize::Values),
            (None, false) => None,
        };
        let assumed = AssumedEffect {
            effect,
            relevant: inner.number("relevant").map(Exact::to_f64),
            size,
        };
        all.push((assumed, inner.span("of")));
    }
    all.into_iter().map(|(assumed, _)| assumed).collect()
}

fn effect(desk: &mut Desk<'_>, tree: &Tree, names: &[&str]) -> Option<Effect> {
    let items = tree.list("of");
    let mut effect: Vec<FactorId> = Vec::new();
    for item in items {
        let text = item.text().unwrap_or_default();
        let (message, help) = match names.iter().position(|known| *known == text) {
            Some(factor) if effect.contains(&factor) => (
                format!("`{}` stands twice in one effect", shown(text)),
                "an effect holds each of its factors once".to_owned(),
            ),
            Some(factor) => {
                effect.push(factor);
                continue;
            }
            None => (
                format!("no factor is called `{}`", shown(text)),
                did_you_mean(text, names, "factors"),
            ),
        };
        desk.say(Diagnostic::error("P103", message).help(help), item.span.clone(), "");
    }
    effect.sort_unstable();
    (!items.is_empty() && effect.len() == items.len()).then_some(effect)
}

/// One number for each level of the one factor of an effect.
fn values(desk: &mut Desk<'_>, tree: &Tree, effect: &[FactorId], factors: &[Factor]) -> Option<Vec<f64>> {
    tree.item("values")?;
    let [factor] = effect else {
        desk.say(
            Diagnostic::error(
                "P105",
                "`values` speak of the levels of one factor, and this is an interaction",
            )
            .help("give an interaction a `difference`: the change of one factor's difference over the other factor"),
            tree.key_span("values"),
            "",
        );
        return None;
    };
    let factor = &factors[*factor];
    let levels: Vec<&str> = factor.levels.iter().map(String::as_str).collect();
    let mut found: Vec<Option<f64>> = vec![None; levels.len()];
    let mut sound = true;
    for (name, span, items) in tree.lists("values") {
        if let Some(level) = levels.iter().position(|known| known == name) {
            found[level] = items.first().and_then(number);
        } else {
            sound = false;
            let message = format!("`{}` has no level `{}`", factor.name, shown(name));
            desk.say(
                Diagnostic::error("P105", message).help(did_you_mean(name, &levels, "levels")),
                span.clone(),
                "unknown level",
            );
        }
    }
    let lacking: Vec<String> = levels
        .iter()
        .zip(&found)
        .filter(|(_, value)| value.is_none())
        .map(|(level, _)| format!("`{}`", shown(level)))
        .collect();
    if sound && !lacking.is_empty() {
        let message = format!(
            "nothing is assumed of {} of `{}`",
            super::keys::join(&lacking, "and"),
            factor.name
        );
        desk.say(
            Diagnostic::error("P105", message).help("give each level a value; 0 where it adds nothing"),
            tree.span("values"),
            "",
        );
        sound = false;
    }
    sound.then(|| found.into_iter().flatten().collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::PartOf;

    fn factor(levels: &[&str], numbers: Option<&[i64]>) -> Factor {
        Factor {
            name: "f".into(),
            set_on: 0,
            levels: levels.iter().map(|&level| level.to_owned()).collect(),
            numbers: numbers.map(|numbers| numbers.iter().map(|&n| n.into()).collect()),
            unit: String::new(),
            part_of: PartOf::Method,
            named_by_site: false,
            random: false,
            carries_over: false,
            carries_within: None,
            compare_with: None,
            how: String::new(),
            centre: None,
        }
    }

    /// Class: closed form. From the first to the last level a difference is whole, and over two factors the
    /// difference of differences is.
    #[test]
    fn differences_are_what_they_are_called() {
        let factors = [
            factor(&["a", "b", "c"], None),
            factor(&["1", "2", "4"], Some(&[1, 2, 4])),
        ];
        let assumed = |effect: &[usize], size| AssumedEffect {
            effect: effect.to_vec(),
            relevant: None,
            size: Some(size),
        };
        let main = assumed(&[1], AssumedSize::Difference(3.0));
        let at = |effect: &AssumedEffect, levels: [usize; 2]| effect.value(&factors, &levels);
        assert!((at(&main, [0, 2]) - at(&main, [0, 0]) - 3.0).abs() < 1e-15);
        assert!((at(&main, [0, 1]) - at(&main, [0, 0]) - 1.0).abs() < 1e-15);
        let pair = assumed(&[0, 1], AssumedSize::Difference(3.0));
        let slope = |category| at(&pair, [category, 2]) - at(&pair, [category, 0]);
        assert!((slope(2) - slope(0) - 3.0).abs() < 1e-15 && slope(1).abs() < 1e-15);
        let each = assumed(&[0], AssumedSize::Values(vec![0.0, 1.0, 5.0]));
        assert!((at(&each, [2, 0]) - 5.0).abs() < 1e-15);
    }
}
