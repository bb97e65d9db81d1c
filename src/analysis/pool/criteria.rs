//! Was a finding of the first site repeated, by the criteria that the protocol declared?
//!
//! In:  each site's number. Out: a `RepeatedFinding`.
//!
//! | criterion         | consistent                                  | inconsistent                          | else      |
//! |-------------------|---------------------------------------------|---------------------------------------|-----------|
//! | same sign         | first and further interval leave out zero on | they leave out zero on opposite sides | undecided |
//! |                   | the same side                               |                                       |           |
//! | within prediction | y₂ in y₁ ± t√(u₁² + u₂²), and that interval | y₂ outside                            | undecided |
//! |                   | leaves out zero or is narrower than the     |                                       |           |
//! |                   | smallest difference that matters            |                                       |           |
//! | equivalent        | y₂ − y₁ within ±Δ by two one-sided tests    | its interval wholly beyond ±Δ         | undecided |
//! | same verdict      | both decided, and alike                     | both decided, not alike or opposite   | undecided |
//!
//! The prediction interval takes the errors of both sites in, unlike the interval of the first one, which is too strict. One so
//! wide that it would have held a zero effect, too, confirms nothing (common practice). 'Not told apart from zero at the further
//! site' is not a failure to repeat: that is undecided.

use super::super::findings::Verdict;
use super::findings::{Consistency, CriterionFinding, Repeated, RepeatedFinding, SiteNumber};
use crate::numeric::distribution::t_quantile_upper;
use crate::protocol::Criterion;
use crate::stats::pooling::{SiteEstimate, difference};

/// A site's number, and what the site is called.
#[derive(Clone, Copy)]
struct Named<'a> {
    number: &'a SiteNumber,
    name: &'a str,
}

/// Judges the further sites against the first; `called` names the sites in sentences. `None` without a further site, or a
/// criterion.
pub(super) fn replication(
    numbers: &[SiteNumber],
    called: &[String],
    first: usize,
    criteria: &[Criterion],
    confidence: f64,
    relevant: Option<f64>,
) -> Option<RepeatedFinding> {
    let named: Vec<Named> = numbers
        .iter()
        .zip(called)
        .map(|(number, name)| Named { number, name })
        .collect();
    let original = *named.get(first)?;
    let found: Vec<CriterionFinding> = named
        .iter()
        .enumerate()
        .filter(|(place, _)| *place != first)
        .flat_map(|(_, &further)| {
            criteria
                .iter()
                .map(move |&criterion| judge(original, further, criterion, confidence, relevant))
        })
        .collect();
    if found.is_empty() {
        return None;
    }
    let any = |outcome: Consistency| found.iter().any(|c| c.outcome == outcome);
    let verdict = if any(Consistency::Inconsistent) {
        Repeated::NotReplicated
    } else if any(Consistency::Undecided) {
        Repeated::Undecided
    } else {
        Repeated::Replicated
    };
    Some(RepeatedFinding {
        verdict,
        criteria: found,
    })
}

/// A site's number as the statistics want it.
pub(super) fn estimate_of(number: &SiteNumber) -> Option<SiteEstimate> {
    Some(SiteEstimate {
        estimate: number.estimate?,
        variance: number.standard_error?.powi(2),
        df: number.df?,
    })
}

fn judge(
    original: Named,
    further: Named,
    criterion: Criterion,
    confidence: f64,
    relevant: Option<f64>,
) -> CriterionFinding {
    let (outcome, ends, why) = match (estimate_of(original.number), estimate_of(further.number)) {
        (Some(_), Some(_)) => match criterion {
            Criterion::SameSign => same_sign(original, further),
            Criterion::WithinPrediction => within_prediction(original, further, confidence, relevant),
            Criterion::Equivalent => equivalent(original, further, confidence, relevant),
            Criterion::SameVerdict => same_verdict(original, further),
        },
        (first, _) => {
            let who = if first.is_none() { original } else { further };
            (
                Consistency::Undecided,
                None,
                format!("The error of the estimate of {} cannot be told.", who.name),
            )
        }
    };
    CriterionFinding {
        criterion: criterion.word().to_owned(),
        site: further.number.site.clone(),
        outcome,
        low: ends.map(|(low, _)| low),
        high: ends.map(|(_, high)| high),
        why,
    }
}

