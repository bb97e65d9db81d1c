//! Units, allocation, randomized order: the frozen plan.

mod aliases;
mod balance;
mod blinding;
mod control;
mod doubts;
mod draw;
mod files;
mod model;
mod quality;
mod rules;
mod shape;
mod skeleton;
mod spots;
mod structure;
mod terms;

pub use aliases::{Alias, AliasChain, Aliasing, alias_chain, aliasing};
pub use blinding::Blind;
pub use control::{ControlRow, control_rows};
pub use doubts::doubts;
pub use draw::{ALGORITHM, Drawn, MOST_RUNS, draw, draw_with};
pub use files::{freeze, read, rehearse};
pub use model::{Plan, PlanHeader, PlannedRun};
pub use quality::{Quality, TermQuality};
pub use rules::{Broken, Followers, Rule, broken_rule};
pub use shape::{Spot, in_space, map_size, on_map, spots};
pub use skeleton::{SetUps, Skeleton, SkeletonEffect, SkeletonStratum, skeleton, units_of};
pub use spots::{SpotMap, check_positions, check_room, marks, positions_csv, spot_map, spots_of};
pub use structure::{Stratum, Structure};
pub use terms::{Part, Term, every_term, terms};
