//! p-values of a family of tests, corrected for their number.
//!
//! In:  the p-values of one declared family, in any order. Out: corrected p-values in the same order.
//! A NaN (a test that could not be made) stays NaN and still counts as a member of the family.
//! Never here: choosing the family or the level.

/// Places of the p-values in rising order; NaN last.
fn rising(p: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].is_nan().cmp(&p[*b].is_nan()).then(p[*a].total_cmp(&p[*b])));
    order
}

/// Holm's correction, which holds the chance of any false finding in the family (family-wise error):
/// p̃₍ᵢ₎ = max over j ≤ i of min(1, (m − j + 1) p₍ⱼ₎).
///
/// Domain: 0 ≤ p ≤ 1. No assumption on dependence. Source: Holm (1979), Scand. J. Statist. 6:65.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut corrected = vec![f64::NAN; p.len()];
    let mut largest: f64 = 0.0;
    for (rank, place) in rising(p).into_iter().enumerate() {
        if p[place].is_nan() {
            break;
        }
        largest = largest.max(((p.len() - rank) as f64 * p[place]).min(1.0));
        corrected[place] = largest;
    }
    corrected
}

/// Benjamini and Hochberg's correction, which holds the expected share of false findings (false discovery rate):
/// p̃₍ᵢ₎ = min over j ≥ i of min(1, m p₍ⱼ₎ / j).
///
/// Domain: 0 ≤ p ≤ 1; independent or positively dependent tests. Source: Benjamini and Hochberg (1995), J. R. Statist.
/// Soc. B 57:289.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut corrected = vec![f64::NAN; p.len()];
    let mut smallest: f64 = 1.0;
    for (rank, place) in rising(p).into_iter().enumerate().rev() {
        if !p[place].is_nan() {
            smallest = smallest.min(p.len() as f64 * p[place] / (rank as f64 + 1.0));
            corrected[place] = smallest;
        }
    }
    corrected
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: &[f64], want: &[f64]) {
        assert_eq!(got.len(), want.len());
        for (got, want) in got.iter().zip(want) {
            assert!(
                (got - want).abs() < 1e-15 || (got.is_nan() && want.is_nan()),
                "{got} against {want}"
            );
        }
    }

    /// Closed form, by hand: sorted 0.005, 0.01, 0.03, 0.04 times 4, 3, 2, 1 and 4, 2, 4/3, 1.
    #[test]
    fn four_tests() {
        let p = [0.01, 0.04, 0.03, 0.005];
        close(&holm(&p), &[0.03, 0.06, 0.06, 0.02]);
        close(&benjamini_hochberg(&p), &[0.02, 0.04, 0.04, 0.02]);
    }

    /// Closed form: one test stays as it is, equal tests stay equal, nothing passes 1.
    #[test]
    fn the_edges() {
        close(&holm(&[]), &[]);
        close(&holm(&[0.2]), &[0.2]);
        close(&benjamini_hochberg(&[0.2]), &[0.2]);
        close(&holm(&[0.4, 0.4, 0.4]), &[1.0, 1.0, 1.0]);
        close(&benjamini_hochberg(&[0.4, 0.4, 0.4]), &[0.4, 0.4, 0.4]);
        close(&holm(&[f64::NAN, 0.1]), &[f64::NAN, 0.2]);
        close(&benjamini_hochberg(&[f64::NAN, 0.1]), &[f64::NAN, 0.2]);
    }
}
