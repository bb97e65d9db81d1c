//! Points, lines and bands over two scales: what is a difference like along the level, which line joins two methods, how
//! often does a product pass?

use std::fmt::Write as _;

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pen {
    /// What was found.
    Strong,
    /// What it is held against.
    Plain,
    /// An end of an interval, a limit, a second view.
    Dashed,
}

impl Pen {
    fn class(self) -> &'static str {
        match self {
            Self::Strong => "wr-bar",
            Self::Plain => "wr-zero",
            Self::Dashed => "wr-edge",
        }
    }
}

/// A line through places, with its name at its right end.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its name; empty for none.
    pub label: String,
    /// How it is drawn.
    pub pen: Pen,
    /// Its corners.
    pub points: Vec<(f64, f64)>,
}

/// Points, lines and bands.
#[derive(Debug, Clone)]
pub struct PlotChart {
    /// Title of the horizontal axis.
    pub across: String,
    /// Title of the vertical axis.
    pub axis: String,
    /// The points.
    pub points: Vec<(f64, f64)>,
    /// Lines; those that reach beyond the points are cut at the edges.
    pub lines: Vec<Line>,
    /// True if the names stand above with a sample of each line, for lines that end at one place.
    pub legend: bool,
    /// A band along a line: place, lower edge, upper edge; drawn below everything.
    pub ribbon: Vec<(f64, f64, f64)>,
    /// Level bands: lower edge, upper edge, name.
    pub bands: Vec<(f64, f64, String)>,
    /// Upright lines: place and name, drawn above the plot.
    pub uprights: Vec<(f64, String)>,
    /// Values that must have room on the two scales, beside points and lines.
    pub room: (Vec<f64>, Vec<f64>),
}

const PLOT: f64 = 270.0;

