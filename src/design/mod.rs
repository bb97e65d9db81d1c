//! Which treatment combinations are run; where they go is the plan's business.

mod factorial;

use crate::protocol::{Placement, Protocol, UnitId};

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

/// In which steps the count of a unit can grow so that its treatments still come out even; `None` if it is fixed.
#[must_use]
pub fn step(protocol: &Protocol, unit: UnitId) -> Option<usize> {
    let Some(set) = &protocol.design.set else {
        return Some(treatments(protocol, unit).len().max(1));
    };
    match &set.placement {
        Placement::Blocks { block, groups, .. } if *block == unit => Some(groups.len().max(1)),
        Placement::Square { .. } | Placement::Sequences { .. } if set.unit == unit => None,
        Placement::Square { units, squares } if units.contains(&unit) => {
            squares.first().map(|square| square.len().max(1))
        }
        Placement::Sequences { units, sequences } if units[0] == unit => Some(sequences.len().max(1)),
        Placement::Sequences { units, .. } if units[1] == unit => None,
        _ if set.unit == unit => Some(set.at_once()),
        _ => Some(treatments(protocol, unit).len().max(1)),
    }
}
