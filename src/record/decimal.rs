//! A reading as written becomes an exact decimal, or is refused with what probably happened to it.
//!
//! In:  the text of one cell.
//! Out: a `Parsed` (exact value, the decimal mark used), or a `Refusal`.
//!
//! Taken: `74.10`, `74,10`, `+74.1`, `-3`, `−3` (true minus), `.5`; blanks of any kind around it.
//! The digits are kept: 74.10 does not become 74.1. Never here: rounding, guessing, binary floating point.

use std::fmt;

use rust_decimal::Decimal;

/// Most digits before the decimal mark, leading zeros included.
pub const MOST_WHOLE_DIGITS: usize = 18;
/// Most digits after the decimal mark.
pub const MOST_DECIMALS: usize = 9;

/// The decimal mark that a number was written with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    /// `74.1`
    Point,
    /// `74,1`
    Comma,
}

/// A number that was understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Parsed {
    /// Its exact value, with the digits after the mark kept.
    pub value: Decimal,
    /// The decimal mark; `None` for a whole number.
    pub mark: Option<Mark>,
    /// The mark could as well separate thousands: `1,234` but not `0,234`, `12,34` or `1234,567`.
    pub may_be_thousands: bool,
}

/// Why a text is not taken as a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Nothing is written.
    Empty,
    /// `1,234.5`, `1.234,5`, `1 234`, `1'234`: the whole number and the decimals cannot be told apart for sure.
    Thousands,
    /// `7.4e1`
    Exponent,
    /// `NaN`, `inf`, `#DIV/0!`
    NotFinite,
    /// `12. Jan`, `55-03-01`, `1/2`
    Date,
    /// `12:30`
    Clock,
    /// `74.1 °C`, `74.1?`: a number with something after or before it.
    Trailing,
    /// `74.` or `74,`
    NoDecimals,
    /// More than `MOST_WHOLE_DIGITS` or `MOST_DECIMALS`.
    TooLong,
    /// Anything else.
    NotANumber,
}

impl Refusal {
    /// The diagnostic code that goes with it.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Thousands => "R041",
            Self::Exponent => "R042",
            Self::NotFinite => "R043",
            Self::Date | Self::Clock => "R044",
            Self::TooLong => "R045",
            Self::Empty | Self::Trailing | Self::NoDecimals | Self::NotANumber => "R040",
        }
    }

    /// How to mend it.
    #[must_use]
    pub fn help(self) -> &'static str {
        match self {
            Self::Thousands => "write the number without thousands separators, with one decimal mark at most",
            Self::Exponent => "write the number out, as the display showed it",
            Self::NotFinite => "leave the cell empty, or write why there is no value: not done, lost, void",
            Self::Date | Self::Clock => {
                "format the column as text, or save with the decimal mark that the spreadsheet expects; \
                 then type the reading again from the sheet"
            }
            Self::Trailing => "write the number alone; a unit is declared in the protocol, a comment goes under remark",
            Self::NoDecimals => "write the digits after the mark, or leave the mark out",
            Self::TooLong => "at most 18 digits before the decimal mark and 9 after it are taken",
            Self::Empty | Self::NotANumber => "write a number, leave the cell empty, or say why: not done, lost, void",
        }
    }

    /// One sentence on the text that was refused.
    #[must_use]
    pub fn sentence(self, text: &str) -> String {
        let text = trim(text);
        match self {
            Self::Empty => "nothing is written".to_owned(),
            Self::Thousands => format!("`{text}` has thousands separators, or may have them"),
            Self::Exponent => format!("`{text}` has an exponent"),
            Self::NotFinite => format!("`{text}` is a spreadsheet's or an instrument's word for no number"),
            Self::Date => match before_the_spreadsheet(text) {
                Some(typed) => format!("`{text}` is a date: a spreadsheet makes it when somebody types {typed}"),
                None => format!("`{text}` is a date: a spreadsheet probably made it from a number"),
            },
            Self::Clock => format!("`{text}` is a time of day, not a number"),
            Self::Trailing => format!("`{text}` is a number with something beside it"),
            Self::NoDecimals => format!("`{text}` ends with its decimal mark"),
            Self::TooLong => format!("`{text}` has more digits than a reading can have"),
            Self::NotANumber => format!("`{text}` is not a number"),
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Empty => "nothing written",
            Self::Thousands => "thousands separators",
            Self::Exponent => "an exponent",
            Self::NotFinite => "not finite",
            Self::Date => "a date",
            Self::Clock => "a time",
            Self::Trailing => "something beside the number",
            Self::NoDecimals => "no digits after the mark",
            Self::TooLong => "too many digits",
            Self::NotANumber => "not a number",
        })
    }
}

