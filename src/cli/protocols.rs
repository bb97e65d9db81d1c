//! `wellrun protocols`: what `wellrun new` can start from.

use serde_json::json;

use super::console::{Console, Page};
use super::{Answer, Done, help_end};
use crate::protocol::shipped;

/// List the protocols that ship with the tool
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun protocols"))]
pub struct Args {}

pub fn run(console: &Console) -> Done {
    let mut page = Page::new();
    let mut rows = vec![vec!["name".to_owned(), "title".to_owned()]];
    let mut list = Vec::new();
    for shipped in shipped() {
        rows.push(vec![shipped.name.to_owned(), shipped.title.to_owned()]);
        list.push(json!({ "name": shipped.name, "title": shipped.title }));
    }
    page.table(rows)
        .sentence("Start a study from one with `wellrun new NAME DIR`.");
    console.page(&page)?;
    console.json(&list)?;
    Ok(Answer::Yes)
}
