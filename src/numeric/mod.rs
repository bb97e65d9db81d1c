//! Numbers only: matrices, factorizations, sums, distributions, zeros. Knows nothing of protocols, files or text.

pub mod arrangement;
mod cholesky;
pub mod distribution;
pub mod exchange;
pub mod expression;
mod extended;
mod jet;
mod matrix;
mod qr;
mod quadrature;
mod root;
pub mod stream;
pub mod sum;

pub use cholesky::{Cholesky, CholeskyError};
pub use extended::Extended;
pub use jet::Jet;
pub use matrix::Matrix;
pub use qr::{LeastSquares, Qr};
pub use quadrature::weighted_integral;
pub use root::{bracketed_zero, decreasing_zero};
