//! Differences of means judged together: intervals that hold all at once, and p-values that agree with them.
//!
//! In:  the differences of one factor with their standard errors and degrees of freedom, and what they have in common.
//! Out: for each an interval and a p-value; the interval excludes zero exactly where p is below 1 − confidence.
//!
//! | name           | symbol | shape  | unit     |
//! |----------------|--------|--------|----------|
//! | difference     | d      | m      | response |
//! | standard error | s      | m      | response |
//! | degrees of freedom | ν  | m      | none     |
//!
//! All pairs: d ± q s/√2 with the studentized range (Tukey 1953; with unequal numbers Kramer 1956, Biometrics 12:307, whose
//! intervals are then a little wide, Hayter 1984, Ann. Statist. 12:61). Against one: d ± q s with the largest of correlated
//! t (Dunnett 1955, J. Am. Statist. Ass. 50:1096; 1964, Biometrics 20:482). The same differences taken at several settings
//! of another factor share the level out (Bonferroni). Sources from memory.
//! Never here: which differences make a family.

use crate::numeric::distribution::{
    many_to_one_quantile_upper, many_to_one_upper, studentized_range_quantile_upper, studentized_range_upper,
    t_quantile_upper, t_upper,
};

/// One difference of means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The difference.
    pub value: f64,
    /// Its standard error, above zero.
    pub standard_error: f64,
    /// Degrees of freedom, above zero.
    pub df: f64,
}

/// What the differences have in common.
#[derive(Debug, Clone, PartialEq)]
pub enum Family {
    /// All pairs of so many means.
    AllPairs(usize),
    /// Every mean against the same one, with the loadings of [`loadings`].
    AgainstOne(Vec<f64>),
}

/// A difference judged together with the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Together {
    /// Lower end of the simultaneous interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// p-value of 'no difference', corrected for the family.
    pub p: f64,
}

impl Family {
    /// P(largest of the family > t) at one number of degrees of freedom.
    fn upper(&self, t: f64, df: f64) -> f64 {
        match self {
            Self::AllPairs(..=2) => 2.0 * t_upper(t, df),
            Self::AllPairs(means) => studentized_range_upper(t * std::f64::consts::SQRT_2, *means as f64, df),
            Self::AgainstOne(loadings) if loadings.len() == 1 => 2.0 * t_upper(t, df),
            Self::AgainstOne(loadings) => many_to_one_upper(t, loadings, df),
        }
    }

    fn quantile(&self, p: f64, df: f64) -> f64 {
        match self {
            Self::AllPairs(..=2) => t_quantile_upper(0.5 * p, df),
            Self::AllPairs(means) => studentized_range_quantile_upper(p, *means as f64, df) / std::f64::consts::SQRT_2,
            Self::AgainstOne(loadings) if loadings.len() == 1 => t_quantile_upper(0.5 * p, df),
            Self::AgainstOne(loadings) => many_to_one_quantile_upper(p, loadings, df),
        }
    }
}

/// Judges the differences of one family; what one quantile needs is worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct Judge {
    family: Family,
    settings: f64,
    level: f64,
    /// Degrees of freedom and their quantile.
    known: Vec<(f64, f64)>,
}

impl Judge {
    /// A family whose differences are taken at `settings` settings of other factors (1 for differences over all of them).
    #[must_use]
    pub fn new(family: Family, settings: usize, confidence: f64) -> Self {
        let settings = settings.max(1) as f64;
        Self {
            family,
            settings,
            level: (1.0 - confidence) / settings,
            known: Vec::new(),
        }
    }

    /// The family judged.
    #[must_use]
    pub fn family(&self) -> &Family {
        &self.family
    }

    /// Judges one difference; where degrees of freedom differ, each difference takes its own.
    pub fn judge(&mut self, d: &Difference) -> Together {
        let known = self
            .known
            .iter()
            .find(|(df, _)| *df == d.df)
            .map(|(_, quantile)| *quantile);
        let quantile = known.unwrap_or_else(|| {
            let quantile = self.family.quantile(self.level, d.df);
            self.known.push((d.df, quantile));
            quantile
        });
        let reach = quantile * d.standard_error;
        Together {
            low: d.value - reach,
            high: d.value + reach,
            p: (self.settings * self.family.upper((d.value / d.standard_error).abs(), d.df)).min(1.0),
        }
    }
}

