//! Sets of runs that estimate a declared model as well as can be: D- and I-optimal sets by exchange.
//!
//! In:  for each factor the number of its levels and what each level puts into its columns, the effects of the model,
//!      which combinations are forbidden, rows that must be there, how many rows in all.
//! Out: the rows, with the determinant and the variances they reach.
//!
//! | name        | symbol | shape | meaning                                                              |
//! |-------------|--------|-------|----------------------------------------------------------------------|
//! | columns     | f(x)   | p     | the model at a combination x, intercept first                        |
//! | information | M      | p × p | Σ f(x) f(x)ᵀ over the rows                                            |
//! | region      | B      | p × p | mean of f(x) f(x)ᵀ over the combinations allowed                      |
//! | D criterion | ln|M|  |       | large: small joint confidence region of the coefficients             |
//! | I criterion | tr(M⁻¹B) |     | small: small mean variance of what is predicted over the region      |
//!
//! Method: from random rows, each coordinate of each row in turn is exchanged for the level that helps most (Meyer and
//! Nachtsheim 1995, Technometrics 37:60); when none helps, each row is exchanged for the combination that helps most
//! (Fedorov 1972, Theory of Optimal Experiments), as long as the combinations allowed are few enough to be listed. An
//! exchange of x for y multiplies |M| by (1 + d(y,y))(1 − d(x,x)) + d(x,y)², d(a,b) = f(a)ᵀM⁻¹f(b). Many starts; the best
//! is kept, of equal ones the first.
//!
//! Start k draws from the stream named `wellrun optimal 1`, LF, `start k`, LF: the set depends on what is declared of
//! factors, model and constraints, and on nothing else. Candidates are visited in order of their levels, so that no
//! order in a file matters.
//! Never here: names, protocols.

use rayon::prelude::*;

use super::cholesky::Cholesky;
use super::matrix::Matrix;
use super::stream::Stream;

/// Most combinations that are listed.
pub const LISTED: usize = 20_000;
/// Most combinations that a row is exchanged for as a whole.
const POINTS: usize = 3_000;
/// An exchange must help by more than this share.
const GAIN: f64 = 1e-7;
/// Weight of a unit matrix that keeps the first rows of a start from being singular.
const RIDGE: f64 = 1e-4;
/// Sweeps after which a start stops in any case.
const SWEEPS: usize = 60;

/// What a set is to be good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Criterion {
    /// Coefficients.
    D,
    /// Predictions over the region.
    I,
}

/// A problem.
#[derive(Debug, Clone)]
pub struct Problem {
    /// For each factor and level the values of its columns; every level of a factor has equally many.
    pub columns: Vec<Vec<Vec<f64>>>,
    /// For each effect its factors, and for each of them how many of its columns take part (the first ones).
    pub effects: Vec<Vec<(usize, usize)>>,
    /// Combinations that must not occur: each a list of (factor, level) that must not come together.
    pub forbidden: Vec<Vec<(usize, usize)>>,
    /// Rows of the set that are given.
    pub forced: Vec<Vec<usize>>,
    /// Rows that were run already: they count, but are not part of the set.
    pub already: Vec<Vec<usize>>,
    /// Rows of the set, the forced ones among them.
    pub rows: usize,
    /// What it is to be good for.
    pub criterion: Criterion,
    /// Number of starts.
    pub starts: usize,
}

/// A set found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The rows: the forced ones first, as given, then the others in order of their levels.
    pub rows: Vec<Vec<usize>>,
    /// ln|M|, with the rows that were run already.
    pub ln_determinant: f64,
    /// tr(M⁻¹B).
    pub mean_variance: f64,
    /// Diagonal of M⁻¹, in the order of the columns.
    pub variances: Vec<f64>,
    /// The start that gave it.
    pub start: usize,
    /// How many starts came within 10⁻⁶ of it.
    pub as_good: usize,
}

