//! The page on which a sheet is filled at the bench: one HTML file with everything in it.
//!
//! In:  protocol, site and plan as those at the bench may see them.
//! Out: the data that the template `page.html.jinja` takes: the policy, style, script and study.
//!
//! The script stands in `templates/page/`, in small files joined here; it asks for nothing from outside. The study is data
//! in a block that no browser runs, with every character escaped that could end it. The policy lets nothing else run or
//! load, so that whatever a protocol's texts hold stays text.
//!
//! The data hold the ranges that readings are questioned and refused by. The page asks without naming them.

use data_encoding::BASE64;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::between;
use super::view::View;
use crate::plan::Plan;
use crate::protocol::{Protocol, Site, reading_seconds};

/// The script, in the order in which its parts use each other.
const SCRIPT: [&str; 12] = [
    include_str!("../../templates/page/sha256.js"),
    include_str!("../../templates/page/parts.js"),
    include_str!("../../templates/page/number.js"),
    include_str!("../../templates/page/log.js"),
    include_str!("../../templates/page/store.js"),
    include_str!("../../templates/page/state.js"),
    include_str!("../../templates/page/questions.js"),
    include_str!("../../templates/page/work.js"),
    include_str!("../../templates/page/dialogs.js"),
    include_str!("../../templates/page/stations.js"),
    include_str!("../../templates/page/handover.js"),
    include_str!("../../templates/page/main.js"),
];

/// Where the page keeps what is entered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keeping {
    /// In the browser's own store, until a results file is written.
    Browser,
    /// With the server that the page came from.
    Server,
}

/// All that the template needs; `styles` are the shared styles and those of the page. The page of a blinded study says
/// that its levels are codes: that they are is for the caller to see to.
#[must_use]
pub fn page(
    protocol: &Protocol,
    site: Option<&Site>,
    plan: &Plan,
    is_blinded: bool,
    styles: &str,
    keeping: Keeping,
) -> Value {
    let mut script = String::from("\"use strict\";\n(() => {\n");
    for part in SCRIPT {
        script.push_str(part);
    }
    script.push_str("})();\n");
    let connect = match keeping {
        Keeping::Browser => "'none'",
        Keeping::Server => "'self'",
    };
    let policy = format!(
        "default-src 'none'; script-src '{}'; style-src '{}'; img-src data:; connect-src {connect}; base-uri 'none'; form-action 'none'",
        digest(&script),
        digest(styles)
    );
    let mut data = study(protocol, site, plan, keeping);
    data["blinded"] = is_blinded.into();
    json!({
        "title": protocol.study.title,
        "policy": policy,
        "styles": styles,
        "script": script,
        "study": for_a_block(&data),
    })
}

/// The source of inline text in a policy.
fn digest(text: &str) -> String {
    format!("sha256-{}", BASE64.encode(&Sha256::digest(text)))
}

/// JSON that cannot end the block it stands in.
fn for_a_block(value: &Value) -> String {
    value
        .to_string()
        .replace('&', "\\u0026")
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029")
}

/// The study as the script reads it.
fn study(protocol: &Protocol, site: Option<&Site>, plan: &Plan, keeping: Keeping) -> Value {
    let mut data = super::data(protocol, site, plan);
    let view = View::new(protocol, site, plan);
    let range = |range: Option<(rust_decimal::Decimal, rust_decimal::Decimal)>| {
        range.map(|(low, high)| [low.to_string(), high.to_string()])
    };
    let header = &plan.header;
    data["plan"] = json!({
        "study": header.study,
        "version": header.version,
        "protocol_sha256": header.protocol_sha256,
        "plan_sha256": header.plan_sha256,
        "site": header.site,
    });
    data["keeping"] = match keeping {
        Keeping::Browser => "browser",
        Keeping::Server => "server",
    }
    .into();
    data["rehearsal"] = header.rehearsal.into();
    data["void_when"] = json!(protocol.bench.void_when);
    for (response, shown) in protocol.responses.iter().zip(list(&mut data["responses"])) {
        shown["possible"] = json!(range(response.possible));
        shown["expected"] = json!(range(response.expected));
        shown["seconds"] = json!(reading_seconds(response));
    }
    data["conditions"] = protocol
        .conditions
        .iter()
        .map(|condition| {
            json!({
                "name": condition.name,
                "unit": condition.unit,
                "possible": range(condition.possible),
                "expected": range(condition.expected),
            })
        })
        .collect();
    data["waits"] = protocol
        .bench
        .waits
        .iter()
        .map(|&(unit, minutes)| json!({ "unit": protocol.units[unit].name, "minutes": minutes }))
        .collect();
    data["face"] = view.face();
    data["marks"] = protocol.bench.positions.as_ref().map_or(Value::Null, |positions| {
        positions
            .responses
            .iter()
            .map(|&id| protocol.responses[id].name.as_str())
            .collect()
    });
    let mut controls: Vec<Value> = Vec::new();
    for (index, run) in list(&mut data["runs"]).iter_mut().enumerate() {
        run["parts"] = view.parts(index);
        run["specimen"] = view.specimen(index);
        run["places"] = run["map"]["places"].take();
        run["with"] = view.instruments(index).into();
        run["leaves"] = json!(between::cleaning(protocol, plan, index + 1));
        let (planned, rest) = (run["controls"].take(), run.as_object_mut());
        controls.extend(planned.as_array().into_iter().flatten().map(|row| after(row, index)));
        if let Some(run) = rest {
            // Worked out on the page, from what was made before rather than from what was planned.
            for key in ["controls", "cleaning", "set_up", "map"] {
                run.remove(key);
            }
        }
    }
    let last = plan.runs.len();
    controls.extend(list(&mut data["end"]["controls"]).iter().map(|row| after(row, last)));
    data["controls"] = controls.into();
    if let Some(data) = data.as_object_mut() {
        data.remove("end");
    }
    data
}

/// A control row with the number of runs it stands after.
fn after(row: &Value, runs: usize) -> Value {
    let mut row = row.clone();
    row["after"] = runs.into();
    row
}

fn list(value: &mut Value) -> &mut [Value] {
    value.as_array_mut().map_or(&mut [], Vec::as_mut_slice)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_cannot_be_ended_by_what_it_holds() {
        let hostile = json!({ "title": "</script><script>alert(1)</script><!-- & \u{2028}" });
        let text = for_a_block(&hostile);
        assert!(!text.contains(['<', '>', '&', '\u{2028}']), "{text}");
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), hostile);
    }
}
