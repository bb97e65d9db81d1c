//! Broken input of every kind: exit status 1, a diagnostic with its code at the place, and nothing written.
//!
//! Class: closed form. Each place is that of a text in the spoiled file, counted by `Study::place`.

use tempfile::TempDir;

use super::support::{REASON, Stage, Tree, assert_same, lay_out, roller, run, stderr, tree};

/// A study about to be spoiled.
struct Study(Tree);

impl Study {
    fn text(&self, file: &str) -> String {
        String::from_utf8_lossy(&self.0[file]).into_owned()
    }

    fn set(&mut self, file: &str, bytes: impl AsRef<[u8]>) -> &mut Self {
        self.0.insert(file.to_owned(), bytes.as_ref().to_vec());
        self
    }

    /// Puts one text in the place of another, which has to be there; the first time it stands there.
    fn swap(&mut self, file: &str, from: &str, to: &str) -> &mut Self {
        let text = self.text(file);
        assert!(text.contains(from), "`{from}` is not in {file}");
        let spoiled = text.replacen(from, to, 1);
        self.set(file, spoiled)
    }

    /// Changes the line of that number, from 1.
    fn line(&mut self, file: &str, number: usize, change: impl FnOnce(&str) -> String) -> &mut Self {
        let text = self.text(file);
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        lines[number - 1] = change(&lines[number - 1]);
        self.set(file, lines.join("\n") + "\n")
    }

    /// Changes one cell of a row of the filled sheet; rows count from 1, the header is row 0.
    fn cell(&mut self, row: usize, column: &str, text: &str) -> &mut Self {
        let header = self.text(SHEET);
        let header = header.lines().next().unwrap();
        let column = header
            .split(',')
            .position(|name| name == column)
            .expect("a column of the sheet");
        self.line(SHEET, row + 1, |line| {
            let mut cells: Vec<&str> = line.split(',').collect();
            cells[column] = text;
            cells.join(",")
        })
    }

    /// `file:line:column` of the first time a text stands in a file: of its start, or of the mark `‸` in it.
    fn place(&self, file: &str, needle: &str) -> String {
        let text = self.text(file);
        let within = needle.find('‸').unwrap_or(0);
        let start = text.find(&needle.replace('‸', ""));
        let at = start.unwrap_or_else(|| panic!("`{needle}` is not in {file}")) + within;
        let before = &text[..at];
        let line = before.matches('\n').count() + 1;
        let column = before.chars().rev().take_while(|&c| c != '\n').count() + 1;
        format!("{file}:{line}:{column}")
    }
}

const SHEET: &str = "filled-sheet.csv";
const RECORD: &[&str] = &["record", SHEET];
const CHECK: &[&str] = &["check"];

/// Spoils a study, runs a command in it, and looks for every expected code with its place.
///
/// An expectation is a code, a file, and the text in the spoiled file at which the caret has to stand (at the mark `‸`
/// if there is one); a blank text stands for the start of the file.
#[track_caller]
fn check(
    what: &str,
    stage: Stage,
    spoil: impl FnOnce(&mut Study) -> &mut Study,
    command: &[&str],
    expected: &[(&str, &str, &str)],
) {
    let mut study = Study(roller(stage));
    spoil(&mut study);
    let dir = folder(&study);
    let before = tree(dir.path());
    let told = stderr(&run(dir.path(), command, 1));
    for (code, file, needle) in expected {
        let place = study.place(file, needle);
        assert!(
            blocks(&told).any(|block| block.starts_with(&format!("error[{code}]: ")) && is_at(block, &place)),
            "{what}: no {code} at {place} in\n{told}"
        );
    }
    assert!(!told.contains("This is a defect"), "{what}: {told}");
    assert_same(&tree(dir.path()), &before, what);
}

fn folder(study: &Study) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    lay_out(&study.0, dir.path());
    dir
}

/// The diagnostics of a command, one text each.
fn blocks(told: &str) -> impl Iterator<Item = &str> {
    told.split("\n\n").map(str::trim_start)
}

