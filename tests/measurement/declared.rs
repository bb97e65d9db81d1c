//! What is said about wrong or impossible declarations: message, place and help of every one of `P160` to `P175` and `P180`
//! to `P195`. Closed form: places are counted from marks in the text.

use std::fmt::Write as _;

use wellrun::diagnostic::{Diagnostics, Severity, Source};
use wellrun::protocol;

/// Marks a place in an edit: the diagnostic of the same rank points there.
const MARK: char = '‸';

const HEAD: &str = r#"wellrun = 1
[study]
id = "demo"
version = "1"
title = "T"
question = "Which?"
kind = "variance investigation"
method = "M"
[response.hardness]
measurand = "Hardness"
unit = "Shore D"
resolution = 0.1
readings = 2
reading_time = "1 s"
result = "mean"
round_to = 0.1
limit = { at_least = 55 }
tolerance = [50, 60]
"#;

const LABORATORIES: &str = r#"[[unit]]
name = "laboratory"
count = 8
[[unit]]
name = "material"
count = 6
[[unit]]
name = "day"
within = ["laboratory", "material"]
count = 2
[[unit]]
name = "run"
within = ["day"]
count = 2
[factor.finish]
set_on = "run"
levels = ["fine", "coarse"]
[design]
treatments = "full factorial"
[analysis]
planned = ["finish"]
"#;

const BENCH: &str = r#"[[unit]]
name = "session"
count = 4
[[unit]]
name = "roller"
count = 6
[[unit]]
name = "run"
within = ["session", "roller"]
[factor.temperature]
set_on = "session"
levels = [21, 25]
unit = "°C"
scale = "numeric"
[factor.instrument]
set_on = "run"
levels = ["A", "B"]
named_by_site = true
[factor.finish]
set_on = "roller"
levels = ["fine", "middle", "coarse"]
[condition.humidity]
unit = "%"
measured_on = "session"
[design]
treatments = "full factorial"
[analysis]
planned = ["temperature", "instrument", "finish"]
"#;

/// A row: table to add, edits of the base, and for each mark (code, part of the message, part of the help).
struct Row<'a> {
    add: &'a str,
    edits: &'a [(&'a str, &'a str)],
    said: &'a [(&'a str, &'a str, &'a str)],
}

fn read(text: &str) -> Diagnostics {
    match protocol::read(&Source::new("protocol.toml", text)) {
        Ok((_, found)) | Err(found) => found,
    }
}

fn check(base: &str, row: &Row<'_>, severity: Severity) -> String {
    let mut text = format!("{HEAD}{base}{}\n", row.add);
    for (from, to) in row.edits {
        assert_eq!(text.matches(from).count(), 1, "`{from}` must stand once");
        text = text.replacen(from, to, 1);
    }
    let (mut line, mut column, mut marks) = (1, 1, Vec::new());
    for c in text.chars() {
        match c {
            MARK => marks.push((line, column)),
            '\n' => (line, column) = (line + 1, 1),
            _ => column += 1,
        }
    }
    assert_eq!(marks.len(), row.said.len(), "one mark for each: {}", row.add);
    let found = read(&text.replace(MARK, ""));
    let told: String = found.iter().map(|d| d.render(false) + "\n").collect();
    let fits = found.iter().count() == marks.len()
        && found
            .iter()
            .zip(&marks)
            .zip(row.said)
            .all(|((d, place), (code, message, help))| {
                let (_, line, column) = d.position().unwrap();
                d.code == *code
                    && (line, column) == *place
                    && d.severity == severity
                    && d.message.contains(message)
                    && d.help.as_deref().is_some_and(|text| text.contains(help))
            });
    if fits {
        String::new()
    } else {
        format!(
            "{}{:?}\nexpected {marks:?} {:?}\nfound\n{told}\n",
            row.add, row.edits, row.said
        )
    }
}

fn check_all(base: &str, rows: &[Row<'_>], severity: Severity) {
    let failed: String = rows.iter().map(|row| check(base, row, severity)).collect();
    assert!(failed.is_empty(), "{failed}");
}

fn row<'a>(add: &'a str, said: &'a [(&'a str, &'a str, &'a str)]) -> Row<'a> {
    Row { add, edits: &[], said }
}

