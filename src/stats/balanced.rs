//! Many sets of results on one balanced plan: sums of squares and restricted-likelihood components without a search.
//!
//! In:  the partitions and terms of a balanced study, once; then results, set by set.
//! Out: the mean squares of the strata, and the components that maximise the restricted likelihood.
//!
//! | name        | symbol | shape      | unit              |
//! |-------------|--------|------------|-------------------|
//! | sum         | SS(S)  | one a stratum | response, squared |
//! | df          | ν(S)   | one a stratum | none              |
//! | expectation | ξ(S) = Σ k(C) σ²(C) over S and the strata C around it | | response, squared |
//!
//! In a balanced study the restricted likelihood depends on the results through the strata's sums of squares only:
//! −2 ln L = Σ ν ln ξ + SS/ξ + constant. Where the estimates from mean squares are not negative they are its maximum (Searle,
//! Casella and `McCulloch` 1992, section 6.6, from memory). Where strata are nested one in the other, ξ must not rise
//! from a stratum to one around it, and the maximum pools neighbours that do (isotonic regression: Thompson 1962, Ann. Math.
//! Stat. 33:273, from memory). Crossed strata with a negative estimate need the search of `mixed`.

use super::strata::{Partition, StrataError, TermColumns, fit};
use crate::numeric::sum;

/// A balanced plan, prepared for any number of sets of results.
#[derive(Debug, Clone)]
pub struct BalancedPlan {
    n: usize,
    partitions: Vec<Partition>,
    /// Stratum and orthonormal column, for every degree of freedom of the terms.
    basis: Vec<(usize, Vec<f64>)>,
    residual_df: Vec<usize>,
    /// True if each stratum lies around the one before it.
    chain: bool,
}

/// Components of one set of results.
#[derive(Debug, Clone, PartialEq)]
pub struct BalancedComponents {
    /// One a stratum, the finest last; none is negative.
    pub variances: Vec<f64>,
    /// True if some of them is zero because the likelihood is largest there.
    pub singular: bool,
}

impl BalancedPlan {
    /// Prepares a plan.
    ///
    /// # Errors
    ///
    /// As [`fit`]: a plan that is not balanced, or terms that cannot be told apart.
    pub fn new(partitions: &[Partition], terms: &[TermColumns]) -> Result<Self, StrataError> {
        let n = partitions.last().map_or(0, |finest| finest.cells);
        // Any results will do to learn where the terms lie.
        let fitted = fit(&vec![0.0; n], partitions, terms)?;
        let mut basis: Vec<(usize, Vec<f64>)> = Vec::new();
        for (term, columns) in terms.iter().enumerate() {
            let stratum = fitted.terms[term].stratum;
            for column in &columns.columns {
                let mean = sum::mean(column);
                let mut own: Vec<f64> = column.iter().map(|value| value - mean).collect();
                for _ in 0..2 {
                    for (_, other) in basis.iter().filter(|(s, _)| *s == stratum) {
                        let along = sum::dot(other, &own);
                        own.iter_mut().zip(other).for_each(|(value, o)| *value -= along * o);
                    }
                }
                let length = sum::dot(&own, &own).sqrt();
                own.iter_mut().for_each(|value| *value /= length);
                basis.push((stratum, own));
            }
        }
        let chain = (1..partitions.len()).all(|s| (0..s).all(|inner| partitions[s].inside.contains(&inner)));
        Ok(Self {
            n,
            partitions: partitions.to_vec(),
            basis,
            residual_df: fitted.strata.iter().map(|stratum| stratum.residual_df).collect(),
            chain,
        })
    }

    /// Residual degrees of freedom of the strata.
    #[must_use]
    pub fn residual_df(&self) -> &[usize] {
        &self.residual_df
    }

