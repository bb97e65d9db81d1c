//! Analysis of variance of a balanced study, each effect judged in the stratum in which it was set.
//!
//! In:  results, the partitions of the runs into cells of each stratum, and the columns of each term.
//! Out: a `StrataFit`, or a `StrataError` that says why the study is not balanced enough.
//!
//! | name        | symbol | shape    | unit              |
//! |-------------|--------|----------|-------------------|
//! | `y`         | y      | n        | response          |
//! | partition   | S      | n cells  | none              |
//! | columns     | X      | n × p    | per column        |
//! | mean square | M(S)   | scalar   | response, squared |
//!
//! W(S), the space of a stratum, holds what is constant on the cells of S and averages to zero on the cells of
//! every stratum inside it. y and X are projected onto each W(S) by averaging; a term must lie whole in one W(S);
//! there it is fitted by least squares. With one stratum any design may be unbalanced: the tests are then partial
//! ones, each term against the model without it.
//!
//! Method: Nelder (1965) Proc. R. Soc. A 283:147; Bailey (2008) Design of Comparative Experiments, chapter 10
//! (from memory). Never here: protocols, names for people, rounding. Reference values: tests/analysis.rs.

use crate::numeric::{Matrix, Qr, sum};

/// How the runs fall into the cells of one stratum.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Partition {
    /// For each run its cell, from 0.
    pub cell: Vec<u32>,
    /// Number of cells.
    pub cells: usize,
    /// Which earlier partitions are coarser than this one (strata inside it).
    pub inside: Vec<usize>,
}

/// A term of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct TermColumns {
    /// One column a degree of freedom, each as long as `y`.
    pub columns: Vec<Vec<f64>>,
}

/// Why a study cannot be analysed in strata.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StrataError {
    /// Fewer than two runs, or lengths that differ.
    Shape,
    /// Runs are missing: the cells of this partition do not hold equally many runs, or two partitions do not cross evenly.
    UnevenCells {
        /// The partition.
        partition: usize,
    },
    /// A term does not lie whole in one stratum.
    SplitTerm {
        /// The term.
        term: usize,
    },
    /// The model has no room for a term beside the others.
    Aliased {
        /// The term.
        term: usize,
    },
}

/// What one term explains.
#[derive(Debug, Clone, PartialEq)]
pub struct TermFit {
    /// The stratum it lies in.
    pub stratum: usize,
    /// Degrees of freedom.
    pub df: usize,
    /// Partial sum of squares.
    pub sum_of_squares: f64,
    /// Coefficients of its columns.
    pub coefficients: Vec<f64>,
}

/// What is left in one stratum.
#[derive(Debug, Clone, PartialEq)]
pub struct StratumFit {
    /// Degrees of freedom in all.
    pub df: usize,
    /// Degrees of freedom left.
    pub residual_df: usize,
    /// Sum of squares left.
    pub residual_sum_of_squares: f64,
}

impl StratumFit {
    /// Mean square left; `None` without degrees of freedom.
    #[must_use]
    pub fn mean_square(&self) -> Option<f64> {
        (self.residual_df > 0).then(|| self.residual_sum_of_squares / self.residual_df as f64)
    }
}

/// A balanced study, fitted.
#[derive(Debug, Clone)]
pub struct StrataFit {
    /// Number of runs.
    pub n: usize,
    /// Mean of `y`.
    pub mean: f64,
    /// One a partition.
    pub strata: Vec<StratumFit>,
    /// One a term.
    pub terms: Vec<TermFit>,
    /// What the terms give for each run, mean included.
    pub fitted: Vec<f64>,
    /// For each run what is left in the finest stratum.
    pub residuals: Vec<f64>,
    /// For each stratum and run what is left there.
    left: Vec<Vec<f64>>,
    /// The columns of each term, projected onto its stratum.
    columns: Vec<Vec<Vec<f64>>>,
    /// Means of the columns, term by term.
    column_means: Vec<Vec<f64>>,
    /// Factorization of the columns in each stratum, and where each of its columns comes from (term, column).
    factors: Vec<Option<Factorized>>,
}

/// The factorized columns of a stratum, and the term and column that each of them is.
type Factorized = (Qr, Vec<(usize, usize)>);

