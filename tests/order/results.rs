//! Results files of the page: what is taken in once, what is kept beside it, what is refused; and what is odd together.
//!
//! Class: closed form. The files are written here with the library's own journal lines; that the page writes the same bytes
//! is for the tests in `tests/browser/` to show.

use std::fmt::Write as _;

use proptest::prelude::*;
use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::plan::Plan;
use wellrun::protocol::Protocol;
use wellrun::record::{self, Context, Entry, Record, Trace, append_lines, patterns, sha256};

use super::support::{codes, freeze, protocol, shown};

const UNITS: &str =
    "[[unit]]\nname = \"session\"\ncount = 2\n[[unit]]\nname = \"run\"\nwithin = [\"session\"]\ncount = 4";
const FACTORS: &str = "[factor.instrument]\nset_on = \"run\"\nlevels = [\"A\", \"B\"]";
const REST: &str = "[design]\nreplicates = 2\n[control.block]\nwhat = \"Reference block\"\nreadings = 2";
const AT: &str = "2026-03-02T10:15:00+01:00";

fn study() -> (Protocol, Plan) {
    let units = UNITS.replace("\ncount = 4", "");
    let protocol = protocol(&units, FACTORS, REST);
    let plan = freeze(&protocol, 5);
    (protocol, plan)
}

fn context((protocol, plan): &(Protocol, Plan)) -> Context<'_> {
    Context {
        protocol,
        plan: Some(plan),
        people: &[],
    }
}

fn head(plan: &Plan, device: &str) -> String {
    let header = &plan.header;
    serde_json::json!({ "wellrun_results": 1 }).to_string().replace(
        '}',
        &format!(
            r#","study":"{}","version":"{}","protocol_sha256":"{}","plan_sha256":"{}","site":"{}","device":"{device}"}}"#,
            header.study, header.version, header.protocol_sha256, header.plan_sha256, header.site
        ),
    )
}

/// Events at their times as a results file.
fn file(plan: &Plan, device: &str, events: &[(&str, Entry)]) -> String {
    let head = head(plan, device);
    let mut prev = sha256(head.as_bytes());
    let mut text = format!("{head}\n");
    for (index, (at, entry)) in events.iter().enumerate() {
        let line = append_lines(std::slice::from_ref(entry), &prev, index + 1, at);
        prev = sha256(line.trim_end().as_bytes());
        text.push_str(&line);
    }
    format!("{text}{{\"end\":{},\"prev\":\"{prev}\"}}\n", events.len())
}

fn by(initials: &str) -> Trace {
    Trace {
        by: Some(initials.to_owned()),
        ..Trace::default()
    }
}

fn reading(run: usize, reading: usize, text: &str) -> Entry {
    Entry::Reading {
        run,
        response: "hardness".to_owned(),
        reading,
        text: text.to_owned(),
        trace: Trace {
            with: Some("instrument A, serial 1".to_owned()),
            ..by("KL")
        },
    }
}

fn take(study: &(Protocol, Plan), journal: &mut String, text: &str) -> Result<(Record, Diagnostics), Diagnostics> {
    let context = context(study);
    let before = record::replay(&Source::new("record.jsonl", journal.clone()), &context)?;
    let (entries, warnings) = record::import_results(&Source::new("in/x.jsonl", text), &context, &before)?;
    journal.push_str(&append_lines(
        &entries,
        &before.head,
        before.entries + 1,
        "2026-03-02T12:00:00Z",
    ));
    let after = record::replay(&Source::new("record.jsonl", journal.clone()), &context)?;
    Ok((after, warnings))
}

