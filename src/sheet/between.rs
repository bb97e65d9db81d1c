//! What stands between the runs on a sheet: cleaning after a level that leaves something behind, and control rows.
//!
//! In:  protocol, site, plan, and the run that comes next.
//! Out: data for the templates, and the words of the CSV's column `before`.
//! Cleaning comes first, so that a control is read with a clean instrument.

use serde_json::{Value, json};

use crate::plan::{ControlRow, Plan};
use crate::protocol::{Cleaning, Protocol, Site};

/// The cleanings that are due before the run at `index`, or after the last run if there is no such run.
fn due<'a>(protocol: &'a Protocol, plan: &'a Plan, index: usize) -> impl Iterator<Item = (&'a Cleaning, usize)> {
    let before = index.checked_sub(1).and_then(|i| plan.runs.get(i));
    protocol.bench.cleanings.iter().filter_map(move |cleaning| {
        let level = *before?.levels.get(cleaning.factor)?;
        cleaning.after.contains(&level).then_some((cleaning, level))
    })
}

/// Cleaning before the run at `index`, as data.
pub(super) fn cleaning(protocol: &Protocol, plan: &Plan, index: usize) -> Vec<Value> {
    due(protocol, plan, index)
        .map(|(cleaning, level)| {
            json!({
                "after": after(protocol, cleaning, level),
                "steps": cleaning.steps,
                "wash_out": cleaning.wash_out,
                "wash_out_on": cleaning.wash_out_on,
            })
        })
        .collect()
}

/// `finish waxed`; only `finish` where every level is cleaned after, since the level then says nothing.
fn after(protocol: &Protocol, cleaning: &Cleaning, level: usize) -> String {
    let factor = &protocol.factors[cleaning.factor];
    if cleaning.after.len() == factor.levels.len() {
        factor.name.clone()
    } else {
        format!("{} {}", factor.name, factor.level(level))
    }
}

/// Cleaning before the run at `index`, in words; empty if none is due.
pub(super) fn cleaning_words(protocol: &Protocol, plan: &Plan, index: usize) -> String {
    let parts: Vec<String> = due(protocol, plan, index)
        .map(|(cleaning, level)| {
            let mut steps = cleaning.steps.clone();
            if cleaning.wash_out > 0 {
                steps.push(format!(
                    "{} wash-out reading{} on {}, discarded",
                    cleaning.wash_out,
                    if cleaning.wash_out == 1 { "" } else { "s" },
                    cleaning.wash_out_on
                ));
            }
            format!("clean after {}: {}", after(protocol, cleaning, level), steps.join(" "))
        })
        .collect();
    parts.join("; ")
}

/// A control row as data.
pub(super) fn control(protocol: &Protocol, site: Option<&Site>, row: &ControlRow) -> Value {
    let declared = &protocol.bench.controls[row.control];
    let response = &protocol.responses[declared.response];
    let factor = declared.each.zip(row.level);
    let named = site.and_then(|site| {
        let (factor, level) = factor?;
        site.named.iter().find(|n| n.factor == factor && n.level == level)
    });
    json!({
        "row": format!("{} {}", declared.name, row.number),
        "what": declared.what,
        "factor": factor.map_or("", |(factor, _)| protocol.factors[factor].name.as_str()),
        "level": factor.map_or_else(String::new, |(factor, level)| protocol.factors[factor].level(level)),
        "note": named.map_or_else(String::new, |named| {
            if named.serial.is_empty() { named.description.clone() } else { format!("serial {}", named.serial) }
        }),
        "response": response.name,
        "unit": response.unit,
        "boxes": (1..=declared.readings).collect::<Vec<_>>(),
    })
}
