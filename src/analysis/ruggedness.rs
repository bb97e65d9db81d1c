//! How closely a procedure must hold each variation that it allows.
//!
//! In:  the findings of a response, the smallest difference that matters.
//! Out: a `RuggednessFinding`: each planned variation with what this study would have found, and the half range within which
//!      a numeric one keeps the result within what matters.
//!
//! | name        | formula                                                                            |
//! |-------------|------------------------------------------------------------------------------------|
//! | detectable  | (t(1 − α/2; ν) + t(power; ν)) s.e.: near the size found with that probability       |
//! | half range  | span / |change| × half the size that matters, for a straight line                  |
//! | cautious    | the same with the end of the interval that is further from zero                    |
//!
//! Never here: sentences, and what a laboratory ought to do.

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::ResponseFindings;
use crate::numeric::distribution::t_quantile_upper;
use crate::protocol::Response;

/// Probability with which a change of the size `detectable` is found.
const POWER: f64 = 0.9;

/// How closely a procedure must hold each variation.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RuggednessFinding {
    /// Probability with which a change of the size `detectable` is found.
    pub power: f64,
    /// The variations, in the order of the protocol.
    pub variations: Vec<VariationFinding>,
}

/// A variation that the procedure allows.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct VariationFinding {
    /// The factor.
    pub factor: String,
    /// The level from which the change counts.
    pub from: String,
    /// The level to which it counts.
    pub to: String,
    /// Change of the result from the one to the other.
    pub change: f64,
    /// Its standard error.
    pub standard_error: Option<f64>,
    /// Its degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// Size of a change that this study finds with the power above.
    pub detectable: Option<f64>,
    /// Length of the range studied, of a numeric factor.
    #[serde(default)]
    pub span: Option<f64>,
    /// For a numeric factor, with a size that matters: half the range between whose ends the result changes by that size, by
    /// the estimate. From half the span on, all that was studied keeps within it.
    pub half_range: Option<f64>,
    /// The same by the end of the interval that is further from zero.
    pub half_range_cautious: Option<f64>,
}

/// The variations; `None` without a planned factor that has an estimate.
pub(super) fn ruggedness(response: &Response, found: &ResponseFindings) -> Option<RuggednessFinding> {
    let relevant = response.relevant.and_then(|size| size.to_f64());
    let detectable = |error: Option<f64>, df: Option<f64>| {
        let (error, df) = error.zip(df)?;
        let reach = t_quantile_upper((1.0 - found.confidence) / 2.0, df) + t_quantile_upper(1.0 - POWER, df);
        Some(reach * error).filter(|size| size.is_finite())
    };
    let mut variations = Vec::new();
    let mut done: Vec<&str> = Vec::new();
    for effect in found.effects.iter().filter(|effect| effect.planned) {
        let [factor] = effect.factors.as_slice() else { continue };
        if done.contains(&factor.as_str()) {
            continue;
        }
        done.push(factor);
        let slopes = found.slopes.iter().filter(|s| s.factor == *factor && !s.covariate);
        let before = variations.len();
        variations.extend(slopes.map(|s| {
            let span = s.span.1 - s.span.0;
            let change = s.per_unit * span;
            let far = s.low.zip(s.high).map(|(low, high)| low.abs().max(high.abs()) * span);
            let half = |size: f64| Some(relevant? / 2.0 * span / size).filter(|half| half.is_finite());
            VariationFinding {
                factor: factor.clone(),
                from: format!("{}", s.span.0),
                to: format!("{}", s.span.1),
                change,
                standard_error: s.standard_error.map(|e| e * span),
                df: s.df,
                low: s.low.map(|low| low * span),
                high: s.high.map(|high| high * span),
                detectable: detectable(s.standard_error.map(|e| e * span), s.df),
                span: Some(span),
                half_range: half(change.abs()),
                half_range_cautious: far.and_then(half),
            }
        }));
        if variations.len() > before {
            continue;
        }
        let contrasts = found
            .contrasts
            .iter()
            .filter(|c| c.factor == *factor && c.within.is_empty());
        variations.extend(contrasts.map(|c| VariationFinding {
            factor: factor.clone(),
            from: c.from.clone(),
            to: c.to.clone(),
            change: c.difference,
            standard_error: c.standard_error,
            df: c.df,
            low: c.low,
            high: c.high,
            detectable: detectable(c.standard_error, c.df),
            span: None,
            half_range: None,
            half_range_cautious: None,
        }));
    }
    (!variations.is_empty()).then_some(RuggednessFinding {
        power: POWER,
        variations,
    })
}
