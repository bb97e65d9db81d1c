//! `wellrun verify`: every step of a study made again, and held against what lies there.
//!
//! protocol and seed -> plan; journal -> record; record -> findings; findings -> report; all of it -> manifest.
//! Each step is made from what lies there of the step before, so that a fault is named where it is, not where it shows.

use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::{Value, json};

use super::analyse::findings;
use super::console::{Console, Page};
use super::load::{self, Study};
use super::outside::{self, Outside};
use super::pack::key_text;
use super::report;
use super::typeset::{Options, Paper};
use super::{Answer, Done, counted, help_end};
use crate::analysis::Findings;
use crate::diagnostic::{Diagnostic, Diagnostics, Severity};
use crate::plan::{self, Blind, PlanHeader};
use crate::protocol::{self, Protocol, Site};
use crate::provenance::{self, Difference, Files, MANIFEST, Manifest, SIGNATURE};
use crate::record;
use crate::study::{self, Folder, Scratch};

/// Make every step of a study again, and say what differs
///
/// Draws the plan from protocol and seed, replays the journal, computes the findings from the record and makes the report
/// from the findings; of a pack, checks the manifest too. Names the first difference at each step. Numbers are the same
/// within 1e-9 of their size; everything else has to be the same exactly. Writes nothing.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun verify my-study\n  wellrun verify out/roller-reading-spread-north.zip --signed-by lab.key.pub"))]
pub struct Args {
    /// Folder of the study, or a pack
    #[arg(default_value = ".", hide_default_value = true, value_name = "DIR or FILE")]
    place: PathBuf,
    /// Check that the manifest was signed with the key whose public half is in this file
    #[arg(long, value_name = "PUBFILE")]
    signed_by: Option<PathBuf>,
}

/// What became of a step.
#[derive(Debug, Clone, Serialize)]
struct Step {
    #[serde(rename = "step")]
    name: &'static str,
    #[serde(flatten)]
    outcome: Outcome,
    /// What else there is to know.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
enum Outcome {
    /// The same.
    Same { what: String },
    /// There is nothing of this step.
    NothingThere { why: String },
    /// It differs; the first place, and how many there are.
    Differs { first: Difference, places: usize },
    /// It cannot be used at all: the first fault, and how many there are.
    Faulty { first: String, faults: usize },
    /// It cannot be told.
    CannotBeTold { why: String },
}

impl Step {
    fn new(name: &'static str, outcome: Outcome) -> Self {
        Self {
            name,
            outcome,
            notes: Vec::new(),
        }
    }

    fn same(step: &'static str, what: impl Into<String>) -> Self {
        Self::new(step, Outcome::Same { what: what.into() })
    }

    fn nothing(step: &'static str, why: impl Into<String>) -> Self {
        Self::new(step, Outcome::NothingThere { why: why.into() })
    }

    fn untold(step: &'static str, why: impl Into<String>) -> Self {
        Self::new(step, Outcome::CannotBeTold { why: why.into() })
    }

    /// The same if nothing differs.
    fn of(step: &'static str, differences: Vec<Difference>, what: impl Into<String>) -> Self {
        let places = differences.len();
        match differences.into_iter().next() {
            Some(first) => Self::new(step, Outcome::Differs { first, places }),
            None => Self::same(step, what),
        }
    }

    fn faulty(step: &'static str, wrong: &Diagnostics) -> Self {
        let errors = || wrong.iter().filter(|d| d.severity == Severity::Error);
        let first = errors().next().map_or_else(String::new, |d| {
            let place = d
                .position()
                .map_or_else(String::new, |(file, line, _)| format!(" ({file}, line {line})"));
            format!("[{}] {}{place}", d.code, d.message)
        });
        let faults = errors().count();
        Self::new(step, Outcome::Faulty { first, faults })
    }

