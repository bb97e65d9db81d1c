//! The invented readings of `examples/roller-near-limit`: fills the sheet of its plan and prints it.
//!
//! ```text
//! cargo run --example simulate-limit-readings > examples/roller-near-limit/filled-sheet.csv
//! ```
//!
//! The true values stand in the constants below and in that folder's README.
//!
//! result = roller + temperature·(t − 23) + instrument + session + run, and each reading adds a spread of its own and is
//! rounded to 0.1.

use std::io::Write as _;
use std::process::ExitCode;

use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::numeric::stream::Stream;
use wellrun::plan::{self, Plan};
use wellrun::protocol::{self, Protocol};
use wellrun::sheet;

const PROTOCOL: &str = include_str!("roller-near-limit/protocol.toml");
const SITE: &str = include_str!("roller-near-limit/site.toml");

/// Number of the simulation.
const DRAW: u32 = 1;
/// Seed of the plan.
const SEED: u64 = 20_260_504;
/// Time at which the plan is frozen; it changes nothing in the sheet.
const FROZEN_AT: &str = "2026-05-04T06:30:00Z";

/// True hardness of the rollers at 23 °C, Shore D.
const ROLLERS: [f64; 8] = [56.9, 55.4, 57.8, 56.2, 54.6, 58.3, 57.1, 55.9];
/// Change per degree.
const TEMPERATURE: f64 = -0.2;
/// Instrument B minus A.
const INSTRUMENT: f64 = -0.3;
/// Standard deviations.
const SESSION: f64 = 0.15;
const RUN: f64 = 0.2;
const READING: f64 = 0.6;

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

/// The sheet of the plan, filled with simulated readings.
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
    let mut rows: Vec<Vec<String>> = blank
        .lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect();
    let head = rows.remove(0);
    let column = |name: &str| {
        head.iter()
            .position(|column| column.trim_start_matches('\u{feff}') == name)
    };
    let mut sessions = Stream::named(&format!("wellrun limit example {DRAW}: sessions"));
    let sessions: Vec<f64> = (0..6).map(|_| SESSION * sessions.normal()).collect();
    let mut spread = Stream::named(&format!("wellrun limit example {DRAW}: readings"));
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
        let side = if level("instrument") == "B" { 0.5 } else { -0.5 };
        let centre = ROLLERS[(roller - 1) % ROLLERS.len()]
            + TEMPERATURE * (temperature - 23.0)
            + INSTRUMENT * side
            + sessions[session - 1]
            + RUN * spread.normal();
        for reading in 1..=10 {
            write(
                &format!("hardness {reading}"),
                format!("{:.1}", centre + READING * spread.normal()),
            );
        }
        write("initials", "op3".to_owned());
        let minutes = 11 * 60 + (run.run - 1) % 16 * 6;
        write(
            "time",
            format!("2026-05-{:02} {:02}:{:02}", 3 + session, minutes / 60, minutes % 60),
        );
        write("order", run.run.to_string());
    }
    let mut csv = head.join(",");
    csv.push('\n');
    for row in rows {
        csv.push_str(&row.join(","));
        csv.push('\n');
    }
    csv
}
