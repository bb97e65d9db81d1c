//! Do the laboratories of a collaborative study agree? Critical values and tail probabilities of the usual statistics.
//!
//! In:  numbers of laboratories and results, a significance, or the cell means and variances themselves.
//! Out: statistics without unit.
//!
//! | name    | symbol | meaning                                                                    |
//! |---------|--------|----------------------------------------------------------------------------|
//! | h       | hᵢ     | a cell mean less their mean, over the standard deviation of the cell means   |
//! | k       | kᵢ     | a cell's standard deviation over the repeatability standard deviation        |
//! | Cochran | C      | the largest cell variance over the sum of all                               |
//! | Grubbs  | G      | the largest |h|                                                             |
//! | Grubbs, two | G₂ | sum of squares of the cell means without the two highest (lowest), over that with them |
//!
//! Sources: ISO 5725-2 (2019) and ASTM E691 for the statistics; Grubbs (1950) Ann. Math. Statist. 21:27. h and a single
//! Grubbs statistic are functions of Student's t on p − 2 df; k and C are beta variables, that is functions of F. The pair
//! statistic is integrated by the recursion for successive studentized maxima, see [`grubbs_two_lower`].
//! Never here: what to do with a laboratory that stands apart.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_6, PI};

use crate::numeric::distribution::{f_quantile_upper, f_upper, t_quantile_upper, t_upper};
use crate::numeric::{bracketed_zero, sum};

/// Most laboratories for which the pair statistic is worked out.
pub const MOST_FOR_TWO: usize = 200;

/// Critical value of |h| at a two-sided `significance`, for p ≥ 3 laboratories: (p−1)t/√(p(t² + p − 2)), t the upper
/// `significance`/2 quantile on p − 2 df. NaN otherwise.
#[must_use]
pub fn h_critical(laboratories: usize, significance: f64) -> f64 {
    if laboratories < 3 {
        return f64::NAN;
    }
    let p = laboratories as f64;
    let t = t_quantile_upper(0.5 * significance, p - 2.0);
    (p - 1.0) * t / (p * (t * t + p - 2.0)).sqrt()
}

/// Critical value of k for a cell with `own` degrees of freedom among `all` of the level: √(ν/νᵢ · 1/(1 + (ν−νᵢ)/(νᵢ F))),
/// F the upper quantile on νᵢ and ν − νᵢ df. With equal cells this is √(p/(1 + (p−1)/F)). NaN unless 0 < own < all.
#[must_use]
pub fn k_critical(own: f64, all: f64, significance: f64) -> f64 {
    if !(own > 0.0 && own < all) {
        return f64::NAN;
    }
    let f = f_quantile_upper(significance, own, all - own);
    (all / own / (1.0 + (all - own) / (own * f))).sqrt()
}

/// Cochran's C: the place of the largest variance and its part of their sum; `None` for fewer than two or all zero.
#[must_use]
pub fn cochran(variances: &[f64]) -> Option<(usize, f64)> {
    let total: f64 = variances.iter().sum();
    let place = (0..variances.len()).max_by(|&a, &b| variances[a].total_cmp(&variances[b]).then(b.cmp(&a)))?;
    (variances.len() >= 2 && total > 0.0).then(|| (place, variances[place] / total))
}

/// Critical value of Cochran's C for `laboratories` variances on `df` degrees of freedom each: 1/(1 + (p−1)/F), F at
/// `significance`/p (Bonferroni, as tabulated; at most the stated significance).
#[must_use]
pub fn cochran_critical(laboratories: usize, df: f64, significance: f64) -> f64 {
    let p = laboratories as f64;
    1.0 / (1.0 + (p - 1.0) / f_quantile_upper(significance / p, df, (p - 1.0) * df))
}

/// The probability, at most, of a C as large as this: p times the tail of F = (p−1)C/(1−C).
#[must_use]
pub fn cochran_upper(c: f64, laboratories: usize, df: f64) -> f64 {
    let p = laboratories as f64;
    (p * f_upper((p - 1.0) * c / (1.0 - c), df, (p - 1.0) * df)).min(1.0)
}

