//! A protocol read with another set of treatments than it declares, so that designs can be held against each other.
//!
//! In:  the source of a protocol and a `Choice`.
//! Out: the protocol as it would be, or what would be wrong with it.
//! Method: the tree of the file is changed as the writer would change the file, and read like any other.
//! Never here: which choices make sense (analysis).

use super::model::UnitId;
use super::treatment_set::Treatments;
use super::tree::{Entry, Item, Tree, Value};

/// A set of treatments in place of the declared one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// The sort of set.
    pub treatments: Treatments,
    /// The unit whose factors it combines.
    pub unit: UnitId,
    /// Runs of one set, for the sorts that are asked for a size.
    pub runs: Option<usize>,
    /// Whether every level is exchanged in a second half of the set.
    pub is_folded: bool,
    /// How many of the unit there are then.
    pub count: usize,
}

/// Keys of `[design]` that belong to the declared set only.
const OF_THE_SET: [&str; 11] = [
    "treatments",
    "runs",
    "resolution",
    "generators",
    "fold_over",
    "centre_points",
    "blocks",
    "confounded",
    "periods",
    "combinations",
    "replicates",
];

impl Choice {
    /// Changes a tree as the writer would change the file.
    pub(super) fn apply(&self, root: &mut Tree) {
        if let Some(Value::Tree(design)) = value_mut(root, "design") {
            let at = design.at.clone();
            design.entries.retain(|entry| {
                !OF_THE_SET.contains(&entry.key) && (entry.key != "optimal" || self.treatments == Treatments::Optimal)
            });
            let mut put = |key: &'static str, value: Value| {
                design.entries.push(Entry {
                    key,
                    key_span: at.clone(),
                    given: true,
                    item: Some(Item {
                        span: at.clone(),
                        value,
                    }),
                });
            };
            put("treatments", Value::Text(self.treatments.word().to_owned()));
            if let Some(runs) = self.runs {
                put("runs", Value::Whole(runs as u64));
            }
            if self.is_folded {
                let all = Item {
                    span: 0..0,
                    value: Value::Text("all".to_owned()),
                };
                put("fold_over", Value::List(vec![all]));
            }
        }
        if let Some(Value::Trees(units)) = value_mut(root, "unit")
            && let Some(unit) = units.get_mut(self.unit)
        {
            let at = unit.at.clone();
            unit.entries.retain(|entry| entry.key != "count");
            unit.entries.push(Entry {
                key: "count",
                key_span: at.clone(),
                given: true,
                item: Some(Item {
                    span: at,
                    value: Value::Whole(self.count as u64),
                }),
            });
        }
    }

    /// What the writer would put into the file, a table each.
    #[must_use]
    pub fn lines(&self, unit_name: &str) -> Vec<String> {
        let mut design = vec![format!("treatments = \"{}\"", self.treatments.word())];
        if let Some(runs) = self.runs {
            design.push(format!("runs = {runs}"));
        }
        if self.is_folded {
            design.push("fold_over = \"all\"".to_owned());
        }
        vec![
            format!("[design] {}", design.join(", ")),
            format!("[[unit]] `{unit_name}`: count = {}", self.count),
        ]
    }
}

fn value_mut<'t>(tree: &'t mut Tree, key: &str) -> Option<&'t mut Value> {
    let entry = tree.entries.iter_mut().find(|entry| entry.key == key)?;
    entry.item.as_mut().map(|item| &mut item.value)
}
