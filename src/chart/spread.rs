//! Where does the spread of one result come from? One bar that divides the variance, and a row a source.
//!
//! Method and product are told apart by a word and by a pattern: plain for the method, hatched for the product.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, WIDTH};
use super::{Figure, Head};

/// One source of spread.
#[derive(Debug, Clone)]
pub struct SpreadRow {
    /// The source.
    pub label: String,
    /// What it belongs to and what sort of source it is, as printed below the label.
    pub remark: String,
    /// True for the product, false for the method.
    pub product: bool,
    /// Standard deviation in one result, in the response's unit; `None` if it cannot be told.
    pub deviation: Option<f64>,
    /// Ends of the interval of the standard deviation.
    pub interval: Option<(f64, f64)>,
    /// Part of the variance, in [0, 1].
    pub share: Option<f64>,
    /// The numbers as printed.
    pub text: String,
}

/// Sources of spread.
#[derive(Debug, Clone)]
pub struct SpreadChart {
    /// Title of the axis.
    pub axis: String,
    /// What the method's and the product's parts of the bar are called, with their shares.
    pub parts: (String, String),
    /// The sources.
    pub rows: Vec<SpreadRow>,
}

/// The lines of a row, and how high it is.
struct Lines {
    label: Vec<String>,
    remark: Vec<String>,
    text: Vec<String>,
    height: f64,
}

impl SpreadChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        y = self.bar(&mut canvas, y + 2.0) + 16.0;

        let left = Face::BODY
            .widest(self.rows.iter().map(|r| r.label.as_str()))
            .max(Face::SMALL.widest(self.rows.iter().map(|r| r.remark.as_str())))
            .min(190.0);
        let right = Face::BODY.widest(self.rows.iter().map(|r| r.text.as_str())).min(190.0);
        let (from, to) = (left + 14.0, WIDTH - right - 14.0);
        let mut values = vec![0.0];
        for row in &self.rows {
            values.extend(row.deviation);
            values.extend(row.interval.iter().flat_map(|&(low, high)| [low, high]));
        }
        let scale = Scale::across(&values, from, to, Face::SMALL);

        let sizes: Vec<Lines> = self
            .rows
            .iter()
            .map(|row| {
                let label = Face::BODY.wrap_within(&row.label, left, 3);
                let remark = Face::SMALL.wrap_within(&row.remark, left, 3);
                let text = Face::BODY.wrap_within(&row.text, right, 3);
                let lines = label.len() as f64 * Face::BODY.line() + remark.len() as f64 * Face::SMALL.line();
                let height = lines.max(text.len() as f64 * Face::BODY.line()) + 10.0;
                Lines {
                    label,
                    remark,
                    text,
                    height,
                }
            })
            .collect();
        let top = y;
        let bottom = top + sizes.iter().map(|lines| lines.height).sum::<f64>();
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        canvas.line("wr-zero", (scale.at(0.0), top), (scale.at(0.0), bottom));
        for (row, lines) in self.rows.iter().zip(&sizes) {
            let Lines {
                label,
                remark,
                text,
                height,
            } = lines;
            let block = label.len() as f64 * Face::BODY.line() + remark.len() as f64 * Face::SMALL.line();
            let base = y + (height - block) / 2.0 + Face::BODY.size * 0.92;
            let next = canvas.lines(Face::BODY, Anchor::Start, 0.0, base, label);
            canvas.lines(Face::SMALL, Anchor::Start, 0.0, next - 1.5, remark);
            let middle = y + height / 2.0;
            if let Some(deviation) = row.deviation {
                let (x, width) = (scale.at(0.0), scale.at(deviation) - scale.at(0.0));
                patterned(&mut canvas, row.product, (x, middle - 5.0), width, 10.0);
            }
            if let Some((low, high)) = row.interval {
                let (low, high) = (scale.at(low), scale.at(high));
                canvas.line("wr-halo", (low, middle), (high, middle));
                canvas.line("wr-over", (low, middle), (high, middle));
                for end in [low, high] {
                    canvas.line("wr-over", (end, middle - 4.0), (end, middle + 4.0));
                }
            }
            let base = middle - (text.len() as f64 - 1.0) * Face::BODY.line() / 2.0 + Face::BODY.size * 0.35;
            canvas.lines(Face::BODY, Anchor::End, WIDTH, base, text);
            y += height;
        }
        scale.draw_below(&mut canvas, (from, to), bottom, &self.axis);
        head.finish(canvas, bottom + 37.0)
    }

    /// The whole variance as one bar, method first; returns the y below its labels.
    fn bar(&self, canvas: &mut Canvas, y: f64) -> f64 {
        let sum = |product: bool| -> f64 {
            let shares = self.rows.iter().filter(|row| row.product == product);
            shares.filter_map(|row| row.share).sum()
        };
        let (method, product) = (sum(false), sum(true));
        let whole = method + product;
        if whole <= 0.0 {
            return y - 16.0;
        }
        let split = (WIDTH - 1.0) * method / whole;
        let height = 16.0;
        patterned(canvas, false, (0.5, y), split, height);
        patterned(canvas, true, (0.5 + split, y), WIDTH - 1.0 - split, height);
        let base = y + height + 13.0;
        let left = Face::BODY.cut(&self.parts.0, WIDTH * 0.48);
        let right = Face::BODY.cut(&self.parts.1, WIDTH * 0.48);
        canvas.text(Face::BODY, Anchor::Start, 0.0, base, &left);
        canvas.text(Face::BODY, Anchor::End, WIDTH, base, &right);
        base + 4.0
    }
}

/// A plain bar for the method, a hatched one for the product.
fn patterned(canvas: &mut Canvas, product: bool, (x, y): (f64, f64), width: f64, height: f64) {
    if product {
        canvas.rect("wr-product", x, y, width, height);
        canvas.hatch("wr-hatch", x, y, width, height, 6.0);
    } else {
        canvas.rect("wr-method", x, y, width, height);
    }
}
