//! A number with its uncertainty, whichever model it comes from.

use crate::numeric::distribution::{t_quantile_upper, t_upper};

/// Half an interval, in standard errors, from which on there is none: a quarter of a degree of freedom.
const LONGEST: f64 = 1e5;

/// A number with its uncertainty; what cannot be told is `None`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Estimate {
    pub value: f64,
    pub standard_error: Option<f64>,
    pub df: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    /// Two-sided p-value of 'zero'.
    pub p: Option<f64>,
}

impl Estimate {
    /// An estimate with a variance on some degrees of freedom; a variance that is not positive tells nothing.
    pub(super) fn new(value: f64, variance: f64, df: f64, confidence: f64) -> Self {
        if !(variance > 0.0 && df > 0.0 && variance.is_finite()) {
            return Self {
                value,
                ..Self::default()
            };
        }
        let standard_error = variance.sqrt();
        // On a small part of a degree of freedom the interval goes on for ever: it tells nothing.
        let reach = Some(t_quantile_upper((1.0 - confidence) / 2.0, df))
            .filter(|times| *times < LONGEST)
            .map(|times| times * standard_error);
        Self {
            value,
            standard_error: Some(standard_error),
            df: Some(df),
            low: reach.map(|reach| value - reach),
            high: reach.map(|reach| value + reach),
            p: Some((2.0 * t_upper((value / standard_error).abs(), df)).min(1.0)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: on one degree of freedom the t distribution is Cauchy's; far below one it has no interval worth the name.
    #[test]
    fn an_interval_has_an_end_or_is_none() {
        let one = Estimate::new(0.0, 1.0, 1.0, 0.95);
        let cauchy = (std::f64::consts::PI * 0.475).tan();
        assert!(one.high.is_some_and(|high| (high - cauchy).abs() < 1e-6));
        let none = Estimate::new(0.3, 1.0, 0.01, 0.95);
        assert_eq!((none.low, none.high, none.standard_error), (None, None, Some(1.0)));
    }
}
