//! How strongly a design holds each effect: the noncentrality that an effect of size 1 has.
//!
//! In:  a protocol, what is assumed of a response, and the runs.
//! Out: for each term of the model a `Hold`: the F test it will get, or why it gets none.
//!
//! | name       | symbol | meaning                                                                         |
//! |------------|--------|---------------------------------------------------------------------------------|
//! | pattern    | w      | what an effect of size 1 adds to each run                                       |
//! | variance   | ξ(T)   | variance of a run in stratum T: Σ over spreads S whose cells lie within those of T of N/c(S) σ²(S), plus that of the readings |
//! | per square | λ₁     | Σ w²/ξ(T) in a full factorial; elsewhere ‖M L⁻¹w‖², V = `LLᵀ` the covariance of the runs and M what the other terms leave |
//!
//! The size of an effect is defined in `protocol::assumed`. The size of a departure from a straight line is the range of
//! the bend: the second power of the levels, made orthogonal to a straight line.
//! Method: expected mean squares of a balanced study, Nelder (1965) Proc. R. Soc. A 283:147; generalized least squares.
//! Never here: probabilities.

use std::borrow::Cow;

use super::frame::{Frame, Row};
use crate::diagnostic::Diagnostics;
use crate::numeric::{Cholesky, Matrix, Qr};
use crate::plan::{Part, PlannedRun, Structure, Term, draw, skeleton, terms, units_of};
use crate::protocol::{Assumed, Protocol, Response, Statistic, Treatments, weight};
use crate::stats::order_variance;
use crate::stats::strata::{self, StrataError, TermColumns};

/// Most runs for which the covariance of all runs is set up.
pub(super) const MOST_RUNS: usize = 1_500;

/// What a design does for a term.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hold {
    /// The term.
    pub term: Term,
    /// Stratum it is set in, as printed.
    pub judged_against: String,
    /// What the test will be.
    pub test: Test,
}

/// The test a term will get.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Test {
    /// An F test with this many degrees of freedom below.
    F {
        /// λ₁.
        per_square: f64,
        /// Degrees of freedom of the error term.
        error_df: f64,
        /// False if the study does not fill its strata evenly, so that the degrees of freedom come from the data.
        exact: bool,
    },
    /// Nothing is left to judge it by.
    NoError,
    /// The runs cannot tell it from other terms.
    Aliased,
    /// The stated spreads add up to nothing.
    NoSpread,
    /// A factor of the study has drawn levels, whose spread is not among the assumed ones.
    Drawn,
    /// The size of this term has no name.
    NoSize,
    /// The study is too large for this reckoning.
    TooLarge,
}

/// The holds on all terms of the model. `runs` are those of the frozen plan; else those of a draw with seed 0.
pub(super) fn holds(
    protocol: &Protocol,
    assumed: &Assumed,
    runs: Option<&[PlannedRun]>,
) -> Result<Vec<Hold>, Diagnostics> {
    if protocol.factors.iter().any(|factor| factor.random) {
        let drawn = |term| Hold {
            term,
            judged_against: String::new(),
            test: Test::Drawn,
        };
        return Ok(terms(protocol).into_iter().map(drawn).collect());
    }
    if protocol.design.treatments == Treatments::FullFactorial && protocol.design.set.is_none() {
        return full_factorial(protocol, assumed);
    }
    Ok(of_runs(protocol, assumed, &given_or_drawn(protocol, runs)?))
}

/// The runs of the frozen plan, or those of a draw with seed 0.
pub(super) fn given_or_drawn<'a>(
    protocol: &Protocol,
    runs: Option<&'a [PlannedRun]>,
) -> Result<Cow<'a, [PlannedRun]>, Diagnostics> {
    Ok(match runs {
        Some(runs) => Cow::Borrowed(runs),
        None => Cow::Owned(draw(protocol, "", 0)?),
    })
}

/// Variance that the readings of a run leave in its result.
pub(super) fn reading_variance(response: &Response, assumed: &Assumed) -> f64 {
    let share = match response.result {
        Statistic::Mean => order_variance::of_mean(response.readings),
        Statistic::Median => order_variance::of_median(response.readings),
        Statistic::Minimum | Statistic::Maximum => order_variance::of_extreme(response.readings),
    };
    assumed.reading * assumed.reading * share
}

