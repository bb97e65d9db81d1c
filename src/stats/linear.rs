//! Least squares for one response: coefficients, standard errors, sums of squares of terms, leverages.
//!
//! In:  y (n) and the columns X (n × p), all finite, any rank; whether the model has an intercept.
//! Out: a `LinearFit`, or a `LinearError`.
//!
//! | name                 | symbol     | shape | unit                                   |
//! |----------------------|------------|-------|----------------------------------------|
//! | `estimate`           | β̂ⱼ         | p     | of y over that of the column           |
//! | `standard_error`     | s √vⱼⱼ     | p     | the same; V = (XᵀX)⁻¹                  |
//! | `residual_sd`        | s          | –     | of y; s² = RSS/(n − r), r the rank     |
//! | `leverages`          | hᵢᵢ        | n     | none                                   |
//!
//! Method: y and the columns are centred if there is an intercept, then X = Q R by Householder reflections; β̂ and V by
//! triangular solves. Where the problem is small, or a column keeps less than a tenth of its length beside those before
//! it (a polynomial, say), the factorization is repeated in twice the working precision by modified Gram–Schmidt, so that
//! close columns cost no digits. A column is dropped where less than max(n, p) · 2.2·10⁻¹⁶ of its length is left.
//! Never here: coding of factors, strata, missing values.
//! Reference values: the NIST linear regression sets, `tests/stats.rs`.

use crate::numeric::distribution::f_upper;
use crate::numeric::{Extended, Matrix, Qr, sum};

/// A column keeps at least this share of its length, or the problem is solved in extended precision.
const WELL_CONDITIONED: f64 = 0.1;

/// Up to this many products (rows × columns²) extended precision is taken in any case: it costs some milliseconds at most.
const SMALL: usize = 50_000;

/// Residuals this much smaller than y are what rounding left of an exact fit, and count as 0.
const EXACT: f64 = 1e-18;

/// Values beyond this size have squares that overflow.
const LARGEST: f64 = 1e150;

/// Relative distance from the row space of X within which a combination counts as estimable.
const ESTIMABLE: f64 = 1e-8;

/// Why no fit was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LinearError {
    /// There are no rows.
    NoRows,
    /// y and the columns differ in length.
    Lengths {
        /// Rows of y.
        y: usize,
        /// Rows of X.
        x: usize,
    },
    /// A value in this row (from 0) is NaN, infinite or beyond 10¹⁵⁰ in size, so that its square would overflow.
    NotFinite {
        /// The row, from 0.
        row: usize,
    },
}

/// An estimate with its standard error, in one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub estimate: f64,
    /// Its standard error on the residual degrees of freedom; `None` where these are 0.
    pub standard_error: Option<f64>,
}

/// What a term takes away from the residual sum of squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TermSquares {
    /// Sum of squares, in the square of the unit of y.
    pub sum_of_squares: f64,
    /// Degrees of freedom: the rank that the term adds; 0 if its columns depend on others.
    pub df: usize,
}

/// A least-squares fit.
#[derive(Debug, Clone)]
pub struct LinearFit {
    /// Number of rows n.
    pub n: usize,
    /// Degrees of freedom of the model: rank of the columns beside the intercept.
    pub df_model: usize,
    /// Residual degrees of freedom.
    pub df_residual: usize,
    /// The intercept, at 0 of every column; `None` without one.
    pub intercept: Option<Estimate>,
    /// One a column of X; `None` for a dropped column.
    pub coefficients: Vec<Option<Estimate>>,
    /// Fitted values, one a row, in the unit of y.
    pub fitted: Vec<f64>,
    /// Residuals, one a row, in the unit of y.
    pub residuals: Vec<f64>,
    /// Leverages, one a row, 0 to 1; they sum to the rank, intercept included.
    pub leverages: Vec<f64>,
    /// Sum of squares of y: about its mean with an intercept, about 0 without.
    pub ss_total: f64,
    /// Sum of squares of the model.
    pub ss_model: f64,
    /// Residual sum of squares.
    pub ss_residual: f64,
    intercept_kept: bool,
    y_mean: Extended,
    column_means: Vec<Extended>,
    reduced: Reduced,
}

