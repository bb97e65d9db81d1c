//! Least squares for one response: coefficients, standard errors, sums of squares of terms, leverages.
//!
//! In:  y (n) and the columns X (n × p), all finite, any rank; whether the model has an intercept. Or y, the setting of each
//!      row and the columns of each setting: rows of one setting are summed up first, which costs one look at each.
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
//! Very many rows whose columns keep more than that tenth go through the sums of products `XᵀX` and one correction from the
//! residuals, which gives back the digits that the products cost. Rows of one setting: least squares of the setting's mean
//! with its number of rows as weight; what the rows differ by within settings joins the residual sum of squares.
//! Never here: coding of factors, strata, missing values.
//! Reference values: the NIST linear regression sets, `tests/stats.rs`.

use super::cross_products::{Products, about_mean};
use crate::numeric::distribution::f_upper;
use crate::numeric::{Cholesky, Extended, Matrix, Qr, sum};

/// A column keeps at least this share of its length, or the problem is solved in extended precision.
const WELL_CONDITIONED: f64 = 0.1;

/// Up to this many products (rows × columns²) extended precision is taken in any case: it costs some milliseconds at most.
const SMALL: usize = 50_000;

/// Rows looked at together.
const BLOCK: usize = 2048;

/// From this many products on the sums of products are tried first.
const MANY: usize = 20_000_000;

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
    /// The setting of this row (from 0) is none of those given.
    Setting {
        /// The row, from 0.
        row: usize,
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

/// What rows of one setting differ by: pure error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Within {
    /// Sum of squares about the means of the settings, in the square of the unit of y.
    pub sum_of_squares: f64,
    /// Degrees of freedom: rows less settings that have any.
    pub df: usize,
}

/// A least-squares fit.
#[derive(Debug, Clone)]
pub struct LinearFit {
    /// Number of rows n, those of all settings together.
    pub n: usize,
    /// Degrees of freedom of the model: rank of the columns beside the intercept.
    pub df_model: usize,
    /// Residual degrees of freedom.
    pub df_residual: usize,
    /// The intercept, at 0 of every column; `None` without one.
    pub intercept: Option<Estimate>,
    /// One a column of X; `None` for a dropped column.
    pub coefficients: Vec<Option<Estimate>>,
    /// Fitted values, one a row or setting, in the unit of y.
    pub fitted: Vec<f64>,
    /// Residuals, one a row, or of the mean of each setting, in the unit of y.
    pub residuals: Vec<f64>,
    /// What the rows of one setting differ by, where the fit is of settings.
    pub within: Option<Within>,
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
    if y.len() == x.rows()
        && y.len() * (x.cols() + 1) * (x.cols() + 1) >= MANY
        && let Some(fit) = by_products(y, x, intercept)
    {
        return Ok(fit);
    }
    let columns = x
        .columns()
        .map(|column| column.iter().map(|value| (*value).into()).collect())
        .collect();
    fit_extended(
        y,
        columns,
        x.cols() > 0 && x.rows() != y.len(),
        x.rows(),
        None,
        intercept,
    )
}

/// Fits rows of which many share a setting: `setting[i]` is the row of `x` (settings × p) that belongs to `y[i]`.
///
/// # Errors
///
/// As [`fit`]; `Setting` for a row whose setting is none of those of `x`.
pub fn fit_settings(y: &[f64], setting: &[u32], x: &Matrix, intercept: bool) -> Result<LinearFit, LinearError> {
    if setting.len() != y.len() {
        return Err(LinearError::Lengths {
            y: y.len(),
            x: setting.len(),
        });
    }
    let collapsed = Collapsed::new(y, setting, x.rows())?;
    // Settings without rows say nothing.
    let used: Vec<usize> = (0..x.rows()).filter(|&s| collapsed.counts[s] > 0.0).collect();
    let pick = |of: &[f64]| -> Vec<f64> { used.iter().map(|&s| of[s]).collect() };
    let columns = x
        .columns()
        .map(|column| used.iter().map(|&s| column[s].into()).collect())
        .collect();
    let repeated = Repeated {
        rows: y.len(),
        counts: pick(&collapsed.counts),
        within: collapsed.within,
    };
    let mut fit = fit_extended(
        &pick(&collapsed.means),
        columns,
        false,
        used.len(),
        Some(&repeated),
        intercept,
    )?;
    if used.len() < x.rows() {
        let mut place = vec![f64::NAN; x.rows()];
        for own in [&mut fit.fitted, &mut fit.residuals] {
            for (&s, value) in used.iter().zip(own.iter()) {
                place[s] = *value;
            }
            own.clone_from(&place);
        }
    }
    Ok(fit)
}

