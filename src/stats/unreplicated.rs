//! Effects of two-level designs, and Lenth's way to judge them without replicates.
//!
//! In:  one response a run and the signs of the factors, −1 and +1. Out: effects in the unit of the response, and the
//! margin beyond which one stands out.
//!
//! | name  | symbol | meaning                                                         |
//! |-------|--------|-----------------------------------------------------------------|
//! | `s0`  | s₀     | 1.5 · median of the sizes of all effects                        |
//! | `pse` | PSE    | 1.5 · median of the sizes below 2.5 s₀: pseudo standard error   |
//! | `df`  | m/3    | degrees of freedom that go with it, m effects                   |
//!
//! The t quantiles of the margins are Lenth's approximation; [`Chance`] gives what effects of pure chance do instead, by
//! simulation: the share of them beyond a size, alone and with the largest of all, and where each rank comes to lie.
//!
//! Source: Lenth (1989), Technometrics 31:469; simulated critical values as in Ye and Hamada (2000), J. Qual. Technol.
//! 32:57 (from memory). Half-normal scores: Daniel (1959), Technometrics 1:311 (from memory).
//! Never here: designs that are not orthogonal; see `linear`.

use super::summary::median;
use crate::numeric::distribution::{normal_quantile_lower, t_quantile_upper};
use crate::numeric::stream::Stream;
use crate::numeric::sum;

/// Effect of a two-level factor: mean at + minus mean at −, in the unit of `y`.
///
/// `signs` has −1 or +1 a run (0, a centre point, is left out). `None` if the lengths differ or a level has no run.
pub fn effect(y: &[f64], signs: &[i8]) -> Option<f64> {
    let level = |sign: i8| -> Vec<f64> {
        y.iter()
            .zip(signs)
            .filter(|(_, s)| s.signum() == sign)
            .map(|(y, _)| *y)
            .collect()
    };
    let (high, low) = (level(1), level(-1));
    if y.len() != signs.len() || high.is_empty() || low.is_empty() {
        return None;
    }
    Some(sum::mean(&high) - sum::mean(&low))
}

/// Signs of an interaction: the product of the signs of its factors, run by run; as long as the shortest of them,
/// empty for no factors.
pub fn interaction(factors: &[&[i8]]) -> Vec<i8> {
    let runs = factors.iter().map(|signs| signs.len()).min().unwrap_or(0);
    (0..runs)
        .map(|run| factors.iter().map(|signs| signs[run].signum()).product())
        .collect()
}

/// Sum of squares of an effect in a balanced design of `runs` runs: N E² / 4, in the square of the unit.
pub fn effect_sum_of_squares(effect: f64, runs: usize) -> f64 {
    runs as f64 * effect * effect / 4.0
}

/// Lenth's pseudo standard error of a set of effects of equal variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lenth {
    /// First guess s₀, in the unit of the effects.
    pub s0: f64,
    /// Pseudo standard error PSE, in the unit of the effects; 0 if more than half of the effects are 0.
    pub pse: f64,
    /// Degrees of freedom m/3, not rounded.
    pub df: f64,
    /// Number of effects m.
    pub effects: usize,
}

impl Lenth {
    /// From all m effects of the design; `None` for fewer than 3 (less than one degree of freedom) or a value that is not
    /// finite. Few active effects are assumed: with more than about a third of them active PSE comes out too large.
    pub fn new(effects: &[f64]) -> Option<Lenth> {
        if effects.len() < 3 || effects.iter().any(|effect| !effect.is_finite()) {
            return None;
        }
        let sizes: Vec<f64> = effects.iter().map(|effect| effect.abs()).collect();
        let s0 = 1.5 * median(&sizes)?;
        let small: Vec<f64> = sizes.into_iter().filter(|size| *size < 2.5 * s0).collect();
        let pse = 1.5 * median(&small).unwrap_or(0.0);
        Some(Lenth {
            s0,
            pse,
            df: effects.len() as f64 / 3.0,
            effects: effects.len(),
        })
    }

