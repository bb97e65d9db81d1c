//! A small drawing kernel: shapes and measured text to one SVG text.
//!
//! In:  coordinates in drawing units (the canvas is 640 units wide; at 160 mm a unit is 0.25 mm).
//! Out: SVG 1.1 with `<title>`, `<desc>`, `role="img"`, classes and one `<style>` with plain colours, so that the same
//!      text serves a PDF engine, a browser and a file of its own; a page overrides the classes for dark mode.
//!
//! Coordinates carry two decimals at most. Negative numbers in labels carry a true minus (U+2212).
//! Never here: rounding of findings, words, files.

use std::fmt::Write as _;

use crate::render;

/// Width of every figure in drawing units.
pub const WIDTH: f64 = 640.0;
/// Size of the small text: 7.4 pt when the figure is 160 mm wide.
pub const SMALL: f64 = 10.5;
/// Size of the ordinary text: 8.5 pt when the figure is 160 mm wide.
pub const BODY: f64 = 12.0;
/// Size of the title.
pub const TITLE: f64 = 15.0;
/// Line height over text size.
pub const LEADING: f64 = 1.25;
/// Measured widths are taken this much wider, since a reader's browser may draw another face.
const SLACK: f64 = 1.04;

/// Plain colours: told apart by hue for common colour-blindness and by lightness in grey print.
const STYLE: &str = "\
.wr-paper{fill:#ffffff}\
.wr-text{fill:#14202b}\
.wr-soft{fill:#55616d}\
.wr-heavy{font-weight:600;font-family:'IBM Plex Sans','Segoe UI','Helvetica Neue',Arial,sans-serif}\
.wr-grid{stroke:#e2e6ea;stroke-width:1;fill:none}\
.wr-axis{stroke:#78828c;stroke-width:1;fill:none}\
.wr-zero{stroke:#14202b;stroke-width:1.2;fill:none}\
.wr-edge{stroke:#78828c;stroke-width:1;stroke-dasharray:3 3;fill:none}\
.wr-band{fill:#eceff2}\
.wr-bar{stroke:#0b5563;stroke-width:3;fill:none}\
.wr-point{fill:#0b5563;stroke:#ffffff;stroke-width:1.2}\
.wr-hollow{fill:#ffffff;stroke:#0b5563;stroke-width:1.6}\
.wr-mark{fill:#0b5563;stroke:#0b5563;stroke-width:1.2;stroke-linejoin:round}\
.wr-open{fill:#ffffff;stroke:#9a3412;stroke-width:1.5;stroke-linejoin:round}\
.wr-stroke{fill:none;stroke:#14202b;stroke-width:1.6}\
.wr-dust{fill:#8a949e}\
.wr-readings{stroke:#a9b2bb;stroke-width:2.2;stroke-linecap:round;fill:none}\
.wr-method{fill:#0b5563;stroke:#0b5563;stroke-width:1}\
.wr-product{fill:#ffffff;stroke:#9a3412;stroke-width:1.2}\
.wr-hatch{stroke:#9a3412;stroke-width:1.2;fill:none}\
.wr-over{stroke:#14202b;stroke-width:1.8;fill:none}\
.wr-halo{stroke:#ffffff;stroke-width:5;fill:none}";

/// The embedded face first; a reader without it gets the nearest thing at hand.
const FAMILY: &str = "'IBM Plex Sans', 'Segoe UI', 'Helvetica Neue', Arial, sans-serif";

/// Where a text stands against its x.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// It ends there.
    End,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub struct Face {
    /// Size in drawing units.
    pub size: f64,
    /// Heavy strokes.
    pub bold: bool,
    /// Second in rank: lighter ink.
    pub soft: bool,
}

impl Face {
    /// Ordinary text.
    pub const BODY: Self = Self {
        size: BODY,
        bold: false,
        soft: false,
    };
    /// Ordinary text in heavy strokes.
    pub const STRONG: Self = Self {
        size: BODY,
        bold: true,
        soft: false,
    };
    /// Small text in lighter ink.
    pub const SMALL: Self = Self {
        size: SMALL,
        bold: false,
        soft: true,
    };
    /// The title of a figure.
    pub const TITLE: Self = Self {
        size: TITLE,
        bold: true,
        soft: false,
    };

    /// Width of a text in this face, in drawing units.
    #[must_use]
    pub fn width(self, text: &str) -> f64 {
        render::text_width(text, self.size, self.bold) * SLACK
    }

