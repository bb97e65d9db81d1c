//! The mixed model in place of averaging: for a study that does not fill its units evenly, and wherever the protocol asks
//! for more than averages give (levels drawn from a population, covariates, weights, single readings).
//!
//! In:  the columns of the fixed terms, the partitions of the structure, and what else brings spread.
//! Out: tests and linear functions with small-sample degrees of freedom, components with intervals.
//!
//! The fixed part is the same as in the balanced analysis; each stratum but the finest brings a random term, and so does each
//! random factor and its interactions. In a balanced study without these both give the same tests; there the averages are
//! used, which need no search.

use std::sync::OnceLock;

use super::estimate::Estimate;
use crate::numeric::Matrix;
use crate::protocol::{ComponentIntervals, DegreesOfFreedom, Likelihood, ModelPlan};
use crate::stats::balanced::BalancedPlan;
use crate::stats::deletion::Grouping;
use crate::stats::mixed::{self, DfMethod, Method, MixedError, MixedFit, MixedProblem, RandomTerm};
use crate::stats::strata::{Partition, TermColumns};

/// Everything the model is made of.
pub(super) struct Request<'a> {
    /// Result of each run.
    pub results: &'a [f64],
    /// Readings of each run, for a model of single readings.
    pub readings: Option<Vec<&'a [f64]>>,
    /// The partitions of the runs, one a stratum; the last one tells all runs apart.
    pub partitions: &'a [Partition],
    /// The columns of the fixed terms over the runs, covariates last.
    pub terms: &'a [TermColumns],
    /// What random factors bring.
    pub drawn: Vec<Drawn>,
    /// Weight of each run.
    pub weights: Option<Vec<f64>>,
    /// How it is fitted.
    pub plan: &'a ModelPlan,
    /// Name of the stream from which bootstrap samples are drawn.
    pub stream: String,
}

/// A random factor, or its interaction with others: runs of one cell share a shift.
#[derive(Debug, Clone)]
pub(super) struct Drawn {
    /// Name as printed: `operator`, `finish × operator`.
    pub name: String,
    /// The factors in it.
    pub factors: Vec<usize>,
    /// Cell of each run.
    pub cell: Vec<u32>,
    /// Number of cells.
    pub cells: usize,
    /// Why it has no component of its own, if it has none.
    pub untold: Option<String>,
}

