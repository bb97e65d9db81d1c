//! Numbers that carry the derivatives of an expression up to the third order, in two directions at once.
//!
//! In:  a value, and the direction in which it changes.
//! Out: the Taylor coefficients of a result: value, slopes, curvatures and the changes of curvature.
//! Method: truncated Taylor arithmetic (Griewank and Walther 2008, "Evaluating Derivatives", chapter 13).
//! Never here: parsing.

/// Powers of the two directions that are kept, in the order of the coefficients.
const POWERS: [(usize, usize); 10] = [
    (0, 0),
    (1, 0),
    (0, 1),
    (2, 0),
    (1, 1),
    (0, 2),
    (3, 0),
    (2, 1),
    (1, 2),
    (0, 3),
];

/// A number with its Taylor coefficients in two directions, up to the third order.
#[derive(Debug, Clone, Copy, PartialEq)]
#[must_use]
pub struct Jet([f64; 10]);

impl Jet {
    /// A number that does not change.
    pub fn constant(value: f64) -> Self {
        let mut c = [0.0; 10];
        c[0] = value;
        Self(c)
    }

    /// A number that changes with the first and the second direction at the given rates.
    pub fn moving(value: f64, first: f64, second: f64) -> Self {
        let mut c = [0.0; 10];
        (c[0], c[1], c[2]) = (value, first, second);
        Self(c)
    }

    /// The value.
    pub fn value(&self) -> f64 {
        self.0[0]
    }

    /// The derivative taken `first` times in the first direction and `second` times in the second; 0 to 3 in all.
    pub fn derivative(&self, first: usize, second: usize) -> f64 {
        let factorial = |n: usize| (1..=n).product::<usize>() as f64;
        POWERS
            .iter()
            .position(|&powers| powers == (first, second))
            .map_or(f64::NAN, |at| self.0[at] * factorial(first) * factorial(second))
    }

    fn zip(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        let mut c = [0.0; 10];
        for (at, value) in c.iter_mut().enumerate() {
            *value = f(self.0[at], other.0[at]);
        }
        Self(c)
    }

    /// Sum.
    pub fn plus(self, other: Self) -> Self {
        self.zip(other, |a, b| a + b)
    }

    /// Difference.
    pub fn minus(self, other: Self) -> Self {
        self.zip(other, |a, b| a - b)
    }

    /// Product.
    pub fn times(self, other: Self) -> Self {
        let mut c = [0.0; 10];
        for (i, a) in POWERS.iter().enumerate() {
            for (j, b) in POWERS.iter().enumerate() {
                let powers = (a.0 + b.0, a.1 + b.1);
                if let Some(at) = POWERS.iter().position(|&known| known == powers) {
                    // A coefficient that is exactly zero adds nothing, even to an infinite one.
                    if self.0[i] != 0.0 && other.0[j] != 0.0 {
                        c[at] += self.0[i] * other.0[j];
                    }
                }
            }
        }
        Self(c)
    }

    /// A function of this number from its value and first three derivatives there.
    pub fn through(self, [f, first, second, third]: [f64; 4]) -> Self {
        let mut rest = self;
        rest.0[0] = 0.0;
        let square = rest.times(rest);
        let cube = square.times(rest);
        let part = |jet: Jet, factor: f64| {
            if factor == 0.0 {
                Self::constant(0.0)
            } else {
                jet.zip(jet, |a, _| if a == 0.0 { 0.0 } else { a * factor })
            }
        };
        Self::constant(f)
            .plus(part(rest, first))
            .plus(part(square, second / 2.0))
            .plus(part(cube, third / 6.0))
    }

    /// Quotient.
    pub fn over(self, other: Self) -> Self {
        let x = other.0[0];
        let one = 1.0 / x;
        self.times(other.through([one, -one / x, 2.0 * one / x / x, -6.0 * one / x / x / x]))
    }

    /// Power; the base may be negative only for an exponent that is a constant.
    pub fn to_the(self, exponent: Self) -> Self {
        if exponent.0[1..].iter().all(|&c| c == 0.0) {
            let n = exponent.0[0];
            let x = self.0[0];
            let term = |factor: f64, power: f64| if factor == 0.0 { 0.0 } else { factor * x.powf(power) };
            return self.through([
                x.powf(n),
                term(n, n - 1.0),
                term(n * (n - 1.0), n - 2.0),
                term(n * (n - 1.0) * (n - 2.0), n - 3.0),
            ]);
        }
        let logarithm = self.ln();
        exponent.times(logarithm).exp()
    }

    /// Natural logarithm.
    pub fn ln(self) -> Self {
        let x = self.0[0];
        self.through([x.ln(), 1.0 / x, -1.0 / (x * x), 2.0 / (x * x * x)])
    }

    /// Exponential.
    pub fn exp(self) -> Self {
        let e = self.0[0].exp();
        self.through([e; 4])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: the derivatives of x³y at (2, 5).
    #[test]
    fn derivatives_of_a_polynomial() {
        let x = Jet::moving(2.0, 1.0, 0.0);
        let y = Jet::moving(5.0, 0.0, 1.0);
        let f = x.to_the(Jet::constant(3.0)).times(y);
        let found: Vec<f64> = [
            (0, 0),
            (1, 0),
            (0, 1),
            (2, 0),
            (1, 1),
            (0, 2),
            (3, 0),
            (2, 1),
            (1, 2),
            (0, 3),
        ]
        .map(|(i, j)| f.derivative(i, j))
        .to_vec();
        assert_eq!(found, [40.0, 60.0, 8.0, 60.0, 12.0, 0.0, 30.0, 12.0, 0.0, 0.0]);
    }

    /// Closed form: exp(ln x) and x / x give x and 1 back, with all their derivatives.
    #[test]
    fn inverse_functions_cancel() {
        let x = Jet::moving(1.7, 1.0, -2.0);
        let back = x.ln().exp();
        let one = x.over(x);
        for at in 0..10 {
            assert!((back.0[at] - x.0[at]).abs() < 1e-14, "{at}");
            assert!((one.0[at] - if at == 0 { 1.0 } else { 0.0 }).abs() < 1e-14, "{at}");
        }
    }

    /// Closed form: a square at its lowest point has curvature and nothing else.
    #[test]
    fn a_square_at_zero() {
        let f = Jet::moving(0.0, 1.0, 0.0).to_the(Jet::constant(2.0));
        assert_eq!(
            [
                f.derivative(0, 0),
                f.derivative(1, 0),
                f.derivative(2, 0),
                f.derivative(3, 0)
            ],
            [0.0, 0.0, 2.0, 0.0]
        );
    }
}