#[test]
fn a_log_is_taken_in_once_and_a_longer_one_adds_what_is_new() {
    let study = study();
    let mut events = vec![
        (AT, reading(1, 1, "57,4")),
        ("2026-03-02T10:15:09+01:00", reading(1, 2, "57.6")),
    ];
    let mut journal = String::new();
    let (record, _) = take(&study, &mut journal, &file(&study.1, "abcd2345", &events)).unwrap();
    assert_eq!(record.runs[&1].readings[0][0].as_ref().unwrap().text, "57,4");
    assert_eq!(
        (record.runs[&1].time.as_str(), record.runs[&1].initials.as_str()),
        (AT, "KL")
    );
    let trace = &record.traces[&("1".to_owned(), "hardness 2".to_owned())];
    assert_eq!(trace.device.as_deref(), Some("abcd2345-2"));
    let length = journal.len();
    take(&study, &mut journal, &file(&study.1, "abcd2345", &events)).unwrap();
    take(&study, &mut journal, &file(&study.1, "abcd2345", &events[..1])).unwrap();
    assert_eq!(journal.len(), length);
    events.push((
        "2026-03-02T10:16:00+01:00",
        Entry::Correction {
            run: 1,
            what: "hardness 1".into(),
            from: "57,4".into(),
            to: "void".into(),
            reason: "the foot was not seated".into(),
            trace: by("MM"),
        },
    ));
    let (record, _) = take(
        &study,
        &mut journal,
        &file(&study.1, "abcd2345", &events).replace('\n', "\r\n"),
    )
    .unwrap();
    assert_eq!(record.corrections[0].by, "MM");
    assert_eq!(record.devices["abcd2345"].through, 3);
    let tidy = record::tidy(&study.0, Some(&study.1), &record);
    assert!(
        tidy.lines()
            .nth(2)
            .unwrap()
            .ends_with("10:15:09+01:00,KL,,\"instrument A, serial 1\""),
        "{tidy}"
    );
}

#[test]
fn two_devices_lose_nothing_and_count_nothing_twice() {
    let study = study();
    let one = file(
        &study.1,
        "aaaa",
        &[(AT, reading(2, 1, "57.4")), (AT, reading(2, 2, "57.0"))],
    );
    let control = |text: &str| Entry::Control {
        control: "block".into(),
        row: 1,
        what: "control 1".into(),
        text: text.into(),
        from: None,
        reason: None,
        trace: by("MM"),
    };
    let two = file(
        &study.1,
        "bbbb",
        &[
            (AT, reading(2, 1, "57.9")),
            (AT, reading(2, 2, "57.0")),
            (AT, reading(3, 1, "56.1")),
            (AT, control("60.1")),
        ],
    );
    let three = file(&study.1, "cccc", &[(AT, control("60.4"))]);
    let mut journal = String::new();
    // Several logs may stand in one file.
    let (record, warnings) = take(&study, &mut journal, &format!("{one}{two}{three}")).unwrap();
    assert_eq!(codes(&warnings), ["R096", "R096", "R096"]);
    let said: Vec<_> = record
        .conflicts
        .iter()
        .map(|c| (c.row.as_str(), c.what.as_str(), c.stands.as_str(), c.text.as_str()))
        .collect();
    assert_eq!(
        said,
        [
            ("2", "hardness 1", "57.4", "57.9"),
            ("2", "hardness 2", "57.0", "57.0"),
            ("block 1", "control 1", "60.1", "60.4")
        ]
    );
    assert_eq!(record.runs[&2].readings[0][0].as_ref().unwrap().text, "57.4");
    assert_eq!(record.runs[&3].readings[0][0].as_ref().unwrap().text, "56.1");
    let length = journal.len();
    for again in [&one, &two, &three] {
        take(&study, &mut journal, again).unwrap();
    }
    assert_eq!(journal.len(), length);
}

