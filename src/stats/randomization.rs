//! Randomization test: the study's own draw, repeated, is the reference distribution.
//!
//! In:  results, the slot that each run occupies on each re-drawn unit, how slots are shuffled, contrasts by cell.
//! Out: a p-value that needs no model of the spread: exact when all arrangements can be listed, else by repeated draws.
//!
//! | name      | symbol | shape        | unit      |
//! |-----------|--------|--------------|-----------|
//! | `y`       | y      | n            | response  |
//! | slot      | s      | n × units    | none      |
//! | contrast  | c      | columns × cells | none   |
//! | statistic | T      | scalar       | response, squared: Σ over columns of (Σ over runs c·y)² |
//!
//! In a balanced study with orthogonal contrasts of one length T is a monotone function of the variance ratio.
//! Exact: p = #{T* ≥ T} / #{arrangements}. By draws: p = (1 + #{T* ≥ T}) / (1 + B), with the Clopper–Pearson interval
//! of the share that an endless number of draws would give.
//!
//! Source: Fisher (1935) The Design of Experiments; Phipson and Smyth (2010) Stat. Appl. Genet. Mol. Biol. 9:39 for the
//! added one (both from memory). Reference values: closed forms below.

use std::collections::BTreeMap;

use crate::numeric::distribution::f_quantile_upper;
use crate::numeric::stream::Stream;

/// Slots that are shuffled among themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// The first slot.
    pub first: usize,
    /// Number of slots: a multiple of the number of combinations.
    pub count: usize,
    /// What each combination of levels adds to the number of the cell.
    pub parts: Vec<u32>,
}

/// How a test came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Randomization {
    /// The p-value.
    pub p: f64,
    /// Number of arrangements listed or drawn.
    pub arrangements: u64,
    /// True if every arrangement was listed.
    pub exact: bool,
    /// 99 % interval of the p-value that endless draws would give; the p-value itself if exact.
    pub low: f64,
    /// Upper end of that interval.
    pub high: f64,
    /// Smallest p-value that this design could give; only where arrangements were listed.
    pub smallest: Option<f64>,
}

/// Relative difference below which two statistics count as equal: rounding must not break a tie.
const TIE: f64 = 1e-9;

/// Makes the test.
///
/// `slots[i]` holds the slot of run i on each re-drawn unit; the slots of all groups are numbered through.
/// `observed[s]` is the combination that slot s had in the study. `contrasts` has one column a degree of freedom, each over
/// the cells; columns must be orthogonal and of one length over the runs. Arrangements are listed if there are no more than
/// `draws` of them, else `draws` are made from `stream`. Nothing to shuffle, or lengths that do not fit, gives `None`.
#[must_use]
pub fn test(
    y: &[f64],
    slots: &[Vec<usize>],
    groups: &[Group],
    observed: &[usize],
    contrasts: &[Vec<f64>],
    draws: u64,
    stream: &mut Stream,
) -> Option<Randomization> {
    let group_of: Vec<usize> = groups
        .iter()
        .enumerate()
        .flat_map(|(g, group)| vec![g; group.count])
        .collect();
    let units = slots.first().map_or(0, Vec::len);
    let fits = y.len() == slots.len()
        && units > 0
        && slots.iter().all(|own| own.len() == units)
        && !contrasts.is_empty()
        && observed.len() == group_of.len()
        && slots.iter().flatten().all(|&slot| slot < group_of.len())
        && groups
            .iter()
            .all(|group| !group.parts.is_empty() && group.count % group.parts.len() == 0);
    if !fits {
        return None;
    }
    let layout = Layout::new(y, slots, contrasts);
    let parts = |combination: &[usize]| -> Vec<u32> {
        combination
            .iter()
            .enumerate()
            .map(|(slot, &choice)| groups[group_of[slot]].parts[choice])
            .collect()
    };
    let seen = layout.statistic(&parts(observed));
    let reach = seen * (1.0 - TIE);
    let total = groups
        .iter()
        .try_fold(1_u64, |total, group| total.checked_mul(arrangements(group)?))
        .filter(|&t| t <= draws);
    if total == Some(1) {
        return None;
    }
    if let Some(total) = total {
        let (mut at_least, mut largest, mut ties) = (0_u64, 0.0_f64, 0_u64);
        list(groups, &mut vec![0; group_of.len()], 0, &mut |combination| {
            let other = layout.statistic(&parts(combination));
            at_least += u64::from(other >= reach);
            if other > largest * (1.0 + TIE) {
                (largest, ties) = (other, 1);
            } else if other >= largest * (1.0 - TIE) {
                ties += 1;
            }
        });
        let p = at_least as f64 / total as f64;
        return Some(Randomization {
            p,
            arrangements: total,
            exact: true,
            low: p,
            high: p,
            smallest: Some(ties as f64 / total as f64),
        });
    }
    // What a combination adds to the cell is all that counts, so that these numbers are shuffled in its place.
    let mut drawn: Vec<u32> = groups
        .iter()
        .flat_map(|group| (0..group.count).map(|slot| group.parts[slot % group.parts.len()]))
        .collect();
    let mut at_least = 0_u64;
    for _ in 0..draws {
        for group in groups {
            stream.shuffle(&mut drawn[group.first..group.first + group.count]);
        }
        at_least += u64::from(layout.statistic(&drawn) >= reach);
    }
    let (low, high) = clopper_pearson(at_least as f64, draws as f64, 0.99);
    Some(Randomization {
        p: (1 + at_least) as f64 / (1 + draws) as f64,
        arrangements: draws,
        exact: false,
        low,
        high,
        smallest: None,
    })
}

