//! Names that a pack can hold: the same file on every system, and never one outside the folder.
//!
//! In:  names of an archive or a manifest; they come from strangers.
//! Out: what is wrong with one, or between two of them.
//!
//! Method: a name is relative, with `/` between its parts, in the letters, digits and marks of ASCII that every
//! system takes. Rules for names on Windows: Microsoft, 'Naming Files, Paths, and Namespaces' (from memory).
//! Never here: files.

use std::collections::BTreeMap;

/// Longest name, in bytes.
const LONGEST: usize = 200;
/// Most folders above a file.
const DEEPEST: usize = 8;
/// Marks that some system does not take, or takes for something else.
const MARKS: [char; 9] = ['\\', ':', '*', '?', '"', '<', '>', '|', '%'];
/// Names of devices on Windows, whatever their ending.
const DEVICES: [&str; 6] = ["con", "prn", "aux", "nul", "conin$", "conout$"];

/// What is wrong with a name; `None` if nothing is.
#[must_use]
pub fn fault(name: &str) -> Option<&'static str> {
    let bytes = name.as_bytes();
    if name.is_empty() {
        return Some("it is empty");
    }
    if name.len() > LONGEST {
        return Some("it is too long");
    }
    if name.starts_with(['/', '\\']) {
        return Some("it starts from the root of a disk");
    }
    if bytes.len() > 1 && bytes[0].is_ascii_alphabetic() && bytes[1] == b':' {
        return Some("it starts with a drive letter");
    }
    if name.split(['/', '\\']).any(|part| part == "..") {
        return Some("it leads out of the folder");
    }
    if !name.chars().all(|c| c.is_ascii_graphic() || c == ' ') || name.contains(MARKS) {
        return Some("it holds a character that not every system takes");
    }
    if name.split('/').count() > DEEPEST {
        return Some("it lies too deep");
    }
    name.split('/').find_map(part_fault)
}

fn part_fault(part: &str) -> Option<&'static str> {
    if part.is_empty() {
        return Some("a part of it is empty");
    }
    if part.starts_with('.') {
        return Some("a part of it starts with a dot: it is hidden, or no name at all");
    }
    if part.starts_with(' ') || part.ends_with([' ', '.']) {
        return Some("a part of it has a blank or a dot at its end, which some systems drop");
    }
    let stem = part
        .split('.')
        .next()
        .unwrap_or_default()
        .trim_end()
        .to_ascii_lowercase();
    let port = (stem.starts_with("com") || stem.starts_with("lpt"))
        && stem.len() == 4
        && stem.ends_with(|c: char| c.is_ascii_digit());
    (port || DEVICES.contains(&stem.as_str())).then_some("it is the name of a device on some systems")
}

/// Looks for names that differ in capitals only, and for a file that stands where another file needs a folder.
///
/// Returns the two names and what is wrong between them, for each name that has such a neighbour.
#[must_use]
pub fn clashes<'a>(names: impl Iterator<Item = &'a str>) -> Vec<(String, String, &'static str)> {
    // What was seen under a folded name: the name as written, and whether it is a file.
    let mut seen: BTreeMap<String, (&'a str, bool)> = BTreeMap::new();
    let mut found = Vec::new();
    for name in names {
        let ends = name.match_indices('/').map(|(at, _)| at).chain([name.len()]);
        for end in ends {
            let Some(part) = name.get(..end) else { continue };
            let is_file = end == name.len();
            let Some(&(other, other_is_file)) = seen.get(&part.to_ascii_lowercase()) else {
                seen.insert(part.to_ascii_lowercase(), (part, is_file));
                continue;
            };
            let what = if other != part {
                "they differ in capitals only"
            } else if is_file && other_is_file {
                "they are the same"
            } else if is_file || other_is_file {
                "a file stands where a folder is needed"
            } else {
                continue;
            };
            found.push((other.to_owned(), name.to_owned(), what));
            break;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_names_are_taken_and_all_others_refused() {
        for name in [
            "protocol.toml",
            "report/charts/hardness-order.svg",
            "a b/c-d_e.f",
            "console.txt",
        ] {
            assert_eq!(fault(name), None, "{name}");
        }
        for name in [
            "",
            "/etc/passwd",
            "\\\\server\\share",
            "C:\\x",
            "c:x",
            "../x",
            "a/../../x",
            "a\\..\\x",
            "a//b",
            "a/",
            "./a",
            "a/./b",
            ".hidden",
            "a/.wellrun.lock",
            "a.",
            "a ",
            " a",
            "con",
            "Con.txt",
            "report/NUL.csv",
            "lpt1",
            "COM9.toml",
            "aux .x",
            "tab\there",
            "nul\0byte",
            "esc\u{1b}[31m",
            "caf\u{e9}",
            "right\u{202e}left",
            "a:stream",
            "a*",
            "%2e%2e/x",
            "1/2/3/4/5/6/7/8/9",
        ] {
            assert!(fault(name).is_some(), "{name:?}");
        }
        assert!(fault(&"a".repeat(201)).is_some());
    }

    #[test]
    fn names_in_each_others_way_are_found() {
        let clash = |names: &[&str]| clashes(names.iter().copied()).len();
        assert_eq!(clash(&["a/b", "a/c", "b", "ab"]), 0);
        assert_eq!(clash(&["a/b", "a/B"]), 1);
        assert_eq!(clash(&["a/b", "A/c"]), 1);
        assert_eq!(clash(&["a", "a/c"]), 1);
        assert_eq!(clash(&["a/c", "a"]), 1);
        assert_eq!(clash(&["a", "a"]), 1);
    }
}
