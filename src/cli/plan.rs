//! `wellrun plan`: what the design can tell, then the frozen order.

use std::path::PathBuf;
use std::sync::Arc;

use serde_json::json;

use super::console::{Console, Page};
use super::load::{self, StudyArgument};
use super::outside::{self, Outside};
use super::{Answer, Done, counted, help_end};
use super::{amend, candidates, treatments};
use crate::analysis::{self, PowerOptions};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::plan::{self, Blind, Plan, Skeleton};
use crate::protocol::{self, Protocol, Site};
use crate::study::{self, Folder};

/// Show what the design can tell, then draw and freeze the order of the runs
///
/// The order depends on the protocol, the site and the seed, and on nothing else. It is drawn once: a plan that
/// exists is replaced only with --force, and never once there are readings.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun plan my-study --preview\n  wellrun plan my-study --amend protocol-1.1.toml --reason \"the reading time was not feasible\""))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Seed of the draw; a random one if left out. It is written down in plan.toml either way
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Show the design and draw nothing
    #[arg(long)]
    preview: bool,
    /// Replace a plan for which there are no readings yet
    #[arg(long)]
    force: bool,
    /// Put the new version of the protocol in FILE in place of the one that holds, and on record; the order stays as it was
    /// drawn, and the version before moves to amendments/
    #[arg(long, value_name = "FILE", requires = "reason", conflicts_with_all = ["seed", "preview", "force"])]
    amend: Option<PathBuf>,
    /// Why the protocol is amended
    #[arg(long, value_name = "TEXT", requires = "amend")]
    reason: Option<String>,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let folder = Folder::open(&args.study.dir)?;
    if let (Some(file), Some(reason)) = (&args.amend, &args.reason) {
        let done = amend::amend(&folder, file, reason, outside)?;
        console.diagnostics(&done.warnings);
        console.json(&json!({ "before": done.before, "version": done.version, "kept": done.kept }))?;
        console.say(&format!(
            "Version {} of the protocol holds from here on; version {} lies in {}. The order stays as it was drawn.",
            done.version,
            done.before,
            folder.shown(&done.kept)
        ));
        return Ok(Answer::Yes);
    }
    let (protocol, site, warnings) = declared(&folder, outside, args.preview)?;
    console.diagnostics(&warnings);
    let skeleton = plan::skeleton(&protocol)?;
    let fitting = if args.preview {
        analysis::candidates(&folder.protocol()?, &protocol)
    } else {
        Vec::new()
    };
    let mut shown = page(&protocol, &skeleton);
    if let Some(budget) = protocol.design.budget.filter(|_| args.preview) {
        candidates::describe(&mut shown, budget, &fitting);
    }
    console.page(&shown)?;
    console.diagnostics(&plan::doubts(&protocol, &skeleton));
    console.diagnostics(&too_little_power(&protocol)?);
    console.diagnostics(&over_budget(&protocol, &skeleton));
    if args.preview {
        let mut result = json!({ "skeleton": skeleton, "frozen": false });
        if protocol.design.budget.is_some() {
            result["candidates"] = json!(fitting);
        }
        console.json(&result)?;
        return Ok(Answer::Yes);
    }
    let seed = args.seed.map_or_else(outside::seed, Ok)?;
    let plan = freeze(&folder, &protocol, site.as_ref(), seed, outside, args.force)?;
    console.json(&json!({ "skeleton": skeleton, "frozen": true, "header": plan.header }))?;
    if plan.header.key_sha256.is_some() {
        console.say(&format!(
            "The key to the codes lies in {}: give it to somebody who takes no readings, and take it out of the folder.",
            folder.shown(study::KEY)
        ));
    }
    console.say(&format!(
        "Froze the order of {} with seed {seed}: {}, {}.\nNext: print the sheets with `wellrun sheet {}`.",
        counted(plan.runs.len(), "run"),
        folder.shown(study::PLAN_CSV),
        folder.shown(study::PLAN_TOML),
        args.study.dir.display(),
    ));
    Ok(Answer::Yes)
}

