//! What does each level read? A panel a factor, over the raw results.
//!
//! Within a level the results stand in the order in which they were made, left to right, so that no place is left
//! to chance and a drift shows; the mean with its interval stands to their right.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, WIDTH};
use super::{Figure, Head};

/// One level of a factor.
#[derive(Debug, Clone)]
pub struct Column {
    /// The level as printed.
    pub label: String,
    /// Its results in the order in which they were made.
    pub results: Vec<f64>,
    /// Its mean with the ends of the interval, where they can be told.
    pub mean: Option<(f64, Option<(f64, f64)>)>,
}

/// One factor.
#[derive(Debug, Clone)]
pub struct Panel {
    /// The factor.
    pub label: String,
    /// Its levels, in protocol order.
    pub columns: Vec<Column>,
}

/// Panels on a common scale.
#[derive(Debug, Clone)]
pub struct MeansChart {
    /// Title of the axis.
    pub axis: String,
    /// The factors.
    pub panels: Vec<Panel>,
}

const PLOT: f64 = 170.0;
const HEADING: f64 = 20.0;
const GAP: f64 = 18.0;

impl MeansChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let columns = || self.panels.iter().flat_map(|panel| &panel.columns);
        let mut values: Vec<f64> = columns().flat_map(|column| column.results.iter().copied()).collect();
        for (mean, interval) in columns().filter_map(|column| column.mean) {
            values.push(mean);
            values.extend(interval.iter().flat_map(|&(low, high)| [low, high]));
        }
        let scale = Scale::over(values.iter().copied(), PLOT, 0.0, 6);
        let left = scale
            .ticks
            .iter()
            .map(|&t| Face::SMALL.width(&scale.label(t)))
            .fold(0.0, f64::max)
            + 8.0;

        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &axis);
        y += 16.0;

        for row in self.rows(WIDTH - left) {
            let top = y + HEADING;
            for &tick in &scale.ticks {
                let at = top + scale.at(tick);
                canvas.text(Face::SMALL, Anchor::End, left - 6.0, at + 3.5, &scale.label(tick));
            }
            let mut x = left;
            let mut lowest = 0.0_f64;
            for (panel, width) in row {
                lowest = lowest.max(panel.draw(&mut canvas, &scale, (x, y), width));
                x += width + GAP;
            }
            y = top + PLOT + lowest + 14.0;
        }
        head.finish(canvas, y - 8.0)
    }

    /// Panels in rows, with their widths: as many beside each other as have room, stretched to fill it.
    fn rows(&self, room: f64) -> Vec<Vec<(&Panel, f64)>> {
        let wish = |panel: &Panel| {
            let label = Face::SMALL.widest(panel.columns.iter().map(|c| c.label.as_str())) + 10.0;
            let longest = panel.columns.iter().map(|c| c.results.len()).max().unwrap_or(0) as f64;
            let column = label.max((longest + 24.0).min(72.0)).clamp(40.0, 120.0);
            let heading = Face::STRONG.width(&panel.label).min(160.0);
            (column * panel.columns.len() as f64).max(heading).min(room)
        };
        let mut rows: Vec<Vec<(&Panel, f64)>> = Vec::new();
        let mut used = f64::INFINITY;
        for panel in &self.panels {
            let width = wish(panel);
            if used + GAP + width > room {
                rows.push(Vec::new());
                used = -GAP;
            }
            used += GAP + width;
            if let Some(row) = rows.last_mut() {
                row.push((panel, width));
            }
        }
        for row in &mut rows {
            let taken: f64 = row.iter().map(|(_, width)| width).sum();
            let free = room - GAP * (row.len() as f64 - 1.0);
            let stretch = (free / taken).clamp(1.0, 1.9);
            for (_, width) in row {
                *width *= stretch;
            }
        }
        rows
    }
}

impl Panel {
    /// Draws one panel with its heading at `(x, y)`; returns the height of its level labels.
    fn draw(&self, canvas: &mut Canvas, scale: &Scale, (x, y): (f64, f64), width: f64) -> f64 {
        let top = y + HEADING;
        let heading = Face::STRONG.cut(&self.label, width);
        canvas.text(Face::STRONG, Anchor::Start, x, y + 13.0, &heading);
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (x, top + scale.at(tick)), (x + width, top + scale.at(tick)));
        }
        canvas.line("wr-axis", (x, top + PLOT), (x + width, top + PLOT));
        let column_width = width / self.columns.len().max(1) as f64;
        // Labels side by side need room for a few letters; with more levels only every k-th is named.
        let every = (26.0 / column_width).ceil().max(1.0) as usize;
        let mut lowest = 0.0_f64;
        for (index, column) in self.columns.iter().enumerate() {
            let start = x + column_width * index as f64;
            if index > 0 {
                canvas.line("wr-grid", (start, top), (start, top + PLOT));
            }
            let cloud = (column_width - 10.0).max(2.0) * 0.72;
            let step = cloud / column.results.len().max(1) as f64;
            for (place, &result) in column.results.iter().enumerate() {
                let at = start + 4.0 + (place as f64 + 0.5) * step;
                canvas.disc("wr-dust", at, top + scale.at(result), 1.8);
            }
            if let Some((mean, interval)) = column.mean {
                let at = start + 5.0 + (column_width - 10.0) * 0.87;
                if let Some((low, high)) = interval {
                    canvas.line("wr-bar", (at, top + scale.at(low)), (at, top + scale.at(high)));
                    canvas.disc("wr-point", at, top + scale.at(mean), 4.4);
                } else {
                    canvas.disc("wr-hollow", at, top + scale.at(mean), 4.0);
                }
            }
            if index % every == 0 {
                let room = column_width * every as f64 - 6.0;
                let lines = Face::SMALL.wrap_within(&column.label, room, 3);
                let middle = start + column_width * every.min(self.columns.len() - index) as f64 / 2.0;
                let middle = if every == 1 { middle } else { start + room / 2.0 };
                let middle = middle.min(WIDTH - Face::SMALL.widest(lines.iter().map(String::as_str)) / 2.0);
                canvas.lines(Face::SMALL, Anchor::Middle, middle, top + PLOT + 14.0, &lines);
                lowest = lowest.max(lines.len() as f64 * Face::SMALL.line() + 4.0);
            }
        }
        lowest
    }
}
