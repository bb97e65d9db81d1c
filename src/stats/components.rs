//! Variance components of a balanced study as sums and differences of mean squares.
//!
//! In:  which strata lie inside which, how many runs a cell of each holds, and which have a mean square.
//! Out: for each stratum the factors by which the mean squares make up its component.
//!
//! | name      | symbol | shape      | unit              |
//! |-----------|--------|------------|-------------------|
//! | component | σ²(S)  | scalar     | response, squared |
//! | spread    | ξ(S)   | scalar     | response, squared |
//! | runs      | k(S)   | scalar     | none              |
//!
//! The expected mean square of a stratum is ξ(S) = Σ k(C) σ²(C) over S itself and every stratum C around it, so that
//! σ²(S) = (ξ(S) − Σ k(C) σ²(C) over the strata C around it) / k(S), from the finest stratum up.
//!
//! Source: Nelder (1965) Proc. R. Soc. A 283:163; Searle, Casella and `McCulloch` (1992) Variance Components,
//! chapter 4 (both from memory). Reference values: tests/analysis.rs.

use super::strata::Partition;

/// How mean squares make up the components of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct Combinations {
    /// For each stratum the factor of every stratum's mean square; `None` where a mean square that it needs is missing.
    pub components: Vec<Option<Vec<f64>>>,
    /// The same for n times the variance of the mean of all runs.
    pub mean: Option<Vec<f64>>,
}

/// Works out the combinations.
///
/// `known[s]` tells whether stratum `s` has a mean square (residual degrees of freedom above zero). `n` is the number of runs.
#[must_use]
pub fn combinations(partitions: &[Partition], known: &[bool], n: usize) -> Combinations {
    let count = partitions.len();
    let runs = |s: usize| n as f64 / partitions[s].cells as f64;
    let mut components: Vec<Option<Vec<f64>>> = vec![None; count];
    for stratum in (0..count).rev() {
        if !known[stratum] {
            continue;
        }
        let mut factors = vec![0.0; count];
        factors[stratum] = 1.0;
        let mut complete = true;
        for around in (stratum + 1..count).filter(|&c| partitions[c].inside.contains(&stratum)) {
            match &components[around] {
                Some(inner) => factors.iter_mut().zip(inner).for_each(|(f, i)| *f -= runs(around) * i),
                None => complete = false,
            }
        }
        if complete {
            components[stratum] = Some(factors.iter().map(|f| clean(f / runs(stratum))).collect());
        }
    }
    let mean = components
        .iter()
        .enumerate()
        .try_fold(vec![0.0; count], |mut total, (stratum, component)| {
            let component = component.as_ref()?;
            total
                .iter_mut()
                .zip(component)
                .for_each(|(t, c)| *t += runs(stratum) * c);
            Some(total)
        });
    Combinations {
        components,
        mean: mean.map(|total| total.into_iter().map(clean).collect()),
    }
}

/// Factors are small fractions; what is left of a cancelled one is rounding.
fn clean(factor: f64) -> f64 {
    if factor.abs() < 1e-12 { 0.0 } else { factor }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn partition(cells: usize, inside: &[usize]) -> Partition {
        Partition {
            cell: Vec::new(),
            cells,
            inside: inside.to_vec(),
        }
    }

    /// Closed form: 6 blocks of 3 plots of 4; σ²(block) = (M(block) − M(plot)) / 12.
    #[test]
    fn nested_units_take_the_difference_of_neighbours() {
        let partitions = [partition(6, &[]), partition(18, &[0]), partition(72, &[0, 1])];
        let found = combinations(&partitions, &[true; 3], 72);
        assert_eq!(found.components[0], Some(vec![1.0 / 12.0, -1.0 / 12.0, 0.0]));
        assert_eq!(found.components[1], Some(vec![0.0, 0.25, -0.25]));
        assert_eq!(found.components[2], Some(vec![0.0, 0.0, 1.0]));
        assert_eq!(found.mean, Some(vec![1.0, 0.0, 0.0]));
    }

    /// Closed form: 4 sessions crossed with 6 rollers, 4 runs each; the mean varies as M(session) + M(roller) − M(both).
    #[test]
    fn crossed_units_are_judged_against_their_crossing() {
        let partitions = [
            partition(4, &[]),
            partition(6, &[]),
            partition(24, &[0, 1]),
            partition(96, &[0, 1, 2]),
        ];
        let found = combinations(&partitions, &[true; 4], 96);
        assert_eq!(found.components[0], Some(vec![1.0 / 24.0, 0.0, -1.0 / 24.0, 0.0]));
        assert_eq!(found.components[1], Some(vec![0.0, 0.0625, -0.0625, 0.0]));
        assert_eq!(found.mean, Some(vec![1.0, 1.0, -1.0, 0.0]));
    }

    #[test]
    fn a_missing_mean_square_leaves_the_finer_components_alone() {
        let partitions = [partition(2, &[]), partition(8, &[0])];
        let found = combinations(&partitions, &[false, true], 8);
        assert_eq!(found.components, vec![None, Some(vec![0.0, 1.0])]);
        assert_eq!(found.mean, None);
    }
}
