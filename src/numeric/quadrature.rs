//! The integral over the whole line of a positive function that decays fast on both sides.
//!
//! In:  the function as a product of a weight and a factor between 0 and 1, an interval, a first step. Out: the integral.
//! Method: trapezoidal rule with the step halved until two sums agree; for a smooth function that vanishes at both
//! ends the error falls exponentially in 1/step (Trefethen and Weideman 2014, SIAM Review 56:385).
//! Never here: signs that cancel; the integrand is nowhere negative, so that relative accuracy is kept.

/// What is below this share of the largest value does not matter.
const NEGLIGIBLE: f64 = 1e-19;

/// ∫ weight · factor over [`low`, `high`] to about 10⁻¹⁴ relative.
///
/// `weight` ≥ 0 is cheap, rises to one maximum and vanishes at both ends; `factor` lies in [0, 1], is monotone or at least
/// without a second peak, and may be costly: it is asked for only where the weight alone does not rule the point out.
/// `step` resolves the weight. NaN for an empty interval, a step not above 0 or a NaN among the values.
pub fn weighted_integral(
    weight: impl Fn(f64) -> f64,
    factor: impl Fn(f64) -> f64,
    low: f64,
    high: f64,
    step: f64,
) -> f64 {
    if !(low < high && step > 0.0) {
        return f64::NAN;
    }
    let cells = ((high - low) / step).ceil().clamp(8.0, 1e5);
    let mut h = (high - low) / cells;
    let at = |i: usize| low + h * i as f64;
    let weights: Vec<f64> = (0..=cells as usize).map(|i| weight(at(i))).collect();
    // outward from the largest weight, as long as a factor of 1 could still matter
    let top = weights
        .iter()
        .enumerate()
        .fold(0, |best, (i, value)| if *value > weights[best] { i } else { best });
    let mut values = vec![0.0; weights.len()];
    let mut largest: f64 = 0.0;
    let mut visit = |i: usize| {
        if weights[i] < NEGLIGIBLE * largest {
            return false;
        }
        values[i] = weights[i] * factor(at(i));
        largest = largest.max(values[i]);
        true
    };
    let _ = (top..weights.len()).take_while(|i| visit(*i)).count();
    let _ = (0..top).rev().take_while(|i| visit(*i)).count();
    // the part that matters, one cell wider than what exceeds the share
    let matters = |value: &f64| value.is_nan() || *value > NEGLIGIBLE * largest;
    let first = values.iter().position(matters).unwrap_or(top).saturating_sub(1);
    let last = (values.iter().rposition(matters).unwrap_or(top) + 1).min(values.len() - 1);
    let from = at(first);
    let mut total: f64 = values[first..=last].iter().sum();
    let mut cells = last - first;
    for _ in 0..14 {
        let middle: f64 = (0..cells)
            .map(|i| {
                let x = from + h * (i as f64 + 0.5);
                weight(x) * factor(x)
            })
            .sum();
        let (coarse, fine) = (total, 0.5 * (total + middle));
        total += middle;
        h *= 0.5;
        cells *= 2;
        // the error of the finer sum is far below its distance from the coarser one
        if (fine - coarse).abs() <= 1e-10 * fine || fine.is_nan() {
            break;
        }
    }
    h * total
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Closed form: Gauss's integral wide and narrow, Euler's for Γ(5/2) = ¾√π after x = eᵘ, and half of Gauss's
    /// integral by a factor that is a smooth step.
    #[test]
    fn known_integrals() {
        let gauss = |x: f64| (-0.5 * x * x).exp();
        let close = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 1e-14, "{got:e} against {want:e}");
        close(weighted_integral(gauss, |_| 1.0, -40.0, 40.0, 0.5), (2.0 * PI).sqrt());
        close(
            weighted_integral(|x| gauss(1e3 * x), |_| 1.0, -1.0, 1.1, 1e-3),
            1e-3 * (2.0 * PI).sqrt(),
        );
        close(
            weighted_integral(|u| (2.5 * u - u.exp()).exp(), |_| 1.0, -40.0, 8.0, 0.25),
            0.75 * PI.sqrt(),
        );
        close(
            weighted_integral(gauss, |x| 1.0 / (1.0 + (9.0 * x).exp()), -40.0, 40.0, 0.5),
            (0.5 * PI).sqrt(),
        );
    }

    /// Closed form: a factor that moves the peak far from that of the weight, ∫ φ(x) e^(20(x − 40)) = e^(200 − 800).
    #[test]
    fn a_factor_that_moves_the_peak() {
        let weight = |x: f64| (-0.5 * x * x).exp() / (2.0 * PI).sqrt();
        let got = weighted_integral(weight, |x| (20.0 * (x - 40.0)).exp().min(1.0), -38.0, 38.0, 0.5);
        assert!((got / (-600f64).exp() - 1.0).abs() < 1e-12, "{got:e}");
    }
}