/// True for blanks of every kind that spreadsheets and web pages leave, the invisible ones included.
#[must_use]
pub fn is_blank(c: char) -> bool {
    c.is_whitespace() || matches!(c, '\u{feff}' | '\u{200b}' | '\u{2060}')
}

/// The text without blanks around it.
#[must_use]
pub fn trim(text: &str) -> &str {
    text.trim_matches(is_blank)
}

/// Reads a number exactly.
///
/// # Errors
///
/// A `Refusal` that says what is written instead.
#[inline]
pub fn parse(text: &str) -> Result<Parsed, Refusal> {
    quick(text.as_bytes()).map_or_else(|| careful(text), Ok)
}

/// The plain case, without a look at anything but ASCII digits, a sign and one mark; `None` leaves it to `careful`.
#[inline]
fn quick(bytes: &[u8]) -> Option<Parsed> {
    let (negative, digits) = match bytes {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, bytes),
    };
    let mut mantissa: u64 = 0;
    let mut mark = None;
    let mut whole_digits = digits.len();
    for (at, byte) in digits.iter().enumerate() {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            // Wraps only where there are too many digits, which is looked at below.
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        } else if mark.is_none() && matches!(byte, b'.' | b',') {
            mark = Some(if *byte == b'.' { Mark::Point } else { Mark::Comma });
            whole_digits = at;
        } else {
            return None;
        }
    }
    let decimals = (digits.len() - whole_digits).saturating_sub(1);
    let lacks_digits = if mark.is_some() {
        decimals == 0
    } else {
        whole_digits == 0
    };
    if lacks_digits || whole_digits > MOST_WHOLE_DIGITS || decimals > MOST_DECIMALS {
        return None;
    }
    let scale = decimals as u32;
    let value = if whole_digits + decimals <= 19 {
        Decimal::from_parts(
            mantissa as u32,
            (mantissa >> 32) as u32,
            0,
            negative && mantissa != 0,
            scale,
        )
    } else {
        wide(digits, negative, scale)
    };
    Some(Parsed {
        value,
        mark,
        may_be_thousands: decimals == 3 && (1..=3).contains(&whole_digits) && digits.first() != Some(&b'0'),
    })
}

/// A decimal of 20 to 27 digits with a mark among them; zero has no sign.
#[cold]
fn wide(digits: &[u8], negative: bool, scale: u32) -> Decimal {
    let mantissa = digits
        .iter()
        .filter(|byte| byte.is_ascii_digit())
        .fold(0_u128, |sum, byte| sum * 10 + u128::from(byte - b'0'));
    let part = |shift: u32| (mantissa >> shift & u128::from(u32::MAX)) as u32;
    Decimal::from_parts(part(0), part(32), part(64), negative && mantissa != 0, scale)
}

/// Two decimals as whole numbers on their finer scale, if both are short enough for that; as nearly every reading is.
#[inline]
fn on_one_scale(a: Decimal, b: Decimal) -> Option<(i64, i64)> {
    let scale = a.scale().max(b.scale());
    let raise = |d: Decimal| -> Option<i64> {
        let power = POWERS.get((scale - d.scale()) as usize)?;
        short(d)?.checked_mul(*power)
    };
    Some((raise(a)?, raise(b)?))
}

/// Powers of ten up to the most decimals a reading has.
const POWERS: [i64; MOST_DECIMALS + 1] = [
    1,
    10,
    100,
    1_000,
    10_000,
    100_000,
    1_000_000,
    10_000_000,
    100_000_000,
    1_000_000_000,
];

