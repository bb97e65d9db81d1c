//! Which effects the runs that were made can tell apart, and which they mix.
//!
//! In:  the columns of each effect over the runs, one a degree of freedom.
//! Out: which effects can be estimated together, and for each of them what else stands in its estimate.
//!
//! | name          | symbol             | meaning                                                             |
//! |---------------|--------------------|---------------------------------------------------------------------|
//! | kept          | X₁                 | columns of the effects that are estimated, and a constant           |
//! | others        | X₂                 | columns of an effect that is not                                    |
//! | coefficient   | (X₁ᵀX₁)⁻¹X₁ᵀX₂     | what the other adds to the estimate of a kept effect, per unit of it |
//!
//! Source: Box and Wilson (1951) J. R. Statist. Soc. B 13:1, alias matrix (from memory). Never here: names, protocols.
//! Reference values: tests/unreplicated.rs.

use crate::numeric::{Matrix, Qr, sum};

/// Share of a column's squared length that counts as nothing.
const NOTHING: f64 = 1e-9;

/// The columns of one effect over the runs.
pub type Columns = Vec<Vec<f64>>;

/// What became of each effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// It is estimated.
    Kept,
    /// The effects kept before it say the same: it stands in their estimates as a whole.
    Same,
    /// Part of it stands in the estimates of others, and the runs are too few to take it apart.
    Tangled,
}

/// Which of the effects can be estimated together.
///
/// `groups` holds indices into `effects`, group by group in order of precedence. A group is kept whole if all of its
/// columns are independent of each other and of what was kept before; if they are not, an effect is kept only where it is
/// orthogonal to all that was kept before it. Every column has `n` entries; an index outside `effects` is passed over.
pub fn choose(n: usize, effects: &[Columns], groups: &[Vec<usize>]) -> Vec<Place> {
    let mut places = vec![Place::Tangled; effects.len()];
    let mut basis = Basis::new(n);
    for group in groups {
        let own: Vec<usize> = group.iter().copied().filter(|&e| e < effects.len()).collect();
        let mut whole = basis.clone();
        if own.iter().flat_map(|&e| &effects[e]).all(|column| whole.add(column)) {
            own.iter().for_each(|&e| places[e] = Place::Kept);
            basis = whole;
            continue;
        }
        for &effect in &own {
            let shares: Vec<f64> = effects[effect]
                .iter()
                .map(|column| basis.share_outside(column))
                .collect();
            let mut longer = basis.clone();
            places[effect] = if shares.iter().all(|&share| share < NOTHING) {
                Place::Same
            } else if shares.iter().all(|&share| share > 1.0 - NOTHING)
                && effects[effect].iter().all(|column| longer.add(column))
            {
                basis = longer;
                Place::Kept
            } else {
                Place::Tangled
            };
        }
    }
    places
}

/// An orthonormal basis that grows.
#[derive(Clone)]
struct Basis {
    columns: Vec<Vec<f64>>,
}

impl Basis {
    fn new(n: usize) -> Self {
        let constant = vec![1.0 / (n.max(1) as f64).sqrt(); n];
        Self {
            columns: vec![constant],
        }
    }

    fn outside(&self, column: &[f64]) -> Vec<f64> {
        let mut left = column.to_vec();
        for _ in 0..2 {
            for own in &self.columns {
                let along = sum::dot(own, &left);
                left.iter_mut().zip(own).for_each(|(l, o)| *l -= along * o);
            }
        }
        left
    }

    /// Share of the squared length about the mean that lies outside the basis; 0 for a column that does not vary.
    fn share_outside(&self, column: &[f64]) -> f64 {
        let total = sum::sum_of_squares_about_mean(column);
        let left = self.outside(column);
        let scale = sum::dot(column, column);
        if total <= NOTHING * scale {
            0.0
        } else {
            sum::dot(&left, &left) / total
        }
    }

    /// Adds a column; false, and nothing added, if it lies inside already.
    fn add(&mut self, column: &[f64]) -> bool {
        if self.share_outside(column) < NOTHING {
            return false;
        }
        let mut left = self.outside(column);
        let length = sum::dot(&left, &left).sqrt();
        left.iter_mut().for_each(|value| *value /= length);
        self.columns.push(left);
        true
    }
}

/// The effects inside a model, factorized: the alias matrix, one column at a time.
pub struct Inside {
    qr: Qr,
    /// By column, its effect.
    effect_of: Vec<usize>,
    effects: usize,
}

/// What a column outside a model adds to the estimates inside it.
pub struct Held {
    /// The column's entries of the alias matrix, by effect, one for each of its columns; 0 where columns depend on those before.
    pub coefficients: Vec<Vec<f64>>,
    /// Squared length of the part of the column that nothing inside says.
    pub left: f64,
}

impl Inside {
    /// Columns of one length, by effect; a constant is an effect like the others.
    #[must_use]
    pub fn new(effects: &[Columns]) -> Self {
        let effect_of = effects.iter().enumerate();
        Self {
            qr: Qr::new(&Matrix::from_columns(
                &effects.iter().flatten().cloned().collect::<Columns>(),
            )),
            effect_of: effect_of
                .flat_map(|(e, columns)| columns.iter().map(move |_| e))
                .collect(),
            effects: effects.len(),
        }
    }

    /// True if no column inside follows from the others.
    #[must_use]
    pub fn is_independent(&self) -> bool {
        self.qr.rank() == self.effect_of.len()
    }