    /// Height of a line in this face.
    #[must_use]
    pub fn line(self) -> f64 {
        self.size * LEADING
    }

    /// Breaks a text into lines not wider than `width`, between words where it can, inside one where it must.
    ///
    /// Returns at least one line; a width below one character still gives one character a line.
    #[must_use]
    pub fn wrap(self, text: &str, width: f64) -> Vec<String> {
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split([' ', '\n', '\t', '\r']).filter(|word| !word.is_empty()) {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if self.width(&longer) <= width {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for character in word.chars() {
                line.push(character);
                if self.width(&line) > width && line.chars().count() > 1 {
                    line.pop();
                    lines.push(std::mem::take(&mut line));
                    line.push(character);
                }
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// Breaks a text into at most `most` lines; the last one ends in an ellipsis if words are left over.
    #[must_use]
    pub fn wrap_within(self, text: &str, width: f64, most: usize) -> Vec<String> {
        let mut lines = self.wrap(text, width);
        if lines.len() > most {
            lines.truncate(most.max(1));
            if let Some(last) = lines.last_mut() {
                let whole = format!("{last}…");
                *last = self.cut(&whole, width);
            }
        }
        lines
    }

    /// The text, or its beginning with an ellipsis, not wider than `width`.
    #[must_use]
    pub fn cut(self, text: &str, width: f64) -> String {
        if self.width(text) <= width {
            return text.to_owned();
        }
        let mut kept: String = text.trim_end_matches('…').to_owned();
        while kept.pop().is_some() {
            let shorter = format!("{}…", kept.trim_end());
            if self.width(&shorter) <= width {
                return shorter;
            }
        }
        String::new()
    }

    /// Width of the widest of some texts; 0 without any.
    #[must_use]
    pub fn widest<'a>(self, texts: impl IntoIterator<Item = &'a str>) -> f64 {
        texts.into_iter().map(|text| self.width(text)).fold(0.0, f64::max)
    }
}

/// The sign of a mark, told apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A filled disc.
    Disc,
    /// An open square.
    Square,
    /// A filled triangle.
    Triangle,
    /// An open diamond.
    Diamond,
    /// An upright cross.
    Plus,
    /// A slanting cross.
    Cross,
}

impl Shape {
    /// Every shape, in the order in which levels take them.
    pub const ALL: [Self; 6] = [
        Self::Disc,
        Self::Square,
        Self::Triangle,
        Self::Diamond,
        Self::Plus,
        Self::Cross,
    ];
}

/// Places for signs and what they stand for, side by side in as many lines as they need.
#[derive(Debug)]
pub struct Legend {
    top: f64,
    x: f64,
    base: f64,
}

impl Legend {
    /// Below `y`.
    #[must_use]
    pub fn new(y: f64) -> Self {
        Self {
            top: y,
            x: 0.0,
            base: y + 11.0,
        }
    }

    /// The label, cut to what its sign leaves of `most`, and where the sign begins on which base line.
    pub fn room(&mut self, label: &str, sign: f64, most: f64) -> (String, (f64, f64)) {
        let face = Face::BODY;
        let label = face.cut(label, most - sign);
        let width = sign + face.width(&label);
        if self.x > 0.0 && self.x + width > WIDTH {
            self.x = 0.0;
            self.base += face.line() + 3.0;
        }
        let at = (self.x, self.base);
        self.x += width + 18.0;
        (label, at)
    }

    /// The y below what was placed; where it began if nothing was.
    #[must_use]
    pub fn below(&self) -> f64 {
        if self.x > 0.0 { self.base + 10.0 } else { self.top }
    }
}

/// A drawing in the making.
#[derive(Debug)]
pub struct Canvas {
    body: String,
}

impl Canvas {
    /// An empty drawing.
    #[must_use]
    pub fn new() -> Self {
        Self { body: String::new() }
    }

    /// A straight line.
    pub fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        self.path(class, &format!("M{} {}L{} {}", n(from.0), n(from.1), n(to.0), n(to.1)));
    }

    /// A path from its data; see `n` for numbers.
    pub fn path(&mut self, class: &str, data: &str) {
        if !data.is_empty() {
            let _ = writeln!(self.body, "<path class=\"{class}\" d=\"{data}\"/>");
        }
    }

    /// A rectangle; nothing for one without area.
    pub fn rect(&mut self, class: &str, x: f64, y: f64, width: f64, height: f64) {
        if width > 0.0 && height > 0.0 {
            let _ = writeln!(
                self.body,
                "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
                n(x),
                n(y),
                n(width),
                n(height)
            );
        }
    }

    /// A disc.
    pub fn disc(&mut self, class: &str, x: f64, y: f64, radius: f64) {
        let _ = writeln!(
            self.body,
            "<circle class=\"{class}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            n(x),
            n(y),
            n(radius)
        );
    }

    /// Slanting lines that fill a rectangle, `gap` units apart.
    pub fn hatch(&mut self, class: &str, x: f64, y: f64, width: f64, height: f64, gap: f64) {
        let mut data = String::new();
        let mut at = gap;
        // Each line runs from the left or bottom edge up to the top or right edge, at 45 degrees.
        while at < width + height && gap > 0.0 {
            let from = (x + (at - height).max(0.0), y + at.min(height));
            let to = (x + at.min(width), y + (at - width).max(0.0));
            let _ = write!(data, "M{} {}L{} {}", n(from.0), n(from.1), n(to.0), n(to.1));
            at += gap;
        }
        self.path(class, &data);
    }

    /// A mark of a shape; `radius` is that of the disc, the others look as large.
    pub fn mark(&mut self, shape: Shape, x: f64, y: f64, radius: f64) {
        let r = radius;
        match shape {
            Shape::Disc => self.disc("wr-mark", x, y, r * 0.9),
            Shape::Square => self.rect("wr-open", x - r * 0.9, y - r * 0.9, r * 1.8, r * 1.8),
            Shape::Triangle => {
                let (top, low, half) = (y - r * 1.2, y + r * 0.8, r * 1.15);
                self.path(
                    "wr-mark",
                    &format!(
                        "M{} {}L{} {}L{} {}Z",
                        n(x),
                        n(top),
                        n(x + half),
                        n(low),
                        n(x - half),
                        n(low)
                    ),
                );
            }
            Shape::Diamond => {
                let d = r * 1.3;
                self.path(
                    "wr-open",
                    &format!(
                        "M{} {}L{} {}L{} {}L{} {}Z",
                        n(x),
                        n(y - d),
                        n(x + d),
                        n(y),
                        n(x),
                        n(y + d),
                        n(x - d),
                        n(y)
                    ),
                );
            }
            Shape::Plus => {
                let d = r * 1.2;
                self.path(
                    "wr-stroke",
                    &format!(
                        "M{} {}L{} {}M{} {}L{} {}",
                        n(x - d),
                        n(y),
                        n(x + d),
                        n(y),
                        n(x),
                        n(y - d),
                        n(x),
                        n(y + d)
                    ),
                );
            }
            Shape::Cross => {
                self.path(
                    "wr-stroke",
                    &format!(
                        "M{} {}L{} {}M{} {}L{} {}",
                        n(x - r),
                        n(y - r),
                        n(x + r),
                        n(y + r),
                        n(x - r),
                        n(y + r),
                        n(x + r),
                        n(y - r)
                    ),
                );
            }
        }
    }

    /// What some shapes stand for, in lines below `y`, after the name of what they tell apart; returns the y below.
    pub fn shapes<'a>(&mut self, name: &str, labels: impl Iterator<Item = &'a str>, y: f64) -> f64 {
        let mut legend = Legend::new(y);
        if !name.is_empty() {
            let (label, at) = legend.room(name, 0.0, WIDTH / 2.0);
            self.text(Face::BODY, Anchor::Start, at.0, at.1, &label);
        }
        for (label, shape) in labels.zip(Shape::ALL) {
            self.shape(&mut legend, shape, label);
        }
        legend.below()
    }