/// True if a value lies in a range, ends included, or there is no range.
#[must_use]
#[inline]
pub fn lies_in(range: Option<(Decimal, Decimal)>, value: Decimal) -> bool {
    let Some((low, high)) = range else { return true };
    match (short(value), end(low, value.scale()), end(high, value.scale())) {
        (Some(value), Some(low), Some(high)) => low <= value && value <= high,
        _ => low <= value && value <= high,
    }
}

/// The digits of a decimal as a whole number, if they are few enough.
#[inline]
fn short(d: Decimal) -> Option<i64> {
    i64::try_from(d.mantissa()).ok()
}

/// The end of a range as a whole number on a scale that is no coarser than its own.
#[inline]
fn end(of: Decimal, scale: u32) -> Option<i64> {
    let power = POWERS.get(scale.checked_sub(of.scale())? as usize)?;
    short(of)?.checked_mul(*power)
}

/// True if a value is a whole number of steps; `step` is above zero.
#[must_use]
#[inline]
pub fn lies_on(step: Decimal, value: Decimal) -> bool {
    if step.mantissa() == 1 && value.scale() <= step.scale() {
        return true;
    }
    on_one_scale(value, step)
        .and_then(|(value, step)| value.checked_rem(step))
        .map_or_else(
            || value.checked_rem(step).is_none_or(|rest| rest.is_zero()),
            |rest| rest == 0,
        )
}

/// Everything that is not plain: odd blanks and signs, and what to say of the rest.
#[cold]
fn careful(text: &str) -> Result<Parsed, Refusal> {
    let trimmed = trim(text);
    if trimmed.is_empty() {
        return Err(Refusal::Empty);
    }
    // A sign may stand apart from its number; a true minus or a wide hyphen counts as a minus.
    let mut plain = String::with_capacity(trimmed.len());
    match trimmed.chars().next() {
        Some(c @ ('-' | '\u{2212}' | '\u{fe63}' | '\u{ff0d}')) => {
            plain.push('-');
            plain.push_str(trim(trimmed.get(c.len_utf8()..).unwrap_or_default()));
        }
        Some('+') => plain.push_str(trim(trimmed.get(1..).unwrap_or_default())),
        _ => plain.push_str(trimmed),
    }
    if plain.starts_with("-+") || plain.starts_with("--") {
        return Err(Refusal::NotANumber);
    }
    quick(plain.as_bytes()).ok_or_else(|| refuse(&plain))
}

/// What is written instead of a number.
fn refuse(text: &str) -> Refusal {
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    let lower = unsigned.to_lowercase();
    if matches!(
        lower.as_str(),
        "nan" | "inf" | "infinity" | "-inf" | "∞" | "n/a" | "na" | "null" | "none"
    ) || lower.starts_with('#')
    {
        return Refusal::NotFinite;
    }
    let has_digit = unsigned.bytes().any(|b| b.is_ascii_digit());
    if !has_digit {
        return if month_in(&lower).is_some() {
            Refusal::Date
        } else {
            Refusal::NotANumber
        };
    }
    if is_date(&lower) {
        return Refusal::Date;
    }
    if is_clock(&lower) {
        return Refusal::Clock;
    }
    if is_exponent(&lower) {
        return Refusal::Exponent;
    }
    if unsigned
        .chars()
        .all(|c| c.is_ascii_digit() || matches!(c, '.' | ',' | '\'' | '\u{2019}' | '_') || is_blank(c))
    {
        return refuse_digits(unsigned);
    }
    let starts = unsigned.starts_with(|c: char| c.is_ascii_digit());
    if starts || unsigned.ends_with(|c: char| c.is_ascii_digit()) {
        Refusal::Trailing
    } else {
        Refusal::NotANumber
    }
}

