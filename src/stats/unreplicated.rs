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
//! Source: Lenth (1989), Technometrics 31:469. Never here: designs that are not orthogonal; see `linear`.

use super::summary::median;
use crate::numeric::distribution::t_quantile_upper;
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
