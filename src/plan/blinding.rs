//! Blinding: codes in place of the levels of some factors.
//!
//! In:  a protocol that blinds factors, the site's id, a seed.
//! Out: a `Blind`: the code of each level; the protocol and the runs as those see them who are not to know.
//!
//! From stream `blind FACTOR`: the numbers 10 to 99 (100 to 999, or 1000 to 9999, where there are more than 45, or 450,
//! levels) are shuffled; level k gets the k-th, with a K before it. Seen blind, the levels stand in the order of their
//! codes, so that their order tells nothing.
//!
//! A code hides a level from those who do not look: whoever has protocol and plan.toml can draw the codes again. And who
//! sees the specimen may know all the same. Never here: the journal, which says when a study was unblinded.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::draw::named;
use super::model::PlannedRun;
use crate::numeric::stream::Stream;
use crate::protocol::{FactorId, Grouping, Protocol, Site};

/// The codes of a study.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Blind {
    /// By blinded factor, by level as declared.
    codes: BTreeMap<FactorId, Vec<String>>,
}

impl Blind {
    /// The codes of a plan with this site and seed; none if no factor is blinded.
    #[must_use]
    pub fn of(protocol: &Protocol, site_id: &str, seed: u64) -> Self {
        Self::with(protocol, &|purpose| named(protocol, site_id, seed, purpose))
    }

    fn with(protocol: &Protocol, streams: &dyn Fn(&str) -> Stream) -> Self {
        let codes = protocol.bench.blinded.iter().map(|&factor| {
            let declared = &protocol.factors[factor];
            let levels = declared.levels.len();
            let least = if levels <= 45 {
                10
            } else if levels <= 450 {
                100
            } else {
                1000
            };
            let mut numbers: Vec<usize> = (least..10 * least).collect();
            streams(&format!("blind {}", declared.name)).shuffle(&mut numbers);
            let codes = numbers.into_iter().take(levels).map(|number| format!("K{number}"));
            (factor, codes.collect())
        });
        Self { codes: codes.collect() }
    }

    /// True if nothing is hidden.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    /// The code of a level; `None` for a factor that is not blinded.
    #[must_use]
    pub fn code(&self, factor: FactorId, level: usize) -> Option<&str> {
        self.codes.get(&factor)?.get(level).map(String::as_str)
    }

    /// The declared levels of a factor in the order of their codes.
    fn order(&self, factor: FactorId) -> Vec<usize> {
        let codes = self.codes.get(&factor).map_or(&[][..], Vec::as_slice);
        let mut order: Vec<usize> = (0..codes.len()).collect();
        order.sort_by_key(|&level| &codes[level]);
        order
    }

    /// The protocol as seen blind: its levels are codes.
    #[must_use]
    pub fn protocol(&self, protocol: &Protocol) -> Protocol {
        let mut seen = protocol.clone();
        for &factor in self.codes.keys() {
            let order = self.order(factor);
            let declared = &protocol.factors[factor];
            seen.factors[factor].levels = order
                .iter()
                .filter_map(|&level| self.code(factor, level).map(str::to_owned))
                .collect();
            for reference in &mut seen.references {
                if reference.of == Grouping::Factor(factor)
                    && let Some(level) = declared.levels.iter().position(|level| *level == reference.label)
                    && let Some(code) = self.code(factor, level)
                {
                    code.clone_into(&mut reference.label);
                }
            }
            if let Some(set) = &mut seen.design.set {
                let place = protocol.factors_on(set.unit).iter().position(|&f| f == factor);
                for row in &mut set.rows {
                    if let Some(level) = place.and_then(|place| row.get_mut(place)) {
                        *level = order.iter().position(|l| l == level).unwrap_or(0);
                    }
                }
            }
        }
        // What was assumed of the size of an effect beforehand, or of what a level leaves behind, speaks of the levels.
        if !self.is_empty() {
            for assumed in &mut seen.assumed {
                assumed.effects.iter_mut().for_each(|effect| effect.size = None);
                assumed.residues.clear();
            }
        }
        seen
    }

    /// The site as seen blind: without what stands behind blinded levels.
    #[must_use]
    pub fn site(&self, site: &Site) -> Site {
        let mut seen = site.clone();
        seen.named.retain(|named| !self.codes.contains_key(&named.factor));
        seen
    }

    /// The runs as seen blind.
    #[must_use]
    pub fn runs(&self, runs: &[PlannedRun]) -> Vec<PlannedRun> {
        self.mapped(runs, |order, level| order.iter().position(|&l| l == level))
    }

    /// Runs seen blind as they are.
    #[must_use]
    pub fn opened(&self, runs: &[PlannedRun]) -> Vec<PlannedRun> {
        self.mapped(runs, |order, level| order.get(level).copied())
    }

    fn mapped(&self, runs: &[PlannedRun], map: impl Fn(&[usize], usize) -> Option<usize>) -> Vec<PlannedRun> {
        let orders: Vec<(FactorId, Vec<usize>)> = self.codes.keys().map(|&f| (f, self.order(f))).collect();
        let mut runs = runs.to_vec();
        for run in &mut runs {
            for (factor, order) in &orders {
                run.levels[*factor] = map(order, run.levels[*factor]).unwrap_or(0);
            }
        }
        runs
    }

    /// The key as a file to be kept apart; `None` if nothing is hidden.
    #[must_use]
    pub fn key(&self, protocol: &Protocol) -> Option<String> {
        if self.is_empty() {
            return None;
        }
        let mut text = format!(
            "# The key of a blinded study: what stands behind each code. Keep it away from those who take the readings.\n\
             # wellrun does not need this file: take it out of the folder.\n\
             study = \"{}\"\nprotocol_sha256 = \"{}\"\n",
            protocol.study.id, protocol.drawn_as
        );
        for &factor in self.codes.keys() {
            let declared = &protocol.factors[factor];
            let _ = write!(text, "\n[{}]\n", declared.name);
            for level in self.order(factor) {
                let shown = toml::Value::String(declared.levels[level].clone());
                let _ = writeln!(text, "{} = {shown}", self.code(factor, level).unwrap_or_default());
            }
        }
        Some(text)
    }
}