    fn is_well(&self) -> bool {
        matches!(self.outcome, Outcome::Same { .. } | Outcome::NothingThere { .. })
    }
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let public = args.signed_by.as_deref().map(key_text).transpose()?;
    let mut steps = Vec::new();
    if args.place.is_dir() {
        let folder = Folder::open(&args.place)?;
        let files = listed(&folder)?;
        steps.extend(signature(&files, public.as_deref()));
        steps.push(manifest(&files, false));
        steps.extend(study(&folder, outside));
    } else {
        let bytes = study::read_file(&args.place, provenance::MOST_BYTES)?;
        match provenance::read_archive(&bytes) {
            Err(wrong) => {
                console.diagnostics(&wrong);
                steps.push(Step::faulty("archive", &wrong));
            }
            Ok(files) => {
                steps.extend(signature(&files, public.as_deref()));
                steps.push(manifest(&files, true));
                let scratch = unpacked(&files)?;
                let shown = args.place.join("");
                match Folder::open(scratch.path()) {
                    Ok(folder) => steps.extend(study(&folder.known_as(&shown), outside)),
                    Err(_) => steps.push(Step::untold("protocol", "there is no protocol.toml in the pack")),
                }
            }
        }
    }
    let well = steps.iter().all(Step::is_well);
    console.json(&json!({ "same": well, "tolerance": provenance::TOLERANCE, "steps": steps }))?;
    console.page(&page(&args.place, &steps, well))?;
    Ok(if well { Answer::Yes } else { Answer::No })
}

/// The files of an archive in a folder that goes away with the value.
fn unpacked(files: &Files) -> Result<Scratch, Diagnostics> {
    let scratch = Scratch::new(outside::seed()?)?;
    for (name, bytes) in files {
        scratch.write(name, bytes)?;
    }
    Ok(scratch)
}

/// The files of a folder that its manifest lists, with manifest and signature; nothing without a manifest.
fn listed(folder: &Folder) -> Result<Files, Diagnostics> {
    let mut files = Files::new();
    let Some(text) = folder.bytes(MANIFEST, study::TEXT_LIMIT * 2)? else {
        return Ok(files);
    };
    let names: Vec<String> = Manifest::read(&text).map_or_else(
        |_| Vec::new(),
        |manifest| manifest.files.into_iter().map(|file| file.path).collect(),
    );
    files.insert(MANIFEST.to_owned(), text);
    for name in names.iter().map(String::as_str).chain([SIGNATURE]) {
        if let Some(bytes) = folder.bytes(name, provenance::MOST_BYTES)? {
            files.insert(name.to_owned(), bytes);
        }
    }
    Ok(files)
}

fn signature(files: &Files, public: Option<&str>) -> Option<Step> {
    const NAME: &str = "signature";
    let signed = files.get(MANIFEST).zip(files.get(SIGNATURE));
    Some(match (signed, public) {
        (None, None) => return None,
        (Some(_), None) => {
            let mut step = Step::nothing(
                NAME,
                "there is one, and no key was named to check it by (`--signed-by`)",
            );
            step.notes
                .push("Without a key that you know to be the signer's, a signature says nothing.".to_owned());
            step
        }
        (None, Some(_)) => Step::faulty(
            NAME,
            &Diagnostic::error("V020", "there is no signature to check").into(),
        ),
        (Some((manifest, signature)), Some(public)) => match provenance::verify(manifest, signature, public) {
            Ok(()) => Step::same(NAME, "the manifest was signed with that key"),
            Err(wrong) => Step::faulty(NAME, &wrong),
        },
    })
}

fn manifest(files: &Files, is_pack: bool) -> Step {
    const NAME: &str = "manifest";
    let Some(text) = files.get(MANIFEST) else {
        return if is_pack {
            Step::faulty(
                NAME,
                &Diagnostic::error("V010", format!("there is no {MANIFEST} in the archive")).into(),
            )
        } else {
            Step::nothing(NAME, "there is none: this folder was not unpacked from a pack")
        };
    };
    let manifest = match Manifest::read(text) {
        Ok(manifest) => manifest,
        Err(wrong) => return Step::faulty(NAME, &wrong),
    };
    let wrong = provenance::check(&manifest, files, is_pack);
    let mut step = if wrong.has_errors() {
        Step::faulty(NAME, &wrong)
    } else {
        let what = format!("{} as listed", counted(manifest.files.len(), "file"));
        Step::same(NAME, what)
    };
    let ours = env!("CARGO_PKG_VERSION");
    if manifest.tool != ours {
        step.notes
            .push(format!("Packed by wellrun {}; this is wellrun {ours}.", manifest.tool));
    }
    let out = manifest.left_out.iter();
    step.notes
        .extend(out.map(|out| format!("Left out: {}. {}", out.what, out.how)));
    step
}

/// Plan, record, findings and report.
fn study(folder: &Folder, outside: &Outside) -> Vec<Step> {
    let declared = folder.protocol().and_then(|source| protocol::read(&source));
    let mut protocol = match declared {
        Ok((protocol, _)) => protocol,
        Err(wrong) => return vec![Step::faulty("protocol", &wrong)],
    };
    if let Err(wrong) = load::as_drawn(folder, &mut protocol) {
        return vec![Step::faulty("record", &wrong)];
    }
    let site = match folder.text(study::SITE, study::TEXT_LIMIT) {
        Ok(Some(source)) => protocol::read_site(&source, &protocol, None).map(|(site, _)| Some(site)),
        Ok(None) => Ok(None),
        Err(wrong) => Err(wrong),
    };
    let mut steps = Vec::new();
    let site = site.unwrap_or_else(|wrong| {
        steps.push(Step::faulty("site", &wrong));
        None
    });
    steps.push(plan(folder, &protocol, site.as_ref()));
    let study = match load::study(folder, None) {
        Ok((study, _)) => study,
        Err(wrong) => {
            steps.push(Step::faulty("record", &wrong));
            for name in ["findings", "report"] {
                steps.push(Step::untold(name, "the record cannot be read"));
            }
            return steps;
        }
    };
    steps.push(record(&study));
    steps.extend(versions(&study));
    let (step, made) = found(&study);
    steps.push(step);
    steps.push(reported(&study, made.as_ref(), outside));
    steps
}

/// The plan drawn again from protocol, site and seed.
fn plan(folder: &Folder, protocol: &Protocol, site: Option<&Site>) -> Step {
    const NAME: &str = "plan";
    let text = |name: &str| folder.text(name, study::PLAN_LIMIT);
    let toml = match text(study::PLAN_TOML) {
        Ok(Some(toml)) => toml,
        Ok(None) => {
            return match (protocol.is_as_run(), folder.holds(study::PLAN_CSV)) {
                (_, true) => Step::untold(
                    NAME,
                    "there is a plan.csv and no plan.toml that says where it came from",
                ),
                (true, _) => Step::nothing(NAME, "the runs are in the order in which they were made"),
                (false, _) => Step::nothing(NAME, "the order is not drawn yet"),
            };
        }
        Err(wrong) => return Step::faulty(NAME, &wrong),
    };
    let header: PlanHeader = match toml::from_str(&toml.text) {
        Ok(header) => header,
        Err(problem) => {
            let message = format!("plan.toml cannot be read: {}", problem.message());
            return Step::faulty(NAME, &Diagnostic::error("D011", message).at(&toml, 0..0, "").into());
        }
    };
    if header.wellrun_plan != 1 || header.algorithm != plan::ALGORITHM {
        return Step::untold(
            NAME,
            format!(
                "it was drawn as `{}` (format {}), and this tool draws as `{}` (format 1)",
                header.algorithm,
                header.wellrun_plan,
                plan::ALGORITHM
            ),
        );
    }
    let Ok(seed) = header.seed.parse::<u64>() else {
        return Step::untold(NAME, format!("`{}` is no seed", header.seed));
    };
    let site = site.filter(|_| !header.site.is_empty());
    let freeze = if header.rehearsal { plan::rehearse } else { plan::freeze };
    let (mut again, csv, own) = match freeze(protocol, site, seed, &header.frozen_at) {
        Ok(again) => again,
        Err(wrong) => return Step::faulty(NAME, &wrong),
    };
    let positions = plan::positions_csv(protocol, &again).unwrap_or_default();
    let key = Blind::of(protocol, &header.site, seed).key(protocol);
    let mut differences = Vec::new();
    let mut notes = Vec::new();
    for (name, expected) in [
        (study::PLAN_CSV, Some(csv)),
        (study::POSITIONS, positions),
        (study::KEY, key),
    ] {
        match (text(name), expected) {
            (Ok(Some(found)), Some(expected)) => {
                differences.extend(provenance::texts_differ(name, &found.text, &expected));
            }
            // The key is to be kept apart.
            (Ok(None), Some(_)) if name == study::KEY => {}
            (Ok(None), None) => {}
            (Ok(found), _) => differences.push(Difference {
                what: name.to_owned(),
                place: String::new(),
                found: if found.is_some() { "a file" } else { "" }.to_owned(),
                expected: if found.is_some() { "" } else { "a file" }.to_owned(),
                by: None,
            }),
            (Err(wrong), _) => return Step::faulty(NAME, &wrong),
        }
    }
    if protocol.drawn_as != protocol.sha256 {
        notes.push(format!(
            "It was drawn under version {} of the protocol, and version {} holds now.",
            header.version, protocol.study.version
        ));
        let text = folder
            .journal()
            .map(|journal| journal.source.text.clone())
            .unwrap_or_default();
        let drawn = record::amendments(&text)
            .into_iter()
            .find(|amended| amended.from == protocol.drawn_as);
        again.header.version = drawn.map_or_else(String::new, |amended| amended.before);
    }
    // Line by line, the header too: its comment, its order, and no key beside those that the draw gives.
    let mut expected = again.header;
    expected.tool.clone_from(&header.tool);
    if expected.site_sha256 != header.site_sha256 {
        notes.push(
            "site.toml has changed since the plan was drawn; the order depends on the site's id alone.".to_owned(),
        );
        expected.site_sha256.clone_from(&header.site_sha256);
    }
    let comment = own.lines().next().unwrap_or_default();
    let expected = format!("{comment}\n{}", toml::to_string(&expected).unwrap_or_default());
    differences.extend(provenance::texts_differ(study::PLAN_TOML, &toml.text, &expected));
    let runs = again.runs.len();
    let mut step = Step::of(
        NAME,
        differences,
        format!("{} drawn again with seed {seed}", counted(runs, "run")),
    );
    step.notes = notes;
    step
}

/// Every earlier version of the protocol lies in `amendments/`, as the journal says.
fn versions(study: &Study) -> Option<Step> {
    const NAME: &str = "versions";
    let amendments = &study.record.amendments;
    if amendments.is_empty() {
        return None;
    }
    let names = match study.folder.names(study::AMENDMENTS, provenance::MOST_FILES) {
        Ok(names) => names,
        Err(wrong) => return Some(Step::faulty(NAME, &wrong)),
    };
    let there: Vec<String> = names
        .iter()
        .filter_map(|name| study.folder.text(name, study::TEXT_LIMIT).ok().flatten())
        .map(|source| protocol::text_sha256(&source.text))
        .collect();
    let missing = amendments.iter().filter(|amendment| !there.contains(&amendment.from));
    let differences = missing.map(|amendment| Difference {
        what: study::AMENDMENTS.to_owned(),
        place: format!("version {}", amendment.before),
        found: String::new(),
        expected: format!("a file with the hash {}", amendment.from),
        by: None,
    });
    let what = format!(
        "{} of the protocol lie there as the journal says",
        counted(amendments.len(), "earlier version")
    );
    Some(Step::of(NAME, differences.collect(), what))
}

/// The journal's chain and what its entries come to were checked when the study was read.
fn record(study: &Study) -> Step {
    const NAME: &str = "record";
    if study.journal.torn > 0 {
        let why = format!(
            "the journal ends with {} that were never accepted",
            counted(study.journal.torn as usize, "byte")
        );
        return Step::untold(NAME, why);
    }
    if study.record.entries == 0 {
        return Step::nothing(NAME, "nothing is recorded yet");
    }
    let head: String = study.record.head.chars().take(12).collect();
    let mut step = Step::same(
        NAME,
        format!(
            "{} in an unbroken chain, the last with the hash {head}…",
            counted(study.record.entries, "entry")
        ),
    );
    step.notes.push(
        "That no line was cut off at the end is shown by the findings, which name the hash of the last one.".to_owned(),
    );
    step
}

/// The findings computed again. Returns those that lie there, if they can be read, or else the new ones.
fn found(study: &Study) -> (Step, Option<Findings>) {
    const NAME: &str = "findings";
    let name = format!("{}/findings.json", study::REPORT);
    let there = match study.folder.text(&name, study::RECORD_LIMIT) {
        Ok(there) => there,
        Err(wrong) => return (Step::faulty(NAME, &wrong), None),
    };
    let Some(there) = there else {
        return (Step::nothing(NAME, format!("there is no {name} yet")), None);
    };
    let again = match findings(study) {
        Ok(again) => again,
        Err(wrong) => return (Step::faulty(NAME, &wrong), None),
    };
    let there: Value = match serde_json::from_str(&there.text) {
        Ok(there) => there,
        Err(problem) => {
            let wrong = Diagnostic::error("V011", format!("{name} is not JSON: {problem}"));
            return (Step::faulty(NAME, &wrong.into()), None);
        }
    };
    if there["format"] != again.format.as_str() {
        let why = format!(
            "they are written as {}, and this tool writes `{}`",
            there["format"], again.format
        );
        return (Step::untold(NAME, why), None);
    }
    let tool = there["provenance"]["tool"].as_str().unwrap_or_default().to_owned();
    let is_ours = tool == again.provenance.tool;
    let expected = serde_json::to_value(&again).unwrap_or_default();
    let mut differences = provenance::values_differ(&name, &there, &expected, &["provenance.tool"]);
    let mut notes = Vec::new();
    if !is_ours {
        let ours = &again.provenance.tool;
        notes.push(format!("Computed by wellrun {tool}; this is wellrun {ours}."));
        let all = differences.len();
        differences.retain(|difference| !difference.found.is_empty());
        let more = all - differences.len();
        if more > 0 {
            notes.push(format!(
                "This version finds {more} things more, which are not compared."
            ));
        }
    }
    let within = format!(
        "computed again; numbers the same within {:e} of their size",
        provenance::TOLERANCE
    );
    let mut step = Step::of(NAME, differences, within);
    step.notes = notes;
    let there: Option<Findings> = serde_json::from_value(there).ok();
    (step, Some(there.unwrap_or(again)))
}

/// The report made again from the findings that lie there.
fn reported(study: &Study, findings: Option<&Findings>, outside: &Outside) -> Step {
    const NAME: &str = "report";
    let there = match in_report(&study.folder) {
        Ok(there) => there,
        Err(wrong) => return Step::faulty(NAME, &wrong),
    };
    if there.is_empty() {
        return Step::nothing(NAME, "there is none yet");
    }
    let Some(findings) = findings else {
        return Step::untold(NAME, "there are no findings to make it from");
    };
    let has = |form: &str| there.contains_key(&format!("{}/report.{form}", study::REPORT));
    let forms: Vec<report::Form> = [("html", report::Form::Html), ("pdf", report::Form::Pdf)]
        .into_iter()
        .filter_map(|(name, form)| has(name).then_some(form))
        .collect();
    let make = |paper| {
        let (templates, _) = load::templates(&study.folder)?;
        let options = Options::on(paper);
        report::make_from(
            study,
            findings,
            &templates,
            &forms,
            &options,
            false,
            &outside.built_in(),
        )
        .map(|made| made.0)
    };
    let mut differences = Vec::new();
    for paper in [Paper::A4, Paper::Letter] {
        let made: Files = match make(paper) {
            Ok(made) => made.into_iter().collect(),
            Err(wrong) => return Step::faulty(NAME, &wrong),
        };
        differences = against(&there, &made);
        // Only the PDF knows the paper; nobody has written down which it was.
        if differences.iter().all(|difference| difference.what != PDF) {
            break;
        }
    }
    let ours = env!("CARGO_PKG_VERSION");
    let tool = &findings.provenance.tool;
    if tool != ours && !differences.is_empty() {
        let first = differences[0].sentence();
        return Step::untold(
            NAME,
            format!(
                "it was made by wellrun {tool}, and this is wellrun {ours}, which may put the same in other words. {first}"
            ),
        );
    }
    Step::of(
        NAME,
        differences,
        format!("{} made again", counted(there.len(), "file")),
    )
}

const PDF: &str = "report/report.pdf";

/// The files of the report without findings and sources.
fn in_report(folder: &Folder) -> Result<Files, Diagnostics> {
    let mut files = Files::new();
    for name in folder.names(study::REPORT, provenance::MOST_FILES)? {
        if name == "report/findings.json" || name.starts_with("report/sources/") {
            continue;
        }
        if let Some(bytes) = folder.bytes(&name, provenance::MOST_BYTES)? {
            files.insert(name, bytes);
        }
    }
    Ok(files)
}

/// What differs between the report that lies there and the one made again.
fn against(there: &Files, made: &Files) -> Vec<Difference> {
    let mut differences = Vec::new();
    let presence = |name: &str, found: &str, expected: &str| Difference {
        what: name.to_owned(),
        place: String::new(),
        found: found.to_owned(),
        expected: expected.to_owned(),
        by: None,
    };
    for (name, bytes) in there {
        let Some(expected) = made.get(name) else {
            differences.push(presence(name, "a file", ""));
            continue;
        };
        differences.extend(match (std::str::from_utf8(bytes), std::str::from_utf8(expected)) {
            (Ok(found), Ok(expected)) => provenance::texts_differ(name, found, expected),
            _ => provenance::bytes_differ(name, bytes, expected),
        });
    }
    for name in made.keys() {
        if !there.contains_key(name) && name != "report/findings.json" {
            differences.push(presence(name, "", "a file"));
        }
    }
    differences
}

fn page(place: &Path, steps: &[Step], well: bool) -> Page {
    let mut page = Page::new();
    let place = place.display();
    page.heading(if well {
        format!("Nothing differs in `{place}`.")
    } else {
        format!("`{place}` is not what comes out when it is made again.")
    });
    for step in steps {
        let name = step.name;
        let mut text = match &step.outcome {
            Outcome::Same { what } => format!("{name}: the same; {what}."),
            Outcome::NothingThere { why } => format!("{name}: nothing to check; {why}."),
            Outcome::CannotBeTold { why } => format!("{name}: cannot be told; {why}."),
            Outcome::Faulty { first, faults } => {
                let first = first.trim_end_matches('.');
                format!("{name}: faulty. {first}.{}", more(*faults, "fault"))
            }
            Outcome::Differs { first, places } => {
                format!("{name}: differs. {}{}", first.sentence(), more(*places, "place"))
            }
        };
        for note in &step.notes {
            text.push(' ');
            text.push_str(note);
        }
        page.item(text);
    }
    page
}

fn more(all: usize, word: &str) -> String {
    if all > 1 {
        format!(" This is the first of {}.", counted(all, word))
    } else {
        String::new()
    }
}
