//! Scales: from values to places, and the ticks between.
//!
//! Steps are 1, 2, 2.5 or 5 times a power of ten; there are as many ticks as have room for their labels.

use super::svg::{Anchor, Canvas, Face, WIDTH};

/// A true minus before negative numbers.
const MINUS: char = '\u{2212}';

/// A linear scale with its ticks.
#[derive(Debug, Clone)]
pub struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
    /// Values with a tick, inside the range, ascending.
    pub ticks: Vec<f64>,
    decimals: usize,
}

impl Scale {
    /// Draws the axis below a figure: the line between the places `ends`, ticks with their values, and the title under its
    /// middle, which ends 30 below `bottom`.
    pub(super) fn draw_below(&self, canvas: &mut Canvas, ends: (f64, f64), bottom: f64, title: &str) {
        canvas.line("wr-axis", (ends.0, bottom), (ends.1, bottom));
        for &tick in &self.ticks {
            let at = self.at(tick);
            canvas.line("wr-axis", (at, bottom), (at, bottom + 4.0));
            canvas.text(Face::SMALL, Anchor::Middle, at, bottom + 15.0, &self.label(tick));
        }
        let title = Face::SMALL.cut(title, WIDTH);
        let half = Face::SMALL.width(&title) / 2.0;
        let middle = f64::midpoint(ends.0, ends.1).clamp(half, WIDTH - half);
        canvas.text(Face::SMALL, Anchor::Middle, middle, bottom + 30.0, &title);
    }

    /// A scale that shows every finite value of `values` between the places `from` and `to`, with about `about` ticks.
    ///
    /// Without a finite value the range is 0 to 1; a single value gets room on both sides.
    #[must_use]
    pub fn over(values: impl IntoIterator<Item = f64>, from: f64, to: f64, about: usize) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.into_iter().filter(|value| value.is_finite()) {
            low = low.min(value);
            high = high.max(value);
        }
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        let reach = (high - low).max(1e-9 * low.abs().max(high.abs())).max(1e-300);
        if high - low < reach * 0.5 {
            (low, high) = (low - reach, high + reach);
        }
        let margin = (high - low) * 0.04;
        (low, high) = (low - margin, high + margin);
        let (ticks, decimals) = ticks(low, high, about);
        Self {
            low,
            high,
            from,
            to,
            ticks,
            decimals,
        }
    }

    /// A horizontal scale with as many ticks as have room for their labels side by side.
    #[must_use]
    pub fn across(values: &[f64], from: f64, to: f64, face: Face) -> Self {
        for about in [8, 6, 5, 4, 3] {
            let scale = Self::over(values.iter().copied(), from, to, about);
            let gap = scale
                .ticks
                .windows(2)
                .map(|pair| scale.at(pair[1]) - scale.at(pair[0]))
                .fold(f64::INFINITY, f64::min);
            let widest = scale
                .ticks
                .iter()
                .map(|&t| face.width(&scale.label(t)))
                .fold(0.0, f64::max);
            if widest + 8.0 <= gap {
                return scale;
            }
        }
        Self::over(values.iter().copied(), from, to, 2)
    }

    /// The place of a value, held inside the range.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        let part = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        if part.is_finite() {
            self.from + part * (self.to - self.from)
        } else {
            self.from
        }
    }

    /// A tick's label.
    #[must_use]
    pub fn label(&self, value: f64) -> String {
        signed(value, self.decimals)
    }
}

/// A number with a fixed count of decimals, a true minus and no minus zero.
#[must_use]
pub fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", value.abs());
    if value < 0.0 && text.bytes().any(|b| matches!(b, b'1'..=b'9')) {
        format!("{MINUS}{text}")
    } else {
        text
    }
}

/// Ticks inside `[low, high]` at a step of 1, 2, 2.5 or 5 times a power of ten, and the decimals that the step needs.
///
/// The step is the smallest one that gives at most `about` ticks. `low < high`, both finite.
#[must_use]
pub fn ticks(low: f64, high: f64, about: usize) -> (Vec<f64>, usize) {
    let rough = (high - low) / about.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return (Vec::new(), 0);
    }
    let power = rough.log10().floor() as i32 - 1;
    for exponent in power..power + 4 {
        for (step_digits, extra) in [(1.0, 0), (2.0, 0), (2.5, 1), (5.0, 0)] {
            let unit = 10_f64.powi(exponent.abs());
            let step = if exponent < 0 {
                step_digits / unit
            } else {
                step_digits * unit
            };
            if step <= 0.0 {
                continue;
            }
            let first = (low / step - 1e-9).ceil();
            let last = (high / step + 1e-9).floor();
            let count = last - first + 1.0;
            if count <= about.max(2) as f64 {
                let values = (0..count.max(0.0) as usize)
                    .map(|i| (first + i as f64) * step)
                    .collect();
                let decimals = (extra - exponent).clamp(0, 12) as usize;
                return (values, decimals);
            }
        }
    }
    (Vec::new(), 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: closed form (the smallest step of 1, 2, 2.5, 5 × 10^k that leaves no more ticks than asked for).
    #[test]
    fn steps_are_round() {
        for (low, high, about, first, last, count, decimals) in [
            (0.0, 10.0, 6, 0.0, 10.0, 6, 0),
            (0.0, 1.0, 5, 0.0, 1.0, 5, 2),
            (-1.9, 2.1, 5, -1.0, 2.0, 4, 0),
            (70.02, 70.09, 4, 70.02, 70.08, 4, 2),
            (1000.0, 9000.0, 5, 2000.0, 8000.0, 4, 0),
        ] {
            let (values, shown) = ticks(low, high, about);
            assert_eq!((values.len(), shown), (count, decimals), "{low} {high} {values:?}");
            assert!(
                (values[0] - first).abs() < 1e-9 && (values[count - 1] - last).abs() < 1e-9,
                "{values:?}"
            );
        }
    }

    #[test]
    fn odd_ranges_do_no_harm() {
        for values in [
            vec![],
            vec![5.0],
            vec![0.0, 0.0],
            vec![f64::NAN, 1.0],
            vec![1e300, -1e300],
            vec![1e-300, 2e-300],
        ] {
            let scale = Scale::over(values.clone(), 0.0, 100.0, 5);
            assert!(scale.ticks.len() < 12, "{values:?}");
            for value in values {
                assert!((0.0..=100.0).contains(&scale.at(value)), "{value}");
            }
        }
    }

    #[test]
    fn minus_is_a_minus_and_zero_has_no_sign() {
        assert_eq!(signed(-0.25, 2), "\u{2212}0.25");
        assert_eq!(signed(-0.001, 2), "0.00");
        assert_eq!(signed(3.0, 0), "3");
    }
}
