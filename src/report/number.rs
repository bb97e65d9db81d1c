//! Numbers as people read them. Rounding happens here and nowhere else.
//!
//! In:  full doubles.
//! Out: text: an estimate to the decimal place that two significant digits of its standard error give (common practice
//!      in measurement; the convention of the GUM for stating uncertainty), a true minus (U+2212), no-break spaces
//!      before units, no powers of ten for ordinary sizes.
//!
//! Rounding is that of the decimal text of the double nearest to the value: ties are those of the binary value.

/// No-break space.
pub const NBSP: char = '\u{a0}';
const MINUS: char = '\u{2212}';

/// The decimal place to which a number is shown: 2 is hundredths, 0 units, -1 tens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place(pub i32);

impl Place {
    /// The place of the second significant digit of a standard error.
    ///
    /// `None` for an error that is zero, negative or not finite: there is nothing to go by.
    #[must_use]
    pub fn of_error(standard_error: f64) -> Option<Self> {
        if !(standard_error.is_finite() && standard_error > 0.0) {
            return None;
        }
        // The exponent after rounding to two digits: 0.0996 is shown as 0.10, not as 0.100.
        let text = format!("{standard_error:.1e}");
        let exponent: i32 = text.split('e').nth(1)?.parse().ok()?;
        Some(Self((1 - exponent).clamp(-15, 15)))
    }

    /// The place of the `digits`-th significant digit of a value; units for zero.
    #[must_use]
    pub fn of_digits(value: f64, digits: i32) -> Self {
        if value == 0.0 || !value.is_finite() {
            return Self(0);
        }
        let precision = (digits - 1).clamp(0, 15) as usize;
        let text = format!("{:.precision$e}", value.abs());
        let exponent: i32 = text.split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
        Self((digits - 1 - exponent).clamp(-15, 15))
    }
}

/// A number at a decimal place, with a true minus and no minus zero; `–` for what is not finite.
#[must_use]
pub fn fixed(value: f64, place: Place) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let text = if place.0 >= 0 {
        format!("{:.*}", place.0 as usize, value.abs())
    } else {
        let step = 10_f64.powi(-place.0);
        format!("{:.0}", (value.abs() / step).round() * step)
    };
    if value < 0.0 && text.bytes().any(|b| matches!(b, b'1'..=b'9')) {
        format!("{MINUS}{text}")
    } else {
        text
    }
}

/// A number to a count of significant digits; powers of ten only below 0.00001 and from ten million up.
#[must_use]
pub fn significant(value: f64, digits: i32) -> String {
    let size = value.abs();
    if value.is_finite() && value != 0.0 && !(1e-5..1e7).contains(&size) {
        let precision = (digits - 1).clamp(0, 15) as usize;
        let text = format!("{size:.precision$e}");
        let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        let sign = if value < 0.0 { "\u{2212}" } else { "" };
        // The fonts have no raised minus.
        let power = match exponent.strip_prefix('-') {
            Some(below) => format!("^{MINUS}{below}"),
            None => superscript(exponent),
        };
        return format!("{sign}{mantissa}{NBSP}×{NBSP}10{power}");
    }
    let place = Place::of_digits(value, digits);
    fixed(value, Place(place.0.max(0)))
}

fn superscript(digits: &str) -> String {
    digits
        .chars()
        .map(|c| match c {
            '0' => '⁰',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            '4' => '⁴',
            '5' => '⁵',
            '6' => '⁶',
            '7' => '⁷',
            '8' => '⁸',
            '9' => '⁹',
            other => other,
        })
        .collect()
}

/// A p-value: two significant digits, `< 0.0001` below that, `> 0.99` at the other end.
#[must_use]
pub fn p_value(p: f64) -> String {
    if !p.is_finite() {
        "–".to_owned()
    } else if p < 0.0001 {
        format!("<{NBSP}0.0001")
    } else if p >= 0.995 {
        format!(">{NBSP}0.99")
    } else {
        fixed(p, Place(Place::of_digits(p, 2).0.max(2)))
    }
}

/// A p-value in a sentence: `p = 0.031`, `p < 0.0001`.
#[must_use]
pub fn p_equals(p: f64) -> String {
    let text = p_value(p);
    if text.starts_with(['<', '>']) {
        format!("p{NBSP}{text}")
    } else {
        format!("p{NBSP}={NBSP}{text}")
    }
}

/// A part as a percentage: whole numbers, `< 1 %` and `> 99 %` where rounding would claim all or nothing.
#[must_use]
pub fn percent(part: f64) -> String {
    if part > 0.0 && part < 0.005 {
        format!("<{NBSP}1{NBSP}%")
    } else if part > 0.995 && part < 1.0 {
        format!(">{NBSP}99{NBSP}%")
    } else {
        format!("{}{NBSP}%", fixed(part * 100.0, Place(0)))
    }
}