#[test]
fn what_is_broken_is_refused_whole() {
    let study = study();
    let events = [(AT, reading(1, 1, "57.4")), (AT, reading(1, 2, "57.6"))];
    let good = file(&study.1, "abcd", &events);
    let lines: Vec<&str> = good.lines().collect();
    let hash = &study.1.header.plan_sha256;
    let cases = [
        (good[..good.len() - 90].to_owned(), "R088"),
        (format!("{}\n{}\n{}\n", lines[0], lines[1], lines[2]), "R094"),
        (format!("{}\n{}\n{}\n", lines[0], lines[1], lines[3]), "R089"),
        (format!("{}\n{}\n{}\n", lines[0], lines[2], lines[3]), "R089"),
        (good.replace("57.4", "75.4"), "R089"),
        (good.replace(hash.as_str(), &"0".repeat(64)), "R087"),
        (good.replace("results\":1", "results\":2"), "R086"),
        (good.replace("\"abcd\"", "\"../x\""), "R086"),
        (good.replace("\"site\"", "\"cite\""), "R086"),
        (file(&study.1, "abcd", &[(AT, reading(1, 1, "157.4"))]), "R046"),
        (file(&study.1, "abcd", &[(AT, reading(99, 1, "57.4"))]), "R075"),
        (
            file(&study.1, "abcd", &[(AT, Entry::Closed { why: None, by: None })]),
            "R088",
        ),
        (
            file(
                &study.1,
                "abcd",
                &[(
                    AT,
                    Entry::Deviation {
                        run: None,
                        what: "=1+1".into(),
                        trace: Trace::default(),
                    },
                )],
            ),
            "R009",
        ),
        (
            file(
                &study.1,
                "abcd",
                &[(
                    AT,
                    Entry::Course {
                        run: None,
                        what: "lunch".into(),
                        text: None,
                        trace: Trace::default(),
                    },
                )],
            ),
            "R079",
        ),
    ];
    for (text, code) in cases {
        let found = take(&study, &mut String::new(), &text).unwrap_err();
        assert!(codes(&found).contains(&code), "{code} for:\n{text}\n{}", shown(&found));
    }
    // The same device with another past.
    let mut journal = String::new();
    take(&study, &mut journal, &good).unwrap();
    let before = journal.clone();
    let other = file(
        &study.1,
        "abcd",
        &[(AT, reading(1, 1, "57.5")), (AT, reading(1, 2, "57.6"))],
    );
    let found = take(&study, &mut journal, &other).unwrap_err();
    assert_eq!(codes(&found), ["R095"]);
    assert_eq!(journal, before);
}

/// Run 2 was made first; then the clock of the device was set back by an hour.
#[test]
fn the_order_is_that_of_the_first_readings() {
    let study = study();
    let one = file(
        &study.1,
        "aaaa",
        &[
            ("2026-03-02T10:00:00Z", reading(2, 1, "57.4")),
            ("2026-03-02T09:01:00Z", reading(1, 1, "57.1")),
            ("2026-03-02T10:30:00Z", reading(4, 1, "56.8")),
        ],
    );
    let two = file(
        &study.1,
        "bbbb",
        &[("2026-03-02T11:15:00+01:00", reading(3, 1, "57.3"))],
    );
    let mut journal = String::new();
    take(&study, &mut journal, &one).unwrap();
    let (record, _) = take(&study, &mut journal, &two).unwrap();
    let order: Vec<(usize, Option<usize>)> = record.runs.values().map(|run| (run.run, run.order)).collect();
    assert_eq!(order, [(1, Some(2)), (2, Some(1)), (3, Some(3)), (4, Some(4))]);
    let odd: Vec<&str> = patterns(&study.0, &record).into_iter().map(|p| p.code).collect();
    assert_eq!(odd, ["R059"]);
}

