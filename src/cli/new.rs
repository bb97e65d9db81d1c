//! `wellrun new`: the folder of a new study, from a shipped protocol.

use std::path::PathBuf;

use serde_json::json;

use super::console::Console;
use super::shipped::{self, Shipped};
use super::{Answer, Done, help_end};
use crate::diagnostic::{Diagnostic, Diagnostics, nearest};
use crate::study::{self, Folder};

/// Start a study from a shipped protocol
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun new roller-reading-spread my-study"))]
pub struct Args {
    /// Name of the protocol; `wellrun protocols` lists them
    name: String,
    /// Folder of the new study; must not exist, or be empty
    dir: PathBuf,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let shipped = find(&args.name)?;
    let folder = Folder::create(&args.dir)?;
    let files = vec![
        (study::PROTOCOL.to_owned(), shipped.protocol.as_bytes().to_vec()),
        (study::SITE.to_owned(), shipped.site.as_bytes().to_vec()),
        (study::NOTE.to_owned(), NOTE.as_bytes().to_vec()),
    ];
    let outcome = folder.lock()?.write(&files, false)?;
    console.json(&json!({ "written": outcome.written }))?;
    console.say(&format!(
        "Wrote {} into {}.\nNext: say in {} what stands behind each level and who takes part, then run `wellrun check {}`.",
        outcome.written.join(", "),
        args.dir.display(),
        folder.shown(study::SITE),
        args.dir.display(),
    ));
    Ok(Answer::Yes)
}

/// The shipped protocol of that name.
fn find(name: &str) -> Result<&'static Shipped, Diagnostics> {
    shipped::ALL.iter().find(|shipped| shipped.name == name).ok_or_else(|| {
        let names = || shipped::ALL.iter().map(|shipped| shipped.name);
        let help = match nearest(name, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("there are: {}", names().collect::<Vec<_>>().join(", ")),
        };
        Diagnostic::error("F016", format!("no protocol called `{name}` ships with this tool")).help(help).into()
    })
}

/// The author's words, to be replaced by better ones.
const NOTE: &str = "\
## What this means for us

Replace this with what follows from the findings, in your own words. So far {{value: record.runs_complete}} of
{{value: record.runs_planned}} runs are complete: any value of the findings can be pulled in by name like this, so
that the text cannot drift from the data. `wellrun check` finds a name that is wrong, and says the nearest right one.
";
