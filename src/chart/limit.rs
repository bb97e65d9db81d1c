//! How do results lie to a limit? A row a result with its interval, the limit upright, the guard band shaded.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, WIDTH};
use super::{Figure, Head};

/// One result.
#[derive(Debug, Clone)]
pub struct LimitRow {
    /// What it is of.
    pub label: String,
    /// The outcome and the numbers, as printed.
    pub text: String,
    /// The result.
    pub value: f64,
    /// Its interval.
    pub interval: (f64, f64),
    /// True if it passes.
    pub passes: bool,
}

/// Results against a limit.
#[derive(Debug, Clone)]
pub struct LimitChart {
    /// Title of the axis.
    pub axis: String,
    /// The limit and its name.
    pub limit: (f64, String),
    /// Where results pass from, and its name, if that is not the limit itself.
    pub acceptance: Option<(f64, String)>,
    /// The results.
    pub rows: Vec<LimitRow>,
}

impl LimitChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let left = Face::BODY.widest(self.rows.iter().map(|r| r.label.as_str())).min(190.0);
        let right = Face::BODY.widest(self.rows.iter().map(|r| r.text.as_str())).min(190.0);
        let (from, to) = (left + 16.0, WIDTH - right - 16.0);
        let mut values = vec![self.limit.0];
        values.extend(self.acceptance.iter().map(|a| a.0));
        for row in &self.rows {
            values.extend([row.value, row.interval.0, row.interval.1]);
        }
        let scale = Scale::across(&values, from, to, Face::SMALL);
        // Each name on a line of its own above the plot.
        let names: Vec<&(f64, String)> = [Some(&self.limit), self.acceptance.as_ref()]
            .into_iter()
            .flatten()
            .collect();
        let above: Vec<f64> = names
            .iter()
            .map(|(at, name)| {
                let name = Face::SMALL.cut(name, WIDTH);
                let half = Face::SMALL.width(&name) / 2.0;
                let x = scale.at(*at).clamp(half, WIDTH - half);
                canvas.text(Face::SMALL, Anchor::Middle, x, y + 8.0, &name);
                y += 14.0;
                y
            })
            .collect();
        let top = y;
        let height = Face::BODY.line() + 9.0;
        let bottom = top + height * self.rows.len() as f64;
        if let Some((at, _)) = &self.acceptance {
            let (a, b) = (scale.at(self.limit.0), scale.at(*at));
            canvas.rect("wr-band", a.min(b), top, (a - b).abs(), bottom - top);
        }
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        for ((at, _), from) in names.iter().zip(above) {
            let class = if *at == self.limit.0 { "wr-zero" } else { "wr-edge" };
            canvas.line(class, (scale.at(*at), from), (scale.at(*at), bottom));
        }
        for row in &self.rows {
            let middle = y + height / 2.0;
            let base = middle + Face::BODY.size * 0.35;
            canvas.text(Face::BODY, Anchor::Start, 0.0, base, &Face::BODY.cut(&row.label, left));
            let (low, high) = (scale.at(row.interval.0), scale.at(row.interval.1));
            canvas.line("wr-bar", (low, middle), (high, middle));
            let class = if row.passes { "wr-point" } else { "wr-hollow" };
            canvas.disc(class, scale.at(row.value), middle, 4.6);
            canvas.text(Face::BODY, Anchor::End, WIDTH, base, &Face::BODY.cut(&row.text, right));
            y += height;
        }
        scale.draw_below(&mut canvas, (from, to), bottom, &self.axis);
        head.finish(canvas, bottom + 37.0)
    }
}
