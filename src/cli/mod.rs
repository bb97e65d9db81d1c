//! The command line: one file a command; parse, call, print. Nothing is computed here.
//!
//! | exit status | meaning |
//! |---|---|
//! | 0 | done |
//! | 1 | ran, and the answer is no: the study has errors, the record does not match its plan |
//! | 2 | could not run: wrong use, a file that cannot be read or written, an internal fault |
//!
//! Results go to standard output, everything else to standard error. A reader that stops reading
//! (`| head`) is no failure.

mod amend;
mod analyse;
mod candidates;
mod check;
mod compare;
mod completions;
mod console;
mod demo;
mod key;
mod load;
mod manual;
mod new;
mod outside;
mod pack;
mod plan;
mod pool;
mod power;
mod protocols;
mod record;
mod rehearse;
mod report;
mod schema;
mod sheet;
mod shipped;
mod status;
mod treatments;
mod typeset;
mod unpack;
mod verify;

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::{self, Write};
use std::panic;
use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand, ValueEnum};

use self::console::Console;
use self::outside::Outside;
use crate::diagnostic::{Diagnostic, Diagnostics, Severity};
use crate::study::{Folder, Outcome};

/// Runs a laboratory study of a test method from one protocol file to a published report.
///
/// protocol -> plan -> sheet -> (bench) -> record -> analysis -> report
#[derive(Debug, Parser)]
#[command(name = "wellrun", version, max_term_width = 100, after_help = EXIT_STATUS)]
#[command(propagate_version = false, subcommand_required = true, arg_required_else_help = true)]
pub struct Cli {
    /// Print only errors, and data that were asked for
    #[arg(long, short, global = true)]
    quiet: bool,
    /// Print the result as JSON, and diagnostics as JSON lines
    #[arg(long, global = true)]
    json: bool,
    /// When to colour
    #[arg(long, global = true, value_enum, default_value_t = Colour::Auto, value_name = "WHEN")]
    colour: Colour,
    #[command(subcommand)]
    command: Command,
}

/// When to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Colour {
    /// On a terminal, and never against `NO_COLOR`
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

#[derive(Debug, Subcommand)]
enum Command {
    New(new::Args),
    Protocols(protocols::Args),
    Check(check::Args),
    Plan(plan::Args),
    Power(power::Args),
    Sheet(sheet::Args),
    Record(record::Args),
    Status(status::Args),
    Analyse(analyse::Args),
    Report(report::Args),
    Pool(pool::Args),
    Rehearse(rehearse::Args),
    Pack(pack::Args),
    Unpack(unpack::Args),
    Verify(verify::Args),
    Compare(compare::Args),
    Key(key::Args),
    Demo(demo::Args),
    Schema(schema::Args),
    Completions(completions::Args),
    Manual(manual::Args),
}

/// Printed under every command's help.
const EXIT_STATUS: &str = "Exit status:\n  \
    0  done\n  \
    1  ran, and the answer is no: the study has errors, the record does not match its plan\n  \
    2  could not run: wrong use, a file that cannot be read or written, an internal fault";

/// A command's example, and the exit status that goes for all.
macro_rules! help_end {
    ($example:literal) => {
        concat!(
            "Example:\n  ",
            $example,
            "\n\nExit status:\n  0  done\n  1  ran, and the answer is no: the study has errors, the record does not \
             match its plan\n  2  could not run: wrong use, a file that cannot be read or written, an internal fault"
        )
    };
}
use help_end;

/// What a command that ran has to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// Done.
    Yes,
    /// Ran, and the answer is no.
    No,
}

/// Why a command stopped.
#[derive(Debug)]
pub enum Stop {
    /// Something is wrong with what it was given.
    Wrong(Diagnostics),
    /// Whoever read the output has gone.
    NobodyReads,
    /// Everything was said already; this is the exit status.
    Status(u8),
    /// The output cannot be written.
    Output(io::Error),
}

impl From<Diagnostics> for Stop {
    fn from(diagnostics: Diagnostics) -> Self {
        Self::Wrong(diagnostics)
    }
}

impl From<Diagnostic> for Stop {
    fn from(diagnostic: Diagnostic) -> Self {
        Self::Wrong(diagnostic.into())
    }
}

/// What every command returns.
type Done = Result<Answer, Stop>;

/// The command line as a whole; used for completions and the manual too.
fn command() -> clap::Command {
    Cli::command()
}

/// Runs the tool with the arguments of the process, the name of the program first.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    ExitCode::from(guarded(|| run(arguments)))
}

/// Runs something; a panic becomes a plain message and exit status 2.
fn guarded(work: impl FnOnce() -> u8 + panic::UnwindSafe) -> u8 {
    panic::set_hook(Box::new(|info| {
        let what = info
            .payload_as_str()
            .unwrap_or("no message")
            .replace(|c: char| c.is_control(), " ");
        let place = info
            .location()
            .map_or_else(String::new, |at| format!(" ({}:{})", at.file(), at.line()));
        let _ = writeln!(
            io::stderr().lock(),
            "internal fault: {what}{place}\n\
             This is a defect in wellrun {}, not in your study; accepted readings are safe.\n\
             Please report it with this message, the command and, if you can share it, the study folder.",
            env!("CARGO_PKG_VERSION"),
        );
    }));
    let status = panic::catch_unwind(work).unwrap_or(2);
    let _ = panic::take_hook();
    status
}