/// The stratum of a term.
fn stratum_of(protocol: &Protocol, structure: &Structure, term: &Term) -> Option<usize> {
    structure.stratum_of(&units_of(protocol, term))
}

/// What an effect of size 1 adds at each level of one factor; `None` if the size has no name.
fn level_pattern(protocol: &Protocol, term: &Term, factor: usize) -> Option<Vec<f64>> {
    let declared = &protocol.factors[factor];
    let count = declared.levels.len();
    if term.part == Part::Whole {
        return Some((0..count).map(|level| weight(declared, level)).collect());
    }
    if term.effect.len() > 1 || term.part != Part::Departure {
        return None;
    }
    let mut at = vec![0; protocol.factors.len()];
    let bend: Option<Vec<f64>> = (0..count)
        .map(|level| {
            at[factor] = level;
            term.columns_at(protocol, &at).first().copied()
        })
        .collect();
    let bend = bend?;
    let high = bend.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = bend.iter().copied().fold(f64::INFINITY, f64::min);
    Some(bend.iter().map(|value| value / (high - low)).collect())
}

/// Balanced in closed form.
fn full_factorial(protocol: &Protocol, assumed: &Assumed) -> Result<Vec<Hold>, Diagnostics> {
    let skeleton = skeleton(protocol)?;
    let structure = Structure::of(protocol);
    let runs = structure.runs() as f64;
    let noise = reading_variance(&protocol.responses[assumed.response], assumed);
    let holds = terms(protocol).into_iter().map(|term| {
        let Some(stratum) = stratum_of(protocol, &structure, &term) else {
            return Hold {
                judged_against: String::new(),
                test: Test::Aliased,
                term,
            };
        };
        let error_df = skeleton.strata.get(stratum).map_or(0, |line| line.residual_df);
        let squares: Option<f64> = term
            .effect
            .iter()
            .map(|&f| {
                let pattern = level_pattern(protocol, &term, f)?;
                Some(pattern.iter().map(|w| w * w).sum::<f64>() / pattern.len() as f64)
            })
            .product();
        let own = &structure.strata[stratum].units;
        let between: f64 = assumed
            .spreads
            .iter()
            .filter_map(|spread| {
                let units = structure.closure(&spread.units);
                let cells: f64 = units.iter().map(|&u| structure.counts[u] as f64).product();
                own.iter()
                    .all(|u| units.contains(u))
                    .then_some(runs / cells * spread.sd * spread.sd)
            })
            .sum();
        let test = match squares {
            _ if error_df == 0 => Test::NoError,
            None => Test::NoSize,
            Some(_) if between + noise <= 0.0 => Test::NoSpread,
            Some(squares) => Test::F {
                per_square: runs * squares / (between + noise),
                error_df: error_df as f64,
                exact: true,
            },
        };
        Hold {
            judged_against: structure.name(stratum, protocol),
            test,
            term,
        }
    });
    Ok(holds.collect())
}

/// A frame of planned runs without readings.
pub(super) fn empty_frame(protocol: &Protocol, runs: &[PlannedRun]) -> Frame {
    Frame {
        rows: runs
            .iter()
            .map(|run| Row {
                run: run.run,
                position: run.run,
                units: run.units.iter().map(|number| number - 1).collect(),
                labels: Vec::new(),
                levels: run.levels.clone(),
                readings: Vec::new(),
                result: 0.0,
                covariates: Vec::new(),
            })
            .collect(),
        reference: 0.0,
        counts: protocol.units.iter().map(|unit| unit.count).collect(),
        ordered: true,
        missing: 0,
        short: Vec::new(),
        unmeasured: Vec::new(),
        covariate_means: Vec::new(),
    }
}

/// What an effect of size 1 adds to each run.
pub(super) fn pattern(protocol: &Protocol, term: &Term, frame: &Frame) -> Option<Vec<f64>> {
    let each: Option<Vec<(usize, Vec<f64>)>> = term
        .effect
        .iter()
        .map(|&f| level_pattern(protocol, term, f).map(|pattern| (f, pattern)))
        .collect();
    let each = each?;
    let value = |row: &Row| each.iter().map(|(f, pattern)| pattern[row.levels[*f]]).product();
    Some(frame.rows.iter().map(value).collect())
}

