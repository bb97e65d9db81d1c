//! Randomization test: the study's own draw, repeated, is the reference distribution.
//!
//! In:  results, the slot that each run occupies on each re-drawn unit, how slots are shuffled, contrasts by cell; or a
//!      function that re-draws the cells of all runs.
//! Out: a p-value that needs no model of the spread, exact where the arrangements can be listed or counted, else by
//!      repeated draws; the shifts that no such test rules out.
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
//! Speed: the sum over runs is a sum over groups of slots, and a group has few sums. These are tabled once; a draw then
//! is one number and a few look-ups. For one contrast the arrangements are counted without being listed: the sums of
//! one half of the groups are sorted, and each sum of the other half counts its partners.
//!
//! Shifts: results less δ·x, x the contrast as it was run, give the sum a* − δ b* under an arrangement and a − δ b as run.
//! |a* − δ b*| ≥ |a − δ b| holds for δ between (a − a*)/(b − b*) and (a + a*)/(b + b*): each arrangement allows an
//! interval of shifts, and p(δ) is the share of arrangements whose interval holds δ. The shifts with p(δ) > α are between
//! an order statistic of the lower ends and one of the upper ends.
//!
//! Draws are made in pieces of fixed size, each from a stream of its own, so that the number of threads changes no bit.
//!
//! Source: Fisher (1935) The Design of Experiments; Phipson and Smyth (2010) Stat. Appl. Genet. Mol. Biol. 9:39 for the
//! added one; Pitman (1937) Suppl. J. R. Statist. Soc. 4:119 for the shifts (all from memory). Reference values: closed
//! forms below.

use rayon::prelude::*;

use super::arrangements::{Layout, Tables, choose, list};
use crate::numeric::distribution::f_quantile_upper;
use crate::numeric::stream::Stream;

/// Slots that are shuffled among themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// The first slot.
    pub first: usize,
    /// What the places of the row add to the number of the cell, one a slot.
    pub parts: Vec<u32>,
}

/// A study's own scheme, as far as one effect sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scheme {
    /// The slots of run i, one on each re-drawn unit, the finest unit last. Slots of all groups are numbered through.
    pub slots: Vec<Vec<usize>>,
    /// The groups, in order of their first slot.
    pub groups: Vec<Group>,
    /// What each slot added to the number of the cell in the study.
    pub observed: Vec<u32>,
}

/// How much work a test may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effort {
    /// Arrangements listed at most.
    pub list: u64,
    /// Sums of half of the groups that are sorted at most; 0 counts nothing.
    pub half: usize,
    /// Draws made where listing and counting would be more.
    pub draws: u64,
}

/// How a test came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Randomization {
    /// The p-value.
    pub p: f64,
    /// Number of arrangements counted or drawn.
    pub arrangements: u64,
    /// True if every arrangement counts.
    pub exact: bool,
    /// 99 % interval of the p-value that endless draws would give; the p-value itself if exact.
    pub low: f64,
    /// Upper end of that interval.
    pub high: f64,
    /// Smallest p-value that this design could give; only where arrangements were counted.
    pub smallest: Option<f64>,
}

/// Shifts that the test does not rule out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shifts {
    /// The shift at which the statistic vanishes.
    pub estimate: f64,
    /// Lower end; −∞ where too few arrangements can tell.
    pub low: f64,
    /// Upper end; ∞ likewise.
    pub high: f64,
    /// Number of arrangements counted or drawn.
    pub arrangements: u64,
    /// True if every arrangement counts.
    pub exact: bool,
}

/// Relative difference below which two statistics count as equal: rounding must not break a tie.
const TIE: f64 = 1e-9;
/// The same in units of the sum of all sizes.
const ROUNDING: f64 = 1e-13;
/// Draws made from one stream.
const PIECE: u64 = 1 << 14;