/// True if the caret of a diagnostic stands at `file:line:column`.
fn is_at(block: &str, place: &str) -> bool {
    block
        .lines()
        .filter_map(|line| line.trim_start().strip_prefix("--> "))
        .any(|found| found == place)
}

#[test]
#[rustfmt::skip] // one row a line
fn protocols() {
    const FILE: &str = "protocol.toml";
    let rows = [
        ("a bracket is not closed", "[study]", "[study", "P001", "[study‸"),
        ("unknown key", "resolution = 0.1", "resolutoin = 0.1", "P002", "resolutoin"),
        ("a word where a number belongs", "count = 4", "count = \"four\"", "P003", "\"four\""),
        ("a key is missing", "kind = \"variance investigation\"\n", "", "P004", "[‸study]"),
        ("blank measurand", "\"Apparent Shore D", "\"\" # \"Apparent", "P005", "\"\" #"),
        ("unknown kind of study", "\"variance inv", "\"varience inv", "P006", "\"varience"),
        ("a later format", "wellrun = 1", "wellrun = 9", "P009", "wellrun = ‸9"),
        ("factor on an unknown unit", "set_on = \"session\"", "set_on = \"sesion\"", "P030", "\"sesion\""),
        ("a count that no two levels share equally", "count = 4", "count = 3", "P033", "count = ‸3"),
        ("a level given twice", "\"turned\", \"polished\"", "\"turned\", \"turned\"", "P041", "\"turned\"]"),
        ("a level beyond the safe range", "levels = [21, 25]", "levels = [21, 55]", "P043", "55]"),
        ("a level that is a formula", "[\"turned\", ", "[\"=HYPERLINK(A1)\", ", "P045", "\"=HYPERLINK"),
        ("expected beyond possible", "expected = [45, 70]", "expected = [45, 170]", "P051", "[45, 170]"),
        ("a planned effect is misspelt", "[\"temperature\"", "[\"temprature\"", "P060", "\"temprature\""),
    ];
    for (what, from, to, code, needle) in rows {
        check(what, Stage::Declared, |study| study.swap(FILE, from, to), CHECK, &[(code, FILE, needle)]);
    }
    check(
        "everything wrong is said at once",
        Stage::Declared,
        |study| {
            study
                .swap(FILE, "resolution = 0.1", "resolutoin = 0.1")
                .swap(FILE, "levels = [21, 25]", "levels = [21, 55]")
                .swap("site.toml", "2026-03-02", "2026-02-30")
                .set("templates/report.html.jinjo", b"\xff")
        },
        CHECK,
        &[
            ("P002", FILE, "resolutoin"),
            ("P043", FILE, "55]"),
            ("F021", "templates/report.html.jinjo", "\u{fffd}"),
        ],
    );
}

#[test]
fn bytes_that_are_no_text() {
    for file in [
        "protocol.toml",
        "site.toml",
        "note.md",
        "plan.csv",
        "plan.toml",
        "record.jsonl",
    ] {
        check(
            file,
            Stage::Recorded,
            |study| {
                let mut bytes = study.0[file].clone();
                bytes.splice(40..40, *b"\xc3\x28");
                study.set(file, bytes)
            },
            CHECK,
            &[("F021", file, "\u{fffd}")],
        );
    }
}

