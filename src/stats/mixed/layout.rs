//! The layout of a mixed model: its blocks of columns, its parameters and the sums that a fit needs.
//!
//! In:  what `prepare` has collected.
//! Out: `Layout`, and a `Response` for each vector of readings; which columns a parameter moves; coefficients of Q to
//!      coefficients of X and back.
//! Never here: variances, how the sums are collected.

use super::dense::{add_scaled, dot};

/// Which quantity a variance parameter is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Variance of the shifts of a term.
    Intercept,
    /// Variance of the slopes of a term.
    Slope,
    /// Covariance of the shifts and slopes of a term.
    Covariance,
    /// Variance of the residuals (at weight 1).
    Residual,
}

/// A parameter of the covariance matrix; V is linear in all of them.
#[derive(Debug, Clone, Copy)]
pub(super) enum Parameter {
    /// A variance: the block of columns it scales.
    Variance { block: usize },
    /// A covariance between two blocks of the same groups.
    Covariance { first: usize, second: usize },
}

/// A set of columns of Z with one variance.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub term: usize,
    pub part: Part,
    pub levels: usize,
    /// First column among the rest; 0 for the eliminated block.
    pub start: usize,
    /// True for the two blocks of a correlated pair.
    pub paired: bool,
}

/// Sums of the eliminated block: s = diagonal of Z'WZ, and one row Z'W[`Z_rest`, Q] a level.
#[derive(Debug)]
pub(super) struct Big {
    pub block: usize,
    pub diagonal: Vec<f64>,
    /// levels × r.
    pub rows: Vec<f64>,
    /// Columns that are not zero, level by level, where that pays: offsets (levels + 1) and column numbers.
    pub sparse: Option<(Vec<usize>, Vec<u32>)>,
}

/// The layout of a problem.
#[derive(Debug)]
pub(super) struct Layout {
    pub n: usize,
    pub p: usize,
    /// Columns of Z outside the eliminated block.
    pub z: usize,
    /// z + p.
    pub r: usize,
    pub blocks: Vec<Block>,
    pub parameters: Vec<Parameter>,
    pub big: Option<Big>,
    /// r × r sums [`Z_rest`, Q]'W[`Z_rest`, Q].
    pub rest: Vec<f64>,
    /// p × p, upper: X = QR.
    pub upper: Vec<f64>,
    pub log_weights: f64,
    /// Mean diagonal of Z'WZ of each block: the scale of 1/γ.
    pub mass: Vec<f64>,
    pub groups: Vec<Vec<u32>>,
    pub columns: Vec<Option<Vec<f64>>>,
    pub weights: Option<Vec<f64>>,
    pub pattern: Vec<u32>,
    /// Distinct rows of Q.
    pub q: Vec<f64>,
}

/// Sums of one response vector, scaled to unit residual mean square of the regression on X.
#[derive(Debug, Clone)]
pub(super) struct Response {
    /// Z'Wy of the eliminated block.
    pub big: Vec<f64>,
    /// [`Z_rest`, Q]'Wy.
    pub rest: Vec<f64>,
    /// y'Wy.
    pub square: f64,
    /// What y was divided by.
    pub scale: f64,
    /// Coefficients of Q taken off before, in units of the readings.
    pub taken: Vec<f64>,
}

impl Layout {
    /// Solves R b = v: coefficients of X from coefficients of Q.
    pub(super) fn to_x(&self, v: &[f64]) -> Vec<f64> {
        let p = self.p;
        let mut b = v.to_vec();
        for i in (0..p).rev() {
            let row = &self.upper[i * p..(i + 1) * p];
            b[i] = (b[i] - dot(&row[i + 1..], &b[i + 1..])) / row[i];
        }
        b
    }

    /// Solves R' d = c: a contrast of coefficients of Q from one of coefficients of X.
    pub(super) fn contrast_to_q(&self, c: &[f64]) -> Vec<f64> {
        let p = self.p;
        let mut d = c.to_vec();
        for i in 0..p {
            let row = &self.upper[i * p..(i + 1) * p];
            d[i] /= row[i];
            let value = d[i];
            add_scaled(&mut d[i + 1..], -value, &row[i + 1..]);
        }
        d
    }

    /// ln |X'WX| - ln |Q'WQ|: what the coding of X adds to the restricted criterion.
    pub(super) fn log_upper(&self) -> f64 {
        2.0 * (0..self.p).map(|i| self.upper[i * self.p + i].abs().ln()).sum::<f64>()
    }
}

/// True if the parameter is the variance of the eliminated block.
pub(super) fn is_big(layout: &Layout, parameter: usize) -> bool {
    matches!((layout.parameters[parameter], &layout.big),
        (Parameter::Variance { block }, Some(big)) if big.block == block)
}

/// Gᵢ = Σ `Z_a` `Z_b`' over these pairs of column starts of the rest.
pub(super) fn pairs_of(layout: &Layout, parameter: usize) -> Vec<(usize, usize, usize)> {
    match layout.parameters[parameter] {
        Parameter::Variance { block } => {
            let facts = &layout.blocks[block];
            vec![(facts.start, facts.start, facts.levels)]
        }
        Parameter::Covariance { first, second } => {
            let (one, two) = (&layout.blocks[first], &layout.blocks[second]);
            vec![(one.start, two.start, one.levels), (two.start, one.start, one.levels)]
        }
    }
}
