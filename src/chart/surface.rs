//! Where is the response high, and where low? Lines of equal height over two factors, the runs as marks.

use std::fmt::Write as _;

use super::axis::{Scale, signed, ticks};
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// A surface over two factors.
#[derive(Debug, Clone)]
pub struct SurfaceChart {
    /// Title of the axis across.
    pub across: String,
    /// Title of the axis upwards.
    pub up: String,
    /// Grid values across, ascending.
    pub across_values: Vec<f64>,
    /// Grid values upwards, ascending.
    pub up_values: Vec<f64>,
    /// Heights, row by row upwards.
    pub heights: Vec<Vec<f64>>,
    /// Where runs were made.
    pub runs: Vec<(f64, f64)>,
    /// Turning point with the ends of its intervals across and upwards, where these can be told.
    pub turning: Option<Turning>,
}

/// A turning point.
#[derive(Debug, Clone)]
pub struct Turning {
    /// Its place across and upwards.
    pub at: (f64, f64),
    /// Ends of the interval across.
    pub across: Option<(f64, f64)>,
    /// Ends of the interval upwards.
    pub up: Option<(f64, f64)>,
}

const PLOT: f64 = 320.0;
const LINES: usize = 8;

/// Boxes of labels: left, top, right, bottom.
type Sides = [f64; 4];

fn overlaps(a: &Sides, b: &Sides) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

