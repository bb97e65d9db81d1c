//! Two findings of one study, or two versions of one protocol: what changed, in words.
//!
//! In:  findings before and after; protocols as TOML texts before and after.
//! Out: sentences under headings. Numbers that are the same within `TOLERANCE` have not changed.
//!
//! Why: after a correction, an amendment or a new version of the tool somebody has to say whether a conclusion moved,
//! and by how much of its own uncertainty. Never here: two sites, which are pooled rather than compared.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use serde::Serialize;
use serde_json::{Map, Value};

use super::differ::{same_number, values};
use crate::analysis::{Component, ContrastFinding, Findings, ResponseFindings, SlopeFinding, Verdict};
use crate::report::number::{Place, fixed, significant, with_unit};

/// Sentences on one subject.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Changes {
    /// What they are about.
    pub about: String,
    /// One sentence each; none if nothing changed.
    pub changes: Vec<String>,
}

/// What changed between two versions of a protocol, key by key. Tables in a list are known by their names, so that one
/// more unit does not look like a change of all that follow.
#[must_use]
pub fn protocols(before: &str, after: &str) -> Vec<String> {
    let read = |text: &str| {
        let table: toml::Table = toml::from_str(text.trim_start_matches('\u{feff}')).unwrap_or_default();
        by_name(serde_json::to_value(table).unwrap_or_default())
    };
    let (one, other) = (read(before), read(after));
    let mut all: Vec<String> = values("", &one, &other, &[])
        .into_iter()
        .map(|d| match (d.found.as_str(), d.expected.as_str()) {
            ("", now) => format!("{}: new, {now}.", d.place),
            (was, "") => format!("{}: taken out; it was {was}.", d.place),
            (was, now) => format!("{}: {now} in place of {was}.", d.place),
        })
        .collect();
    if all.is_empty() && before != after {
        all.push("Only comments, blanks or the order of keys changed.".to_owned());
    }
    all
}

/// Lists of tables as tables, by the `name` in each.
fn by_name(value: Value) -> Value {
    match value {
        Value::Object(fields) => Value::Object(fields.into_iter().map(|(key, value)| (key, by_name(value))).collect()),
        Value::Array(items) => {
            let name = |item: &Value| item.get("name").and_then(Value::as_str).map(str::to_owned);
            let names: Option<Vec<String>> = items.iter().map(name).collect();
            match names {
                Some(names) if !names.is_empty() => {
                    let fields = names.into_iter().zip(items.into_iter().map(by_name));
                    Value::Object(fields.collect::<Map<String, Value>>())
                }
                _ => Value::Array(items.into_iter().map(by_name).collect()),
            }
        }
        other => other,
    }
}

/// What changed between two findings, subject by subject; a subject without changes says so by having none.
#[must_use]
pub fn findings(before: &Findings, after: &Findings) -> Vec<Changes> {
    let mut all = vec![Changes {
        about: "Where the findings come from".to_owned(),
        changes: sources(before, after),
    }];
    let two_sites = before.study.site != after.study.site;
    if !two_sites {
        all.push(Changes {
            about: "What happened at the bench".to_owned(),
            changes: bench(before, after),
        });
    }
    let names: BTreeSet<&String> = before.responses.keys().chain(after.responses.keys()).collect();
    for name in names {
        let about = format!("What was found for {name}");
        let changes = match (before.responses.get(name), after.responses.get(name)) {
            (Some(one), Some(other)) => response(one, other, two_sites),
            (Some(_), None) => vec!["There are no findings for it any more.".to_owned()],
            _ => vec!["There were no findings for it before.".to_owned()],
        };
        all.push(Changes { about, changes });
    }
    all
}

fn sources(before: &Findings, after: &Findings) -> Vec<String> {
    let short = |hash: &str| hash.chars().take(12).collect::<String>();
    let (one, other) = (&before.provenance, &after.provenance);
    let pairs = [
        (
            "Version of the protocol",
            before.study.version.clone(),
            after.study.version.clone(),
        ),
        (
            "Hash of the protocol",
            short(&before.study.protocol_sha256),
            short(&after.study.protocol_sha256),
        ),
        ("Version of the tool", one.tool.clone(), other.tool.clone()),
        ("Site", before.study.site.clone(), after.study.site.clone()),
        (
            "Hash of the site file",
            short(&one.site_sha256),
            short(&other.site_sha256),
        ),
        ("Hash of the plan", short(&one.plan_sha256), short(&other.plan_sha256)),
        (
            "Last hash of the record",
            short(&one.record_sha256),
            short(&other.record_sha256),
        ),
    ];
    pairs
        .into_iter()
        .filter(|(_, was, now)| was != now)
        .map(|(what, was, now)| format!("{what}: {} in place of {}.", or_none(&now), or_none(&was)))
        .collect()
}