/// Why there is no set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoSet {
    /// Everything is forbidden.
    NothingAllowed,
    /// Fewer rows than columns, or fewer than forced ones; the number needed.
    TooFewRows(usize),
    /// The combinations allowed cannot tell all columns apart.
    Dependent,
}

impl Problem {
    /// Number of columns of the model, the intercept with them.
    #[must_use]
    pub fn parameters(&self) -> usize {
        let each = |effect: &Vec<(usize, usize)>| effect.iter().map(|(_, columns)| columns).product::<usize>();
        1 + self.effects.iter().map(each).sum::<usize>()
    }

    /// The model at a combination.
    #[must_use]
    pub fn model(&self, row: &[usize]) -> Vec<f64> {
        let mut values = vec![1.0];
        for effect in &self.effects {
            let mut own = vec![1.0];
            for &(factor, count) in effect {
                let columns = &self.columns[factor][row[factor]][..count];
                own = own
                    .iter()
                    .flat_map(|value| columns.iter().map(move |column| value * column))
                    .collect();
            }
            values.extend(own);
        }
        values
    }

    /// Whether a combination is allowed.
    #[must_use]
    pub fn is_allowed(&self, row: &[usize]) -> bool {
        !self
            .forbidden
            .iter()
            .any(|together| together.iter().all(|&(factor, level)| row[factor] == level))
    }

    /// The combinations allowed, the last factor fastest; a fixed sample of them if there are too many to list.
    #[must_use]
    pub fn region(&self) -> Vec<Vec<usize>> {
        let levels: Vec<usize> = self.columns.iter().map(Vec::len).collect();
        let total = levels.iter().fold(1_usize, |product, &n| product.saturating_mul(n));
        if total <= LISTED {
            return (0..total)
                .map(|index| at(&levels, index))
                .filter(|row| self.is_allowed(row))
                .collect();
        }
        let mut stream = Stream::named("wellrun optimal 1\nregion\n");
        let mut rows: Vec<Vec<usize>> = (0..LISTED)
            .map(|_| random(&levels, &mut stream))
            .filter(|row| self.is_allowed(row))
            .collect();
        rows.sort();
        rows.dedup();
        rows
    }

    /// Looks for the best set.
    ///
    /// # Errors
    ///
    /// See [`NoSet`].
    pub fn solve(&self) -> Result<Found, NoSet> {
        let p = self.parameters();
        let region = self.region();
        if region.is_empty() {
            return Err(NoSet::NothingAllowed);
        }
        let needed = p.saturating_sub(self.already.len()).max(self.forced.len());
        if self.rows < needed {
            return Err(NoSet::TooFewRows(needed));
        }
        let models: Vec<Vec<f64>> = region.iter().map(|row| self.model(row)).collect();
        let mut moments = information(models.iter(), p);
        let share = 1.0 / models.len() as f64;
        for j in 0..p {
            moments.col_mut(j).iter_mut().for_each(|value| *value *= share);
        }
        let unknown = self
            .already
            .iter()
            .chain(&self.forced)
            .map(|row| self.model(row))
            .chain(models.iter().cloned());
        let all: Vec<Vec<f64>> = unknown.collect();
        if Cholesky::new(&information(all.iter(), p)).is_err() {
            return Err(NoSet::Dependent);
        }
        let levels: Vec<usize> = self.columns.iter().map(Vec::len).collect();
        let search = Search {
            problem: self,
            levels,
            region: &region,
            models: &models,
            moments: &moments,
        };
        let ends: Vec<Option<(f64, Vec<Vec<usize>>)>> = (0..self.starts.max(1))
            .into_par_iter()
            .map(|start| search.start(start))
            .collect();
        let best = ends
            .iter()
            .enumerate()
            .filter_map(|(start, end)| end.as_ref().map(|(value, rows)| (start, *value, rows)))
            .reduce(|best, next| if next.1 > best.1 { next } else { best });
        let Some((start, value, rows)) = best else {
            return Err(NoSet::Dependent);
        };
        let as_good = ends
            .iter()
            .flatten()
            .filter(|(other, _)| value - other <= 1e-6 * value.abs().max(1.0))
            .count();
        let mut rows = rows.clone();
        rows[self.forced.len()..].sort();
        let root = Cholesky::new(&search.of(&rows, 0.0)).map_err(|_| NoSet::Dependent)?;
        let inverse = root.inverse();
        Ok(Found {
            ln_determinant: root.ln_determinant(),
            mean_variance: trace(&inverse, &moments),
            variances: (0..p).map(|j| inverse[(j, j)]).collect(),
            rows,
            start,
            as_good,
        })
    }
}

