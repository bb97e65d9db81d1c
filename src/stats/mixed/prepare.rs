//! Everything about a mixed model that does not depend on the responses, worked out once.
//!
//! In:  X (n × p), random terms, weights.
//! Out: `Prepared`, shared by all fits of the same layout; per response vector a `Response` of q + p + 1 sums.
//!
//! X is replaced by QR with W-orthonormal columns (equal rows are collapsed first), and y by its residual from the
//! weighted regression on X, so that neither the scale of a covariate nor the offset of the readings costs digits.
//! The columns of Z of one term, the one with most levels, form a diagonal block of Z'WZ; they are kept as one row
//! of sums a level and later eliminated analytically. The other columns (`rest`: Z of the other terms, then X) keep
//! a dense matrix of sums.
//!
//! Never here: variances, likelihoods.

use std::sync::Arc;

use super::dense::{add_scaled, dot, mirror};
use super::identify::check_identified;
use super::layout::{Big, Block, Layout, Parameter, Part, Response};
use super::problem::{MixedError, RandomEffect, RandomTerm};
use crate::numeric::Matrix;

/// Largest dense part, in columns.
const LARGEST_REST: usize = 4_000;
/// Largest table of sums of the eliminated term, in numbers.
const LARGEST_TABLE: usize = 40_000_000;

/// A layout, ready for fits of any number of response vectors. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Prepared {
    pub(super) layout: Arc<Layout>,
}

impl Prepared {
    /// Checks the layout and collects its sums in one pass over the rows.
    ///
    /// `x` is n × p; p may be 0. `weights` of length n, all positive, or `None`.
    ///
    /// # Errors
    ///
    /// Wrong lengths, numbers that are not finite, weights that are not positive, group numbers out of range,
    /// dependent columns of X, no residual degrees of freedom, terms whose variance cannot be told from the rest
    /// of the model, and layouts too large for the dense part.
    pub fn new(x: &Matrix, terms: &[RandomTerm], weights: Option<&[f64]>) -> Result<Self, MixedError> {
        let (n, p) = (x.rows(), x.cols());
        let mut flat = Vec::with_capacity(n * p);
        for row in 0..n {
            flat.extend((0..p).map(|j| x[(row, j)]));
        }
        Self::from_rows(&flat, n, p, terms, weights)
    }

    /// As `new`, with X row by row in one slice.
    pub(super) fn from_rows(
        x: &[f64],
        n: usize,
        p: usize,
        terms: &[RandomTerm],
        weights: Option<&[f64]>,
    ) -> Result<Self, MixedError> {
        check(x, n, p, terms, weights)?;
        let (pattern, distinct) = collapse(x, n, p);
        let (q, upper) = orthonormal(distinct, &pattern, p, weights)?;
        let mut layout = lay_out(n, p, terms)?;
        layout.weights = weights.map(<[f64]>::to_vec);
        layout.log_weights = weights.map_or(0.0, |w| w.iter().map(|value| value.ln()).sum());
        layout.pattern = pattern;
        layout.q = q;
        layout.upper = upper;
        layout.sums();
        check_identified(&layout)?;
        Ok(Self {
            layout: Arc::new(layout),
        })
    }

    /// Number of rows n.
    pub fn rows(&self) -> usize {
        self.layout.n
    }

    /// Number of fixed columns p.
    pub fn fixed_columns(&self) -> usize {
        self.layout.p
    }
}

fn check(x: &[f64], n: usize, p: usize, terms: &[RandomTerm], weights: Option<&[f64]>) -> Result<(), MixedError> {
    if n <= p {
        return Err(MixedError::NoResidual);
    }
    if let Some(at) = x.iter().position(|value| !value.is_finite()) {
        return Err(MixedError::NotFinite {
            what: "x",
            row: at / p.max(1),
        });
    }
    if let Some(weights) = weights {
        if weights.len() != n {
            return Err(MixedError::Length {
                what: "weights",
                term: 0,
                expected: n,
                found: weights.len(),
            });
        }
        for (row, &weight) in weights.iter().enumerate() {
            if !weight.is_finite() {
                return Err(MixedError::NotFinite { what: "weights", row });
            }
            if weight <= 0.0 {
                return Err(MixedError::Weight { row });
            }
        }
    }
    for (term, random) in terms.iter().enumerate() {
        if random.groups.len() != n {
            return Err(MixedError::Length {
                what: "a random term",
                term,
                expected: n,
                found: random.groups.len(),
            });
        }
        if let Some(row) = random.groups.iter().position(|&group| group as usize >= random.levels) {
            return Err(MixedError::Group { term, row });
        }
        if let RandomEffect::Slope(column) | RandomEffect::InterceptAndSlope(column) = &random.effect {
            if column.len() != n {
                return Err(MixedError::Length {
                    what: "a slope",
                    term,
                    expected: n,
                    found: column.len(),
                });
            }
            if let Some(row) = column.iter().position(|value| !value.is_finite()) {
                return Err(MixedError::NotFinite { what: "slope", row });
            }
        }
    }
    Ok(())
}