/// The problem turned into its own space: R of the columns, and what of y lies along each row of R.
#[derive(Debug, Clone)]
struct Reduced {
    /// r values a column of X, in the order of X.
    columns: Vec<Vec<Extended>>,
    y: Vec<Extended>,
    /// Kept columns, in the order of the rows of R.
    kept: Vec<usize>,
    /// Length of each column of X after centring.
    lengths: Vec<f64>,
    tolerance: f64,
}

/// Fits y = β₀ + X β (`intercept` true) or y = X β by least squares.
///
/// # Errors
///
/// [`LinearError`] for no rows, lengths that differ, or a value that is not finite. A rank below the number of columns
/// is no error: dependent columns are dropped, the later ones first.
///
/// # Source
///
/// Golub and Van Loan (2013), "Matrix computations", chapter 5; Seber and Lee (2003), "Linear regression analysis",
/// chapters 3 and 11.
pub fn fit(y: &[f64], x: &Matrix, intercept: bool) -> Result<LinearFit, LinearError> {
    let columns = x
        .columns()
        .map(|column| column.iter().map(|value| (*value).into()).collect())
        .collect();
    fit_extended(y, columns, x.cols() > 0 && x.rows() != y.len(), x.rows(), intercept)
}

/// Fits a polynomial of `degree` in x by least squares, with or without the constant; coefficient j − 1 belongs to xʲ.
///
/// The powers are formed in twice the working precision, so that rounding them costs the coefficients nothing.
///
/// # Errors
///
/// As [`fit`]; a power that overflows counts as a value that is not finite.
pub fn fit_polynomial(y: &[f64], x: &[f64], degree: usize, intercept: bool) -> Result<LinearFit, LinearError> {
    let base: Vec<Extended> = x.iter().map(|value| (*value).into()).collect();
    let mut columns: Vec<Vec<Extended>> = Vec::new();
    for _ in 0..degree {
        let next = match columns.last() {
            None => base.clone(),
            Some(last) => last.iter().zip(&base).map(|(power, value)| *power * *value).collect(),
        };
        columns.push(next);
    }
    fit_extended(y, columns, x.len() != y.len(), x.len(), intercept)
}

