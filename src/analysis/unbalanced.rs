//! A study that does not fill its units evenly: the mixed model in place of averaging.
//!
//! In:  frame, structure, partitions and the columns of the terms.
//! Out: tests and linear functions by Kenward and Roger, components with profile intervals.
//!
//! The fixed part is the same as in the balanced analysis; each stratum but the finest brings a random term. In a balanced
//! study both give the same tests; there the averages are used, which need no search.

use super::estimate::Estimate;
use crate::numeric::Matrix;
use crate::stats::mixed::{self, DfMethod, Method, MixedError, MixedFit, MixedProblem, RandomTerm};
use crate::stats::strata::{Partition, TermColumns};

/// A fitted mixed model with the place of each term's columns.
pub(super) struct Unbalanced {
    fit: MixedFit,
    /// Stratum of each random term.
    strata: Vec<usize>,
    /// First column of each term; column 0 is the intercept.
    first: Vec<usize>,
    x: Matrix,
}

/// The test of one term.
pub(super) struct TermTest {
    pub denominator_df: f64,
    pub f: f64,
    pub p: f64,
}

/// A variance, whether it lies at zero, and the interval of its square root.
pub(super) struct Variance {
    pub value: f64,
    pub boundary: bool,
    pub interval: Option<(f64, f64)>,
}

impl Unbalanced {
    pub(super) fn new(y: &[f64], partitions: &[Partition], terms: &[TermColumns]) -> Result<Self, MixedError> {
        let mut columns = vec![vec![1.0; y.len()]];
        let mut first = Vec::with_capacity(terms.len());
        for term in terms {
            first.push(columns.len());
            columns.extend(term.columns.iter().cloned());
        }
        let x = Matrix::from_columns(&columns);
        let coarse = partitions.len().saturating_sub(1);
        // A stratum whose cells hold one run each cannot be told from the runs themselves.
        let strata: Vec<usize> = (0..coarse).filter(|&s| partitions[s].cells < y.len()).collect();
        let problem = MixedProblem {
            y: y.to_vec(),
            x: x.clone(),
            terms: strata
                .iter()
                .map(|&s| RandomTerm::intercept(partitions[s].cell.clone(), partitions[s].cells))
                .collect(),
            weights: None,
        };
        let fit = mixed::fit(&problem, Method::Reml)?;
        Ok(Self { fit, strata, first, x })
    }

    /// Restricted log-likelihood.
    pub(super) fn log_likelihood(&self) -> f64 {
        self.fit.log_likelihood()
    }

    /// Test of a term of `df` columns; `None` where its denominator cannot be told.
    pub(super) fn test(&self, term: usize, df: usize) -> Option<TermTest> {
        let mut l = Matrix::zeros(df, self.x.cols());
        for row in 0..df {
            l[(row, self.first[term] + row)] = 1.0;
        }
        let test = self.fit.kenward_roger(&l).ok()?;
        let sound = test.f.is_finite() && test.denominator_df > 0.0 && test.p.is_finite();
        sound.then_some(TermTest {
            denominator_df: test.denominator_df,
            f: test.f,
            p: test.p,
        })
    }

    /// A linear function, as in `StrataFit::linear`: the mean response over an even grid if `mean_part` is 1.
    pub(super) fn estimate(&self, mean_part: f64, values: &[Vec<f64>], confidence: f64) -> Estimate {
        let mut c = vec![0.0; self.x.cols()];
        c[0] = mean_part;
        for (first, own) in self.first.iter().zip(values) {
            c[*first..first + own.len()].copy_from_slice(own);
        }
        match self.fit.contrast(&c, DfMethod::KenwardRoger) {
            Ok(e) => Estimate::new(e.value, e.standard_error * e.standard_error, e.df, confidence),
            Err(_) => Estimate {
                value: c.iter().zip(&self.fit.coefficients).map(|(c, b)| c * b).sum(),
                ..Estimate::default()
            },
        }
    }

    /// What the fixed effects give for each run.
    pub(super) fn fitted(&self) -> Vec<f64> {
        self.x.times(&self.fit.coefficients)
    }

    /// Variance of a stratum and the profile interval of its standard deviation; the finest one has the residual.
    /// `None` for a stratum that brings no term of its own.
    pub(super) fn component(&self, stratum: usize, finest: usize, confidence: f64) -> Option<Variance> {
        let place = if stratum == finest {
            self.strata.len()
        } else {
            self.strata.iter().position(|&s| s == stratum)?
        };
        let component = self.fit.components.get(place)?;
        let interval = self
            .fit
            .profile_interval(place, confidence)
            .ok()
            .map(|i| (i.low, i.high));
        Some(Variance {
            value: component.value,
            boundary: component.boundary,
            interval,
        })
    }

    /// Mean square of a term's effects over the runs, less what the uncertainty of its coefficients adds to it.
    pub(super) fn mean_square_of_term(&self, term: usize, df: usize) -> f64 {
        let n = self.x.rows() as f64;
        let own: Vec<usize> = (self.first[term]..self.first[term] + df).collect();
        let mut total = 0.0;
        for row in 0..self.x.rows() {
            let value: f64 = own.iter().map(|&j| self.x[(row, j)] * self.fit.coefficients[j]).sum();
            let noise: f64 = own
                .iter()
                .flat_map(|&j| own.iter().map(move |&k| (j, k)))
                .map(|(j, k)| self.x[(row, j)] * self.fit.covariance[(j, k)] * self.x[(row, k)])
                .sum();
            total += value * value - noise;
        }
        total / n
    }
}

/// Why no mixed model can be fitted, for people.
pub(super) fn explain(problem: &MixedError) -> String {
    match problem {
        MixedError::Dependent { .. } => {
            "Some effects cannot be told apart with the runs that were made: some combinations of levels never occur. \
             No test is given rather than a wrong one."
                .to_owned()
        }
        MixedError::NoResidual => {
            "There are too few runs for the effects of the model; nothing is left to judge them by.".to_owned()
        }
        MixedError::ExactFit => {
            "The results do not vary beyond the effects of the model, so there is no spread to judge them by."
                .to_owned()
        }
        other => format!(
            "The runs that were made do not fill the units evenly, and the mixed model that would take care of it cannot be fitted \
             ({other:?}). No test is given rather than a wrong one."
        ),
    }
}
