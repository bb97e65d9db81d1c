//! Several sites that followed one protocol: what they found together.
//!
//! In:  protocol, site, plan and record of each study. Out: `PoolFindings`, with warnings; or why they cannot be pooled (codes
//!      `A06x`, `A07x`).
//!
//! | file         | what it holds                                                              |
//! |--------------|----------------------------------------------------------------------------|
//! | `quantities` | each effect side by side, over the sites, and site by effect               |
//! | `spreads`    | each unit's spread, local factors, precision with sites as laboratories    |
//! | `criteria`   | replicated, not replicated, undecided                                      |
//! | `findings`   | the findings as data                                                       |
//!
//! Nothing depends on the order in which the studies are named: sites stand in the order in which they began.

mod criteria;
mod findings;
mod quantities;
mod spreads;

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::prelude::ToPrimitive;

use super::fit::Fit;
use super::frame::Frame;
use super::summary;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::plan::Plan;
use crate::protocol::{Protocol, ResponseId, Site};
use crate::record::Record;

pub use findings::*;

/// Most studies that are pooled.
const MOST: usize = 60;

/// One site's study.
#[derive(Debug, Clone, Copy)]
pub struct SiteStudy<'a> {
    /// What to call it where there is no site file; unique among the studies.
    pub folder: &'a str,
    /// The protocol.
    pub protocol: &'a Protocol,
    /// The site file, if there is one.
    pub site: Option<&'a Site>,
    /// The frozen plan; none for an as-run study.
    pub plan: Option<&'a Plan>,
    /// The record.
    pub record: &'a Record,
    /// True if the readings are simulated.
    pub rehearsal: bool,
    /// True while levels are codes.
    pub blinded: bool,
}

impl SiteStudy<'_> {
    /// By what the site is named.
    fn name(&self) -> String {
        match self.site {
            Some(site) if !site.id.is_empty() => site.id.clone(),
            _ => self.folder.to_owned(),
        }
    }

    /// What it is called in sentences.
    fn called(&self) -> String {
        match self.site {
            Some(site) if !site.name.is_empty() => site.name.clone(),
            _ => self.name(),
        }
    }

    /// When it began.
    fn began(&self) -> String {
        let taken = || self.record.files.first().map(|file| file.at.clone());
        self.plan
            .map(|plan| plan.header.frozen_at.clone())
            .or_else(taken)
            .unwrap_or_default()
    }
}

/// What all of the work needs.
struct Pooling<'a> {
    protocol: &'a Protocol,
    names: Vec<String>,
    /// What the sites are called in sentences.
    called: Vec<String>,
    /// Place of the study that the others repeat.
    first: usize,
    confidence: f64,
    relevant: Option<f64>,
}

impl Pooling<'_> {
    fn name(&self, place: usize) -> &str {
        &self.names[place]
    }
}

/// One site's results with their model.
struct Fitted {
    /// Place of the site.
    place: usize,
    frame: Frame,
    fit: Fit,
}

/// Pools studies of one protocol.
///
/// # Errors
///
/// `A060` fewer than two studies, or too many; `A061` different protocols, with what differs; `A062` rehearsals beside measured
/// readings; `A063` a study given twice; `A064` two studies of one site; `A065` a study without a plan; `A066` without readings;
/// `A067` still blinded. `A070` warns of one order used twice.
pub fn pool(studies: &[SiteStudy]) -> Result<(PoolFindings, Diagnostics), Diagnostics> {
    let mut said = fit_together(studies);
    if said.has_errors() {
        return Err(said);
    }
    let mut studies = studies.to_vec();
    studies.sort_by_cached_key(|study| (study.began(), study.name()));
    same_order(&studies, &mut said);
    let protocol = studies[0].protocol;
    let responses = protocol
        .responses
        .iter()
        .enumerate()
        .map(|(index, declared)| (declared.name.clone(), response(protocol, &studies, index)))
        .collect();
    let named = |local: bool| -> Vec<String> {
        (0..protocol.factors.len())
            .filter(|&factor| protocol.is_local(factor) == local)
            .map(|factor| protocol.factors[factor].name.clone())
            .collect()
    };
    let findings = PoolFindings {
        format: POOL_FORMAT.to_owned(),
        study: PoolHead {
            id: protocol.study.id.clone(),
            title: protocol.study.title.clone(),
            version: protocol.study.version.clone(),
            kind: protocol.study.kind.word().to_owned(),
            protocol_sha256: protocol.sha256.clone(),
            rehearsal: studies[0].rehearsal,
            order: if protocol.is_as_run() { "as run" } else { "randomized" }.to_owned(),
            tool: env!("CARGO_PKG_VERSION").to_owned(),
        },
        sites: studies
            .iter()
            .enumerate()
            .map(|(place, study)| site(protocol, study, place == 0))
            .collect(),
        common: named(false),
        local: named(true),
        criteria: protocol
            .replication
            .criteria
            .iter()
            .map(|criterion| criterion.word().to_owned())
            .collect(),
        responses,
        cautions: cautions(protocol, &studies),
    };
    Ok((findings, said))
}