/// Grubbs' statistic for one mean: the place of the one furthest from the mean, and how far in standard deviations, with its
/// sign. `None` for fewer than three, or all the same.
#[must_use]
pub fn grubbs_one(means: &[f64]) -> Option<(usize, f64)> {
    let h = standardized(means)?;
    let place = (0..h.len()).max_by(|&a, &b| h[a].abs().total_cmp(&h[b].abs()).then(b.cmp(&a)))?;
    (means.len() >= 3).then(|| (place, h[place]))
}

/// (x − mean) over the standard deviation; `None` for fewer than two, or all the same.
#[must_use]
pub fn standardized(values: &[f64]) -> Option<Vec<f64>> {
    if values.len() < 2 {
        return None;
    }
    let mean = sum::mean(values);
    let away: Vec<f64> = values.iter().map(|v| v - mean).collect();
    let deviation = (sum::dot(&away, &away) / (values.len() as f64 - 1.0)).sqrt();
    let size = values.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    (deviation > 1e-13 * size).then(|| away.iter().map(|a| a / deviation).collect())
}

/// Critical value of |G| at a two-sided overall `significance`: h at `significance`/p.
#[must_use]
pub fn grubbs_one_critical(laboratories: usize, significance: f64) -> f64 {
    h_critical(laboratories, significance / laboratories as f64)
}

/// The probability, at most, of a |G| as large as this in either direction; p ≥ 3.
#[must_use]
pub fn grubbs_one_upper(g: f64, laboratories: usize) -> f64 {
    if laboratories < 3 {
        return f64::NAN;
    }
    let p = laboratories as f64;
    // G = (p−1)t/√(p(t² + p − 2)) solved for t²
    let left = (p - 1.0).powi(2) - p * g * g;
    if left <= 0.0 {
        return 0.0;
    }
    let t = (p * (p - 2.0) * g * g / left).sqrt();
    (2.0 * p * t_upper(t, p - 2.0)).min(1.0)
}

/// Grubbs' pair statistic at the end where it is smaller: the places of the two means, and the ratio of sums of squares
/// without and with them. `None` for fewer than four, or all the same.
#[must_use]
pub fn grubbs_two(means: &[f64]) -> Option<([usize; 2], f64)> {
    let h = standardized(means)?;
    if means.len() < 4 {
        return None;
    }
    let mut order: Vec<usize> = (0..h.len()).collect();
    order.sort_by(|&a, &b| h[a].total_cmp(&h[b]).then(a.cmp(&b)));
    let squares = |kept: &[usize]| {
        let values: Vec<f64> = kept.iter().map(|&i| h[i]).collect();
        let mean = sum::mean(&values);
        values.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
    };
    let all = squares(&order);
    let last = order.len() - 2;
    let high = squares(&order[..last]) / all;
    let low = squares(&order[2..]) / all;
    Some(if high <= low {
        ([order[last + 1], order[last]], high)
    } else {
        ([order[0], order[1]], low)
    })
}

/// The probability that the pair statistic at one given end is `ratio` or smaller, for 4 to [`MOST_FOR_TWO`] laboratories.
///
/// The largest studentized mean is u = √((m−1)/m) sin φ with the density m cos(φ)^(m−3) / B(½, (m−2)/2) times the chance
/// that the largest of the other m − 1 is smaller; the same holds for these in turn, and the ratio is the product of the
/// cos² of the two angles. The distributions of the largest are tabulated one m after the other and interpolated by cubics.
#[must_use]
pub fn grubbs_two_lower(ratio: f64, laboratories: usize) -> f64 {
    if !(4..=MOST_FOR_TWO).contains(&laboratories) || !(ratio > 0.0) {
        return if ratio <= 0.0 { 0.0 } else { f64::NAN };
    }
    PairTable::new(laboratories).lower(ratio)
}

