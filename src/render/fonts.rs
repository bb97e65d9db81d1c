//! The embedded fonts: their bytes, what they cover, how wide a text is.
//!
//! IBM Plex Sans and Mono, see `templates/fonts/README.md`. PDF and chart widths use the same full faces;
//! HTML carries the publisher's own small parts of the same family.
//!
//! A PDF made for archiving may hold no character without a glyph, so text handed to the PDF engine is made
//! printable first: what no embedded font can show becomes its code, `[U+2603]`, in plain sight.

use std::fmt::Write as _;
use std::sync::LazyLock;

use ttf_parser::Face;

/// The faces that a PDF may use, by file name.
pub(super) const FACES: [(&str, &[u8]); 4] = [
    (
        "IBMPlexSans-Regular.ttf",
        include_bytes!("../../templates/fonts/IBMPlexSans-Regular.ttf"),
    ),
    (
        "IBMPlexSans-SemiBold.ttf",
        include_bytes!("../../templates/fonts/IBMPlexSans-SemiBold.ttf"),
    ),
    (
        "IBMPlexSans-Italic.ttf",
        include_bytes!("../../templates/fonts/IBMPlexSans-Italic.ttf"),
    ),
    (
        "IBMPlexMono-Regular.ttf",
        include_bytes!("../../templates/fonts/IBMPlexMono-Regular.ttf"),
    ),
];

/// The licence that travels with the faces.
pub(super) const LICENCE: &[u8] = include_bytes!("../../templates/fonts/LICENSE.txt");

/// Characters of each part of the family, as its publisher declares them.
const LATIN: &str = "U+0000, U+000D, U+0020-007E, U+00A0-00FF, U+0131, U+0152-0153, U+02C6, U+02DA, U+02DC, \
     U+2013-2014, U+2018-201A, U+201C-201E, U+2020-2022, U+2026, U+2030, U+2039-203A, U+2044, U+20AC, U+2122, \
     U+2212, U+FB01-FB02";
const GREEK: &str = "U+037E, U+0386-038A, U+038C, U+038E-03A1, U+03A3-03CE";
const SIGNS: &str = "U+2000-200D, U+2015, U+202F, U+2032-2033, U+2070, U+2074-2079, U+2080-2089, U+2113, U+2116, \
     U+2126, U+212E, U+2150-2151, U+2153-215E, U+2190-2199, U+2202, U+2206, U+220F, U+2211, U+2215, U+221A, \
     U+221E, U+222B, U+2248, U+2260, U+2264-2265, U+25CA, U+2713, U+274C, U+FFFD";

/// The parts that HTML carries: weight, style, characters, bytes.
const PARTS: [(u16, &str, &str, &[u8]); 7] = [
    (
        400,
        "normal",
        LATIN,
        include_bytes!("../../templates/fonts/IBMPlexSans-Regular-Latin1.woff2"),
    ),
    (
        400,
        "normal",
        GREEK,
        include_bytes!("../../templates/fonts/IBMPlexSans-Regular-Greek.woff2"),
    ),
    (
        400,
        "normal",
        SIGNS,
        include_bytes!("../../templates/fonts/IBMPlexSans-Regular-Pi.woff2"),
    ),
    (
        600,
        "normal",
        LATIN,
        include_bytes!("../../templates/fonts/IBMPlexSans-SemiBold-Latin1.woff2"),
    ),
    (
        600,
        "normal",
        GREEK,
        include_bytes!("../../templates/fonts/IBMPlexSans-SemiBold-Greek.woff2"),
    ),
    (
        600,
        "normal",
        SIGNS,
        include_bytes!("../../templates/fonts/IBMPlexSans-SemiBold-Pi.woff2"),
    ),
    (
        400,
        "italic",
        LATIN,
        include_bytes!("../../templates/fonts/IBMPlexSans-Italic-Latin1.woff2"),
    ),
];