fn site(protocol: &Protocol, study: &SiteStudy, first: bool) -> PooledSite {
    let header = study.plan.map(|plan| &plan.header);
    let of = |text: fn(&crate::plan::PlanHeader) -> &String| header.map(text).cloned().unwrap_or_default();
    PooledSite {
        name: study.called(),
        site: study.name(),
        first,
        began: study.began(),
        site_sha256: study.site.map(|site| site.sha256.clone()).unwrap_or_default(),
        plan_sha256: of(|header| &header.plan_sha256),
        record_sha256: study.record.head.clone(),
        seed: of(|header| &header.seed),
        algorithm: of(|header| &header.algorithm),
        record: summary::summary(protocol, study.plan, study.record),
    }
}

/// Whether the studies can be pooled at all.
fn fit_together(studies: &[SiteStudy]) -> Diagnostics {
    let mut said = Diagnostics::new();
    if studies.len() < 2 || studies.len() > MOST {
        let message = if studies.len() < 2 {
            "one study alone cannot be pooled".to_owned()
        } else {
            format!("{} studies are more than the {MOST} that are pooled", studies.len())
        };
        said.push(
            Diagnostic::error("A060", message).help("name the folders of two studies of one protocol, or of more"),
        );
        return said;
    }
    let first = &studies[0];
    for (place, study) in studies.iter().enumerate() {
        let name = study.folder;
        if study.protocol.sha256 != first.protocol.sha256 {
            said.push(
                Diagnostic::error(
                    "A061",
                    format!(
                        "`{name}` and `{}` did not follow the same protocol: {}",
                        first.folder,
                        what_differs(first.protocol, study.protocol)
                    ),
                )
                .help("only studies of the same protocol, by its hash, are pooled"),
            );
        }
        if study.rehearsal != first.rehearsal {
            said.push(
                Diagnostic::error(
                    "A062",
                    format!(
                        "`{}` is a rehearsal and `{}` was measured",
                        if study.rehearsal { name } else { first.folder },
                        if study.rehearsal { first.folder } else { name },
                    ),
                )
                .help("simulated readings are never pooled with measured ones"),
            );
        }
        if study.plan.is_none() && !study.protocol.is_as_run() {
            said.push(
                Diagnostic::error("A065", format!("`{name}` has no plan yet")).help("freeze one with `wellrun plan`"),
            );
        }
        let any = study
            .record
            .runs
            .values()
            .any(|run| run.readings.iter().flatten().any(Option::is_some));
        if !any {
            said.push(
                Diagnostic::error("A066", format!("`{name}` has no reading on record"))
                    .help("take filled sheets in with `wellrun record`"),
            );
        } else if study.blinded {
            said.push(
                Diagnostic::error("A067", format!("`{name}` is still blinded"))
                    .help("open it with `wellrun record --unblind` when its readings are complete"),
            );
        }
        for earlier in &studies[..place] {
            let other = earlier.folder;
            let same_record = any && study.record.head == earlier.record.head;
            if same_record {
                said.push(
                    Diagnostic::error("A063", format!("`{name}` holds the same record as `{other}`"))
                        .help("name each study once"),
                );
            } else if study.name() == earlier.name() {
                said.push(
                    Diagnostic::error(
                        "A064",
                        format!("`{name}` and `{other}` are both of site `{}`", study.name()),
                    )
                    .help("pooling is over sites; give each site file an `id` of its own, if they are two"),
                );
            }
        }
    }
    said
}

