//! Do several sites find the same? A row a site with its interval; below a rule what they say together, and what is expected of a
//! further one.

use std::fmt::Write as _;

use super::axis::Scale;
use super::svg::{Anchor, Canvas, Face, Shape, WIDTH, n};
use super::{Figure, Head};

/// What a row stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SiteRowKind {
    /// One site: a disc with its interval.
    Site,
    /// Several sites together: a diamond with its interval.
    Together,
    /// Where a site is expected: dashed, without a middle.
    Expected,
}

/// One row.
#[derive(Debug, Clone)]
pub struct SiteRow {
    /// The site, or what else it stands for.
    pub label: String,
    /// The number with its interval, as printed.
    pub text: String,
    /// The number; `None` if there is none to mark.
    pub estimate: Option<f64>,
    /// Ends of the interval; `None` if it cannot be told.
    pub interval: Option<(f64, f64)>,
    /// What it stands for.
    pub kind: SiteRowKind,
}

/// Sites side by side.
#[derive(Debug, Clone)]
pub struct SitesChart {
    /// Title of the axis.
    pub axis: String,
    /// The rows: sites first.
    pub rows: Vec<SiteRow>,
    /// True if zero stands for 'no effect' and has a line of its own.
    pub zero: bool,
    /// Smallest difference that matters, and what to call its band; drawn on both sides of zero.
    pub relevant: Option<(f64, String)>,
}

/// How far beyond the sites an expectation is drawn, in widths of what the sites span; farther ends get an arrow.
const BEYOND: f64 = 0.8;

impl SitesChart {
    /// Draws the figure.
    #[must_use]
    pub fn draw(&self, head: &Head) -> Figure {
        let mut canvas = Canvas::new();
        let mut y = head.draw(&mut canvas);
        let left = Face::BODY.widest(self.rows.iter().map(|r| r.label.as_str())).min(200.0);
        let right = Face::BODY.widest(self.rows.iter().map(|r| r.text.as_str())).min(170.0);
        let (from, to) = (left + 16.0, WIDTH - right - 16.0);
        let (scale, ends) = self.scale(from, to);

        let band = self.relevant.as_ref().map(|(relevant, name)| {
            let name = Face::SMALL.cut(name, WIDTH);
            let half = Face::SMALL.width(&name) / 2.0;
            let x = scale.at(0.0).clamp(half, WIDTH - half);
            canvas.text(Face::SMALL, Anchor::Middle, x, y + 8.0, &name);
            y += 14.0;
            (scale.at(-relevant), scale.at(*relevant))
        });
        let top = y;
        let gap = 10.0;
        let measured: Vec<(Vec<String>, Vec<String>, f64)> = self
            .rows
            .iter()
            .map(|row| {
                let label = Face::BODY.wrap_within(&row.label, left, 4);
                let text = Face::BODY.wrap_within(&row.text, right, 4);
                let height = label.len().max(text.len()) as f64 * Face::BODY.line() + 9.0;
                (label, text, height)
            })
            .collect();
        let rule = self.rows.iter().position(|row| row.kind != SiteRowKind::Site);
        let bottom =
            top + measured.iter().map(|(_, _, height)| height).sum::<f64>() + if rule.is_some() { gap } else { 0.0 };
        if let Some((low, high)) = band {
            canvas.rect("wr-band", low, top, high - low, bottom - top);
            canvas.line("wr-edge", (low, top), (low, bottom));
            canvas.line("wr-edge", (high, top), (high, bottom));
        }
        for &tick in &scale.ticks {
            canvas.line("wr-grid", (scale.at(tick), top), (scale.at(tick), bottom));
        }
        if self.zero {
            canvas.line("wr-zero", (scale.at(0.0), top), (scale.at(0.0), bottom));
        }
        for (place, (row, (label, text, height))) in self.rows.iter().zip(&measured).enumerate() {
            if rule == Some(place) {
                canvas.line("wr-axis", (0.0, y + gap / 2.0), (WIDTH, y + gap / 2.0));
                y += gap;
            }
            let middle = y + height / 2.0;
            let base = |lines: usize| middle - (lines as f64 - 1.0) * Face::BODY.line() / 2.0 + Face::BODY.size * 0.35;
            canvas.lines(Face::BODY, Anchor::Start, 0.0, base(label.len()), label);
            Self::bar(&mut canvas, row, &scale, ends, middle);
            canvas.lines(Face::BODY, Anchor::End, WIDTH, base(text.len()), text);
            y += height;
        }
        scale.draw_below(&mut canvas, (from, to), bottom, &self.axis);
        head.finish(canvas, bottom + 37.0)
    }