/// Blocks, parameters and the choice of the eliminated block; sums still zero.
fn lay_out(n: usize, p: usize, terms: &[RandomTerm]) -> Result<Layout, MixedError> {
    let mut blocks = Vec::new();
    let mut parameters = Vec::new();
    let mut groups = Vec::new();
    let mut columns = Vec::new();
    for (term, random) in terms.iter().enumerate() {
        let levels = random.levels;
        let block = |part, paired| Block {
            term,
            part,
            levels,
            start: 0,
            paired,
        };
        let at = blocks.len();
        match &random.effect {
            RandomEffect::Intercept => {
                blocks.push(block(Part::Intercept, false));
                columns.push(None);
                parameters.push(Parameter::Variance { block: at });
            }
            RandomEffect::Slope(column) => {
                blocks.push(block(Part::Slope, false));
                columns.push(Some(column.clone()));
                parameters.push(Parameter::Variance { block: at });
            }
            RandomEffect::InterceptAndSlope(column) => {
                blocks.push(block(Part::Intercept, true));
                columns.push(None);
                blocks.push(block(Part::Slope, true));
                columns.push(Some(column.clone()));
                parameters.push(Parameter::Variance { block: at });
                parameters.push(Parameter::Covariance {
                    first: at,
                    second: at + 1,
                });
                parameters.push(Parameter::Variance { block: at + 1 });
            }
        }
        groups.push(random.groups.clone());
    }
    let mut chosen: Option<usize> = None;
    for (index, block) in blocks.iter().enumerate() {
        if !block.paired && chosen.is_none_or(|best| block.levels > blocks[best].levels) {
            chosen = Some(index);
        }
    }
    let mut z = 0;
    for (index, block) in blocks.iter_mut().enumerate() {
        if Some(index) != chosen {
            block.start = z;
            z += block.levels;
        }
    }
    let r = z + p;
    if r > LARGEST_REST {
        return Err(MixedError::TooLarge { columns: r });
    }
    let big = match chosen {
        Some(block) => {
            let levels = blocks[block].levels;
            if levels.saturating_mul(r) > LARGEST_TABLE {
                return Err(MixedError::TooLarge { columns: r });
            }
            Some(Big {
                block,
                diagonal: vec![0.0; levels],
                rows: vec![0.0; levels * r],
                sparse: None,
            })
        }
        None => None,
    };
    Ok(Layout {
        n,
        p,
        z,
        r,
        mass: vec![0.0; blocks.len()],
        blocks,
        parameters,
        big,
        rest: vec![0.0; r * r],
        upper: Vec::new(),
        log_weights: 0.0,
        groups,
        columns,
        weights: None,
        pattern: Vec::new(),
        q: Vec::new(),
    })
}

