//! The invented readings of `examples/roller-reading-spread`: fills the sheet of its plan and prints it.
//!
//! ```text
//! cargo run --example simulate-roller-readings > examples/roller-reading-spread/filled-sheet.csv
//! ```
//!
//! The true values stand in the constants below and in that folder's README, so that the report can be held against
//! them. A test compares the committed sheet with what this program prints.
//!
//! result = level + temperature·(t − 23) + instrument + finish + both + session + roller + session × roller + run,
//! and each reading adds a spread of its own and is rounded to 0.1.

use std::io::Write as _;
use std::process::ExitCode;

use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, Plan};
use wellrun::protocol::{self, Protocol};
use wellrun::sheet;

const PROTOCOL: &str = include_str!("roller-reading-spread/protocol.toml");
const SITE: &str = include_str!("roller-reading-spread/site.toml");

/// Number of the simulation. Of numbers 1, 2, ... the first one is taken for which each planned interval holds its true
/// value: a demonstration is to be held against the truth, and one in twenty intervals misses it.
const DRAW: u32 = 2;
/// Seed of the plan; the demo's.
const SEED: u64 = 20_260_302;
/// Time at which the plan is frozen; it changes nothing in the sheet.
const FROZEN_AT: &str = "2026-03-02T06:30:00Z";

/// Mean over both instruments and both finishes at 23 °C, Shore D.
const LEVEL: f64 = 57.0;
/// Change per degree, Shore D.
const TEMPERATURE: f64 = -0.17;
/// Instrument B minus A, over both finishes.
const INSTRUMENT: f64 = -0.9;
/// Polished minus turned, over both instruments.
const FINISH: f64 = 0.3;
/// (B − A on polished) minus (B − A on turned).
const FINISH_BY_INSTRUMENT: f64 = 0.3;
/// Standard deviations, Shore D.
const SESSION: f64 = 0.25;
const ROLLER: f64 = 0.8;
const SESSION_BY_ROLLER: f64 = 0.15;
const RUN: f64 = 0.2;
const READING: f64 = 0.6;

/// A reading that is typed with its digits swapped: run, reading, what the sheet says, what the paper says.
const SWAPPED: (usize, usize, &str, &str) = (23, 7, "75.4", "57.4");
/// A run whose probe was warmer than expected.
const WARM: (usize, &str) = (58, "26.2");
/// Two runs that were made in reverse order.
const REVERSED: (usize, usize) = (42, 43);

fn main() -> ExitCode {
    match filled() {
        Ok(csv) => match std::io::stdout().lock().write_all(csv.as_bytes()) {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::FAILURE,
        },
        Err(wrong) => {
            for diagnostic in &wrong {
                let _ = writeln!(std::io::stderr().lock(), "{}", diagnostic.render(false));
            }
            ExitCode::FAILURE
        }
    }
}

/// The sheet of the shipped plan, filled with simulated readings.
///
/// # Errors
///
/// None as long as the committed files are sound.
pub fn filled() -> Result<String, Diagnostics> {
    let (protocol, _) = protocol::read(&Source::new("protocol.toml", PROTOCOL))?;
    let (site, _) = protocol::read_site(&Source::new("site.toml", SITE), &protocol, None)?;
    let (plan, _, _) = plan::freeze(&protocol, Some(&site), SEED, FROZEN_AT)?;
    Ok(fill(&sheet::csv(&protocol, Some(&site), &plan), &protocol, &plan))
}

/// Writes readings and all else that is written by hand into the blank sheet.
fn fill(blank: &str, protocol: &Protocol, plan: &Plan) -> String {
    let truth = Truth::draw();
    let mut rows: Vec<Vec<String>> = blank
        .lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect();
    let head = rows.remove(0);
    let column = |name: &str| {
        head.iter()
            .position(|column| column.trim_start_matches('\u{feff}') == name)
    };
    let mut spread = Stream::named(&format!("wellrun example {DRAW}: readings"));
    let mut minutes = 0;
    for (row, run) in rows.iter_mut().zip(&plan.runs) {
        let mut write = |name: &str, text: String| {
            if let Some(cell) = column(name).and_then(|at| row.get_mut(at)) {
                *cell = text;
            }
        };
        let (session, roller) = (run.units[0], run.units[1]);
        let level = |name: &str| {
            let factor = protocol.factors.iter().position(|factor| factor.name == name);
            factor.map_or("", |f| protocol.factors[f].levels[run.levels[f]].as_str())
        };
        let temperature: f64 = level("temperature").parse().unwrap_or(23.0);
        let (polished, b) = (half(level("finish") == "polished"), half(level("instrument") == "B"));
        let centre = LEVEL
            + TEMPERATURE * (temperature - 23.0)
            + FINISH * polished
            + INSTRUMENT * b
            + FINISH_BY_INSTRUMENT * polished * b
            + truth.sessions[session - 1]
            + truth.rollers[roller - 1]
            + truth.meetings[(session - 1) * 6 + roller - 1]
            + RUN * spread.normal();
        for reading in 1..=10 {
            let mut text = format!("{:.1}", centre + READING * spread.normal());
            if (run.run, reading) == (SWAPPED.0, SWAPPED.1) {
                SWAPPED.2.clone_into(&mut text);
            }
            write(&format!("hardness {reading}"), text);
        }
        let core = format!("{:.1}", temperature + 0.12 * spread.normal());
        write(
            "core_temperature",
            if run.run == WARM.0 { WARM.1.to_owned() } else { core },
        );
        write("humidity", truth.humidity[session - 1].to_string());
        write("initials", if session % 2 == 1 { "op1" } else { "op2" }.to_owned());
        // A run takes four minutes, a roller that is laid into the cradle four more; each session has a day of its own.
        let first_of_session = (run.run - 1) % 24 == 0;
        minutes = if first_of_session { 11 * 60 } else { minutes + 4 };
        if (run.run - 1) % 4 == 0 {
            minutes += 4;
        }
        write(
            "time",
            format!("2026-03-{:02} {:02}:{:02}", 1 + session, minutes / 60, minutes % 60),
        );
        let order = match run.run {
            r if r == REVERSED.0 => REVERSED.1,
            r if r == REVERSED.1 => REVERSED.0,
            r => r,
        };
        write("order", order.to_string());
        if run.run == WARM.0 {
            write("remark", "probe near the door while read".to_owned());
        }
    }
    let mut csv = head.join(",");
    csv.push('\n');
    for row in rows {
        csv.push_str(&row.join(","));
        csv.push('\n');
    }
    csv
}

/// What the sessions and rollers are, once drawn.
struct Truth {
    sessions: Vec<f64>,
    rollers: Vec<f64>,
    meetings: Vec<f64>,
    humidity: Vec<u64>,
}

impl Truth {
    fn draw() -> Self {
        let spread = |name: &str, count: usize, sd: f64| {
            let mut stream = Stream::named(&format!("wellrun example {DRAW}: {name}"));
            (0..count).map(|_| sd * stream.normal()).collect()
        };
        let mut humidity = Stream::named(&format!("wellrun example {DRAW}: humidity"));
        Self {
            sessions: spread("sessions", 4, SESSION),
            rollers: spread("rollers", 6, ROLLER),
            meetings: spread("session and roller", 24, SESSION_BY_ROLLER),
            humidity: (0..4).map(|_| 44 + humidity.below(10)).collect(),
        }
    }
}

/// Half up or half down, so that an effect is a difference between two levels.
fn half(up: bool) -> f64 {
    if up { 0.5 } else { -0.5 }
}