/// Rows summed up by setting.
struct Collapsed {
    counts: Vec<f64>,
    means: Vec<f64>,
    within: f64,
}

impl Collapsed {
    /// Two looks at each row: means first, then departures, whose sum corrects both (Chan, Golub and `LeVeque` 1983, Am. Stat.
    /// 37:242, from memory).
    fn new(y: &[f64], setting: &[u32], settings: usize) -> Result<Self, LinearError> {
        let reference = y.first().copied().unwrap_or(0.0);
        let mut totals = vec![[0.0_f64; 2]; settings];
        for (row, (value, &s)) in y.iter().zip(setting).enumerate() {
            let own = totals.get_mut(s as usize).ok_or(LinearError::Setting { row })?;
            own[0] += 1.0;
            own[1] += value - reference;
        }
        let mut means: Vec<f64> = totals
            .iter()
            .map(|[count, total]| reference + total / count.max(1.0))
            .collect();
        let mut departures = vec![[0.0_f64; 2]; settings];
        for (value, &s) in y.iter().zip(setting) {
            let off = value - means[s as usize];
            let own = &mut departures[s as usize];
            own[0] += off;
            own[1] += off * off;
        }
        let mut within = 0.0;
        for ((mean, [count, _]), [off, squares]) in means.iter_mut().zip(&totals).zip(&departures) {
            let count = count.max(1.0);
            *mean += off / count;
            within += squares - off * off / count;
        }
        if !within.is_finite() || means.iter().any(|mean| !(mean.abs() <= LARGEST)) {
            let unsound = |value: &f64| !(value.abs() <= LARGEST);
            return Err(LinearError::NotFinite {
                row: y.iter().position(unsound).unwrap_or(0),
            });
        }
        Ok(Self {
            counts: totals.iter().map(|[count, _]| *count).collect(),
            means,
            within,
        })
    }
}

/// What the rows of a problem stand for, where each is the mean of several.
struct Repeated {
    /// Number of all rows.
    rows: usize,
    counts: Vec<f64>,
    /// Sum of squares about the means.
    within: f64,
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
    fit_extended(y, columns, x.len() != y.len(), x.len(), None, intercept)
}