/// A fitted mixed model with the place of each term's columns.
pub(super) struct MixedModel {
    fit: MixedFit,
    plan: ModelPlan,
    /// Stratum of each random term that is one; the terms of `drawn` follow.
    strata: Vec<usize>,
    /// What random factors bring; those with a component have it in this order.
    pub drawn: Vec<Drawn>,
    /// First column of each fixed term; column 0 is the intercept.
    first: Vec<usize>,
    /// Fixed columns over the runs.
    x: Matrix,
    /// True if the rows of the model are single readings.
    pub of_readings: bool,
    stream: String,
    /// The plan, where it is balanced and sums of squares give what the search would find.
    balanced: Option<BalancedPlan>,
    bootstrap: OnceLock<Vec<Vec<f64>>>,
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

impl MixedModel {
    pub(super) fn new(request: Request<'_>) -> Result<Self, MixedError> {
        let runs = request.results.len();
        let mut columns = vec![vec![1.0; runs]];
        let mut first = Vec::with_capacity(request.terms.len());
        for term in request.terms {
            first.push(columns.len());
            columns.extend(term.columns.iter().cloned());
        }
        let x = Matrix::from_columns(&columns);
        // Which run each row of the model belongs to.
        let (run_of, y): (Vec<usize>, Vec<f64>) = match &request.readings {
            None => (0..runs).zip(request.results.iter().copied()).collect(),
            Some(readings) => readings
                .iter()
                .enumerate()
                .flat_map(|(run, own)| own.iter().map(move |&reading| (run, reading)))
                .collect(),
        };
        let rows = y.len();
        let spread_out = |of_runs: &[f64]| -> Vec<f64> { run_of.iter().map(|&run| of_runs[run]).collect() };
        let cells_of = |of_runs: &[u32]| -> Vec<u32> { run_of.iter().map(|&run| of_runs[run]).collect() };
        let of_readings = request.readings.is_some();
        let coarse = request.partitions.len() - usize::from(!of_readings && !request.partitions.is_empty());
        // A stratum whose cells hold one row each cannot be told from the rows themselves.
        let strata: Vec<usize> = (0..coarse).filter(|&s| request.partitions[s].cells < rows).collect();
        let mut drawn = request.drawn;
        let units: Vec<&[u32]> = request.partitions.iter().map(|p| p.cell.as_slice()).collect();
        for index in 0..drawn.len() {
            let (before, own) = drawn.split_at_mut(index);
            let own = &mut own[0];
            if own.cells >= rows || units.iter().any(|unit| same_cells(unit, &own.cell)) {
                own.untold = Some("it cannot be told from the spread of the units that carry it".to_owned());
            } else if before.iter().any(|other| same_cells(&other.cell, &own.cell)) {
                own.untold = Some("it cannot be told from a source named before it".to_owned());
            }
        }
        let weights = request.weights.as_deref().map(&spread_out);
        let model_x = if of_readings {
            Matrix::from_columns(&columns.iter().map(|column| spread_out(column)).collect::<Vec<_>>())
        } else {
            x.clone()
        };
        let method = match request.plan.likelihood {
            Likelihood::Restricted => Method::Reml,
            Likelihood::Full => Method::MaximumLikelihood,
        };
        let fit = loop {
            let told: Vec<usize> = (0..drawn.len()).filter(|&d| drawn[d].untold.is_none()).collect();
            let terms = strata
                .iter()
                .map(|&s| (&request.partitions[s].cell, request.partitions[s].cells))
                .chain(told.iter().map(|&d| (&drawn[d].cell, drawn[d].cells)))
                .map(|(cell, cells)| RandomTerm::intercept(cells_of(cell), cells))
                .collect();
            let problem = MixedProblem {
                y: y.clone(),
                x: model_x.clone(),
                terms,
                weights: weights.clone(),
            };
            match mixed::fit(&problem, method) {
                Ok(fit) => break fit,
                Err(MixedError::NotIdentified { term }) if term >= strata.len() => {
                    drawn[told[term - strata.len()]].untold =
                        Some("it cannot be told from the other sources of spread in this design".to_owned());
                }
                Err(problem) => return Err(problem),
            }
        };
        let plain = !of_readings && drawn.is_empty() && weights.is_none() && strata.len() == coarse;
        let asked = method == Method::Reml && request.plan.component_intervals == ComponentIntervals::Bootstrap;
        let balanced = (plain && asked).then(|| BalancedPlan::new(request.partitions, request.terms).ok());
        Ok(Self {
            balanced: balanced.flatten(),
            fit,
            plan: request.plan.clone(),
            strata,
            drawn,
            first,
            x,
            of_readings,
            stream: request.stream,
            bootstrap: OnceLock::new(),
        })
    }

    /// Restricted log-likelihood, or the full one where that was asked for.
    pub(super) fn log_likelihood(&self) -> f64 {
        self.fit.log_likelihood()
    }

    /// The method in a phrase.
    pub(super) fn method(&self) -> String {
        let of = if self.of_readings { " of single readings" } else { "" };
        let likelihood = match self.plan.likelihood {
            Likelihood::Restricted => "restricted maximum likelihood",
            Likelihood::Full => "maximum likelihood",
        };
        let tests = match self.plan.degrees_of_freedom {
            DegreesOfFreedom::KenwardRoger => "Kenward and Roger",
            DegreesOfFreedom::Satterthwaite => "Satterthwaite",
        };
        format!("mixed model{of} by {likelihood}, tests after {tests}")
    }

    /// Test of a term of `df` columns; `None` where its denominator cannot be told.
    pub(super) fn test(&self, term: usize, df: usize) -> Option<TermTest> {
        let mut l = Matrix::zeros(df, self.x.cols());
        for row in 0..df {
            l[(row, self.first[term] + row)] = 1.0;
        }
        let test = match self.plan.degrees_of_freedom {
            DegreesOfFreedom::KenwardRoger => self.fit.kenward_roger(&l),
            DegreesOfFreedom::Satterthwaite => self.fit.satterthwaite(&l),
        }
        .ok()?;
        let sound = test.f.is_finite() && test.denominator_df > 0.0 && test.p.is_finite();
        sound.then_some(TermTest {
            denominator_df: test.denominator_df,
            f: test.f,
            p: test.p,
        })
    }

    /// A linear function, as in `StrataFit::linear`: the mean response over an even grid if `mean_part` is 1.
    /// Covariates stand at their means.
    pub(super) fn estimate(&self, mean_part: f64, values: &[Vec<f64>], confidence: f64) -> Estimate {
        let mut c = vec![0.0; self.x.cols()];
        c[0] = mean_part;
        for (first, own) in self.first.iter().zip(values) {
            c[*first..first + own.len()].copy_from_slice(own);
        }
        self.linear(&c, confidence)
    }