    /// A shape and what it stands for.
    pub fn shape(&mut self, legend: &mut Legend, shape: Shape, label: &str) {
        let (label, (x, base)) = legend.room(label, 14.0, WIDTH - 6.0);
        self.mark(shape, x + 5.0, base - 4.0, 4.2);
        self.text(Face::BODY, Anchor::Start, x + 14.0, base, &label);
    }

    /// The name of an axis in small print below a plot that starts at `left` and ends at `bottom`, in the middle of it.
    pub fn name_below(&mut self, name: &str, left: f64, bottom: f64) {
        let name = Face::SMALL.cut(name, WIDTH - left);
        let middle = f64::midpoint(left, WIDTH);
        self.text(Face::SMALL, Anchor::Middle, middle, bottom + 29.0, &name);
    }

    /// One line of text with its base line at `y`; nothing for an empty one.
    pub fn text(&mut self, face: Face, anchor: Anchor, x: f64, y: f64, text: &str) {
        if text.trim().is_empty() {
            return;
        }
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let class = match (face.soft, face.bold) {
            (true, _) => "wr-soft",
            (false, true) => "wr-text wr-heavy",
            (false, false) => "wr-text",
        };
        let _ = writeln!(
            self.body,
            "<text class=\"{class}\" x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}>{}</text>",
            n(x),
            n(y),
            n(face.size),
            escape(text)
        );
    }