fn fit_extended(
    y: &[f64],
    mut columns: Vec<Vec<Extended>>,
    lengths_differ: bool,
    x_rows: usize,
    repeated: Option<&Repeated>,
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
    let counts = repeated.map(|repeated| repeated.counts.as_slice());
    let all = repeated.map_or(n, |repeated| repeated.rows);
    let mut response: Vec<Extended> = y.iter().map(|value| (*value).into()).collect();
    let mut y_mean = Extended::ZERO;
    let mut column_means = vec![Extended::ZERO; p];
    if intercept {
        y_mean = centre(&mut response, counts);
        for (mean, column) in column_means.iter_mut().zip(&mut columns) {
            *mean = centre(column, counts);
        }
    }
    let roots: Option<Vec<Extended>> = counts.map(|c| c.iter().map(|&count| Extended::from(count).sqrt()).collect());
    if let Some(roots) = &roots {
        for column in columns.iter_mut().chain([&mut response]) {
            column
                .iter_mut()
                .zip(roots)
                .for_each(|(value, root)| *value = *value * *root);
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
    let (reduced_columns, reduced_y, mut residuals) = if small || least < WELL_CONDITIONED {
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
        (reduced, along, residuals)
    };
    if sum::sum_of_squares(&residuals).sqrt() <= EXACT * sum::sum_of_squares(y).sqrt() {
        residuals.fill(0.0);
    }
    let within = repeated.map(|repeated| Within {
        sum_of_squares: repeated.within,
        df: all - n,
    });
    let extra = within.map_or(0.0, |within| within.sum_of_squares);
    let ss_residual = sum::sum_of_squares(&residuals) + extra;
    let ss_total = Extended::dot(&response, &response).value() + extra;
    if let Some(counts) = counts {
        residuals
            .iter_mut()
            .zip(counts)
            .for_each(|(r, count)| *r /= count.sqrt());
    }
    let reduced = Reduced {
        columns: reduced_columns,
        y: reduced_y,
        kept,
        lengths,
        tolerance,
    };
    let sums = Sums {
        n: all,
        ss_total,
        ss_residual,
        y_mean,
        column_means,
    };
    Ok(finish(y, residuals, within, sums, reduced, intercept))
}

/// What is summed over all rows.
struct Sums {
    n: usize,
    ss_total: f64,
    ss_residual: f64,
    y_mean: Extended,
    column_means: Vec<Extended>,
}

fn finish(
    y: &[f64],
    residuals: Vec<f64>,
    within: Option<Within>,
    sums: Sums,
    reduced: Reduced,
    intercept: bool,
) -> LinearFit {
    let (n, p) = (sums.n, reduced.columns.len());
    let df_model = reduced.kept.len();
    let mut fit = LinearFit {
        n,
        df_model,
        df_residual: n - df_model - usize::from(intercept && n > df_model),
        intercept: None,
        coefficients: vec![None; p],
        fitted: y.iter().zip(&residuals).map(|(y, residual)| y - residual).collect(),
        residuals,
        within,
        ss_total: sums.ss_total,
        ss_model: Extended::dot(&reduced.y, &reduced.y).value(),
        ss_residual: sums.ss_residual,
        intercept_kept: intercept,
        y_mean: sums.y_mean,
        column_means: sums.column_means,
        reduced,
    };
    fit.coefficients = fit.reduced.coefficients(fit.residual_sd());
    if intercept {
        fit.intercept = fit.combination(1.0, &vec![0.0; p]);
    }
    fit
}

/// The fit from sums of products; `None` where columns are too close for it, or a value is not finite.
fn by_products(y: &[f64], x: &Matrix, intercept: bool) -> Option<LinearFit> {
    let (n, p) = (y.len(), x.cols());
    let columns: Vec<&[f64]> = x.columns().collect();
    let with_y: Vec<&[f64]> = columns.iter().copied().chain([y]).collect();
    let products = Products::new(&with_y, intercept);
    let at = |i: usize, j: usize| products.sums[i * (p + 1) + j];
    // A square that overflowed, or a value that is none.
    if !(0..=p).all(|j| at(j, j) < f64::MAX.sqrt()) {
        return None;
    }
    let mut square = Matrix::zeros(p, p);
    for i in 0..p {
        for j in 0..=i {
            square[(i, j)] = at(i, j);
            square[(j, i)] = at(i, j);
        }
    }
    let cholesky = Cholesky::new(&square).ok()?;
    let lower = cholesky.lower();
    let lengths: Vec<f64> = (0..p).map(|j| at(j, j).sqrt()).collect();
    if (0..p).any(|j| !(lower[(j, j)] >= WELL_CONDITIONED * lengths[j])) {
        return None;
    }
    let mut along: Vec<f64> = (0..p).map(|j| at(p, j)).collect();
    cholesky.solve_lower(&mut along);
    let mut coefficients = along.clone();
    back(lower, &mut coefficients);
    let y_mean = products.means[p];
    let mut residuals: Vec<f64> = y.iter().map(|value| value - y_mean).collect();
    // What rounding left along the columns. Block by block, so that each number is fetched once for both.
    let mut missed = vec![0.0; p];
    for (block, own) in residuals.chunks_mut(BLOCK).enumerate() {
        let rows = block * BLOCK..block * BLOCK + own.len();
        for ((column, mean), b) in columns.iter().zip(&products.means).zip(&coefficients) {
            let column = &column[rows.clone()];
            own.iter_mut().zip(column).for_each(|(r, x)| *r -= (x - mean) * b);
        }
        for ((missed, column), mean) in missed.iter_mut().zip(&columns).zip(&products.means) {
            let column = &column[rows.clone()];
            *missed += about_mean(column, *mean, own);
        }
    }
    cholesky.solve_lower(&mut missed);
    along.iter_mut().zip(&missed).for_each(|(z, more)| *z += more);
    let ss_residual = sum::sum_of_squares(&residuals) - sum::sum_of_squares(&missed);
    let reduced = Reduced {
        columns: (0..p)
            .map(|j| {
                (0..p)
                    .map(|i| if i <= j { lower[(j, i)].into() } else { Extended::ZERO })
                    .collect()
            })
            .collect(),
        y: along.into_iter().map(Extended::from).collect(),
        kept: (0..p).collect(),
        lengths,
        tolerance: n.max(p) as f64 * f64::EPSILON,
    };
    let sums = Sums {
        n,
        ss_total: at(p, p),
        ss_residual: ss_residual.max(0.0),
        y_mean: y_mean.into(),
        column_means: products.means[..p].iter().map(|mean| (*mean).into()).collect(),
    };
    Some(finish(y, residuals, None, sums, reduced, intercept))
}

/// Solves Lᵀx = z in place.
fn back(lower: &Matrix, z: &mut [f64]) {
    for i in (0..z.len()).rev() {
        let beyond: f64 = (i + 1..z.len()).map(|k| lower[(k, i)] * z[k]).sum();
        z[i] = (z[i] - beyond) / lower[(i, i)];
    }
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
        let half = self.half(intercept, weights)?;
        let estimate = Extended::from(intercept) * self.y_mean + Extended::dot(&half, &self.reduced.y);
        let variance = Extended::dot(&half, &half).value() + intercept * intercept / self.n as f64;
        Some(Estimate {
            estimate: estimate.value(),
            standard_error: self.residual_sd().map(|sd| sd * variance.sqrt()),
        })
    }

    /// Leverages of rows, 0 to 1; those of a model's own rows sum to its rank, intercept included.
    ///
    /// `x` holds the columns of the model at these rows: those it was fitted to, or others. `None` for a wrong number of
    /// columns, or a row at which the model has no value.
    pub fn leverages(&self, x: &Matrix) -> Option<Vec<f64>> {
        if x.cols() != self.coefficients.len() {
            return None;
        }
        let own = if self.intercept_kept { 1.0 / self.n as f64 } else { 0.0 };
        (0..x.rows())
            .map(|row| {
                let centred: Vec<Extended> = (0..x.cols())
                    .map(|j| Extended::from(x[(row, j)]) - self.column_means[j])
                    .collect();
                let half = self.reduced.half(&centred)?;
                Some(Extended::dot(&half, &half).value() + own)
            })
            .collect()
    }

    /// Covariance of two combinations, each as in [`LinearFit::combination`]; `None` without residual degrees of freedom, or
    /// where one is not estimable.
    pub fn covariance(&self, a: (f64, &[f64]), b: (f64, &[f64])) -> Option<f64> {
        let shared = Extended::dot(&self.half(a.0, a.1)?, &self.half(b.0, b.1)?).value();
        Some(self.ms_residual()? * (shared + a.0 * b.0 / self.n as f64))
    }

    /// The combination in the space of R.
    fn half(&self, intercept: f64, weights: &[f64]) -> Option<Vec<Extended>> {
        if weights.len() != self.coefficients.len() || (!self.intercept_kept && intercept != 0.0) {
            return None;
        }
        // in the centred columns: w₀ ȳ + Σ (wⱼ − w₀ x̄ⱼ) βⱼ
        let centred: Vec<Extended> = weights
            .iter()
            .zip(&self.column_means)
            .map(|(weight, mean)| Extended::from(*weight) - Extended::from(intercept) * *mean)
            .collect();
        self.reduced.half(&centred)
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

/// Takes the mean out of the values, each counted so often, and returns it.
fn centre(values: &mut [Extended], counts: Option<&[f64]>) -> Extended {
    let mut total = Extended::ZERO;
    for (place, value) in values.iter().enumerate() {
        total = total + counts.map_or(*value, |counts| *value * Extended::from(counts[place]));
    }
    let rows = counts.map_or(values.len() as f64, |counts| counts.iter().sum());
    let mean = total / Extended::from(rows);
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

/// R of all columns, Qᵀy and residuals, by modified Gram–Schmidt in extended precision over the kept columns.
fn gram_schmidt(
    columns: &[Vec<Extended>],
    y: &[Extended],
    kept: &[usize],
) -> (Vec<Vec<Extended>>, Vec<Extended>, Vec<f64>) {
    let mut left = columns.to_vec();
    let mut rest = y.to_vec();
    let mut reduced = vec![Vec::with_capacity(kept.len()); columns.len()];
    let mut along = Vec::with_capacity(kept.len());
    for (k, j) in kept.iter().enumerate() {
        let length = Extended::dot(&left[*j], &left[*j]).sqrt();
        let q: Vec<Extended> = left[*j].iter().map(|value| *value / length).collect();
        for (i, column) in left.iter_mut().enumerate() {
            let placed = kept[..k].contains(&i);
            reduced[i].push(if placed { Extended::ZERO } else { take_out(&q, column) });
        }
        along.push(take_out(&q, &mut rest));
    }
    (reduced, along, round(&rest))
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
        for (got, want) in fit.leverages(&x).unwrap().into_iter().zip([0.7, 0.3, 0.3, 0.7]) {
            close(got, want);
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

    /// Independent: rows with a setting are the same rows with their columns; a setting without rows says nothing.
    #[test]
    fn settings_are_their_rows() {
        let setting = [0_u32, 1, 0, 3, 4, 1, 3, 4, 4, 0];
        let y = [5.1, 6.0, 4.7, 9.2, 8.8, 6.4, 9.9, 8.1, 8.3, 5.5].map(|v| 1000.0 + v);
        let settings = Matrix::from_columns(&[vec![-1.0, 1.0, 7.0, -1.0, 1.0], vec![-1.0, -1.0, 7.0, 1.0, 1.0]]);
        let long: Vec<Vec<f64>> = settings
            .columns()
            .map(|column| setting.iter().map(|&s| column[s as usize]).collect())
            .collect();
        let covariance = |fit: &LinearFit| fit.covariance((0.0, &[1.0, 0.0]), (0.0, &[0.0, 1.0])).unwrap();
        for intercept in [true, false] {
            let whole = fit(&y, &Matrix::from_columns(&long), intercept).unwrap();
            let short = fit_settings(&y, &setting, &settings, intercept).unwrap();
            assert_eq!((whole.n, whole.df_residual), (short.n, short.df_residual));
            for (a, b) in [
                (whole.ss_total, short.ss_total),
                (whole.ss_model, short.ss_model),
                (whole.ss_residual, short.ss_residual),
                (covariance(&whole), covariance(&short)),
            ] {
                assert!((a - b).abs() <= 1e-12 * (1.0 + a.abs()), "{a} {b}");
            }
            for (a, b) in whole.coefficients.iter().zip(&short.coefficients) {
                let (a, b) = (a.unwrap(), b.unwrap());
                close(b.estimate, a.estimate);
                close(b.standard_error.unwrap(), a.standard_error.unwrap());
            }
            for (row, &s) in setting.iter().enumerate() {
                close(short.fitted[s as usize], whole.fitted[row]);
            }
            assert!(short.fitted[2].is_nan());
            let within = short.within.unwrap();
            assert_eq!(within.df, 6);
            // By hand: 0.32 + 0.08 + 0.245 + 0.26
            close(within.sum_of_squares, 0.905);
        }
        assert_eq!(
            fit_settings(&y, &[9; 10], &settings, true).unwrap_err(),
            LinearError::Setting { row: 0 }
        );
    }

    /// Independent: the sums of products give what the reflections give, to 12 digits.
    #[test]
    fn many_rows_by_products() {
        let n = 4_000;
        let wave = |i: usize, k: usize| ((i * (7 * k + 3) + k * i * i) % 101) as f64 / 10.0 + k as f64 * 1e3;
        let columns: Vec<Vec<f64>> = (0..5).map(|k| (0..n).map(|i| wave(i, k)).collect()).collect();
        let y: Vec<f64> = (0..n)
            .map(|i| 5e4 + wave(i, 1) - 0.5 * wave(i, 3) + wave(i, 9))
            .collect();
        let x = Matrix::from_columns(&columns);
        for intercept in [true, false] {
            let Some(fast) = by_products(&y, &x, intercept) else {
                // About 0 columns so far from it are as good as parallel, and left to the reflections.
                assert!(!intercept);
                continue;
            };
            let slow = fit(&y, &x, intercept).unwrap();
            for (a, b) in fast.coefficients.iter().zip(&slow.coefficients) {
                let (a, b) = (a.unwrap(), b.unwrap());
                assert!((a.estimate - b.estimate).abs() < 1e-12 * (1.0 + b.estimate.abs()));
                assert!((a.standard_error.unwrap() / b.standard_error.unwrap() - 1.0).abs() < 1e-12);
            }
            assert!((fast.ss_residual / slow.ss_residual - 1.0).abs() < 1e-12);
            assert!((fast.intercept.unwrap().estimate / slow.intercept.unwrap().estimate - 1.0).abs() < 1e-12);
        }
        let twice = Matrix::from_columns(&[columns[0].clone(), columns[0].clone()]);
        assert!(by_products(&y, &twice, true).is_none());
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