/// The combination with a number, the last factor fastest.
fn at(levels: &[usize], mut index: usize) -> Vec<usize> {
    let mut row = vec![0; levels.len()];
    for (level, &count) in row.iter_mut().zip(levels).rev() {
        *level = index % count;
        index /= count;
    }
    row
}

fn random(levels: &[usize], stream: &mut Stream) -> Vec<usize> {
    levels
        .iter()
        .map(|&count| stream.below(count as u64) as usize)
        .collect()
}

/// Σ f fᵀ.
fn information<'a>(models: impl Iterator<Item = &'a Vec<f64>>, p: usize) -> Matrix {
    let mut m = Matrix::zeros(p, p);
    for model in models {
        for j in 0..p {
            for (value, other) in m.col_mut(j).iter_mut().zip(model) {
                *value += model[j] * other;
            }
        }
    }
    m
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn trace(a: &Matrix, b: &Matrix) -> f64 {
    (0..a.cols()).map(|j| dot(a.col(j), b.col(j))).sum()
}

/// A search with what all its starts share.
struct Search<'a> {
    problem: &'a Problem,
    levels: Vec<usize>,
    region: &'a [Vec<usize>],
    models: &'a [Vec<f64>],
    moments: &'a Matrix,
}

/// M⁻¹, and M⁻¹BM⁻¹ for the I criterion, of the rows as they are.
struct State {
    inverse: Matrix,
    weighted: Option<Matrix>,
    mean_variance: f64,
}