/// How the variance of a linear function of the coefficients is made up.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFunction {
    /// Its value.
    pub value: f64,
    /// Factor by which the expected mean square of each stratum enters its variance.
    pub weights: Vec<f64>,
    /// Factor by which the variance of the mean of all runs enters.
    pub mean_weight: f64,
}

/// Share of a sum of squares below which what a term explains is rounding.
const ROUNDING: f64 = 1e-28;
/// Share of a column's squared length that may fall outside its stratum by rounding.
const STRAY: f64 = 1e-9;

/// Fits a study in strata.
///
/// The last partition must put every run into a cell of its own; earlier ones are coarser or crossed, every one
/// after those inside it, and closed under taking what two of them have in common.
///
/// # Errors
///
/// See [`StrataError`].
pub fn fit(y: &[f64], partitions: &[Partition], terms: &[TermColumns]) -> Result<StrataFit, StrataError> {
    let n = y.len();
    let one_each = partitions.last().is_some_and(|finest| finest.cells == n);
    let lengths = partitions.iter().all(|p| p.cell.len() == n)
        && terms.iter().all(|t| t.columns.iter().all(|column| column.len() == n));
    if n < 2 || !one_each || !lengths {
        return Err(StrataError::Shape);
    }
    check_even(partitions, n)?;
    let dimensions = dimensions(partitions);
    let mean = sum::mean(y);
    let y_parts = decompose(y, mean, partitions);

    let mut column_means = Vec::with_capacity(terms.len());
    let mut stratum_of = Vec::with_capacity(terms.len());
    let mut parts: Vec<Vec<Vec<f64>>> = Vec::with_capacity(terms.len());
    for (index, term) in terms.iter().enumerate() {
        let mut means = Vec::new();
        let mut own: Option<usize> = None;
        let mut projected = Vec::new();
        for column in &term.columns {
            let column_mean = sum::mean(column);
            let mut column_parts = decompose(column, column_mean, partitions);
            let lengths: Vec<f64> = column_parts.iter().map(|part| sum::dot(part, part)).collect();
            let total: f64 = lengths.iter().sum();
            let home = (0..lengths.len())
                .max_by(|&a, &b| lengths[a].total_cmp(&lengths[b]))
                .unwrap_or(0);
            // A column without any length is a level that was never run beside the others.
            if total <= f64::MIN_POSITIVE {
                return Err(StrataError::Aliased { term: index });
            }
            if lengths[home] < (1.0 - STRAY) * total || own.is_some_and(|stratum| stratum != home) {
                return Err(StrataError::SplitTerm { term: index });
            }
            own = Some(home);
            means.push(column_mean);
            projected.push(column_parts.swap_remove(home));
        }
        column_means.push(means);
        stratum_of.push(own.ok_or(StrataError::Shape)?);
        parts.push(projected);
    }

    let mut fits: Vec<Option<TermFit>> = vec![None; terms.len()];
    let mut strata = Vec::with_capacity(partitions.len());
    let mut factors = Vec::with_capacity(partitions.len());
    let mut fitted = vec![mean; n];
    let mut left: Vec<Vec<f64>> = Vec::with_capacity(partitions.len());
    for (stratum, part) in y_parts.iter().enumerate() {
        let own: Vec<usize> = (0..terms.len()).filter(|&term| stratum_of[term] == stratum).collect();
        let origin: Vec<(usize, usize)> = own
            .iter()
            .flat_map(|&term| (0..parts[term].len()).map(move |column| (term, column)))
            .collect();
        let full = columns(&own, &parts);
        if full.is_empty() {
            strata.push(StratumFit {
                df: dimensions[stratum],
                residual_df: dimensions[stratum],
                residual_sum_of_squares: sum::dot(part, part),
            });
            factors.push(None);
            left.push(part.clone());
            continue;
        }
        let qr = Qr::new(&Matrix::from_columns(&full));
        if qr.rank() < full.len() {
            let term = own
                .iter()
                .copied()
                .find(|&term| rank_without(&own, &parts, term) == qr.rank());
            return Err(StrataError::Aliased {
                term: term.unwrap_or(own[0]),
            });
        }
        let solved = qr.solve(part);
        let coefficients: Vec<f64> = solved.coefficients.iter().map(|c| c.unwrap_or(0.0)).collect();
        for &term in &own {
            let others: Vec<usize> = own.iter().copied().filter(|&other| other != term).collect();
            let reduced = columns(&others, &parts);
            // What the term's columns add, measured on what the other terms leave of both.
            let sum_of_squares = explained(part, &parts[term], &reduced);
            fits[term] = Some(TermFit {
                stratum,
                df: parts[term].len(),
                sum_of_squares,
                coefficients: origin
                    .iter()
                    .zip(&coefficients)
                    .filter(|((owner, _), _)| *owner == term)
                    .map(|(_, &c)| c)
                    .collect(),
            });
        }
        for (value, (part, residual)) in fitted.iter_mut().zip(part.iter().zip(&solved.residuals)) {
            *value += part - residual;
        }
        strata.push(StratumFit {
            df: dimensions[stratum],
            residual_df: dimensions[stratum].saturating_sub(qr.rank()),
            residual_sum_of_squares: sum::dot(&solved.residuals, &solved.residuals),
        });
        left.push(solved.residuals);
        factors.push(Some((qr, origin)));
    }
    let terms = fits
        .into_iter()
        .collect::<Option<Vec<TermFit>>>()
        .ok_or(StrataError::Shape)?;
    Ok(StrataFit {
        n,
        mean,
        strata,
        terms,
        fitted,
        residuals: left.last().cloned().unwrap_or_default(),
        left,
        columns: parts,
        column_means,
        factors,
    })
}