#[test]
fn the_bases_are_sound() {
    let precision = "[precision]\nlaboratory = \"laboratory\"\nmaterial = \"material\"\nintermediate = [\"day\"]";
    let system = "[measurement_system]\npart = \"material\"\nby = [\"laboratory\"]";
    for (base, add) in [(LABORATORIES, precision), (LABORATORIES, system), (BENCH, "")] {
        let found = read(&format!("{HEAD}{base}{add}\n"));
        assert!(
            found.is_empty(),
            "{}",
            found.iter().map(|d| d.render(false)).collect::<String>()
        );
    }
}

#[test]
fn statements_of_precision() {
    let rows = [
        row(
            "[precision]\nlaboratory = ‸\"laboratry\"",
            &[("P160", "no unit or factor is called `laboratry`", "laboratory")],
        ),
        row(
            "[precision]\nlaboratory = \"laboratory\"\nmaterial = ‸\"run\"",
            &[("P161", "`run` is the run", "that several runs share")],
        ),
        row(
            "[precision]\nlaboratory = \"laboratory\"\nintermediate = [\"day\", ‸\"laboratory\"]",
            &[(
                "P162",
                "`laboratory` cannot be two things",
                "different units or factors",
            )],
        ),
        row(
            "[‸precision]\nmaterial = \"material\"",
            &[("P163", "nothing says between what", "intermediate = [\"day\"]")],
        ),
        Row {
            add: "[precision]\nlaboratory = ‸\"laboratory\"\nintermediate = [\"day\"]",
            edits: &[("count = 8", "count = 1")],
            said: &[("P164", "there is only one `laboratory`", "name in `intermediate`")],
        },
        Row {
            add: "[precision]\nlaboratory = \"laboratory\"\nmaterial = ‸\"material\"",
            edits: &[
                ("name = \"material\"", "name = \"material\"\nwithin = [\"laboratory\"]"),
                ("within = [\"laboratory\", \"material\"]", "within = [\"material\"]"),
            ],
            said: &[(
                "P166",
                "no two laboratories have the same material",
                "let the two cross",
            )],
        },
        Row {
            add: "[‸precision]\nlaboratory = \"laboratory\"\nmaterial = \"material\"",
            edits: &[
                (
                    "name = \"day\"\nwithin = [\"laboratory\", \"material\"]\ncount = 2\n[[unit]]\n",
                    "",
                ),
                (
                    "within = [\"day\"]\ncount = 2",
                    "within = [\"laboratory\", \"material\"]",
                ),
                ("set_on = \"run\"", "set_on = \"material\""),
            ],
            said: &[("P167", "every cell holds a single run", "raise `count` of the run")],
        },
    ];
    check_all(LABORATORIES, &rows, Severity::Error);
    let few = Row {
        add: "[precision]\nlaboratory = ‸\"laboratory\"\nmaterial = \"material\"",
        edits: &[("count = 8", "count = 3")],
        said: &[(
            "P165",
            "3 of `laboratory` say little",
            "better 8 to 15 (common practice)",
        )],
    };
    check_all(LABORATORIES, &[few], Severity::Warning);
}

#[test]
fn studies_of_measurement_systems() {
    let rows = [
        row(
            "[measurement_system]\npart = ‸\"materiel\"\nby = [‸\"run\"]",
            &[
                ("P160", "no unit or factor is called `materiel`", "material"),
                ("P161", "`run` is the run", "share"),
            ],
        ),
        row(
            "[measurement_system]\npart = \"material\"\nby = [‸\"material\"]",
            &[("P162", "`material` cannot be two things", "different units or factors")],
        ),
        row(
            "[measurement_system]\npart = \"material\"\nby = ‸[]",
            &[("P168", "nothing says who or what measures", "by = [\"operator\"]")],
        ),
        Row {
            add: "[measurement_system]\npart = \"material\"\nby = [‸\"laboratory\"]",
            edits: &[("count = 8", "count = 1")],
            said: &[("P169", "there is only one `laboratory`", "two or more, better six")],
        },
    ];
    check_all(LABORATORIES, &rows, Severity::Error);
    let warnings = [
        Row {
            add: "[measurement_system]\npart = ‸\"material\"\nby = [\"laboratory\"]",
            edits: &[("count = 6", "count = 3")],
            said: &[("P170", "3 of `material` say little", "ten or so")],
        },
        Row {
            add: "[measurement_system]\npart = \"material\"\nby = [\"laboratory\"]",
            edits: &[
                ("tolerance = [50, 60]\n", ""),
                ("[response.hardness]", "[response.‸hardness]"),
            ],
            said: &[("P171", "no tolerance is declared", "tolerance = [60, 70]")],
        },
    ];
    check_all(LABORATORIES, &warnings, Severity::Warning);
}