/// Critical value of the pair statistic: the ratio below which a share `significance`/2 falls at either end.
#[must_use]
pub fn grubbs_two_critical(laboratories: usize, significance: f64) -> f64 {
    if !(4..=MOST_FOR_TWO).contains(&laboratories) {
        return f64::NAN;
    }
    let table = PairTable::new(laboratories);
    bracketed_zero(|ratio| table.lower(ratio) - 0.5 * significance, 1e-9, 0.99)
}

/// Nodes and weights of four-point Gauss–Legendre integration on [−1, 1].
const GAUSS: [(f64, f64); 4] = [
    (-0.861_136_311_594_052_6, 0.347_854_845_137_453_9),
    (-0.339_981_043_584_856_3, 0.652_145_154_862_546_1),
    (0.339_981_043_584_856_3, 0.652_145_154_862_546_1),
    (0.861_136_311_594_052_6, 0.347_854_845_137_453_9),
];
const CELLS: usize = 200;

/// Distribution of the angle of the largest studentized value of m, at even steps from the least angle that it can have to
/// the bend above which the others have all the room, and from there to a quarter circle.
struct Largest {
    /// The three ends.
    ends: [f64; 3],
    /// Value and slope at each step, for both parts.
    parts: [Vec<(f64, f64)>; 2],
}

impl Largest {
    /// P(angle ≤ `angle`), by the cubic between two knots.
    fn at(&self, angle: f64) -> f64 {
        if angle <= self.ends[0] {
            return 0.0;
        }
        let part = usize::from(angle > self.ends[1]);
        let (from, to, knots) = (self.ends[part], self.ends[part + 1], &self.parts[part]);
        let step = (to - from) / CELLS as f64;
        let x = ((angle - from) / step).clamp(0.0, CELLS as f64);
        let cell = (x as usize).min(CELLS - 1);
        let u = x - cell as f64;
        let ((a, da), (b, db)) = (knots[cell], knots[cell + 1]);
        let (da, db) = (da * step, db * step);
        let value = a + u * (da + u * (3.0 * (b - a) - 2.0 * da - db + u * (2.0 * (a - b) + da + db)));
        value.clamp(0.0, 1.0)
    }
}

/// The angle above which the largest of m leaves all the room to the others.
fn bend(m: usize) -> f64 {
    ((m as f64 - 2.0) / m as f64).sqrt().atan()
}

/// m/B(½, (m−2)/2), by B(½, ½) = π, B(½, 1) = 2 and B(½, x+1) = B(½, x) x/(x + ½).
fn scale(m: usize) -> f64 {
    let (mut x, mut beta) = if m % 2 == 1 { (0.5, PI) } else { (1.0, 2.0) };
    while x + 0.5 < 0.5 * (m as f64 - 2.0) {
        beta *= x / (x + 0.5);
        x += 1.0;
    }
    m as f64 / beta
}

/// Density of the angle of one of m values times m, without the condition on the others.
fn density(m: usize, scale: f64, angle: f64) -> f64 {
    scale * angle.cos().max(0.0).powf(m as f64 - 3.0)
}

/// The angle that the largest of m − 1 may reach if the largest of m stands at `angle`.
fn room(m: usize, angle: f64) -> f64 {
    let k = (m as f64 / (m as f64 - 2.0)).sqrt();
    (k * angle.tan()).min(1.0).asin()
}

/// The tables up to the largest of m − 1.
struct PairTable {
    m: usize,
    below: Option<Largest>,
}

impl PairTable {
    fn new(m: usize) -> Self {
        let mut below: Option<Largest> = None;
        for size in 4..m {
            below = Some(Self::next(size, below.as_ref()));
        }
        Self { m, below }
    }

    /// Distribution of the largest of three is linear in its angle from 30 degrees.
    fn largest(below: Option<&Largest>, angle: f64) -> f64 {
        match below {
            None => (3.0 / PI * (angle - FRAC_PI_6)).clamp(0.0, 1.0),
            Some(table) => table.at(angle),
        }
    }

