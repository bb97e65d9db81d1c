//! Which treatment combinations are run; where they go is the plan's business.

mod factorial;

use crate::protocol::{Protocol, Treatments, UnitId};

/// The combinations of levels to be put on a unit, in the order in which the draw counts them: one level index for each
/// factor set on the unit, in declared order. A unit without factors has one, empty, combination.
#[must_use]
pub fn treatments(protocol: &Protocol, unit: UnitId) -> Vec<Vec<usize>> {
    let levels: Vec<usize> = protocol
        .factors_on(unit)
        .iter()
        .map(|&factor| protocol.factors[factor].levels.len())
        .collect();
    match protocol.design.treatments {
        Treatments::FullFactorial => factorial::full(&levels),
    }
}
