//! When a finding of one site counts as repeated at another, as declared before the readings.
//!
//! In:  the tree of a protocol, its responses, factors and what it plans.
//! Out: a `Replication`; codes P260 to P264.
//! Never here: the results.
//!
//! A factor that the site names, or whose levels are drawn, is *local*: instrument A of one site is not instrument A of another.
//! Its levels are never compared over sites. `common` takes a factor out of this rule: the same blocks travel.

use super::keys::{Key, Kind, Need, Table};
use super::model::{AnalysisPlan, Effect, Factor, FactorId, Protocol, Response, model_effects};
use super::protocol_keys::key;
use super::structure::did_you_mean;
use super::tree::Tree;
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// A rule by which an effect counts as repeated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Criterion {
    /// The further site finds the same sign, and its interval leaves out zero.
    SameSign,
    /// The further site's estimate lies where the first one lets expect it, errors of both sites counted.
    WithinPrediction,
    /// The two sites differ by less than the smallest difference that matters.
    Equivalent,
    /// Both sites come to the same verdict on whether the effect matters.
    SameVerdict,
}

impl Criterion {
    /// Every criterion, with the words used in protocols and reports.
    pub const ALL: [(Self, &'static str); 4] = [
        (Self::SameSign, "same sign"),
        (Self::WithinPrediction, "within prediction"),
        (Self::Equivalent, "equivalent"),
        (Self::SameVerdict, "same verdict"),
    ];

    /// The words used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(c, _)| *c == self).map_or("", |(_, word)| word)
    }

    /// Whether it needs the smallest difference that matters.
    #[must_use]
    pub fn needs_relevant(self) -> bool {
        matches!(self, Self::Equivalent | Self::SameVerdict)
    }
}

/// When a finding counts as repeated.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replication {
    /// What must all hold; empty if nothing was declared.
    pub criteria: Vec<Criterion>,
    /// For which effects.
    pub effects: Vec<Effect>,
    /// Factors that are named by the site, or drawn, and are the same things at every site all the same.
    pub common: Vec<FactorId>,
}

pub(super) static REPLICATION: Table = Table {
    doc: "When a finding of one site counts as repeated at another; declared before the readings.",
    keys: KEYS,
};

static KEYS: &[Key] = &[
    key(
        "criteria",
        Kind::Names,
        Need::Must("a verdict by rules chosen after the readings is no verdict"),
        "What must all hold: \"same sign\" (and the further site's interval leaves out zero), \"within prediction\" (the further \
         estimate lies where the first site lets expect it), \"equivalent\" (the sites differ by less than `relevant`), \"same \
         verdict\" (on whether the effect matters).",
        "[\"same sign\", \"equivalent\"]",
    ),
    key(
        "effects",
        Kind::Effects,
        Need::May,
        "For which effects; left out, the planned ones without a factor that is local to a site.",
        "[\"temperature\", [\"temperature\", \"finish\"]]",
    ),
    key(
        "common",
        Kind::Names,
        Need::May,
        "Factors that the site names and that are the same things at every site, such as blocks that travel.",
        "[\"block\"]",
    ),
];

impl Protocol {
    /// True if the levels of a factor are a site's own and cannot be compared with those of another site.
    #[must_use]
    pub fn is_local(&self, factor: FactorId) -> bool {
        local(&self.factors[factor], self.replication.common.contains(&factor))
    }
}

fn local(factor: &Factor, common: bool) -> bool {
    (factor.named_by_site || factor.random) && !common
}

/// Reads `[replication]`.
pub(super) fn read(
    desk: &mut Desk<'_>,
    root: &Tree,
    responses: &[Response],
    factors: &[Factor],
    analysis: &AnalysisPlan,
) -> Replication {
    let Some(tree) = root.tree("replication") else {
        return Replication::default();
    };
    let common = common(desk, tree, factors);
    let is_local = |factor: FactorId| local(&factors[factor], common.contains(&factor));
    let criteria = criteria(desk, tree, responses);
    let effects = if tree.given("effects") {
        effects(desk, tree, factors, analysis, &is_local)
    } else {
        let own = |effect: &&Effect| effect.iter().all(|&factor| !is_local(factor));
        analysis.planned.iter().filter(own).cloned().collect()
    };
    Replication {
        criteria,
        effects,
        common,
    }
}