    /// What a column adds.
    #[must_use]
    pub fn held(&self, column: &[f64]) -> Held {
        let solved = self.qr.solve(column);
        let mut coefficients = vec![Vec::new(); self.effects];
        for (value, &effect) in solved.coefficients.iter().zip(&self.effect_of) {
            coefficients[effect].push(value.unwrap_or(0.0));
        }
        Held {
            coefficients,
            left: sum::dot(&solved.residuals, &solved.residuals),
        }
    }
}

/// How much of another effect stands in the estimate of a kept one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixed {
    /// The kept effect.
    pub kept: usize,
    /// The other effect.
    pub other: usize,
    /// Change of the kept coefficient per unit of the other one; for effects of several columns the largest entry.
    pub coefficient: f64,
    /// True if both say the same over these runs: one column each, equal but for sign and size.
    pub same: bool,
}

/// What stands in the estimate of each kept effect, in order of the kept effects, then the others.
///
/// Columns are compared at length one, so that units do not matter; what adds less than `least` (in size) is left out.
/// Empty if the kept columns depend on each other.
pub fn aliases(n: usize, kept: &[Columns], others: &[Columns], least: f64) -> Vec<Mixed> {
    let scaled = |column: &Vec<f64>| -> Vec<f64> {
        let (_, centred) = sum::centred(column);
        let length = (sum::dot(&centred, &centred) / n.max(1) as f64).sqrt();
        if length * length <= NOTHING * sum::dot(column, column) / n.max(1) as f64 {
            vec![0.0; n]
        } else {
            centred.iter().map(|v| v / length).collect()
        }
    };
    if kept.iter().all(Vec::is_empty) {
        return Vec::new();
    }
    let columns: Vec<Columns> = kept.iter().map(|own| own.iter().map(scaled).collect()).collect();
    let inside = Inside::new(&columns);
    if !inside.is_independent() {
        return Vec::new();
    }
    let mut found = Vec::new();
    for (other, own) in others.iter().enumerate() {
        let mut largest = vec![0.0_f64; kept.len()];
        let mut left = f64::INFINITY;
        for column in own {
            let held = inside.held(&scaled(column));
            left = held.left / n.max(1) as f64;
            for (largest, own) in largest.iter_mut().zip(&held.coefficients) {
                for &value in own {
                    if value.abs() > largest.abs() {
                        *largest = value;
                    }
                }
            }
        }
        let alone = largest.iter().filter(|c| c.abs() > 1e-6).count() == 1;
        for (effect, &coefficient) in largest.iter().enumerate() {
            if coefficient.abs() >= least {
                let single = own.len() == 1 && kept[effect].len() == 1;
                found.push(Mixed {
                    kept: effect,
                    other,
                    coefficient,
                    same: single && alone && left < NOTHING && (coefficient.abs() - 1.0).abs() < 1e-6,
                });
            }
        }
    }
    found.sort_by_key(|mixed| (mixed.kept, mixed.other));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn product(a: &[f64], b: &[f64]) -> Vec<f64> {
        a.iter().zip(b).map(|(a, b)| a * b).collect()
    }

    /// Closed form: in the half fraction with c = a b, each pair says the same as the third factor.
    #[test]
    fn a_half_fraction_mixes_pairs_with_the_third_factor() {
        let (a, b) = (vec![-1.0, 1.0, -1.0, 1.0], vec![-1.0, -1.0, 1.0, 1.0]);
        let c: Vec<f64> = product(&a, &b).iter().map(|v| -v).collect();
        let effects = [vec![a.clone()], vec![b.clone()], vec![c.clone()], vec![product(&a, &b)]];
        let places = choose(4, &effects, &[vec![0, 1, 2], vec![3]]);
        assert_eq!(places, [Place::Kept, Place::Kept, Place::Kept, Place::Same]);
        let found = aliases(4, &effects[..3], &effects[3..], 0.1);
        assert_eq!(found.len(), 1);
        assert!(found[0].same && found[0].kept == 2 && (found[0].coefficient + 1.0).abs() < 1e-12);
    }

    /// Closed form: a cell that was never run leaves its interaction in both factors, by half.
    #[test]
    fn a_lost_cell_mixes_in_part() {
        let (a, b) = (vec![-1.0, 1.0, -1.0], vec![-1.0, -1.0, 1.0]);
        let effects = [vec![a.clone()], vec![b.clone()], vec![product(&a, &b)]];
        assert_eq!(choose(3, &effects, &[vec![0, 1], vec![2]])[2], Place::Same);
        let found = aliases(3, &effects[..2], &effects[2..], 0.1);
        assert_eq!(found.len(), 2);
        assert!(
            found.iter().all(|mixed| !mixed.same && mixed.coefficient < 0.0),
            "{found:?}"
        );
    }

    /// Closed form: a column that does not vary is no effect, and pairs that cannot all be had are not taken by halves.
    #[test]
    fn what_does_not_fit_is_not_forced_in() {
        let constant = vec![2.0; 4];
        assert_eq!(choose(4, &[vec![constant]], &[vec![0]]), [Place::Same]);
        let (a, b) = (vec![-1.0, 1.0, -1.0, 1.0, 0.0], vec![-1.0, -1.0, 1.0, 1.0, 1.0]);
        let c = vec![-1.0, 1.0, 1.0, 1.0, -1.0];
        let effects = [
            vec![a.clone()],
            vec![b.clone()],
            vec![c.clone()],
            vec![product(&a, &b)],
            vec![product(&a, &c)],
        ];
        let places = choose(5, &effects, &[vec![0, 1, 2], vec![3, 4]]);
        assert_eq!(places[3..], [Place::Tangled, Place::Tangled]);
    }
}
