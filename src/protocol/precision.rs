//! What a precision statement and a measurement-system study need to be told: who the laboratory is, what the level,
//! which references there are.
//!
//! In:  the tree of a protocol, its units, factors and responses.
//! Out: `PrecisionPlan`, `MeasurementPlan`, `Reference`; what does not fit together goes to the `Desk`.
//! Never here: statistics.

use rust_decimal::Decimal;

use super::keys::join;
use super::model::{Design, Factor, FactorId, Order, Response, ResponseId, StudyKind, Unit, UnitId};
use super::number::exact;
use super::structure::did_you_mean;
use super::tree::{Item, Span, Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// A unit or a factor whose labels or levels tell runs apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grouping {
    /// A unit.
    Unit(UnitId),
    /// A factor.
    Factor(FactorId),
}

/// What the precision statement is about.
#[derive(Debug, Clone, PartialEq)]
pub struct PrecisionPlan {
    /// What stands for the laboratories; none for a study within one laboratory.
    pub laboratory: Option<Grouping>,
    /// What stands for the materials, that is the levels; none for a single one.
    pub material: Option<Grouping>,
    /// What varies within a laboratory beside the repeats: days, operators, instruments.
    pub intermediate: Vec<Grouping>,
    /// Factor from a standard deviation to a limit; above zero.
    pub limit_factor: f64,
}

/// What the measurement-system study is about.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasurementPlan {
    /// What stands for the things measured.
    pub part: Grouping,
    /// Who or what measures: operators, instruments, sites.
    pub by: Vec<Grouping>,
    /// Over what the check readings of the references are watched.
    pub check_over: Option<Grouping>,
    /// How many standard deviations count as the width of the measuring; above zero.
    pub multiple: f64,
    /// p-value above which the joint spread of parts and those who measure is pooled with the repeats; none for never.
    pub pool_above: Option<f64>,
}

/// A thing whose value is known from elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// The unit or factor to which it belongs.
    pub of: Grouping,
    /// Its label or level, as written.
    pub label: String,
    /// Which response.
    pub response: ResponseId,
    /// The accepted value.
    pub value: Decimal,
    /// Its standard uncertainty; not negative.
    pub uncertainty: Decimal,
    /// Where the value comes from; may be empty.
    pub source: String,
}

/// Common practice: fewer laboratories say little about the spread between them.
const FEW_LABORATORIES: usize = 6;
/// Common practice: fewer parts say little about the spread between them.
const FEW_PARTS: usize = 5;

/// What the checks look things up in.
pub(super) struct Lookup<'a> {
    pub root: &'a Tree,
    pub units: &'a [Unit],
    pub factors: &'a [Factor],
    pub responses: &'a [Response],
    pub design: &'a Design,
}

impl Lookup<'_> {
    fn name(&self, grouping: Grouping) -> &str {
        match grouping {
            Grouping::Unit(unit) => &self.units[unit].name,
            Grouping::Factor(factor) => &self.factors[factor].name,
        }
    }

    /// How many there are in all, as planned; `None` where the record will tell.
    fn planned(&self, grouping: Grouping) -> Option<usize> {
        match grouping {
            Grouping::Factor(factor) => Some(self.factors[factor].levels.len()),
            Grouping::Unit(unit) if self.design.order == Order::Randomized => Some(self.units[unit].count),
            Grouping::Unit(_) => None,
        }
    }

    /// The unit or factor of a name, never the run.
    fn grouping(&self, desk: &mut Desk<'_>, name: &str, span: Span) -> Option<Grouping> {
        if let Some(factor) = self.factors.iter().position(|f| f.name == name) {
            return Some(Grouping::Factor(factor));
        }
        let run = self.units.len().saturating_sub(1);
        match self.units.iter().position(|u| u.name == name) {
            Some(unit) if unit < run => Some(Grouping::Unit(unit)),
            Some(_) => {
                desk.say(
                    Diagnostic::error("P161", format!("`{name}` is the run: each of its results stands alone"))
                        .help("name a unit or factor that several runs share, such as the laboratory or the material"),
                    span,
                    "",
                );
                None
            }
            None => {
                let units = self.units.iter().take(run).map(|u| u.name.as_str());
                let known: Vec<&str> = units.chain(self.factors.iter().map(|f| f.name.as_str())).collect();
                desk.say(
                    Diagnostic::error("P160", format!("no unit or factor is called `{}`", shown(name)))
                        .help(did_you_mean(name, &known, "units and factors")),
                    span,
                    "",
                );
                None
            }
        }
    }

    fn named(&self, desk: &mut Desk<'_>, tree: &Tree, key: &str) -> Option<Grouping> {
        self.grouping(desk, tree.text(key)?, tree.span(key))
    }

    fn listed(&self, desk: &mut Desk<'_>, tree: &Tree, key: &str) -> Vec<(Grouping, Span)> {
        tree.list(key)
            .iter()
            .filter_map(|item| Some((self.grouping(desk, item.text()?, item.span.clone())?, item.span.clone())))
            .collect()
    }

    /// Each unit or factor has one part to play.
    fn once(&self, desk: &mut Desk<'_>, all: &[(Grouping, Span)]) {
        for (at, (grouping, span)) in all.iter().enumerate() {
            if let Some((_, first)) = all[..at].iter().find(|(other, _)| other == grouping) {
                let name = self.name(*grouping);
                let diagnostic = Diagnostic::error("P162", format!("`{name}` cannot be two things at once"))
                    .at(desk.source, span.clone(), "again")
                    .at(desk.source, first.clone(), "here already")
                    .help("the laboratory, the material and what else varies are different units or factors");
                desk.push(diagnostic);
            }
        }
    }
}