type Judged = (Consistency, Option<(f64, f64)>, String);

/// The side of zero on which an interval lies.
fn side(number: &SiteNumber) -> Option<bool> {
    match (number.low, number.high) {
        (Some(low), _) if low > 0.0 => Some(true),
        (_, Some(high)) if high < 0.0 => Some(false),
        _ => None,
    }
}

fn same_sign(original: Named, further: Named) -> Judged {
    let (outcome, why) = match (side(original.number), side(further.number)) {
        (None, _) => (
            Consistency::Undecided,
            format!("{} did not tell the sign itself.", original.name),
        ),
        (_, None) => (
            Consistency::Undecided,
            format!("The interval of {} leaves both signs open.", further.name),
        ),
        (Some(one), Some(other)) if one == other => (
            Consistency::Consistent,
            "Both intervals lie on the same side of zero.".to_owned(),
        ),
        _ => (
            Consistency::Inconsistent,
            "The intervals lie on opposite sides of zero.".to_owned(),
        ),
    };
    (outcome, None, why)
}

fn within_prediction(original: Named, further: Named, confidence: f64, relevant: Option<f64>) -> Judged {
    let (Some(one), Some(other)) = (estimate_of(original.number), estimate_of(further.number)) else {
        return (Consistency::Undecided, None, String::new());
    };
    let apart = difference(&other, &one);
    let reach = t_quantile_upper(0.5 * (1.0 - confidence), apart.df) * apart.standard_error;
    let (low, high) = (one.estimate - reach, one.estimate + reach);
    let tells = low > 0.0 || high < 0.0 || relevant.is_some_and(|relevant| reach < relevant);
    let (outcome, why) = if !(low <= other.estimate && other.estimate <= high) {
        (
            Consistency::Inconsistent,
            format!(
                "The estimate of {} lies outside of what {} lets expect.",
                further.name, original.name
            ),
        )
    } else if tells {
        (
            Consistency::Consistent,
            format!(
                "The estimate of {} lies where {} lets expect it.",
                further.name, original.name
            ),
        )
    } else {
        (
            Consistency::Undecided,
            "What can be expected is too wide to tell: no effect at all would lie in it as well.".to_owned(),
        )
    };
    (outcome, Some((low, high)), why)
}

fn equivalent(original: Named, further: Named, confidence: f64, relevant: Option<f64>) -> Judged {
    let (Some(one), Some(other), Some(relevant)) =
        (estimate_of(original.number), estimate_of(further.number), relevant)
    else {
        return (
            Consistency::Undecided,
            None,
            "The protocol states no smallest difference that matters.".to_owned(),
        );
    };
    let apart = difference(&other, &one);
    // Two one-sided tests at α each are the interval at 1 − 2α.
    let (low, high) = apart.interval(2.0 * confidence - 1.0);
    let (outer_low, outer_high) = apart.interval(confidence);
    let (outcome, why) = if low > -relevant && high < relevant {
        (
            Consistency::Consistent,
            format!(
                "{} differs from {} by less than what matters.",
                further.name, original.name
            ),
        )
    } else if outer_low >= relevant || outer_high <= -relevant {
        (
            Consistency::Inconsistent,
            format!(
                "{} differs from {} by more than what matters.",
                further.name, original.name
            ),
        )
    } else {
        (
            Consistency::Undecided,
            format!(
                "The difference between {} and {} may or may not matter.",
                original.name, further.name
            ),
        )
    };
    (outcome, Some((low, high)), why)
}