    /// Several lines, the first with its base line at `y`; returns the base line after the last.
    pub fn lines(&mut self, face: Face, anchor: Anchor, x: f64, y: f64, lines: &[String]) -> f64 {
        let mut base = y;
        for line in lines {
            self.text(face, anchor, x, base, line);
            base += face.line();
        }
        base
    }

    /// The finished SVG. `name` makes the ids unique in a page: letters, digits and `-` only, others are replaced.
    #[must_use]
    pub fn finish(self, name: &str, height: f64, title: &str, description: &str) -> String {
        let id: String = name
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .collect();
        let (w, h) = (n(WIDTH), n(height.ceil()));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"wr-figure\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" \
             role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" font-family=\"{}\">\n\
             <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-desc\">{}</desc>\n<style>{STYLE}</style>\n\
             <rect class=\"wr-paper\" x=\"0\" y=\"0\" width=\"{w}\" height=\"{h}\"/>\n{}</svg>\n",
            escape(FAMILY),
            escape(title),
            escape(description),
            self.body
        )
    }
}

impl Default for Canvas {
    fn default() -> Self {
        Self::new()
    }
}

/// A coordinate: two decimals at most, no trailing zeros, no negative zero; 0 for what is not finite.
#[must_use]
pub fn n(value: f64) -> String {
    if !value.is_finite() {
        return "0".to_owned();
    }
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Text for XML: markup characters escaped, characters that XML does not allow replaced.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_are_short_and_never_minus_zero() {
        // Source: closed form.
        for (value, text) in [
            (0.0, "0"),
            (-0.001, "0"),
            (1.0, "1"),
            (1.005, "1"),
            (-2.5, "-2.5"),
            (12.346, "12.35"),
            (f64::NAN, "0"),
            (f64::INFINITY, "0"),
        ] {
            assert_eq!(n(value), text, "{value}");
        }
    }

    #[test]
    fn markup_and_forbidden_characters_do_not_get_through() {
        assert_eq!(
            escape("<b a='1'>&\"\u{0}\n"),
            "&lt;b a=&#39;1&#39;&gt;&amp;&quot;\u{fffd} "
        );
    }

    #[test]
    fn wrapped_lines_keep_every_character_and_the_width() {
        let text = "a roller with a very long nameWithoutAnyBlankInItThatGoesOnAndOn indeed";
        let lines = Face::BODY.wrap(text, 90.0);
        assert!(lines.iter().all(|line| Face::BODY.width(line) <= 90.0), "{lines:?}");
        assert_eq!(lines.concat().replace(' ', ""), text.replace(' ', ""));
        let short = Face::BODY.wrap_within(text, 90.0, 2);
        assert_eq!(short.len(), 2);
        assert!(
            short[1].ends_with('…') && Face::BODY.width(&short[1]) <= 90.0,
            "{short:?}"
        );
    }

    #[test]
    fn hatching_stays_inside_its_box() {
        let mut canvas = Canvas::new();
        canvas.hatch("h", 10.0, 20.0, 30.0, 8.0, 5.0);
        let data = canvas.body.split("d=\"").nth(1).unwrap().split('"').next().unwrap();
        let numbers: Vec<f64> = data
            .replace(['M', 'L'], " ")
            .split_whitespace()
            .map(|t| t.parse().unwrap())
            .collect();
        assert!(!numbers.is_empty());
        for pair in numbers.chunks(2) {
            assert!(
                (10.0..=40.0).contains(&pair[0]) && (20.0..=28.0).contains(&pair[1]),
                "{pair:?}"
            );
        }
    }
}