/// The table [precision].
pub(super) fn precision(desk: &mut Desk<'_>, look: &Lookup<'_>) -> Option<PrecisionPlan> {
    let tree = look.root.tree("precision")?;
    let laboratory = look.named(desk, tree, "laboratory");
    let material = look.named(desk, tree, "material");
    let intermediate = look.listed(desk, tree, "intermediate");
    let mut all: Vec<(Grouping, Span)> = Vec::new();
    all.extend(laboratory.map(|g| (g, tree.span("laboratory"))));
    all.extend(material.map(|g| (g, tree.span("material"))));
    all.extend(intermediate.iter().cloned());
    look.once(desk, &all);
    if !tree.given("laboratory") && intermediate.is_empty() && !tree.given("intermediate") {
        desk.say(
            Diagnostic::error("P163", "nothing says between what results may differ")
                .help("name the unit or factor that stands for the laboratory, `laboratory = \"laboratory\"`; within one laboratory name what varies, `intermediate = [\"day\"]`"),
            tree.at.clone(),
            "neither `laboratory` nor `intermediate` here",
        );
    }
    if let Some(planned) = laboratory.and_then(|g| look.planned(g)) {
        let name = laboratory.map_or("", |g| look.name(g));
        if planned < 2 {
            desk.say(
                Diagnostic::error("P164", format!("there is only one `{name}`: nothing can differ between laboratories"))
                    .help("take `laboratory` out and name in `intermediate` what varies within the laboratory, or plan more laboratories"),
                tree.span("laboratory"),
                "",
            );
        } else if planned < FEW_LABORATORIES {
            desk.say(
                Diagnostic::warning(
                    "P165",
                    format!("{planned} of `{name}` say little about the spread between laboratories"),
                )
                .help(format!(
                    "plan {FEW_LABORATORIES} at least, better 8 to 15 (common practice); with fewer the statement gives wide intervals and runs no test for odd laboratories below five"
                )),
                tree.span("laboratory"),
                "",
            );
        }
    }
    if let (Some(Grouping::Unit(lab)), Some(Grouping::Unit(material))) = (laboratory, material)
        && super::structure::above(look.units, material).get(lab) == Some(&true)
    {
        desk.say(
            Diagnostic::error(
                "P166",
                format!(
                    "`{}` lies within `{}`: no two laboratories have the same material",
                    look.units[material].name, look.units[lab].name
                ),
            )
            .help("let the two cross: take the laboratory out of the material's `within`, and let the run lie within both"),
            tree.span("material"),
            "",
        );
    }
    repeats(
        desk,
        look,
        &laboratory.into_iter().chain(material).collect::<Vec<Grouping>>(),
        &tree.at,
    );
    Some(PrecisionPlan {
        laboratory,
        material,
        intermediate: intermediate.into_iter().map(|(g, _)| g).collect(),
        limit_factor: tree.number("limit_factor").map_or(2.8, super::number::Exact::to_f64),
    })
}