/// A warning if the study has more runs than it may have.
fn over_budget(protocol: &Protocol, skeleton: &Skeleton) -> Diagnostics {
    match protocol.design.budget {
        Some(budget) if skeleton.runs > budget => {
            let message = format!(
                "the study has {}, and its budget is {budget}",
                counted(skeleton.runs, "run")
            );
            let help = "`wellrun plan --preview` lists the designs that fit into the budget";
            Diagnostic::warning("D033", message).help(help).into()
        }
        _ => Diagnostics::new(),
    }
}

/// A warning for each planned effect that the study would hardly find, if the protocol states the spreads.
fn too_little_power(protocol: &Protocol) -> Result<Diagnostics, Diagnostics> {
    if protocol.assumed.is_empty() {
        return Ok(Diagnostics::new());
    }
    let options = PowerOptions {
        target: analysis::ENOUGH,
        simulations: 0,
        mend: true,
    };
    Ok(analysis::power(protocol, None, &options, &|_, _| {})?.warnings())
}

/// Protocol and site, with everything wrong in both; a preview asks for no site file that is filled in.
fn declared(
    folder: &Folder,
    outside: &Outside,
    preview: bool,
) -> Result<(Protocol, Option<Site>, Diagnostics), Diagnostics> {
    let (protocol, mut warnings) = protocol::read(&folder.protocol()?)?;
    let read = if preview {
        load::site_if_filled
    } else {
        |source: &Arc<Source>, protocol: &Protocol, today| {
            protocol::read_site(source, protocol, today).map(|(site, warnings)| (Some(site), warnings))
        }
    };
    let site = match folder.text(study::SITE, study::TEXT_LIMIT)? {
        None => None,
        Some(source) => match read(&source, &protocol, Some(outside.today())) {
            Ok((site, more)) => {
                warnings.extend(more);
                site
            }
            Err(wrong) => {
                warnings.extend(wrong);
                return Err(warnings);
            }
        },
    };
    if protocol.is_as_run() {
        warnings.push(
            Diagnostic::error(
                "D090",
                "this study takes readings in the order in which they were made: there is nothing to draw",
            )
            .help("take the readings in with `wellrun record`"),
        );
        return Err(warnings);
    }
    Ok((protocol, site, warnings))
}

/// Draws the order and writes it down.
///
/// # Errors
///
/// `D096` once there are readings, `D097` if there is a plan and no `force`; those of the draw and of writing.
pub fn freeze(
    folder: &Folder,
    protocol: &Protocol,
    site: Option<&Site>,
    seed: u64,
    outside: &Outside,
    force: bool,
) -> Result<Plan, Diagnostics> {
    if let Some(origin) = load::origin(folder, protocol)? {
        let wrong = origin.against_plan(site.map_or("", |site| site.id.as_str()), seed);
        if wrong.has_errors() {
            return Err(wrong);
        }
    }
    let writer = folder.lock()?;
    let journal = folder.journal()?;
    if !journal.source.text.is_empty() || journal.torn > 0 {
        return Err(Diagnostic::error(
            "D096",
            format!(
                "there is a record already: the order of `{}` can no longer change",
                folder.shown(study::PLAN_CSV)
            ),
        )
        .help("start a new study in a folder of its own; nothing was written")
        .into());
    }
    // The header is written last and removed first: without it there is no plan, whatever a kill leaves behind.
    let is_frozen = folder.holds(study::PLAN_TOML);
    if is_frozen && !force {
        return Err(Diagnostic::error(
            "D097",
            format!(
                "`{}` is already there: the order is frozen",
                folder.shown(study::PLAN_TOML)
            ),
        )
        .help("a plan is drawn once; if nobody has worked by it yet, replace it with `--force`; nothing was written")
        .into());
    }
    let (plan, csv, toml) = plan::freeze(protocol, site, seed, &outside.now())?;
    if is_frozen {
        writer.remove(study::PLAN_TOML)?;
    }
    writer.write(&[(study::PLAN_CSV.to_owned(), csv.into_bytes())], true)?;
    let site_id = site.map_or("", |site| site.id.as_str());
    let beside = [
        (study::POSITIONS, plan::positions_csv(protocol, &plan)?),
        (study::KEY, Blind::of(protocol, site_id, seed).key(protocol)),
    ];
    for (name, text) in beside {
        match text {
            Some(text) => {
                writer.write(&[(name.to_owned(), text.into_bytes())], true)?;
            }
            None if is_frozen => writer.remove(name)?,
            None => {}
        }
    }
    writer.write(&[(study::PLAN_TOML.to_owned(), toml.into_bytes())], false)?;
    Ok(plan)
}