/// A count with commas between the thousands: `9,999`.
#[must_use]
pub fn thousands(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// A confidence level as a percentage, with the decimals it needs: `95 %`, `99.5 %`.
#[must_use]
pub fn confidence(level: f64) -> String {
    let text = format!("{:.4}", level * 100.0);
    format!("{}{NBSP}%", text.trim_end_matches('0').trim_end_matches('.'))
}

/// Degrees of freedom: whole ones as such, others with one decimal.
#[must_use]
pub fn degrees(df: f64) -> String {
    if (df - df.round()).abs() < 1e-6 {
        fixed(df, Place(0))
    } else {
        fixed(df, Place(1))
    }
}

/// A number with its unit of measure, kept together.
#[must_use]
pub fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() {
        number.to_owned()
    } else {
        format!("{number}{NBSP}{}", unit.replace(' ', "\u{a0}"))
    }
}

/// A number for a machine: the shortest text that reads back as the same double.
#[must_use]
pub fn exact(value: f64) -> String {
    if value.is_finite() {
        format!("{value}")
    } else {
        String::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: closed form (two significant digits of the error, the rounding of decimal text).
    #[test]
    fn estimates_follow_their_error() {
        for (value, error, text) in [
            (-1.4234, 0.2512, "\u{2212}1.42"),
            (-1.4234, 0.0996, "\u{2212}1.42"),
            (-1.4234, 0.0994, "\u{2212}1.423"),
            (56.789, 1.26, "56.8"),
            (56.789, 12.6, "57"),
            (1234.0, 126.0, "1230"),
            (1234.0, 1260.0, "1200"),
            (-0.004, 0.25, "0.00"),
            (0.000_123_4, 0.000_012, "0.000123"),
        ] {
            let place = Place::of_error(error).unwrap();
            assert_eq!(fixed(value, place), text, "{value} ± {error}");
        }
    }

    #[test]
    fn an_error_that_says_nothing_gives_no_place() {
        for error in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(Place::of_error(error), None);
        }
        assert_eq!(fixed(f64::NAN, Place(2)), "–");
    }

    /// Source: closed form.
    #[test]
    fn p_values_are_short_and_never_zero_or_one() {
        for (p, text) in [
            (0.0, "<\u{a0}0.0001"),
            (0.000_099, "<\u{a0}0.0001"),
            (0.000_1, "0.00010"),
            (0.004_27, "0.0043"),
            (0.031_4, "0.031"),
            (0.0996, "0.10"),
            (0.5, "0.50"),
            (0.994, "0.99"),
            (0.999_9, ">\u{a0}0.99"),
            (1.0, ">\u{a0}0.99"),
            (f64::NAN, "–"),
        ] {
            assert_eq!(p_value(p), text, "{p}");
        }
        assert_eq!(p_equals(0.031), "p\u{a0}=\u{a0}0.031");
        assert_eq!(p_equals(1e-9), "p\u{a0}<\u{a0}0.0001");
    }

    #[test]
    fn sizes_are_written_out_unless_extraordinary() {
        for (value, text) in [
            (0.0, "0"),
            (12.345, "12.3"),
            (0.012_345, "0.0123"),
            (123_456.0, "123456"),
            (-3.0, "\u{2212}3.00"),
            (1.234e-9, "1.23\u{a0}×\u{a0}10^\u{2212}9"),
            (-1.234e12, "\u{2212}1.23\u{a0}×\u{a0}10¹²"),
        ] {
            assert_eq!(significant(value, 3), text, "{value}");
        }
    }

    #[test]
    fn parts_never_claim_all_or_nothing() {
        for (part, text) in [
            (0.0, "0\u{a0}%"),
            (0.001, "<\u{a0}1\u{a0}%"),
            (0.624, "62\u{a0}%"),
            (0.999, ">\u{a0}99\u{a0}%"),
            (1.0, "100\u{a0}%"),
        ] {
            assert_eq!(percent(part), text, "{part}");
        }
        assert_eq!(
            [0, 999, 9999, 1_234_567].map(thousands),
            ["0", "999", "9,999", "1,234,567"]
        );
        assert_eq!(confidence(0.95), "95\u{a0}%");
        assert_eq!(confidence(0.995), "99.5\u{a0}%");
        assert_eq!(degrees(4.0), "4");
        assert_eq!(degrees(7.26), "7.3");
        assert_eq!(with_unit("1.4", "Shore D"), "1.4\u{a0}Shore\u{a0}D");
        assert_eq!(with_unit("1.4", ""), "1.4");
    }
}
