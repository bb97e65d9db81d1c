//! Numbers of twice the working precision, for small ill-conditioned problems.
//!
//! In:  doubles. Out: unevaluated pairs `high` + `low`, about 31 digits, with the range of a double.
//! Method: error-free transformations; Dekker (1971), Numer. Math. 18:224; the accurate sum and the product as in
//! Joldes, Muller and Popescu (2017), ACM TOMS 44:15.
//! Never here: speed; an operation costs some twenty of the plain ones.

use super::sum::{two_product, two_sum};
use std::ops::{Add, Div, Mul, Neg, Sub};

/// An unevaluated sum of two doubles, the second at most half a unit in the last place of the first.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Extended {
    high: f64,
    low: f64,
}

impl Extended {
    /// 0.
    pub const ZERO: Extended = Extended { high: 0.0, low: 0.0 };

    /// The sum of two doubles, held without error.
    pub fn sum_of(a: f64, b: f64) -> Extended {
        let (high, low) = two_sum(a, b);
        Extended { high, low }
    }

    /// The nearest double.
    pub fn value(self) -> f64 {
        self.high
    }

    /// The square root, for values ≥ 0; NaN below.
    #[must_use]
    pub fn sqrt(self) -> Extended {
        if self.high == 0.0 {
            return Extended::ZERO;
        }
        // one Newton step from the double root
        let root = self.high.sqrt();
        let (square, error) = two_product(root, root);
        let rest = (self - Extended::sum_of(square, error)).high;
        Extended::sum_of(root, rest / (2.0 * root))
    }

    /// Σ aᵢ bᵢ over the shorter of both.
    pub fn dot(a: &[Extended], b: &[Extended]) -> Extended {
        a.iter().zip(b).fold(Extended::ZERO, |sum, (a, b)| sum + *a * *b)
    }
}

impl From<f64> for Extended {
    fn from(high: f64) -> Extended {
        Extended { high, low: 0.0 }
    }
}

impl Add for Extended {
    type Output = Extended;

    fn add(self, other: Extended) -> Extended {
        let (high, error) = two_sum(self.high, other.high);
        let (low, rest) = two_sum(self.low, other.low);
        let first = Extended::sum_of(high, error + low);
        Extended::sum_of(first.high, first.low + rest)
    }
}

impl Neg for Extended {
    type Output = Extended;

    fn neg(self) -> Extended {
        Extended {
            high: -self.high,
            low: -self.low,
        }
    }
}

impl Sub for Extended {
    type Output = Extended;

    fn sub(self, other: Extended) -> Extended {
        self + -other
    }
}

impl Mul for Extended {
    type Output = Extended;

    fn mul(self, other: Extended) -> Extended {
        let (high, error) = two_product(self.high, other.high);
        let cross = self.high.mul_add(other.low, self.low * other.high);
        Extended::sum_of(high, error + cross)
    }
}

impl Div for Extended {
    type Output = Extended;

    fn div(self, other: Extended) -> Extended {
        let first = self.high / other.high;
        let rest = self - other * Extended::from(first);
        let second = rest.high / other.high;
        let rest = rest - other * Extended::from(second);
        Extended::sum_of(first, second) + Extended::from(rest.high / other.high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: (1/3)·3 = 1 and (√2)² = 2 to 31 digits; 2⁻⁸⁰ beside 1 survives.
    #[test]
    fn thirty_digits() {
        let third = Extended::from(1.0) / Extended::from(3.0);
        let one = third * Extended::from(3.0) - Extended::from(1.0);
        assert!(one.value().abs() < 1e-31);
        let two = Extended::from(2.0).sqrt();
        assert!((two * two - Extended::from(2.0)).value().abs() < 1e-31);
        let tiny = 2f64.powi(-80);
        assert_eq!((Extended::sum_of(1.0, tiny) - Extended::from(1.0)).value(), tiny);
        assert_eq!(Extended::ZERO.sqrt(), Extended::ZERO);
    }
}
