//! `wellrun manual`: the manual page, every command in it.

use super::console::put;
use super::{Answer, Done, Stop, command, help_end};

/// Print the manual page (roff)
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun manual > wellrun.1 && man ./wellrun.1"))]
pub struct Args {}

pub fn run() -> Done {
    let mut whole = command();
    whole.build();
    let mut roff = Vec::new();
    clap_mangen::Man::new(whole.clone())
        .render(&mut roff)
        .map_err(Stop::Output)?;
    for sub in whole.get_subcommands().filter(|sub| sub.get_name() != "help") {
        let man = clap_mangen::Man::new(sub.clone());
        let name = sub.get_name().to_uppercase();
        roff.extend_from_slice(format!(".SH \"COMMAND {name}\"\n").as_bytes());
        man.render_synopsis_section(&mut roff)
            .and_then(|()| man.render_description_section(&mut roff))
            .and_then(|()| man.render_options_section(&mut roff))
            .and_then(|()| man.render_extra_section(&mut roff))
            .map_err(Stop::Output)?;
    }
    put(&String::from_utf8_lossy(&roff))?;
    Ok(Answer::Yes)
}
