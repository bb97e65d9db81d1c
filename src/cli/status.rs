//! `wellrun status`: what is done, missing, out of order, questioned.

use serde::Serialize;

use super::console::{Console, Page};
use super::load::{self, Study, StudyArgument};
use super::{Answer, Done, counted, help_end};
use crate::record::{self, Status};

/// Show what is done, what is missing, and what somebody should look at
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun status my-study"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
}

/// How far a study is, as JSON.
#[derive(Debug, Serialize)]
struct Summary<'a> {
    study: &'a str,
    version: &'a str,
    site: Option<&'a str>,
    /// `not frozen`, `frozen`, `as run`.
    plan: &'static str,
    #[serde(flatten)]
    status: &'a Status,
    /// When the record was closed; left out while it is open.
    #[serde(skip_serializing_if = "Option::is_none")]
    closed: Option<&'a str>,
    journal_entries: usize,
    journal_head: &'a str,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let study = load::open(&args.study.dir, None, console)?;
    let status = record::status(&study.protocol, study.plan.as_ref(), &study.record);
    let plan = match (&study.plan, study.protocol.is_as_run()) {
        (_, true) => "as run",
        (Some(_), _) => "frozen",
        (None, _) => "not frozen",
    };
    console.json(&Summary {
        study: &study.protocol.study.id,
        version: &study.protocol.study.version,
        site: study.site.as_ref().map(|site| site.id.as_str()),
        plan,
        status: &status,
        closed: study.record.closed.as_ref().map(|closed| closed.at.as_str()),
        journal_entries: study.record.entries,
        journal_head: &study.record.head,
    })?;
    console.page(&page(&study, &status, plan))?;
    Ok(Answer::Yes)
}

