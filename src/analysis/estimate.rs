//! A number with its uncertainty, whichever model it comes from.

use crate::numeric::distribution::{t_quantile_upper, t_upper};

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
        let reach = t_quantile_upper((1.0 - confidence) / 2.0, df) * standard_error;
        Self {
            value,
            standard_error: Some(standard_error),
            df: Some(df),
            low: Some(value - reach),
            high: Some(value + reach),
            p: Some((2.0 * t_upper((value / standard_error).abs(), df)).min(1.0)),
        }
    }
}
