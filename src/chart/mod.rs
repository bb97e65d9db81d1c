//! Figures: plain numbers and labels to SVG. One question each, with its answer as the title.
//!
//! In:  what a figure shows, as numbers and finished labels; `report::figures` makes these from the findings.
//! Out: a `Figure` with its SVG, the answer, and a description in words for those who cannot see it.
//!
//! | figure      | question                                        |
//! |-------------|-------------------------------------------------|
//! | `effects`   | How far does each change move the result?       |
//! | `lone`      | Which effects stand out from chance?            |
//! | `means`     | What does each level read, over the raw results? |
//! | `run_order` | What happened in the course of the study?       |
//! | `power`     | How large must an effect be to be found?        |
//! | `against`   | How does one quantity depend on another?        |
//! | `series`    | How do things go on along a series?             |
//! | `sites`     | Do several sites find the same?                 |
//! | `surface`   | Where is the response high, and where low?      |
//! | `spread`    | Where does the spread of one result come from?  |
//! | `plot`      | How do two methods differ? How often does a product pass? |
//! | `bars`      | Which source of uncertainty is the largest?     |
//! | `limit`     | How do results lie to a limit?                  |
//!
//! Nothing is computed here but places on the paper. Meaning never rests on colour alone: words, shapes and patterns
//! carry it. Labels are measured, wrapped and cut so that none overlaps another or leaves the canvas.
//! Never here: statistics, rounding of findings, files.

mod against;
mod axis;
mod bars;
mod effects;
mod limit;
mod lone;
mod means;
mod order;
mod plot;
mod power;
mod series;
mod sites;
mod spread;
mod surface;
mod svg;

use serde::Serialize;

pub use against::{Across, AgainstChart, Curve, Level, Mark, Series};
pub use bars::{BarRow, BarsChart};
pub use effects::{EffectRow, EffectsChart};
pub use limit::{LimitChart, LimitRow};
pub use lone::{LoneChart, LoneRow};
pub use means::{Column, MeansChart, Panel};
pub use order::{OrderChart, OrderPoint};
pub use plot::{Line, Pen, PlotChart};
pub use power::{PowerChart, PowerCurve};
pub use series::{SeriesChart, SeriesGroup};
pub use sites::{SiteRow, SiteRowKind, SitesChart};
pub use spread::{SpreadChart, SpreadRow};
pub use surface::{SurfaceChart, Turning};
pub use svg::{Shape, WIDTH};

/// A finished figure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Figure {
    /// Name used for files and ids: letters, digits, `-`, `_`.
    pub name: String,
    /// The answer, drawn at the head of the figure.
    pub title: String,
    /// What the figure shows, in words.
    pub description: String,
    /// The SVG text.
    pub svg: String,
}

/// What every figure has at its head.
#[derive(Debug, Clone)]
pub struct Head {
    /// Name used for files and ids.
    pub name: String,
    /// The answer.
    pub title: String,
    /// What the figure shows, in words.
    pub description: String,
}

impl Head {
    /// Draws the title from the top edge; returns the y below it.
    fn draw(&self, canvas: &mut svg::Canvas) -> f64 {
        let face = svg::Face::TITLE;
        let lines = face.wrap_within(&self.title, WIDTH, 4);
        canvas.lines(face, svg::Anchor::Start, 0.0, face.size * 1.05, &lines) - face.line() + 14.0
    }

    fn finish(&self, canvas: svg::Canvas, height: f64) -> Figure {
        Figure {
            name: self.name.clone(),
            title: self.title.clone(),
            description: self.description.clone(),
            svg: canvas.finish(&self.name, height, &self.title, &self.description),
        }
    }
}