fn common(desk: &mut Desk<'_>, tree: &Tree, factors: &[Factor]) -> Vec<FactorId> {
    let names: Vec<&str> = factors.iter().map(|factor| factor.name.as_str()).collect();
    let mut found = Vec::new();
    for item in tree.list("common") {
        let name = item.text().unwrap_or_default();
        let Some(factor) = names.iter().position(|known| *known == name) else {
            let diagnostic = Diagnostic::error("P260", format!("no factor is called `{}`", shown(name)));
            desk.say(
                diagnostic.help(did_you_mean(name, &names, "factors")),
                item.span.clone(),
                "unknown factor",
            );
            continue;
        };
        if !local(&factors[factor], false) {
            desk.say(
                Diagnostic::warning("P261", format!("`{name}` is the same at every site anyway"))
                    .help("only factors with `named_by_site` or `random` need to be named here: take it out"),
                item.span.clone(),
                "",
            );
        } else if !found.contains(&factor) {
            found.push(factor);
        }
    }
    found
}

fn criteria(desk: &mut Desk<'_>, tree: &Tree, responses: &[Response]) -> Vec<Criterion> {
    let words: Vec<&str> = Criterion::ALL.iter().map(|(_, word)| *word).collect();
    let mut found = Vec::new();
    for item in tree.list("criteria") {
        let word = item.text().unwrap_or_default();
        let Some((criterion, _)) = Criterion::ALL.into_iter().find(|(_, known)| *known == word) else {
            let diagnostic = Diagnostic::error("P262", format!("`{}` is no criterion", shown(word)));
            desk.say(
                diagnostic.help(did_you_mean(word, &words, "criteria")),
                item.span.clone(),
                "unknown criterion",
            );
            continue;
        };
        let without: Vec<&str> = responses
            .iter()
            .filter(|response| response.relevant.is_none())
            .map(|response| response.name.as_str())
            .collect();
        if let (true, Some(name)) = (criterion.needs_relevant(), without.first()) {
            desk.say(
                Diagnostic::error(
                    "P263",
                    format!("\"{word}\" needs the smallest difference of `{name}` that matters"),
                )
                .help(format!("add `relevant = ...` to [response.{name}]")),
                item.span.clone(),
                "",
            );
        }
        if !found.contains(&criterion) {
            found.push(criterion);
        }
    }
    found
}

fn effects(
    desk: &mut Desk<'_>,
    tree: &Tree,
    factors: &[Factor],
    analysis: &AnalysisPlan,
    is_local: &dyn Fn(FactorId) -> bool,
) -> Vec<Effect> {
    let names: Vec<&str> = factors.iter().map(|factor| factor.name.as_str()).collect();
    let model = model_effects(factors.len(), analysis);
    let mut found: Vec<Effect> = Vec::new();
    for item in tree.list("effects") {
        let mut effect = Effect::new();
        let mut whole = true;
        for name in item.list() {
            let text = name.text().unwrap_or_default();
            match names.iter().position(|known| *known == text) {
                Some(factor) if !effect.contains(&factor) => effect.push(factor),
                Some(_) => {}
                None => {
                    let diagnostic = Diagnostic::error("P260", format!("no factor is called `{}`", shown(text)));
                    desk.say(
                        diagnostic.help(did_you_mean(text, &names, "factors")),
                        name.span.clone(),
                        "unknown factor",
                    );
                    whole = false;
                }
            }
        }
        effect.sort_unstable();
        if !whole || effect.is_empty() {
            continue;
        }
        if let Some(&own) = effect.iter().find(|&&factor| is_local(factor)) {
            let name = names[own];
            desk.say(
                Diagnostic::error(
                    "P264",
                    format!("an effect of `{name}` cannot be repeated: its levels are each site's own"),
                )
                .help(format!(
                    "take it out; if the very same things go to every site, add `common = [\"{name}\"]`"
                )),
                item.span.clone(),
                "",
            );
        } else if !model.contains(&effect) {
            desk.say(
                Diagnostic::error("P264", "the model holds no such effect")
                    .help("name it under `planned` in [analysis], or raise `interactions`"),
                item.span.clone(),
                "",
            );
        } else if !found.contains(&effect) {
            found.push(effect);
        }
    }
    found
}