/// Makes the test: see the head of this file.
///
/// `contrasts` has one column a degree of freedom, each over the cells; columns must be orthogonal and of one length over
/// the runs. Draws come from streams named after `name`. Nothing to shuffle, or lengths that do not fit, gives `None`.
#[must_use]
pub fn test(y: &[f64], scheme: &Scheme, contrasts: &[Vec<f64>], effort: Effort, name: &str) -> Option<Randomization> {
    let channels: Vec<(&[f64], &[f64])> = contrasts.iter().map(|c| (c.as_slice(), y)).collect();
    let layout = Layout::new(scheme, &channels)?;
    let seen = layout.sums(&scheme.observed);
    let size = |sums: &[f64]| sums.iter().map(|s| s * s).sum::<f64>().sqrt();
    let slack = ROUNDING * layout.scale();
    let reach_of = |size: f64| size * (1.0 - TIE) - slack;
    let reach = reach_of(size(&seen));
    let total = layout.arrangements();
    if total == Some(1) {
        return None;
    }
    let exact = |at_least: u64, as_largest: u64, total: u64| {
        let p = at_least as f64 / total as f64;
        Some(Randomization {
            p,
            arrangements: total,
            exact: true,
            low: p,
            high: p,
            smallest: Some(as_largest as f64 / total as f64),
        })
    };
    if let Some(total) = total.filter(|&t| t <= effort.list) {
        let (mut at_least, mut largest, mut ties) = (0_u64, 0.0_f64, 0_u64);
        list(&layout, &mut |sums| {
            let other = size(sums);
            at_least += u64::from(other >= reach);
            if other * (1.0 - TIE) > largest + slack {
                (largest, ties) = (other, 1);
            } else if other >= reach_of(largest) {
                ties += 1;
            }
        });
        return exact(at_least, ties, total);
    }
    if contrasts.len() == 1
        && let Some(total) = total
        && let Some(count) = layout.halves(effort.half)
    {
        return exact(count.reaching(reach), count.reaching(reach_of(count.largest())), total);
    }
    let tables = Tables::new(&layout);
    let at_least = pieces(effort.draws, name, |stream, draws| {
        tables.reaching(&layout, stream, draws, reach)
    })
    .into_iter()
    .sum();
    Some(by_draws(at_least, effort.draws))
}

/// Runs `draw` on pieces of the draws, in order, each with its own stream.
fn pieces<T: Send>(draws: u64, name: &str, draw: impl Fn(&mut Stream, u64) -> T + Sync) -> Vec<T> {
    (0..draws.div_ceil(PIECE))
        .into_par_iter()
        .map(|piece| {
            let mut stream = Stream::named(&format!("{name}piece {piece}\n"));
            draw(&mut stream, PIECE.min(draws - piece * PIECE))
        })
        .collect()
}

fn by_draws(at_least: u64, draws: u64) -> Randomization {
    let (low, high) = clopper_pearson(at_least as f64, draws as f64, 0.99);
    Randomization {
        p: (1 + at_least) as f64 / (1 + draws) as f64,
        arrangements: draws,
        exact: false,
        low,
        high,
        smallest: None,
    }
}

/// The shifts δ along the contrast that the test does not rule out at level 1 − `confidence`.
///
/// `x` is what one unit of the shift adds to each result of the study. `None` as in [`test`], or where `x` does not move
/// the contrast.
#[must_use]
pub fn shifts(
    y: &[f64],
    x: &[f64],
    scheme: &Scheme,
    contrast: &[f64],
    confidence: f64,
    effort: Effort,
    name: &str,
) -> Option<Shifts> {
    let layout = Layout::new(scheme, &[(contrast, y), (contrast, x)])?;
    let seen = layout.sums(&scheme.observed);
    let ends = Ends::new(seen[0], seen[1])?;
    let total = layout.arrangements();
    if total == Some(1) {
        return None;
    }
    if let Some(total) = total.filter(|&t| t <= effort.list) {
        let mut found = Vec::with_capacity(total as usize);
        list(&layout, &mut |sums| found.push(ends.of(sums[0], sums[1])));
        return Some(ends.between(found, confidence, true));
    }
    let tables = Tables::new(&layout);
    let found = pieces(effort.draws, name, |stream, draws| {
        let mut found = Vec::with_capacity(draws as usize);
        tables.each(&layout, stream, draws, &mut |sums| {
            found.push(ends.of(sums[0], sums[1]));
        });
        found
    });
    Some(ends.between(found.concat(), confidence, false))
}

/// The test where the scheme is no plain shuffle: `redraw(k)` gives the cell of every run in draw k.
///
/// `None` if the lengths do not fit; draws for which `redraw` gives `None` end the test without a result.
#[must_use]
pub fn test_by_redrawing(
    y: &[f64],
    observed: &[usize],
    contrasts: &[Vec<f64>],
    draws: u64,
    redraw: impl Fn(u64) -> Option<Vec<usize>> + Sync,
) -> Option<Randomization> {
    let sum = |cells: &[usize], contrast: &[f64]| -> Option<f64> {
        cells
            .iter()
            .zip(y)
            .map(|(&cell, y)| contrast.get(cell).map(|c| c * y))
            .sum()
    };
    let size = |cells: &[usize]| -> Option<f64> {
        let squares: Option<f64> = contrasts.iter().map(|c| sum(cells, c).map(|s| s * s)).sum();
        squares.map(f64::sqrt)
    };
    if y.is_empty() || observed.len() != y.len() || contrasts.is_empty() || draws == 0 {
        return None;
    }
    let slack = ROUNDING * y.iter().map(|y| y.abs()).sum::<f64>();
    let reach = size(observed)? * (1.0 - TIE) - slack;
    let hits: Option<Vec<bool>> = (0..draws)
        .into_par_iter()
        .map(|k| {
            let cells = redraw(k).filter(|cells| cells.len() == y.len())?;
            Some(size(&cells)? >= reach)
        })
        .collect();
    let at_least = hits?.into_iter().filter(|&hit| hit).count();
    Some(by_draws(at_least as u64, draws))
}