/// Results with the slots they occupy, in the form in which the statistic is quickest.
struct Layout<'a> {
    contrasts: &'a [Vec<f64>],
    results: Vec<f64>,
    /// Slots of each result, all of one length.
    slots: Vec<usize>,
    units: usize,
}

impl<'a> Layout<'a> {
    /// Runs that occupy the same slots are added up: they always fall into the same cell.
    fn new(y: &[f64], slots: &[Vec<usize>], contrasts: &'a [Vec<f64>]) -> Self {
        let mut sums: BTreeMap<&[usize], f64> = BTreeMap::new();
        for (value, own) in y.iter().zip(slots) {
            *sums.entry(own.as_slice()).or_insert(0.0) += value;
        }
        Self {
            contrasts,
            results: sums.values().copied().collect(),
            slots: sums.keys().flat_map(|own| own.iter().copied()).collect(),
            units: slots.first().map_or(1, Vec::len).max(1),
        }
    }

    /// Σ over columns of (Σ over results c·y)². `parts` is what each slot adds to the number of the cell.
    fn statistic(&self, parts: &[u32]) -> f64 {
        let along = |contrast: &[f64]| -> f64 {
            let own = self.slots.chunks_exact(self.units);
            self.results
                .iter()
                .zip(own)
                .map(|(value, own)| contrast[own.iter().map(|&slot| parts[slot] as usize).sum::<usize>()] * value)
                .sum()
        };
        self.contrasts.iter().map(|contrast| along(contrast).powi(2)).sum()
    }
}

/// Number of different ways to put the combinations, each equally often, on the slots of a group; `None` on overflow.
fn arrangements(group: &Group) -> Option<u64> {
    let each = group.count / group.parts.len();
    let mut ways = 1_u64;
    let mut placed = 0_u64;
    for _ in 0..group.parts.len() {
        for k in 1..=each as u64 {
            placed += 1;
            // The product of k successive binomial factors is whole after each division.
            ways = ways.checked_mul(placed)? / k;
        }
    }
    Some(ways)
}

/// Calls `visit` with every arrangement of all groups, once each.
fn list(groups: &[Group], combination: &mut Vec<usize>, slot: usize, visit: &mut impl FnMut(&[usize])) {
    if slot == combination.len() {
        visit(combination);
        return;
    }
    let Some(group) = groups
        .iter()
        .find(|group| (group.first..group.first + group.count).contains(&slot))
    else {
        return;
    };
    let each = group.count / group.parts.len();
    for choice in 0..group.parts.len() {
        let used = combination[group.first..slot].iter().filter(|&&c| c == choice).count();
        if used < each {
            combination[slot] = choice;
            list(groups, combination, slot + 1, visit);
        }
    }
}

