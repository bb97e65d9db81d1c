//! The view of a plan that the sheet templates render.
//!
//! | key                       | what it holds                                                                     |
//! |---------------------------|-----------------------------------------------------------------------------------|
//! | `study`                   | `id`, `version`, `title`, `method`                                                |
//! | `site`                    | `id`, `name`, `room`, `dates`, `people`; texts are empty without a site file      |
//! | `protocol_hash`, `plan_hash` | the first 12 digits                                                            |
//! | `letter_paper`, `rehearsal` | `false`; the caller may set `true` (paper matters to HTML alone)                 |
//! | `notice`, `cautions`      | what to think of first                                                            |
//! | `before_study`, `before_run`, `after_run`, `after_study` | steps                                              |
//! | `responses`               | `name`, `measurand`, `unit`, `resolution`, `reading_time`, `readings`             |
//! | `named`                   | what stands behind levels: `factor`, `level`, `description`, `serial`, ...        |
//! | `runs`                    | in planned order: `run`, `cleaning`, `controls` (before it), `set_up` (or null), |
//! |                           | `settings`, `conditions`, `readings`                                              |
//! |                           | and `map` (or null): `svg`, `width`, `places`, `used`                             |
//! | `positions`               | shape, zero mark and reading of the maps, or null                                 |
//! | `end`                     | `cleaning` and `controls` after the last run                                    |
//!
//! A setting has `name`, `value`, `note` (serial number or label), `how`, `before` (empty if new), `changed`,
//! and `here`: whether it is set for this run rather than with a wider unit.

use serde_json::{Value, json};

use super::between;
use super::map::Maps;
use crate::plan::{ControlRow, Plan, PlannedRun, control_rows};
use crate::protocol::{FactorId, Protocol, Site, UnitId};

/// What every first page says before anything else.
const NOTICE: &str = "This sheet does not assess hazards. Before any work the laboratory makes its own risk assessment. \
    Site rules, the law, makers' instructions and safety data sheets come before anything printed here. The work is done \
    by people trained and, where required, authorized for it. Stop if conditions are not as expected: a stopped run is \
    void with a reason, never a failure.";

/// Digits of a hash that are printed on every page.
const SHORT: usize = 12;

/// The sheet of a plan as data.
#[must_use]
pub fn data(protocol: &Protocol, site: Option<&Site>, plan: &Plan) -> Value {
    let view = View::new(protocol, site, plan);
    let last = plan.runs.len();
    json!({
        "study": {
            "id": protocol.study.id,
            "version": protocol.study.version,
            "title": protocol.study.title,
            "method": protocol.study.method,
        },
        "site": {
            "id": plan.header.site,
            "name": site.map_or("", |s| s.name.as_str()),
            "room": site.map_or("", |s| s.room.as_str()),
            "dates": site.map_or(["", ""], |s| [s.dates.0.as_str(), s.dates.1.as_str()]),
            "people": site.map_or_else(Vec::new, |s| {
                s.people.iter().map(|p| json!({"code": p.code, "role": p.role})).collect()
            }),
        },
        "protocol_hash": short(&plan.header.protocol_sha256),
        "plan_hash": short(&plan.header.plan_sha256),
        "letter_paper": false,
        "rehearsal": false,
        "notice": NOTICE,
        "cautions": protocol.procedure.cautions,
        "before_study": protocol.procedure.before_study,
        "before_run": protocol.procedure.before_run,
        "after_run": protocol.procedure.after_run,
        "after_study": protocol.procedure.after_study,
        "responses": protocol.responses.iter().map(|r| json!({
            "name": r.name,
            "measurand": r.measurand,
            "unit": r.unit,
            "resolution": r.resolution.to_string(),
            "reading_time": r.reading_time,
            "readings": r.readings,
        })).collect::<Vec<_>>(),
        "named": view.named(),
        "positions": view.maps.as_ref().map(Maps::head),
        "end": { "cleaning": between::cleaning(protocol, plan, last), "controls": view.controls(last) },
        "runs": (0..plan.runs.len()).map(|index| view.run(index)).collect::<Vec<_>>(),
    })
}