/// Loadings λ whose products λᵢλⱼ are the correlations of differences from one mean, and how far they miss at most.
///
/// `errors[i]` is the standard error of difference i, `between(i, j)` that of the difference of two of them. With
/// independent means of equal variance the fit is exact; else it is by least squares.
#[must_use]
pub fn loadings(errors: &[f64], between: impl Fn(usize, usize) -> f64) -> (Vec<f64>, f64) {
    let m = errors.len();
    let correlation = |i: usize, j: usize| -> f64 {
        let (a, b, c) = (errors[i], errors[j], between(i, j));
        ((a * a + b * b - c * c) / (2.0 * a * b)).clamp(-1.0, 1.0)
    };
    let table: Vec<Vec<f64>> = (0..m)
        .map(|i| (0..m).map(|j| if i == j { 1.0 } else { correlation(i, j) }).collect())
        .collect();
    if m < 2 {
        return (vec![0.0; m], 0.0);
    }
    if m == 2 {
        // The largest of |t| does not ask for the sign.
        return (vec![table[0][1].abs().sqrt(); 2], 0.0);
    }
    let others = (m - 1) as f64;
    let mut found: Vec<f64> = table
        .iter()
        .map(|row| ((row.iter().sum::<f64>() - 1.0) / others).max(0.0).sqrt())
        .collect();
    for _ in 0..1_000 {
        let mut moved = 0.0_f64;
        for i in 0..m {
            let rest = |f: &dyn Fn(usize) -> f64| -> f64 { (0..m).filter(|&j| j != i).map(f).sum() };
            let square = rest(&|j| found[j] * found[j]);
            let next = if square > 0.0 {
                (rest(&|j| table[i][j] * found[j]) / square).clamp(0.0, 1.0)
            } else {
                0.0
            };
            moved = moved.max((next - found[i]).abs());
            found[i] = next;
        }
        if moved < 1e-15 {
            break;
        }
    }
    let misses = (0..m).flat_map(|i| (0..i).map(move |j| (i, j)));
    let worst = misses.fold(0.0_f64, |worst, (i, j)| {
        worst.max((table[i][j] - found[i] * found[j]).abs())
    });
    (found, worst)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: with n₀ runs of the common mean and nᵢ of the others, λᵢ = √(nᵢ/(nᵢ + n₀)).
    #[test]
    fn loadings_of_unequal_numbers() {
        let (common, n): (f64, [f64; 4]) = (8.0, [4.0, 6.0, 5.0, 16.0]);
        let errors = n.map(|n| (1.0 / n + 1.0 / common).sqrt());
        let (found, worst) = loadings(&errors, |i, j| (1.0 / n[i] + 1.0 / n[j]).sqrt());
        assert!(worst < 1e-12);
        for (found, n) in found.iter().zip(n) {
            assert!((found - (n / (n + common)).sqrt()).abs() < 1e-12);
        }
    }

    /// Closed form: an interval touches zero where p is 1 − confidence; with two means it is Student's.
    #[test]
    fn interval_and_p_agree() {
        let at = |value: f64| Difference {
            value,
            standard_error: 0.7,
            df: 9.0,
        };
        let half = 0.5_f64.sqrt();
        for family in [
            Family::AllPairs(4),
            Family::AgainstOne(vec![half; 3]),
            Family::AllPairs(2),
        ] {
            for settings in [1, 3] {
                let mut judge = Judge::new(family.clone(), settings, 0.95);
                let reach = judge.judge(&at(0.0)).high;
                let edge = judge.judge(&at(reach));
                assert!((edge.p - 0.05).abs() < 1e-9 && edge.low.abs() < 1e-12, "{edge:?}");
            }
        }
        let student = Judge::new(Family::AllPairs(2), 1, 0.95).judge(&at(1.0));
        assert!((student.high - 1.0 - 0.7 * t_quantile_upper(0.025, 9.0)).abs() < 1e-12);
    }
}