#[test]
fn what_is_odd_together_is_asked() {
    let units = "[[unit]]\nname = \"session\"\ncount = 12\n[[unit]]\nname = \"run\"\nwithin = [\"session\"]";
    let rest =
        "[design]\nreplicates = 1\n[condition.warmth]\nunit = \"°C\"\nmeasured_on = \"run\"\nexpected = [20, 26]";
    let text = super::support::text(units, FACTORS, rest)
        .replace("readings = 2", "readings = 5")
        .replace("possible = [0, 100]", "possible = [0, 100]\nexpected = [45, 70]");
    let (protocol, _) = super::support::read(&text).unwrap();
    let plan = freeze(&protocol, 3);
    let study = (protocol, plan);
    let odd = |sheet: &[(usize, [&str; 5], &str)]| {
        let mut text = "run,warmth,hardness 1,hardness 2,hardness 3,hardness 4,hardness 5\n".to_owned();
        for (run, readings, warmth) in sheet {
            let _ = writeln!(text, "{run},{warmth},{}", readings.join(","));
        }
        let context = context(&study);
        let (entries, _) = record::import(&Source::new("s.csv", text), &context, &Record::default(), None).unwrap();
        let journal = append_lines(&entries, "", 1, "2026-03-02T12:00:00Z");
        let record = record::replay(&Source::new("record.jsonl", journal), &context).unwrap();
        patterns(&study.0, &record)
            .into_iter()
            .map(|p| (p.code, p.what))
            .collect::<Vec<_>>()
    };
    let varied: [[&str; 5]; 3] = [
        ["57.1", "57.3", "56.8", "57.2", "57.6"],
        ["56.1", "56.4", "56.3", "56.7", "56.2"],
        ["58.2", "58.1", "58.4", "58.3", "57.9"],
    ];
    let plain = [(1, varied[0], "21"), (2, varied[1], "21"), (3, varied[2], "21")];
    assert!(odd(&plain).is_empty(), "{:?}", odd(&plain));
    let with = |more: (usize, [&'static str; 5], &'static str)| [&plain[..], &[more]].concat();
    let only = |found: Vec<(&'static str, String)>, code: &str, words: &str| {
        assert!(
            found.len() == 1 && found[0].0 == code && found[0].1.contains(words),
            "{code}: {found:?}"
        );
    };
    only(
        odd(&with((4, varied[1], "21"))),
        "R054",
        "run 4 has the very readings of hardness that run 2 has",
    );
    only(odd(&with((4, ["57.1"; 5], "21"))), "R055", "run 4");
    only(
        odd(&with((4, ["22.1", "57.3", "57.4", "57.2", "57.6"], "57.2"))),
        "R058",
        "warmth and hardness 1 of run 4",
    );
    // Thirty readings or more before a jump is one.
    let mut many: Vec<(usize, [&str; 5], &str)> = Vec::new();
    let texts: Vec<String> = (0..40)
        .map(|k| format!("{}.{}", 55 + (k * 7) % 4, 1 + (k * 3) % 9))
        .collect();
    for run in 1..=8 {
        let row: Vec<&str> = (0..5).map(|k| texts[(run * 5 + k) % 40].as_str()).collect();
        many.push((run, [row[0], row[1], row[2], row[3], row[4]], "21"));
    }
    let quiet = odd(&many);
    assert!(quiet.iter().all(|(code, _)| *code != "R057"), "{quiet:?}");
    many[7].1[2] = "82.3";
    assert!(
        odd(&many)
            .iter()
            .any(|(code, what)| *code == "R057" && what.contains("82.3")),
        "{:?}",
        odd(&many)
    );
    // Sixty readings that all end in 0 or 5, over more than 20 steps.
    let round: Vec<(usize, [&str; 5], &str)> = (1..=12)
        .map(|run| {
            let pool = ["55.0", "56.5", "57.0", "58.5", "59.0", "55.5", "57.5"];
            let at = |k: usize| pool[(run * run + 3 * k * run + k) % 7];
            (run, [at(0), at(1), at(2), at(3), at(4)], "21")
        })
        .collect();
    assert!(
        odd(&round)
            .iter()
            .any(|(code, what)| *code == "R056" && what.contains("60 of 60")),
        "{:?}",
        odd(&round)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever byte is changed, cut or doubled: no panic, and nothing is taken in but the very same values.
    #[test]
    fn a_spoiled_file_is_refused_or_the_same(at in any::<prop::sample::Index>(), byte in any::<u8>(), how in 0..3_u8) {
        let study = study();
        let good = file(&study.1, "abcd", &[(AT, reading(1, 1, "57.4")), (AT, reading(1, 2, "57.6"))]);
        let (whole, _) = take(&study, &mut String::new(), &good).unwrap();
        let mut bytes = good.clone().into_bytes();
        let at = at.index(bytes.len());
        match how {
            0 => bytes[at] = byte,
            1 => { bytes.remove(at); }
            _ => bytes.insert(at, byte),
        }
        if let Ok(source) = record::decode("x.jsonl", &bytes)
            && record::is_results(&source.text)
            && let Ok((record, _)) = take(&study, &mut String::new(), &source.text)
        {
            let tidy = |record: &Record| record::tidy(&study.0, Some(&study.1), record);
            prop_assert_eq!(tidy(&record), tidy(&whole));
        }
    }
}