/// Any runs, by generalized least squares.
fn of_runs(protocol: &Protocol, assumed: &Assumed, runs: &[PlannedRun]) -> Vec<Hold> {
    let frame = empty_frame(protocol, runs);
    let structure = frame.structure(protocol);
    let partitions = super::fit::partitions(&frame, &structure);
    let terms = terms(protocol);
    let columns: Vec<TermColumns> = terms
        .iter()
        .map(|term| {
            let rows: Vec<Vec<f64>> = frame
                .rows
                .iter()
                .map(|row| term.columns_at(protocol, &row.levels))
                .collect();
            TermColumns {
                columns: (0..term.df)
                    .map(|column| rows.iter().map(|row| row[column]).collect())
                    .collect(),
            }
        })
        .collect();
    let n = frame.rows.len();
    let whitened = (n <= MOST_RUNS).then(|| root(protocol, assumed, &frame)).flatten();
    let strata = strata::fit(&vec![0.0; n], &partitions, &columns);
    terms
        .iter()
        .enumerate()
        .map(|(index, term)| {
            let set_in = stratum_of(protocol, &structure, term).unwrap_or(structure.strata.len().saturating_sub(1));
            let (stratum, error_df, exact) = if let Ok(fit) = &strata {
                let stratum = fit.terms[index].stratum;
                (stratum, fit.strata[stratum].residual_df, true)
            } else {
                let used: usize = terms
                    .iter()
                    .filter(|other| stratum_of(protocol, &structure, other) == Some(set_in))
                    .map(|other| other.df)
                    .sum();
                (set_in, structure.strata[set_in].df.saturating_sub(used), false)
            };
            let test = match (&whitened, pattern(protocol, term, &frame)) {
                _ if matches!(&strata, Err(StrataError::Shape)) => Test::NoError,
                _ if n > MOST_RUNS => Test::TooLarge,
                (None, _) => Test::NoSpread,
                (_, None) => Test::NoSize,
                (Some(root), Some(pattern)) => match hold_of(root, &columns, index, pattern) {
                    None => Test::Aliased,
                    Some(_) if error_df == 0 => Test::NoError,
                    Some(per_square) => Test::F {
                        per_square,
                        error_df: error_df as f64,
                        exact,
                    },
                },
            };
            Hold {
                term: term.clone(),
                judged_against: structure.name(stratum, protocol),
                test,
            }
        })
        .collect()
}

/// ‖M L⁻¹w‖²; `None` if the other terms leave nothing of a column of the term.
fn hold_of(root: &Cholesky, columns: &[TermColumns], index: usize, mut pattern: Vec<f64>) -> Option<f64> {
    let white = |column: &Vec<f64>| {
        let mut column = column.clone();
        root.solve_lower(&mut column);
        column
    };
    let ones = vec![1.0; pattern.len()];
    let mut others = vec![white(&ones)];
    for (other, term) in columns.iter().enumerate() {
        if other != index {
            others.extend(term.columns.iter().map(white));
        }
    }
    let own: Vec<Vec<f64>> = columns[index].columns.iter().map(white).collect();
    root.solve_lower(&mut pattern);
    let qr = Qr::new(&Matrix::from_columns(&others));
    let mut all = others;
    all.extend(own.iter().cloned());
    let whole = Qr::new(&Matrix::from_columns(&all));
    if whole.rank() < qr.rank() + own.len() {
        return None;
    }
    let left = qr.solve(&pattern);
    Some(left.rss)
}

/// Cholesky factor of the covariance of the runs; `None` if the spreads leave some runs without any of their own.
pub(super) fn root(protocol: &Protocol, assumed: &Assumed, frame: &Frame) -> Option<Cholesky> {
    let n = frame.rows.len();
    let structure = frame.structure(protocol);
    let noise = reading_variance(&protocol.responses[assumed.response], assumed);
    let mut v = Matrix::zeros(n, n);
    for i in 0..n {
        v[(i, i)] = noise;
    }
    for spread in assumed.spreads.iter().filter(|spread| spread.sd > 0.0) {
        let (cell, _) = frame.cells(&structure.closure(&spread.units));
        let variance = spread.sd * spread.sd;
        for i in 0..n {
            for j in 0..n {
                if cell[i] == cell[j] {
                    v[(i, j)] += variance;
                }
            }
        }
    }
    Cholesky::new(&v).ok()
}
