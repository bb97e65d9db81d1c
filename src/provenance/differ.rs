//! Where two things differ first, what stands there in each, and by how much.
//!
//! In:  what was found, and what it should be: texts, JSON, bytes.
//! Out: `Difference`s.
//!
//! Method: whatever is equal byte for byte is the same. Otherwise numbers are the same within `TOLERANCE`, since
//! another machine's compiler may round the last digits of a long sum in another way; everything else has to be equal.
//! Texts are compared line by line; a number in a text is a run of digits with at most one point, a sign and an
//! exponent.
//! Never here: what the difference means.

use serde::Serialize;
use serde_json::Value;

/// Numbers closer than this, relative to the larger one, are the same; below `SMALLEST` in size they are nought.
pub const TOLERANCE: f64 = 1e-9;
/// Numbers that differ by less than this are the same: what is left of a sum that comes to nought.
pub const SMALLEST: f64 = 1e-12;
/// Longest piece of a text that is shown.
const SHOWN: usize = 80;

/// The first place in which two things differ.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// The file or the step.
    pub what: String,
    /// Where in it: `line 3`, `responses.hardness.effects[0].f`.
    pub place: String,
    /// What stands there.
    pub found: String,
    /// What should stand there.
    pub expected: String,
    /// By how much, if both are numbers.
    pub by: Option<f64>,
}

impl Difference {
    /// One sentence for people.
    #[must_use]
    pub fn sentence(&self) -> String {
        let place = if self.place.is_empty() {
            String::new()
        } else {
            format!(", {}", self.place)
        };
        let by = self
            .by
            .map_or_else(String::new, |by| format!(", a difference of {by:e}"));
        format!(
            "{}{place}: it says {}, and it should say {}{by}.",
            self.what,
            quoted(&self.found),
            quoted(&self.expected)
        )
    }
}

fn quoted(text: &str) -> String {
    if text.is_empty() {
        "nothing".to_owned()
    } else {
        format!("`{text}`")
    }
}

/// True if two numbers are the same within the tolerance.
#[must_use]
pub fn same_number(a: f64, b: f64) -> bool {
    a == b || (a - b).abs() <= SMALLEST.max(TOLERANCE * a.abs().max(b.abs())) || (a.is_nan() && b.is_nan())
}

/// The first place in which two texts differ; `None` if they are the same.
#[must_use]
pub fn texts(what: &str, found: &str, expected: &str) -> Option<Difference> {
    if found == expected {
        return None;
    }
    let at = |line: usize, found: &str, expected: &str, by: Option<f64>| Difference {
        what: what.to_owned(),
        place: format!("line {line}"),
        found: cut(found),
        expected: cut(expected),
        by,
    };
    let (mut left, mut right) = (found.split('\n'), expected.split('\n'));
    let mut line = 0;
    loop {
        line += 1;
        match (left.next(), right.next()) {
            (None, None) => return None,
            (Some(one), Some(other)) => {
                if let Some((one, other, by)) = lines(one, other) {
                    return Some(at(line, &one, &other, by));
                }
            }
            (one, other) => return Some(at(line, one.unwrap_or_default(), other.unwrap_or_default(), None)),
        }
    }
}

/// What differs between two lines, in pieces short enough to be shown.
fn lines(found: &str, expected: &str) -> Option<(String, String, Option<f64>)> {
    if found == expected {
        return None;
    }
    let (one, other) = (pieces(found), pieces(expected));
    for index in 0..one.len().max(other.len()) {
        let (a, b) = (
            one.get(index).copied().unwrap_or_default(),
            other.get(index).copied().unwrap_or_default(),
        );
        if a == b {
            continue;
        }
        return match (a.parse::<f64>(), b.parse::<f64>()) {
            (Ok(a), Ok(b)) if same_number(a, b) => continue,
            (Ok(x), Ok(y)) => Some((a.to_owned(), b.to_owned(), Some((x - y).abs()))),
            _ => {
                let from = found
                    .char_indices()
                    .zip(expected.char_indices())
                    .find(|((_, a), (_, b))| a != b)
                    .map_or(found.len().min(expected.len()), |((at, _), _)| at);
                Some((around(found, from), around(expected, from), None))
            }
        };
    }
    None
}

/// A text cut into numbers and what stands between them.
fn pieces(text: &str) -> Vec<&str> {
    let bytes = text.as_bytes();
    let mut cuts = vec![0];
    let mut at = 0;
    while at < bytes.len() {
        let is_start = bytes[at].is_ascii_digit() && (at == 0 || !bytes[at - 1].is_ascii_alphanumeric());
        if !is_start {
            at += 1;
            continue;
        }
        let start = if at > 0 && bytes[at - 1] == b'-' { at - 1 } else { at };
        let digits = |mut at: usize| {
            while bytes.get(at).is_some_and(u8::is_ascii_digit) {
                at += 1;
            }
            at
        };
        at = digits(at);
        if bytes.get(at) == Some(&b'.') && bytes.get(at + 1).is_some_and(u8::is_ascii_digit) {
            at = digits(at + 1);
        }
        if bytes.get(at).is_some_and(|b| matches!(b, b'e' | b'E')) {
            let sign = usize::from(bytes.get(at + 1).is_some_and(|b| matches!(b, b'-' | b'+')));
            if bytes.get(at + 1 + sign).is_some_and(u8::is_ascii_digit) {
                at = digits(at + 1 + sign);
            }
        }
        cuts.push(start);
        cuts.push(at);
    }
    cuts.push(bytes.len());
    cuts.windows(2).filter_map(|pair| text.get(pair[0]..pair[1])).collect()
}