    /// What is left of the sum of squares in each stratum, for `y` of one result a run.
    #[must_use]
    pub fn residual_sums(&self, y: &[f64]) -> Vec<f64> {
        let mean = y.iter().sum::<f64>() / self.n as f64;
        let centred: Vec<f64> = y.iter().map(|value| value - mean).collect();
        let mut sums: Vec<f64> = Vec::with_capacity(self.partitions.len());
        let mut totals: Vec<f64> = Vec::new();
        for partition in &self.partitions {
            let around: f64 = if partition.cells == self.n {
                centred.iter().map(|value| value * value).sum()
            } else {
                totals.clear();
                totals.resize(partition.cells, 0.0);
                for (value, &cell) in centred.iter().zip(&partition.cell) {
                    totals[cell as usize] += value;
                }
                let runs = (self.n / partition.cells) as f64;
                totals.iter().map(|total| total * total).sum::<f64>() / runs
            };
            let inside: f64 = partition.inside.iter().map(|&inner| sums[inner]).sum();
            sums.push(around - inside);
        }
        for (stratum, column) in &self.basis {
            let along: f64 = column.iter().zip(&centred).map(|(a, b)| a * b).sum();
            sums[*stratum] -= along * along;
        }
        sums.iter_mut().for_each(|value| *value = value.max(0.0));
        sums
    }

    /// The components that maximise the restricted likelihood; `None` where a stratum has no residual degrees of freedom, or
    /// where crossed strata would need a negative one.
    #[must_use]
    pub fn components(&self, y: &[f64]) -> Option<BalancedComponents> {
        if self.residual_df.contains(&0) {
            return None;
        }
        let sums = self.residual_sums(y);
        let spreads: Vec<f64> = sums
            .iter()
            .zip(&self.residual_df)
            .map(|(ss, &df)| ss / df as f64)
            .collect();
        let variances = self.split(&spreads);
        if variances.iter().all(|&variance| variance >= 0.0) {
            return Some(BalancedComponents {
                variances,
                singular: false,
            });
        }
        if !self.chain {
            return None;
        }
        let mut variances = self.split(&self.pooled(&sums));
        // Pooled strata differ by rounding only.
        let finest = variances.last().copied().unwrap_or(0.0);
        for variance in &mut variances {
            if *variance <= 1e-12 * finest {
                *variance = 0.0;
            }
        }
        Some(BalancedComponents {
            variances,
            singular: true,
        })
    }

    /// Components from the expectations of the strata, the finest first to be known.
    fn split(&self, spreads: &[f64]) -> Vec<f64> {
        let count = spreads.len();
        let mut variances = vec![0.0; count];
        for stratum in (0..count).rev() {
            let around: f64 = (stratum + 1..count)
                .filter(|&c| self.partitions[c].inside.contains(&stratum))
                .map(|c| self.runs(c) * variances[c])
                .sum();
            variances[stratum] = (spreads[stratum] - around) / self.runs(stratum);
        }
        variances
    }

    fn runs(&self, stratum: usize) -> f64 {
        self.n as f64 / self.partitions[stratum].cells as f64
    }

