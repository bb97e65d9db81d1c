//! Everything in a study folder, read and checked, with all that is wrong in one list.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::civil::Date;

use super::console::Console;
use crate::diagnostic::{Diagnostic, Diagnostics, Severity, Source, nearest};
use crate::plan::{self, Blind, Plan};
use crate::protocol::{self, Assumed, Protocol, Site};
use crate::provenance::Origin;
use crate::record::{self, Context, Record};
use crate::render::Templates;
use crate::study::{self, Folder, Journal};

/// The argument that names a study.
#[derive(Debug, clap::Args)]
pub struct StudyArgument {
    /// Folder of the study
    #[arg(default_value = ".", hide_default_value = true)]
    pub dir: PathBuf,
}

/// A study as it stands.
#[derive(Debug, Clone)]
pub struct Study {
    /// Where it lies.
    pub folder: Folder,
    /// What is declared.
    pub protocol: Protocol,
    /// What is local; `None` without a site file.
    pub site: Option<Site>,
    /// What is assumed before there are readings: by the protocol, or by the file beside it.
    pub assumed: Vec<Assumed>,
    /// Where the study comes from, if it repeats one of another site.
    pub origin: Option<Origin>,
    /// The frozen order; `None` before freezing and for an as-run study.
    pub plan: Option<Plan>,
    /// The codes of a blinded study, open or not; while it is blinded, protocol, site and plan above hold codes.
    pub blind: Blind,
    /// The journal's lines.
    pub journal: Journal,
    /// What they come to.
    pub record: Record,
}

impl Study {
    /// Puts codes in place of the levels that nobody is to know yet: nothing that follows can tell.
    fn blind(&mut self) {
        let Some(plan) = &mut self.plan else { return };
        let seed = plan.header.seed.parse().unwrap_or_default();
        self.blind = Blind::of(&self.protocol, &plan.header.site, seed);
        if self.blind.is_empty() || self.record.unblinded.is_some() {
            return;
        }
        plan.runs = self.blind.runs(&plan.runs);
        self.site = self.site.as_ref().map(|site| self.blind.site(site));
        self.protocol = self.blind.protocol(&self.protocol);
    }

    /// The study as those see it who are not to know the levels of blinded factors; as it is if nothing is blinded.
    #[must_use]
    pub fn seen_blind(&self) -> Self {
        let mut seen = self.clone();
        seen.blind();
        seen
    }

    /// True while levels stand as codes.
    #[must_use]
    pub fn is_blinded(&self) -> bool {
        !self.blind.is_empty() && self.record.unblinded.is_none()
    }

    /// Initials of the people the site names; empty without a site file.
    #[must_use]
    pub fn people(&self) -> Vec<String> {
        self.site
            .iter()
            .flat_map(|site| &site.people)
            .map(|person| person.code.clone())
            .collect()
    }

    /// True if the readings are simulated.
    #[must_use]
    pub fn is_rehearsal(&self) -> bool {
        self.plan.as_ref().is_some_and(|plan| plan.header.rehearsal)
    }

    /// The frozen plan.
    ///
    /// # Errors
    ///
    /// `D090` if there is none.
    pub fn frozen(&self) -> Result<&Plan, Diagnostics> {
        self.plan.as_ref().ok_or_else(|| {
            let (what, help) = if self.protocol.is_as_run() {
                (
                    "this study takes readings in the order in which they were made: it has no plan",
                    "take them in with `wellrun record`",
                )
            } else {
                ("the order of the runs is not drawn yet", "draw it with `wellrun plan`")
            };
            Diagnostic::error("D090", what).help(help).into()
        })
    }

    /// The note, if the author wrote one.
    ///
    /// # Errors
    ///
    /// As `Folder::text`.
    pub fn note(&self) -> Result<Option<Arc<Source>>, Diagnostics> {
        self.folder.text(study::NOTE, study::TEXT_LIMIT)
    }
}

/// Reads the whole study; warnings ride along.
///
/// `today` decides whether a calibration has run out; without it that is not looked at, so that what is
/// analysed later does not depend on the day.
///
/// # Errors
///
/// Everything that is wrong in any file of the study.
pub fn study(folder: &Folder, today: Option<Date>) -> Result<(Study, Diagnostics), Diagnostics> {
    with_site(folder, today, &protocol::read_site)
}

/// How a site file is read.
type ReadSite<'a, T> = &'a dyn Fn(&Arc<Source>, &Protocol, Option<Date>) -> Result<(T, Diagnostics), Diagnostics>;

