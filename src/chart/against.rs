//! One quantity against another, or by name: marks with intervals, curves, a band, lines across.
//!
//! Series are told apart by shape, curves by their stroke; both are named at the head.

use std::fmt::Write as _;

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Legend, Shape, WIDTH, n};
use super::{Figure, Head};

/// What runs along the bottom.
#[derive(Debug, Clone)]
pub enum Across {
    /// Numbers on a scale.
    Numbers,
    /// Names side by side; the x of a mark is the place of its name, from 0.
    Names(Vec<String>),
}

/// A mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Where along the bottom.
    pub x: f64,
    /// How high.
    pub y: f64,
    /// Ends of an interval in y.
    pub interval: Option<(f64, f64)>,
}

/// Marks of one shape.
#[derive(Debug, Clone)]
pub struct Series {
    /// Its name; empty if it needs none.
    pub label: String,
    /// Its marks.
    pub marks: Vec<Mark>,
}

/// A line through points.
#[derive(Debug, Clone)]
pub struct Curve {
    /// Its name.
    pub label: String,
    /// Its points, from left to right.
    pub points: Vec<(f64, f64)>,
    /// True for dashes.
    pub dashed: bool,
}

/// A line right across, with its name.
#[derive(Debug, Clone)]
pub struct Level {
    /// How high.
    pub y: f64,
    /// Its name, drawn at its right end; may be empty.
    pub label: String,
    /// True for a line that is the thing to look at, such as zero.
    pub strong: bool,
}

/// The figure.
#[derive(Debug, Clone)]
pub struct AgainstChart {
    /// Title of the upright axis.
    pub axis: String,
    /// Title along the bottom.
    pub across: String,
    /// What runs along the bottom.
    pub along: Across,
    /// Marks.
    pub series: Vec<Series>,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Lines across.
    pub levels: Vec<Level>,
    /// A shaded band, with its name.
    pub band: Option<(f64, f64, String)>,
}

const PLOT: f64 = 230.0;
const RADIUS: f64 = 4.0;

