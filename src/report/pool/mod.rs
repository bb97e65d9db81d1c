//! Pooled findings to a report: one figure an effect with the sites side by side, and the tables behind.
//!
//! In:  the protocol and `PoolFindings`.
//! Out: a `Report`, laid out by the same templates as that of one site; and the answer for a terminal. Nothing is estimated here.

mod tables;
mod words;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::analysis::{PoolFindings, Verdict};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::protocol::Protocol;

use self::words::Speaker;
use super::document::{Answers, Block, Cell, Fact, Notice, Report, Section, Table};
use super::number::{self, with_unit};
use super::sections::{cautions, section};
use super::terminal::{grid, paragraph};
use super::words::{Voice, capital, count, listed, numbers, plain, spelled};

/// Narrowest text that still reads.
const NARROWEST: usize = 40;

/// Verdict in a word.
fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Matters => "matters",
        Verdict::DoesNotMatter => "does not matter",
        Verdict::Undecided => "undecided",
    }
}

fn speakers<'a>(protocol: Option<&Protocol>, findings: &'a PoolFindings) -> Vec<Speaker<'a>> {
    // In the order of the protocol, where it is at hand.
    let mut names: Vec<&String> = findings.responses.keys().collect();
    let rank = |name: &str| protocol.and_then(|p| p.responses.iter().position(|r| r.name == name));
    names.sort_by_key(|name| (rank(name), (*name).clone()));
    names
        .into_iter()
        .filter_map(|name| {
            let found = findings.responses.get(name)?;
            Some(Speaker {
                findings,
                found,
                response: name,
                voice: Voice {
                    unit: found.unit.clone(),
                    confidence: found.confidence,
                    relevant: found.relevant,
                    factor_units: BTreeMap::new(),
                },
            })
        })
        .collect()
}

fn site_names(findings: &PoolFindings) -> String {
    let names: Vec<String> = findings.sites.iter().map(|site| site.name.clone()).collect();
    if names.len() > 4 {
        format!("{} sites", names.len())
    } else {
        listed(&names)
    }
}

/// The pooled report.
///
/// # Errors
///
/// `T033` if the findings hold no response.
pub fn pooled(protocol: &Protocol, findings: &PoolFindings) -> Result<Report, Diagnostics> {
    let speakers = speakers(Some(protocol), findings);
    if speakers.is_empty() {
        return Err(Diagnostic::error("T033", "the pooled findings hold no response").into());
    }
    let sections = vec![
        pictures(&speakers),
        replication(protocol, &speakers),
        side_by_side(&speakers),
        spread(&speakers),
        sites(findings),
        limits(findings, &speakers),
        cautions(protocol),
        provenance(findings),
    ];
    let mut report = Report {
        language: "en-GB".to_owned(),
        id: findings.study.id.clone(),
        version: findings.study.version.clone(),
        site: site_names(findings),
        title: format!("{} {} together", findings.study.title, capital(&site_names(findings))),
        question: protocol.study.question.clone(),
        rehearsal: findings.study.rehearsal,
        notices: notices(findings),
        facts: facts(protocol, findings),
        answers: speakers
            .iter()
            .map(|speaker| Answers {
                heading: if speakers.len() > 1 {
                    capital(&plain(speaker.response))
                } else {
                    String::new()
                },
                sentences: speaker.answers(),
            })
            .collect(),
        sections: sections.into_iter().filter(|s| !s.blocks.is_empty()).collect(),
        footer: format!(
            "wellrun {}, protocol {}",
            findings.study.tool,
            findings.study.protocol_sha256.chars().take(12).collect::<String>()
        ),
    };
    report.number();
    Ok(report)
}

fn notices(findings: &PoolFindings) -> Vec<Notice> {
    let mut all = Vec::new();
    if findings.study.rehearsal {
        all.push(Notice {
            label: "REHEARSAL".to_owned(),
            text: "The readings were simulated to try the study out. Nothing here was measured, and no number says anything \
                   about a real thing."
                .to_owned(),
        });
    }
    if findings.study.order == "as run" {
        all.push(Notice {
            label: "Order not randomized by this protocol".to_owned(),
            text: "The readings existed before the protocol and are analysed in the order in which they were run. What drifted \
                   with that order may stand in the effects, at every site."
                .to_owned(),
        });
    }
    all
}