impl StrataFit {
    /// A linear function: `mean_part` times the mean response where every column takes its mean, plus the sum over
    /// all terms of coefficient times column value.
    ///
    /// `values` has one entry a term and column. With `mean_part` 1 this is the response at these column values; with
    /// 0 and a difference of column values it is a contrast.
    #[must_use]
    pub fn linear(&self, mean_part: f64, values: &[Vec<f64>]) -> LinearFunction {
        let mut value = mean_part * self.mean;
        let mut weights = vec![0.0; self.strata.len()];
        for (stratum, factor) in self.factors.iter().enumerate() {
            let Some((qr, origin)) = factor else { continue };
            let direction: Vec<f64> = origin
                .iter()
                .map(|&(term, column)| values[term][column] - mean_part * self.column_means[term][column])
                .collect();
            value += origin
                .iter()
                .zip(&direction)
                .map(|(&(term, column), d)| d * self.terms[term].coefficients[column])
                .sum::<f64>();
            // The factorization has full rank, or the fit would have been refused.
            weights[stratum] = qr
                .half_of_combination(&direction)
                .map_or(f64::NAN, |half| sum::dot(&half, &half));
        }
        LinearFunction {
            value,
            weights,
            mean_weight: mean_part * mean_part / self.n as f64,
        }
    }

    /// The part of `y` in a term's stratum, less what the other terms there explain: the term's own part and what is left.
    #[must_use]
    pub fn without_others(&self, term: usize) -> Vec<f64> {
        let stratum = self.terms[term].stratum;
        let mut own = self.left[stratum].clone();
        for (column, coefficient) in self.columns[term].iter().zip(&self.terms[term].coefficients) {
            own.iter_mut()
                .zip(column)
                .for_each(|(value, x)| *value += coefficient * x);
        }
        own
    }

    /// Values for [`Self::linear`] that are zero everywhere.
    #[must_use]
    pub fn no_values(&self) -> Vec<Vec<f64>> {
        self.column_means.iter().map(|means| vec![0.0; means.len()]).collect()
    }
}

fn columns(terms: &[usize], parts: &[Vec<Vec<f64>>]) -> Vec<Vec<f64>> {
    terms.iter().flat_map(|&term| parts[term].iter().cloned()).collect()
}

fn rank_without(own: &[usize], parts: &[Vec<Vec<f64>>], term: usize) -> usize {
    let others: Vec<usize> = own.iter().copied().filter(|&other| other != term).collect();
    let reduced = columns(&others, parts);
    if reduced.is_empty() {
        0
    } else {
        Qr::new(&Matrix::from_columns(&reduced)).rank()
    }
}