impl Search<'_> {
    /// Information of some rows and those run already, with a ridge.
    fn of(&self, rows: &[Vec<usize>], ridge: f64) -> Matrix {
        let models: Vec<Vec<f64>> = rows
            .iter()
            .chain(&self.problem.already)
            .map(|row| self.problem.model(row))
            .collect();
        let p = self.problem.parameters();
        let mut m = information(models.iter(), p);
        for j in 0..p {
            m[(j, j)] += ridge;
        }
        m
    }

    fn state(&self, rows: &[Vec<usize>], ridge: f64) -> Option<State> {
        let inverse = Cholesky::new(&self.of(rows, ridge)).ok()?.inverse();
        let weighted = (self.problem.criterion == Criterion::I).then(|| sandwich(&inverse, self.moments));
        let mean_variance = if weighted.is_some() {
            trace(&inverse, self.moments)
        } else {
            0.0
        };
        Some(State {
            inverse,
            weighted,
            mean_variance,
        })
    }

    /// One start: the criterion (larger is better) and the rows; `None` if it ends singular.
    fn start(&self, start: usize) -> Option<(f64, Vec<Vec<usize>>)> {
        let mut stream = Stream::named(&format!("wellrun optimal 1\nstart {start}\n"));
        let fixed = self.problem.forced.len();
        let mut rows = self.problem.forced.clone();
        while rows.len() < self.problem.rows {
            rows.push(self.region[stream.below(self.region.len() as u64) as usize].clone());
        }
        let mut order: Vec<usize> = (fixed..rows.len()).collect();
        for ridge in [RIDGE * rows.len() as f64, 0.0] {
            let Some(mut state) = self.state(&rows, ridge) else {
                break;
            };
            for _ in 0..SWEEPS {
                stream.shuffle(&mut order);
                let mut moved = false;
                for &row in &order {
                    moved |= self.coordinates(&mut rows, row, &mut state);
                }
                if !moved && self.region.len() <= POINTS {
                    moved = self.points(&mut rows, &order, &mut state);
                }
                // Updates of the inverse gather rounding; each sweep begins afresh.
                match self.state(&rows, ridge) {
                    Some(fresh) => state = fresh,
                    None => break,
                }
                if !moved {
                    break;
                }
            }
        }
        let root = Cholesky::new(&self.of(&rows, 0.0)).ok()?;
        let value = match self.problem.criterion {
            Criterion::D => root.ln_determinant(),
            Criterion::I => -trace(&root.inverse(), self.moments),
        };
        value.is_finite().then_some((value, rows))
    }

    /// Exchanges the levels of a row one after another.
    fn coordinates(&self, rows: &mut [Vec<usize>], index: usize, state: &mut State) -> bool {
        let mut moved = false;
        for factor in 0..self.levels.len() {
            let old = self.problem.model(&rows[index]);
            let leave = Leave::new(&old, state);
            let now = rows[index][factor];
            let mut best = (GAIN, now, Vec::new());
            let mut trial = rows[index].clone();
            for level in (0..self.levels[factor]).filter(|&level| level != now) {
                trial[factor] = level;
                if !self.problem.is_allowed(&trial) {
                    continue;
                }
                let new = self.problem.model(&trial);
                let gain = leave.gain(&new, state);
                if gain > best.0 {
                    best = (gain, level, new);
                }
            }
            if best.1 != now {
                rows[index][factor] = best.1;
                state.exchange(&old, &best.2);
                moved = true;
            }
        }
        moved
    }

    /// Exchanges each row as a whole. The products of every candidate with itself are kept up to date from one exchange to
    /// the next, so that a candidate costs p steps and not p².
    fn points(&self, rows: &mut [Vec<usize>], order: &[usize], state: &mut State) -> bool {
        let mut own: Vec<Own> = self.models.iter().map(|model| Own::new(model, state)).collect();
        let mut moved = false;
        for &index in order {
            let old = self.problem.model(&rows[index]);
            let leave = Leave::new(&old, state);
            let mut best: Option<(f64, usize)> = None;
            for (candidate, (new, own)) in self.models.iter().zip(&own).enumerate() {
                let gain = leave.gain_of(new, *own, state);
                if gain > best.map_or(GAIN, |(gain, _)| gain) {
                    best = Some((gain, candidate));
                }
            }
            let Some((_, candidate)) = best else { continue };
            rows[index].clone_from(&self.region[candidate]);
            let change = state.exchange(&old, &self.models[candidate]);
            for (model, own) in self.models.iter().zip(&mut own) {
                change.follow(model, own);
            }
            moved = true;
        }
        moved
    }
}

/// Products of a candidate with itself: d(x, x), and x'M⁻¹BM⁻¹x.
#[derive(Clone, Copy)]
struct Own {
    d: f64,
    w: f64,
}

impl Own {
    fn new(model: &[f64], state: &State) -> Self {
        Self {
            d: dot(&state.inverse.times(model), model),
            w: state
                .weighted
                .as_ref()
                .map_or(0.0, |weighted| dot(&weighted.times(model), model)),
        }
    }
}

/// What an exchange did to M⁻¹ and M⁻¹BM⁻¹.
struct Change {
    a: Vec<f64>,
    b: Vec<f64>,
    weighted: Option<(Vec<f64>, Vec<f64>)>,
    /// A⁻¹.
    inner: [f64; 3],
    /// A⁻¹WA⁻¹.
    outer: [f64; 3],
}

impl Change {
    /// Brings the products of a candidate up to date.
    fn follow(&self, model: &[f64], own: &mut Own) {
        let (a, b) = (dot(&self.a, model), dot(&self.b, model));
        let (ca, cb) = mix(self.inner, a, b);
        own.d -= a * ca + b * cb;
        if let Some((wa, wb)) = &self.weighted {
            let (wa, wb) = (dot(wa, model), dot(wb, model));
            let (va, vb) = mix(self.inner, wa, wb);
            let (ka, kb) = mix(self.outer, a, b);
            own.w += a * (ka - va) + b * (kb - vb) - wa * ca - wb * cb;
        }
    }
}

