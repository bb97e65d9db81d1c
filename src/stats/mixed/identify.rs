//! Whether the variances of a layout can be told apart, before any reading is seen.
//!
//! In:  a layout. Out: nothing, or the term to blame.
//! Never here: readings.

use super::dense::dot;
use super::evaluate::Point;
use super::layout::{Layout, Parameter, Response, is_big, pairs_of};
use super::problem::{Method, MixedError};

/// Relative size below which a direction of the parameters counts as not identified.
const IDENTIFIED: f64 = 1e-9;

/// Checks that each variance can be told from the fixed effects, the residual and the variances before it.
///
/// The matrix of tr(MGᵢMGⱼ), M the projection off X, is the Gram matrix of `MGᵢM`; it is singular exactly when the
/// components are not identified by residual contrasts.
pub(super) fn check_identified(layout: &Layout) -> Result<(), MixedError> {
    let count = layout.parameters.len();
    if count == 0 {
        return Ok(());
    }
    let response = Response {
        big: layout
            .big
            .as_ref()
            .map_or_else(Vec::new, |big| vec![0.0; big.diagonal.len()]),
        rest: vec![0.0; layout.r],
        square: 1.0,
        scale: 1.0,
        taken: vec![0.0; layout.p],
    };
    let term_of = |parameter: usize| match layout.parameters[parameter] {
        Parameter::Variance { block } | Parameter::Covariance { first: block, .. } => layout.blocks[block].term,
    };
    let gamma = vec![0.0; count];
    let Some(point) = Point::new(layout, &response, &gamma) else {
        return Err(MixedError::NotIdentified { term: 0 });
    };
    let degrees = (layout.n - layout.p) as f64;
    let derivatives = point
        .derivatives(layout, &response, Method::Reml)
        .with_residual(&gamma, 1.0, degrees);
    let size = count + 1;
    // Residual first: a term that repeats it is the one to blame.
    let order: Vec<usize> = std::iter::once(count).chain(0..count).collect();
    let mut gram = vec![0.0; size * size];
    for (i, &a) in order.iter().enumerate() {
        for (j, &b) in order.iter().enumerate() {
            gram[i * size + j] = derivatives.traces[a * size + b];
        }
    }
    for i in 0..size {
        let own = gram[i * size + i];
        let whole = if i == 0 { own } else { total_square(layout, order[i]) };
        for j in 0..i {
            let above = dot(&gram[i * size..i * size + j], &gram[j * size..j * size + j]);
            gram[i * size + j] = (gram[i * size + j] - above) / gram[j * size + j];
        }
        let left = own - dot(&gram[i * size..i * size + i], &gram[i * size..i * size + i]);
        if !(left > IDENTIFIED * whole && left > 0.0) {
            return Err(MixedError::NotIdentified {
                term: if i == 0 { 0 } else { term_of(order[i]) },
            });
        }
        gram[i * size + i] = left.sqrt();
    }
    Ok(())
}

/// Σ over the columns of a parameter of (their squares)²: the size of tr(GG) before X is taken off.
fn total_square(layout: &Layout, parameter: usize) -> f64 {
    match (&layout.big, is_big(layout, parameter)) {
        (Some(big), true) => dot(&big.diagonal, &big.diagonal),
        _ => pairs_of(layout, parameter)
            .iter()
            .map(|&(a, b, levels)| {
                let at = |c: usize| layout.rest[c * layout.r + c];
                (0..levels).map(|l| at(a + l) * at(b + l)).sum::<f64>()
            })
            .sum(),
    }
}
