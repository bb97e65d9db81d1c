//! Arrangements of symbols with even incidence: fractions, screening matrices, orthogonal arrays, squares, blocks.
//!
//! In:  orders and counts.
//! Out: symbols counted from 0, or `None` where no construction is known here.
//! Method: finite fields (`field`), searches with a fixed bound on their work, so that the same question always gets the same
//! answer. Each construction checks its own property before it is given out.
//! Never here: names, random numbers.

mod blocks;
mod confounding;
mod field;
mod fraction;
mod orthogonal_array;
mod screening;
mod squares;
mod subsets;

pub use blocks::{BlocksRefusal, incomplete_blocks, is_balanced};
pub use confounding::{aliases, blocks, representative};
pub use field::Field;
pub use fraction::{MOST_FACTORS, Word, reduced, resolution, runs, search, span, word_lengths};
pub use orthogonal_array::{has_strength_two, orthogonal_array, orthogonal_array_runs};
pub use screening::screening;
pub use squares::{carry_over_counts, cyclic_square, orthogonal_pair, williams};
pub use subsets::subsets;