/// The text from a little before a place.
fn around(text: &str, at: usize) -> String {
    let mut start = at.saturating_sub(20).min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    cut(&text[start..])
}

fn cut(text: &str) -> String {
    if text.chars().count() > SHOWN {
        text.chars().take(SHOWN).chain(['…']).collect()
    } else {
        text.to_owned()
    }
}

/// The first byte in which two files differ; `None` if they are the same.
#[must_use]
pub fn bytes(what: &str, found: &[u8], expected: &[u8]) -> Option<Difference> {
    if found == expected {
        return None;
    }
    let at = found
        .iter()
        .zip(expected)
        .position(|(a, b)| a != b)
        .unwrap_or(found.len().min(expected.len()));
    let shown = |bytes: &[u8]| bytes.get(at).map_or_else(String::new, |byte| format!("{byte:#04x}"));
    Some(Difference {
        what: what.to_owned(),
        place: format!("byte {}", at + 1),
        found: shown(found),
        expected: shown(expected),
        by: None,
    })
}

/// Every place in which two JSON values differ, in order; `skip` names places that are not looked at.
#[must_use]
pub fn values(what: &str, found: &Value, expected: &Value, skip: &[&str]) -> Vec<Difference> {
    let mut all = Vec::new();
    walk(what, "", found, expected, skip, &mut all);
    all
}

fn walk(what: &str, place: &str, found: &Value, expected: &Value, skip: &[&str], all: &mut Vec<Difference>) {
    if skip.contains(&place) {
        return;
    }
    let inner = |key: &str| {
        if place.is_empty() {
            key.to_owned()
        } else {
            format!("{place}.{key}")
        }
    };
    match (found, expected) {
        (Value::Object(one), Value::Object(other)) => {
            for (key, value) in one {
                walk(
                    what,
                    &inner(key),
                    value,
                    other.get(key).unwrap_or(&Value::Null),
                    skip,
                    all,
                );
            }
            for (key, value) in other.iter().filter(|(key, _)| !one.contains_key(*key)) {
                walk(what, &inner(key), &Value::Null, value, skip, all);
            }
        }
        (Value::Array(one), Value::Array(other)) => {
            for index in 0..one.len().max(other.len()) {
                let at = |list: &[Value]| list.get(index).cloned().unwrap_or(Value::Null);
                walk(what, &format!("{place}[{index}]"), &at(one), &at(other), skip, all);
            }
        }
        (Value::Number(one), Value::Number(other)) => {
            let (a, b) = (one.as_f64(), other.as_f64());
            let whole = one.is_i64() && other.is_i64();
            let same = one == other || (!whole && a.zip(b).is_some_and(|(a, b)| same_number(a, b)));
            if !same {
                all.push(Difference {
                    what: what.to_owned(),
                    place: place.to_owned(),
                    found: one.to_string(),
                    expected: other.to_string(),
                    by: a.zip(b).map(|(a, b)| (a - b).abs()),
                });
            }
        }
        _ if found == expected => {}
        _ => all.push(Difference {
            what: what.to_owned(),
            place: place.to_owned(),
            found: shown(found),
            expected: shown(expected),
            by: None,
        }),
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => cut(text),
        other => cut(&other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn numbers_in_texts_are_the_same_within_the_tolerance_and_nothing_else_is() {
        let place = |a: &str, b: &str| texts("f", a, b).map(|d| (d.place, d.found, d.expected));
        assert_eq!(place("a,1.5\nb,2", "a,1.5\nb,2"), None);
        assert_eq!(place("a,0.3333333333333333\n", "a,0.33333333333333337\n"), None);
        assert_eq!(place("x -1.0e-3 y", "x -0.001 y"), None);
        let (at, found, expected) = place("a,1.5\nb,2.00", "a,1.5\nb,2.01").unwrap();
        assert_eq!(
            (at.as_str(), found.as_str(), expected.as_str()),
            ("line 2", "2.00", "2.01")
        );
        assert_eq!(place("a\nb", "a\nc").unwrap().0, "line 2");
        assert_eq!(place("a\n", "a\nb").unwrap().0, "line 2");
        assert_eq!(place("a\nb\n", "a\n").unwrap().0, "line 2");
        // A sign, a word that looks like a number within a name, a digit more.
        assert!(place("-1", "1").is_some());
        assert!(place("x1", "x2").is_some());
        assert!(place("1", "11").is_some());
        assert!(place("1 2", "1  2").is_some());
        assert!(place("ä1", "ö1").is_some());
    }

    #[test]
    fn values_are_named_by_their_place() {
        let one = json!({"a": [1.0, {"b": "x"}], "n": 3, "t": "old", "only": 1});
        let other = json!({"a": [1.0 + 1e-12, {"b": "y"}], "n": 4, "t": "new", "more": null});
        let found = values("f", &one, &other, &["t"]);
        let places: Vec<&str> = found.iter().map(|d| d.place.as_str()).collect();
        assert_eq!(places, ["a[1].b", "n", "only"]);
        assert_eq!(found[1].by, Some(1.0));
        assert!(found[0].sentence().contains("f, a[1].b"), "{}", found[0].sentence());
    }

    #[test]
    fn tiny_numbers_are_held_against_their_own_size() {
        assert!(same_number(1e-15, 3e-16));
        assert!(!same_number(1e-9, 2e-9));
        assert!(same_number(1e300, 1e300 * (1.0 + 1e-12)));
        assert!(!same_number(f64::NAN, 1.0));
    }
}
