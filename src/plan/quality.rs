//! How much a set of treatments that is not regular tells, against a full factorial of as many runs.
//!
//! In:  a protocol with an optimal set, or with a list of one's own.
//! Out: `Quality`: the efficiency of the set, and for each term how much wider its interval is than it could be.
//!
//! | name               | symbol | meaning                                                                       |
//! |--------------------|--------|-------------------------------------------------------------------------------|
//! | information        | M      | XᵀX/N over the N runs of the set; M₀ the same over every combination of levels |
//! | D-efficiency       |        | (|M|/|M₀|)^(1/p), p the number of coefficients; no coding of levels changes it |
//! | relative standard error |   | (|C|/|C₀|)^(1/(2 df)), C the part of M⁻¹ that belongs to the term              |
//!
//! A set may beat the full factorial (efficiency above 1): corners tell more of a slope than middle levels do.
//! Method: Atkinson, Donev and Tobias (2007) Optimum Experimental Designs, chapters 10 and 11 (from memory).
//! Never here: the search for a set; what is aliased (`aliases`).

use serde::Serialize;

use super::terms::{Part, Term, terms};
use crate::numeric::{Cholesky, Matrix};
use crate::protocol::{Protocol, Treatments};

/// Most combinations of a full factorial to compare with.
const MOST: usize = 100_000;

/// How much a set tells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Quality {
    /// Runs of one set.
    pub runs: usize,
    /// Coefficients of the model on the unit of the set, the mean with them.
    pub coefficients: usize,
    /// Efficiency against the full factorial.
    pub d_efficiency: f64,
    /// One entry a term of the model on the unit of the set.
    pub terms: Vec<TermQuality>,
}

/// How much a set tells of one term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TermQuality {
    /// Its name.
    pub term: String,
    /// Standard error over that in a full factorial of as many runs.
    pub relative_standard_error: f64,
}

/// The quality of the set of a protocol; `None` for other sorts, for one that cannot tell its effects apart, and where the
/// full factorial is too large to compare with.
#[must_use]
pub fn quality(protocol: &Protocol) -> Option<Quality> {
    let set = protocol.design.set.as_ref()?;
    if !matches!(protocol.design.treatments, Treatments::Optimal | Treatments::List) {
        return None;
    }
    let own = protocol.factors_on(set.unit);
    let model: Vec<Term> = terms(protocol)
        .into_iter()
        .filter(|term| term.part != Part::Curvature && term.effect.iter().all(|f| own.contains(f)))
        .collect();
    let counts: Vec<usize> = own.iter().map(|&f| protocol.factors[f].levels.len()).collect();
    let total = counts.iter().fold(1_usize, |product, &n| product.saturating_mul(n));
    if total > MOST {
        return None;
    }
    let every = (0..total).map(|mut index| {
        let mut row = vec![0; counts.len()];
        for (level, &count) in row.iter_mut().zip(&counts).rev() {
            *level = index % count;
            index /= count;
        }
        row
    });
    let of_set = information(protocol, &own, &model, set.rows.iter().cloned());
    let of_all = information(protocol, &own, &model, every);
    let (own_root, all_root) = (Cholesky::new(&of_set).ok()?, Cholesky::new(&of_all).ok()?);
    let p = of_set.cols();
    let (own_inverse, all_inverse) = (own_root.inverse(), all_root.inverse());
    let mut first = 1;
    let mut found = Vec::new();
    for term in &model {
        let part = |inverse: &Matrix| -> Option<f64> {
            let columns: Vec<Vec<f64>> = (first..first + term.df)
                .map(|j| inverse.col(j)[first..first + term.df].to_vec())
                .collect();
            Some(Cholesky::new(&Matrix::from_columns(&columns)).ok()?.ln_determinant())
        };
        let ratio = part(&own_inverse)? - part(&all_inverse)?;
        found.push(TermQuality {
            term: term.name.clone(),
            relative_standard_error: (ratio / (2.0 * term.df as f64)).exp(),
        });
        first += term.df;
    }
    Some(Quality {
        runs: set.rows.len(),
        coefficients: p,
        d_efficiency: ((own_root.ln_determinant() - all_root.ln_determinant()) / p as f64).exp(),
        terms: found,
    })
}

/// XᵀX/N of the model over some rows of levels of the factors `own`.
fn information(protocol: &Protocol, own: &[usize], model: &[Term], rows: impl Iterator<Item = Vec<usize>>) -> Matrix {
    let p = 1 + model.iter().map(|term| term.df).sum::<usize>();
    let mut m = Matrix::zeros(p, p);
    let mut n = 0.0;
    let mut levels = vec![0; protocol.factors.len()];
    for row in rows {
        own.iter().zip(&row).for_each(|(&f, &level)| levels[f] = level);
        let mut x = vec![1.0];
        for term in model {
            x.extend(term.columns_at(protocol, &levels));
        }
        for j in 0..p {
            m.col_mut(j)
                .iter_mut()
                .zip(&x)
                .for_each(|(value, other)| *value += x[j] * other);
        }
        n += 1.0;
    }
    for j in 0..p {
        m.col_mut(j).iter_mut().for_each(|value| *value /= n);
    }
    m
}