#[test]
fn references() {
    let system = "[measurement_system]\npart = \"material\"\nby = [\"laboratory\"]\n";
    let reference = |keys: &str| format!("{system}{keys}");
    let cases = [
        (
            "[[reference]]\nof = \"finish\"\nlabel = ‸\"coarser\"\nvalue = 55\nuncertainty = 0.1",
            ("P172", "`finish` has no level `coarser`", "coarse"),
        ),
        (
            "[[reference]]\nof = \"material\"\nlabel = ‸\"7\"\nvalue = 55\nuncertainty = 0.1",
            ("P172", "`material` has no number `7`", "1 to 6"),
        ),
        (
            "[[reference]]\nof = \"material\"\nlabel = \"2\"\nvalue = 55\nuncertainty = 0.1\n‸[[reference]]\nof = \
             \"material\"\nlabel = \"2\"\nvalue = 56\nuncertainty = 0.1",
            ("P173", "`2` has two reference values", "one accepted value"),
        ),
        (
            "[[reference]]\nof = \"material\"\nlabel = \"2\"\nvalue = 55\nuncertainty = 0.1\nresponse = ‸\"hardnes\"",
            ("P174", "no response is called `hardnes`", "`hardness`"),
        ),
        (
            "[[reference]]\nof = ‸\"materials\"\nlabel = \"2\"\nvalue = 55\nuncertainty = 0.1",
            ("P160", "no unit or factor is called `materials`", "material"),
        ),
    ];
    for (keys, said) in cases {
        let add = reference(keys);
        let said = [said];
        assert_eq!(check(LABORATORIES, &row(&add, &said), Severity::Error), "");
    }
    // Of several responses one has to be named.
    let two = "‸[[reference]]\nof = \"material\"\nlabel = \"2\"\nvalue = 55\nuncertainty = 0.1\n[response.gloss]\nmeasurand \
               = \"Gloss\"\nunit = \"1\"\nresolution = 1\nreadings = 1\nreading_time = \"1 s\"\nresult = \"mean\"\nround_to = \
               \"none\"";
    let add = reference(two);
    let said = [("P174", "nothing says of which response", "`hardness` or `gloss`")];
    assert_eq!(check(LABORATORIES, &row(&add, &said), Severity::Error), "");
}

#[test]
fn a_kind_of_study_without_its_table() {
    for (kind, message, help) in [
        ("interlaboratory", "who the laboratories are", "add [precision]"),
        ("measurement system", "who measures", "add [measurement_system]"),
    ] {
        let to = format!("kind = ‸\"{kind}\"");
        let row = Row {
            add: "",
            edits: &[("kind = \"variance investigation\"", &to)],
            said: &[("P175", message, help)],
        };
        assert_eq!(check(BENCH, &row, Severity::Warning), "");
    }
}

