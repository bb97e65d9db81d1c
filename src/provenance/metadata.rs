//! The pack described for machines, by an open standard for research data packages.
//!
//! In:  a manifest without this file, and the day.
//! Out: the text of `ro-crate-metadata.json`.
//!
//! Standard: RO-Crate Metadata Specification 1.1 (<https://w3id.org/ro/crate/1.1>). The pack's root is the crate's root;
//! each file is a part of it, with its hash (`sha256`, a term of schema.org) and what it is for.
//! Never here: anything that the manifest does not say.

use serde_json::{Value, json};

use super::manifest::{Holds, MANIFEST, METADATA, Manifest};

/// The text of the metadata file.
#[must_use]
pub fn metadata(manifest: &Manifest) -> String {
    let files = || manifest.files.iter().filter(|file| file.path != METADATA);
    let mut parts: Vec<Value> = files().map(|file| json!({ "@id": link(&file.path) })).collect();
    parts.push(json!({ "@id": MANIFEST }));
    let place = if manifest.site.is_empty() {
        String::new()
    } else {
        format!(" at site {}", manifest.site)
    };
    let description = format!(
        "{} of study {}, protocol version {}{place}. {MANIFEST} lists every file with its SHA-256 and what it is for.",
        match manifest.holds {
            Holds::WholeStudy => "Protocol, plan, record, findings and report",
            Holds::ProtocolOnly => "The protocol",
        },
        manifest.study,
        manifest.version,
    );
    let licence = if manifest.licence.is_empty() {
        "The owner of the study has named no licence."
    } else {
        &manifest.licence
    };
    let mut graph = vec![
        json!({
            "@id": METADATA,
            "@type": "CreativeWork",
            "conformsTo": { "@id": "https://w3id.org/ro/crate/1.1" },
            "about": { "@id": "./" },
        }),
        json!({
            "@id": "./",
            "@type": "Dataset",
            "identifier": format!("sha256:{}", manifest.protocol_sha256),
            "name": manifest.title,
            "description": description,
            "datePublished": manifest.date,
            "license": { "@id": "#licence" },
            "hasPart": parts,
        }),
        json!({ "@id": "#licence", "@type": "CreativeWork", "name": "Licence of the study", "description": licence }),
        json!({
            "@id": "#wellrun",
            "@type": "SoftwareApplication",
            "name": "wellrun",
            "version": manifest.tool,
            "softwareVersion": manifest.tool,
        }),
        json!({
            "@id": "#packing",
            "@type": "CreateAction",
            "name": "The pack was written",
            "instrument": { "@id": "#wellrun" },
            "result": { "@id": "./" },
        }),
    ];
    graph.extend(files().map(|file| {
        json!({
            "@id": link(&file.path),
            "@type": "File",
            "name": file.role,
            "encodingFormat": format(&file.path),
            "contentSize": file.bytes.to_string(),
            "sha256": file.sha256,
        })
    }));
    graph.push(json!({
        "@id": MANIFEST,
        "@type": "File",
        "name": "manifest",
        "encodingFormat": format(MANIFEST),
    }));
    let whole = json!({ "@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph });
    let mut text = serde_json::to_string_pretty(&whole).unwrap_or_default();
    text.push('\n');
    text
}

/// A path as a relative URI reference. Names of packs hold no `%`.
fn link(path: &str) -> String {
    path.chars()
        .map(|c| match c {
            'a'..='z' | 'A'..='Z' | '0'..='9' | '-' | '.' | '_' | '/' => c.to_string(),
            other => format!("%{:02X}", other as u32),
        })
        .collect()
}

/// Media type by ending.
fn format(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, ending)| ending) {
        "json" => "application/json",
        "jsonl" => "application/jsonl",
        "toml" => "application/toml",
        "csv" => "text/csv",
        "html" => "text/html",
        "css" => "text/css",
        "svg" => "image/svg+xml",
        "pdf" => "application/pdf",
        "md" => "text/markdown",
        "txt" | "jinja" | "typ" => "text/plain",
        _ => "application/octet-stream",
    }
}