/// The skeleton table and what goes with it.
fn page(protocol: &Protocol, skeleton: &Skeleton) -> Page {
    let mut page = Page::new();
    page.heading(&protocol.study.title).sentence(format!(
        "{}, {} in all{}.",
        counted(skeleton.runs, "run"),
        counted(skeleton.readings, "reading"),
        bench_time(skeleton.bench_minutes),
    ));
    let mut set_ups = vec![row(&["set up", "how many", "how often"])];
    for line in &skeleton.set_ups {
        set_ups.push(vec![
            line.unit.clone(),
            line.count.to_string(),
            line.set_ups.to_string(),
        ]);
    }
    page.table(set_ups);
    page.heading("What each effect is judged against");
    let mut effects = vec![row(&[
        "effect",
        "degrees of freedom",
        "judged against the spread of",
        "on degrees of freedom",
        "",
    ])];
    for effect in &skeleton.effects {
        let error_df = if effect.error_df == 0 {
            "none".to_owned()
        } else {
            effect.error_df.to_string()
        };
        let planned = if effect.planned { "planned" } else { "exploratory" };
        effects.push(vec![
            effect.term.clone(),
            effect.df.to_string(),
            effect.judged_against.clone(),
            error_df,
            planned.to_owned(),
        ]);
    }
    page.table(effects);
    page.heading("How the degrees of freedom are spent");
    let mut strata = vec![row(&["spread of", "in all", "left to judge by", "effects in it"])];
    for stratum in &skeleton.strata {
        strata.push(vec![
            stratum.unit.clone(),
            stratum.df.to_string(),
            stratum.residual_df.to_string(),
            stratum.effects.join(", "),
        ]);
    }
    page.table(strata);
    if let Some(aliasing) = &skeleton.aliasing {
        treatments::describe(&mut page, aliasing);
    }
    if let Some(quality) = &skeleton.quality {
        page.heading("How much the set tells");
        page.sentence(format!(
            "{} for {}; D-efficiency {:.0}\u{a0}% of a full factorial of as many runs.",
            counted(quality.runs, "run"),
            counted(quality.coefficients, "coefficient"),
            100.0 * quality.d_efficiency,
        ));
        let mut rows = vec![row(&[
            "effect",
            "standard error over that in a full factorial of as many runs",
        ])];
        for term in &quality.terms {
            rows.push(vec![term.term.clone(), format!("{:.2}", term.relative_standard_error)]);
        }
        page.table(rows);
    }
    if !skeleton.sentences.is_empty() {
        page.heading("What to bear in mind");
        for sentence in &skeleton.sentences {
            page.item(sentence);
        }
    }
    page
}

fn row(cells: &[&str]) -> Vec<String> {
    cells.iter().map(|&cell| cell.to_owned()).collect()
}

/// `; about 3 h 20 min at the bench`, to five minutes.
fn bench_time(minutes: f64) -> String {
    if !(minutes > 0.0 && minutes < 1e9) {
        return String::new();
    }
    format!("; about {} at the bench", duration(minutes))
}

/// `3 h 20 min`, to five minutes.
pub(super) fn duration(minutes: f64) -> String {
    let rounded = ((minutes.clamp(0.0, 1e9) / 5.0).ceil() * 5.0) as u64;
    match (rounded / 60, rounded % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}