fn with_site<T: Into<Option<Site>>>(
    folder: &Folder,
    today: Option<Date>,
    read_site: ReadSite<'_, T>,
) -> Result<(Study, Diagnostics), Diagnostics> {
    let (mut protocol, mut found) = protocol::read(&folder.protocol()?)?;
    if let Err(wrong) = as_drawn(folder, &mut protocol) {
        found.extend(wrong);
    }
    let origin = match origin(folder, &protocol) {
        Ok(origin) => origin,
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    };
    let site_source = match folder.text(study::SITE, study::TEXT_LIMIT) {
        Ok(source) => source,
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    };
    let site = site_source
        .as_ref()
        .and_then(|source| keep(read_site(source, &protocol, today), &mut found)?.into());
    let assumed = match assumed(folder, &protocol) {
        Ok((assumed, warnings)) => {
            found.extend(warnings);
            assumed
        }
        Err(wrong) => {
            found.extend(wrong);
            Vec::new()
        }
    };
    let plan = match read_plan(folder, &protocol) {
        Ok(plan) => plan,
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    };
    if let (Some(plan), Some(site), Some(source)) = (&plan, &site, &site_source) {
        compare_site(source, plan, site, &mut found);
    }
    let journal = folder.journal();
    if found.has_errors() {
        if let Err(wrong) = journal {
            found.extend(wrong);
        }
        return Err(found);
    }
    let journal = match journal {
        Ok(journal) => journal,
        Err(wrong) => {
            found.extend(wrong);
            return Err(found);
        }
    };
    if journal.torn > 0 {
        let end = journal.source.text.len();
        found.push(
            Diagnostic::warning(
                "F022",
                format!(
                    "{} bytes after the last line of the journal were never accepted",
                    journal.torn
                ),
            )
            .at(&journal.source, end..end, "")
            .help("writing was broken off here; the next `wellrun record` sets them aside. Take the sheet in again"),
        );
    }
    let mut study = Study {
        folder: folder.clone(),
        protocol,
        site,
        assumed,
        origin,
        plan,
        blind: Blind::default(),
        journal,
        record: Record::default(),
    };
    let people = study.people();
    let context = Context {
        protocol: &study.protocol,
        plan: study.plan.as_ref(),
        people: &people,
    };
    match record::replay(&study.journal.source, &context) {
        Ok(record) => study.record = record,
        Err(wrong) => found.extend(wrong),
    }
    study.blind();
    found.unless_errors(study)
}

/// Opens the folder and reads the study, and prints the warnings.
///
/// # Errors
///
/// As `Folder::open` and `study`.
pub fn open(dir: &Path, today: Option<Date>, console: &Console) -> Result<Study, Diagnostics> {
    let folder = Folder::open(dir)?;
    let (study, warnings) = study(&folder, today)?;
    console.diagnostics(&warnings);
    Ok(study)
}

/// The same, and a site file that is still to be filled in is done without: for what asks nothing of the site.
///
/// # Errors
///
/// As `open`.
pub fn open_before_filling(dir: &Path, today: Option<Date>, console: &Console) -> Result<Study, Diagnostics> {
    let folder = Folder::open(dir)?;
    let (study, warnings) = with_site(&folder, today, &site_if_filled)?;
    console.diagnostics(&warnings);
    Ok(study)
}

/// A site file, or none and a warning if all that is wrong with it is that it is still to be filled in.
///
/// # Errors
///
/// Everything else that is wrong with it.
pub fn site_if_filled(
    source: &Arc<Source>,
    protocol: &Protocol,
    today: Option<Date>,
) -> Result<(Option<Site>, Diagnostics), Diagnostics> {
    match protocol::read_site(source, protocol, today) {
        Ok((site, warnings)) => Ok((Some(site), warnings)),
        Err(wrong) if wrong.iter().all(|d| d.severity != Severity::Error || d.code == "S012") => {
            let message = format!("`{}` is still to be filled in: done without it", source.name);
            Ok((
                None,
                Diagnostic::warning("P137", message)
                    .help("`wellrun check` lists what is left")
                    .into(),
            ))
        }
        Err(wrong) => Err(wrong),
    }
}

/// What is assumed: by the protocol, or by the file beside it.
///
/// # Errors
///
/// Everything that is wrong with the file.
pub fn assumed(folder: &Folder, protocol: &Protocol) -> Result<(Vec<Assumed>, Diagnostics), Diagnostics> {
    match folder.text(study::ASSUMED, study::TEXT_LIMIT)? {
        Some(source) => protocol::read_assumed(&source, protocol),
        None => Ok((protocol.assumed.clone(), Diagnostics::new())),
    }
}

/// Where the study comes from; `None` unless it was started from a pack.
///
/// # Errors
///
/// `V030` if the file cannot be read, or if the protocol is neither the one of the pack nor an amendment of it.
pub fn origin(folder: &Folder, protocol: &Protocol) -> Result<Option<Origin>, Diagnostics> {
    let Some(source) = folder.text(study::ORIGIN, study::TEXT_LIMIT)? else {
        return Ok(None);
    };
    let origin = Origin::read(&source.text)?;
    let amended = record::amendments(&folder.journal()?.source.text);
    let known = [&protocol.sha256, &protocol.drawn_as].contains(&&origin.protocol_sha256)
        || amended.iter().any(|amended| amended.from == origin.protocol_sha256);
    if known {
        Ok(Some(origin))
    } else {
        Err(Diagnostic::error(
            "V030",
            "the protocol is not the one of the pack that this study was started from",
        )
        .at(&source, 0..0, "")
        .help(
            "bring it back from the pack; a change goes on record with `wellrun plan DIR --amend --reason TEXT`, \
                     once the order is drawn",
        )
        .into())
    }
}