/// Parses and runs; returns the exit status.
fn run(arguments: Vec<OsString>) -> u8 {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are asked for and go to standard output; all else is wrong use.
            let status = if error.use_stderr() { 2 } else { 0 };
            let _ = error.print();
            return status;
        }
    };
    let console = Console::new(cli.quiet, cli.json, cli.colour);
    let done = Outside::look()
        .map_err(Stop::from)
        .and_then(|outside| cli.command.run(&console, &outside));
    match done {
        Ok(Answer::Yes) | Err(Stop::NobodyReads) => 0,
        Ok(Answer::No) => 1,
        Err(Stop::Status(status)) => status,
        Err(Stop::Wrong(diagnostics)) => {
            console.diagnostics(&diagnostics);
            exit_status(&diagnostics)
        }
        Err(Stop::Output(error)) => {
            let wrong = Diagnostic::error("F014", format!("cannot write to standard output: {error}"));
            console.diagnostics(&wrong.into());
            2
        }
    }
}

/// 2 if a file could not be read or written (`F001` to `F019`), 1 for any other error, 0 without errors.
fn exit_status(diagnostics: &Diagnostics) -> u8 {
    let errors = || diagnostics.iter().filter(|d| d.severity == Severity::Error);
    if errors().any(|d| d.code.starts_with('F') && d.code < "F020") {
        2
    } else {
        u8::from(errors().next().is_some())
    }
}

impl Command {
    fn run(&self, console: &Console, outside: &Outside) -> Done {
        match self {
            Self::New(args) => new::run(args, console),
            Self::Protocols(_) => protocols::run(console),
            Self::Check(args) => check::run(args, console, outside),
            Self::Plan(args) => plan::run(args, console, outside),
            Self::Power(args) => power::run(args, console, outside),
            Self::Sheet(args) => sheet::run(args, console, outside),
            Self::Record(args) => record::run(args, console, outside),
            Self::Status(args) => status::run(args, console),
            Self::Analyse(args) => analyse::run(args, console),
            Self::Report(args) => report::run(args, console, outside),
            Self::Pool(args) => pool::run(args, console, outside),
            Self::Rehearse(args) => rehearse::run(args, console, outside),
            Self::Pack(args) => pack::run(args, console, outside),
            Self::Unpack(args) => unpack::run(args, console),
            Self::Verify(args) => verify::run(args, console, outside),
            Self::Compare(args) => compare::run(args, console),
            Self::Key(args) => key::run(args, console),
            Self::Demo(args) => demo::run(args, console, outside),
            Self::Schema(args) => schema::run(args),
            Self::Completions(args) => completions::run(args),
            Self::Manual(_) => manual::run(),
        }
    }
}

/// `3 errors, 1 warning`; empty without any.
fn tally(diagnostics: &Diagnostics) -> String {
    let parts: Vec<String> = [
        (Severity::Error, "error"),
        (Severity::Warning, "warning"),
        (Severity::Note, "note"),
    ]
    .into_iter()
    .filter_map(|(severity, word)| {
        let count = diagnostics.count(severity);
        (count > 0).then(|| counted(count, word))
    })
    .collect();
    parts.join(", ")
}

/// What was written, and what was there already.
fn told(folder: &Folder, outcome: &Outcome) -> String {
    let mut lines: Vec<String> = Vec::new();
    let (few, many): (Vec<_>, Vec<_>) = outcome.written.iter().partition(|path| path.matches('/').count() < 2);
    for path in few {
        lines.push(format!("Wrote {}", folder.shown(path)));
    }
    let mut folders: BTreeMap<&str, usize> = BTreeMap::new();
    for path in many {
        *folders
            .entry(path.rsplit_once('/').map_or("", |(folder, _)| folder))
            .or_default() += 1;
    }
    for (path, count) in folders {
        lines.push(format!("Wrote {} into {}", counted(count, "file"), folder.shown(path)));
    }
    if !outcome.same.is_empty() {
        let left = if outcome.written.is_empty() {
            "all of them"
        } else {
            "left alone"
        };
        lines.push(format!("Unchanged: {}, {left}", counted(outcome.same.len(), "file")));
    }
    lines.join("\n")
}

/// `1 run`, `32 runs`.
fn counted(count: usize, word: &str) -> String {
    match (count, word.strip_suffix('y')) {
        (1, _) => format!("1 {word}"),
        (_, Some(stem)) if !word.ends_with("ay") => format!("{count} {stem}ies"),
        _ => format!("{count} {word}s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_sound_and_every_command_shows_an_example() {
        command().debug_assert();
        for sub in command().get_subcommands() {
            let help = sub.clone().render_long_help().to_string();
            assert!(help.contains("Example:\n  wellrun "), "{}: {help}", sub.get_name());
            assert!(help.contains("Exit status:"), "{}", sub.get_name());
            for argument in sub.get_arguments() {
                assert!(
                    argument.get_help().is_some(),
                    "{} {}",
                    sub.get_name(),
                    argument.get_id()
                );
            }
        }
    }

    #[test]
    fn a_panic_is_an_internal_fault_with_status_2() {
        assert_eq!(guarded(|| panic!("on purpose, in a test")), 2);
        assert_eq!(guarded(|| 1), 1);
    }

    #[test]
    fn the_status_follows_the_worst_error() {
        assert_eq!(exit_status(&Diagnostics::new()), 0);
        assert_eq!(exit_status(&Diagnostic::warning("F005", "").into()), 0);
        assert_eq!(exit_status(&Diagnostic::error("P001", "").into()), 1);
        assert_eq!(exit_status(&Diagnostic::error("F020", "").into()), 1);
        assert_eq!(exit_status(&Diagnostic::error("F005", "").into()), 2);
    }

    #[test]
    fn counts_read_well() {
        assert_eq!(counted(1, "entry"), "1 entry");
        assert_eq!(counted(2, "entry"), "2 entries");
        assert_eq!(counted(0, "run"), "0 runs");
        assert_eq!(counted(3, "day"), "3 days");
    }
}