fn facts(protocol: &Protocol, findings: &PoolFindings) -> Vec<Fact> {
    let first = findings.sites.iter().find(|site| site.first);
    let locals: Vec<String> = findings.local.iter().map(|f| plain(f)).collect();
    let commons: Vec<String> = findings.common.iter().map(|f| plain(f)).collect();
    let runs: Vec<String> = findings
        .sites
        .iter()
        .map(|site| {
            format!(
                "{} of {} planned at {}",
                site.record.runs_complete, site.record.runs_planned, site.name
            )
        })
        .collect();
    [
        (
            "Study",
            format!("{}, version {}", findings.study.id, findings.study.version),
        ),
        ("Kind of study", findings.study.kind.clone()),
        ("Method", protocol.study.method.clone()),
        ("Sites", site_names(findings)),
        ("First site", first.map(|site| site.name.clone()).unwrap_or_default()),
        ("Runs complete", listed(&runs)),
        ("The same at every site", listed(&commons)),
        ("Each site's own", listed(&locals)),
        (
            "Criteria of replication",
            if findings.criteria.is_empty() {
                "none declared beforehand".to_owned()
            } else {
                listed(&findings.criteria)
            },
        ),
    ]
    .into_iter()
    .filter(|(_, value)| !value.trim().is_empty())
    .map(|(name, value)| Fact {
        name: name.to_owned(),
        value,
    })
    .collect()
}

fn titled(speakers: &[Speaker], speaker: &Speaker, blocks: Vec<Block>) -> Vec<Block> {
    if speakers.len() > 1 && !blocks.is_empty() {
        let mut with = vec![Block::heading(capital(&plain(speaker.response)))];
        with.extend(blocks);
        with
    } else {
        blocks
    }
}

fn pictures(speakers: &[Speaker]) -> Section {
    let blocks = speakers
        .iter()
        .flat_map(|speaker| {
            // Planned ones first, then the level, then the others.
            let planned = speaker.found.effects.iter().filter(|q| q.planned);
            let others = speaker.found.effects.iter().filter(|q| !q.planned);
            let figures = planned
                .chain(&speaker.found.level)
                .chain(others)
                .filter_map(|quantity| speaker.figure(quantity))
                .map(Block::Figure)
                .collect();
            titled(speakers, speaker, figures)
        })
        .collect();
    section("side-by-side", "The sites side by side", blocks)
}

fn replication(protocol: &Protocol, speakers: &[Speaker]) -> Section {
    let blocks: Vec<Block> = speakers
        .iter()
        .flat_map(|speaker| {
            let table: Vec<Block> = speaker.criteria().map(Block::Table).into_iter().collect();
            titled(speakers, speaker, table)
        })
        .collect();
    if blocks.is_empty() {
        return section("replication", "Were the findings repeated?", blocks);
    }
    let declared: Vec<String> = protocol
        .replication
        .effects
        .iter()
        .map(|effect| plain(&protocol.effect_name(effect)))
        .collect();
    let mut all = vec![Block::paragraph(format!(
        "The protocol declared, before the readings, what must hold at a further site for a finding to count as repeated: {}. It \
         is about {}.",
        protocol
            .replication
            .criteria
            .iter()
            .map(|c| c.word())
            .collect::<Vec<&str>>()
            .join("; "),
        listed(&declared)
    ))];
    all.extend(blocks);
    section("replication", "Were the findings repeated?", all)
}

fn side_by_side(speakers: &[Speaker]) -> Section {
    let blocks = speakers
        .iter()
        .flat_map(|speaker| {
            let mut own: Vec<Block> = Vec::new();
            own.push(Block::paragraph(format!(
                "Method: {}. A site's estimate and its error come from that site alone; differences and means over sites follow \
                 from these, with degrees of freedom by Welch and Satterthwaite.",
                speaker.found.method
            )));
            own.extend(speaker.effects().map(Block::Table));
            own.extend(speaker.heterogeneity().map(Block::Table));
            own.extend(speaker.site_by_effect().map(Block::Table));
            own.extend(speaker.robust().into_iter().map(Block::Table));
            titled(speakers, speaker, own)
        })
        .collect();
    section("numbers", "The numbers over the sites", blocks)
}