fn fit_extended(
    y: &[f64],
    mut columns: Vec<Vec<Extended>>,
    lengths_differ: bool,
    x_rows: usize,
    intercept: bool,
) -> Result<LinearFit, LinearError> {
    let (n, p) = (y.len(), columns.len());
    if lengths_differ {
        return Err(LinearError::Lengths { y: n, x: x_rows });
    }
    if n == 0 {
        return Err(LinearError::NoRows);
    }
    let sound = |value: f64| value.abs() <= LARGEST;
    let unsound = |row: &usize| !sound(y[*row]) || columns.iter().any(|column| !sound(column[*row].value()));
    if let Some(row) = (0..n).find(unsound) {
        return Err(LinearError::NotFinite { row });
    }
    let mut response: Vec<Extended> = y.iter().map(|value| (*value).into()).collect();
    let mut y_mean = Extended::ZERO;
    let mut column_means = vec![Extended::ZERO; p];
    if intercept {
        y_mean = centre(&mut response);
        for (mean, column) in column_means.iter_mut().zip(&mut columns) {
            *mean = centre(column);
        }
    }
    let rounded: Vec<Vec<f64>> = columns.iter().map(|column| round(column)).collect();
    let centred = if p == 0 {
        Matrix::zeros(n, 0)
    } else {
        Matrix::from_columns(&rounded)
    };
    let lengths: Vec<f64> = rounded
        .iter()
        .map(|column| sum::sum_of_squares(column).sqrt())
        .collect();
    let qr = Qr::in_order(&centred);
    let kept = qr.order()[..qr.rank()].to_vec();
    let least = kept
        .iter()
        .enumerate()
        .map(|(k, j)| qr.r(k, k).abs() / lengths[*j])
        .fold(1.0, f64::min);
    let tolerance = n.max(p) as f64 * f64::EPSILON;
    let small = n * (p + 1) * (p + 1) <= SMALL;
    let (reduced_columns, reduced_y, mut residuals, mut leverages) = if small || least < WELL_CONDITIONED {
        gram_schmidt(&columns, &response, &kept)
    } else {
        let mut rotated = round(&response);
        qr.apply_q_transposed(&mut rotated);
        let mut residuals = rotated.clone();
        residuals[..qr.rank()].fill(0.0);
        qr.apply_q(&mut residuals);
        let mut reduced = vec![Vec::new(); p];
        for (place, j) in qr.order().iter().enumerate() {
            reduced[*j] = (0..qr.rank()).map(|i| qr.r(i, place).into()).collect();
        }
        let along = rotated[..qr.rank()].iter().map(|value| (*value).into()).collect();
        (reduced, along, residuals, qr.leverages())
    };
    if intercept {
        for leverage in &mut leverages {
            *leverage += 1.0 / n as f64;
        }
    }
    let whole = sum::sum_of_squares(y).sqrt();
    if sum::sum_of_squares(&residuals).sqrt() <= EXACT * whole {
        residuals.fill(0.0);
    }
    let fitted = y.iter().zip(&residuals).map(|(y, residual)| y - residual).collect();
    let ss_residual = sum::sum_of_squares(&residuals);
    let ss_model = Extended::dot(&reduced_y, &reduced_y).value();
    let ss_total = Extended::dot(&response, &response).value();
    let df_model = kept.len();
    let mut fit = LinearFit {
        n,
        df_model,
        df_residual: n - df_model - usize::from(intercept && n > df_model),
        intercept: None,
        coefficients: vec![None; p],
        fitted,
        residuals,
        leverages,
        ss_total,
        ss_model,
        ss_residual,
        intercept_kept: intercept,
        y_mean,
        column_means,
        reduced: Reduced {
            columns: reduced_columns,
            y: reduced_y,
            kept,
            lengths,
            tolerance,
        },
    };
    fit.coefficients = fit.reduced.coefficients(fit.residual_sd());
    if intercept {
        fit.intercept = fit.combination(1.0, &vec![0.0; p]);
    }
    Ok(fit)
}

impl LinearFit {
    /// Residual mean square s², in the square of the unit of y; `None` without residual degrees of freedom.
    pub fn ms_residual(&self) -> Option<f64> {
        (self.df_residual > 0).then(|| self.ss_residual / self.df_residual as f64)
    }

    /// Residual standard deviation s, in the unit of y; `None` without residual degrees of freedom.
    pub fn residual_sd(&self) -> Option<f64> {
        self.ms_residual().map(f64::sqrt)
    }

    /// Share of the sum of squares of y taken by the model, R²: about the mean with an intercept, about 0 without. `None` where y does
    /// not vary.
    pub fn r_squared(&self) -> Option<f64> {
        let total = self.ss_model + self.ss_residual;
        (total > 0.0).then(|| self.ss_model / total)
    }

    /// F of the whole model and its p-value on (`df_model`, `df_residual`); `None` where either is 0 or nothing is left over.
    pub fn whole_model(&self) -> Option<(f64, f64)> {
        let error = self.ms_residual().filter(|error| *error > 0.0)?;
        if self.df_model == 0 {
            return None;
        }
        let f = self.ss_model / self.df_model as f64 / error;
        Some((f, f_upper(f, self.df_model as f64, self.df_residual as f64)))
    }