    /// Margin of error for one effect chosen beforehand: t₍₁₋α/₂₎ PSE, at `level` 1 − α between 0 and 1.
    pub fn margin(&self, level: f64) -> f64 {
        t_quantile_upper(0.5 * (1.0 - level), self.df) * self.pse
    }

    /// Simultaneous margin over all m effects: as [`Lenth::margin`] with level^(1/m) in place of level.
    pub fn simultaneous_margin(&self, level: f64) -> f64 {
        // 1 − level^(1/m), without the subtraction
        let tail = -(level.ln() / self.effects as f64).exp_m1();
        t_quantile_upper(0.5 * tail, self.df) * self.pse
    }
}

/// Half-normal score of the effect that is number `rank` (from 1, smallest first) of `effects`: Φ⁻¹(½ + (rank − ½)/2m).
pub fn half_normal_score(rank: usize, effects: usize) -> f64 {
    normal_quantile_lower(0.5 + 0.5 * (rank as f64 - 0.5) / effects.max(1) as f64)
}

/// What effects of pure chance do: sizes over their own pseudo standard error, simulated.
#[derive(Debug, Clone)]
pub struct Chance {
    effects: usize,
    draws: usize,
    /// Sizes of single effects, ascending.
    alone: Vec<f64>,
    /// Largest size of each draw, ascending.
    largest: Vec<f64>,
    /// For each rank, smallest first, the sizes that come to lie there, ascending.
    ranks: Vec<Vec<f64>>,
}

impl Chance {
    /// Draws sets of `effects` independent normal effects of one variance; `None` for fewer than 3, or no draws.
    pub fn new(effects: usize, draws: usize, stream: &mut Stream) -> Option<Chance> {
        if effects < 3 || draws == 0 {
            return None;
        }
        let mut ranks = vec![Vec::with_capacity(draws); effects];
        for _ in 0..draws {
            let mut sizes: Vec<f64> = (0..effects).map(|_| stream.normal().abs()).collect();
            sizes.sort_by(f64::total_cmp);
            let s0 = 1.5 * middle(&sizes);
            let small = sizes.partition_point(|size| *size < 2.5 * s0);
            let pse = 1.5 * middle(&sizes[..small]);
            for (rank, size) in ranks.iter_mut().zip(&sizes) {
                rank.push(size / pse);
            }
        }
        for rank in &mut ranks {
            rank.sort_by(f64::total_cmp);
        }
        let mut alone = ranks.concat();
        alone.sort_by(f64::total_cmp);
        Some(Chance {
            effects,
            draws,
            largest: ranks.last().cloned().unwrap_or_default(),
            alone,
            ranks,
        })
    }

    /// Number of draws.
    pub fn draws(&self) -> usize {
        self.draws
    }

    /// Share of single effects of pure chance at least as large as `ratio` pseudo standard errors, never 0.
    pub fn p_alone(&self, ratio: f64) -> f64 {
        share_above(&self.alone, ratio)
    }

    /// Share of draws in which the largest effect is at least as large as `ratio` pseudo standard errors, never 0.
    pub fn p_among_all(&self, ratio: f64) -> f64 {
        share_above(&self.largest, ratio)
    }

    /// Size that single effects of pure chance stay below with probability `level`, in pseudo standard errors.
    pub fn margin(&self, level: f64) -> f64 {
        quantile(&self.alone, level)
    }

    /// Size that all effects of pure chance stay below with probability `level`, in pseudo standard errors.
    pub fn simultaneous_margin(&self, level: f64) -> f64 {
        quantile(&self.largest, level)
    }

    /// Where the effect of a rank (from 1, smallest first) lies with probability `level`, in pseudo standard errors.
    pub fn range(&self, rank: usize, level: f64) -> Option<(f64, f64)> {
        let own = self.ranks.get(rank.checked_sub(1)?)?;
        let tail = 0.5 * (1.0 - level);
        Some((quantile(own, tail), quantile(own, 1.0 - tail)))
    }