    /// The slope of a covariate: the coefficient of the one column of fixed term `term`.
    pub(super) fn covariate(&self, term: usize, confidence: f64) -> Estimate {
        let mut c = vec![0.0; self.x.cols()];
        c[self.first[term]] = 1.0;
        self.linear(&c, confidence)
    }

    fn linear(&self, c: &[f64], confidence: f64) -> Estimate {
        let df = match self.plan.degrees_of_freedom {
            DegreesOfFreedom::KenwardRoger => DfMethod::KenwardRoger,
            DegreesOfFreedom::Satterthwaite => DfMethod::Satterthwaite,
        };
        match self.fit.contrast(c, df) {
            Ok(e) => Estimate::new(e.value, e.standard_error * e.standard_error, e.df, confidence),
            Err(_) => Estimate {
                value: c.iter().zip(&self.fit.coefficients).map(|(c, b)| c * b).sum(),
                ..Estimate::default()
            },
        }
    }

    /// The fixed columns over the runs, covariates last.
    pub(super) fn design(&self) -> &Matrix {
        &self.x
    }

    /// What groups the runs, each with its variance over that of a run; `None` in a model of single readings.
    pub(super) fn groupings(&self, partitions: &[Partition]) -> Option<Vec<Grouping>> {
        if self.of_readings {
            return None;
        }
        let (residual, random) = self.fit.components.split_last()?;
        let strata = self.strata.iter().map(|&s| &partitions[s].cell);
        let drawn = self.drawn.iter().filter(|d| d.untold.is_none()).map(|d| &d.cell);
        Some(
            strata
                .chain(drawn)
                .zip(random)
                .map(|(group, component)| Grouping {
                    group: group.clone(),
                    ratio: (component.value / residual.value).max(0.0),
                })
                .collect(),
        )
    }

    /// What the fixed effects give for each run.
    pub(super) fn fitted(&self) -> Vec<f64> {
        self.x.times(&self.fit.coefficients)
    }

    /// Variance of a stratum and the interval of its standard deviation. The finest one is the residual, or, in a model of
    /// single readings, the runs. `None` for a stratum that brings no term of its own.
    pub(super) fn component(&self, stratum: usize, finest: usize, confidence: f64) -> Option<Variance> {
        let place = if stratum == finest && !self.of_readings {
            self.fit.components.len() - 1
        } else {
            self.strata.iter().position(|&s| s == stratum)?
        };
        self.variance(place, confidence)
    }

    /// Variance of what a random factor brings; `None` if it cannot be told.
    pub(super) fn drawn_component(&self, index: usize, confidence: f64) -> Option<Variance> {
        if self.drawn[index].untold.is_some() {
            return None;
        }
        let before = self.drawn[..index].iter().filter(|d| d.untold.is_none()).count();
        self.variance(self.strata.len() + before, confidence)
    }

    /// Variance of a single reading within a run, in a model of single readings.
    pub(super) fn reading_component(&self, confidence: f64) -> Option<Variance> {
        if self.of_readings {
            self.variance(self.fit.components.len() - 1, confidence)
        } else {
            None
        }
    }

    fn variance(&self, place: usize, confidence: f64) -> Option<Variance> {
        let component = self.fit.components.get(place)?;
        let interval = match self.plan.component_intervals {
            ComponentIntervals::Profile => self
                .fit
                .profile_interval(place, confidence)
                .ok()
                .map(|i| (i.low, i.high)),
            ComponentIntervals::Bootstrap => mixed::percentile_interval(
                self.bootstrap
                    .get_or_init(|| {
                        self.fit.bootstrap_with(self.plan.bootstrap, &self.stream, |y| {
                            Some(self.balanced.as_ref()?.components(y)?.variances)
                        })
                    })
                    .get(place)?,
                confidence,
            ),
        };
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

/// Whether two partitions have the same cells, whatever their numbers.
fn same_cells(one: &[u32], other: &[u32]) -> bool {
    let mut forth: std::collections::BTreeMap<u32, u32> = std::collections::BTreeMap::new();
    let mut back: std::collections::BTreeMap<u32, u32> = std::collections::BTreeMap::new();
    one.iter()
        .zip(other)
        .all(|(&a, &b)| *forth.entry(a).or_insert(b) == b && *back.entry(b).or_insert(a) == a)
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