impl Layout {
    /// Cross-products of all columns, in one pass over the rows.
    fn sums(&mut self) {
        let (z, p, r) = (self.z, self.p, self.r);
        let chosen = self.big.as_ref().map(|big| big.block);
        let others: Vec<usize> = (0..self.blocks.len()).filter(|&block| Some(block) != chosen).collect();
        let mut at = vec![(0_usize, 0.0_f64); others.len()];
        for row in 0..self.n {
            let weight = self.weights.as_ref().map_or(1.0, |w| w[row]);
            let pattern = self.pattern[row] as usize;
            let q = &self.q[pattern * p..(pattern + 1) * p];
            for (place, &block) in at.iter_mut().zip(&others) {
                let facts = &self.blocks[block];
                let group = self.groups[facts.term][row] as usize;
                *place = (
                    facts.start + group,
                    self.columns[block].as_ref().map_or(1.0, |column| column[row]),
                );
            }
            if let Some(big) = &mut self.big {
                let level = self.groups[self.blocks[big.block].term][row] as usize;
                let value = self.columns[big.block].as_ref().map_or(1.0, |column| column[row]);
                let factor = weight * value;
                big.diagonal[level] += factor * value;
                let sums = &mut big.rows[level * r..(level + 1) * r];
                for &(column, other) in &at {
                    sums[column] += factor * other;
                }
                add_scaled(&mut sums[z..], factor, q);
            }
            for (index, &(column, value)) in at.iter().enumerate() {
                let factor = weight * value;
                for &(other, second) in &at[..=index] {
                    let (low, high) = if other < column {
                        (other, column)
                    } else {
                        (column, other)
                    };
                    self.rest[high * r + low] += factor * second;
                }
                // The X part of this row goes above the diagonal, where it is contiguous.
                add_scaled(&mut self.rest[column * r + z..(column + 1) * r], factor, q);
            }
        }
        for i in 0..z {
            for j in z..r {
                self.rest[j * r + i] = self.rest[i * r + j];
            }
        }
        for i in z..r {
            self.rest[i * r + i] = 1.0;
        }
        mirror(&mut self.rest, r);
        for (index, block) in self.blocks.iter().enumerate() {
            let total: f64 = match &self.big {
                Some(big) if big.block == index => big.diagonal.iter().sum(),
                _ => (block.start..block.start + block.levels)
                    .map(|c| self.rest[c * r + c])
                    .sum(),
            };
            self.mass[index] = total / block.levels.max(1) as f64;
        }
        if let Some(big) = &mut self.big {
            let filled = big.rows.iter().filter(|&&value| value != 0.0).count();
            if filled * 2 < big.rows.len() {
                let mut offsets = vec![0];
                let mut numbers = Vec::with_capacity(filled);
                for row in big.rows.chunks_exact(r.max(1)) {
                    numbers.extend((0..r).filter(|&c| row[c] != 0.0).map(|c| c as u32));
                    offsets.push(numbers.len());
                }
                big.sparse = Some((offsets, numbers));
            }
        }
    }

    /// The sums of a response vector.
    pub(super) fn response(&self, y: &[f64]) -> Result<Response, MixedError> {
        if y.len() != self.n {
            return Err(MixedError::Length {
                what: "y",
                term: 0,
                expected: self.n,
                found: y.len(),
            });
        }
        if let Some(row) = y.iter().position(|value| !value.is_finite()) {
            return Err(MixedError::NotFinite { what: "y", row });
        }
        let p = self.p;
        let weight = |row: usize| self.weights.as_ref().map_or(1.0, |w| w[row]);
        let patterns = self.pattern_count();
        let mut left = y.to_vec();
        let mut taken = vec![0.0; p];
        // The second round removes what rounding left in the first.
        for _ in 0..2 {
            let mut sums = vec![0.0; patterns];
            for (row, value) in left.iter().enumerate() {
                sums[self.pattern[row] as usize] += weight(row) * value;
            }
            let mut round = vec![0.0; p];
            for (pattern, &sum) in sums.iter().enumerate() {
                add_scaled(&mut round, sum, &self.q[pattern * p..(pattern + 1) * p]);
            }
            for (pattern, sum) in sums.iter_mut().enumerate() {
                *sum = dot(&self.q[pattern * p..(pattern + 1) * p], &round);
            }
            for (row, value) in left.iter_mut().enumerate() {
                *value -= sums[self.pattern[row] as usize];
            }
            add_scaled(&mut taken, 1.0, &round);
        }
        let square: f64 = left
            .iter()
            .enumerate()
            .map(|(row, value)| weight(row) * value * value)
            .sum();
        let whole: f64 = y
            .iter()
            .enumerate()
            .map(|(row, value)| weight(row) * value * value)
            .sum();
        // A few units in the last place of each reading are no spread.
        if !(square > 1e-29 * whole && square.is_finite()) {
            return Err(MixedError::ExactFit);
        }
        let scale = (square / (self.n - p) as f64).sqrt();
        let mut response = Response {
            big: self
                .big
                .as_ref()
                .map_or_else(Vec::new, |big| vec![0.0; big.diagonal.len()]),
            rest: vec![0.0; self.r],
            square: (self.n - p) as f64,
            scale,
            taken,
        };
        let chosen = self.big.as_ref().map(|big| big.block);
        for (index, block) in self.blocks.iter().enumerate() {
            let sums = if Some(index) == chosen {
                &mut response.big[..]
            } else {
                &mut response.rest[block.start..block.start + block.levels]
            };
            let groups = &self.groups[block.term];
            match &self.columns[index] {
                None => {
                    for (row, value) in left.iter().enumerate() {
                        sums[groups[row] as usize] += weight(row) * value;
                    }
                }
                Some(column) => {
                    for (row, value) in left.iter().enumerate() {
                        sums[groups[row] as usize] += weight(row) * value * column[row];
                    }
                }
            }
            for sum in sums {
                *sum /= scale;
            }
        }
        Ok(response)
    }