    /// Number of effects in a draw.
    pub fn effects(&self) -> usize {
        self.effects
    }
}

/// Median of ascending values; 0 without any.
fn middle(sorted: &[f64]) -> f64 {
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => sorted[n / 2],
        n => 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]),
    }
}

/// Share of ascending values at least as large, with the value itself counted in.
fn share_above(sorted: &[f64], value: f64) -> f64 {
    let below = sorted.partition_point(|v| *v < value);
    (sorted.len() - below + 1) as f64 / (sorted.len() + 1) as f64
}

/// The value that a share `level` of ascending values does not pass.
fn quantile(sorted: &[f64], level: f64) -> f64 {
    let place = (level * (sorted.len() as f64 + 1.0)).ceil() as usize;
    sorted
        .get(place.clamp(1, sorted.len().max(1)) - 1)
        .copied()
        .unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form, by hand: medians of 1 to 6 with one large effect.
    #[test]
    fn one_effect_stands_out() {
        let lenth = Lenth::new(&[1.0, -2.0, 3.0, -4.0, 5.0, -6.0, 100.0]).unwrap();
        assert_eq!((lenth.s0, lenth.pse, lenth.df), (6.0, 1.5 * 3.5, 7.0 / 3.0));
        assert!(lenth.simultaneous_margin(0.95) > lenth.margin(0.95));
        assert!(Lenth::new(&[1.0, 2.0]).is_none() && Lenth::new(&[1.0, 2.0, f64::NAN]).is_none());
    }

    /// Published: critical values of |effect|/PSE at 5 % for 7 and 15 effects, 2.30 and 2.16 alone, 4.9 and 4.24 for all
    /// together (Ye and Hamada 2000, from memory); the tolerance is four standard errors of the simulation.
    #[test]
    fn chance_gives_the_published_critical_values() {
        for (effects, alone, all) in [(7, 2.30, 4.87), (15, 2.16, 4.24)] {
            let chance = Chance::new(effects, 4000, &mut Stream::named("chance")).unwrap();
            assert!(
                (chance.margin(0.95) - alone).abs() < 0.08,
                "{effects}: {}",
                chance.margin(0.95)
            );
            assert!(
                (chance.simultaneous_margin(0.95) / all - 1.0).abs() < 0.08,
                "{effects}: {}",
                chance.simultaneous_margin(0.95)
            );
            let (low, high) = chance.range(effects, 0.9).unwrap();
            assert!(low < high && chance.p_among_all(high) < 0.06 && chance.p_among_all(low) > 0.94);
            assert!(chance.p_alone(alone) > 0.04 && chance.p_alone(alone) < 0.06);
        }
        assert!(Chance::new(2, 10, &mut Stream::named("chance")).is_none());
    }

    /// Closed form: the middle of one rank is the median of the half-normal distribution.
    #[test]
    fn half_normal_scores() {
        assert!((half_normal_score(1, 1) - 0.674_489_750_196_081_7).abs() < 1e-12);
        assert!(half_normal_score(1, 15) < half_normal_score(15, 15));
    }

    /// Closed form, by hand: 2² with an interaction.
    #[test]
    fn effects_of_four_runs() {
        let (a, b) = ([-1, 1, -1, 1], [-1, -1, 1, 1]);
        let y = [1.0, 3.0, 2.0, 8.0];
        assert_eq!((effect(&y, &a), effect(&y, &b)), (Some(4.0), Some(3.0)));
        assert_eq!(effect(&y, &interaction(&[&a, &b])), Some(2.0));
        assert_eq!(effect(&y, &[1, 1, 1, 1]), None);
        assert_eq!(effect_sum_of_squares(4.0, 4), 16.0);
    }
}
