//! A plan as sheets for the bench: printed, on screen, and as a table to be filled in.
//!
//! In:  a checked protocol, its site file if there is one, and the frozen plan.
//! Out: `data`, the view that the templates `sheet.typ` and `sheet.html.jinja` render; `csv`, the columns to fill in;
//!      `page`, what the template `page.html.jinja` takes: a page that leads through the plan and keeps the readings.
//!
//! What changes from the run before is worked out here, once, for every form of the sheet.
//! Never shown: expected and possible ranges, limits, sizes that matter, earlier results. Whoever reads
//! an instrument must not know what it ought to show.

mod between;
mod csv;
mod map;
mod page;
mod view;

pub use csv::csv;
pub use page::{Keeping, page};
pub use view::data;
