//! Protocol, plan and record to findings; chooses what `stats` is asked.


mod findings;






pub use findings::*;