fn page(study: &Study, status: &Status, plan: &str) -> Page {
    let mut page = Page::new();
    let (declared, record) = (&study.protocol.study, &study.record);
    let place = study
        .site
        .as_ref()
        .map_or_else(String::new, |site| format!(" at {}", site.name));
    page.heading(&declared.title)
        .sentence(format!("Study {}, version {}{place}.", declared.id, declared.version));
    if plan == "not frozen" {
        page.sentence("The order of the runs is not drawn yet: `wellrun plan`.");
        return page;
    }
    page.sentence(format!(
        "{} of {} complete.",
        status.complete,
        counted(status.planned, "run")
    ));
    if !study.blind.is_empty() {
        page.sentence(match &record.unblinded {
            None => "The study is blinded: levels are codes.".to_owned(),
            Some(open) => format!("Unblinded on {}: {}", open.at, open.why),
        });
    }
    if let Some(rows) = status.controls {
        page.sentence(format!(
            "{} of {} of controls complete.",
            rows.complete,
            counted(rows.planned, "row")
        ));
    }
    if let Some(closed) = &record.closed {
        let by = if closed.by.is_empty() {
            String::new()
        } else {
            format!(" by {}", closed.by)
        };
        let why = if closed.why.is_empty() {
            String::new()
        } else {
            format!(": {}", closed.why.trim_end_matches('.'))
        };
        page.sentence(format!(
            "The record was closed on {}{by}{why}. Nothing is added to it any more.",
            closed.at
        ));
    } else if let Some(next) = status.next_run.filter(|_| plan == "frozen") {
        page.sentence(format!("Next: run {next}."));
    }
    for (title, runs) in [
        ("Runs without anything", &status.untouched),
        ("Runs with a reading missing", &status.incomplete),
    ] {
        if !runs.is_empty() {
            page.heading(title).sentence(spans(runs));
        }
    }
    let missing = status.missing.iter().map(|m| {
        let more = record
            .missing
            .iter()
            .find(|of| of.run == m.run && of.what == m.what && !of.why.is_empty());
        let reason = m.reason.as_ref().map_or_else(
            || "no reason given".to_owned(),
            |reason| match more {
                Some(more) => format!("reason given: {reason}, {}", more.why),
                None => format!("reason given: {reason}"),
            },
        );
        format!("run {}, {}: {reason}", m.run, m.what)
    });
    let out_of_order = status
        .out_of_order
        .iter()
        .map(|o| format!("run {}, made in position {}, after run {}", o.run, o.position, o.after));
    let questioned = record
        .questioned
        .iter()
        .map(|q| format!("run {}, {}: {} ({})", q.run, q.what, q.text, q.why));
    let by = |by: &str| {
        if by.is_empty() {
            String::new()
        } else {
            format!(" ({by})")
        }
    };
    let corrections = record.corrections.iter().map(|c| {
        format!(
            "run {}, {}: {} in place of {}; {}{}",
            c.run,
            c.what,
            c.to,
            c.from,
            c.reason,
            by(&c.by)
        )
    });
    let of_controls = record.control_corrections.iter().map(|c| {
        format!(
            "{}, {}: {} in place of {}; {}{}",
            c.row,
            c.what,
            c.to,
            c.from,
            c.reason,
            by(&c.by)
        )
    });
    let corrections = corrections.chain(of_controls);
    let deviations = record.deviations.iter().map(|d| {
        let what = format!("{}{}", d.what, by(&d.by));
        d.run.map_or_else(|| what.clone(), |run| format!("run {run}: {what}"))
    });
    let conflicts = record.conflicts.iter().map(|c| {
        let by = c.trace.by.as_deref().unwrap_or("nobody named");
        let row = if c.row.bytes().all(|b| b.is_ascii_digit()) {
            format!("run {}", c.row)
        } else {
            c.row.clone()
        };
        format!(
            "{row}, {}: {} stands, and {} was written by {by}",
            c.what, c.stands, c.text
        )
    });
    let asked = record.asked.iter().map(|a| {
        format!(
            "{} of {}: {} ({}): {}",
            a.what,
            a.row,
            a.text,
            a.why.trim_end_matches('.'),
            a.answer
        )
    });
    let course = record
        .course
        .iter()
        .filter(|course| {
            matches!(
                course.what.as_str(),
                "skipped" | "taken up" | "paused" | "resumed" | "operator"
            )
        })
        .map(|course| {
            let run = course.run.map_or_else(String::new, |run| format!("run {run} "));
            let text = if course.text.is_empty() {
                String::new()
            } else {
                format!(": {}", course.text)
            };
            let when = course.trace.read.as_deref().unwrap_or_default();
            format!("{when}, {run}{}{text}", course.what)
        });
    let devices = record
        .devices
        .iter()
        .map(|(device, log)| format!("{device}: {} taken in", counted(log.through, "event")));
    let patterns = record::patterns(&study.protocol, record);
    let files = record
        .files
        .iter()
        .map(|file| format!("{}: {}, {}", file.name, counted(file.added, "value"), file.at));
    section(&mut page, "Values that are missing", missing);
    section(
        &mut page,
        "Runs made after one that was planned to come later",
        out_of_order,
    );
    section(&mut page, "Questioned values", questioned);
    section(&mut page, "Two values for one place", conflicts);
    section(
        &mut page,
        "Worth a look",
        patterns.into_iter().map(|pattern| pattern.what),
    );
    section(&mut page, "Corrections", corrections);
    section(&mut page, "Departures from the protocol", deviations);
    section(&mut page, "Questions put at the bench", asked);
    section(&mut page, "At the bench", course);
    section(&mut page, "Devices", devices);
    section(&mut page, "Files taken in", files);
    page
}

/// A heading and a list, if there is anything to list; long lists are cut and say so.
fn section(page: &mut Page, title: &str, items: impl Iterator<Item = String>) {
    const MOST: usize = 20;
    let items: Vec<String> = items.collect();
    if items.is_empty() {
        return;
    }
    page.heading(title);
    for item in items.iter().take(MOST) {
        page.item(item);
    }
    if items.len() > MOST {
        page.item(format!("and {} more", items.len() - MOST));
    }
}

/// `1 to 4, 7, 9 to 12`; the numbers are in order.
fn spans(numbers: &[usize]) -> String {
    let mut groups: Vec<(usize, usize)> = Vec::new();
    for &number in numbers {
        match groups.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => groups.push((number, number)),
        }
    }
    let words: Vec<String> = groups
        .into_iter()
        .map(|(first, last)| {
            if first == last {
                first.to_string()
            } else {
                format!("{first} to {last}")
            }
        })
        .collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_in_a_row_are_named_by_their_ends() {
        assert_eq!(spans(&[1, 2, 3, 7, 9, 10]), "1 to 3, 7, 9 to 10");
        assert_eq!(spans(&[]), "");
    }
}