/// Clopper–Pearson interval of a share, through the F distribution.
#[must_use]
pub fn clopper_pearson(hits: f64, n: f64, confidence: f64) -> (f64, f64) {
    let tail = (1.0 - confidence) / 2.0;
    let low = if hits <= 0.0 {
        0.0
    } else {
        let f = f_quantile_upper(tail, 2.0 * (n - hits + 1.0), 2.0 * hits);
        hits / (hits + (n - hits + 1.0) * f)
    };
    let high = if hits >= n {
        1.0
    } else {
        let f = f_quantile_upper(tail, 2.0 * (hits + 1.0), 2.0 * (n - hits));
        (hits + 1.0) * f / (n - hits + (hits + 1.0) * f)
    };
    (low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn two_levels(first: usize, count: usize) -> Group {
        Group {
            first,
            count,
            parts: vec![0, 1],
        }
    }

    const SIGNS: [f64; 2] = [-1.0, 1.0];

    /// Closed form: 4 slots, 2 of each level: 6 arrangements; the extreme one and its mirror image give 2/6.
    #[test]
    fn four_sessions_cannot_go_below_a_third() {
        let slots: Vec<Vec<usize>> = (0..4).map(|s| vec![s]).collect();
        let found = test(
            &[1.0, 2.0, 8.0, 9.0],
            &slots,
            &[two_levels(0, 4)],
            &[0, 0, 1, 1],
            &[SIGNS.to_vec()],
            100,
            &mut Stream::named("test"),
        )
        .unwrap();
        assert_eq!(
            (found.p, found.arrangements, found.exact, found.smallest),
            (2.0 / 6.0, 6, true, Some(2.0 / 6.0))
        );
    }

    /// Closed form: three blocks of two have 8 arrangements; the extreme one and its mirror image give 2/8.
    #[test]
    fn three_blocks_of_two() {
        let slots: Vec<Vec<usize>> = (0..6).map(|s| vec![s]).collect();
        let groups = [two_levels(0, 2), two_levels(2, 2), two_levels(4, 2)];
        let y = [1.0, 3.0, 11.0, 14.0, 20.0, 21.0];
        let found = test(
            &y,
            &slots,
            &groups,
            &[0, 1, 0, 1, 0, 1],
            &[SIGNS.to_vec()],
            100,
            &mut Stream::named("test"),
        )
        .unwrap();
        assert_eq!((found.p, found.arrangements), (0.25, 8));
        // Differences 2, 3, 1: with the last one turned round 4 < 6; p counts totals of at least 4 in size: ±6, ±4.
        let turned = test(
            &y,
            &slots,
            &groups,
            &[0, 1, 0, 1, 1, 0],
            &[SIGNS.to_vec()],
            100,
            &mut Stream::named("test"),
        )
        .unwrap();
        assert_eq!(turned.p, 0.5);
    }

    /// Draws come near the exact value, inside the interval they state.
    #[test]
    fn draws_agree_with_the_list() {
        let slots: Vec<Vec<usize>> = (0..12).map(|s| vec![s]).collect();
        let y: Vec<f64> = (0..12).map(|i| f64::from((i * 7) % 12)).collect();
        let observed: Vec<usize> = (0..12).map(|i| usize::from(i % 3 == 0 || i > 9)).collect();
        let all = |draws| {
            test(
                &y,
                &slots,
                &[two_levels(0, 12)],
                &observed,
                &[SIGNS.to_vec()],
                draws,
                &mut Stream::named("a"),
            )
        };
        let (exact, drawn) = (all(1_000).unwrap(), all(900).unwrap());
        assert!(exact.exact && exact.arrangements == 924 && !drawn.exact);
        assert!(drawn.low <= exact.p && exact.p <= drawn.high, "{exact:?} {drawn:?}");
    }

    /// Closed form: 0 of 10 at 95 %: 1 − 0.025^(1/10).
    #[test]
    fn the_interval_of_no_hits() {
        let (low, high) = clopper_pearson(0.0, 10.0, 0.95);
        assert_eq!(low, 0.0);
        assert!((high - (1.0 - 0.025_f64.powf(0.1))).abs() < 1e-12);
    }
}