fn or_none(text: &str) -> &str {
    if text.is_empty() { "none" } else { text }
}

fn bench(before: &Findings, after: &Findings) -> Vec<String> {
    let (one, other) = (&before.record, &after.record);
    let mut all = Vec::new();
    if one.runs_complete != other.runs_complete {
        let (now, was) = (other.runs_complete, one.runs_complete);
        all.push(format!("Complete runs: {now} in place of {was}."));
    }
    let lists = |what: &str, was: Vec<String>, now: Vec<String>, all: &mut Vec<String>| {
        for item in now.iter().filter(|item| !was.contains(item)) {
            all.push(format!("New {what}: {item}."));
        }
        for item in was.iter().filter(|item| !now.contains(item)) {
            all.push(format!("No longer there, a {what}: {item}."));
        }
    };
    let corrections = |findings: &Findings| {
        let lines = findings.record.corrections.iter();
        lines
            .map(|c| {
                format!(
                    "run {}, {}: {} in place of {} ({})",
                    c.run, c.what, c.to, c.from, c.reason
                )
            })
            .collect()
    };
    lists("correction", corrections(before), corrections(after), &mut all);
    let deviations = |findings: &Findings| {
        let lines = findings.record.deviations.iter();
        lines.map(|d| d.what.trim_end_matches('.').to_owned()).collect()
    };
    lists("departure", deviations(before), deviations(after), &mut all);
    let amendments = |findings: &Findings| {
        let lines = findings.record.amendments.iter();
        lines.map(|a| format!("version {} ({})", a.version, a.reason)).collect()
    };
    lists("amendment", amendments(before), amendments(after), &mut all);
    all
}

/// An estimate with its interval, whatever it is of.
struct Estimate {
    name: String,
    value: f64,
    error: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    /// The verdict in words, or whether the interval holds nought.
    says: Option<String>,
    planned: bool,
}

fn response(before: &ResponseFindings, after: &ResponseFindings, two_sites: bool) -> Vec<String> {
    let mut all = Vec::new();
    if before.readings != after.readings {
        all.push(format!("Readings: {} in place of {}.", after.readings, before.readings));
    }
    let unit = &after.unit;
    let estimates = |found: &ResponseFindings| -> Vec<Estimate> {
        let contrasts = found.contrasts.iter().map(contrast);
        let slopes = found.slopes.iter().map(slope);
        contrasts
            .chain(slopes)
            .chain(found.components.iter().filter_map(component))
            .collect()
    };
    let was: BTreeMap<String, Estimate> = estimates(before).into_iter().map(|e| (e.name.clone(), e)).collect();
    let now = estimates(after);
    let mut moved = 0;
    for new in &now {
        let Some(old) = was.get(&new.name) else {
            all.push(format!("{}: not found before, now {}.", new.name, shown(new, unit)));
            continue;
        };
        let same = same_number(old.value, new.value)
            && same_limit(old.low, new.low)
            && same_limit(old.high, new.high)
            && old.says == new.says;
        if same {
            continue;
        }
        moved += 1;
        let mut sentence = format!("{}: {} in place of {}", new.name, shown(new, unit), shown(old, unit));
        if let Some(error) = old.error.filter(|error| *error > 0.0) {
            let part = (new.value - old.value).abs() / error;
            let _ = write!(
                sentence,
                "; {} by {} of its standard error{}",
                if two_sites { "they are apart" } else { "it moved" },
                if part < 0.01 {
                    "less than 0.01".to_owned()
                } else {
                    significant(part, 2)
                },
                if two_sites { " at the first site" } else { "" },
            );
        }
        match (&old.says, &new.says) {
            (Some(old), Some(new)) if old != new => {
                let _ = write!(sentence, ". The conclusion changed: {new}, and before {old}");
            }
            (Some(_), Some(_)) => sentence.push_str("; the conclusion is the same"),
            _ => {}
        }
        if !new.planned {
            sentence.push_str(" (exploratory)");
        }
        sentence.push('.');
        all.push(sentence);
    }
    for old in was.keys().filter(|name| now.iter().all(|new| new.name != **name)) {
        all.push(format!("{old}: no longer found."));
    }
    if moved == 0 && all.is_empty() && !nothing_else(before, after) {
        all.push("No difference, slope or spread moved; something else in the findings did.".to_owned());
    }
    all
}

