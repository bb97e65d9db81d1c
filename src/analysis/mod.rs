//! Protocol, plan and record to findings; chooses what `stats` is asked.

mod checks;
mod estimate;
mod findings;
mod fit;
mod frame;
mod randomization;
mod response;
mod sources;
mod summary;
mod unbalanced;

pub use findings::*;
pub use summary::{analyse, findings_schema};
