//! `wellrun status`: what is done, missing, out of order, questioned.

use serde::Serialize;

use super::console::{Console, Page};
use super::load::{self, Study, StudyArgument};
use super::{Answer, Done, counted, help_end};
use crate::record::RunRecord;

/// Show what is done, what is missing, and what somebody should look at
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun status my-study"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
}

/// How far a study is.
#[derive(Debug, Serialize)]
struct Status {
    study: String,
    site: Option<String>,
    /// `not frozen`, `frozen`, `as run`.
    plan: &'static str,
    runs_planned: Option<usize>,
    runs_complete: usize,
    runs_incomplete: Vec<usize>,
    runs_missing: Vec<usize>,
    readings: usize,
    next_run: Option<usize>,
    out_of_order: Vec<usize>,
    questioned: Vec<String>,
    corrections: Vec<String>,
    deviations: Vec<String>,
    files: Vec<String>,
    journal_entries: usize,
    journal_head: String,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let study = load::open(&args.study.dir, None, console)?;
    let status = Status::of(&study);
    console.json(&status)?;
    console.page(&status.page(&study))?;
    Ok(Answer::Yes)
}

impl Status {
    fn of(study: &Study) -> Self {
        let record = &study.record;
        let wanted: usize = study.protocol.responses.iter().map(|response| response.readings).sum();
        let written = |run: &RunRecord| run.readings.iter().flatten().flatten().count();
        let with = |test: &dyn Fn(usize) -> bool| -> Vec<usize> {
            record
                .runs
                .values()
                .filter(|run| test(written(run)))
                .map(|run| run.run)
                .collect()
        };
        let complete = with(&|count| count >= wanted);
        let planned: Option<Vec<usize>> = study
            .plan
            .as_ref()
            .map(|plan| plan.runs.iter().map(|run| run.run).collect());
        let empty = |run: &usize| record.runs.get(run).is_none_or(|found| written(found) == 0);
        let missing: Vec<usize> = planned.iter().flatten().copied().filter(empty).collect();
        let mut by_order: Vec<(usize, usize)> = record
            .runs
            .values()
            .filter_map(|run| run.order.map(|order| (order, run.run)))
            .collect();
        by_order.sort_unstable();
        // A run is out of order if a later planned one was made before it.
        let mut furthest = 0;
        let mut out_of_order = Vec::new();
        for (_, run) in by_order {
            if run < furthest {
                out_of_order.push(run);
            }
            furthest = furthest.max(run);
        }
        Self {
            study: study.protocol.study.id.clone(),
            site: study.site.as_ref().map(|site| site.id.clone()),
            plan: match (&study.plan, study.protocol.is_as_run()) {
                (_, true) => "as run",
                (Some(_), _) => "frozen",
                (None, _) => "not frozen",
            },
            runs_planned: planned.as_ref().map(Vec::len),
            runs_complete: complete.len(),
            runs_incomplete: with(&|count| count > 0 && count < wanted),
            next_run: missing.first().copied(),
            runs_missing: missing,
            readings: record.runs.values().map(written).sum(),
            out_of_order,
            questioned: record
                .questioned
                .iter()
                .map(|q| format!("run {}, {}: {} ({})", q.run, q.what, q.text, q.why))
                .collect(),
            corrections: record
                .corrections
                .iter()
                .map(|c| {
                    format!(
                        "run {}, {}: {} instead of {}, because: {}",
                        c.run, c.what, c.to, c.from, c.reason
                    )
                })
                .collect(),
            deviations: record
                .deviations
                .iter()
                .map(|d| {
                    d.run
                        .map_or_else(|| d.what.clone(), |run| format!("run {run}: {}", d.what))
                })
                .collect(),
            files: record
                .files
                .iter()
                .map(|file| format!("{}: {}, {}", file.name, counted(file.added, "value"), file.at))
                .collect(),
            journal_entries: record.entries,
            journal_head: record.head.clone(),
        }
    }

    fn page(&self, study: &Study) -> Page {
        let mut page = Page::new();
        page.heading(&study.protocol.study.title);
        let place = study
            .site
            .as_ref()
            .map_or_else(String::new, |site| format!(" at {}", site.name));
        page.sentence(format!(
            "Study {}, version {}{place}.",
            self.study, study.protocol.study.version
        ));
        match (self.plan, self.runs_planned) {
            ("not frozen", _) => page.sentence("The order of the runs is not drawn yet: `wellrun plan`."),
            (_, Some(planned)) => page.sentence(format!(
                "{} of {} complete, {} written down.",
                self.runs_complete,
                counted(planned, "run"),
                counted(self.readings, "reading"),
            )),
            _ => page.sentence(format!(
                "{} complete, {} written down, in the order in which they were made.",
                counted(self.runs_complete, "run"),
                counted(self.readings, "reading"),
            )),
        };
        if let Some(next) = self.next_run.filter(|_| self.plan == "frozen") {
            page.sentence(format!("Next: run {next}."));
        }
        for (title, runs) in [
            ("Runs without a single reading", &self.runs_missing),
            ("Runs with some readings and not all", &self.runs_incomplete),
            ("Runs made after a run that was planned later", &self.out_of_order),
        ] {
            if !runs.is_empty() {
                page.heading(title).sentence(spans(runs));
            }
        }
        for (title, items) in [
            ("Questioned values", &self.questioned),
            ("Corrections", &self.corrections),
            ("Departures from the protocol", &self.deviations),
            ("Files taken in", &self.files),
        ] {
            if !items.is_empty() {
                page.heading(title);
                for item in items {
                    page.item(item);
                }
            }
        }
        page
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
