//! Protocol, plan and record to findings; chooses what `stats` is asked.

mod aliasing;
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
mod unreplicated;

pub use aliasing::{AliasFinding, LeftOutFinding};
pub use findings::*;
pub use summary::{analyse, findings_schema};
pub use unreplicated::{LoneEffect, Standing, UnreplicatedFinding};
