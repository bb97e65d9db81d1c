//! The diagnosis as checks, each with its answer in a sentence.
//!
//! In:  the diagnosis, and the model ready for deletions.
//! Out: `Check`s. A transformation is never made and a run never left out: the sentence says who decides.

use super::checks::{cannot_tell, judged};
use super::diagnosis::{Diagnosis, LEAST_RATIO};
use super::findings::{Check, Outcome};
use super::frame::Frame;
use super::influence::{InfluenceFinding, furthest};
use crate::protocol::Response;
use crate::stats::deletion::Deletion;

/// Cook's distance from which a run moves the effects much; common practice.
const FAR: f64 = 1.0;

fn check(name: &str, outcome: Outcome, answer: String, statistic: Option<f64>, p: Option<f64>) -> Check {
    Check {
        name: name.to_owned(),
        outcome,
        answer,
        statistic,
        p,
    }
}

/// The run that lies furthest from what the others say, where runs are missing.
pub(super) fn odd_run(diagnosis: &Diagnosis, deletion: &Deletion, response: &Response) -> Option<Check> {
    let influence = diagnosis.influence.as_ref()?;
    let name = "a run that stands apart";
    let Some((worst, p)) = furthest(influence, deletion.df()).filter(|_| deletion.df() > 3) else {
        return Some(cannot_tell(
            name,
            "Too few degrees of freedom are left to see a run that stands apart.",
        ));
    };
    let run = &influence.runs[worst];
    Some(judged(
        name.to_owned(),
        p,
        run.t.map_or(0.0, f64::abs),
        format!(
            "Run {} stands {:.2} {} away from what the other runs give for it. Look for a cause; nothing was left out.",
            run.run,
            run.shift.map_or(0.0, f64::abs),
            response.unit
        ),
        format!("No run stands apart; the furthest is run {}.", run.run),
    ))
}

/// Does the answer hang on one run or set-up?
pub(super) fn single_runs(diagnosis: &Diagnosis, ready: &Result<Deletion, &'static str>) -> Check {
    let name = "conclusions without single runs or set-ups";
    let found = match (&diagnosis.influence, ready) {
        (Some(found), _) => found,
        (None, Err(why)) => return cannot_tell(name, why),
        (None, Ok(_)) => return cannot_tell(name, "Single runs were not looked at."),
    };
    let largest = largest_distance(found);
    let distance = largest.as_ref().map(|(_, distance)| *distance);
    let far = largest
        .filter(|(_, distance)| *distance > FAR)
        .map(|(what, distance)| {
            format!(" The effects would move much without {what} (Cook's distance {distance:.1}; common practice: look above 1).")
        })
        .unwrap_or_default();
    let far = if found.complete {
        far
    } else {
        format!("{far} More runs come near to it than were left out one by one, so this may not be all.")
    };
    if found.changes.is_empty() {
        let seen = if far.is_empty() {
            Outcome::NothingFound
        } else {
            Outcome::Look
        };
        let which = if found.set_ups.is_empty() {
            "run"
        } else {
            "run or set-up"
        };
        return check(
            name,
            seen,
            format!("No conclusion hangs on a single {which}.{far}"),
            distance,
            None,
        );
    }
    let mut said: Vec<String> = found
        .changes
        .iter()
        .take(3)
        .map(|change| {
            format!(
                "without {}, {} would be {} in place of {}",
                change.without, change.about, change.without_it.conclusion, change.with_all.conclusion
            )
        })
        .collect();
    if found.changes.len() > 3 {
        said.push(format!("and {} more such changes", found.changes.len() - 3));
    }
    let mut text = said.join("; ");
    if let Some(first) = text.get(..1).map(str::to_uppercase) {
        text.replace_range(..1, &first);
    }
    check(
        name,
        Outcome::Look,
        format!("{text}.{far} Nothing was left out."),
        distance,
        None,
    )
}