#[test]
fn budgets() {
    let one = |keys: &str| format!("[uncertainty.hardness]\n[uncertainty.hardness.source.a]\n{keys}");
    let rows = [
        row(
            "[uncertainty.‸hardnes]\n[uncertainty.hardnes.source.a]\nstandard = 1",
            &[("P180", "no response is called `hardnes`", "hardness")],
        ),
        row(
            "[uncertainty.hardness]\nequation = \"a + ‸)\"\n[uncertainty.hardness.source.a]\nstandard = 1",
            &[("P181", "the equation cannot be read", "plain arithmetic")],
        ),
        row(
            "[uncertainty.hardness]\nequation = ‸\"a + b\"\n[uncertainty.hardness.source.a]\nstandard = \
             1\n[uncertainty.hardness.source.‸c]\nstandard = 1",
            &[
                (
                    "P182",
                    "the equation holds `b`",
                    "write [uncertainty.hardness.source.b]",
                ),
                ("P182", "`c` does not stand in the equation", "count for nothing"),
            ],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.‸a]\nwhat = \"nothing\"",
            &[("P183", "does not say how uncertain it is", "give one of `from`")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1\n‸within = 2",
            &[("P183", "says twice how uncertain it is", "give one of")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nexpanded = ‸1",
            &[("P183", "without its coverage factor", "add `factor`")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1\n‸factor = 2",
            &[("P184", "`factor` has no meaning here", "it goes with `expanded`")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1\ndf = 4\ndoubt = ‸0.2",
            &[("P184", "`df` and `doubt` say the same", "keep one")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1\ndf = ‸0.5",
            &[("P184", "on less than one degree of freedom", "1 or more")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nwithin = 1\nshape = ‸\"normal\"",
            &[("P184", "\"normal\" does not fit `within`", "limits")],
        ),
        row(
            "[uncertainty.hardness]\nequation = \"a\"\n[uncertainty.hardness.source.a]\nstandard = 1\nsensitivity = ‸2",
            &[("P184", "a sensitivity follows from it", "take `sensitivity` out")],
        ),
        row(
            "[uncertainty.hardness]\nresult_of = { ‸reading = 0.5 }\n[uncertainty.hardness.source.a]\nstandard = 1",
            &[("P184", "a whole number of them", "1 or more")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1\nanew = ‸\"sesion\"",
            &[("P185", "no unit is called `sesion`", "session")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nreadings = ‸[5]",
            &[("P193", "one reading shows no spread", "two or more")],
        ),
        row(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.‸pi]\nstandard = 1",
            &[("P194", "`pi` cannot be the name of a source", "small letters")],
        ),
    ];
    check_all(BENCH, &rows, Severity::Error);
    let mut add = "[uncertainty.hardness]\n".to_owned();
    for i in 0..65 {
        let _ = write!(add, "[uncertainty.hardness.source.s{i}]\nstandard = 1\n");
    }
    let found = read(&format!("{HEAD}{BENCH}{add}"));
    assert!(found.iter().any(|d| d.code == "P187"));
    for (from, message, help) in [
        ("spread of sessions", "no unit is called `sessions`", "session"),
        (
            "slope of instrument",
            "`instrument` has no slope",
            "scale = \"numeric\"",
        ),
        ("slope of heat", "no factor is called `heat`", "factors"),
        (
            "difference of finish",
            "`finish` has no single difference",
            "of two categories",
        ),
        (
            "tolerance of finish",
            "the site file says nothing about `finish`",
            "named_by_site = true",
        ),
        ("condition humidty", "no condition is called `humidty`", "humidity"),
        ("spread of reading and run", "readings do not cross", "by itself"),
        (
            "gut feeling",
            "names nothing that the study finds",
            "\"spread of UNIT\"",
        ),
    ] {
        let add = one(&format!("from = ‸\"{from}\""));
        let said = [("P185", message, help)];
        assert_eq!(check(BENCH, &row(&add, &said), Severity::Error), "");
    }
    let single = Row {
        add: "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nfrom = ‸\"spread of reading\"",
        edits: &[("readings = 2", "readings = 1")],
        said: &[("P185", "a run has one reading", "\"spread of\" the run")],
    };
    assert_eq!(check(BENCH, &single, Severity::Error), "");
}

#[test]
fn correlations_that_cannot_be() {
    let two = |keys: &str| {
        format!(
            "[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nreadings = [1, 2, 4]\n[uncertainty.hardness.source.b]\
             \nreadings = [1, 3]\n{keys}"
        )
    };
    let table = "[[uncertainty.hardness.correlation]]";
    let cases = [
        (
            format!("{table}\nof = [\"a\", ‸\"d\"]"),
            "no source is called `d`",
            "did you mean `a`",
        ),
        (
            format!("‸{table}\nof = [\"a\", \"a\"]"),
            "goes together with itself",
            "for example",
        ),
        (format!("‸{table}\nof = [\"a\"]"), "between two sources", "for example"),
        (
            format!("‸{table}\nof = [\"a\", \"b\"]\nis = 1.5"),
            "between −1 and 1",
            "for example",
        ),
        (
            format!("‸{table}\nof = [\"a\", \"b\"]"),
            "as many `readings`",
            "for example",
        ),
        (
            format!("{table}\nof = [\"a\", \"b\"]\nis = 1\n‸{table}\nof = [\"b\", \"a\"]\nis = 1"),
            "stand here already",
            "for example",
        ),
    ];
    for (keys, message, help) in &cases {
        let add = two(keys);
        let said = [("P186", *message, *help)];
        assert_eq!(check(BENCH, &row(&add, &said), Severity::Error), "");
    }
}

#[test]
fn decisions() {
    let rows = [
        Row {
            add: "[decision.‸hardness]\nrule = \"simple acceptance\"\nstandard = 1",
            edits: &[("limit = { at_least = 55 }\n", "")],
            said: &[("P188", "a decision about `hardness` needs its limit", "at_least")],
        },
        row(
            "[decision.‸hardness]\nrule = \"simple acceptance\"",
            &[("P189", "needs the uncertainty of a result", "[uncertainty.hardness]")],
        ),
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = \
             ‸1\n[uncertainty.hardness]\n[uncertainty.hardness.source.a]\nstandard = 1",
            &[("P189", "declared twice", "take `standard` out")],
        ),
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\n‸guard = 1",
            &[("P190", "simple acceptance has no guard band", "guarded acceptance")],
        ),
        row(
            "[decision.hardness]\nrule = \"guarded acceptance\"\nstandard = 1\nguard = 1\n‸risk = 0.05",
            &[("P190", "both say how wide the guard band is", "keep one")],
        ),
        Row {
            add: "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\nrounded = ‸\"before comparison\"",
            edits: &[("round_to = 0.1", "round_to = \"none\"")],
            said: &[("P190", "cannot be rounded before comparison", "round_to")],
        },
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\nof = ‸\"rolers\"",
            &[("P195", "no unit or factor is called `rolers`", "roller")],
        ),
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\n‸production = { mean = 57 }",
            &[("P195", "needs a mean and a standard deviation", "from = \"roller\"")],
        ),
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\nproduction = { from = ‸\"rollers\" }",
            &[("P195", "no unit is called `rollers`", "roller")],
        ),
        row(
            "[decision.hardness]\nrule = \"simple acceptance\"\nstandard = 1\nwindow = { factor = ‸\"instrument\", between = \
             [21, 25], reference = 23 }",
            &[("P195", "`instrument` is no numeric factor", "temperature")],
        ),
        // A limit is held against results by a rule only.
        row(
            "[decision.‸hardness]\nstandard = 1",
            &[(
                "P004",
                "the same result passes under one rule and fails under another",
                "for example `rule =",
            )],
        ),
        row(
            "[decision.‸gloss]\nrule = \"simple acceptance\"\nstandard = 1",
            &[("P180", "no response is called `gloss`", "hardness")],
        ),
    ];
    check_all(BENCH, &rows, Severity::Error);
}

#[test]
fn comparisons() {
    let rest = "margin = 0.5\norigin = \"use\"";
    let cases = [
        (
            format!("[comparison.hardness]\nmethods = ‸\"instruments\"\nspecimens = \"roller\"\n{rest}"),
            ("P191", "no factor is called `instruments`", "instrument"),
        ),
        (
            format!("[comparison.hardness]\nmethods = ‸\"finish\"\nspecimens = \"session\"\n{rest}"),
            ("P191", "`finish` has 3 levels", "compare two methods"),
        ),
        (
            format!(
                "[comparison.hardness]\nmethods = \"instrument\"\nreference = ‸\"C\"\nspecimens = \"roller\"\n{rest}"
            ),
            ("P191", "`C` is no level", "did you mean `A`"),
        ),
        (
            format!("[comparison.hardness]\nmethods = \"instrument\"\nspecimens = ‸\"rolers\"\n{rest}"),
            ("P192", "no unit is called `rolers`", "roller"),
        ),
        (
            format!("[comparison.hardness]\nmethods = \"temperature\"\nspecimens = ‸\"session\"\n{rest}"),
            ("P192", "no `session` is read by both methods", "crossed with it"),
        ),
        (
            format!("[comparison.‸gloss]\nmethods = \"instrument\"\nspecimens = \"roller\"\n{rest}"),
            ("P180", "no response is called `gloss`", "hardness"),
        ),
        (
            "[comparison.‸hardness]\nmethods = \"instrument\"\nspecimens = \"roller\"\norigin = \"use\"".to_owned(),
            ("P004", "a difference that is small enough", "for example `margin ="),
        ),
    ];
    for (add, said) in &cases {
        assert_eq!(check(BENCH, &row(add, &[*said]), Severity::Error), "");
    }
}

/// Every code of the two ranges is told somewhere above.
#[test]
fn no_code_is_left_out() {
    let own = include_str!("declared.rs");
    for number in (160..=175).chain(180..=195) {
        assert!(own.contains(&format!("\"P{number}\"")), "P{number}");
    }
}
