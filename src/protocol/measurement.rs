//! What a stated result means, as declared: uncertainty budgets, decisions near a limit, comparisons of methods.
//!
//! In:  the tree of a protocol, with what was read of it before.
//! Out: a `Measurement`.

use super::budget::{self, Budget};
use super::comparing::{self, ComparisonPlan};
use super::deciding::{self, DecisionPlan};
use super::model::{Condition, Factor, Response, ResponseId, Unit};
use super::structure::did_you_mean;
use super::tree::Tree;
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// What a stated result means; at most one entry a response in each list.
#[derive(Debug, Clone, Default)]
pub struct Measurement {
    /// Uncertainty budgets.
    pub budgets: Vec<Budget>,
    /// Decisions near a limit.
    pub decisions: Vec<DecisionPlan>,
    /// Comparisons of methods.
    pub comparisons: Vec<ComparisonPlan>,
}

/// What was read before.
pub(super) struct Context<'a> {
    pub responses: &'a [Response],
    pub units: &'a [Unit],
    pub factors: &'a [Factor],
    pub conditions: &'a [Condition],
}

impl Context<'_> {
    pub(super) fn unit_names(&self) -> Vec<&str> {
        self.units.iter().map(|unit| unit.name.as_str()).collect()
    }
}

/// Reads the three kinds of tables.
pub(super) fn read(desk: &mut Desk<'_>, root: &Tree, context: &Context<'_>) -> Measurement {
    let budgets = budget::read(desk, root, context);
    let decisions = deciding::read(desk, root, context, &budgets);
    Measurement {
        decisions,
        comparisons: comparing::read(desk, root, context),
        budgets,
    }
}

/// The response that a table is named after.
pub(super) fn own_response(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>) -> Option<ResponseId> {
    let found = context.responses.iter().position(|response| response.name == tree.name);
    if found.is_none() {
        let names: Vec<&str> = context
            .responses
            .iter()
            .map(|response| response.name.as_str())
            .collect();
        let diagnostic = Diagnostic::error("P180", format!("no response is called `{}`", shown(&tree.name)));
        desk.say(
            diagnostic.help(did_you_mean(&tree.name, &names, "responses")),
            tree.at.clone(),
            "unknown response",
        );
    }
    found
}
