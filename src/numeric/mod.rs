//! Numbers only: matrices, factorizations, sums, distributions, zeros. Knows nothing of protocols, files or text.

mod cholesky;
pub mod distribution;
mod extended;
mod matrix;
mod qr;
mod quadrature;
mod root;
pub mod sum;

pub use cholesky::{Cholesky, CholeskyError};
pub use extended::Extended;
pub use matrix::Matrix;
pub use qr::{LeastSquares, Qr};
pub use quadrature::weighted_integral;
pub use root::{bracketed_zero, decreasing_zero};