fn nothing_else(before: &ResponseFindings, after: &ResponseFindings) -> bool {
    let value = |found: &ResponseFindings| serde_json::to_value(found).unwrap_or_default();
    values("", &value(before), &value(after), &[]).is_empty()
}

fn same_limit(one: Option<f64>, other: Option<f64>) -> bool {
    match (one, other) {
        (Some(one), Some(other)) => same_number(one, other),
        (one, other) => one.is_none() && other.is_none(),
    }
}

fn shown(estimate: &Estimate, unit: &str) -> String {
    let place = estimate.error.and_then(Place::of_error);
    let number = |value: f64| place.map_or_else(|| significant(value, 3), |place| fixed(value, place));
    let value = with_unit(&number(estimate.value), unit);
    match (estimate.low, estimate.high) {
        (Some(low), Some(high)) => format!("{value} ({} to {})", number(low), number(high)),
        _ => value,
    }
}

/// What the interval says about the smallest difference that matters, or else on its own.
fn says(verdict: Option<Verdict>, low: Option<f64>, high: Option<f64>) -> Option<String> {
    match verdict {
        Some(Verdict::Matters) => return Some("it matters".to_owned()),
        Some(Verdict::DoesNotMatter) => return Some("it does not matter".to_owned()),
        Some(Verdict::Undecided) => return Some("whether it matters is undecided".to_owned()),
        None => {}
    }
    let (low, high) = (low?, high?);
    Some(if low > 0.0 || high < 0.0 {
        "the interval leaves nought out".to_owned()
    } else {
        "the interval holds nought".to_owned()
    })
}

fn contrast(found: &ContrastFinding) -> Estimate {
    let (low, high) = found.interval();
    let within: Vec<String> = found
        .within
        .iter()
        .map(|(factor, level)| format!("{factor} {level}"))
        .collect();
    let within = if within.is_empty() {
        String::new()
    } else {
        format!(" at {}", within.join(", "))
    };
    Estimate {
        name: format!("{}, {} to {}{within}", found.factor, found.from, found.to),
        value: found.difference,
        error: found.standard_error,
        low,
        high,
        says: says(found.verdict, low, high),
        planned: found.planned,
    }
}

fn slope(found: &SlopeFinding) -> Estimate {
    Estimate {
        name: format!("{}, per {}", found.factor, found.unit),
        value: found.per_unit,
        error: found.standard_error,
        low: found.low,
        high: found.high,
        says: says(found.verdict, found.low, found.high),
        planned: found.planned,
    }
}

fn component(found: &Component) -> Option<Estimate> {
    Some(Estimate {
        name: format!("Spread of {}", found.source),
        value: found.standard_deviation?,
        error: None,
        low: found.low,
        high: found.high,
        says: None,
        planned: true,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_of_a_protocol_differ_key_by_key() {
        let before = "a = 1\n[[unit]]\nname = \"day\"\ncount = 2\n[[unit]]\nname = \"run\"\n[x]\nold = \"o\"\n";
        let after = "a = 1\n[[unit]]\nname = \"week\"\ncount = 1\n[[unit]]\nname = \"day\"\ncount = 3\n[[unit]]\nname = \"run\"\n[x]\n";
        let changes = protocols(before, after);
        assert!(
            changes.contains(&"unit.day.count: 3 in place of 2.".to_owned()),
            "{changes:?}"
        );
        assert!(
            changes.contains(&"x.old: taken out; it was o.".to_owned()),
            "{changes:?}"
        );
        assert!(
            changes.iter().any(|change| change.starts_with("unit.week: new")),
            "{changes:?}"
        );
        assert_eq!(changes.len(), 3, "{changes:?}");
        assert_eq!(protocols(before, before), Vec::<String>::new());
        assert_eq!(protocols(before, &format!("# why\n{before}")).len(), 1);
    }
}
