//! How large must an effect be to be found? Power along the size of an effect.

use std::fmt::Write as _;

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// One curve.
#[derive(Debug, Clone)]
pub struct PowerCurve {
    /// What it stands for: the effects that share it.
    pub label: String,
    /// Sizes with their power, by size.
    pub points: Vec<(f64, f64)>,
}

/// Power along the size of an effect.
#[derive(Debug, Clone)]
pub struct PowerChart {
    /// Title of the horizontal axis.
    pub across: String,
    /// The curves; those beyond the sixth are left out.
    pub curves: Vec<PowerCurve>,
    /// Power wanted, with its label.
    pub target: (f64, String),
    /// Relevant size, with its label.
    pub relevant: Option<(f64, String)>,
}

const PLOT: f64 = 230.0;
/// Marks on a curve, so that curves are told apart without colour.
const MARKS: usize = 6;

impl PowerChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let y = head.draw(&mut canvas);
        let y = self.legend(&mut canvas, y);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, "Power");
        let top = y + 30.0;
        let left = Face::SMALL.width("100 %") + 8.0;
        let sizes: Vec<f64> = self.curves.iter().flat_map(|c| c.points.iter().map(|p| p.0)).collect();
        let x = Scale::across(&sizes, left, WIDTH - 8.0, Face::SMALL);
        let at = |power: f64| top + PLOT * (1.0 - power.clamp(0.0, 1.0));
        for percent in [0, 20, 40, 60, 80, 100] {
            let place = at(f64::from(percent) / 100.0);
            canvas.line("wr-grid", (left, place), (WIDTH, place));
            let label = format!("{percent}\u{a0}%");
            canvas.text(Face::SMALL, Anchor::End, left - 6.0, place + 3.5, &label);
        }
        let (target, label) = &self.target;
        canvas.line("wr-edge", (left, at(*target)), (WIDTH, at(*target)));
        // At the right end every curve has passed the line.
        canvas.text(Face::SMALL, Anchor::End, WIDTH, at(*target) + 13.0, label);
        if let Some((size, label)) = &self.relevant {
            let place = x.at(*size);
            canvas.line("wr-edge", (place, top - 8.0), (place, top + PLOT));
            let width = Face::SMALL.width(label);
            let middle = place.clamp(left + width / 2.0, WIDTH - width / 2.0);
            canvas.text(Face::SMALL, Anchor::Middle, middle, top - 12.0, label);
        }
        for (index, (curve, shape)) in self.curves.iter().zip(Shape::ALL).enumerate() {
            let mut data = String::new();
            for (place, &(size, power)) in curve.points.iter().enumerate() {
                let letter = if place == 0 { 'M' } else { 'L' };
                let _ = write!(data, "{letter}{} {}", n(x.at(size)), n(at(power)));
            }
            canvas.path("wr-stroke", &data);
            // Marks of different curves stand at different places, so that curves that run together stay legible.
            let step = (curve.points.len() / MARKS).max(1);
            let shift = step * (index + 1) / (self.curves.len() + 1);
            for &(size, power) in curve.points.iter().skip(shift).step_by(step) {
                canvas.mark(shape, x.at(size), at(power), 4.2);
            }
        }
        let bottom = top + PLOT;
        canvas.line("wr-axis", (left, bottom), (WIDTH, bottom));
        for &tick in x.ticks.iter().filter(|&&tick| tick >= 0.0) {
            canvas.line("wr-axis", (x.at(tick), bottom), (x.at(tick), bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, x.at(tick), bottom + 15.0, &x.label(tick));
        }
        let across = Face::SMALL.wrap_within(&self.across, 0.92 * (WIDTH - left), 3);
        let end = canvas.lines(Face::SMALL, Anchor::Start, left, bottom + 31.0, &across);
        head.finish(canvas, end - 4.0)
    }

    /// The shapes and what they stand for, one a line; returns the y below.
    fn legend(&self, canvas: &mut Canvas, y: f64) -> f64 {
        let mut base = y + 11.0;
        for (curve, shape) in self.curves.iter().zip(Shape::ALL) {
            canvas.mark(shape, 6.0, base - 4.0, 4.2);
            let label = Face::BODY.cut(&curve.label, WIDTH - 20.0);
            canvas.text(Face::BODY, Anchor::Start, 18.0, base, &label);
            base += Face::BODY.line() + 2.0;
        }
        base
    }
}