/// What differs first between two protocols, in words.
fn what_differs(one: &Protocol, other: &Protocol) -> String {
    let mut found: Vec<String> = Vec::new();
    let mut differ = |what: &str, a: &str, b: &str| {
        if a != b {
            found.push(format!("{what} {a} against {b}"));
        }
    };
    differ("study", &one.study.id, &other.study.id);
    differ("version", &one.study.version, &other.study.version);
    let names = |list: Vec<&str>| list.join(", ");
    differ(
        "responses",
        &names(one.responses.iter().map(|r| r.name.as_str()).collect()),
        &names(other.responses.iter().map(|r| r.name.as_str()).collect()),
    );
    for response in &one.responses {
        if let Some(same) = other.responses.iter().find(|r| r.name == response.name) {
            differ(&format!("unit of {}", response.name), &response.unit, &same.unit);
            differ(
                &format!("result of {}", response.name),
                response.result.word(),
                same.result.word(),
            );
        }
    }
    differ(
        "factors",
        &names(one.factors.iter().map(|f| f.name.as_str()).collect()),
        &names(other.factors.iter().map(|f| f.name.as_str()).collect()),
    );
    for factor in &one.factors {
        if let Some(same) = other.factors.iter().find(|f| f.name == factor.name) {
            let levels = |f: &crate::protocol::Factor| -> String {
                (0..f.levels.len())
                    .map(|l| f.level(l))
                    .collect::<Vec<String>>()
                    .join(", ")
            };
            let what = if factor.is_numeric() && same.is_numeric() {
                format!("span of {}", factor.name)
            } else {
                format!("levels of {}", factor.name)
            };
            differ(&what, &levels(factor), &levels(same));
        }
    }
    if found.is_empty() {
        format!(
            "their texts differ (hash {} against {})",
            one.sha256.get(..12).unwrap_or_default(),
            other.sha256.get(..12).unwrap_or_default()
        )
    } else {
        found.truncate(4);
        found.join("; ")
    }
}

/// Warns of an order that was used twice: what goes with the order repeats as well, and looks like a finding.
fn same_order(studies: &[SiteStudy], said: &mut Diagnostics) {
    for (place, study) in studies.iter().enumerate() {
        for earlier in &studies[..place] {
            let (Some(one), Some(other)) = (study.plan, earlier.plan) else {
                continue;
            };
            let same = one.runs.len() == other.runs.len()
                && one
                    .runs
                    .iter()
                    .zip(&other.runs)
                    .all(|(a, b)| a.levels == b.levels && a.units == b.units);
            if same {
                said.push(
                    Diagnostic::warning(
                        "A070",
                        format!("`{}` and `{}` were run in the same order", earlier.name(), study.name()),
                    )
                    .help(
                        "what drifts along the order does so at both and looks like an effect that was repeated; let each \
                         site draw its own",
                    ),
                );
            }
        }
    }
}

/// What to bear in mind about the sites.
fn cautions(protocol: &Protocol, studies: &[SiteStudy]) -> Vec<String> {
    let mut found = Vec::new();
    if studies.len() == 2 {
        found.push(
            "Two sites cannot stand for all sites: what is said holds for these two, and how far a third would lie from them \
             is not known."
                .to_owned(),
        );
    } else if studies.len() < 5 {
        found.push(format!(
            "With {} sites the spread between sites is known so badly that intervals for other sites are very wide. That is \
             the honest answer, not a fault.",
            studies.len()
        ));
    }
    let mut warned = Diagnostics::new();
    same_order(studies, &mut warned);
    if !warned.is_empty() {
        found.push(
            "Two sites ran in the same order: what drifts along it does so at both, and looks like an effect that was \
             repeated."
                .to_owned(),
        );
    }
    // The same thing behind a level at two sites makes them look more alike than they are.
    let mut seen: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for study in studies {
        for named in study.site.iter().flat_map(|site| &site.named) {
            let factor = &protocol.factors[named.factor];
            if protocol.is_local(named.factor) && !named.serial.is_empty() {
                seen.entry(format!("{} {}", factor.name.replace('_', " "), named.serial))
                    .or_default()
                    .insert(study.called());
            }
        }
    }
    for (thing, sites) in seen.iter().filter(|(_, sites)| sites.len() > 1) {
        let sites: Vec<&str> = sites.iter().map(String::as_str).collect();
        found.push(format!(
            "The same {thing} was used at {}: these sites look more alike than sites with things of their own.",
            sites.join(" and ")
        ));
    }
    let open: Vec<String> = studies
        .iter()
        .filter(|study| study.record.closed.is_none())
        .map(SiteStudy::called)
        .collect();
    if !open.is_empty() && !protocol.is_as_run() {
        found.push(format!(
            "The record is still open at {}: readings may be added, and whoever adds them may have seen what is said here.",
            open.join(", ")
        ));
    }
    let apart: Vec<String> = studies
        .iter()
        .filter(|study| !study.record.deviations.is_empty())
        .map(|study| format!("{} ({})", study.called(), study.record.deviations.len()))
        .collect();
    if !apart.is_empty() {
        found.push(format!(
            "Departures from the protocol are on record at {}; they are counted in here all the same.",
            apart.join(", ")
        ));
    }
    found
}