/// [`shifts`] where the scheme is no plain shuffle.
#[must_use]
pub fn shifts_by_redrawing(
    y: &[f64],
    x: &[f64],
    observed: &[usize],
    contrast: &[f64],
    confidence: f64,
    draws: u64,
    redraw: impl Fn(u64) -> Option<Vec<usize>> + Sync,
) -> Option<Shifts> {
    let sums = |cells: &[usize]| -> Option<(f64, f64)> {
        let mut sums = (0.0, 0.0);
        for ((&cell, y), x) in cells.iter().zip(y).zip(x) {
            let c = contrast.get(cell)?;
            sums.0 += c * y;
            sums.1 += c * x;
        }
        Some(sums)
    };
    if observed.len() != y.len() || x.len() != y.len() || draws == 0 {
        return None;
    }
    let (a, b) = sums(observed)?;
    let ends = Ends::new(a, b)?;
    let found: Option<Vec<(f64, f64)>> = (0..draws)
        .into_par_iter()
        .map(|k| {
            let cells = redraw(k).filter(|cells| cells.len() == y.len())?;
            sums(&cells).map(|(a, b)| ends.of(a, b))
        })
        .collect();
    Some(ends.between(found?, confidence, false))
}

/// The sums of the study as run.
struct Ends {
    a: f64,
    b: f64,
}

impl Ends {
    fn new(a: f64, b: f64) -> Option<Self> {
        let sound = a.is_finite() && b.is_finite() && b != 0.0;
        sound.then_some(Self { a, b })
    }

    /// The shifts that an arrangement with these sums allows.
    fn of(&self, a: f64, b: f64) -> (f64, f64) {
        let root = |difference: f64, by: f64| -> (f64, f64) {
            if by.abs() > TIE * self.b.abs() {
                (difference / by, difference / by)
            } else if difference.abs() <= TIE * self.a.abs() + f64::MIN_POSITIVE {
                (f64::NEG_INFINITY, f64::INFINITY)
            } else {
                let end = if (difference > 0.0) == (self.b > 0.0) {
                    f64::INFINITY
                } else {
                    f64::NEG_INFINITY
                };
                (end, end)
            }
        };
        let (one, other) = (root(self.a - a, self.b - b), root(self.a + a, self.b + b));
        (one.0.min(other.0), one.1.max(other.1))
    }

