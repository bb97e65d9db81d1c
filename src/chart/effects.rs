//! How far does each change move the result? A row a change, its interval first, against a zero line.

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, WIDTH};
use super::{Figure, Head};

/// One change and what it does.
#[derive(Debug, Clone)]
pub struct EffectRow {
    /// The change: 'instrument B against A', 'temperature from 21 to 25 °C'.
    pub label: String,
    /// The estimate with its interval, as printed.
    pub text: String,
    /// Change of the response, in its unit.
    pub estimate: f64,
    /// Ends of the interval; `None` if it cannot be told.
    pub interval: Option<(f64, f64)>,
}

/// Rows under headings.
#[derive(Debug, Clone)]
pub struct EffectsChart {
    /// Title of the axis.
    pub axis: String,
    /// Headings with their rows, such as 'Planned before the readings'.
    pub groups: Vec<(String, Vec<EffectRow>)>,
    /// Smallest difference that matters, and what to call its band; drawn on both sides of zero.
    pub relevant: Option<(f64, String)>,
}

/// The lines of a row, and how high it is.
struct Lines {
    label: Vec<String>,
    text: Vec<String>,
    height: f64,
}

impl EffectsChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let rows = || self.groups.iter().flat_map(|(_, rows)| rows);
        let left = Face::BODY.widest(rows().map(|r| r.label.as_str())).min(190.0);
        let right = Face::BODY.widest(rows().map(|r| r.text.as_str())).min(170.0);
        let (from, to) = (left + 16.0, WIDTH - right - 16.0);

        let mut values = vec![0.0];
        for row in rows() {
            values.push(row.estimate);
            values.extend(row.interval.iter().flat_map(|&(low, high)| [low, high]));
        }
        if let Some((relevant, _)) = &self.relevant {
            values.extend([-relevant, *relevant]);
        }
        let scale = Scale::across(&values, from, to, Face::SMALL);

        // The band's name stands above the plot, held between the edges of the canvas.
        let band = self.relevant.as_ref().map(|(relevant, name)| {
            let name = Face::SMALL.cut(name, WIDTH);
            let half = Face::SMALL.width(&name) / 2.0;
            let x = scale.at(0.0).clamp(half, WIDTH - half);
            canvas.text(Face::SMALL, Anchor::Middle, x, y + 8.0, &name);
            y += 14.0;
            (scale.at(-relevant), scale.at(*relevant))
        });
        let top = y;

        // Measure first: the band and the grid lie under the rows.
        let heading = 22.0;
        let heights: Vec<Vec<Lines>> = self
            .groups
            .iter()
            .map(|(_, rows)| {
                rows.iter()
                    .map(|row| {
                        let label = Face::BODY.wrap_within(&row.label, left, 4);
                        let text = Face::BODY.wrap_within(&row.text, right, 4);
                        let height = label.len().max(text.len()) as f64 * Face::BODY.line() + 9.0;
                        Lines { label, text, height }
                    })
                    .collect()
            })
            .collect();
        let bottom = top
            + heights
                .iter()
                .map(|rows| heading + rows.iter().map(|lines| lines.height).sum::<f64>())
                .sum::<f64>();
        if let Some((low, high)) = band {
            canvas.rect("wr-band", low, top, high - low, bottom - top);
            canvas.line("wr-edge", (low, top), (low, bottom));
            canvas.line("wr-edge", (high, top), (high, bottom));
        }
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        canvas.line("wr-zero", (scale.at(0.0), top), (scale.at(0.0), bottom));

        for ((name, rows), sizes) in self.groups.iter().zip(&heights) {
            let name = Face::STRONG.cut(name, WIDTH);
            // The heading may be longer than the label column: it gets paper behind it where it reaches into the plot.
            let width = Face::STRONG.width(&name);
            if width > left + 8.0 {
                canvas.rect("wr-paper", left + 8.0, y + 2.0, width - left - 4.0, heading - 5.0);
            }
            canvas.text(Face::STRONG, Anchor::Start, 0.0, y + 15.0, &name);
            y += heading;
            for (row, Lines { label, text, height }) in rows.iter().zip(sizes) {
                let middle = y + height / 2.0;
                let base =
                    |lines: usize| middle - (lines as f64 - 1.0) * Face::BODY.line() / 2.0 + Face::BODY.size * 0.35;
                canvas.lines(Face::BODY, Anchor::Start, 0.0, base(label.len()), label);
                if let Some((low, high)) = row.interval {
                    canvas.line("wr-bar", (scale.at(low), middle), (scale.at(high), middle));
                    canvas.disc("wr-point", scale.at(row.estimate), middle, 4.6);
                } else {
                    canvas.disc("wr-hollow", scale.at(row.estimate), middle, 4.2);
                }
                canvas.lines(Face::BODY, Anchor::End, WIDTH, base(text.len()), text);
                y += height;
            }
        }

        scale.draw_below(&mut canvas, (from, to), bottom, &self.axis);
        head.finish(canvas, bottom + 37.0)
    }
}
