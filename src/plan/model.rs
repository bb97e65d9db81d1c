//! A plan: the runs in the order in which they are to be made.
//!
//! Numbers of units and runs start at 1, as printed on sheets; indices of levels start at 0.

use serde::{Deserialize, Serialize};

use crate::protocol::{Protocol, UnitId};

/// The frozen, randomized run list with its header.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Where it came from.
    pub header: PlanHeader,
    /// The runs, in the order in which they are to be made: `runs[i].run == i + 1`.
    pub runs: Vec<PlannedRun>,
}

/// Where a plan came from; written to `plan.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanHeader {
    /// Format of the plan files; 1.
    pub wellrun_plan: u32,
    /// Study id.
    pub study: String,
    /// Version of the protocol, as written.
    pub version: String,
    /// SHA-256 of the protocol.
    pub protocol_sha256: String,
    /// Site id; empty without a site file.
    pub site: String,
    /// SHA-256 of the site file; empty without one.
    pub site_sha256: String,
    /// Seed of the draw, as a decimal text (a TOML integer has no room for every u64).
    pub seed: String,
    /// Name of the way in which the order was drawn, described in tests/draw/README.md.
    pub algorithm: String,
    /// Version of this tool.
    pub tool: String,
    /// When it was frozen, RFC 3339.
    pub frozen_at: String,
    /// SHA-256 of plan.csv.
    pub plan_sha256: String,
    /// Number of runs.
    pub runs: usize,
    /// How many orders were drawn until one kept the rules; nothing without rules.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tries: Option<usize>,
    /// Largest difference allowed of how often one level follows another; nothing unless carry-over is balanced.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carry_over_spread: Option<usize>,
    /// SHA-256 of the key of a blinded study.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key_sha256: Option<String>,
    /// SHA-256 of positions.csv.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub positions_sha256: Option<String>,
    /// True for the order of a rehearsal: whatever is taken in on it was simulated.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub rehearsal: bool,
}

/// One run of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedRun {
    /// Number of the run, from 1, in planned order.
    pub run: usize,
    /// For each unit of the protocol its number within the units above it, from 1.
    pub units: Vec<usize>,
    /// For each factor of the protocol the index of its level.
    pub levels: Vec<usize>,
}

impl Plan {
    /// The units that have to be set up anew before the run at `index` (all of them before the first), in declared order.
    ///
    /// A unit is new when its own number, or the number of a unit above it, differs from the run before;
    /// a crossed unit is also new when an earlier declared unit changed, since it was put away in between.
    #[must_use]
    pub fn set_up_before(&self, protocol: &Protocol, index: usize) -> Vec<UnitId> {
        let all = 0..protocol.units.len();
        let Some(before) = index.checked_sub(1).map(|i| &self.runs[i]) else {
            return all.collect();
        };
        let now = &self.runs[index];
        // Units are visited in declared order, the first one outermost: whatever stands inside a changed one starts anew.
        all.skip_while(|&u| now.units[u] == before.units[u]).collect()
    }
}