fn response(protocol: &Protocol, studies: &[SiteStudy], response: ResponseId) -> PooledResponse {
    let declared = &protocol.responses[response];
    let pooling = Pooling {
        protocol,
        names: studies.iter().map(SiteStudy::name).collect(),
        called: studies.iter().map(SiteStudy::called).collect(),
        first: 0,
        confidence: protocol.analysis.confidence,
        relevant: declared.relevant.and_then(|r| r.to_f64()),
    };
    let mut cannot_tell = Vec::new();
    let mut runs = BTreeMap::new();
    let mut sites = Vec::new();
    for (place, study) in studies.iter().enumerate() {
        let frame = Frame::gather(protocol, study.plan, study.record, response);
        runs.insert(pooling.name(place).to_owned(), frame.rows.len());
        match Fit::new(protocol, &frame, &declared.name) {
            Ok(fit) => sites.push(Fitted { place, frame, fit }),
            Err(why) => cannot_tell.push(format!("{} is left out: {why}", pooling.called[place])),
        }
    }
    let mut found = PooledResponse {
        unit: declared.unit.clone(),
        statistic: declared.result.word().to_owned(),
        confidence: pooling.confidence,
        relevant: pooling.relevant,
        method: "none".to_owned(),
        runs,
        level: None,
        effects: Vec::new(),
        site_by_effect: Vec::new(),
        spreads: Vec::new(),
        local: Vec::new(),
        precision: Vec::new(),
        precision_study: None,
        cannot_tell,
    };
    if sites.len() < 2 {
        found
            .cannot_tell
            .push("Fewer than two sites can be analysed, so nothing is pooled.".to_owned());
        return found;
    }
    "site, effects and site by effect fixed; local levels within the site; every site with spreads of its own"
        .clone_into(&mut found.method);
    found.level = quantities::level(&pooling, &sites);
    found.effects = quantities::effects(&pooling, &sites);
    found.site_by_effect = quantities::site_by_effect(&pooling, &sites);
    found.spreads = spreads::spreads(&pooling, &sites);
    found.local = spreads::local(&pooling, &sites, &mut found.cannot_tell);
    if let Some((study, levels)) = spreads::between_laboratories(&pooling, response, &sites, &mut found.cannot_tell) {
        found.precision_study = Some(study);
        found.precision = levels;
    }
    untold(protocol, &mut found);
    found
}

/// What the numbers do not say, for people.
fn untold(protocol: &Protocol, found: &mut PooledResponse) {
    if found.effects.is_empty() {
        found
            .cannot_tell
            .push("No effect means the same at every site, so there is none to pool.".to_owned());
    }
    if protocol.replication.criteria.is_empty() {
        found.cannot_tell.push(
            "The protocol declared no criteria beforehand, so there is no verdict on replication: read the intervals."
                .to_owned(),
        );
    }
    // An effect that several numbers tell only together has a test and no row of its own.
    let joint: Vec<String> = found
        .site_by_effect
        .iter()
        .filter(|line| {
            line.planned && !found.effects.iter().any(|q| q.factors.join(" × ") == line.term) && line.f.is_some()
        })
        .map(|line| line.term.clone())
        .collect();
    if !joint.is_empty() {
        found.cannot_tell.push(format!(
            "{} takes several numbers at once: whether it is the same at every site is tested, and no single number is pooled.",
            joint.join(", ")
        ));
    }
    let mixed = found
        .local
        .iter()
        .filter(|l| l.factors.iter().any(|f| !protocol_local(protocol, f)))
        .filter(|l| l.p.is_some_and(|p| p < 0.05))
        .map(|l| l.term.clone())
        .collect::<Vec<String>>();
    if !mixed.is_empty() {
        found.cannot_tell.push(format!(
            "{} changes by more than chance within sites: the intervals of the common effects hold for the local levels that \
             were used, and others may give other effects.",
            mixed.join(", ")
        ));
    }
}

fn protocol_local(protocol: &Protocol, name: &str) -> bool {
    let factor = protocol.factors.iter().position(|factor| factor.name == name);
    factor.is_some_and(|factor| protocol.is_local(factor))
}

/// JSON Schema of the pooled findings.
#[must_use]
pub fn pool_schema() -> serde_json::Value {
    schemars::schema_for!(PoolFindings).to_value()
}
