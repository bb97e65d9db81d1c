//! `assumed.toml`: what is assumed before there are readings, kept beside a protocol instead of in it.
//!
//! In:  a `Source` and the protocol it stands beside.
//! Out: an `Assumed` for each table `[assumed.RESPONSE]`, as `[assumed]` of the protocol would give; or everything that
//!      is wrong.
//!
//! Another guess changes neither the protocol's hash nor the order that is drawn from it. What the file says of a
//! response takes the place of what the protocol assumes of it.
//! Never here: files, clock.

use std::sync::Arc;

use super::assumed::{self, Assumed};
use super::assumed_keys::ASSUMED;
use super::check_rehearsal;
use super::keys::{Key, Kind, Need, Table};
use super::model::Protocol;
use super::read::{CODES, format_version};
use super::tree::{Entry, Item, Tree, Value};
use super::walk::Desk;
use crate::diagnostic::{Diagnostics, Source};

static FILE: Table = Table {
    doc: "What is assumed of a study before there are readings, for power and rehearsal.",
    keys: &[
        Key {
            name: "wellrun_assumed",
            kind: Kind::Whole(1, 1_000_000),
            need: Need::Must("it says in which version of this format the file is written"),
            doc: "Version of this format; 1.",
            example: "1",
        },
        Key {
            name: "assumed",
            kind: Kind::Named(&ASSUMED),
            need: Need::Must("a file without an assumption is of no use"),
            doc: "What is assumed of a response before there are readings; one table a response, under its name.",
            example: "",
        },
    ],
};

/// Reads what is assumed beside a protocol and checks all of it.
///
/// # Errors
///
/// Everything that is wrong with it, in the order of the file; warnings are among them.
pub fn read_assumed(source: &Arc<Source>, protocol: &Protocol) -> Result<(Vec<Assumed>, Diagnostics), Diagnostics> {
    let mut desk = Desk::new(source, &CODES);
    let file = desk.walk(&FILE);
    if desk.is_broken() {
        return Err(desk.finish());
    }
    format_version(&mut desk, &file, "wellrun_assumed", CODES.format);
    let root = beside(&file, protocol);
    let names: Vec<&str> = protocol
        .responses
        .iter()
        .map(|response| response.name.as_str())
        .collect();
    let mut all = assumed::read(&mut desk, &root, &names, &protocol.units, &protocol.factors);
    check_rehearsal::sizes(&mut desk, &root, &all, &protocol.responses);
    for kept in &protocol.assumed {
        if !all.iter().any(|assumed| assumed.response == kept.response) {
            all.push(kept.clone());
        }
    }
    all.sort_by_key(|assumed| assumed.response);
    desk.finish().unless_errors(all)
}

/// The tables of the file with the names that they refer to, as they would stand in one protocol.
fn beside(file: &Tree, protocol: &Protocol) -> Tree {
    let entry = |key, value| Entry {
        key,
        key_span: 0..0,
        given: true,
        item: Some(Item { span: 0..0, value }),
    };
    let named = |name: &str, entries| Tree {
        name: name.to_owned(),
        at: 0..0,
        entries,
    };
    let units = protocol
        .units
        .iter()
        .map(|unit| named("", vec![entry("name", Value::Text(unit.name.clone()))]))
        .collect();
    let controls = protocol
        .bench
        .controls
        .iter()
        .map(|control| {
            let response = protocol.responses[control.response].name.clone();
            named(&control.name, vec![entry("response", Value::Text(response))])
        })
        .collect();
    let responses = protocol
        .responses
        .iter()
        .map(|response| {
            named(
                &response.name,
                vec![entry("readings", Value::Whole(response.readings as u64))],
            )
        })
        .collect();
    let mut root = file.clone();
    root.entries.push(entry("unit", Value::Trees(units)));
    root.entries.push(entry("response", Value::Trees(responses)));
    root.entries.push(entry("control", Value::Trees(controls)));
    root
}