/// Without a second run in a cell there is no repeatability.
fn repeats(desk: &mut Desk<'_>, look: &Lookup<'_>, cells: &[Grouping], at: &Span) {
    if look.design.order != Order::Randomized {
        return;
    }
    let runs = look.units.iter().map(|u| u.count).fold(1_usize, usize::saturating_mul);
    // A unit is told apart by those above it as well; one that lies within another counts both once.
    let mut told = vec![false; look.units.len()];
    let mut levels = 1_usize;
    for &grouping in cells {
        match grouping {
            Grouping::Unit(unit) => {
                let above = super::structure::above(look.units, unit);
                for (at, told) in told.iter_mut().enumerate() {
                    *told |= at == unit || above[at];
                }
            }
            Grouping::Factor(factor) => levels = levels.saturating_mul(look.factors[factor].levels.len()),
        }
    }
    let units = look.units.iter().zip(&told).filter(|(_, told)| **told);
    let distinct = units.map(|(u, _)| u.count).fold(levels, usize::saturating_mul);
    if runs > 0 && runs <= distinct {
        desk.say(
            Diagnostic::error("P167", "every cell holds a single run: repeatability cannot be told")
                .help("raise `count` of the run to two or more, so that each is repeated under the same conditions"),
            at.clone(),
            "",
        );
    }
}

/// The table [`measurement_system`].
pub(super) fn measurement(desk: &mut Desk<'_>, look: &Lookup<'_>) -> Option<MeasurementPlan> {
    let tree = look.root.tree("measurement_system")?;
    let part = look.named(desk, tree, "part");
    let by = look.listed(desk, tree, "by");
    let check_over = look.named(desk, tree, "check_over");
    let mut all: Vec<(Grouping, Span)> = Vec::new();
    all.extend(part.map(|g| (g, tree.span("part"))));
    all.extend(by.iter().cloned());
    look.once(desk, &all);
    if tree.given("by") && tree.list("by").is_empty() {
        desk.say(
            Diagnostic::error("P168", "nothing says who or what measures").help(
                "name the units or factors, such as `by = [\"operator\"]` or `by = [\"operator\", \"instrument\"]`",
            ),
            tree.span("by"),
            "",
        );
    }
    for (grouping, span) in &by {
        if look.planned(*grouping) == Some(1) {
            let name = look.name(*grouping);
            desk.say(
                Diagnostic::error("P169", format!("there is only one `{name}`: its spread cannot be told"))
                    .help(format!("plan two or more, better six, or take `{name}` out of `by`")),
                span.clone(),
                "",
            );
        }
    }
    if let Some(planned) = part.and_then(|g| look.planned(g))
        && planned < FEW_PARTS
    {
        let name = part.map_or("", |g| look.name(g));
        desk.say(
            Diagnostic::warning(
                "P170",
                format!("{planned} of `{name}` say little about the spread between parts"),
            )
            .help("plan ten or so that span what production makes (common practice)"),
            tree.span("part"),
            "",
        );
    }
    repeats(
        desk,
        look,
        &part
            .into_iter()
            .chain(by.iter().map(|(g, _)| *g))
            .collect::<Vec<Grouping>>(),
        &tree.at,
    );
    if look.responses.iter().all(|r| r.tolerance.is_none()) {
        let at = look.root.trees("response").first().map_or(0..0, |t| t.at.clone());
        desk.say(
            Diagnostic::warning("P171", "no tolerance is declared, so the measuring cannot be held against it")
                .help("add the lowest and highest value that a part may have, such as `tolerance = [60, 70]`, to the response"),
            at,
            "",
        );
    }
    Some(MeasurementPlan {
        part: part?,
        by: by.into_iter().map(|(g, _)| g).collect(),
        check_over,
        multiple: tree.number("multiple").map_or(6.0, super::number::Exact::to_f64),
        pool_above: tree.number("pool_above").map(super::number::Exact::to_f64),
    })
}