    /// The combination w₀ β₀ + Σ wⱼ βⱼ with its standard error: a contrast, a prediction's centre, a marginal mean.
    ///
    /// `intercept` is w₀ (0 in a model without one), `weights` has one entry a column. `None` if the numbers differ, or if
    /// the combination is not estimable: its value would depend on which of the dependent columns were dropped.
    pub fn combination(&self, intercept: f64, weights: &[f64]) -> Option<Estimate> {
        if weights.len() != self.coefficients.len() || (!self.intercept_kept && intercept != 0.0) {
            return None;
        }
        // in the centred columns: w₀ ȳ + Σ (wⱼ − w₀ x̄ⱼ) βⱼ
        let centred: Vec<Extended> = weights
            .iter()
            .zip(&self.column_means)
            .map(|(weight, mean)| Extended::from(*weight) - Extended::from(intercept) * *mean)
            .collect();
        let half = self.reduced.half(&centred)?;
        let estimate = Extended::from(intercept) * self.y_mean + Extended::dot(&half, &self.reduced.y);
        let mean_part = if intercept == 0.0 {
            0.0
        } else {
            intercept * intercept / self.n as f64
        };
        let variance = Extended::dot(&half, &half).value() + mean_part;
        Some(Estimate {
            estimate: estimate.value(),
            standard_error: self.residual_sd().map(|sd| sd * variance.sqrt()),
        })
    }

    /// Sequential sums of squares: each term (a list of columns of X) after those before it in `terms`. Columns of X in
    /// no term do not take part; indices out of range are passed over.
    pub fn sequential(&self, terms: &[Vec<usize>]) -> Vec<TermSquares> {
        self.reduced.sequential(terms)
    }

    /// Partial sums of squares: each term (a list of columns of X) after all columns of the model that are not its own.
    ///
    /// With columns coded to sum to zero this is the test of the full model against the model without the term's
    /// columns. In balanced designs it equals the sequential one.
    pub fn partial(&self, terms: &[Vec<usize>]) -> Vec<TermSquares> {
        let all = 0..self.coefficients.len();
        terms
            .iter()
            .map(|term| {
                let others: Vec<usize> = all.clone().filter(|j| !term.contains(j)).collect();
                let both = self.reduced.sequential(&[others, term.clone()]);
                both.last().copied().unwrap_or(TermSquares {
                    sum_of_squares: 0.0,
                    df: 0,
                })
            })
            .collect()
    }
}

impl Reduced {
    /// Coefficients of the kept columns, and their standard errors from the rows of R⁻¹.
    fn coefficients(&self, residual_sd: Option<f64>) -> Vec<Option<Estimate>> {
        let mut coefficients = vec![None; self.columns.len()];
        for j in &self.kept {
            let mut unit = vec![Extended::ZERO; self.columns.len()];
            unit[*j] = 1.0.into();
            if let Some(half) = self.half_of_kept(&unit) {
                coefficients[*j] = Some(Estimate {
                    estimate: Extended::dot(&half, &self.y).value(),
                    standard_error: residual_sd.map(|sd| sd * Extended::dot(&half, &half).sqrt().value()),
                });
            }
        }
        coefficients
    }

    /// z with Rᵀz = w over the kept columns; the combination is zᵀ(Qᵀy) and its variance zᵀz σ².
    fn half_of_kept(&self, weights: &[Extended]) -> Option<Vec<Extended>> {
        let mut half: Vec<Extended> = Vec::with_capacity(self.kept.len());
        for (k, j) in self.kept.iter().enumerate() {
            let column = &self.columns[*j];
            half.push((weights[*j] - Extended::dot(&half, column)) / column[k]);
        }
        half.iter().all(|value| value.value().is_finite()).then_some(half)
    }

    /// As `half_of_kept`, if the weights of the dropped columns follow from those of the kept ones.
    fn half(&self, weights: &[Extended]) -> Option<Vec<Extended>> {
        let half = self.half_of_kept(weights)?;
        let scale = Extended::dot(&half, &half).sqrt().value();
        let follows = |j: usize| {
            let gap = (weights[j] - Extended::dot(&half, &self.columns[j])).value().abs();
            gap <= ESTIMABLE * (scale * self.lengths[j] + weights[j].value().abs())
        };
        (0..self.columns.len())
            .all(|j| self.kept.contains(&j) || follows(j))
            .then_some(half)
    }

