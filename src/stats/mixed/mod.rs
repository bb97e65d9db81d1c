//! Mixed models: y = Xβ + Σ Zⱼuⱼ + ε with nested and crossed random terms, weights and unbalanced data.
//!
//! In:  a `MixedProblem` (complete rows), or a `Prepared` layout and response vectors.
//! Out: a `MixedFit`: β, variance components, criterion, predicted effects; and from it tests by Kenward–Roger or
//!      Satterthwaite, contrasts, and profile or bootstrap intervals of standard deviations.
//!
//! The way through: `prepare` collects sums once a layout → `evaluate` gives the criterion and `derivatives` its
//! exact first and second derivatives at any variances → `minimise` finds the optimum under the bounds → `fit` gathers it →
//! `small_sample` and `profile` draw inferences. No matrix is larger than the number of levels left after the
//! largest term has been eliminated, plus p; the rows are read once.
//!
//! Never here: files, clock, random numbers but those of a named stream, rounding for display, the choice of a model.

mod adjustment;
mod bootstrap;
mod criterion;
mod dense;
mod derivatives;
mod evaluate;
mod fit;
mod identify;
mod layout;
mod minimise;
mod prepare;
mod problem;
mod profile;
mod projection;
mod small_sample;
mod sums;

pub use bootstrap::percentile_interval;
pub use fit::{Component, MixedFit, Predicted, fit};
pub use layout::Part;
pub use prepare::Prepared;
pub use problem::{Method, MixedError, MixedProblem, RandomEffect, RandomTerm};
pub use profile::ProfileInterval;
pub use small_sample::{Boundary, DfMethod, Estimate, TestResult};