fn same_verdict(original: Named, further: Named) -> Judged {
    let decided = |number: &SiteNumber| number.verdict.filter(|verdict| *verdict != Verdict::Undecided);
    let (outcome, why) = match (decided(original.number), decided(further.number)) {
        (None, _) => (
            Consistency::Undecided,
            format!("{} left open whether it matters.", original.name),
        ),
        (_, None) => (
            Consistency::Undecided,
            format!("{} leaves open whether it matters.", further.name),
        ),
        (Some(Verdict::Matters), Some(Verdict::Matters)) if side(original.number) != side(further.number) => (
            Consistency::Inconsistent,
            format!(
                "It matters at {} and at {}, but in opposite directions.",
                original.name, further.name
            ),
        ),
        (Some(one), Some(other)) if one == other => (
            Consistency::Consistent,
            match one {
                Verdict::Matters => "It matters at both.",
                _ => "It does not matter at either.",
            }
            .to_owned(),
        ),
        (Some(one), Some(_)) => (
            Consistency::Inconsistent,
            match one {
                Verdict::Matters => format!("It matters at {} and does not at {}.", original.name, further.name),
                _ => format!("It matters at {} and does not at {}.", further.name, original.name),
            },
        ),
    };
    (outcome, None, why)
}

#[cfg(test)]
mod tests {
    use super::super::super::comparisons::verdict;
    use super::super::super::estimate::Estimate;
    use super::*;

    fn site(name: &str, estimate: f64, error: f64) -> SiteNumber {
        let e = Estimate::new(estimate, error * error, 30.0, 0.95);
        SiteNumber {
            site: name.to_owned(),
            estimate: Some(e.value),
            standard_error: e.standard_error,
            df: e.df,
            low: e.low,
            high: e.high,
            p: e.p,
            verdict: e.low.zip(e.high).map(|(low, high)| verdict(low, high, 0.5)),
        }
    }

    fn called() -> Vec<String> {
        vec!["North".to_owned(), "South".to_owned()]
    }

    fn outcomes(first: (f64, f64), further: (f64, f64)) -> ([Consistency; 4], Repeated) {
        let numbers = [site("north", first.0, first.1), site("south", further.0, further.1)];
        let all = Criterion::ALL.map(|(criterion, _)| criterion);
        let found = replication(&numbers, &called(), 0, &all, 0.95, Some(0.5)).unwrap();
        let each: Vec<Consistency> = found.criteria.iter().map(|c| c.outcome).collect();
        (each.try_into().unwrap(), found.verdict)
    }

    /// Class: closed form; t₀.₉₇₅ on 30 df is 2.042, on 60 df 2.000 and t₀.₉₅ on 60 df 1.671.
    #[test]
    fn criteria_follow_their_table() {
        use Consistency::{Consistent, Inconsistent, Undecided};
        // Clear and alike.
        let (each, verdict) = outcomes((-1.5, 0.1), (-1.4, 0.1));
        assert_eq!(each, [Consistent; 4]);
        assert_eq!(verdict, Repeated::Replicated);
        // Clear and opposite.
        let (each, verdict) = outcomes((-1.5, 0.1), (1.4, 0.1));
        assert_eq!(each, [Inconsistent; 4]);
        assert_eq!(verdict, Repeated::NotReplicated);
        // Half the size at the further site, where it is no longer told to matter.
        let (each, verdict) = outcomes((-1.5, 0.1), (-0.6, 0.1));
        assert_eq!(each, [Consistent, Inconsistent, Inconsistent, Undecided]);
        assert_eq!(verdict, Repeated::NotReplicated);
        // The further site is too uncertain: not a failure to repeat.
        let (each, verdict) = outcomes((-1.5, 0.1), (-0.6, 0.9));
        assert_eq!(each, [Undecided; 4]);
        assert_eq!(verdict, Repeated::Undecided);
        // Nothing at either site, and known well.
        let (each, verdict) = outcomes((0.05, 0.1), (-0.05, 0.1));
        assert_eq!(each, [Undecided, Consistent, Consistent, Consistent]);
        assert_eq!(verdict, Repeated::Undecided);
    }

    #[test]
    fn an_error_that_cannot_be_told_leaves_everything_undecided() {
        let mut blank = site("south", 1.0, 0.1);
        blank.standard_error = None;
        let numbers = [site("north", 1.0, 0.1), blank];
        let found = replication(&numbers, &called(), 0, &[Criterion::SameSign], 0.95, None).unwrap();
        assert_eq!(found.verdict, Repeated::Undecided);
        assert!(found.criteria[0].why.contains("South"), "{}", found.criteria[0].why);
        assert!(replication(&numbers, &called(), 0, &[], 0.95, None).is_none());
    }
}
