//! Which part is the largest? Bars from zero, a row a part, the whole below them.
//!
//! What averaging makes smaller is hatched, what it leaves alone is plain; a word in each row says the same.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, WIDTH};
use super::{Figure, Head};

/// One part.
#[derive(Debug, Clone)]
pub struct BarRow {
    /// The part.
    pub label: String,
    /// What sort of part it is, printed below the label.
    pub remark: String,
    /// Its size, zero or above.
    pub size: f64,
    /// The numbers as printed.
    pub text: String,
    /// True if averaging makes it smaller.
    pub hatched: bool,
}

/// Parts of a whole.
#[derive(Debug, Clone)]
pub struct BarsChart {
    /// Title of the axis.
    pub axis: String,
    /// The parts, the largest first.
    pub rows: Vec<BarRow>,
    /// The whole.
    pub whole: BarRow,
}

impl BarsChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let rows: Vec<&BarRow> = self.rows.iter().chain([&self.whole]).collect();
        let left = Face::BODY
            .widest(rows.iter().map(|r| r.label.as_str()))
            .max(Face::SMALL.widest(rows.iter().map(|r| r.remark.as_str())))
            .min(220.0);
        let right = Face::BODY.widest(rows.iter().map(|r| r.text.as_str())).min(150.0);
        let (from, to) = (left + 14.0, WIDTH - right - 14.0);
        let values: Vec<f64> = rows.iter().map(|row| row.size).chain([0.0]).collect();
        let scale = Scale::across(&values, from, to, Face::SMALL);
        let wrapped: Vec<(Vec<String>, Vec<String>, f64)> = rows
            .iter()
            .map(|row| {
                let label = Face::BODY.wrap_within(&row.label, left, 2);
                let remark = Face::SMALL.wrap_within(&row.remark, left, 2);
                let height = label.len() as f64 * Face::BODY.line() + remark.len() as f64 * Face::SMALL.line() + 8.0;
                (label, remark, height)
            })
            .collect();
        let top = y;
        let gap = 8.0;
        let bottom = top + wrapped.iter().map(|w| w.2).sum::<f64>() + gap;
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        canvas.line("wr-zero", (scale.at(0.0), top), (scale.at(0.0), bottom));
        for (index, (row, (label, remark, height))) in rows.iter().zip(&wrapped).enumerate() {
            if index == self.rows.len() {
                canvas.line("wr-axis", (0.0, y + gap / 2.0), (WIDTH, y + gap / 2.0));
                y += gap;
            }
            let base = y + 4.0 + Face::BODY.size * 0.92;
            let next = canvas.lines(Face::BODY, Anchor::Start, 0.0, base, label);
            canvas.lines(Face::SMALL, Anchor::Start, 0.0, next - 1.5, remark);
            let middle = y + height / 2.0;
            let (x, width) = (scale.at(0.0), scale.at(row.size) - scale.at(0.0));
            if row.hatched {
                canvas.rect("wr-product", x, middle - 6.0, width, 12.0);
                canvas.hatch("wr-hatch", x, middle - 6.0, width, 12.0, 6.0);
            } else {
                canvas.rect("wr-method", x, middle - 6.0, width, 12.0);
            }
            let text = Face::BODY.cut(&row.text, right);
            canvas.text(Face::BODY, Anchor::End, WIDTH, middle + Face::BODY.size * 0.35, &text);
            y += height;
        }
        scale.draw_below(&mut canvas, (from, to), bottom, &self.axis);
        head.finish(canvas, bottom + 37.0)
    }
}
