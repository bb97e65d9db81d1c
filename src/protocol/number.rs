//! Numbers as they were written: exact decimals, never by way of binary fractions.
//!
//! In:  the text of a TOML integer or float, or of a quoted number.
//! Out: an `Exact`, or why it cannot be one.
//! Bounds: at most 12 digits before the point and 12 after it, so that sums and products of two such numbers
//! always fit a `Decimal`.

use rust_decimal::Decimal;

/// A number with the text it was written as.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Exact {
    /// The number.
    pub decimal: Decimal,
    /// As written, without `_` and a leading `+`: `21.50` keeps its zero.
    pub text: String,
}

impl Exact {
    /// The nearest double.
    pub(super) fn to_f64(&self) -> f64 {
        self.text.parse().unwrap_or(f64::NAN)
    }
}

/// Most digits before the decimal point, and most after it.
const DIGITS: u32 = 12;

/// Reads a decimal number; digits, one point, an exponent.
///
/// # Errors
///
/// A sentence that says why the text is not a number this tool can hold exactly.
pub(super) fn exact(text: &str) -> Result<Exact, String> {
    let bare = text.strip_prefix('+').unwrap_or(text);
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    if !unsigned.starts_with(|c: char| c.is_ascii_digit()) {
        return Err(format!("`{text}` is not a finite decimal number"));
    }
    let (digits, exponent) = match bare.split_once(['e', 'E']) {
        Some((digits, exponent)) => (digits, exponent.parse::<i32>().ok()),
        None => (bare, Some(0)),
    };
    if !digits.chars().all(|c| c.is_ascii_digit() || c == '.' || c == '-') {
        return Err(format!("`{text}` is not a decimal number"));
    }
    let decimal = exponent
        .filter(|e| e.unsigned_abs() <= 2 * DIGITS)
        .and_then(|e| shifted(Decimal::from_str_exact(digits).ok()?, e));
    let bound = Decimal::new(10_i64.pow(DIGITS), 0);
    match decimal {
        Some(decimal) if decimal.abs() < bound && decimal.normalize().scale() <= DIGITS => Ok(Exact {
            decimal,
            text: bare.to_owned(),
        }),
        _ => Err(format!(
            "`{text}` has more than {DIGITS} digits before or after its decimal point"
        )),
    }
}

/// `decimal` × 10^`exponent`, if that can be held exactly.
fn shifted(decimal: Decimal, exponent: i32) -> Option<Decimal> {
    let mut decimal = decimal;
    let scale = i32::try_from(decimal.scale()).ok()?.checked_sub(exponent)?;
    if scale >= 0 {
        decimal.set_scale(u32::try_from(scale).ok()?).ok()?;
        return Some(decimal);
    }
    decimal.set_scale(0).ok()?;
    let power = 10_i128.checked_pow(scale.unsigned_abs())?;
    decimal.checked_mul(Decimal::try_from_i128_with_scale(power, 0).ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Class: closed form.
    #[test]
    fn a_number_keeps_its_value_and_its_zeros() {
        for (written, value, text) in [
            ("21.50", "21.50", "21.50"),
            ("+3", "3", "3"),
            ("-0.1", "-0.1", "-0.1"),
            ("1e3", "1000", "1e3"),
            ("1.25E-2", "0.0125", "1.25E-2"),
            ("1.5e1", "15", "1.5e1"),
            (
                "999999999999.999999999999",
                "999999999999.999999999999",
                "999999999999.999999999999",
            ),
        ] {
            let number = exact(written).expect(written);
            assert_eq!(number.decimal, Decimal::from_str_exact(value).unwrap(), "{written}");
            assert_eq!(number.text, text);
        }
    }

    /// Class: closed form.
    #[test]
    fn what_cannot_be_held_exactly_is_refused() {
        for written in [
            "inf",
            "-inf",
            "nan",
            "",
            "-",
            "+-1",
            "1e25",
            "1e-13",
            "1e999999999999",
            "1000000000000",
            "0.0000000000001",
            "1.2.3",
            "1-2",
            "0x1f",
            "1e",
            "\u{0665}",
        ] {
            assert!(exact(written).is_err(), "{written}");
        }
    }
}