/// The tables [[reference]].
pub(super) fn references(desk: &mut Desk<'_>, look: &Lookup<'_>) -> Vec<Reference> {
    let mut found: Vec<(Reference, Span)> = Vec::new();
    for tree in look.root.trees("reference") {
        let of = look.named(desk, tree, "of");
        let response = response(desk, look, tree);
        let label = tree.item("label").map(text_of).unwrap_or_default();
        let (Some(of), Some(response), false) = (of, response, label.is_empty()) else {
            continue;
        };
        let known = match of {
            Grouping::Factor(factor) => {
                let levels = &look.factors[factor].levels;
                let same = |level: &String| {
                    *level == label || matches!((exact(level), exact(&label)), (Ok(a), Ok(b)) if a.decimal == b.decimal)
                };
                if levels.iter().any(same) {
                    true
                } else {
                    let names: Vec<&str> = levels.iter().map(String::as_str).collect();
                    desk.say(
                        Diagnostic::error(
                            "P172",
                            format!("`{}` has no level `{}`", look.factors[factor].name, shown(&label)),
                        )
                        .help(did_you_mean(&label, &names, "levels")),
                        tree.span("label"),
                        "",
                    );
                    false
                }
            }
            Grouping::Unit(unit) if look.design.order == Order::Randomized => {
                let count = look.units[unit].count;
                let known = label.parse::<usize>().is_ok_and(|n| (1..=count).contains(&n));
                if !known {
                    desk.say(
                        Diagnostic::error(
                            "P172",
                            format!("`{}` has no number `{}`", look.units[unit].name, shown(&label)),
                        )
                        .help(format!(
                            "units of a plan are known by their numbers, 1 to {count}; labels are the site's"
                        )),
                        tree.span("label"),
                        "",
                    );
                }
                known
            }
            Grouping::Unit(_) => true,
        };
        if !known {
            continue;
        }
        let same = |r: &Reference| r.of == of && r.label == label && r.response == response;
        if let Some((_, first)) = found.iter().find(|(other, _)| same(other)) {
            let diagnostic = Diagnostic::error("P173", format!("`{}` has two reference values", shown(&label)))
                .at(desk.source, tree.at.clone(), "again")
                .at(desk.source, first.clone(), "here already")
                .help("a thing has one accepted value; take one of the two out");
            desk.push(diagnostic);
            continue;
        }
        let reference = Reference {
            of,
            label,
            response,
            value: tree.decimal("value").unwrap_or_default(),
            uncertainty: tree.decimal("uncertainty").unwrap_or_default(),
            source: tree.string("source"),
        };
        found.push((reference, tree.at.clone()));
    }
    found.into_iter().map(|(reference, _)| reference).collect()
}

fn text_of(item: &Item) -> String {
    match &item.value {
        Value::Text(text) => text.clone(),
        Value::Number(number) => number.text.clone(),
        _ => String::new(),
    }
}

fn response(desk: &mut Desk<'_>, look: &Lookup<'_>, tree: &Tree) -> Option<ResponseId> {
    let names: Vec<&str> = look.responses.iter().map(|r| r.name.as_str()).collect();
    let (message, span) = match tree.text("response") {
        Some(name) => match names.iter().position(|known| *known == name) {
            Some(response) => return Some(response),
            None => (
                format!("no response is called `{}`", shown(name)),
                tree.span("response"),
            ),
        },
        None if names.len() == 1 => return Some(0),
        None if tree.given("response") || names.is_empty() => return None,
        None => (
            "nothing says of which response this is the value".to_owned(),
            tree.at.clone(),
        ),
    };
    let ticked: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
    desk.say(
        Diagnostic::error("P174", message).help(format!("give `response`, one of {}", join(&ticked, "or"))),
        span,
        "",
    );
    None
}

/// A kind of study that needs a table which is not there.
pub(super) fn check_kind(desk: &mut Desk<'_>, root: &Tree, kind: StudyKind) {
    let (table, what, example) = match kind {
        StudyKind::Interlaboratory => (
            "precision",
            "who the laboratories are",
            "laboratory = \"laboratory\" and material = \"material\"",
        ),
        StudyKind::MeasurementSystem => (
            "measurement_system",
            "what is measured and who measures",
            "part = \"roller\" and by = [\"operator\"]",
        ),
        _ => return,
    };
    if root.given(table) {
        return;
    }
    let at = root.tree("study").map_or(0..0, |study| study.span("kind"));
    desk.say(
        Diagnostic::warning("P175", format!("a study of this kind should say {what}")).help(format!(
            "add [{table}] with {example}; without it the report can only give the general analysis"
        )),
        at,
        "",
    );
}
