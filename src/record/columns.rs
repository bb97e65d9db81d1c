//! The columns of a sheet, by the names that sheets, journals and tables use for them.
//!
//! In:  a protocol.
//! Out: `Columns`, which finds a `Column` by name; and the name of each.
//!
//! | column                  | name                                     |
//! |-------------------------|------------------------------------------|
//! | a reading               | `NAME`, or `NAME 3` where a run has more |
//! | a unit, factor, condition | its name                               |
//! | what belongs to the run | `run`, `order`, `time`, `initials`, `remark` |

use std::collections::BTreeMap;

use crate::protocol::{ConditionId, FactorId, Protocol, ResponseId, UnitId};

use super::model::Record;

/// One column of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Column {
    /// Number of the run.
    Run,
    /// Label or number of a unit, not the run's.
    Unit(UnitId),
    /// Level of a factor.
    Factor(FactorId),
    /// A condition.
    Condition(ConditionId),
    /// A reading of a response: its position in the run, from 0.
    Reading(ResponseId, usize),
    /// Position in which the run was made.
    Order,
    /// Time as written.
    Time,
    /// Initials as written.
    Operator,
    /// Remark as written.
    Remark,
}

/// Every column that a protocol gives, by name.
#[derive(Debug)]
pub struct Columns<'a> {
    protocol: &'a Protocol,
    by_name: BTreeMap<String, Column>,
}

impl<'a> Columns<'a> {
    /// The columns of a protocol.
    #[must_use]
    pub fn new(protocol: &'a Protocol) -> Self {
        let mut all = vec![
            Column::Run,
            Column::Order,
            Column::Time,
            Column::Operator,
            Column::Remark,
        ];
        all.extend((0..protocol.units.len().saturating_sub(1)).map(Column::Unit));
        all.extend((0..protocol.factors.len()).map(Column::Factor));
        all.extend((0..protocol.conditions.len()).map(Column::Condition));
        for (id, response) in protocol.responses.iter().enumerate() {
            all.extend((0..response.readings).map(|position| Column::Reading(id, position)));
        }
        let mut by_name = BTreeMap::new();
        for column in all {
            by_name.entry(name(protocol, column).to_lowercase()).or_insert(column);
        }
        Self { protocol, by_name }
    }

    /// The column of a name, without regard to case, outer blanks and the number of blanks within.
    #[must_use]
    pub fn find(&self, text: &str) -> Option<Column> {
        let words: Vec<&str> = text.split_whitespace().collect();
        self.by_name.get(&words.join(" ").to_lowercase()).copied()
    }

    /// Every name, in alphabetical order, with its column.
    pub fn names(&self) -> impl Iterator<Item = (&str, Column)> {
        self.by_name.iter().map(|(name, column)| (name.as_str(), *column))
    }

    /// The name of a column.
    #[must_use]
    pub fn name(&self, column: Column) -> String {
        name(self.protocol, column)
    }
}

/// The name of a column, as sheets, journals and tables write it.
#[must_use]
pub fn name(protocol: &Protocol, column: Column) -> String {
    match column {
        Column::Run => "run".to_owned(),
        Column::Unit(id) => protocol.units.get(id).map(|unit| unit.name.clone()).unwrap_or_default(),
        Column::Factor(id) => protocol
            .factors
            .get(id)
            .map(|factor| factor.name.clone())
            .unwrap_or_default(),
        Column::Condition(id) => protocol
            .conditions
            .get(id)
            .map(|condition| condition.name.clone())
            .unwrap_or_default(),
        Column::Reading(id, position) => match protocol.responses.get(id) {
            Some(response) if response.readings > 1 => format!("{} {}", response.name, position + 1),
            Some(response) => response.name.clone(),
            None => String::new(),
        },
        Column::Order => "order".to_owned(),
        Column::Time => "time".to_owned(),
        Column::Operator => "initials".to_owned(),
        Column::Remark => "remark".to_owned(),
    }
}

/// What a record holds in a column of a run, as written; `None` if nothing.
///
/// A level is given as the protocol writes it. Reasons for missing values are not looked at.
#[must_use]
pub fn recorded(protocol: &Protocol, record: &Record, run: usize, column: Column) -> Option<String> {
    let run = record.runs.get(&run)?;
    let text = |text: &String| (!text.is_empty()).then(|| text.clone());
    match column {
        Column::Run => Some(run.run.to_string()),
        Column::Unit(id) => run.units.get(id).and_then(text),
        Column::Factor(id) => protocol.factors.get(id)?.levels.get(*run.levels.get(id)?).cloned(),
        Column::Condition(id) => run.conditions.get(id)?.as_ref().map(|written| written.text.clone()),
        Column::Reading(id, position) => {
            let written = run.readings.get(id)?.get(position)?.as_ref()?;
            Some(written.text.clone())
        }
        Column::Order => run.order.filter(|_| !run.order_by_time).map(|order| order.to_string()),
        Column::Time => text(&run.time),
        Column::Operator => text(&run.initials),
        Column::Remark => text(&run.remark),
    }
}