    /// The shifts with p(δ) > 1 − confidence.
    fn between(&self, found: Vec<(f64, f64)>, confidence: f64, exact: bool) -> Shifts {
        let arrangements = found.len();
        let level = 1.0 - confidence;
        // p(δ) counts the lower ends up to δ; the smallest count that exceeds the level gives the end.
        let place = if exact {
            (level * arrangements as f64 * (1.0 + TIE)).floor()
        } else {
            (level * (arrangements as f64 + 1.0) * (1.0 + TIE)).floor() - 1.0
        };
        let (mut lows, mut highs): (Vec<f64>, Vec<f64>) = found.into_iter().unzip();
        let (low, high) = if place < 0.0 {
            (f64::NEG_INFINITY, f64::INFINITY)
        } else {
            let place = (place as usize).min(arrangements.saturating_sub(1));
            (
                choose(&mut lows, place, f64::total_cmp),
                choose(&mut highs, place, |a, b| b.total_cmp(a)),
            )
        };
        Shifts {
            estimate: self.a / self.b,
            low,
            high,
            arrangements: arrangements as u64,
            exact,
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

    const SIGNS: [f64; 2] = [-1.0, 1.0];
    const LISTED: Effort = Effort {
        list: 10_000,
        half: 0,
        draws: 0,
    };
    const COUNTED: Effort = Effort {
        list: 1,
        half: 1 << 12,
        draws: 0,
    };
    const DRAWN: Effort = Effort {
        list: 1,
        half: 0,
        draws: 40_000,
    };

    /// Groups of runs, half of each at either level.
    fn blocks(counts: &[usize], observed: &[u32]) -> Scheme {
        let mut groups = Vec::new();
        let mut first = 0;
        for &count in counts {
            let parts = (0..count).map(|i| u32::from(2 * i >= count)).collect();
            groups.push(Group { first, parts });
            first += count;
        }
        Scheme {
            slots: (0..first).map(|slot| vec![slot]).collect(),
            groups,
            observed: observed.to_vec(),
        }
    }

    fn one(y: &[f64], scheme: &Scheme, effort: Effort) -> Randomization {
        test(y, scheme, &[SIGNS.to_vec()], effort, "test\n").unwrap()
    }

    /// Closed form: 4 slots, 2 of each level: 6 arrangements; the extreme one and its mirror image give 2/6.
    #[test]
    fn four_sessions_cannot_go_below_a_third() {
        let found = one(&[1.0, 2.0, 8.0, 9.0], &blocks(&[4], &[0, 0, 1, 1]), LISTED);
        assert_eq!(
            (found.p, found.arrangements, found.exact, found.smallest),
            (2.0 / 6.0, 6, true, Some(2.0 / 6.0))
        );
    }

    /// Closed form: three blocks of two have 8 arrangements; the extreme one and its mirror image give 2/8.
    #[test]
    fn three_blocks_of_two() {
        let y = [1.0, 3.0, 11.0, 14.0, 20.0, 21.0];
        for effort in [LISTED, COUNTED] {
            let found = one(&y, &blocks(&[2, 2, 2], &[0, 1, 0, 1, 0, 1]), effort);
            assert_eq!((found.p, found.arrangements, found.smallest), (0.25, 8, Some(0.25)));
            // Differences 2, 3, 1: with the last one turned round 4 < 6; p counts totals of at least 4 in size: ±6, ±4.
            let turned = one(&y, &blocks(&[2, 2, 2], &[0, 1, 0, 1, 1, 0]), effort);
            assert_eq!(turned.p, 0.5);
        }
    }

    /// Listing, counting and drawing agree, in one block and in several, with ties among the results.
    #[test]
    fn three_ways_to_the_same_value() {
        for counts in [&[12][..], &[4, 4, 4], &[6, 2, 4]] {
            let y: Vec<f64> = (0..12).map(|i| f64::from((i * 7) % 12) * 0.1).collect();
            let scheme = blocks(counts, &[0, 1, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1]);
            let (listed, drawn) = (one(&y, &scheme, LISTED), one(&y, &scheme, DRAWN));
            assert!(listed.exact && !drawn.exact);
            assert!(drawn.low <= listed.p && listed.p <= drawn.high, "{listed:?} {drawn:?}");
            if counts.len() > 1 {
                assert_eq!(listed, one(&y, &scheme, COUNTED));
            }
        }
    }

    /// A split plot: plots are shuffled whole, their parts within them; the product needs both units.
    #[test]
    fn two_units_at_once() {
        let groups = vec![
            Group {
                first: 0,
                parts: vec![0, 0, 2, 2],
            },
            Group {
                first: 4,
                parts: vec![0, 1],
            },
            Group {
                first: 6,
                parts: vec![0, 1],
            },
            Group {
                first: 8,
                parts: vec![0, 1],
            },
            Group {
                first: 10,
                parts: vec![0, 1],
            },
        ];
        let scheme = Scheme {
            slots: (0..8).map(|i| vec![i / 2, 4 + i]).collect(),
            groups,
            observed: vec![0, 2, 0, 2, 0, 1, 0, 1, 1, 0, 0, 1],
        };
        let y = [1.0, 2.0, 4.0, 2.5, 3.0, 1.0, 0.0, 5.0];
        let product = vec![1.0, -1.0, -1.0, 1.0];
        let all = |effort| test(&y, &scheme, std::slice::from_ref(&product), effort, "two\n").unwrap();
        let listed = all(LISTED);
        assert_eq!(listed.arrangements, 6 * 16);
        assert_eq!(listed, all(COUNTED));
        let drawn = all(DRAWN);
        assert!(drawn.low <= listed.p && listed.p <= drawn.high, "{listed:?} {drawn:?}");
    }

    /// The same bits whatever the number of threads; several contrasts at once.
    #[test]
    fn threads_change_nothing() {
        let y: Vec<f64> = (0..18).map(|i| f64::from((i * i * 5) % 17)).collect();
        let scheme = Scheme {
            slots: (0..18).map(|slot| vec![slot]).collect(),
            groups: vec![Group {
                first: 0,
                parts: (0..18).map(|i| i % 3).collect(),
            }],
            observed: (0..18).map(|i| i / 6).collect(),
        };
        let contrasts = [vec![1.0, -1.0, 0.0], vec![0.6, 0.6, -1.2]];
        let run = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| {
                let p = test(&y, &scheme, &contrasts, DRAWN, "threads\n");
                let x: Vec<f64> = scheme.observed.iter().map(|&l| contrasts[0][l as usize]).collect();
                (p, shifts(&y, &x, &scheme, &contrasts[0], 0.95, DRAWN, "threads\n"))
            })
        };
        assert_eq!(run(1), run(3));
    }

