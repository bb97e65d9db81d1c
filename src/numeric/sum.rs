//! Sums that do not lose digits: compensated sum, dot product, mean and sum of squares about the mean.
//!
//! In:  slices of finite numbers. Out: the sum as if taken in twice the working precision, then rounded.
//! Method: error-free transformations of Knuth and Dekker as in Ogita, Rump and Oishi (2005), "Accurate sum and dot
//! product", SIAM J. Sci. Comput. 26:1955, algorithms Sum2 and Dot2.
//! Never here: missing values; infinities and NaN give NaN or infinity.

/// a + b as a rounded sum and its exact rounding error (Knuth).
pub(crate) fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let part = sum - a;
    (sum, (a - (sum - part)) + (b - part))
}

/// a · b as a rounded product and its exact rounding error, by a fused multiply and add.
pub(crate) fn two_product(a: f64, b: f64) -> (f64, f64) {
    let product = a * b;
    (product, a.mul_add(b, -product))
}

/// A running sum held as a rounded value and what rounding has left out so far.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Accumulator {
    high: f64,
    low: f64,
}

impl Accumulator {
    pub(crate) fn add(&mut self, value: f64) {
        let (high, error) = two_sum(self.high, value);
        self.high = high;
        self.low += error;
    }

    pub(crate) fn add_product(&mut self, a: f64, b: f64) {
        let (product, error) = two_product(a, b);
        self.add(product);
        self.low += error;
    }

    /// The sum as an unevaluated pair.
    pub(crate) fn pair(self) -> (f64, f64) {
        two_sum(self.high, self.low)
    }

    pub(crate) fn value(self) -> f64 {
        self.high + self.low
    }
}

/// Σ xᵢ, compensated. 0 for an empty slice.
///
/// The relative error is near one rounding unless cancellation eats more than 15 digits.
pub fn sum(values: &[f64]) -> f64 {
    let mut total = Accumulator::default();
    for value in values {
        total.add(*value);
    }
    total.value()
}

/// Σ aᵢ bᵢ over the shorter of both lengths, compensated. 0 for empty slices.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut total = Accumulator::default();
    for (a, b) in a.iter().zip(b) {
        total.add_product(*a, *b);
    }
    total.value()
}

/// Σ xᵢ², compensated. 0 for an empty slice.
pub fn sum_of_squares(values: &[f64]) -> f64 {
    dot(values, values)
}

/// Mean as an unevaluated pair, good to about 30 digits. NaN for an empty slice.
pub(crate) fn mean_pair(values: &[f64]) -> (f64, f64) {
    let mut total = Accumulator::default();
    for value in values {
        total.add(*value);
    }
    let (high, low) = total.pair();
    let n = values.len() as f64;
    let mean = high / n;
    // remainder of the division, exact by the fused step
    let rest = (-mean).mul_add(n, high) + low;
    two_sum(mean, rest / n)
}

/// Mean of the values, in their unit. NaN for an empty slice.
pub fn mean(values: &[f64]) -> f64 {
    mean_pair(values).0
}

/// The mean and the deviations from it, xᵢ − x̄, in order of the values.
///
/// The mean is carried to twice the working precision inside, so that the deviations are good to their last digits
/// even where the values share a large offset. (NaN, empty) for an empty slice.
pub fn centred(values: &[f64]) -> (f64, Vec<f64>) {
    let (high, low) = mean_pair(values);
    (high, values.iter().map(|value| (value - high) - low).collect())
}

/// Sum of squares about the mean, Σ (xᵢ − x̄)², in the square of the unit: two passes, both compensated. 0 for an empty slice.
pub fn sum_of_squares_about_mean(values: &[f64]) -> f64 {
    sum_of_squares(&centred(values).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: the small terms survive between two large ones.
    #[test]
    fn a_large_term_that_cancels_leaves_the_small_ones() {
        assert_eq!(sum(&[1e16, 1.0, 1.0, -1e16]), 2.0);
        assert_eq!(dot(&[1e8, 1.0, -1e8], &[1e8, 1.0, 1e8]), 1.0);
    }

    /// Closed form: 1, 2, 3 about 2, with and without an offset that a double holds exactly.
    #[test]
    fn an_offset_changes_the_mean_and_nothing_else() {
        let plain = [1.0, 2.0, 3.0];
        let shifted = plain.map(|value| value + 1e15);
        assert_eq!((mean(&plain), sum_of_squares_about_mean(&plain)), (2.0, 2.0));
        assert_eq!((mean(&shifted), sum_of_squares_about_mean(&shifted)), (1e15 + 2.0, 2.0));
    }

    #[test]
    fn nothing_to_sum() {
        assert_eq!(sum(&[]), 0.0);
        assert!(mean(&[]).is_nan());
        assert_eq!(sum_of_squares_about_mean(&[]), 0.0);
    }
}