/// Sum of squares that `own` columns explain of `y` beyond `others`.
fn explained(y: &[f64], own: &[Vec<f64>], others: &[Vec<f64>]) -> f64 {
    let mut columns = own.to_vec();
    if !others.is_empty() {
        let qr = Qr::new(&Matrix::from_columns(others));
        columns
            .iter_mut()
            .for_each(|column| *column = qr.solve(column).residuals);
    }
    let solved = Qr::new(&Matrix::from_columns(&columns)).solve(y);
    let fitted: Vec<f64> = y.iter().zip(&solved.residuals).map(|(y, r)| y - r).collect();
    let explained = sum::dot(&fitted, &fitted);
    if explained > ROUNDING * sum::dot(y, y) {
        explained
    } else {
        0.0
    }
}

/// Every cell of a partition must hold equally many runs, and any two partitions must cross evenly inside what they have in common.
fn check_even(partitions: &[Partition], n: usize) -> Result<(), StrataError> {
    for (index, partition) in partitions.iter().enumerate() {
        if !even(&partition.cell, partition.cells, n) {
            return Err(StrataError::UnevenCells { partition: index });
        }
        for (other_index, other) in partitions[..index].iter().enumerate() {
            if partition.inside.contains(&other_index) || partition.cells == n {
                continue;
            }
            // Number of cells of what both have in common: the finest partition inside both.
            let common = partitions[..index]
                .iter()
                .enumerate()
                .filter(|(k, _)| partition.inside.contains(k) && (other.inside.contains(k) || *k == other_index))
                .map(|(_, p)| p.cells)
                .max()
                .unwrap_or(1);
            let mut pairs: Vec<u64> = partition
                .cell
                .iter()
                .zip(&other.cell)
                .map(|(&a, &b)| u64::from(a) << 32 | u64::from(b))
                .collect();
            pairs.sort_unstable();
            let met = pairs.chunk_by(|a, b| a == b).count();
            let each = n / met.max(1);
            let evenly = pairs.chunk_by(|a, b| a == b).all(|pair| pair.len() == each);
            if met * common != partition.cells * other.cells || !evenly {
                return Err(StrataError::UnevenCells { partition: index });
            }
        }
    }
    Ok(())
}

fn even(cell: &[u32], cells: usize, n: usize) -> bool {
    if cells == 0 || !n.is_multiple_of(cells) {
        return false;
    }
    let mut counts = vec![0_usize; cells];
    for &c in cell {
        match counts.get_mut(c as usize) {
            Some(count) => *count += 1,
            None => return false,
        }
    }
    counts.iter().all(|&count| count == n / cells)
}

fn dimensions(partitions: &[Partition]) -> Vec<usize> {
    let mut dimensions: Vec<usize> = Vec::with_capacity(partitions.len());
    for partition in partitions {
        let inside: usize = partition.inside.iter().map(|&i| dimensions[i]).sum();
        dimensions.push(partition.cells.saturating_sub(1 + inside));
    }
    dimensions
}

/// The parts of a vector in each stratum; together with the mean they add up to it.
fn decompose(vector: &[f64], mean: f64, partitions: &[Partition]) -> Vec<Vec<f64>> {
    let centred: Vec<f64> = vector.iter().map(|v| v - mean).collect();
    let mut parts: Vec<Vec<f64>> = Vec::with_capacity(partitions.len());
    for partition in partitions {
        let mut part = if partition.cells == vector.len() {
            centred.clone()
        } else {
            let means = cell_means(&centred, partition);
            partition.cell.iter().map(|&cell| means[cell as usize]).collect()
        };
        for &inside in &partition.inside {
            part.iter_mut()
                .zip(&parts[inside])
                .for_each(|(value, inner)| *value -= inner);
        }
        parts.push(part);
    }
    parts
}

fn cell_means(values: &[f64], partition: &Partition) -> Vec<f64> {
    let mut sums = vec![sum::Accumulator::default(); partition.cells];
    let mut counts = vec![0_usize; partition.cells];
    for (&value, &cell) in values.iter().zip(&partition.cell) {
        sums[cell as usize].add(value);
        counts[cell as usize] += 1;
    }
    sums.iter()
        .zip(counts)
        .map(|(sum, count)| sum.value() / count.max(1) as f64)
        .collect()
}
