//! Which effects stand out from chance? A row an effect, the largest first, over what chance would put at its rank.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH};
use super::{Figure, Head};

/// One effect.
#[derive(Debug, Clone)]
pub struct LoneRow {
    /// Its name, with what it is mixed with.
    pub label: String,
    /// The effect with its sign, as printed.
    pub text: String,
    /// Its size.
    pub size: f64,
    /// Where chance alone would put an effect of this rank.
    pub by_chance: (f64, f64),
    /// True if it stands out.
    pub out: bool,
}

/// Effects by size.
#[derive(Debug, Clone)]
pub struct LoneChart {
    /// Title of the axis.
    pub axis: String,
    /// The rows, largest first.
    pub rows: Vec<LoneRow>,
    /// Size that chance alone seldom passes.
    pub margin: f64,
}

impl LoneChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let top = head.draw(&mut canvas);
        let left = Face::BODY.widest(self.rows.iter().map(|r| r.label.as_str())).min(230.0);
        let right = Face::BODY.widest(self.rows.iter().map(|r| r.text.as_str())).min(90.0);
        let (from, to) = (left + 14.0, WIDTH - right - 14.0);
        let mut values = vec![0.0, self.margin];
        for row in &self.rows {
            values.extend([row.size, row.by_chance.1]);
        }
        let scale = Scale::across(&values, from, to, Face::SMALL);
        let lines: Vec<Vec<String>> = self
            .rows
            .iter()
            .map(|row| Face::BODY.wrap_within(&row.label, left, 3))
            .collect();
        let height = |lines: &[String]| lines.len() as f64 * Face::BODY.line() + 5.0;
        let bottom = top + lines.iter().map(|l| height(l)).sum::<f64>();
        let ticks: Vec<f64> = scale.ticks.iter().copied().filter(|tick| *tick >= 0.0).collect();
        for &tick in &ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        canvas.line("wr-edge", (scale.at(self.margin), top), (scale.at(self.margin), bottom));
        let mut y = top;
        for (row, lines) in self.rows.iter().zip(&lines) {
            let middle = y + height(lines) / 2.0;
            let base = middle - (lines.len() as f64 - 1.0) * Face::BODY.line() / 2.0 + Face::BODY.size * 0.35;
            canvas.lines(Face::BODY, Anchor::Start, 0.0, base, lines);
            let (low, high) = (scale.at(row.by_chance.0), scale.at(row.by_chance.1));
            canvas.line("wr-readings", (low, middle), (high, middle));
            if row.out {
                canvas.mark(Shape::Disc, scale.at(row.size), middle, 5.0);
            } else {
                canvas.disc("wr-hollow", scale.at(row.size), middle, 4.2);
            }
            let text = Face::BODY.cut(&row.text, right);
            canvas.text(Face::BODY, Anchor::End, WIDTH, middle + Face::BODY.size * 0.35, &text);
            y += height(lines);
        }
        canvas.line("wr-axis", (from, bottom), (to, bottom));
        for &tick in &ticks {
            let at = scale.at(tick);
            canvas.line("wr-axis", (at, bottom), (at, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, at, bottom + 15.0, &scale.label(tick));
        }
        let axis = Face::SMALL.cut(&self.axis, WIDTH);
        let half = Face::SMALL.width(&axis) / 2.0;
        let x = f64::midpoint(from, to).clamp(half, WIDTH - half);
        canvas.text(Face::SMALL, Anchor::Middle, x, bottom + 30.0, &axis);
        head.finish(canvas, bottom + 37.0)
    }
}