#[test]
#[rustfmt::skip] // one row a line
fn site_files() {
    const FILE: &str = "site.toml";
    let rows = [
        ("a quote is not closed", "\"op1\"", "\"op1", "S001", "\"op1‸"),
        ("unknown key", "serial = \"D-1041\"", "seriel = \"D-1041\"", "S002", "seriel"),
        ("left to be filled in", "\"D-1041\"", "\"FILL IN\"", "S012", "\"FILL IN\""),
        ("no such day", "\"2026-03-02\"", "\"2026-02-30\"", "S013", "\"2026-02-30\""),
        ("a date in another order", "\"2026-01-15\"", "\"15.01.2026\"", "S013", "\"15.01.2026\""),
        ("ends before it begins", "\"2026-03-05\"", "\"2026-03-01\"", "S020", "[\"2026-03-02\""),
        ("unknown factor", "factor = \"instrument\"", "factor = \"instrumnt\"", "S030", "\"instrumnt\""),
        ("unknown level", "level = \"B\"", "level = \"C\"", "S031", "\"C\""),
        ("certificate expired", "due = \"2027-01-15\"", "due = \"2026-02-15\"", "S041", "\"2026-02-15\""),
        ("a label too few", "\"R1\", ", "", "S051", "roller = ["),
    ];
    for (what, from, to, code, needle) in rows {
        for command in [CHECK, &["plan", "--seed", "1"]] {
            check(what, Stage::Declared, |study| study.swap(FILE, from, to), command, &[(code, FILE, needle)]);
        }
    }
    check(
        "nothing stands behind an instrument",
        Stage::Declared,
        |study| {
            let text = study.text(FILE);
            let (start, end) = (text.rfind("[[named]]").unwrap(), text.find("[labels]").unwrap());
            study.set(FILE, format!("{}{}", &text[..start], &text[end..]))
        },
        CHECK,
        &[("S033", FILE, "[[named]]")],
    );
}

#[test]
fn plans() {
    use Stage::{Frozen, Recorded};
    for command in [
        CHECK,
        &["status"],
        &["sheet", "--as", "csv"],
        RECORD,
        &["analyse"],
        &["report"],
    ] {
        check(
            "a row of the plan was edited",
            Recorded,
            |study| study.line("plan.csv", 2, |line| line.replace('B', "A")),
            command,
            &[("D013", "plan.toml", "plan_sha256")],
        );
    }
    check(
        "the protocol was changed after freezing",
        Frozen,
        |study| study.swap("protocol.toml", "relevant = 0.5", "relevant = 0.6"),
        &["status"],
        &[("D012", "plan.toml", "protocol_sha256")],
    );
    check(
        "the header of the plan is no TOML",
        Frozen,
        |study| study.swap("plan.toml", "runs = 96", "runs 96"),
        &["status"],
        &[("D011", "plan.toml", "96")],
    );
    check(
        "a level of the plan is misspelt",
        Frozen,
        |study| study.line("plan.csv", 3, |line| line.replace("polished", "polishd")),
        CHECK,
        &[
            ("D013", "plan.toml", "plan_sha256"),
            ("D016", "plan.csv", "2,1,2,21,polishd,A"),
        ],
    );
    check(
        "rows of the plan are gone",
        Frozen,
        |study| study.swap("plan.csv", "\n2,1,2,21,polished,A", ""),
        CHECK,
        &[("D015", "plan.csv", "3,1,2,21,")],
    );
    check(
        "plan.csv is gone",
        Frozen,
        |study| {
            study.0.remove("plan.csv");
            study
        },
        CHECK,
        &[("D092", "plan.toml", "")],
    );
    check(
        "another site than the plan was drawn for",
        Frozen,
        |study| study.swap("site.toml", "id = \"north\"", "id = \"south\""),
        CHECK,
        &[("D093", "site.toml", "\"south\"")],
    );
}

