//! Likelihood-profile intervals of standard deviations.
//!
//! In:  a fit, the number of a component, a confidence level.
//! Out: the two roots of the exact profile: −2 log likelihood with that variance held and all else at its best,
//!      above the optimum by the χ²(1) quantile. Restricted likelihood for a REML fit, full for an ML fit.
//!
//! Zero is the lower limit where the criterion at zero is not that far above the optimum.
//! Venzon & Moolgavkar (1988), Applied Statistics 37:87, for profile intervals.
//! Never here: interpolation between profile points.

use super::criterion::{Full, bounds, flips_for, from_linear};
use super::fit::MixedFit;
use super::layout::Part;
use super::minimise::{Bound, Objective, Optimum, minimise};
use super::problem::MixedError;
use crate::numeric::bracketed_zero;
use crate::numeric::distribution::normal_quantile_lower;

/// A confidence interval of a standard deviation, in units of the response.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfileInterval {
    /// The estimate (square root of the component).
    pub estimate: f64,
    /// Lower limit; 0 if the data do not rule it out.
    pub low: f64,
    /// Upper limit; infinite if the profile never rises far enough.
    pub high: f64,
}

impl MixedFit {
    /// Profile interval of the standard deviation of `components[component]` at `level` (such as 0.95).
    ///
    /// # Errors
    ///
    /// `Level` outside (0, 1); `NoSuchComponent` for a number out of range or a covariance; `NotConverged` if the profile could not be followed.
    pub fn profile_interval(&self, component: usize, level: f64) -> Result<ProfileInterval, MixedError> {
        if !(level > 0.0 && level < 1.0) {
            return Err(MixedError::Level);
        }
        let facts = self.components.get(component).ok_or(MixedError::NoSuchComponent)?;
        if facts.part == Part::Covariance {
            return Err(MixedError::NoSuchComponent);
        }
        let mut profile = Profile::new(self, component)?;
        let reach = normal_quantile_lower(f64::midpoint(1.0, level));
        let scale = self.response.scale;
        let estimate = profile.best[component].sqrt();
        let unit = profile.best.last().copied().unwrap_or(1.0).sqrt();
        let residual = component + 1 == self.components.len();

        let mut failed = false;
        let mut height = |sd: f64| {
            let value = profile.root(sd);
            failed |= value.is_none();
            value.map_or(f64::NAN, |value| value - reach)
        };
        let low = if residual {
            // Where the random terms can explain every reading, the profile may not rise towards zero.
            let mut from = 0.7 * estimate;
            while from > 1e-3 * estimate && height(from) <= 0.0 {
                from *= 0.7;
            }
            if from > 1e-3 * estimate {
                bracketed_zero(&mut height, from, estimate)
            } else {
                0.0
            }
        } else if estimate == 0.0 || height(0.0) <= 0.0 {
            0.0
        } else {
            bracketed_zero(&mut height, 0.0, estimate)
        };
        let mut to = 1.5 * estimate.max(0.2 * unit);
        let mut tries = 0;
        while height(to) < 0.0 && tries < 60 {
            to *= 1.5;
            tries += 1;
        }
        let high = if height(to) < 0.0 {
            f64::INFINITY
        } else {
            bracketed_zero(&mut height, estimate, to)
        };
        if failed || low.is_nan() || high.is_nan() {
            return Err(MixedError::NotConverged);
        }
        Ok(ProfileInterval {
            estimate: estimate * scale,
            low: low * scale,
            high: high * scale,
        })
    }
}

/// Decrement of a search that is near enough for a height, in units of the criterion.
const CLOSE: f64 = 1e-6;

struct Profile<'a> {
    objective: Full<'a>,
    bounds: Vec<Bound>,
    component: usize,
    /// The optimum, in the parameters of the search.
    best: Vec<f64>,
    lowest: f64,
    /// Where the last search ended.
    last: Vec<f64>,
}

impl<'a> Profile<'a> {
    fn new(fit: &'a MixedFit, component: usize) -> Result<Self, MixedError> {
        let layout = &fit.layout;
        // A pair whose variance is held has that variance as its pivot.
        let mut linear: Vec<f64> = fit.gamma.iter().map(|ratio| ratio * fit.residual).collect();
        let mut flips = flips_for(layout, &linear);
        for (index, flip) in flips.iter_mut().enumerate() {
            if index == component + 1 {
                *flip = false;
            } else if index + 1 == component {
                *flip = true;
            }
        }
        let mut objective = Full::new(layout, &fit.response, fit.method, flips.clone());
        linear.push(fit.residual);
        let best = from_linear(layout, &flips, &linear);
        let lowest = objective.value(&best).ok_or(MixedError::NotConverged)?;
        let mut bounds = bounds(layout);
        bounds.push(Bound::Positive);
        bounds[component] = Bound::Held;
        Ok(Self {
            objective,
            bounds,
            component,
            last: best.clone(),
            best,
            lowest,
        })
    }

    /// Square root of how far the profile at a standard deviation lies above the optimum.
    fn root(&mut self, sd: f64) -> Option<f64> {
        let variance = sd * sd;
        let mut lowest: Option<Optimum> = None;
        let raised = |at: &[f64], bounds: &[Bound]| -> Vec<f64> {
            let residual = at.last().copied().unwrap_or(1.0);
            at.iter()
                .zip(bounds)
                .map(|(&value, bound)| {
                    if *bound == Bound::NotNegative {
                        value.max(0.1 * residual)
                    } else {
                        value
                    }
                })
                .collect()
        };
        let starts = [self.last.clone(), raised(&self.best, &self.bounds)];
        for mut start in starts {
            start[self.component] = variance;
            if let Some(found) = minimise(&mut self.objective, &start, &self.bounds, &[])
                && lowest.as_ref().is_none_or(|held| found.local.value < held.local.value)
            {
                lowest = Some(found);
            }
        }
        // The decrement bounds what is still to gain. Where the other terms can explain every reading, the residual
        // variance falls to nothing and the search ends in rounding: the criterion is then at its limit.
        let nothing = 1e-5 * self.best.last().copied().unwrap_or(0.0);
        let found = lowest.filter(|found| {
            found.converged || found.decrement < CLOSE || found.at.last().is_some_and(|residual| *residual < nothing)
        })?;
        self.last.clone_from(&found.at);
        Some((found.local.value - self.lowest).max(0.0).sqrt())
    }
}