/// The first digits of a hash.
fn short(hash: &str) -> &str {
    hash.get(..SHORT).unwrap_or(hash)
}

/// The number of a unit within the units above it.
fn number(run: &PlannedRun, unit: UnitId) -> usize {
    run.units.get(unit).copied().unwrap_or(0)
}

/// All that a sheet is made from.
pub(super) struct View<'a> {
    protocol: &'a Protocol,
    site: Option<&'a Site>,
    plan: &'a Plan,
    controls: Vec<ControlRow>,
    maps: Option<Maps<'a>>,
}

impl<'a> View<'a> {
    /// The view of a plan.
    pub(super) fn new(protocol: &'a Protocol, site: Option<&'a Site>, plan: &'a Plan) -> Self {
        Self {
            protocol,
            site,
            plan,
            controls: control_rows(protocol, plan.runs.len()),
            maps: Maps::of(protocol, plan),
        }
    }

    /// The set-up of every wider unit of a run, whether it is set up anew in planned order or not.
    pub(super) fn parts(&self, index: usize) -> Value {
        let wider: Vec<UnitId> = (0..self.protocol.run_unit()).collect();
        match self.set_up(&self.plan.runs[index], None, &wider) {
            Value::Null => json!([]),
            parts => parts,
        }
    }

    /// The face on which the spots lie, or null.
    pub(super) fn face(&self) -> Value {
        self.maps.as_ref().map_or(Value::Null, Maps::face)
    }

    /// The specimen of a run, or null.
    pub(super) fn specimen(&self, index: usize) -> Value {
        json!(self.maps.as_ref().and_then(|maps| maps.specimen(index)))
    }

    /// What stands behind the levels of a run that the site names: `A, serial HD-0417`.
    pub(super) fn instruments(&self, index: usize) -> String {
        let run = &self.plan.runs[index];
        let named = self
            .protocol
            .factors
            .iter()
            .enumerate()
            .filter(|(_, f)| f.named_by_site);
        let parts: Vec<String> = named
            .map(|(id, factor)| match self.behind(run, id) {
                behind if behind.is_empty() => format!("{} {}", factor.name, self.level(run, id)),
                behind => format!("{} {}, {behind}", factor.name, self.level(run, id)),
            })
            .collect();
        parts.join("; ")
    }

    /// What stands behind the levels that the site names, in protocol order.
    fn named(&self) -> Vec<Value> {
        let mut rows = Vec::new();
        for (id, factor) in self
            .protocol
            .factors
            .iter()
            .enumerate()
            .filter(|(_, f)| f.named_by_site)
        {
            for index in 0..factor.levels.len() {
                let named = self.site.and_then(|site| {
                    site.named
                        .iter()
                        .find(|named| named.factor == id && named.level == index)
                });
                rows.push(json!({
                    "factor": factor.name,
                    "level": factor.level(index),
                    "description": named.map_or("", |n| n.description.as_str()),
                    "serial": named.map_or("", |n| n.serial.as_str()),
                    "certificate": named.map_or("", |n| n.certificate.as_str()),
                    "calibrated": named.map_or("", |n| n.calibrated.as_str()),
                    "due": named.map_or("", |n| n.due.as_str()),
                }));
            }
        }
        rows
    }

    /// One run with the set-up before it.
    fn run(&self, index: usize) -> Value {
        let run = &self.plan.runs[index];
        let before = index.checked_sub(1).map(|i| &self.plan.runs[i]);
        let run_unit = self.protocol.run_unit();
        let fresh = self.plan.set_up_before(self.protocol, index);
        let wider: Vec<UnitId> = fresh.iter().copied().filter(|&u| u != run_unit).collect();
        let mut settings = Vec::new();
        for (id, unit) in self.protocol.units.iter().enumerate().take(run_unit) {
            // Factors stand under the unit they are set on, so that a setting has the same place in every run.
            settings.push(json!({
                "name": unit.name,
                "value": number(run, id).to_string(),
                "note": self.label(run, id),
                "how": "",
                "before": before.map_or_else(String::new, |b| number(b, id).to_string()),
                "changed": before.is_none_or(|b| number(b, id) != number(run, id)),
                "here": false,
            }));
            settings.extend(self.settings(run, before, id));
        }
        settings.extend(self.settings(run, before, run_unit));
        json!({
            "run": run.run,
            "cleaning": between::cleaning(self.protocol, self.plan, index),
            "controls": self.controls(index),
            "map": self.maps.as_ref().map(|maps| maps.run(index)),
            "set_up": self.set_up(run, before, &wider),
            "settings": settings,
            "steps": if fresh.contains(&run_unit) { self.protocol.units[run_unit].set_up.clone() } else { Vec::new() },
            "conditions": self.conditions(run_unit),
            "readings": self.protocol.responses.iter().map(|r| json!({
                "name": r.name,
                "unit": r.unit,
                "boxes": (1..=r.readings).collect::<Vec<_>>(),
            })).collect::<Vec<_>>(),
        })
    }