#[test]
fn sheets() {
    let one = |what: &str, spoil: &dyn Fn(&mut Study) -> &mut Study, code: &str, needle: &str| {
        check(what, Stage::Frozen, spoil, RECORD, &[(code, SHEET, needle)]);
    };
    let cell = |what: &str, row: usize, column: &str, text: &str, code: &str| {
        let needle = text.trim_matches('"');
        one(what, &|study| study.cell(row, column, text), code, needle);
    };
    cell("unknown run", 96, "run", "97", "R021");
    cell("a run that is no number", 96, "run", "last", "R020");
    one(
        "a run in two rows",
        &|study| study.cell(96, "run", "95"),
        "R022",
        "95,4,3,21,turned,B",
    );
    cell("impossible reading", 7, "hardness 4", "155.3", "R046");
    cell("a spreadsheet made a date of it", 7, "hardness 4", "05. Mrz", "R044");
    cell("a formula", 7, "hardness 4", "=SUM(I2:I7)", "R009");
    cell("a formula in the remarks", 7, "remark", "@cmd", "R009");
    cell("a thousands separator", 7, "hardness 4", "\"1,055.3\"", "R041");
    cell("an exponent", 7, "hardness 4", "5.53e1", "R042");
    cell("not finite", 7, "hardness 4", "NaN", "R043");
    cell("two numbers", 7, "hardness 4", "55.3 / 55.4", "R040");
    cell("another level than planned", 1, "instrument", "A", "R024");
    cell("a level that does not exist", 1, "finish", "polishd", "R024");
    cell("no place in the order", 7, "order", "second", "R051");
    one(
        "rows are shifted",
        &|study| {
            // The columns that say what was to be done stay, all that was written slides one row down.
            let text = study.text(SHEET);
            let rows: Vec<&str> = text.lines().collect();
            let numbers = |row: &str| row.split(',').next().unwrap().to_owned();
            let rest = |row: &str| row.split_once(',').unwrap().1.to_owned();
            let mut shifted = vec![rows[0].to_owned()];
            shifted.extend((1..rows.len()).map(|at| format!("{},{}", numbers(rows[at]), rest(rows[at.max(2) - 1]))));
            study.set(SHEET, shifted.join("\n") + "\n")
        },
        "R024",
        "\n2,1,2,21,polished,‸B",
    );
    one(
        "two columns have changed places",
        &|study| study.swap(SHEET, "temperature,finish", "finish,temperature"),
        "R024",
        "21,polished",
    );
    one(
        "a column is misspelt",
        &|study| study.swap(SHEET, "hardness 1,", "harndess 1,"),
        "R012",
        "harndess 1",
    );
    one(
        "a column twice",
        &|study| study.swap(SHEET, "hardness 2,", "hardness 1,"),
        "R011",
        "hardness 1,hardness 3",
    );
    one(
        "more readings than a run has",
        &|study| study.swap(SHEET, "hardness 10,", "hardness 11,"),
        "R015",
        "hardness 11",
    );
    one(
        "a quote is never closed",
        &|study| study.line(SHEET, 97, |line| format!("{line}\"found wet")),
        "R003",
        "\"found wet",
    );
    one("an empty file", &|study| study.set(SHEET, ""), "R002", "");
    one(
        "an old national character set",
        &|study| {
            let mut bytes = study.0[SHEET].clone();
            bytes.splice(300..300, *b"\xfc");
            study.set(SHEET, bytes)
        },
        "R001",
        "\u{fffd}",
    );
    one("a PDF", &|study| study.set(SHEET, b"%PDF-1.7\n%\xe2\xe3"), "R001", "");
    one(
        "a workbook",
        &|study| study.set(SHEET, b"PK\x03\x04\x14\0\x06\0"),
        "R001",
        "",
    );
    one(
        "zero bytes",
        &|study| study.set(SHEET, "run,session\n1,\0\0\0\0"),
        "R001",
        "",
    );
}

#[test]
fn sheets_that_do_not_fit_what_is_on_record() {
    const FILE: &str = "corrected-reading.csv";
    for reason in [&[][..], &["--reason", ""], &["--reason", "  "], &["--reason", "?"]] {
        let is_given = !reason.is_empty();
        let mut study = Study(roller(Stage::Recorded));
        study.swap(FILE, "57.4", "57.5");
        let dir = folder(&study);
        let before = tree(dir.path());
        let told = stderr(&run(dir.path(), &[&["record", FILE], reason].concat(), 1));
        if is_given {
            assert!(told.contains("error[R061]"), "{reason:?}: {told}");
        } else {
            let found = blocks(&told)
                .find(|block| block.starts_with("error[R060]"))
                .expect("R060");
            assert!(is_at(found, &study.place(FILE, "57.5")), "{told}");
            assert!(found.contains("75.4"), "the recorded value is named: {found}");
        }
        assert_same(&tree(dir.path()), &before, "a change without a reason");
    }
    check(
        "one of two files is wrong: neither is taken in",
        Stage::Recorded,
        |study| study.cell(7, "hardness 4", "155.3"),
        &["record", FILE, SHEET, "--reason", REASON],
        &[("R046", SHEET, "155.3")],
    );
    check(
        "a run that is not in the plan, in the long form",
        Stage::Recorded,
        |study| study.swap(FILE, "23,", "230,"),
        &["record", FILE, "--reason", REASON],
        &[("R021", FILE, "230")],
    );
}

