//! The set of treatments of a study, made: its combinations, and how they come to the units.
//!
//! In:  nothing; `check_treatments` makes it.
//! Out: plain data. Invariants: every row has one level index for each factor set on the unit, in declared order; groups,
//! squares and sequences hold indices of rows.

use serde::Serialize;

use super::model::{Effect, FactorId, UnitId};
use crate::numeric::arrangement::Word;

/// The sort of set of treatments.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Treatments {
    /// Every combination of levels.
    #[serde(rename = "full factorial")]
    FullFactorial,
    /// A regular fraction of two-level factors.
    #[serde(rename = "two-level fraction")]
    Fraction,
    /// An orthogonal array of strength two.
    #[serde(rename = "orthogonal array")]
    OrthogonalArray,
    /// Many two-level factors in few runs.
    #[serde(rename = "screening")]
    Screening,
    /// Each treatment once in each row and column.
    #[serde(rename = "latin square")]
    LatinSquare,
    /// Two factors, each a latin square, whose levels meet once each.
    #[serde(rename = "graeco-latin square")]
    GraecoLatinSquare,
    /// Sequences balanced for what the previous treatment leaves.
    #[serde(rename = "williams square")]
    WilliamsSquare,
    /// Blocks smaller than the number of treatments, in which each pair meets equally often.
    #[serde(rename = "incomplete blocks")]
    IncompleteBlocks,
    /// The runs that tell most about the effects of the model, under constraints.
    #[serde(rename = "optimal")]
    Optimal,
    /// Combinations of one's own.
    #[serde(rename = "list")]
    List,
}

impl Treatments {
    /// Every sort, with the word used in protocols and reports.
    pub const ALL: [(Self, &'static str); 10] = [
        (Self::FullFactorial, "full factorial"),
        (Self::Fraction, "two-level fraction"),
        (Self::OrthogonalArray, "orthogonal array"),
        (Self::Screening, "screening"),
        (Self::LatinSquare, "latin square"),
        (Self::GraecoLatinSquare, "graeco-latin square"),
        (Self::WilliamsSquare, "williams square"),
        (Self::IncompleteBlocks, "incomplete blocks"),
        (Self::Optimal, "optimal"),
        (Self::List, "list"),
    ];

    /// The sort of a word; a full factorial for one that is none of them.
    pub(super) fn of(word: &str) -> Self {
        Self::ALL
            .iter()
            .find(|(_, known)| *known == word)
            .map_or(Self::FullFactorial, |(sort, _)| *sort)
    }

    /// The word used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(sort, _)| *sort == self)
            .map_or("", |(_, word)| word)
    }

    /// True for a set that is meant for main effects: interactions are left out of the model unless the protocol asks for them.
    #[must_use]
    pub fn is_for_main_effects(self) -> bool {
        matches!(
            self,
            Self::OrthogonalArray
                | Self::Screening
                | Self::LatinSquare
                | Self::GraecoLatinSquare
                | Self::WilliamsSquare
                | Self::IncompleteBlocks
        )
    }
}

/// A set of treatments and how it lies on the units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreatmentSet {
    /// The unit whose factors it combines.
    pub unit: UnitId,
    /// The factors that it combines, in declared order: those set on the unit, and for a split set those of the wider one too.
    pub factors: Vec<FactorId>,
    /// The combinations of factors set on the unit, one a run of the set; centre points come last. Some may come back.
    pub rows: Vec<Vec<usize>>,
    /// For an optimal set: what must not come together, as (place of the factor in a row, level).
    pub forbidden: Vec<Vec<(usize, usize)>>,
    /// How many of the last rows are centre points.
    pub centre_points: usize,
    /// For a regular set of two-level factors: its words, over `factors` (bit 0 the first).
    /// `None` if the set is not regular.
    pub words: Option<Vec<Word>>,
    /// The effects whose signs tell blocks apart, in the same way; empty without blocks.
    pub block_words: Vec<Word>,
    /// The same as effects of the protocol.
    pub confounded: Vec<Effect>,
    /// Highest order of interaction in the list of aliases.
    pub alias_order: usize,
    /// How the combinations come to the units.
    pub placement: Placement,
}

/// How the combinations of a set come to the units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Placement {
    /// All of them within each combination of the units above, equally often.
    Whole,
    /// One group of them within each block.
    Blocks {
        /// The unit directly above.
        block: UnitId,
        /// The rows of each group.
        groups: Vec<Vec<usize>>,
        /// True if treatments are exchanged for one another at random before they are dealt.
        exchanges: bool,
    },
    /// The group of them that belongs to what the wider unit got: one set over the factors of both units.
    Split {
        /// A unit above.
        wide: UnitId,
        /// The rows of each group, in the order of the combinations of the wider unit's levels.
        groups: Vec<Vec<usize>>,
    },
    /// One of them where a row and a column cross.
    Square {
        /// The units that cross: rows, then columns.
        units: [UnitId; 2],
        /// For each row and column of the square, the treatment of each factor: one square, or two.
        squares: Vec<Vec<Vec<usize>>>,
    },
    /// One of them in each period of a subject.
    Sequences {
        /// The units that cross: subjects, then periods.
        units: [UnitId; 2],
        /// Sequences of rows.
        sequences: Vec<Vec<usize>>,
    },
}

impl TreatmentSet {
    /// How many runs one whole set has, centre points included.
    #[must_use]
    pub fn runs(&self) -> usize {
        match &self.placement {
            Placement::Split { groups, .. } => groups.iter().map(Vec::len).sum(),
            _ => self.rows.len(),
        }
    }

    /// How many of the unit one helping of the set takes within the units above.
    #[must_use]
    pub fn at_once(&self) -> usize {
        match &self.placement {
            Placement::Whole => self.rows.len().max(1),
            Placement::Blocks { groups, .. } | Placement::Split { groups, .. } => groups.first().map_or(1, Vec::len),
            Placement::Square { .. } | Placement::Sequences { .. } => 1,
        }
    }
}
