//! Are the last digits of readings as even as chance makes them?
//!
//! In:  how often each last digit occurs. Out: the p-value of 'all digits alike'.
//!
//! | name       | symbol | meaning                                             |
//! |------------|--------|-----------------------------------------------------|
//! | counts     | nᵢ     | readings that end in digit i                        |
//! | statistic  | X²     | Σ (nᵢ − n/k)² / (n/k)                               |
//!
//! Below [`EXACT`] readings the p-value is exact: the probability of every sum of squares Σ nᵢ² is found digit by digit.
//! From there on the chi-square distribution on k − 1 degrees of freedom serves (common practice: three or more of each
//! expected). Never here: what makes a digit popular.

use crate::numeric::distribution::chi2_upper;

/// Readings below which the exact distribution is computed.
pub const EXACT: usize = 30;

/// Statistic and p-value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evenness {
    /// X².
    pub statistic: f64,
    /// p-value of 'all digits alike'.
    pub p: f64,
    /// True if it is exact.
    pub exact: bool,
}

/// `None` for fewer than two digits, or no readings.
pub fn evenness(counts: &[usize]) -> Option<Evenness> {
    let n: usize = counts.iter().sum();
    let k = counts.len();
    if k < 2 || n == 0 {
        return None;
    }
    let expected = n as f64 / k as f64;
    let statistic = counts.iter().map(|&c| (c as f64 - expected).powi(2)).sum::<f64>() / expected;
    if n >= EXACT {
        return Some(Evenness {
            statistic,
            p: chi2_upper(statistic, (k - 1) as f64),
            exact: false,
        });
    }
    let seen: usize = counts.iter().map(|c| c * c).sum();
    Some(Evenness {
        statistic,
        p: exact(n, k, seen),
        exact: true,
    })
}

/// P(Σ nᵢ² ≥ seen) for n readings over k equally likely digits.
fn exact(n: usize, k: usize, seen: usize) -> f64 {
    let squares = n * n;
    // table[m][s]: weight (1/Π nᵢ!) of the ways in which the digits so far took m readings with Σ nᵢ² = s.
    let mut table = vec![vec![0.0_f64; squares + 1]; n + 1];
    table[0][0] = 1.0;
    let mut weights = vec![1.0_f64];
    for count in 1..=n {
        weights.push(weights[count - 1] / count as f64);
    }
    for _ in 0..k {
        let mut next = vec![vec![0.0_f64; squares + 1]; n + 1];
        for (m, row) in table.iter().enumerate() {
            for (s, &weight) in row.iter().enumerate().filter(|(_, w)| **w > 0.0) {
                for count in 0..=(n - m) {
                    next[m + count][s + count * count] += weight * weights[count];
                }
            }
        }
        table = next;
    }
    let total: f64 = table[n].iter().sum();
    let tail: f64 = table[n][seen.min(squares)..].iter().sum();
    (tail / total).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: two readings over k digits agree with probability 1/k; three over two digits all agree with 1/4.
    #[test]
    fn small_cases_by_hand() {
        let pair = evenness(&[2, 0, 0, 0, 0, 0, 0, 0, 0, 0]).unwrap();
        assert!(pair.exact && (pair.p - 0.1).abs() < 1e-12);
        assert!((evenness(&[3, 0]).unwrap().p - 0.25).abs() < 1e-12);
        assert!((evenness(&[2, 1]).unwrap().p - 1.0).abs() < 1e-12);
        assert_eq!(evenness(&[0, 0]), None);
    }

    /// Closed form: X² of counts 20 and 10 is 100/30; at many readings chi-square and exact probability come together.
    #[test]
    fn many_readings_take_the_chi_square() {
        let found = evenness(&[20, 10]).unwrap();
        assert!(!found.exact && (found.statistic - 100.0 / 30.0).abs() < 1e-12);
        let counts = [5, 1, 2, 4, 1, 6, 3, 2, 3, 2];
        let exact = evenness(&counts).unwrap();
        assert!(
            exact.exact && (exact.p - chi2_upper(exact.statistic, 9.0)).abs() < 0.05,
            "{exact:?}"
        );
    }
}
