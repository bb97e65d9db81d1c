//! Checks of what the protocol says about comparisons of levels.

use super::model::UnitId;
use super::tree::{Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// The level that a factor's others are compared with, by its place among `levels`.
pub(super) fn compare_with(desk: &mut Desk<'_>, factor: &Tree, levels: &[String], numeric: bool) -> Option<usize> {
    let item = factor.item("compare_with")?;
    if numeric {
        desk.say(
            Diagnostic::error(
                "P148",
                format!(
                    "`{}` is numeric: it is fitted as a slope, and no levels are compared",
                    factor.name
                ),
            )
            .help("take `compare_with` out, or take `scale` out to compare levels"),
            factor.key_span("compare_with"),
            "",
        );
        return None;
    }
    let text = match &item.value {
        Value::Text(text) => text.clone(),
        Value::Number(number) => number.text.clone(),
        _ => return None,
    };
    let place = levels.iter().position(|level| *level == text);
    if place.is_none() {
        let known: Vec<&str> = levels.iter().map(String::as_str).collect();
        desk.say(
            Diagnostic::error("P149", format!("`{}` has no level `{}`", factor.name, shown(&text)))
                .help(super::structure::did_you_mean(&text, &known, "levels")),
            item.span.clone(),
            "unknown level",
        );
    }
    place
}

/// The unit at whose setting-up the residue of a factor is gone: as named, or the widest one, unless the factor is set on it
/// or it is the run itself.
pub(super) fn carries_within(
    desk: &mut Desk<'_>,
    root: &Tree,
    factor: &Tree,
    units: usize,
    set_on: Option<UnitId>,
) -> Option<UnitId> {
    let carries_over = factor.flag("carries_over");
    if let Some(name) = factor.text("carries_within") {
        if !carries_over {
            desk.say(
                Diagnostic::error("P054", format!("`{}` is not declared to carry over", factor.name))
                    .help("add `carries_over = true`, or take `carries_within` out"),
                factor.key_span("carries_within"),
                "",
            );
        }
        return super::structure::unit_called(desk, root, name, factor.span("carries_within"));
    }
    (carries_over && units > 1 && set_on != Some(0)).then_some(0)
}
