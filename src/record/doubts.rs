//! What is odd about a value that is taken in all the same.
//!
//! In:  a declared range or resolution and a value; or a whole record.
//! Out: sentences, the same ones on the way in and whenever the journal is read again.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use crate::plan::Plan;
use crate::protocol::{Condition, ConditionId, Protocol, Response};

use super::columns::{Column, name};
use super::decimal::{lies_in, lies_on};
use super::model::{Questioned, Record};

/// A doubt: the diagnostic code and the sentence.
pub type Doubt = (&'static str, String);

/// What is odd about a reading.
#[must_use]
pub fn of_reading(response: &Response, value: Decimal) -> Vec<Doubt> {
    let mut doubts: Vec<Doubt> = of_range(response.expected, &response.unit, value).into_iter().collect();
    if !lies_on(response.resolution, value) {
        doubts.push((
            "R048",
            format!("the display steps by {} {}", response.resolution, response.unit),
        ));
    }
    doubts
}

/// What is odd about a condition.
#[must_use]
pub fn of_condition(condition: &Condition, value: Decimal) -> Vec<Doubt> {
    of_range(condition.expected, &condition.unit, value)
        .into_iter()
        .collect()
}

fn of_range(expected: Option<(Decimal, Decimal)>, unit: &str, value: Decimal) -> Option<Doubt> {
    let (low, high) = expected.filter(|_| !lies_in(expected, value))?;
    Some(("R047", format!("{low} to {high} {unit} is expected")))
}

/// The value with its mark moved so that it fits the range, if a slip of the mark may explain it.
#[must_use]
pub fn slipped_mark(range: Option<(Decimal, Decimal)>, value: Decimal) -> Option<Decimal> {
    range?;
    [
        Decimal::new(1, 1),
        Decimal::TEN,
        Decimal::new(1, 2),
        Decimal::ONE_HUNDRED,
    ]
    .into_iter()
    .filter_map(|factor| value.checked_mul(factor))
    .find(|moved| lies_in(range, *moved))
    .map(|moved| moved.normalize())
}

/// What is odd about an operator; `None` if nothing.
#[must_use]
pub fn of_operator(people: &[String], operator: &str) -> Option<Doubt> {
    let known = people.is_empty() || people.iter().any(|person| person == operator);
    (!known).then(|| ("R050", format!("the site's people are {}", people.join(", "))))
}

/// Everything odd in a record, by run and column.
#[must_use]
pub fn of_record(protocol: &Protocol, plan: Option<&Plan>, people: &[String], record: &Record) -> Vec<Questioned> {
    let mut found: Vec<Questioned> = Vec::new();
    let mut note = |run: usize, column: Column, text: &str, doubts: Vec<Doubt>| {
        found.extend(doubts.into_iter().map(|(_, why)| Questioned {
            run,
            what: name(protocol, column),
            text: text.to_owned(),
            why,
        }));
    };
    let mut positions: BTreeMap<usize, usize> = BTreeMap::new();
    let mut conditions = Agreement::default();
    for run in record.runs.values() {
        for (id, condition) in protocol.conditions.iter().enumerate() {
            let Some(written) = run.conditions.get(id).and_then(Option::as_ref) else {
                continue;
            };
            let mut doubts = of_condition(condition, written.value);
            doubts.extend(conditions.check(protocol, plan, &run.units, run.run, id, written.value));
            note(run.run, Column::Condition(id), &written.text, doubts);
        }
        for (id, response) in protocol.responses.iter().enumerate() {
            for (position, written) in run.readings.get(id).into_iter().flatten().enumerate() {
                if let Some(written) = written {
                    note(
                        run.run,
                        Column::Reading(id, position),
                        &written.text,
                        of_reading(response, written.value),
                    );
                }
            }
        }
        if let Some(order) = run.order {
            let doubt = of_position(&mut positions, run.run, order);
            note(run.run, Column::Order, &order.to_string(), doubt.into_iter().collect());
        }
        if !run.initials.is_empty() {
            let doubt = of_operator(people, &run.initials);
            note(run.run, Column::Operator, &run.initials, doubt.into_iter().collect());
        }
    }
    found
}

/// What is odd about a position in the order, given those seen so far.
pub fn of_position(seen: &mut BTreeMap<usize, usize>, run: usize, order: usize) -> Option<Doubt> {
    let other = *seen.entry(order).or_insert(run);
    (other != run).then(|| ("R052", format!("run {other} claims position {order} too")))
}

/// Holds the conditions that were measured once for a unit against each other.
#[derive(Debug, Default)]
pub struct Agreement {
    seen: BTreeMap<(ConditionId, Vec<String>), (usize, Decimal)>,
}

impl Agreement {
    /// What is odd about a condition, given those seen so far; `labels` are those of an as-run study's units.
    pub fn check(
        &mut self,
        protocol: &Protocol,
        plan: Option<&Plan>,
        labels: &[String],
        run: usize,
        id: ConditionId,
        value: Decimal,
    ) -> Option<Doubt> {
        let unit = protocol.conditions.get(id)?.measured_on;
        if unit == protocol.run_unit() {
            return None;
        }
        let path = unit_path(protocol, plan, labels, run, unit)?;
        let (other, first) = *self.seen.entry((id, path)).or_insert((run, value));
        let unit = protocol.units.get(unit).map_or("", |unit| unit.name.as_str());
        (first != value).then(|| ("R053", format!("run {other}, in the same {unit}, has {first}")))
    }
}

/// Labels of a unit and of those above it.
pub(super) fn unit_path(
    protocol: &Protocol,
    plan: Option<&Plan>,
    labels: &[String],
    run: usize,
    unit: usize,
) -> Option<Vec<String>> {
    let units = protocol.above(unit).into_iter().chain([unit]);
    if let Some(plan) = plan {
        let planned = plan.runs.get(run.checked_sub(1)?)?;
        return units.map(|id| planned.units.get(id).map(ToString::to_string)).collect();
    }
    units.map(|id| labels.get(id).cloned()).collect()
}
