//! `wellrun schema`: the JSON Schemas of the project's files.

use super::console::put;
use super::{Answer, Done, Stop, help_end};
use crate::{analysis, protocol};

/// Print the JSON Schema of a file format
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun schema protocol > wellrun-protocol.schema.json"))]
pub struct Args {
    /// Which file
    #[arg(value_enum)]
    what: What,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum What {
    /// `protocol.toml`; editors use it to complete and check keys
    Protocol,
    /// `site.toml`
    Site,
    /// `findings.json`
    Findings,
    /// `pooled-findings.json`
    PooledFindings,
}

pub fn run(args: &Args) -> Done {
    let schema = match args.what {
        What::Protocol => protocol::protocol_schema(),
        What::Site => protocol::site_schema(),
        What::Findings => analysis::findings_schema(),
        What::PooledFindings => analysis::pool_schema(),
    };
    let mut text = serde_json::to_string_pretty(&schema).map_err(|error| Stop::Output(error.into()))?;
    text.push('\n');
    put(&text)?;
    Ok(Answer::Yes)
}