    /// Closed form: three against three, without overlap: 20 arrangements. At level 0.1 the second smallest lower end
    /// counts (2/20 is not above 0.1, so the third): pairwise differences of order statistics, by brute force.
    #[test]
    fn shifts_are_those_that_the_test_does_not_rule_out() {
        let y = [1.0, 2.5, 4.0, 6.0, 9.0, 13.0];
        let scheme = blocks(&[6], &[0, 0, 0, 1, 1, 1]);
        let x = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
        for confidence in [0.5, 0.8, 0.89] {
            let found = shifts(&y, &x, &scheme, &SIGNS, confidence, LISTED, "").unwrap();
            assert!((found.estimate - (28.0 - 7.5) / 3.0).abs() < 1e-12);
            let p = |shift: f64| {
                let moved: Vec<f64> = y.iter().zip(x).map(|(y, x)| y - shift * x).collect();
                one(&moved, &scheme, LISTED).p
            };
            for (end, inwards) in [(found.low, 1e-6), (found.high, -1e-6)] {
                assert!(p(end + inwards) > 1.0 - confidence, "{found:?}");
                assert!(p(end - inwards) <= 1.0 - confidence + 1e-12, "{found:?}");
            }
        }
        // Twenty arrangements cannot rule anything out at a level below 2/20.
        let open = shifts(&y, &x, &scheme, &SIGNS, 0.95, LISTED, "").unwrap();
        assert_eq!((open.low, open.high), (f64::NEG_INFINITY, f64::INFINITY));
        // Drawn, the ends come near.
        let (listed, drawn) = (
            shifts(&y, &x, &scheme, &SIGNS, 0.75, LISTED, "").unwrap(),
            shifts(&y, &x, &scheme, &SIGNS, 0.75, DRAWN, "").unwrap(),
        );
        assert!((listed.low - drawn.low).abs() < 1e-9 && (listed.high - drawn.high).abs() < 1e-9);
    }

    /// Re-drawing by a function gives what shuffling gives.
    #[test]
    fn any_scheme_can_be_redrawn() {
        let y = [1.0, 2.5, 4.0, 6.0, 3.0, 13.0, 7.0, 2.0];
        let scheme = blocks(&[8], &[0, 1, 0, 1, 0, 1, 0, 1]);
        let cells: Vec<usize> = scheme.observed.iter().map(|&p| p as usize).collect();
        let redraw = |k: u64| {
            let mut cells: Vec<usize> = (0..8).map(|i| i % 2).collect();
            Stream::named(&k.to_string()).shuffle(&mut cells);
            Some(cells)
        };
        let listed = one(&y, &scheme, LISTED);
        let drawn = test_by_redrawing(&y, &cells, &[SIGNS.to_vec()], 4_000, redraw).unwrap();
        assert!(drawn.low <= listed.p && listed.p <= drawn.high);
        let x: Vec<f64> = cells.iter().map(|&c| c as f64).collect();
        let (a, b) = (
            shifts(&y, &x, &scheme, &SIGNS, 0.9, LISTED, "").unwrap(),
            shifts_by_redrawing(&y, &x, &cells, &SIGNS, 0.9, 4_000, redraw).unwrap(),
        );
        assert!(
            (a.low - b.low).abs() < 1.0 && (a.high - b.high).abs() < 1.0,
            "{a:?} {b:?}"
        );
        assert!(test_by_redrawing(&y, &cells, &[SIGNS.to_vec()], 10, |_| None).is_none());
    }

    /// Closed form: 0 of 10 at 95 %: 1 − 0.025^(1/10).
    #[test]
    fn the_interval_of_no_hits() {
        let (low, high) = clopper_pearson(0.0, 10.0, 0.95);
        assert_eq!(low, 0.0);
        assert!((high - (1.0 - 0.025_f64.powf(0.1))).abs() < 1e-12);
    }
}
