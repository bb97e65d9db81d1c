//! What a mixed model is made of, and what can be wrong with it.
//!
//! y = Xβ + Σ Zⱼuⱼ + ε, with uⱼ ~ N(0, σⱼ² I) independent of each other and of ε ~ N(0, σ² W⁻¹).
//! A term is a group number per row; a slope multiplies its indicator by a numeric column; an intercept with
//! a slope carries a 2 × 2 covariance matrix per group.

use std::fmt;

use crate::numeric::Matrix;

/// Which likelihood is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// The restricted likelihood: unbiased components in balanced layouts. Depends on the coding of X by a constant.
    Reml,
    /// The full likelihood: needed to compare fits with different X.
    MaximumLikelihood,
}

/// What varies from group to group of a random term.
#[derive(Debug, Clone, PartialEq)]
pub enum RandomEffect {
    /// A shift: one component.
    Intercept,
    /// A slope on the given column (one finite number per row), uncorrelated with everything else: one component.
    Slope(Vec<f64>),
    /// A shift and a slope on the given column, correlated: two components and their covariance.
    InterceptAndSlope(Vec<f64>),
}

/// One random term.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomTerm {
    /// Group of each row, from 0; length n.
    pub groups: Vec<u32>,
    /// Number of groups, those without rows included; every entry of `groups` is below it.
    pub levels: usize,
    /// What varies.
    pub effect: RandomEffect,
}

impl RandomTerm {
    /// A term whose groups differ by a shift.
    pub fn intercept(groups: Vec<u32>, levels: usize) -> Self {
        Self {
            groups,
            levels,
            effect: RandomEffect::Intercept,
        }
    }

    /// A term whose groups differ by a slope on `column`, independent of other terms.
    pub fn slope(groups: Vec<u32>, levels: usize, column: Vec<f64>) -> Self {
        Self {
            groups,
            levels,
            effect: RandomEffect::Slope(column),
        }
    }

    /// A term whose groups differ by a shift and a slope on `column`, correlated.
    pub fn intercept_and_slope(groups: Vec<u32>, levels: usize, column: Vec<f64>) -> Self {
        Self {
            groups,
            levels,
            effect: RandomEffect::InterceptAndSlope(column),
        }
    }
}

/// A whole problem; rows with missing values have been left out by the caller.
#[derive(Debug, Clone)]
pub struct MixedProblem {
    /// Responses, length n.
    pub y: Vec<f64>,
    /// Fixed-effect columns, n × p, of full column rank.
    pub x: Matrix,
    /// Random terms; none gives ordinary weighted least squares.
    pub terms: Vec<RandomTerm>,
    /// Weight of each row (its residual variance is σ²/w), such as a number of readings; `None` for 1 throughout.
    pub weights: Option<Vec<f64>>,
}

/// Why no fit can be given.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum MixedError {
    /// A column has the wrong number of rows.
    Length {
        /// What has it: `y`, `weights`, or the number of the term.
        what: &'static str,
        /// Number of the term, or 0.
        term: usize,
        /// Rows expected.
        expected: usize,
        /// Rows found.
        found: usize,
    },
    /// A number is infinite or not a number.
    NotFinite {
        /// Where: `y`, `x`, `weights` or `slope`.
        what: &'static str,
        /// Row from 0.
        row: usize,
    },
    /// A weight is zero or negative.
    Weight {
        /// Row from 0.
        row: usize,
    },
    /// A group number is not below the term's number of levels.
    Group {
        /// Term from 0.
        term: usize,
        /// Row from 0.
        row: usize,
    },
    /// This column of X depends linearly on those before it.
    Dependent {
        /// Column from 0.
        column: usize,
    },
    /// No degree of freedom is left for the residual: n is not above p.
    NoResidual,
    /// This component cannot be told from the fixed effects, the residual and the components before it.
    NotIdentified {
        /// Term from 0.
        term: usize,
    },
    /// The model reproduces the readings exactly, so the residual variance is zero.
    ExactFit,
    /// More levels than a dense factorization of the remaining terms can hold.
    TooLarge {
        /// Columns left after the largest term has been eliminated.
        columns: usize,
    },
    /// The search for the optimum stopped short of it.
    NotConverged,
    /// A contrast matrix does not have p columns, has dependent rows or is empty.
    Contrast,
    /// A confidence level is not strictly between 0 and 1.
    Level,
    /// Kenward–Roger needs a fit by `Method::Reml`.
    NeedsReml,
    /// No such component.
    NoSuchComponent,
}

impl fmt::Display for MixedError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length {
                what, expected, found, ..
            } => write!(f, "{what} has {found} rows, not {expected}"),
            Self::NotFinite { what, row } => write!(f, "{what} is not a finite number in row {}", row + 1),
            Self::Weight { row } => write!(f, "the weight in row {} is not positive", row + 1),
            Self::Group { term, row } => {
                write!(f, "random term {} has no such group as in row {}", term + 1, row + 1)
            }
            Self::Dependent { column } => write!(f, "fixed column {} depends on those before it", column + 1),
            Self::NoResidual => write!(f, "no degree of freedom is left for the residual"),
            Self::NotIdentified { term } => write!(
                f,
                "the variance of random term {} cannot be told from the other terms of the model",
                term + 1
            ),
            Self::ExactFit => write!(f, "the model reproduces the readings exactly: no residual variance"),
            Self::TooLarge { columns } => {
                write!(
                    f,
                    "{columns} levels are left after the largest term: too many to factorize"
                )
            }
            Self::NotConverged => write!(f, "the search for the largest likelihood did not converge"),
            Self::Contrast => write!(
                f,
                "the contrast does not fit the fixed columns, or its rows are dependent"
            ),
            Self::Level => write!(f, "a confidence level lies between 0 and 1"),
            Self::NeedsReml => write!(f, "the small-sample adjustment needs a fit by restricted likelihood"),
            Self::NoSuchComponent => write!(f, "the model has no such component"),
        }
    }
}

impl std::error::Error for MixedError {}