#[test]
fn journals() {
    const FILE: &str = "record.jsonl";
    let one = |what: &str, spoil: &dyn Fn(&mut Study) -> &mut Study, code: &str, needle: &str| {
        for command in [CHECK, &["status"], RECORD] {
            check(what, Stage::Recorded, spoil, command, &[(code, FILE, needle)]);
        }
    };
    let lines = Study(roller(Stage::Recorded)).text(FILE);
    let edited = lines.lines().position(|line| line.contains("\"75.4\"")).unwrap() + 1;
    one(
        "a reading was edited",
        &|study| study.swap(FILE, "\"text\":\"75.4\"", "\"text\":\"57.4\""),
        "R073",
        &format!("{{\"n\":{},", edited + 1),
    );
    one(
        "a line is cut in the middle of the journal",
        &|study| study.line(FILE, 100, |line| line[..120].to_owned()),
        "R071",
        "{\"n\":100,",
    );
    one(
        "a line was taken out",
        &|study| study.line(FILE, 100, |_| String::new()).swap(FILE, "\n\n", "\n"),
        "R072",
        "{\"n\":101,",
    );
    one(
        "a word that no line holds",
        &|study| study.swap(FILE, "\"kind\":\"condition\"", "\"kind\":\"improvement\""),
        "R071",
        "{\"n\":2,",
    );
    one(
        "a blank was put in",
        &|study| study.line(FILE, 2, |line| line.replace("\"n\":2,", "\"n\": 2,")),
        "R074",
        "{\"n\": 2,",
    );
}

#[test]
fn notes_and_templates() {
    let commands: [&[&str]; 2] = [CHECK, &["report", "--as", "html"]];
    for command in commands {
        check(
            "the note names a value that does not exist",
            Stage::Recorded,
            |study| study.swap("note.md", "hardness.mean.value", "hardness.maen.value"),
            command,
            &[("T030", "note.md", "hardness.maen.value")],
        );
        check(
            "the note leaves a value open",
            Stage::Recorded,
            |study| study.swap("note.md", "hardness.relevant}}", "hardness.relevant}"),
            command,
            &[("T031", "note.md", "{{value: hardness.relevant")],
        );
        check(
            "a replaced template with a syntax error",
            Stage::Recorded,
            |study| study.set("templates/report.html.jinja", "<p>\n{% if %}\n"),
            command,
            &[("T002", "templates/report.html.jinja", "%}")],
        );
        check(
            "a replaced template wants a value that does not exist",
            Stage::Recorded,
            |study| study.set("templates/report.html.jinja", "<p>{{ no_such_value }}\n"),
            command,
            &[("T003", "templates/report.html.jinja", "no_such_value")],
        );
    }
    let commands: [&[&str]; 2] = [CHECK, &["sheet", "--as", "pdf"]];
    for command in commands {
        check(
            "a replaced template of the sheet with a syntax error",
            Stage::Frozen,
            |study| study.set("templates/sheet.typ", "#let x = (1, 2\n"),
            command,
            &[("T010", "templates/sheet.typ", "(1, 2")],
        );
    }
}

/// What is said under `--json` has the same codes and places.
#[test]
fn json_lines_name_the_same_places() {
    let mut study = Study(roller(Stage::Frozen));
    study.cell(7, "hardness 4", "155.3").cell(9, "hardness 1", "=1");
    let dir = folder(&study);
    let done = run(dir.path(), &["record", "--json", SHEET], 1);
    let found: Vec<(String, String)> = stderr(&done)
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).expect("a line of JSON"))
        .filter(|line| line["severity"] == "error")
        .map(|line| {
            let word = |key: &str| line[key].as_str().unwrap().to_owned();
            (
                word("code"),
                format!("{}:{}:{}", word("file"), line["line"], line["column"]),
            )
        })
        .collect();
    let expected =
        [("R046", "155.3"), ("R009", "=1")].map(|(code, needle)| (code.to_owned(), study.place(SHEET, needle)));
    assert_eq!(found, expected);
}
