//! What happened in the course of the study? Results and readings in the order in which the runs were made.

use std::fmt::Write as _;

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// One run.
#[derive(Debug, Clone)]
pub struct OrderPoint {
    /// Position in which it was made.
    pub position: usize,
    /// Its result.
    pub result: f64,
    /// Its readings.
    pub readings: Vec<f64>,
    /// Index of its level into `OrderChart::levels`.
    pub level: usize,
    /// The set-up it belongs to: 'session 2'; empty where there is none.
    pub block: String,
}

/// Results and readings along the order of the runs.
#[derive(Debug, Clone)]
pub struct OrderChart {
    /// Title of the vertical axis.
    pub axis: String,
    /// Title of the horizontal axis.
    pub across: String,
    /// What the shapes stand for: the factor's name and its levels. No shapes with more than six levels.
    pub factor: String,
    /// The levels, in protocol order.
    pub levels: Vec<String>,
    /// The runs, by position.
    pub points: Vec<OrderPoint>,
}

const PLOT: f64 = 230.0;

impl OrderChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let shapes = self.levels.len() <= Shape::ALL.len();
        if shapes && !self.levels.is_empty() {
            y = canvas.shapes(&self.factor, self.levels.iter().map(String::as_str), y);
        }
        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &axis);
        y += 14.0;

        let values: Vec<f64> = self
            .points
            .iter()
            .flat_map(|p| p.readings.iter().copied().chain([p.result]))
            .collect();
        let scale = Scale::over(values.iter().copied(), PLOT, 0.0, 6);
        let left = scale
            .ticks
            .iter()
            .map(|&t| Face::SMALL.width(&scale.label(t)))
            .fold(0.0, f64::max)
            + 8.0;
        let count = self.points.len().max(1) as f64;
        let step = (WIDTH - left) / count;
        let place = |index: usize| left + (index as f64 + 0.5) * step;

        let named_blocks = self.points.iter().any(|p| !p.block.is_empty());
        let top = y + if named_blocks { 16.0 } else { 4.0 };
        for &tick in &scale.ticks {
            let at = top + scale.at(tick);
            canvas.line("wr-grid", (left, at), (WIDTH, at));
            canvas.text(Face::SMALL, Anchor::End, left - 6.0, at + 3.5, &scale.label(tick));
        }
        if named_blocks {
            self.blocks(&mut canvas, left, step, top);
        }

        // Readings are dots of a round pen, all in one path.
        let mut dust = String::new();
        for (index, point) in self.points.iter().enumerate() {
            if point.readings.len() > 1 {
                for &reading in &point.readings {
                    let _ = write!(dust, "M{} {}h.01", n(place(index)), n(top + scale.at(reading)));
                }
            }
        }
        canvas.path("wr-readings", &dust);
        let radius = (step * 0.55).clamp(2.2, 4.2);
        for (index, point) in self.points.iter().enumerate() {
            let shape = if shapes {
                Shape::ALL.get(point.level).copied().unwrap_or(Shape::Disc)
            } else {
                Shape::Disc
            };
            canvas.mark(shape, place(index), top + scale.at(point.result), radius);
        }

        let bottom = top + PLOT;
        canvas.line("wr-axis", (left, bottom), (WIDTH, bottom));
        self.positions(&mut canvas, &place, bottom);
        canvas.name_below(&self.across, left, bottom);
        head.finish(canvas, bottom + 36.0)
    }

    /// Dashed lines between set-ups, with names where they have room.
    fn blocks(&self, canvas: &mut Canvas, left: f64, step: f64, top: f64) {
        let mut start = 0;
        while start < self.points.len() {
            let name = &self.points[start].block;
            let length = self.points[start..].iter().take_while(|p| p.block == *name).count();
            let from = left + start as f64 * step;
            let room = length as f64 * step;
            if start > 0 {
                canvas.line("wr-edge", (from, top - 12.0), (from, top + PLOT));
            }
            if Face::SMALL.width(name) + 6.0 <= room {
                canvas.text(Face::SMALL, Anchor::Middle, from + room / 2.0, top - 5.0, name);
            }
            start += length.max(1);
        }
    }

    /// Positions along the bottom: the first, then round ones with room between them.
    fn positions(&self, canvas: &mut Canvas, place: &dyn Fn(usize) -> f64, bottom: f64) {
        let mut end = f64::NEG_INFINITY;
        let count = self.points.len();
        let round = [1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000]
            .into_iter()
            .find(|step| count <= step * 16)
            .unwrap_or(10_000);
        for (index, point) in self.points.iter().enumerate() {
            if index > 0 && point.position % round != 0 {
                continue;
            }
            let label = point.position.to_string();
            let half = Face::SMALL.width(&label) / 2.0;
            let at = place(index);
            if at - half < end + 6.0 || at + half > WIDTH {
                continue;
            }
            canvas.line("wr-axis", (at, bottom), (at, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, at, bottom + 15.0, &label);
            end = at + half;
        }
    }
}