/// A symmetric 2 × 2 matrix times a pair.
fn mix(matrix: [f64; 3], first: f64, second: f64) -> (f64, f64) {
    (
        matrix[0] * first + matrix[1] * second,
        matrix[1] * first + matrix[2] * second,
    )
}

/// What the row that is to leave does, reckoned once.
struct Leave {
    /// M⁻¹ f(x).
    inverse: Vec<f64>,
    /// d(x, x).
    own: f64,
    /// M⁻¹BM⁻¹ f(x), and its product with f(x).
    weighted: Option<(Vec<f64>, f64)>,
}

impl Leave {
    fn new(old: &[f64], state: &State) -> Self {
        let inverse = state.inverse.times(old);
        Self {
            own: dot(&inverse, old),
            inverse,
            weighted: state.weighted.as_ref().map(|weighted| {
                let product = weighted.times(old);
                let own = dot(&product, old);
                (product, own)
            }),
        }
    }

    /// By which share the criterion gains when `new` comes in place of the row.
    fn gain(&self, new: &[f64], state: &State) -> f64 {
        self.gain_of(new, Own::new(new, state), state)
    }

    /// The same with the products of `new` with itself known.
    fn gain_of(&self, new: &[f64], own: Own, state: &State) -> f64 {
        let d_both = dot(&self.inverse, new);
        let factor = (1.0 + own.d) * (1.0 - self.own) + d_both * d_both;
        let Some((leaving, w_old)) = &self.weighted else {
            return factor - 1.0;
        };
        if factor <= 1e-12 {
            return 0.0;
        }
        let w_both = dot(leaving, new);
        // tr(M⁻¹B) falls by tr(A⁻¹ W), A the 2 × 2 matrix of the exchange with determinant −factor.
        let fall = ((self.own - 1.0) * own.w - 2.0 * d_both * w_both + (1.0 + own.d) * w_old) / -factor;
        fall / state.mean_variance
    }
}

impl State {
    /// Follows an exchange.
    fn exchange(&mut self, old: &[f64], new: &[f64]) -> Change {
        let (a, b) = (self.inverse.times(new), self.inverse.times(old));
        let (d_new, d_old, d_both) = (dot(&a, new), dot(&b, old), dot(&a, old));
        let factor = (1.0 + d_new) * (1.0 - d_old) + d_both * d_both;
        // A⁻¹ of A = [1 + d(y,y), d(x,y); d(x,y), d(x,x) − 1].
        let inner = [(d_old - 1.0) / -factor, -d_both / -factor, (1.0 + d_new) / -factor];
        let p = a.len();
        for j in 0..p {
            let (ca, cb) = mix(inner, a[j], b[j]);
            for (i, value) in self.inverse.col_mut(j).iter_mut().enumerate() {
                *value -= a[i] * ca + b[i] * cb;
            }
        }
        let mut outer = [0.0; 3];
        let before = self.weighted.as_ref().map(|w| (w.times(new), w.times(old)));
        if let (Some(weighted), Some((wa, wb))) = (&mut self.weighted, &before) {
            // (M⁻¹ − U A⁻¹ Uᵀ) B (M⁻¹ − U A⁻¹ Uᵀ), U = [a, b].
            let (w_new, w_old, w_both) = (dot(wa, new), dot(wb, old), dot(wa, old));
            self.mean_variance -= inner[0] * w_new + 2.0 * inner[1] * w_both + inner[2] * w_old;
            let (top, low) = (mix(inner, w_new, w_both), mix(inner, w_both, w_old));
            let (first, second) = (mix(inner, top.0, low.0), mix(inner, top.1, low.1));
            outer = [first.0, first.1, second.1];
            for j in 0..p {
                let (ca, cb) = mix(inner, a[j], b[j]);
                let (va, vb) = mix(inner, wa[j], wb[j]);
                let (ka, kb) = mix(outer, a[j], b[j]);
                for (i, value) in weighted.col_mut(j).iter_mut().enumerate() {
                    *value += a[i] * (ka - va) + b[i] * (kb - vb) - wa[i] * ca - wb[i] * cb;
                }
            }
        }
        Change {
            a,
            b,
            weighted: before,
            inner,
            outer,
        }
    }
}