    /// Expectations that never rise from a stratum to one around it: pool adjacent violators.
    fn pooled(&self, sums: &[f64]) -> Vec<f64> {
        let mut pools: Vec<(f64, usize, usize)> = Vec::new();
        for (&ss, &df) in sums.iter().zip(&self.residual_df) {
            pools.push((ss, df, 1));
            while let [.., (outer, outer_df, _), (inner, inner_df, _)] = pools[..]
                && outer * inner_df as f64 <= inner * outer_df as f64
                && pools.len() > 1
            {
                let Some((ss, df, strata)) = pools.pop() else { break };
                if let Some(last) = pools.last_mut() {
                    *last = (last.0 + ss, last.1 + df, last.2 + strata);
                }
            }
        }
        pools
            .iter()
            .flat_map(|&(ss, df, strata)| std::iter::repeat_n(ss / df as f64, strata))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Matrix;
    use crate::numeric::stream::Stream;
    use crate::stats::mixed::{Method, Prepared, RandomTerm};

    /// A split-plot of 4 blocks, 2 whole plots, 4 sub-plots.
    fn plan() -> (Vec<Partition>, Vec<TermColumns>) {
        let n = 32_u32;
        let partition = |width: u32, inside: Vec<usize>| Partition {
            cell: (0..n).map(|run| run / width).collect(),
            cells: (n / width) as usize,
            inside,
        };
        let sign = |run: u32, bit: u32| if run >> bit & 1 == 0 { 1.0 } else { -1.0 };
        let term = |column: &dyn Fn(u32) -> f64| TermColumns {
            columns: vec![(0..n).map(column).collect()],
        };
        (
            vec![partition(8, vec![]), partition(4, vec![0]), partition(1, vec![0, 1])],
            vec![
                term(&|run| sign(run, 2)),
                term(&|run| sign(run, 0)),
                term(&|run| sign(run, 1)),
                term(&|run| sign(run, 2) * sign(run, 0)),
                term(&|run| sign(run, 2) * sign(run, 1)),
                term(&|run| sign(run, 0) * sign(run, 1)),
            ],
        )
    }

    /// Independent: the general engine on the same 120 sets, a good part of them with a component at zero.
    #[test]
    fn the_search_of_the_mixed_model_finds_the_same_components() {
        let (partitions, terms) = plan();
        let prepared = BalancedPlan::new(&partitions, &terms).unwrap();
        assert_eq!(prepared.residual_df(), [3, 3, 19]);
        let mut columns = vec![vec![1.0; 32]];
        columns.extend(terms.iter().flat_map(|term| term.columns.iter().cloned()));
        let random: Vec<RandomTerm> = partitions[..2]
            .iter()
            .map(|p| RandomTerm::intercept(p.cell.clone(), p.cells))
            .collect();
        let general = Prepared::new(&Matrix::from_columns(&columns), &random, None).unwrap();
        let mut stream = Stream::named("balanced plans");
        let mut singular = 0;
        for _ in 0..120 {
            let effects: Vec<f64> = (0..12).map(|_| 0.5 * stream.normal()).collect();
            let y: Vec<f64> = (0..32)
                .map(|run| 50.0 + effects[run / 8] + effects[4 + run / 4] + stream.normal())
                .collect();
            let found = prepared.components(&y).unwrap();
            let expected = general.fit(&y, Method::Reml).unwrap();
            singular += usize::from(found.singular);
            assert_eq!(found.singular, expected.singular);
            for (own, other) in found.variances.iter().zip(&expected.components) {
                assert!((own - other.value).abs() < 1e-7, "{found:?} {:?}", expected.components);
            }
        }
        assert!((20..100).contains(&singular), "{singular}");
    }

    /// Independent: bootstrap samples by sums of squares are those by search.
    #[test]
    fn the_bootstrap_takes_the_shortcut() {
        let (partitions, terms) = plan();
        let prepared = BalancedPlan::new(&partitions, &terms).unwrap();
        let mut columns = vec![vec![1.0; 32]];
        columns.extend(terms.iter().flat_map(|term| term.columns.iter().cloned()));
        let random: Vec<RandomTerm> = partitions[..2]
            .iter()
            .map(|p| RandomTerm::intercept(p.cell.clone(), p.cells))
            .collect();
        let mut stream = Stream::named("shortcut");
        let effects: Vec<f64> = (0..12).map(|_| stream.normal()).collect();
        let y: Vec<f64> = (0..32)
            .map(|run| effects[run / 8] + effects[4 + run / 4] + stream.normal())
            .collect();
        let general = Prepared::new(&Matrix::from_columns(&columns), &random, None).unwrap();
        let fitted = general.fit(&y, Method::Reml).unwrap();
        let slow = fitted.bootstrap(40, "shortcut\n");
        let taken = std::sync::atomic::AtomicUsize::new(0);
        let quick = fitted.bootstrap_with(40, "shortcut\n", |y| {
            taken.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            Some(prepared.components(y)?.variances)
        });
        assert_eq!(taken.into_inner(), 40);
        for (a, b) in slow.iter().flatten().zip(quick.iter().flatten()) {
            // A root of a variance near zero keeps half of its digits.
            assert!((a - b).abs() < 1e-6 || (a * a - b * b).abs() < 1e-9, "{a} {b}");
        }
    }

    /// Closed form: crossed strata with a negative estimate are left to the search.
    #[test]
    fn crossed_strata_at_the_boundary_are_left_to_the_search() {
        let rows: Vec<u32> = (0..16).map(|run| run / 4).collect();
        let columns: Vec<u32> = (0..16).map(|run| run % 4).collect();
        let partitions = [
            Partition {
                cell: rows,
                cells: 4,
                inside: vec![],
            },
            Partition {
                cell: columns,
                cells: 4,
                inside: vec![],
            },
            Partition {
                cell: (0..16).collect(),
                cells: 16,
                inside: vec![0, 1],
            },
        ];
        let plan = BalancedPlan::new(&partitions, &[]).unwrap();
        let latin: Vec<f64> = (0..16).map(|run| f64::from((run / 4 + run % 4) % 4)).collect();
        assert_eq!(plan.components(&latin), None);
    }
}