/// Digits, marks and blanks only, and still not a number.
fn refuse_digits(text: &str) -> Refusal {
    let marks = text.chars().filter(|c| !c.is_ascii_digit()).count();
    if marks == 0 {
        return Refusal::TooLong;
    }
    if marks == 1 {
        let (whole, decimals) = text.split_once(|c: char| !c.is_ascii_digit()).unwrap_or((text, ""));
        if text.contains(['.', ',']) {
            return if decimals.is_empty() {
                Refusal::NoDecimals
            } else if whole.len() > MOST_WHOLE_DIGITS || decimals.len() > MOST_DECIMALS {
                Refusal::TooLong
            } else {
                Refusal::NotANumber
            };
        }
    }
    Refusal::Thousands
}

/// First three letters of the months in the languages of the spreadsheets that are about, with the month's number.
const MONTHS: &[(&str, u8)] = &[
    ("jan", 1),
    ("feb", 2),
    ("fév", 2),
    ("mar", 3),
    ("mär", 3),
    ("mrz", 3),
    ("apr", 4),
    ("avr", 4),
    ("may", 5),
    ("mai", 5),
    ("maj", 5),
    ("jun", 6),
    ("juin", 6),
    ("jul", 7),
    ("juil", 7),
    ("aug", 8),
    ("août", 8),
    ("sep", 9),
    ("oct", 10),
    ("okt", 10),
    ("nov", 11),
    ("dec", 12),
    ("dez", 12),
    ("déc", 12),
];

/// The month named by the only word in a lower-case text, such as `12. jan` or `jan-55`.
fn month_in(lower: &str) -> Option<u8> {
    let mut words = lower.split(|c: char| !c.is_alphabetic()).filter(|w| !w.is_empty());
    let word = words.next()?;
    if words.next().is_some() || word.chars().count() > 9 {
        return None;
    }
    MONTHS
        .iter()
        .find(|(start, _)| word.starts_with(start))
        .map(|(_, month)| *month)
}

/// The groups of digits in a text.
fn digit_groups(text: &str) -> Vec<&str> {
    text.split(|c: char| !c.is_ascii_digit())
        .filter(|group| !group.is_empty())
        .collect()
}

/// `12. jan`, `jan-55`, `1/2`, `1/2/26`, `55-03-01`, `01.03.2026`, with a time behind it or not.
fn is_date(lower: &str) -> bool {
    if month_in(lower).is_some() {
        return true;
    }
    let day = lower.split(['t', ' ']).next().unwrap_or(lower);
    let groups = digit_groups(day);
    let only = |mark: char| day.chars().all(|c| c.is_ascii_digit() || c == mark);
    let short = groups.iter().all(|group| group.len() <= 4);
    let three = groups.len() == 3 && short && groups.iter().filter(|group| group.len() <= 2).count() >= 2;
    (only('/') && short && (2..=3).contains(&groups.len()))
        || (only('-') && short && (three || groups.len() == 2))
        || (only('.') && three)
}

/// `12:30`, `12:30:05`
fn is_clock(lower: &str) -> bool {
    let digits_only = lower
        .trim_end_matches(|c: char| c.is_alphabetic() || c == ' ')
        .chars()
        .all(|c| c.is_ascii_digit() || matches!(c, ':' | '.' | ','));
    digits_only && lower.contains(':')
}

/// `7.4e1`, `7,4E+01`
fn is_exponent(lower: &str) -> bool {
    let Some((mantissa, exponent)) = lower.split_once('e') else {
        return false;
    };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    mantissa.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | ','))
        && !mantissa.is_empty()
        && digits(exponent.strip_prefix(['+', '-']).unwrap_or(exponent))
}

/// What somebody may have typed before a spreadsheet made a date of it.
fn before_the_spreadsheet(text: &str) -> Option<String> {
    let lower = text.to_lowercase();
    let groups = digit_groups(&lower);
    match (month_in(&lower), groups.as_slice()) {
        (Some(month), [number]) => {
            let first = lower.starts_with(|c: char| c.is_ascii_digit());
            let number = number.trim_start_matches('0');
            Some(if first {
                format!("{number}.{month} or {number}/{month}")
            } else {
                format!("{month}.{number} or {month}/{number}")
            })
        }
        (None, [first, second]) => Some(format!("{first}.{second} or {first}/{second}")),
        _ => None,
    }
}