    /// Gram–Schmidt over the columns in the order of the terms, in the space of R.
    fn sequential(&self, terms: &[Vec<usize>]) -> Vec<TermSquares> {
        let mut basis: Vec<Vec<Extended>> = Vec::new();
        let mut rest = self.y.clone();
        terms
            .iter()
            .map(|term| {
                let mut squares = TermSquares {
                    sum_of_squares: 0.0,
                    df: 0,
                };
                for j in term.iter().filter(|j| **j < self.columns.len()) {
                    let mut column = self.columns[*j].clone();
                    for _ in 0..2 {
                        for q in &basis {
                            take_out(q, &mut column);
                        }
                    }
                    let left = Extended::dot(&column, &column).sqrt();
                    if basis.len() == self.kept.len() || left.value() <= self.tolerance * self.lengths[*j] {
                        continue;
                    }
                    for value in &mut column {
                        *value = *value / left;
                    }
                    let along = take_out(&column, &mut rest).value();
                    squares.sum_of_squares += along * along;
                    squares.df += 1;
                    basis.push(column);
                }
                squares
            })
            .collect()
    }
}

/// Takes the mean out of the values and returns it.
fn centre(values: &mut [Extended]) -> Extended {
    let total = values.iter().fold(Extended::ZERO, |total, value| total + *value);
    let mean = total / Extended::from(values.len() as f64);
    for value in values {
        *value = *value - mean;
    }
    mean
}

fn round(values: &[Extended]) -> Vec<f64> {
    values.iter().map(|value| value.value()).collect()
}

/// Takes the part along the unit vector `q` out of `column` and returns its length.
fn take_out(q: &[Extended], column: &mut [Extended]) -> Extended {
    let along = Extended::dot(q, column);
    for (value, q) in column.iter_mut().zip(q) {
        *value = *value - along * *q;
    }
    along
}