impl PlotChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        if self.legend {
            y = self.samples(&mut canvas, y);
        }
        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &axis);
        y += 14.0;
        for (_, _, name) in self.bands.iter().filter(|(_, _, name)| !name.is_empty()) {
            let name = Face::SMALL.cut(name, WIDTH);
            canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &name);
            y += 14.0;
        }
        if !self.uprights.is_empty() {
            y += 14.0;
        }
        let top = y + 4.0;

        let corners = || self.lines.iter().flat_map(|line| &line.points);
        let up: Vec<f64> = self
            .points
            .iter()
            .chain(corners())
            .map(|p| p.1)
            .chain(self.room.1.iter().copied())
            .chain(self.bands.iter().flat_map(|b| [b.0, b.1]))
            .chain(self.ribbon.iter().flat_map(|b| [b.1, b.2]))
            .collect();
        let down = Scale::over(up.iter().copied(), PLOT, 0.0, 6);
        let left = down
            .ticks
            .iter()
            .map(|&t| Face::SMALL.width(&down.label(t)))
            .fold(0.0, f64::max)
            + 8.0;
        let names = if self.legend {
            0.0
        } else {
            Face::SMALL
                .widest(self.lines.iter().map(|l| l.label.as_str()))
                .min(170.0)
        };
        let right = WIDTH - if names > 0.0 { names + 8.0 } else { 4.0 };
        let wide: Vec<f64> = self
            .points
            .iter()
            .chain(corners())
            .map(|p| p.0)
            .chain(self.room.0.iter().copied())
            .chain(self.uprights.iter().map(|u| u.0))
            .collect();
        let across = Scale::across(&wide, left, right, Face::SMALL);
        let place = |p: (f64, f64)| (across.at(p.0), top + down.at(p.1));
        let bottom = top + PLOT;

        for (low, high, _) in &self.bands {
            let (from, to) = (top + down.at(*high), top + down.at(*low));
            canvas.rect("wr-band", left, from, right - left, to - from);
        }
        if !self.ribbon.is_empty() {
            let above = self.ribbon.iter().map(|b| (b.0, b.2));
            let below = self.ribbon.iter().rev().map(|b| (b.0, b.1));
            let mut data = String::new();
            for (index, point) in above.chain(below).enumerate() {
                let (x, y) = place(point);
                let _ = write!(data, "{}{} {}", if index == 0 { "M" } else { "L" }, n(x), n(y));
            }
            data.push('Z');
            canvas.path("wr-band", &data);
        }
        for &tick in &down.ticks {
            let at = top + down.at(tick);
            canvas.line("wr-grid", (left, at), (right, at));
            canvas.text(Face::SMALL, Anchor::End, left - 6.0, at + 3.5, &down.label(tick));
        }
        let mut end = f64::NEG_INFINITY;
        for (at, name) in &self.uprights {
            let x = across.at(*at);
            canvas.line("wr-zero", (x, top), (x, bottom));
            let name = Face::SMALL.cut(name, WIDTH / 2.0);
            let half = Face::SMALL.width(&name) / 2.0;
            let middle = x.clamp(half, WIDTH - half).max(end + half + 8.0);
            if middle + half <= WIDTH + 0.5 {
                canvas.text(Face::SMALL, Anchor::Middle, middle, top - 6.0, &name);
                end = middle + half;
            }
        }
        for line in &self.lines {
            let mut data = String::new();
            for (index, point) in line.points.iter().enumerate() {
                let (x, y) = place(*point);
                let _ = write!(data, "{}{} {}", if index == 0 { "M" } else { "L" }, n(x), n(y));
            }
            canvas.path(line.pen.class(), &data);
        }
        for &point in &self.points {
            let (x, y) = place(point);
            canvas.mark(Shape::Disc, x, y, 3.6);
        }
        if !self.legend {
            self.names(&mut canvas, right + 6.0, &|line| {
                line.points.last().map(|&p| place(p).1)
            });
        }

        canvas.line("wr-axis", (left, bottom), (right, bottom));
        for &tick in &across.ticks {
            let x = across.at(tick);
            canvas.line("wr-axis", (x, bottom), (x, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, x, bottom + 15.0, &across.label(tick));
        }
        let title = Face::SMALL.cut(&self.across, right - left);
        let middle = f64::midpoint(left, right);
        canvas.text(Face::SMALL, Anchor::Middle, middle, bottom + 30.0, &title);
        head.finish(canvas, bottom + 37.0)
    }

    /// A sample of each named line with its name; returns the y below.
    fn samples(&self, canvas: &mut Canvas, y: f64) -> f64 {
        let face = Face::SMALL;
        let (mut x, mut base) = (0.0, y + 11.0);
        for line in self.lines.iter().filter(|line| !line.label.is_empty()) {
            let label = face.cut(&line.label, WIDTH - 40.0);
            let width = 34.0 + face.width(&label);
            if x > 0.0 && x + width > WIDTH {
                x = 0.0;
                base += face.line() + 3.0;
            }
            canvas.line(line.pen.class(), (x, base - 3.5), (x + 26.0, base - 3.5));
            canvas.text(face, Anchor::Start, x + 32.0, base, &label);
            x += width + 18.0;
        }
        base + 12.0
    }

    /// The names of the lines at their right ends, pushed apart where they would touch.
    fn names(&self, canvas: &mut Canvas, x: f64, end: &dyn Fn(&Line) -> Option<f64>) {
        let mut named: Vec<(f64, Vec<String>)> = self
            .lines
            .iter()
            .filter(|line| !line.label.is_empty())
            .filter_map(|line| Some((end(line)?, Face::SMALL.wrap_within(&line.label, WIDTH - x, 3))))
            .collect();
        named.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = f64::NEG_INFINITY;
        for (at, lines) in named {
            let height = lines.len() as f64 * Face::SMALL.line();
            let from = (at - height / 2.0).max(free);
            canvas.lines(Face::SMALL, Anchor::Start, x, from + Face::SMALL.size * 0.92, &lines);
            free = from + height + 1.0;
        }
    }
}