/// The run or set-up without which the effects move furthest.
fn largest_distance(found: &InfluenceFinding) -> Option<(String, f64)> {
    let runs = found.runs.iter().map(|run| (format!("run {}", run.run), run.distance));
    let set_ups = found
        .set_ups
        .iter()
        .map(|set_up| (format!("{} {}", set_up.unit, set_up.label), set_up.distance));
    runs.chain(set_ups)
        .filter_map(|(what, distance)| Some((what, distance?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Does the model leave over more than repeated settings differ by?
pub(super) fn lack_of_fit(diagnosis: &Diagnosis) -> Option<Check> {
    let found = diagnosis.lack_of_fit.as_ref()?;
    Some(judged(
        "lack of fit against repeated settings".to_owned(),
        found.p,
        found.f,
        "The model leaves over more than repeated settings differ by: effects are missing from it, or settings were not repeated \
         from scratch."
            .to_owned(),
        "The model leaves over no more than repeated settings differ by.".to_owned(),
    ))
}

/// Would a power of the response fit better?
pub(super) fn shape(diagnosis: &Diagnosis, confidence: f64) -> Option<Check> {
    let name = "transformation of the response";
    let found = diagnosis.transformation.as_ref()?;
    if found.ratio < LEAST_RATIO {
        let answer = format!(
            "The largest result is only {:.2} times the smallest, so that no power of the response would change much.",
            found.ratio
        );
        return Some(check(name, Outcome::NothingFound, answer, Some(found.ratio), None));
    }
    let end = |end: Option<f64>, open: &str| {
        end.map_or_else(|| open.to_owned(), |v| format!("{v:.1}").replace('-', "\u{2212}"))
    };
    let interval = format!(
        "{} % interval {} to {}",
        (100.0 * confidence).round(),
        end(found.low, "below \u{2212}3"),
        end(found.high, "above 3")
    );
    let as_it_is = found.low.is_none_or(|l| l <= 1.0) && found.high.is_none_or(|h| h >= 1.0);
    let power = format!("{:.1}", found.power).replace('-', "\u{2212}");
    let answer = if as_it_is {
        format!("The response may stay as it is: the power that fits best is {power} ({interval}), and 1 lies inside.")
    } else {
        let inside = if found.candidates.is_empty() {
            String::new()
        } else {
            format!(" Inside lie: {}.", found.candidates.join(", "))
        };
        format!(
            "A power of {power} would fit better than the response as it is ({interval}).{inside} Whether to transform is for \
             the lead to decide; nothing was transformed."
        )
    };
    let outcome = if as_it_is { Outcome::NothingFound } else { Outcome::Look };
    Some(check(name, outcome, answer, Some(found.power), None))
}

/// Are some last digits favoured?
pub(super) fn last_digits(diagnosis: &Diagnosis) -> Option<Check> {
    let found = diagnosis.last_digits.as_ref()?;
    let total: usize = found.counts.iter().sum();
    let favoured = (0..found.counts.len()).max_by_key(|&d| (found.counts[d], std::cmp::Reverse(d)))?;
    Some(judged(
        "last digits of the readings".to_owned(),
        found.p,
        found.statistic,
        format!(
            "{} of {total} readings end in {favoured}: more than chance gives. The display may be coarser than the protocol says, \
             or readings were rounded by eye.",
            found.counts[favoured]
        ),
        "The last digits of the readings are as even as chance makes them.".to_owned(),
    ))
}

/// Readings that stand apart, and the conclusions without the questioned ones.
pub(super) fn readings(diagnosis: &Diagnosis, response: &Response, frame: &Frame) -> Vec<Check> {
    let mut checks = Vec::new();
    let odd = &diagnosis.odd_readings;
    if response.readings > 2 && frame.rows.iter().map(|row| row.readings.len()).sum::<usize>() >= 25 {
        let named: Vec<String> = odd
            .iter()
            .take(5)
            .map(|o| format!("{} of run {} ({})", o.what, o.run, o.value))
            .collect();
        let more = odd.len().saturating_sub(5);
        let rest = if more > 0 {
            format!(" and {more} more")
        } else {
            String::new()
        };
        checks.push(check(
            "single readings that stand apart",
            if odd.is_empty() {
                Outcome::NothingFound
            } else {
                Outcome::Look
            },
            if odd.is_empty() {
                "No reading stands apart from the others of its run.".to_owned()
            } else {
                format!(
                    "{}{rest} stand{} apart from the others of the run. Look for a cause; nothing was left out.",
                    named.join(", "),
                    if odd.len() == 1 { "s" } else { "" }
                )
            },
            odd.first().and_then(|o| o.statistic),
            None,
        ));
    }
    if let Some(found) = &diagnosis.without_questioned {
        let name = "conclusions without questioned readings";
        let many = match found.readings.len() {
            1 => "the questioned reading".to_owned(),
            n => format!("the {n} questioned readings"),
        };
        let changed: Vec<String> = found
            .headlines
            .iter()
            .filter(|h| h.changes)
            .take(3)
            .map(|h| {
                format!(
                    "{} would be {} in place of {}",
                    h.about, h.without_them.conclusion, h.with_all.conclusion
                )
            })
            .collect();
        checks.push(match &found.note {
            Some(note) => cannot_tell(name, &format!("Without {many}: {note}")),
            None if changed.is_empty() => check(
                name,
                Outcome::NothingFound,
                format!("Every conclusion stays the same without {many}."),
                None,
                None,
            ),
            None => check(
                name,
                Outcome::Look,
                format!(
                    "Without {many}, {}. All readings stand in the analysis.",
                    changed.join("; ")
                ),
                None,
                None,
            ),
        });
    }
    checks
}

/// Factors that were set only once at a level: nothing tells them from whatever else differed.
pub(super) fn set_once(diagnosis: &Diagnosis) -> Vec<String> {
    diagnosis
        .replication
        .iter()
        .filter(|found| found.at_a_level == 1)
        .map(|found| {
            format!(
                "{} was set only once at one of its levels at least: what it does cannot be told from what else differed between \
                 these settings of {}.",
                found.factor, found.unit
            )
        })
        .collect()
}