impl AgainstChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        y = self.legend(&mut canvas, y);
        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &axis);
        let top = y + 18.0;

        let marks = || self.series.iter().flat_map(|s| &s.marks);
        let curve_points = || self.curves.iter().flat_map(|c| &c.points);
        let mut heights: Vec<f64> = marks()
            .flat_map(|m| {
                [m.y]
                    .into_iter()
                    .chain(m.interval.iter().flat_map(|&(low, high)| [low, high]))
            })
            .chain(curve_points().map(|p| p.1))
            .chain(self.levels.iter().map(|l| l.y))
            .collect();
        if let Some((low, high, _)) = &self.band {
            heights.extend([*low, *high]);
        }
        let up = Scale::over(heights.iter().copied(), PLOT, 0.0, 6);
        let left = up
            .ticks
            .iter()
            .map(|&t| Face::SMALL.width(&up.label(t)))
            .fold(0.0, f64::max)
            + 8.0;
        let right = WIDTH
            - Face::SMALL
                .widest(self.levels.iter().map(|l| l.label.as_str()))
                .min(140.0)
            - 8.0;
        let widths: Vec<f64> = marks().map(|m| m.x).chain(curve_points().map(|p| p.0)).collect();
        let along = Scale::across(&widths, left + 6.0, right - 6.0, Face::SMALL);
        let place = |x: f64| match &self.along {
            Across::Numbers => along.at(x),
            Across::Names(names) => left + (x + 0.5) * (right - left) / names.len().max(1) as f64,
        };
        let high = |value: f64| top + up.at(value);

        if let Some((low, over, _)) = &self.band {
            let (from, to) = (high(*over), high(*low));
            canvas.rect("wr-band", left, from, right - left, to - from);
            canvas.line("wr-edge", (left, from), (right, from));
            canvas.line("wr-edge", (left, to), (right, to));
        }
        for &tick in &up.ticks {
            canvas.line("wr-grid", (left, high(tick)), (right, high(tick)));
            canvas.text(Face::SMALL, Anchor::End, left - 6.0, high(tick) + 3.5, &up.label(tick));
        }
        self.across_lines(&mut canvas, &high, left, right);
        for curve in &self.curves {
            let mut data = String::new();
            for (index, &(x, y)) in curve.points.iter().enumerate() {
                let _ = write!(
                    data,
                    "{}{} {}",
                    if index == 0 { "M" } else { "L" },
                    n(place(x)),
                    n(high(y))
                );
            }
            canvas.path(if curve.dashed { "wr-edge" } else { "wr-zero" }, &data);
        }
        let step = match &self.along {
            // Intervals of two series would hide each other.
            Across::Numbers if self.series.iter().any(|s| s.marks.iter().any(|m| m.interval.is_some())) => 9.0,
            Across::Numbers => 0.0,
            Across::Names(names) => {
                let column = (right - left) / names.len().max(1) as f64;
                (column * 0.8 / self.series.len().max(1) as f64).min(13.0)
            }
        };
        for (index, series) in self.series.iter().enumerate() {
            let shift = (index as f64 - (self.series.len() as f64 - 1.0) / 2.0) * step;
            for mark in &series.marks {
                let x = place(mark.x) + shift;
                if let Some((low, over)) = mark.interval {
                    canvas.line("wr-bar", (x, high(low)), (x, high(over)));
                }
                canvas.mark(Shape::ALL[index % Shape::ALL.len()], x, high(mark.y), RADIUS);
            }
        }
        let bottom = top + PLOT;
        canvas.line("wr-axis", (left, bottom), (right, bottom));
        let lowest = self.along_labels(&mut canvas, &along, &place, (left, right), bottom);
        let across = Face::SMALL.cut(&self.across, WIDTH);
        let half = Face::SMALL.width(&across) / 2.0;
        let x = f64::midpoint(left, right).clamp(half, (WIDTH - half).max(half));
        canvas.text(Face::SMALL, Anchor::Middle, x, lowest + 15.0, &across);
        head.finish(canvas, lowest + 22.0)
    }

    /// Shapes, strokes and the band with their names; returns the y below.
    fn legend(&self, canvas: &mut Canvas, y: f64) -> f64 {
        let mut legend = Legend::new(y);
        for (index, series) in self.series.iter().enumerate().filter(|(_, s)| !s.label.is_empty()) {
            canvas.shape(&mut legend, Shape::ALL[index % Shape::ALL.len()], &series.label);
        }
        for curve in self.curves.iter().filter(|c| !c.label.is_empty()) {
            let (label, (x, base)) = legend.room(&curve.label, 28.0, WIDTH - 10.0);
            let class = if curve.dashed { "wr-edge" } else { "wr-zero" };
            canvas.line(class, (x, base - 4.0), (x + 22.0, base - 4.0));
            canvas.text(Face::BODY, Anchor::Start, x + 28.0, base, &label);
        }
        if let Some((_, _, label)) = self.band.as_ref().filter(|(_, _, label)| !label.is_empty()) {
            let (label, (x, base)) = legend.room(label, 28.0, WIDTH - 10.0);
            canvas.rect("wr-band", x, base - 9.0, 22.0, 10.0);
            canvas.line("wr-edge", (x, base - 9.0), (x + 22.0, base - 9.0));
            canvas.line("wr-edge", (x, base + 1.0), (x + 22.0, base + 1.0));
            canvas.text(Face::BODY, Anchor::Start, x + 28.0, base, &label);
        }
        legend.below()
    }

    /// Lines across; a name gives way to one above it that is too near.
    fn across_lines(&self, canvas: &mut Canvas, high: &dyn Fn(f64) -> f64, left: f64, right: f64) {
        let mut taken: Vec<f64> = Vec::new();
        for level in &self.levels {
            let at = high(level.y);
            canvas.line(
                if level.strong { "wr-zero" } else { "wr-edge" },
                (left, at),
                (right, at),
            );
            let free = taken.iter().all(|other| (other - at).abs() > Face::SMALL.line());
            if free && !level.label.is_empty() {
                let label = Face::SMALL.cut(&level.label, 140.0);
                canvas.text(Face::SMALL, Anchor::Start, right + 6.0, at + 3.5, &label);
                taken.push(at);
            }
        }
    }

    /// Ticks or names along the bottom; returns the base line of the lowest text.
    fn along_labels(
        &self,
        canvas: &mut Canvas,
        along: &Scale,
        place: &dyn Fn(f64) -> f64,
        (left, right): (f64, f64),
        bottom: f64,
    ) -> f64 {
        let base = bottom + 15.0;
        match &self.along {
            Across::Numbers => {
                let mut end = f64::NEG_INFINITY;
                for &tick in &along.ticks {
                    let label = along.label(tick);
                    let (x, half) = (place(tick), Face::SMALL.width(&along.label(tick)) / 2.0);
                    canvas.line("wr-axis", (x, bottom), (x, bottom + 4.0));
                    if x - half > end + 4.0 && x + half <= WIDTH && x - half >= 0.0 {
                        canvas.text(Face::SMALL, Anchor::Middle, x, base, &label);
                        end = x + half;
                    }
                }
                base
            }
            Across::Names(names) => {
                let column = (right - left) / names.len().max(1) as f64;
                let every = (26.0 / column).ceil().max(1.0) as usize;
                let mut lowest = base;
                for (index, name) in names.iter().enumerate() {
                    if index > 0 {
                        let x = left + index as f64 * column;
                        canvas.line("wr-grid", (x, bottom - PLOT), (x, bottom));
                    }
                    if index % every == 0 {
                        let lines = Face::SMALL.wrap_within(name, column * every as f64 - 6.0, 3);
                        let half = Face::SMALL.widest(lines.iter().map(String::as_str)) / 2.0;
                        let x = place(index as f64).clamp(half, (WIDTH - half).max(half));
                        let after = canvas.lines(Face::SMALL, Anchor::Middle, x, base, &lines);
                        lowest = lowest.max(after - Face::SMALL.line());
                    }
                }
                lowest
            }
        }
    }
}