    fn next(m: usize, below: Option<&Largest>) -> Largest {
        let scale = scale(m);
        let slope = |angle: f64| density(m, scale, angle) * Self::largest(below, room(m, angle));
        // All but one at the same height make the largest as small as can be: sin φ = 1/(m−1).
        let ends = [(1.0 / (m as f64 - 1.0)).asin(), bend(m), FRAC_PI_2];
        let mut total = 0.0;
        let parts = [0, 1].map(|part| {
            let (from, to) = (ends[part], ends[part + 1]);
            let step = (to - from) / CELLS as f64;
            let mut knots = vec![(total, slope(from))];
            for cell in 0..CELLS {
                let middle = from + (cell as f64 + 0.5) * step;
                for (node, weight) in GAUSS {
                    total += 0.5 * step * weight * slope(middle + 0.5 * step * node);
                }
                knots.push((total, slope(from + (cell + 1) as f64 * step)));
            }
            knots
        });
        Largest { ends, parts }
    }

    /// P(ratio ≤ `ratio`) at one end.
    fn lower(&self, ratio: f64) -> f64 {
        let m = self.m;
        let (below, scale) = (self.below.as_ref(), scale(m));
        // The integrand bends where the largest of m − 1 gets all the room, and where the ratio is met without it.
        let met = ratio.sqrt().min(1.0).acos();
        let mut ends = [0.0, bend(m), met, FRAC_PI_2];
        ends.sort_by(f64::total_cmp);
        let mut total = 0.0;
        for pair in ends.windows(2) {
            let cells = ((pair[1] - pair[0]) / FRAC_PI_2 * CELLS as f64).ceil().max(1.0);
            let step = (pair[1] - pair[0]) / cells;
            for cell in 0..cells as usize {
                let middle = pair[0] + (cell as f64 + 0.5) * step;
                for (node, weight) in GAUSS {
                    let angle = middle + 0.5 * step * node;
                    let least = (ratio.sqrt() / angle.cos()).min(1.0).acos();
                    let chance = Self::largest(below, room(m, angle)) - Self::largest(below, least);
                    total += 0.5 * step * weight * density(m, scale, angle) * chance.max(0.0);
                }
            }
        }
        total
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} against {want}");
    }

    /// Closed form: tail probabilities and critical values belong to each other.
    #[test]
    fn critical_values_have_their_significance() {
        for p in [3, 5, 8, 30] {
            close(grubbs_one_upper(grubbs_one_critical(p, 0.05), p), 0.05, 1e-12);
            close(cochran_upper(cochran_critical(p, 2.0, 0.01), p, 2.0), 0.01, 1e-12);
        }
        for p in [4, 8, 20] {
            close(grubbs_two_lower(grubbs_two_critical(p, 0.05), p), 0.025, 1e-9);
        }
        // No |G| can exceed (p − 1)/√p.
        assert_eq!(grubbs_one_upper(3.0, 3), 0.0);
    }

    /// Worked by hand: 1, 2, 3, 4, 100: without the two highest 1, 2, 3 leave 2, all leave 7610 about their mean 22.
    #[test]
    fn the_pair_is_taken_at_the_end_where_it_matters() {
        let (pair, ratio) = grubbs_two(&[3.0, 1.0, 100.0, 2.0, 4.0]).unwrap();
        assert_eq!(pair, [2, 4]);
        close(ratio, 2.0 / 7610.0, 1e-12);
        let (pair, mirrored) = grubbs_two(&[-3.0, -1.0, -100.0, -2.0, -4.0]).unwrap();
        assert_eq!(pair, [2, 4]);
        close(mirrored, ratio, 1e-12);
    }

    #[test]
    fn what_does_not_vary_has_no_statistic() {
        assert_eq!(grubbs_one(&[2.0; 6]), None);
        assert_eq!(grubbs_two(&[2.0; 6]), None);
        assert_eq!(cochran(&[0.0; 6]), None);
        assert_eq!(standardized(&[1.0]), None);
        assert!(h_critical(2, 0.05).is_nan() && k_critical(0.0, 4.0, 0.05).is_nan());
        assert!(grubbs_two_lower(0.1, 3).is_nan() && grubbs_two_critical(MOST_FOR_TWO + 1, 0.05).is_nan());
    }
}