/// A style sheet that brings the family along as `data:` addresses.
pub(super) fn css() -> String {
    let mut css = String::new();
    for (weight, style, range, bytes) in PARTS {
        // Writing to a string cannot fail.
        let _ = writeln!(
            css,
            "@font-face{{font-family:\"IBM Plex Sans\";font-weight:{weight};font-style:{style};font-display:block;\
             unicode-range:{range};src:url(data:font/woff2;base64,{}) format(\"woff2\")}}",
            data_encoding::BASE64.encode(bytes)
        );
    }
    css
}

/// The parsed faces, in the order of `FACES`; one that does not parse is left out (a test sees to it that none is).
static PARSED: LazyLock<Vec<Face<'static>>> = LazyLock::new(|| {
    FACES
        .iter()
        .filter_map(|(_, bytes)| Face::parse(bytes, 0).ok())
        .collect()
});

/// Width of a text on one line, in the unit of `size`.
///
/// The sum of the advances of IBM Plex Sans, semi-bold if `bold`, without kerning (which only ever makes
/// a text narrower by a few thousandths). A character the face lacks counts 0.6 em.
#[must_use]
pub fn text_width(text: &str, size: f64, bold: bool) -> f64 {
    let face = PARSED.get(usize::from(bold));
    let em = face.map_or(1000.0, |face| f64::from(face.units_per_em()));
    let advance = |c: char| -> f64 {
        face.and_then(|face| face.glyph_hor_advance(face.glyph_index(c)?))
            .map_or(0.6, |advance| f64::from(advance) / em)
    };
    text.chars().map(advance).sum::<f64>() * size
}

/// True if a PDF can show the character with one of the embedded fonts.
fn printable(c: char) -> bool {
    if c.is_ascii() {
        return !c.is_ascii_control() || matches!(c, '\n' | '\r' | '\t');
    }
    // Characters for private use have a glyph here, but no meaning that a reader of the PDF could recover.
    let private = matches!(c, '\u{e000}'..='\u{f8ff}' | '\u{f0000}'..);
    let invisible = matches!(c, '\u{80}'..='\u{9f}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}');
    !private && !invisible && PARSED.iter().any(|face| face.glyph_index(c).is_some())
}

/// The text with everything that no embedded font can show written as its code: `[U+2603]`.
///
/// Marks that turn the reading direction round are among them, so nothing printed can hide behind one.
pub(super) fn make_printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if printable(c) {
            out.push(c);
        } else {
            // Writing to a string cannot fail.
            let _ = write!(out, "[U+{:04X}]", u32::from(c));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_embedded_face_parses_and_holds_the_signs_of_the_trade() {
        assert_eq!(PARSED.len(), FACES.len());
        for face in PARSED.iter().take(3) {
            for sign in "0O1lI7±×°−≤≥σ²✓→µ½·–…“”‘’".chars() {
                assert!(face.glyph_index(sign).is_some(), "{sign}");
            }
        }
    }

    /// Class: published. The family's figures are 600 units of 1000 wide, each of them, in every weight.
    #[test]
    fn figures_have_one_width() {
        for digit in "0123456789".chars() {
            for bold in [false, true] {
                assert!((text_width(&digit.to_string(), 10.0, bold) - 6.0).abs() < 1e-12);
            }
        }
    }

    /// Class: closed form. Six tenths of the size for a character without a glyph.
    #[test]
    fn a_missing_glyph_counts_six_tenths() {
        assert!((text_width("\u{2603}", 20.0, false) - 12.0).abs() < 1e-12);
        assert_eq!(text_width("", 20.0, false), 0.0);
    }

    #[test]
    fn what_cannot_be_shown_is_written_as_its_code() {
        assert_eq!(make_printable("21 °C ± 2\nσ"), "21 °C ± 2\nσ");
        assert_eq!(
            make_printable("a\u{2603}b\u{202e}c\u{0}"),
            "a[U+2603]b[U+202E]c[U+0000]"
        );
        assert_eq!(make_printable("\u{e000}\u{1f600}"), "[U+E000][U+1F600]");
    }

    #[test]
    fn the_style_sheet_brings_the_fonts_along() {
        let css = css();
        assert_eq!(css.matches("@font-face").count(), PARTS.len());
        assert!(!css.contains("http"));
    }
}