fn spread(speakers: &[Speaker]) -> Section {
    let blocks = speakers
        .iter()
        .flat_map(|speaker| {
            let mut own: Vec<Block> = Vec::new();
            own.extend(speaker.spreads().map(Block::Table));
            own.extend(speaker.local().map(Block::Table));
            own.extend(speaker.precision().map(Block::Table));
            titled(speakers, speaker, own)
        })
        .collect();
    section("spread", "The spread at each site", blocks)
}

fn sites(findings: &PoolFindings) -> Section {
    let rows = findings
        .sites
        .iter()
        .map(|site| {
            vec![
                Cell::words(&site.name),
                Cell::words(if site.first { "first" } else { "repeats it" }),
                Cell::words(&site.began),
                Cell::words(site.record.closed.as_ref().map_or("still open", |closed| &closed.at)),
                Cell::count(site.record.runs_complete),
                Cell::count(site.record.runs_missing.len() + site.record.runs_incomplete.len()),
                Cell::count(site.record.corrections.len()),
                Cell::count(site.record.deviations.len()),
                Cell::count(site.record.out_of_order.len()),
            ]
        })
        .collect();
    let table = Table::new(
        "sites",
        "What happened at each site",
        &[
            "Site",
            "Part",
            "Began",
            "Record closed",
            ">Runs complete",
            ">Runs with readings missing",
            ">Corrections",
            ">Departures",
            ">Runs out of order",
        ],
    )
    .group("", rows)
    .remark("The first site is the one whose plan was frozen first; its report and those of the others give the particulars.");
    let mut blocks = vec![Block::Table(table)];
    let mut conditions = Table::new(
        "conditions",
        "Conditions at each site",
        &["Site", ">Values", ">Lowest", ">Mean", ">Highest"],
    );
    let first = findings.sites.first().map(|site| site.record.conditions.as_slice());
    for (place, condition) in first.unwrap_or_default().iter().enumerate() {
        let rows = findings
            .sites
            .iter()
            .filter_map(|site| {
                let own = site.record.conditions.get(place)?;
                let show = |v: f64| number::significant(v, 4);
                Some(vec![
                    Cell::words(&site.name),
                    Cell::count(own.values),
                    Cell::maybe(own.lowest, show),
                    Cell::maybe(own.mean, show),
                    Cell::maybe(own.highest, show),
                ])
            })
            .collect();
        let title = match condition.unit.as_str() {
            "" => capital(&plain(&condition.name)),
            unit => format!("{} ({unit})", capital(&plain(&condition.name))),
        };
        conditions = conditions.group(&title, rows);
    }
    if !conditions.groups.is_empty() {
        blocks.push(Block::Table(conditions));
    }
    let apart: Vec<String> = findings
        .sites
        .iter()
        .flat_map(|site| {
            site.record.deviations.iter().map(move |deviation| match deviation.run {
                Some(run) => format!("{}, run {run}: {}", site.name, deviation.what),
                None => format!("{}: {}", site.name, deviation.what),
            })
        })
        .collect();
    if !apart.is_empty() {
        blocks.push(Block::paragraph("Departures from the protocol on record:"));
        blocks.push(Block::list(apart));
    }
    section("sites", "The sites", blocks)
}

fn limits(findings: &PoolFindings, speakers: &[Speaker]) -> Section {
    let mut items = findings.cautions.clone();
    for speaker in speakers {
        for sentence in &speaker.found.cannot_tell {
            items.push(if speakers.len() > 1 {
                format!("{}: {sentence}", capital(&plain(speaker.response)))
            } else {
                sentence.clone()
            });
        }
    }
    let mut own: Vec<String> = findings.local.iter().map(|f| plain(f)).collect();
    own.extend(["people", "room", "the things measured"].map(str::to_owned));
    items.push(format!(
        "A difference between sites in the mean of all results holds everything in which they differ: {}. Nothing here tells \
         these apart.",
        listed(&own)
    ));
    items.push(
        "No difference told is not no difference: read the interval of the difference between the sites.".to_owned(),
    );
    items.push("Every site counts, also one that disagrees; none was left out.".to_owned());
    section("limits", "What these sites cannot tell", vec![Block::list(items)])
}

