//! What goes on at the bench beside the runs themselves: rules for their order, control readings, cleaning,
//! blinding, and the spots on a specimen.
//!
//! In:  nothing; `read_bench` makes a `Bench` out of TOML and vouches for the invariants below.
//! Out: plain data. Lengths are in millimetres, angles in degrees.
//!
//! Invariants: every index points into the lists of the same protocol; a blinded factor is no numeric one; a
//! control is read at least once in the study; lengths of a shape lie above zero.

use super::model::{FactorId, ResponseId, UnitId};

/// What goes on at the bench beside the runs; empty for a protocol that says nothing of it.
#[derive(Debug, Clone, Default)]
pub struct Bench {
    /// Which orders are not taken.
    pub rules: OrderRules,
    /// What is read between the runs, to see drift.
    pub controls: Vec<Control>,
    /// What is done after a level that leaves something behind.
    pub cleanings: Vec<Cleaning>,
    /// Factors whose levels stand as codes on everything that is printed before unblinding, in protocol order.
    pub blinded: Vec<FactorId>,
    /// Where on the specimen the readings are taken.
    pub positions: Option<Positions>,
    /// Units with which one waits between setting up and the first reading, and the minutes; in protocol order.
    pub waits: Vec<(UnitId, f64)>,
    /// For what a reading is void, in words; nothing else makes one void.
    pub void_when: Vec<String>,
}

/// A rule declared beforehand: an order that breaks it is drawn again.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderRules {
    /// Largest correlation of a factor with the order, in size, over the set-ups of the unit it is set on.
    pub correlation_at_most: Option<f64>,
    /// Most set-ups in a row with the same level of a factor.
    pub alike_in_a_row_at_most: Option<usize>,
    /// Each level of a factor that carries over follows each other one equally often, as nearly as can be.
    pub carry_over_balanced: bool,
    /// How often an order is drawn before the search ends.
    pub tries: usize,
}

impl Default for OrderRules {
    fn default() -> Self {
        Self {
            correlation_at_most: None,
            alike_in_a_row_at_most: None,
            carry_over_balanced: false,
            tries: Self::TRIES,
        }
    }
}

impl OrderRules {
    /// How often an order is drawn where the protocol does not say.
    pub const TRIES: usize = 1_000;

    /// True if any order is refused.
    #[must_use]
    pub fn any(&self) -> bool {
        self.correlation_at_most.is_some() || self.alike_in_a_row_at_most.is_some() || self.carry_over_balanced
    }
}

/// Something whose value stays, read between the runs to see drift.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Control {
    /// Name used in the run column of sheets and in tables: small letters, digits and `_`.
    pub name: String,
    /// What it is, in words.
    pub what: String,
    /// The response that is read on it.
    pub response: ResponseId,
    /// Readings on each occasion; at least 1.
    pub readings: usize,
    /// Read before the first run.
    pub at_start: bool,
    /// Read after the last run.
    pub at_end: bool,
    /// Read after every so many runs; at least 1.
    pub every: Option<usize>,
    /// Read with each level of this factor on each occasion.
    pub each: Option<FactorId>,
}

/// What is done after a level that leaves something behind, before the next run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cleaning {
    /// The factor.
    pub factor: FactorId,
    /// The levels that leave something behind, in protocol order.
    pub after: Vec<usize>,
    /// Steps to tick.
    pub steps: Vec<String>,
    /// Wash-out readings, which are discarded.
    pub wash_out: usize,
    /// What the wash-out readings are taken on.
    pub wash_out_on: String,
}

/// Where on the specimen the readings are taken: each on a spot of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Positions {
    /// The unit that is the specimen.
    pub on: UnitId,
    /// The responses whose readings leave a mark, in protocol order.
    pub responses: Vec<ResponseId>,
    /// Its shape.
    pub shape: Shape,
    /// Smallest distance of two spots, in a straight line.
    pub pitch: f64,
    /// Smallest distance of a spot from an edge.
    pub edge: f64,
    /// Parts that are left out.
    pub zones: Vec<Zone>,
    /// What the zero mark is; empty if the protocol does not say.
    pub zero: String,
}

/// The shape of a specimen, in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// A flat rectangle: `along` its length and `across` its width, both from the corner with the zero mark.
    Rectangle {
        /// Along.
        length: f64,
        /// Across.
        width: f64,
    },
    /// A flat disc: `radius` from the middle, `around` from the zero mark.
    Disc {
        /// Across the disc.
        diameter: f64,
    },
    /// The curved face of a cylinder: `along` its axis from the end with the zero mark, `around` from the zero mark.
    Cylinder {
        /// Across the cylinder.
        diameter: f64,
        /// Along the axis.
        length: f64,
    },
    /// A sphere: `latitude` from the equator, `around` from the zero mark, which lies on the equator.
    Sphere {
        /// Across the sphere.
        diameter: f64,
    },
}

impl Shape {
    /// The word used in protocols.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Rectangle { .. } => "flat rectangle",
            Self::Disc { .. } => "disc",
            Self::Cylinder { .. } => "cylinder",
            Self::Sphere { .. } => "sphere",
        }
    }

    /// The names of its two coordinates, as protocols and tables write them.
    #[must_use]
    pub fn coordinates(self) -> [&'static str; 2] {
        match self {
            Self::Rectangle { .. } => ["along", "across"],
            Self::Disc { .. } => ["radius", "around"],
            Self::Cylinder { .. } => ["along", "around"],
            Self::Sphere { .. } => ["latitude", "around"],
        }
    }
}

/// A part of a specimen without spots: a parting line, a gate. Its extent in both coordinates, `None` for all of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    /// What is there.
    pub name: String,
    /// From and to in each coordinate; an angle may run through zero, as from 350 to 10.
    pub extent: [Option<(f64, f64)>; 2],
}