impl SurfaceChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let up_title = Face::SMALL.cut(&self.up, WIDTH);
        canvas.text(Face::SMALL, Anchor::Start, 0.0, y + 8.0, &up_title);
        y += 18.0;
        let (top, bottom) = (y, y + PLOT);
        let mut up_values = self.up_values.clone();
        up_values.extend(self.turning.iter().filter_map(|t| t.up).flat_map(|(l, h)| [l, h]));
        let up = Scale::over(up_values, bottom, top, 6);
        let left = Face::SMALL.widest(
            up.ticks
                .iter()
                .map(|&t| up.label(t))
                .collect::<Vec<_>>()
                .iter()
                .map(String::as_str),
        ) + 10.0;
        let right = WIDTH - 24.0;
        let mut across_values = self.across_values.clone();
        across_values.extend(self.turning.iter().filter_map(|t| t.across).flat_map(|(l, h)| [l, h]));
        let across = Scale::across(&across_values, left, right, Face::SMALL);
        canvas.line("wr-axis", (left, bottom), (right, bottom));
        canvas.line("wr-axis", (left, top), (left, bottom));
        for &tick in &up.ticks {
            let at = up.at(tick);
            canvas.line("wr-axis", (left - 4.0, at), (left, at));
            canvas.text(Face::SMALL, Anchor::End, left - 7.0, at + 3.5, &up.label(tick));
        }
        for &tick in &across.ticks {
            let at = across.at(tick);
            canvas.line("wr-axis", (at, bottom), (at, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, at, bottom + 15.0, &across.label(tick));
        }
        let title = Face::SMALL.cut(&self.across, right - left);
        canvas.text(
            Face::SMALL,
            Anchor::Middle,
            f64::midpoint(left, right),
            bottom + 30.0,
            &title,
        );

        let mut taken: Vec<Sides> = Vec::new();
        for &(x, height) in &self.runs {
            let (x, y) = (across.at(x), up.at(height));
            taken.push([x - 5.0, y - 5.0, x + 5.0, y + 5.0]);
        }
        if let Some(turning) = &self.turning {
            let (x, y) = (across.at(turning.at.0), up.at(turning.at.1));
            taken.push([x - 8.0, y - 8.0, x + 8.0, y + 8.0]);
        }
        self.contours(&mut canvas, &across, &up, &mut taken);
        for &(x, height) in &self.runs {
            canvas.mark(Shape::Square, across.at(x), up.at(height), 3.4);
        }
        if let Some(turning) = &self.turning {
            let (x, y) = (across.at(turning.at.0), up.at(turning.at.1));
            if let Some((low, high)) = turning.across {
                canvas.line("wr-over", (across.at(low), y), (across.at(high), y));
            }
            if let Some((low, high)) = turning.up {
                canvas.line("wr-over", (x, up.at(low)), (x, up.at(high)));
            }
            canvas.mark(Shape::Disc, x, y, 5.0);
        }
        head.finish(canvas, bottom + 37.0)
    }

    fn contours(&self, canvas: &mut Canvas, across: &Scale, up: &Scale, taken: &mut Vec<Sides>) {
        let all = || self.heights.iter().flatten().copied();
        let (low, high) = all().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if !(high > low) {
            return;
        }
        let (levels, decimals) = ticks(low, high, LINES);
        let mut labels: Vec<(f64, f64, String)> = Vec::new();
        for level in levels {
            let pieces = self.pieces(level);
            let mut data = String::new();
            for &((x1, y1), (x2, y2)) in &pieces {
                let _ = write!(
                    data,
                    "M{} {}L{} {}",
                    n(across.at(x1)),
                    n(up.at(y1)),
                    n(across.at(x2)),
                    n(up.at(y2))
                );
            }
            canvas.path("wr-axis", &data);
            let text = signed(level, decimals);
            let (half, line) = (Face::SMALL.width(&text) / 2.0 + 2.0, Face::SMALL.size);
            // The first place along the line where its height has room.
            let bounds = [
                across.at(self.across_values[0]),
                across.at(self.across_values[self.across_values.len() - 1]),
            ];
            let place = pieces.iter().find_map(|&((x1, y1), (x2, y2))| {
                let (x, y) = (across.at(f64::midpoint(x1, x2)), up.at(f64::midpoint(y1, y2)));
                let sides = [x - half, y - line * 0.6, x + half, y + line * 0.6];
                let inside = sides[0] >= bounds[0] && sides[2] <= bounds[1];
                (inside && !taken.iter().any(|other| overlaps(other, &sides))).then_some((x, y, sides))
            });
            if let Some((x, y, sides)) = place {
                taken.push(sides);
                labels.push((x, y, text));
            }
        }
        for (x, y, text) in labels {
            let half = Face::SMALL.width(&text) / 2.0 + 1.0;
            canvas.rect("wr-paper", x - half, y - 6.0, 2.0 * half, 12.0);
            canvas.text(Face::SMALL, Anchor::Middle, x, y + 3.6, &text);
        }
    }

    /// The pieces of a line of equal height, cell by cell of the grid.
    fn pieces(&self, level: f64) -> Vec<((f64, f64), (f64, f64))> {
        let mut pieces = Vec::new();
        for row in 0..self.heights.len().saturating_sub(1) {
            for column in 0..self.across_values.len().saturating_sub(1) {
                let corners = [
                    (column, row),
                    (column + 1, row),
                    (column + 1, row + 1),
                    (column, row + 1),
                ];
                let height = |(c, r): (usize, usize)| self.heights[r][c] - level;
                let place = |(c, r): (usize, usize)| (self.across_values[c], self.up_values[r]);
                let mut cuts: Vec<(f64, f64)> = Vec::new();
                for side in 0..4 {
                    let (a, b) = (corners[side], corners[(side + 1) % 4]);
                    let (ha, hb) = (height(a), height(b));
                    if (ha < 0.0) != (hb < 0.0) {
                        let part = ha / (ha - hb);
                        let ((xa, ya), (xb, yb)) = (place(a), place(b));
                        cuts.push((xa + part * (xb - xa), ya + part * (yb - ya)));
                    }
                }
                pieces.extend(cuts.chunks_exact(2).map(|pair| (pair[0], pair[1])));
            }
        }
        pieces
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: the line of height 0.25 of x² + y² is the circle of radius one half.
    #[test]
    fn a_contour_of_a_bowl_is_a_circle() {
        let values: Vec<f64> = (0..41).map(|i| -1.0 + f64::from(i) / 20.0).collect();
        let chart = SurfaceChart {
            across: String::new(),
            up: String::new(),
            heights: values
                .iter()
                .map(|y| values.iter().map(|x| x * x + y * y).collect())
                .collect(),
            across_values: values.clone(),
            up_values: values,
            runs: Vec::new(),
            turning: None,
        };
        let pieces = chart.pieces(0.25);
        assert!(pieces.len() > 40);
        for ((x1, y1), (x2, y2)) in pieces {
            assert!((x1.hypot(y1) - 0.5).abs() < 2e-3 && (x2.hypot(y2) - 0.5).abs() < 2e-3);
        }
    }
}