    /// The scale, and the ends of what it shows.
    fn scale(&self, from: f64, to: f64) -> (Scale, (f64, f64)) {
        let mut values: Vec<f64> = if self.zero { vec![0.0] } else { Vec::new() };
        if let Some((relevant, _)) = &self.relevant {
            values.extend([-relevant, *relevant]);
        }
        let of = |expected: bool| {
            self.rows
                .iter()
                .filter(move |row| (row.kind == SiteRowKind::Expected) == expected)
                .flat_map(|row| {
                    row.estimate
                        .into_iter()
                        .chain(row.interval.into_iter().flat_map(|(a, b)| [a, b]))
                })
                .filter(|value| value.is_finite())
        };
        values.extend(of(false));
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let beyond = BEYOND * (high - low).max(0.0);
        let ends = (low - beyond, high + beyond);
        values.extend(of(true).map(|value| value.clamp(ends.0.min(ends.1), ends.1.max(ends.0))));
        (Scale::across(&values, from, to, Face::SMALL), ends)
    }

    fn bar(canvas: &mut Canvas, row: &SiteRow, scale: &Scale, ends: (f64, f64), middle: f64) {
        if let Some((low, high)) = row.interval {
            let (a, b) = (scale.at(low.max(ends.0)), scale.at(high.min(ends.1)));
            if row.kind == SiteRowKind::Expected {
                canvas.line("wr-edge", (a, middle), (b, middle));
                for (x, cut, out) in [(a, low < ends.0, -1.0), (b, high > ends.1, 1.0)] {
                    let mut path = String::new();
                    if cut {
                        let back = x - 6.0 * out;
                        let _ = write!(
                            path,
                            "M{} {}L{} {}L{} {}",
                            n(back),
                            n(middle - 5.0),
                            n(x),
                            n(middle),
                            n(back),
                            n(middle + 5.0)
                        );
                    } else {
                        let _ = write!(path, "M{} {}L{} {}", n(x), n(middle - 6.0), n(x), n(middle + 6.0));
                    }
                    canvas.path("wr-axis", &path);
                }
            } else {
                canvas.line("wr-bar", (a, middle), (b, middle));
            }
        }
        let Some(estimate) = row.estimate else { return };
        let x = scale.at(estimate);
        match (row.kind, row.interval) {
            (SiteRowKind::Together, _) => canvas.mark(Shape::Diamond, x, middle, 6.0),
            (_, Some(_)) => canvas.disc("wr-point", x, middle, 4.6),
            (_, None) => canvas.disc("wr-hollow", x, middle, 4.2),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(kind: SiteRowKind, interval: Option<(f64, f64)>) -> SiteRow {
        SiteRow {
            label: "North bench".to_owned(),
            text: "1.0".to_owned(),
            estimate: (kind != SiteRowKind::Expected).then_some(1.0),
            interval,
            kind,
        }
    }

    fn head() -> Head {
        Head {
            name: "x".to_owned(),
            title: "T".to_owned(),
            description: "D".to_owned(),
        }
    }

    /// Class: closed form. An expectation that reaches far out is cut with an arrow, so that the sites keep their room.
    #[test]
    fn far_ends_get_an_arrow() {
        let chart = |interval| SitesChart {
            axis: "change".to_owned(),
            rows: vec![
                row(SiteRowKind::Site, Some((0.5, 1.5))),
                row(SiteRowKind::Together, Some((0.7, 1.3))),
                row(SiteRowKind::Expected, Some(interval)),
            ],
            zero: true,
            relevant: Some((0.5, "band".to_owned())),
        };
        let far = chart((-800.0, 900.0));
        let (scale, ends) = far.scale(0.0, 100.0);
        assert_eq!(ends, (-0.5 - 1.6, 1.5 + 1.6));
        assert!(scale.at(1.5) - scale.at(0.5) > 15.0);
        let arrows = |figure: &Figure| figure.svg.matches('L').count();
        assert!(arrows(&far.draw(&head())) > arrows(&chart((0.0, 2.0)).draw(&head())));
    }

    #[test]
    fn odd_rows_do_no_harm() {
        for rows in [
            vec![],
            vec![row(SiteRowKind::Expected, None)],
            vec![row(SiteRowKind::Site, None)],
        ] {
            let chart = SitesChart {
                axis: String::new(),
                rows,
                zero: false,
                relevant: None,
            };
            assert!(chart.draw(&head()).svg.contains("</svg>"));
        }
    }
}
