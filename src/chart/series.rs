//! How do things go on along a series? Means by position, one mark a group, with the curve that was fitted.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// One group.
#[derive(Debug, Clone)]
pub struct SeriesGroup {
    /// Its name.
    pub label: String,
    /// Position and value of each mark.
    pub points: Vec<(f64, f64)>,
    /// Places of the fitted curve; empty for none.
    pub curve: Vec<(f64, f64)>,
}

/// Series of several groups over the same positions.
#[derive(Debug, Clone)]
pub struct SeriesChart {
    /// Title of the vertical axis.
    pub axis: String,
    /// Title of the horizontal axis.
    pub across: String,
    /// The groups; the first six are drawn.
    pub groups: Vec<SeriesGroup>,
}

const PLOT: f64 = 190.0;

impl SeriesChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        y = canvas.shapes("", self.groups.iter().map(|g| g.label.as_str()), y);
        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &axis);
        let top = y + 18.0;
        let groups = &self.groups[..self.groups.len().min(Shape::ALL.len())];
        let places = || groups.iter().flat_map(|g| g.points.iter().chain(&g.curve));
        let scale = Scale::over(places().map(|p| p.1).chain([0.0]), PLOT, 0.0, 6);
        let left = Face::SMALL.widest(
            scale
                .ticks
                .iter()
                .map(|&t| scale.label(t))
                .collect::<Vec<_>>()
                .iter()
                .map(String::as_str),
        ) + 8.0;
        let across: Vec<f64> = places().map(|p| p.0).collect();
        let wide = Scale::across(&across, left + 6.0, WIDTH - 6.0, Face::SMALL);
        for &tick in &scale.ticks {
            let at = top + scale.at(tick);
            canvas.line("wr-grid", (left, at), (WIDTH, at));
            canvas.text(Face::SMALL, Anchor::End, left - 6.0, at + 3.5, &scale.label(tick));
        }
        let zero = top + scale.at(0.0);
        canvas.line("wr-zero", (left, zero), (WIDTH, zero));
        let place = |p: &(f64, f64)| (wide.at(p.0), top + scale.at(p.1));
        for group in groups.iter().filter(|g| g.curve.len() > 1) {
            let path: Vec<String> = group
                .curve
                .iter()
                .enumerate()
                .map(|(index, p)| {
                    let (x, y) = place(p);
                    format!("{}{} {}", if index == 0 { "M" } else { "L" }, n(x), n(y))
                })
                .collect();
            canvas.path("wr-axis", &path.concat());
        }
        for (group, shape) in groups.iter().zip(Shape::ALL) {
            for point in &group.points {
                let (x, y) = place(point);
                canvas.mark(shape, x, y, 4.0);
            }
        }
        let bottom = top + PLOT;
        canvas.line("wr-axis", (left, bottom), (WIDTH, bottom));
        for &tick in wide.ticks.iter().filter(|t| t.fract() == 0.0) {
            let at = wide.at(tick);
            canvas.line("wr-axis", (at, bottom), (at, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, at, bottom + 15.0, &format!("{tick:.0}"));
        }
        canvas.name_below(&self.across, left, bottom);
        head.finish(canvas, bottom + 36.0)
    }
}
