//! Which treatment combinations are run; where they go is the plan's business.

mod factorial;

use crate::protocol::{Protocol, UnitId};

/// The combinations of levels to be put on a unit, in the order in which the draw counts them: one level index for each
/// factor set on the unit, in declared order. The set of the design was made when the protocol was read; other units have
/// every combination. A unit without factors has one, empty, combination.
#[must_use]
pub fn treatments(protocol: &Protocol, unit: UnitId) -> Vec<Vec<usize>> {
    if let Some(set) = protocol.design.set.as_ref().filter(|set| set.unit == unit) {
        return set.rows.clone();
    }
    let levels: Vec<usize> = protocol
        .factors_on(unit)
        .iter()
        .map(|&factor| protocol.factors[factor].levels.len())
        .collect();
    factorial::full(&levels)
}
