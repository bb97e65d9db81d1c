//! The designs that fit into a budget of runs, for the terminal.

use std::fmt::Write as _;

use super::console::Page;
use super::plan::duration;
use super::treatments::roman;
use crate::analysis::Candidate;
use crate::report;

/// Most effects named in one sentence.
const NAMED: usize = 3;

/// Adds the candidates to a page: one line each, then what each cannot tell and how to choose it.
pub(super) fn describe(page: &mut Page, budget: usize, candidates: &[Candidate]) {
    page.heading(format!("Designs of at most {budget} runs"));
    if candidates.is_empty() {
        page.sentence("No set of treatments of these factors fits; raise `budget`, or take fewer factors or levels.");
        return;
    }
    let has_sizes = candidates.iter().any(|candidate| !candidate.detectable.is_empty());
    let has_times = candidates.iter().any(|candidate| candidate.bench_minutes > 0.0);
    let mut head = vec![
        "",
        "design",
        "runs",
        "degrees of freedom to judge by",
        "planned effects mixed",
    ];
    if has_sizes {
        head.push("found with 80\u{a0}% power");
    }
    if has_times {
        head.push("bench time");
    }
    let mut rows = vec![head.into_iter().map(str::to_owned).collect::<Vec<String>>()];
    for (index, candidate) in candidates.iter().enumerate() {
        let mut row = vec![
            (index + 1).to_string(),
            match candidate.resolution {
                Some(resolution) => format!("{}, resolution {}", candidate.name, roman(resolution)),
                None => candidate.name.clone(),
            },
            candidate.runs.to_string(),
            candidate.error_df.map_or_else(|| "–".to_owned(), |df| df.to_string()),
            how_many_mixed(candidate),
        ];
        if has_sizes {
            row.push(sizes(candidate));
        }
        if has_times {
            row.push(duration(candidate.bench_minutes));
        }
        rows.push(row);
    }
    page.table(rows);
    for (index, candidate) in candidates.iter().enumerate() {
        let mut text = format!("{}: write {}.", index + 1, candidate.write.join("; "));
        if candidate.error_df.is_none() {
            text.push_str(" Nothing is left to judge a planned effect by.");
        }
        if !candidate.lost.is_empty() {
            let _ = write!(text, " It cannot tell {} at all.", few(&candidate.lost));
        }
        for (is_part, how) in [(false, "mixed"), (true, "mixed in part")] {
            let mut own = candidate.mixed.iter().filter(|mixed| mixed.in_part == is_part);
            let Some(first) = own.next() else { continue };
            let _ = write!(text, " {} is {how} with {}", first.effect, few(&first.with));
            let _ = match own.count() {
                0 => write!(text, "."),
                1 => write!(text, "; so is 1 more planned effect with others."),
                more => write!(text, "; so are {more} more planned effects with others."),
            };
        }
        page.item(text);
    }
    page.sentence(
        "Nothing is chosen: write one of them into the protocol, and look again with `wellrun plan --preview`, which then \
         lists everything that is mixed.",
    );
}

/// `none`, `3`, `7 in part`, `2, 5 in part`.
fn how_many_mixed(candidate: &Candidate) -> String {
    let part = candidate.mixed.iter().filter(|mixed| mixed.in_part).count();
    match (candidate.mixed.len() - part + candidate.lost.len(), part) {
        (0, 0) => "none".to_owned(),
        (whole, 0) => whole.to_string(),
        (0, part) => format!("{part} in part"),
        (whole, part) => format!("{whole}, {part} in part"),
    }
}

fn sizes(candidate: &Candidate) -> String {
    let each: Vec<String> = candidate
        .detectable
        .iter()
        .map(|found| match found.size {
            Some(size) => format!("{} {}", report::size(size), found.unit),
            None => format!("– ({})", found.effect),
        })
        .collect();
    each.join(", ")
}

fn few(names: &[String]) -> String {
    let mut named: Vec<String> = names.iter().take(NAMED).cloned().collect();
    if names.len() > NAMED {
        named.push(format!("{} more", names.len() - NAMED));
    }
    named.join(", ")
}
