//! `wellrun completions`: completion of commands and options for a shell.

use clap_complete::Shell;

use super::console::put;
use super::{Answer, Done, command, help_end};

/// Print a completion script for a shell
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun completions bash > ~/.local/share/bash-completion/completions/wellrun"))]
pub struct Args {
    /// Which shell
    #[arg(value_enum)]
    shell: Shell,
}

pub fn run(args: &Args) -> Done {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command(), "wellrun", &mut script);
    put(&String::from_utf8_lossy(&script))?;
    Ok(Answer::Yes)
}