    fn pattern_count(&self) -> usize {
        self.pattern
            .iter()
            .map(|&pattern| pattern as usize + 1)
            .max()
            .unwrap_or(0)
    }
}

/// Numbers the distinct rows of X; gives each row its number and the distinct rows in order of first appearance.
///
/// Open addressing over the bits of a row; the table only ever decides equality, so its order never shows.
fn collapse(x: &[f64], n: usize, p: usize) -> (Vec<u32>, Vec<f64>) {
    if p == 0 {
        return (vec![0; n], Vec::new());
    }
    let size = (2 * n).next_power_of_two();
    let mut table = vec![u32::MAX; size];
    let mut pattern = Vec::with_capacity(n);
    let mut distinct: Vec<f64> = Vec::new();
    let mut count = 0_u32;
    for row in x.chunks_exact(p) {
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        for value in row {
            // Adding zero makes -0 equal 0.
            hash = (hash ^ (value + 0.0).to_bits()).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            hash ^= hash >> 29;
        }
        let mut slot = hash as usize & (size - 1);
        loop {
            let held = table[slot];
            if held == u32::MAX {
                table[slot] = count;
                pattern.push(count);
                distinct.extend_from_slice(row);
                count += 1;
                break;
            }
            let at = held as usize * p;
            if distinct[at..at + p] == *row {
                pattern.push(held);
                break;
            }
            slot = (slot + 1) & (size - 1);
        }
    }
    (pattern, distinct)
}

/// Rows of Q (W-orthonormal over all n rows) and the upper factor R, by Gram–Schmidt done twice.
///
/// Doing it twice keeps orthogonality to working precision (Giraud et al. 2005, Numer. Math. 101:87). The order of
/// columns is kept, so the first column that depends on those before it is the one named.
fn orthonormal(
    distinct: Vec<f64>,
    pattern: &[u32],
    p: usize,
    weights: Option<&[f64]>,
) -> Result<(Vec<f64>, Vec<f64>), MixedError> {
    if p == 0 {
        return Ok((Vec::new(), Vec::new()));
    }
    let m = distinct.len() / p;
    let mut mass = vec![0.0; m];
    for (row, &number) in pattern.iter().enumerate() {
        mass[number as usize] += weights.map_or(1.0, |w| w[row]);
    }
    let roots: Vec<f64> = mass.iter().map(|value: &f64| value.sqrt()).collect();
    let mut columns: Vec<Vec<f64>> = (0..p)
        .map(|j| (0..m).map(|i| distinct[i * p + j] * roots[i]).collect())
        .collect();
    let mut upper = vec![0.0; p * p];
    for j in 0..p {
        let (done, rest) = columns.split_at_mut(j);
        let column = &mut rest[0];
        let before = dot(column, column).sqrt();
        for _ in 0..2 {
            for (i, other) in done.iter().enumerate() {
                let along = dot(other, column);
                add_scaled(column, -along, other);
                upper[i * p + j] += along;
            }
        }
        let after = dot(column, column).sqrt();
        if !(after > 1e-10 * before && after > 0.0) {
            return Err(MixedError::Dependent { column: j });
        }
        upper[j * p + j] = after;
        for value in column.iter_mut() {
            *value /= after;
        }
    }
    let mut q = distinct;
    for i in 0..m {
        for j in 0..p {
            q[i * p + j] = columns[j][i] / roots[i];
        }
    }
    Ok((q, upper))
}
