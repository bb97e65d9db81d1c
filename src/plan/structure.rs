//! The unit structure of a study: how its units nest and cross, and the strata that follow.
//!
//! In:  the units of a protocol, or the labels of an as-run record.
//! Out: a `Structure`: its strata, their degrees of freedom, and the stratum in which an effect lies.
//!
//! Units form a poset block structure: one run is one choice of a number for every unit. A *stratum* is
//! an ancestral set of units (with a unit come all units above it). Its *heads* are its lowest units;
//! it is named after them: `session`, `roller`, `session × roller`, `run`.
//!
//! | name  | symbol | meaning                                                        |
//! |-------|--------|----------------------------------------------------------------|
//! | count | nᵤ     | how many of unit u within each combination of the units above it |
//! | df    | d(S)   | Π over heads (nᵤ − 1) · Π over the other units of S nᵤ         |
//! | cells | c(S)   | Π over all units of S nᵤ                                       |
//!
//! Method: Speed and Bailey (1982); Bailey (2008) Design of Comparative Experiments, chapter 10 (from memory).

use crate::protocol::{Protocol, UnitId};

/// How the units of a study nest and cross.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Structure {
    /// How many of each unit there are within each combination of the units above it.
    pub counts: Vec<usize>,
    /// The units above each unit, in declared order.
    pub above: Vec<Vec<UnitId>>,
    /// The strata with at least one degree of freedom, every one after those inside it; the grand mean is left out.
    pub strata: Vec<Stratum>,
}

/// An ancestral set of units with its share of the degrees of freedom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stratum {
    /// The units in it, in declared order.
    pub units: Vec<UnitId>,
    /// Its lowest units, after which it is named.
    pub heads: Vec<UnitId>,
    /// Degrees of freedom in all.
    pub df: usize,
    /// Number of combinations of its units.
    pub cells: usize,
}

impl Structure {
    /// The structure of a planned study.
    #[must_use]
    pub fn of(protocol: &Protocol) -> Self {
        let counts: Vec<usize> = protocol.units.iter().map(|unit| unit.count).collect();
        Self::new(&counts, protocol)
    }

    /// The structure with other counts, as found in an as-run record.
    #[must_use]
    pub fn new(counts: &[usize], protocol: &Protocol) -> Self {
        let unit_count = protocol.units.len();
        let above: Vec<Vec<UnitId>> = (0..unit_count).map(|u| protocol.above(u)).collect();
        let mut sets: Vec<Vec<UnitId>> = vec![Vec::new()];
        // Every ancestral set is one without unit u, or one that holds all units above u, with u added.
        for (u, needed) in above.iter().enumerate() {
            let with: Vec<Vec<UnitId>> = sets
                .iter()
                .filter(|set| needed.iter().all(|unit| set.contains(unit)))
                .map(|set| {
                    let mut set = set.clone();
                    set.push(u);
                    set
                })
                .collect();
            sets.extend(with);
        }
        let mut strata: Vec<Stratum> = sets
            .into_iter()
            .filter(|set| !set.is_empty())
            .map(|units| {
                let heads: Vec<UnitId> = units
                    .iter()
                    .copied()
                    .filter(|&u| !units.iter().any(|&v| above[v].contains(&u)))
                    .collect();
                let df = units
                    .iter()
                    .map(|&u| {
                        if heads.contains(&u) {
                            counts[u].saturating_sub(1)
                        } else {
                            counts[u]
                        }
                    })
                    .fold(1_usize, usize::saturating_mul);
                let cells = units.iter().map(|&u| counts[u]).fold(1_usize, usize::saturating_mul);
                Stratum {
                    units,
                    heads,
                    df,
                    cells,
                }
            })
            .filter(|stratum| stratum.df > 0)
            .collect();
        strata.sort_by(|a, b| a.units.len().cmp(&b.units.len()).then_with(|| a.units.cmp(&b.units)));
        Self {
            counts: counts.to_vec(),
            above,
            strata,
        }
    }

    /// Number of runs.
    #[must_use]
    pub fn runs(&self) -> usize {
        self.counts.iter().copied().fold(1_usize, usize::saturating_mul)
    }

    /// The smallest ancestral set that holds some units, in declared order.
    #[must_use]
    pub fn closure(&self, units: &[UnitId]) -> Vec<UnitId> {
        (0..self.counts.len())
            .filter(|u| units.contains(u) || units.iter().any(|&v| self.above[v].contains(u)))
            .collect()
    }

    /// The stratum in which an effect lies whose factors are set on `units`; `None` if that set has no degrees of freedom.
    #[must_use]
    pub fn stratum_of(&self, units: &[UnitId]) -> Option<usize> {
        let closure = self.closure(units);
        let exact = self.strata.iter().position(|stratum| stratum.units == closure);
        // A unit of which there is one within those above tells nothing apart: one run where a row and a column cross.
        exact.or_else(|| {
            let cells = closure
                .iter()
                .map(|&u| self.counts[u])
                .fold(1_usize, usize::saturating_mul);
            self.strata
                .iter()
                .position(|stratum| stratum.cells == cells && stratum.units.iter().all(|u| closure.contains(u)))
        })
    }

    /// The name of a stratum, after its heads; the one that tells all runs apart is named after the run unit.
    #[must_use]
    pub fn name(&self, stratum: usize, protocol: &Protocol) -> String {
        let stratum = &self.strata[stratum];
        if stratum.cells == self.runs() {
            return protocol.units[protocol.run_unit()].name.clone();
        }
        let names: Vec<&str> = stratum.heads.iter().map(|&u| protocol.units[u].name.as_str()).collect();
        names.join(" × ")
    }

    /// Whether stratum `inner` is a proper part of stratum `outer`.
    #[must_use]
    pub fn inside(&self, inner: usize, outer: usize) -> bool {
        inner != outer
            && self.strata[inner]
                .units
                .iter()
                .all(|u| self.strata[outer].units.contains(u))
    }
}