/// M⁻¹ B M⁻¹.
fn sandwich(inverse: &Matrix, moments: &Matrix) -> Matrix {
    let p = inverse.cols();
    let columns: Vec<Vec<f64>> = (0..p).map(|j| inverse.times(&moments.times(inverse.col(j)))).collect();
    Matrix::from_columns(&columns)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Columns of a numeric factor with `levels` evenly spaced levels from −1 to 1: x, x², up to `power`.
    pub(super) fn numeric(levels: usize, power: i32) -> Vec<Vec<f64>> {
        (0..levels)
            .map(|level| {
                let x = -1.0 + 2.0 * level as f64 / (levels - 1) as f64;
                (1..=power).map(|k| x.powi(k)).collect()
            })
            .collect()
    }

    /// Full quadratic: x, x² of each factor, products of pairs.
    fn quadratic(factors: usize, rows: usize, criterion: Criterion, starts: usize) -> Problem {
        let mut effects: Vec<Vec<(usize, usize)>> = (0..factors).map(|f| vec![(f, 2)]).collect();
        for a in 0..factors {
            effects.extend((a + 1..factors).map(|b| vec![(a, 1), (b, 1)]));
        }
        Problem {
            columns: vec![numeric(3, 2); factors],
            effects,
            forbidden: Vec::new(),
            forced: Vec::new(),
            already: Vec::new(),
            rows,
            criterion,
            starts,
        }
    }

    /// Class: closed form. For main effects and pairs of two-level factors the full factorial is orthogonal, and no set has a
    /// larger determinant (Hadamard): |M| = Nᵖ.
    #[test]
    fn two_level_sets_reach_the_orthogonal_bound() {
        let mut problem = quadratic(3, 8, Criterion::D, 4);
        problem.columns = vec![numeric(2, 1); 3];
        problem.effects.iter_mut().flatten().for_each(|(_, count)| *count = 1);
        let found = problem.solve().unwrap();
        assert!((found.ln_determinant - 7.0 * 8_f64.ln()).abs() < 1e-10);
        let mut all = found.rows;
        all.dedup();
        assert_eq!(all.len(), 8);
    }

    /// Class: closed form, by listing. The best 6 of the 9 points of the quadratic in two factors, by trying all 6-subsets with
    /// repeats, and the same for predictions.
    #[test]
    fn small_sets_are_the_best_of_all() {
        for criterion in [Criterion::D, Criterion::I] {
            let problem = quadratic(2, 6, criterion, 12);
            let region = problem.region();
            let models: Vec<Vec<f64>> = region.iter().map(|row| problem.model(row)).collect();
            let moments = information(models.iter(), 6);
            let mut best = f64::NEG_INFINITY;
            let mut pick = [0; 6];
            loop {
                let m = information(pick.iter().map(|&i| &models[i]), 6);
                if let Ok(root) = Cholesky::new(&m) {
                    let value = match criterion {
                        Criterion::D => root.ln_determinant(),
                        Criterion::I => -trace(&root.inverse(), &moments) / 9.0,
                    };
                    best = best.max(value);
                }
                let Some(place) = (0..6).rev().find(|&i| pick[i] + 1 < 9) else {
                    break;
                };
                let next = pick[place] + 1;
                pick[place..].fill(next);
            }
            let found = problem.solve().unwrap();
            let value = match criterion {
                Criterion::D => found.ln_determinant,
                Criterion::I => -found.mean_variance,
            };
            assert!((value - best).abs() < 1e-9 * best.abs(), "{criterion:?} {value} {best}");
        }
    }

    /// Class: invariance. The same problem gives the same set on one thread; forced rows stay, forbidden ones never come, rows
    /// run already count.
    #[test]
    fn constraints_hold_and_threads_change_nothing() {
        let mut problem = quadratic(3, 14, Criterion::I, 4);
        problem.forbidden = vec![vec![(0, 2), (1, 2)], vec![(2, 0), (0, 0)]];
        problem.forced = vec![vec![1, 1, 1], vec![1, 1, 1]];
        let found = problem.solve().unwrap();
        assert!(found.rows.iter().all(|row| problem.is_allowed(row)));
        assert_eq!((found.rows.len(), &found.rows[..2]), (14, &problem.forced[..]));
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        assert_eq!(pool.install(|| problem.solve().unwrap()), found);
        let mut turned = problem.clone();
        turned.forbidden.reverse();
        turned.forbidden[0].reverse();
        assert_eq!(turned.solve().unwrap(), found);
        let mut more = problem.clone();
        more.already = found.rows.clone();
        more.forced.clear();
        more.rows = 3;
        let after = more.solve().unwrap();
        assert!(after.mean_variance < found.mean_variance && after.rows.len() == 3);
    }

    /// Class: closed form. Inverse, weighted inverse, mean variance and the products kept after an exchange are those of the new
    /// rows, and the gain foretold is the gain had.
    #[test]
    fn an_exchange_is_followed_in_full() {
        let problem = quadratic(2, 8, Criterion::I, 1);
        let region = problem.region();
        let models: Vec<Vec<f64>> = region.iter().map(|row| problem.model(row)).collect();
        let moments = information(models.iter(), 6);
        let search = Search {
            problem: &problem,
            levels: vec![3, 3],
            region: &region,
            models: &models,
            moments: &moments,
        };
        let mut rows: Vec<Vec<usize>> = region[..8].to_vec();
        let mut state = search.state(&rows, 0.0).unwrap();
        let before = state.mean_variance;
        let (old, new) = (models[3].clone(), models[8].clone());
        let gain = Leave::new(&old, &state).gain(&new, &state);
        let mut own: Vec<Own> = models.iter().map(|model| Own::new(model, &state)).collect();
        let change = state.exchange(&old, &new);
        rows[3].clone_from(&region[8]);
        let fresh = search.state(&rows, 0.0).unwrap();
        assert!((state.mean_variance - fresh.mean_variance).abs() < 1e-10 * before);
        assert!((gain - (before - fresh.mean_variance) / before).abs() < 1e-10);
        let (weighted, want) = (state.weighted.unwrap(), fresh.weighted.as_ref().unwrap());
        for j in 0..6 {
            for i in 0..6 {
                assert!((state.inverse[(i, j)] - fresh.inverse[(i, j)]).abs() < 1e-11);
                assert!((weighted[(i, j)] - want[(i, j)]).abs() < 1e-9 * before);
            }
        }
        for (model, own) in models.iter().zip(&mut own) {
            change.follow(model, own);
            let want = Own::new(model, &fresh);
            assert!((own.d - want.d).abs() < 1e-10 && (own.w - want.w).abs() < 1e-9 * before);
        }
    }

    #[test]
    fn what_cannot_be_is_said() {
        assert_eq!(quadratic(3, 9, Criterion::D, 1).solve(), Err(NoSet::TooFewRows(10)));
        let mut nothing = quadratic(2, 8, Criterion::D, 1);
        nothing.forbidden = vec![Vec::new()];
        assert_eq!(nothing.solve(), Err(NoSet::NothingAllowed));
        let mut dependent = quadratic(2, 8, Criterion::D, 1);
        dependent.forbidden = vec![vec![(0, 1)]];
        assert_eq!(dependent.solve(), Err(NoSet::Dependent));
    }
}