    /// The control rows that so many runs come before.
    fn controls(&self, after: usize) -> Vec<Value> {
        let from = self.controls.partition_point(|row| row.after_run < after);
        self.controls[from..]
            .iter()
            .take_while(|row| row.after_run == after)
            .map(|row| between::control(self.protocol, self.site, row))
            .collect()
    }

    /// The block of the wider units that are set up anew, or null if none is.
    fn set_up(&self, run: &PlannedRun, before: Option<&PlannedRun>, units: &[UnitId]) -> Value {
        if units.is_empty() {
            return Value::Null;
        }
        units
            .iter()
            .map(|&id| {
                let unit = &self.protocol.units[id];
                json!({
                    "unit": unit.name,
                    "number": number(run, id),
                    "of": unit.count,
                    "label": self.label(run, id),
                    "settings": self.settings(run, before, id),
                    "steps": unit.set_up,
                    "conditions": self.conditions(id),
                })
            })
            .collect()
    }

    /// The factors set on a unit, with what changes.
    fn settings(&self, run: &PlannedRun, before: Option<&PlannedRun>, unit: UnitId) -> Vec<Value> {
        self.protocol
            .factors_on(unit)
            .into_iter()
            .map(|id| {
                let value = self.level(run, id);
                let old = before.map(|b| self.level(b, id)).unwrap_or_default();
                json!({
                    "name": self.protocol.factors[id].name,
                    "note": self.behind(run, id),
                    "how": self.protocol.factors[id].how.replace("{level}", &value),
                    "changed": old != value,
                    "before": old,
                    "value": value,
                    "here": unit == self.protocol.run_unit(),
                })
            })
            .collect()
    }

    /// What is measured once for each unit of a kind.
    fn conditions(&self, unit: UnitId) -> Vec<Value> {
        self.protocol
            .conditions
            .iter()
            .filter(|condition| condition.measured_on == unit)
            .map(|condition| json!({"name": condition.name, "unit": condition.unit}))
            .collect()
    }

    /// A level as printed.
    fn level(&self, run: &PlannedRun, factor: FactorId) -> String {
        let declared = &self.protocol.factors[factor];
        match run.levels.get(factor) {
            Some(&index) if index < declared.levels.len() => declared.level(index),
            _ => String::new(),
        }
    }

    /// The serial number behind a level that the site names.
    fn behind(&self, run: &PlannedRun, factor: FactorId) -> String {
        let index = run.levels.get(factor).copied();
        self.site
            .and_then(|site| site.named.iter().find(|n| n.factor == factor && Some(n.level) == index))
            .map_or_else(String::new, |named| {
                if named.serial.is_empty() {
                    named.description.clone()
                } else {
                    format!("serial {}", named.serial)
                }
            })
    }

    /// The site's label of a unit, by its number within the units above it; empty if the site gives none.
    fn label(&self, run: &PlannedRun, unit: UnitId) -> String {
        let name = &self.protocol.units[unit].name;
        let labels = self.site.and_then(|site| site.labels.iter().find(|(of, _)| of == name));
        let place = number(run, unit).checked_sub(1);
        labels
            .zip(place)
            .and_then(|((_, labels), place)| labels.get(place).cloned())
            .unwrap_or_default()
    }
}
