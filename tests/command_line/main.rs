//! The command line from end to end in folders of its own: the walk, broken input, kills, surroundings.
//!
//! Expected codes and exit statuses are those that the program documents; expected places are looked up in the spoiled
//! text by the test itself. What is expected of bytes is that they equal other bytes. No number of an analysis is
//! checked here.
// Helpers of tests may give up like the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod broken;
mod catalogue;
mod closed;
mod kept;
mod killed;
mod packs;
mod pool;
mod rehearse;
mod second_site;
mod support;
mod surroundings;
mod verify;
mod walk;