fn provenance(findings: &PoolFindings) -> Section {
    let mut table = Table::new("provenance", "Where the numbers come from", &["What", "Value"]).group(
        "All sites",
        [
            ("Protocol (SHA-256)", findings.study.protocol_sha256.as_str()),
            ("Program", &format!("wellrun {}", findings.study.tool)),
            ("Format of the findings", &findings.format),
        ]
        .iter()
        .map(|(name, value)| vec![Cell::words(*name), Cell::words(*value)])
        .collect(),
    );
    for site in &findings.sites {
        let rows = [
            ("Site file (SHA-256)", &site.site_sha256),
            ("Plan (SHA-256)", &site.plan_sha256),
            ("Last entry of the record (SHA-256)", &site.record_sha256),
            ("Seed of the draw", &site.seed),
            ("How the order was drawn", &site.algorithm),
            ("Began", &site.began),
        ]
        .iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| vec![Cell::words(*name), Cell::words(value.as_str())])
        .collect();
        table = table.group(&site.name, rows);
    }
    let folders: Vec<String> = findings.sites.iter().map(|site| site.site.to_uppercase()).collect();
    let blocks = vec![
        Block::Table(table.remark(
            "A hash shows that a file is the same as the one used here. It does not show that its contents are true.",
        )),
        Block::paragraph(
            "To compute everything again, take the study folders of all sites and the program named above. The order in which \
             the folders are named changes nothing.",
        ),
        Block::Commands {
            lines: vec![format!("wellrun pool {} --out FOLDER", folders.join(" "))],
        },
    ];
    section("provenance", "How to compute it again", blocks)
}

/// The pooled findings for a terminal, no wider than `width` characters where the words allow it (40 at least).
#[must_use]
pub fn pooled_terminal(findings: &PoolFindings, width: usize) -> String {
    let width = width.max(NARROWEST);
    let mut out = String::new();
    paragraph(&mut out, &findings.study.title, "", width);
    let mut head = format!(
        "Study {}, version {}, {} sites: {}.",
        findings.study.id,
        findings.study.version,
        spelled(findings.sites.len()).to_lowercase(),
        site_names(findings)
    );
    if let Some(first) = findings.sites.iter().find(|site| site.first) {
        let _ = write!(head, " The first was {}.", first.name);
    }
    paragraph(&mut out, &head, "", width);
    if findings.study.rehearsal {
        paragraph(&mut out, "REHEARSAL: the readings were simulated.", "", width);
    }
    for site in &findings.sites {
        let missing = &site.record.runs_missing;
        let mut text = format!(
            "{}: {} of {} complete",
            site.name,
            site.record.runs_complete,
            count(site.record.runs_planned, "run", "runs")
        );
        if !missing.is_empty() {
            let _ = write!(text, "; without a reading: {}", numbers(missing));
        }
        paragraph(&mut out, &format!("{text}."), "", width);
    }
    let all = speakers(None, findings);
    for speaker in &all {
        out.push('\n');
        let unit = if speaker.voice.unit.is_empty() {
            String::new()
        } else {
            format!(", in {}", speaker.voice.unit)
        };
        paragraph(
            &mut out,
            &format!("{}{unit}", capital(&plain(speaker.response))),
            "",
            width,
        );
        for sentence in speaker.answers() {
            paragraph(&mut out, &sentence, "• ", width);
        }
        for table in [speaker.site_by_effect(), speaker.spreads(), speaker.local()]
            .into_iter()
            .flatten()
        {
            out.push('\n');
            grid(&mut out, &table, width);
        }
        if !speaker.found.cannot_tell.is_empty() {
            out.push('\n');
            for sentence in &speaker.found.cannot_tell {
                paragraph(&mut out, sentence, "• ", width);
            }
        }
    }
    if !findings.cautions.is_empty() {
        out.push('\n');
        for sentence in &findings.cautions {
            paragraph(&mut out, sentence, "• ", width);
        }
    }
    let relevant = all
        .iter()
        .find_map(|s| s.found.relevant.map(|r| (r, s.voice.unit.clone())));
    if let Some((size, unit)) = relevant {
        out.push('\n');
        let text = format!(
            "Smallest difference that matters, by the protocol: {}.",
            with_unit(&number::exact(size), &unit)
        );
        paragraph(&mut out, &text, "", width);
    }
    out
}