/// Sets from which version of the protocol the order was drawn, where the journal tells of amendments since.
///
/// # Errors
///
/// As `Folder::text`; a header that cannot be read is left to the plan.
pub fn as_drawn(folder: &Folder, protocol: &mut Protocol) -> Result<(), Diagnostics> {
    let amended = record::amendments(&folder.journal()?.source.text);
    if amended.last().is_none_or(|last| last.to != protocol.sha256) {
        return Ok(());
    }
    let Some(toml) = folder.text(study::PLAN_TOML, study::TEXT_LIMIT)? else {
        return Ok(());
    };
    let drawn = toml::from_str::<toml::Table>(&toml.text)
        .ok()
        .and_then(|header| header.get("protocol_sha256")?.as_str().map(str::to_owned));
    if let Some(drawn) = drawn.filter(|drawn| amended.iter().any(|amended| amended.from == *drawn)) {
        protocol.drawn_as = drawn;
    }
    Ok(())
}

/// The plan, if it is frozen. `plan.csv` without `plan.toml` is what a freeze leaves that was broken off.
fn read_plan(folder: &Folder, protocol: &Protocol) -> Result<Option<Plan>, Diagnostics> {
    let toml = folder.text(study::PLAN_TOML, study::TEXT_LIMIT)?;
    let Some(toml) = toml else { return Ok(None) };
    if protocol.is_as_run() {
        return Err(Diagnostic::error(
            "D091",
            "the protocol says that the order is as run, and there is a plan all the same",
        )
        .at(&toml, 0..0, "")
        .help("remove plan.csv and plan.toml, or set `order = \"randomized\"`")
        .into());
    }
    let Some(csv) = folder.text(study::PLAN_CSV, study::PLAN_LIMIT)? else {
        return Err(
            Diagnostic::error("D092", format!("`{}` is gone", folder.shown(study::PLAN_CSV)))
                .at(&toml, 0..0, "this header belongs to it")
                .help(
                    "bring it back from your copy; its seed alone is not proof that the order is the one that was used",
                )
                .into(),
        );
    };
    let plan = plan::read(&csv, &toml, protocol)?;
    if protocol.bench.positions.is_some() {
        let Some(positions) = folder.text(study::POSITIONS, study::PLAN_LIMIT)? else {
            return Err(
                Diagnostic::error("D098", format!("`{}` is gone", folder.shown(study::POSITIONS)))
                    .at(&toml, 0..0, "this header belongs to it")
                    .help("bring it back from your copy")
                    .into(),
            );
        };
        plan::check_positions(&positions, protocol, &plan)?;
    }
    Ok(Some(plan))
}

/// The plan was drawn for a site; says when that is no longer this one.
fn compare_site(source: &Arc<Source>, plan: &Plan, site: &Site, found: &mut Diagnostics) {
    let shown = &source.name;
    if plan.header.site.is_empty() {
        let note = format!("the plan was drawn before there was a `{shown}`");
        found.push(Diagnostic::note("D095", note).help("nothing to do: the order stays as it was drawn"));
    } else if plan.header.site != site.id {
        let id = format!("\"{}\"", site.id);
        let start = source.text.find(&id).unwrap_or(0);
        let end = (start + id.len()).min(source.text.len());
        let message = format!(
            "the plan was drawn for site `{}`, and `{shown}` is about `{}`",
            plan.header.site, site.id
        );
        let help = format!(
            "set `id = \"{}\"` again, or use a folder of its own for the other site",
            plan.header.site
        );
        found.push(Diagnostic::error("D093", message).at(source, start..end, "").help(help));
    } else if plan.header.site_sha256 != site.sha256 {
        found.push(
            Diagnostic::note("D094", format!("`{shown}` has changed since the plan was frozen"))
                .help("nothing to do if that was meant; the report gives the hashes of both"),
        );
    }
}

/// Keeps the value, and everything that was said about it.
fn keep<T>(result: Result<(T, Diagnostics), Diagnostics>, found: &mut Diagnostics) -> Option<T> {
    match result {
        Ok((value, warnings)) => {
            found.extend(warnings);
            Some(value)
        }
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    }
}

/// The shipped templates with those that the study replaces; a name that replaces nothing is a warning.
///
/// # Errors
///
/// A file that cannot be read, or is not text.
pub fn templates(folder: &Folder) -> Result<(Templates, Diagnostics), Diagnostics> {
    let mut templates = Templates::shipped();
    let mut warnings = Diagnostics::new();
    for (name, source) in folder.templates()? {
        if !templates.replace(&name, Arc::clone(&source)) {
            let warning = Diagnostic::warning("T091", format!("`{}` replaces no shipped template", source.name));
            let help = match nearest(&name, Templates::names()) {
                Some(near) => format!("did you mean `{near}`? Nothing to do if your own templates include it"),
                None => format!("those that can be replaced: {}", Templates::names().join(", ")),
            };
            warnings.push(warning.help(help));
        }
    }
    Ok((templates, warnings))
}