/// R of all columns, Qᵀy, residuals and leverages, by modified Gram–Schmidt in extended precision over the kept columns.
fn gram_schmidt(
    columns: &[Vec<Extended>],
    y: &[Extended],
    kept: &[usize],
) -> (Vec<Vec<Extended>>, Vec<Extended>, Vec<f64>, Vec<f64>) {
    let mut left = columns.to_vec();
    let mut rest = y.to_vec();
    let mut reduced = vec![Vec::with_capacity(kept.len()); columns.len()];
    let mut along = Vec::with_capacity(kept.len());
    let mut leverages = vec![0.0; y.len()];
    for (k, j) in kept.iter().enumerate() {
        let length = Extended::dot(&left[*j], &left[*j]).sqrt();
        let q: Vec<Extended> = left[*j].iter().map(|value| *value / length).collect();
        for (leverage, value) in leverages.iter_mut().zip(&q) {
            *leverage += value.value() * value.value();
        }
        for (i, column) in left.iter_mut().enumerate() {
            let placed = kept[..k].contains(&i);
            reduced[i].push(if placed { Extended::ZERO } else { take_out(&q, column) });
        }
        along.push(take_out(&q, &mut rest));
    }
    (reduced, along, round(&rest), leverages)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() <= 1e-13 * (1.0 + want.abs()), "{got} against {want}");
    }

    /// Closed form, by hand: y = 1, 3, 2, 6 on x = 0 to 3 gives 0.9 + 1.4 x, rss 4.2, s² 2.1.
    #[test]
    fn a_straight_line() {
        let x = Matrix::from_columns(&[vec![0.0, 1.0, 2.0, 3.0]]);
        let fit = fit(&[1.0, 3.0, 2.0, 6.0], &x, true).unwrap();
        let (intercept, slope) = (fit.intercept.unwrap(), fit.coefficients[0].unwrap());
        close(intercept.estimate, 0.9);
        close(intercept.standard_error.unwrap(), (2.1_f64 * 0.7).sqrt());
        close(slope.estimate, 1.4);
        close(slope.standard_error.unwrap(), (2.1_f64 * 0.2).sqrt());
        close(fit.ss_residual, 4.2);
        close(fit.ss_total, 14.0);
        close(fit.ss_model, 9.8);
        close(fit.r_squared().unwrap(), 0.7);
        close(fit.whole_model().unwrap().0, 9.8 / 2.1);
        assert_eq!((fit.df_model, fit.df_residual), (1, 2));
        for (got, want) in fit.leverages.iter().zip([0.7, 0.3, 0.3, 0.7]) {
            close(*got, want);
        }
        let at_mean = fit.combination(1.0, &[1.5]).unwrap();
        close(at_mean.estimate, 3.0);
        close(at_mean.standard_error.unwrap(), (2.1_f64 / 4.0).sqrt());
    }

    /// Closed form, by hand: an unbalanced pair of ±1 factors. Group means 1, 2, 5 of the cells (−,−), (+,−), (−,+) and
    /// two runs in the first: A after nothing, B after A, and each after the other.
    #[test]
    fn sequential_and_partial_differ_when_unbalanced() {
        let a = vec![-1.0, -1.0, 1.0, -1.0];
        let b = vec![-1.0, -1.0, -1.0, 1.0];
        let y = [0.0, 2.0, 2.0, 5.0];
        let fit = fit(&y, &Matrix::from_columns(&[a, b]), true).unwrap();
        let terms = [vec![0], vec![1]];
        let sequential = fit.sequential(&terms);
        // A alone: means 7/3 (three runs) and 2: (1/3)² · 3/4
        close(sequential[0].sum_of_squares, 1.0 / 12.0);
        close(fit.ss_residual, 2.0);
        let partial = fit.partial(&terms);
        close(partial[0].sum_of_squares, 2.0 / 3.0); // 1² · 2 · 1/3
        close(partial[1].sum_of_squares, 32.0 / 3.0); // 4² · 2/3
        close(sequential[1].sum_of_squares, 32.0 / 3.0);
        close(
            sequential[0].sum_of_squares + sequential[1].sum_of_squares,
            fit.ss_model,
        );
    }

    /// Closed form: three indicator columns beside an intercept have rank 2; differences are estimable, single
    /// levels are not.
    #[test]
    fn a_combination_that_is_not_estimable_has_no_value() {
        let level = |k: usize| (0..6).map(|i| f64::from(u8::from(i / 2 == k))).collect::<Vec<f64>>();
        let fit = fit(
            &[1.0, 3.0, 4.0, 6.0, 9.0, 11.0],
            &Matrix::from_columns(&[level(0), level(1), level(2)]),
            true,
        )
        .unwrap();
        assert_eq!((fit.df_model, fit.df_residual), (2, 3));
        let difference = fit.combination(0.0, &[-1.0, 0.0, 1.0]).unwrap();
        close(difference.estimate, 8.0);
        close(difference.standard_error.unwrap(), 2f64.sqrt());
        close(fit.combination(1.0, &[0.0, 0.0, 1.0]).unwrap().estimate, 10.0);
        assert_eq!(fit.combination(0.0, &[0.0, 0.0, 1.0]), None);
        assert_eq!(fit.partial(&[vec![0, 1, 2]])[0].df, 2);
        assert_eq!(fit.partial(&[vec![2]])[0].df, 0);
    }

    /// Closed form: the mean alone, and a model that leaves no residual degrees of freedom.
    #[test]
    fn the_edges() {
        let mean = fit(&[1.0, 2.0, 6.0], &Matrix::zeros(3, 0), true).unwrap();
        close(mean.intercept.unwrap().estimate, 3.0);
        close(mean.intercept.unwrap().standard_error.unwrap(), (7.0_f64 / 3.0).sqrt());
        let full = fit(&[1.0, 2.0], &Matrix::from_columns(&[vec![0.0, 1.0]]), true).unwrap();
        assert_eq!(
            (full.df_residual, full.residual_sd(), full.whole_model()),
            (0, None, None)
        );
        close(full.coefficients[0].unwrap().estimate, 1.0);
        assert_eq!(full.coefficients[0].unwrap().standard_error, None);
        assert_eq!(fit(&[], &Matrix::zeros(0, 0), true).unwrap_err(), LinearError::NoRows);
        assert_eq!(
            fit(&[1.0], &Matrix::zeros(2, 1), true).unwrap_err(),
            LinearError::Lengths { y: 1, x: 2 }
        );
        assert_eq!(
            fit(&[1.0, f64::NAN], &Matrix::zeros(2, 1), true).unwrap_err(),
            LinearError::NotFinite { row: 1 }
        );
    }
}
