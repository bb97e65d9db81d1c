//! `wellrun power`: what the study will be able to find, from assumed spreads.

use std::io::Write as _;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::console::{Console, Page};
use super::load::{self, StudyArgument};
use super::outside::{self, Outside};
use super::{Answer, Done, counted, help_end};
use crate::analysis::{self, EffectPower, Power, PowerOptions, ResponsePower, percent};
use crate::diagnostic::Diagnostic;
use crate::report;

/// Where the figures go, in the folder of the study.
const FIGURES: &str = "power";

/// Show which sizes of effect the study will find, and what it takes to find smaller ones
///
/// Needs [assumed.RESPONSE] in the protocol: spreads from a pilot, an earlier study or a precision statement. Each
/// effect is judged in its own stratum. Where the study does not fill its units evenly the power is simulated.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun power my-study --figures"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Power wanted
    #[arg(long, value_name = "SHARE", default_value_t = analysis::ENOUGH, value_parser = share)]
    target: f64,
    /// Simulations where no formula holds
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = clap::value_parser!(u32).range(100..=100_000))]
    simulations: u32,
    /// Write a power curve for each response to power/, as SVG
    #[arg(long)]
    figures: bool,
    /// Replace figures that are there already
    #[arg(long)]
    force: bool,
}

fn share(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.5..=0.999).contains(&value) {
        Ok(value)
    } else {
        Err("a power lies between 0.5 and 0.999".to_owned())
    }
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let study = load::open_before_filling(&args.study.dir, Some(outside.today()), console)?;
    let options = PowerOptions {
        target: args.target,
        simulations: args.simulations as usize,
        mend: true,
    };
    let progress = Progress::new(console);
    let power = analysis::power(&study.protocol, study.plan.as_ref(), &options, &|done, all| {
        progress.show(done, all);
    });
    progress.end();
    let power = power?;
    console.page(&page(&study.protocol.study.title, &power))?;
    console.json(&power)?;
    if args.figures {
        let figures = report::power_figures(&power);
        if figures.is_empty() {
            return Err(
                Diagnostic::error("A091", "there is no power curve to draw: no effect has an error term")
                    .help("`wellrun plan --preview` says what each effect lacks")
                    .into(),
            );
        }
        let files: Vec<(String, Vec<u8>)> = figures
            .into_iter()
            .map(|figure| (format!("{FIGURES}/{}.svg", figure.name), figure.svg.into_bytes()))
            .collect();
        let outcome = study.folder.lock()?.write(&files, args.force)?;
        console.say(&super::told(&study.folder, &outcome));
    }
    Ok(Answer::Yes)
}

/// How far simulations are, on standard error, for people who watch.
struct Progress {
    shown: bool,
    last: AtomicUsize,
}

impl Progress {
    fn new(console: &Console) -> Self {
        Self {
            shown: outside::is_watched() && !console.is_quiet(),
            last: AtomicUsize::new(0),
        }
    }

    fn show(&self, done: usize, all: usize) {
        let percent = done * 100 / all.max(1);
        if self.shown && self.last.fetch_max(percent, Ordering::Relaxed) < percent {
            let (_, err) = outside::streams();
            let _ = write!(err.lock(), "\rsimulating: {percent} %");
        }
    }

    fn end(&self) {
        if self.shown && self.last.load(Ordering::Relaxed) > 0 {
            let (_, err) = outside::streams();
            let _ = write!(err.lock(), "\r                  \r");
        }
    }
}

fn page(title: &str, power: &Power) -> Page {
    let mut page = Page::new();
    page.heading(title);
    let plan = if power.frozen { ", as frozen" } else { "" };
    page.sentence(format!(
        "{}{plan}; each test at a level of {}.",
        counted(power.runs, "run"),
        report::size(1.0 - power.confidence)
    ));
    for response in &power.responses {
        response_page(&mut page, power, response);
    }
    page
}

fn response_page(page: &mut Page, power: &Power, response: &ResponsePower) {
    let unit = &response.unit;
    page.heading(format!("What will be found in {} ({unit})", response.response));
    let head = [
        "effect".to_owned(),
        "relevant size".to_owned(),
        "power".to_owned(),
        format!("found with {} power", percent(power.target)),
        "judged against".to_owned(),
        "on degrees of freedom".to_owned(),
        String::new(),
    ];
    let mut rows = vec![head.to_vec()];
    for effect in &response.effects {
        let planned = if effect.planned { "planned" } else { "exploratory" };
        rows.push(vec![
            effect.term.clone(),
            effect.relevant.map_or_else(String::new, report::size),
            shown_power(effect),
            effect
                .detectable
                .map_or_else(|| "–".to_owned(), |d| about(effect, report::size(d))),
            effect.judged_against.clone(),
            effect.error_df.map_or_else(|| "–".to_owned(), df),
            planned.to_owned(),
        ]);
    }
    page.table(rows);
    for effect in &response.effects {
        if effect.power.is_none() && effect.detectable.is_none() {
            page.item(format!("{}: no power, {}.", effect.term, effect.method));
        }
    }
    let short: Vec<&EffectPower> = response
        .effects
        .iter()
        .filter(|effect| effect.planned && (!effect.mends.is_empty() || effect.out_of_reach))
        .collect();
    if !short.is_empty() {
        page.heading(format!("What reaches {} power", percent(power.target)));
    }
    for effect in short {
        page.item(format!("{}: {}.", effect.term, effect.advice(power.target)));
        for other in effect.mends.iter().skip(1) {
            page.item(format!(
                "{}, otherwise: {} {} in place of {}, {} in all.",
                effect.term,
                other.to,
                if other.more_of == "reading" {
                    "readings a run"
                } else {
                    &other.more_of
                },
                other.from,
                counted(other.runs, "run")
            ));
        }
    }
    let spreads: Vec<String> = response
        .spreads
        .iter()
        .map(|spread| format!("{} {}", spread.of, report::size(spread.standard_deviation)))
        .collect();
    page.heading("What this rests on");
    page.item(format!(
        "Standard deviations assumed, in {unit}: {}. {}",
        spreads.join(", "),
        ended(&response.source)
    ));
    page.item(
        "A size is the mean at the last level minus that at the first; of an interaction, how much that difference changes \
         from the first to the last level of the other factor.",
    );
    if response.effects.iter().any(|effect| effect.power_interval.is_some()) {
        page.item(
            "Power with an interval is simulated (95 % interval, Clopper and Pearson); sizes marked ≈ are approximate.",
        );
    }
}

fn shown_power(effect: &EffectPower) -> String {
    match (effect.power, effect.power_interval) {
        (Some(power), Some([low, high])) => format!("{} ({} to {})", percent(power), percent(low), percent(high)),
        (Some(power), None) => about(effect, percent(power)),
        (None, _) => "–".to_owned(),
    }
}

fn about(effect: &EffectPower, text: String) -> String {
    if effect.method == "exact" {
        text
    } else {
        format!("≈ {text}")
    }
}

fn df(value: f64) -> String {
    if value.fract() == 0.0 {
        format!("{value:.0}")
    } else {
        format!("{value:.1}")
    }
}

fn ended(text: &str) -> String {
    if text.ends_with(['.', '!', '?']) {
        text.to_owned()
    } else {
        format!("{text}.")
    }
}
