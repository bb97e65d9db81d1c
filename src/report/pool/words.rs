//! Pooled findings as plain sentences.
//!
//! In:  a `PooledQuantity`, and the `Speaker` that names sites and numbers.
//! Out: sentences. 'The sites differ' where a test with each site's own error says so; 'agree' only where every interval of a
//!      difference lies within what matters; 'neither shown nor ruled out' else. No mean over a population of sites is told of two.

use crate::analysis::{
    Consistency, PoolFindings, PooledQuantity, PooledResponse, QuantityKind, Repeated, SiteDifference, SiteNumber,
    Verdict,
};

use super::super::number::{self, Place, fixed, p_equals, significant, with_unit};
use super::super::words::{Voice, capital, listed, place, plain, several, spelled};

/// Below this p-value the sites are said to differ.
const APART: f64 = 0.05;

/// How several sites stand to one another in one quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    /// Their errors do not account for the scatter.
    Differ,
    /// Every difference is smaller than what matters, by two one-sided tests.
    Agree,
    /// Neither.
    Open,
    /// No error can be told.
    Unknown,
}

/// What scatters, in words: `Readings within a run`, `Sessions`.
pub(super) fn scattered(unit: &str) -> String {
    if unit == "reading" {
        "Readings within a run".to_owned()
    } else {
        capital(&several(&plain(unit)))
    }
}

/// Names sites, quantities and numbers.
pub(super) struct Speaker<'a> {
    pub findings: &'a PoolFindings,
    pub found: &'a PooledResponse,
    /// The response.
    pub response: &'a str,
    pub voice: Voice,
}

impl Speaker<'_> {
    /// A site as people call it.
    pub(super) fn site(&self, id: &str) -> String {
        let site = self.findings.sites.iter().find(|site| site.site == id);
        site.map_or_else(|| id.to_owned(), |site| site.name.clone())
    }

    /// What a quantity is, in a few words: `finish polished against turned`.
    pub(super) fn phrase(&self, quantity: &PooledQuantity) -> String {
        let text = |list: &[String], place: usize| list.get(place).cloned().unwrap_or_default();
        let name = |place: usize| plain(&text(&quantity.factors, place));
        match (quantity.kind, quantity.factors.len()) {
            (QuantityKind::Level, _) => format!("mean of all results of {}", plain(self.response)),
            (QuantityKind::Difference, _) => format!(
                "{} {} against {}",
                name(0),
                text(&quantity.to, 0),
                text(&quantity.from, 0)
            ),
            (QuantityKind::Change, _) => format!(
                "{} from {} to {}",
                name(0),
                text(&quantity.from, 0),
                text(&quantity.to, 0)
            ),
            (QuantityKind::Interaction, 2) => format!(
                "effect of {} ({} to {}) at {} {}, less that at {}",
                name(0),
                text(&quantity.from, 0),
                text(&quantity.to, 0),
                name(1),
                text(&quantity.to, 1),
                text(&quantity.from, 1)
            ),
            (QuantityKind::Interaction, _) => {
                let names: Vec<String> = quantity.factors.iter().map(|f| plain(f)).collect();
                format!("interaction of {}", listed(&names))
            }
        }
    }

    /// Digits for a quantity: those of the best known of its numbers.
    pub(super) fn place(quantity: &PooledQuantity) -> Place {
        let errors = quantity.sites.iter().filter_map(|site| site.standard_error);
        let least = errors.reduce(f64::min);
        let value = quantity.sites.iter().find_map(|site| site.estimate).unwrap_or(0.0);
        place(value, least)
    }

    /// `−1.02 (−1.30 to −0.74)`.
    pub(super) fn interval(value: f64, ends: Option<(f64, f64)>, place: Place) -> String {
        match ends {
            Some((low, high)) => format!("{} ({})", fixed(value, place), Voice::interval(low, high, place)),
            None => format!("{} (no interval)", fixed(value, place)),
        }
    }

    pub(super) fn number(site: &SiteNumber, place: Place) -> String {
        site.estimate.map_or_else(
            || "cannot be told".to_owned(),
            |value| Self::interval(value, site.low.zip(site.high), place),
        )
    }

    /// How the sites stand to one another.
    pub(super) fn standing(&self, quantity: &PooledQuantity) -> Standing {
        let Some(agreement) = &quantity.agreement else {
            return Standing::Unknown;
        };
        if agreement.p < APART {
            return Standing::Differ;
        }
        let within =
            |difference: &SiteDifference, size: f64| difference.inner_low > -size && difference.inner_high < size;
        match self.found.relevant {
            Some(size) if quantity.differences.iter().all(|d| within(d, size)) => Standing::Agree,
            _ => Standing::Open,
        }
    }

    fn matters(&self) -> String {
        self.found
            .relevant
            .map_or_else(String::new, |size| with_unit(&number::exact(size), &self.voice.unit))
    }

    /// The answer in a line: the title of the figure.
    pub(super) fn answer(&self, quantity: &PooledQuantity) -> String {
        let phrase = capital(&self.phrase(quantity));
        let place = Self::place(quantity);
        let value = |v: f64| with_unit(&fixed(v, place), &self.voice.unit);
        let each: Vec<String> = quantity
            .sites
            .iter()
            .filter_map(|site| Some(format!("{} at {}", fixed(site.estimate?, place), self.site(&site.site))))
            .collect();
        let many = quantity.sites.len();
        match (self.standing(quantity), many) {
            (Standing::Unknown, _) => format!("{phrase}: {}; how certain, cannot be told", listed(&each)),
            (Standing::Differ, 2) => format!("{phrase}: the sites differ, {}", listed(&each)),
            (Standing::Agree, 2) => match &quantity.these_sites {
                Some(mean) => format!(
                    "{phrase}: {} for these two sites, which agree to within {}",
                    value(mean.estimate),
                    self.matters()
                ),
                None => format!("{phrase}: the sites agree to within {}", self.matters()),
            },
            (Standing::Open, 2) => format!(
                "{phrase}: {}; a difference between them is neither shown nor ruled out",
                listed(&each)
            ),
            (standing, _) => {
                let Some(random) = &quantity.random else {
                    return format!("{phrase}: {}", listed(&each));
                };
                let mean = format!(
                    "{} over sites like these ({})",
                    value(random.estimate),
                    Voice::interval(random.low, random.high, place)
                );
                match standing {
                    Standing::Differ => format!("{phrase}: {mean}; the sites differ"),
                    Standing::Agree => format!("{phrase}: {mean}; the sites agree to within {}", self.matters()),
                    _ => format!("{phrase}: {mean}; no difference between the sites is told"),
                }
            }
        }
    }

    /// What the sites found, what they say together, and whether it was repeated.
    pub(super) fn sentences(&self, quantity: &PooledQuantity) -> Vec<String> {
        let mut said = Vec::new();
        let place = Self::place(quantity);
        let each: Vec<String> = quantity
            .sites
            .iter()
            .map(|site| format!("{} at {}", Self::number(site, place), self.site(&site.site)))
            .collect();
        let unit = match self.voice.unit.as_str() {
            "" => String::new(),
            unit => format!(", in {unit}"),
        };
        said.push(format!("{}: {}{unit}.", capital(&self.phrase(quantity)), listed(&each)));
        said.extend(self.between(quantity, place));
        said.extend(self.together(quantity, place));
        said.extend(Self::repeated(quantity));
        said
    }

    fn between(&self, quantity: &PooledQuantity, place: Place) -> Option<String> {
        let agreement = quantity.agreement.as_ref()?;
        let p = p_equals(agreement.p);
        if let [only] = quantity.differences.as_slice() {
            let apart = format!(
                "{} less {}: {}",
                self.site(&only.to),
                self.site(&only.from),
                Self::interval(only.difference, Some((only.low, only.high)), place)
            );
            return Some(match self.standing(quantity) {
                Standing::Differ => format!("The sites differ ({apart}; {p})."),
                Standing::Agree => format!(
                    "The sites agree to within {} ({apart}; {} interval {}).",
                    self.matters(),
                    number::confidence(2.0 * self.voice.confidence - 1.0),
                    Voice::interval(only.inner_low, only.inner_high, place)
                ),
                _ => format!("A difference between the sites is neither shown nor ruled out ({apart}; {p})."),
            });
        }
        let spread = quantity.random.as_ref().map(|random| {
            format!(
                "standard deviation between sites {} ({})",
                fixed(random.between_sd, place),
                Voice::interval(random.between_low, random.between_high, place)
            )
        });
        let spread = spread.map_or_else(String::new, |spread| format!("; {spread}"));
        Some(match self.standing(quantity) {
            Standing::Differ => format!("The sites differ ({p}{spread})."),
            Standing::Agree => format!("Any two sites agree to within {} ({p}{spread}).", self.matters()),
            _ => format!("No difference between the sites is told, nor ruled out ({p}{spread})."),
        })
    }

    fn together(&self, quantity: &PooledQuantity, place: Place) -> Option<String> {
        if let Some(random) = &quantity.random {
            return Some(format!(
                "Over sites like these: {}.{} A further site is expected to lie between {} and {}.",
                Self::interval(random.estimate, Some((random.low, random.high)), place),
                self.verdict(quantity, random.verdict),
                fixed(random.further_low, place),
                fixed(random.further_high, place)
            ));
        }
        let these = quantity.these_sites.as_ref()?;
        // A mean of sites that differ describes none of them.
        if self.standing(quantity) == Standing::Differ {
            return None;
        }
        Some(format!(
            "Mean of these {} sites: {}.{}",
            spelled(quantity.sites.len()).to_lowercase(),
            Self::interval(these.estimate, Some((these.low, these.high)), place),
            self.verdict(quantity, these.verdict)
        ))
    }

    fn verdict(&self, quantity: &PooledQuantity, verdict: Option<Verdict>) -> String {
        if quantity.kind == QuantityKind::Level {
            return String::new();
        }
        let size = self.matters();
        match verdict {
            Some(Verdict::Matters) => format!(" That is more than the {size} that matter."),
            Some(Verdict::DoesNotMatter) => format!(" That is less than the {size} that matter."),
            Some(Verdict::Undecided) => format!(" Whether it reaches the {size} that matter is undecided."),
            None => String::new(),
        }
    }

    /// Whether it was repeated, with the reason if not.
    pub(super) fn repeated(quantity: &PooledQuantity) -> Option<String> {
        let found = quantity.replication.as_ref()?;
        let reasons = |outcome: Consistency| -> Vec<String> {
            let mut all: Vec<String> = Vec::new();
            for criterion in found.criteria.iter().filter(|c| c.outcome == outcome) {
                let why = criterion.why.trim_end_matches('.').to_owned();
                if !all.contains(&why) {
                    all.push(why);
                }
            }
            all
        };
        Some(match found.verdict {
            Repeated::Replicated => "By the criteria declared beforehand: replicated.".to_owned(),
            Repeated::NotReplicated => format!(
                "By the criteria declared beforehand: not replicated. {}.",
                reasons(Consistency::Inconsistent).join(". ")
            ),
            Repeated::Undecided => format!(
                "By the criteria declared beforehand: undecided. {}.",
                reasons(Consistency::Undecided).join(". ")
            ),
        })
    }

    /// The answers at the head: every planned effect, and the level.
    pub(super) fn answers(&self) -> Vec<String> {
        let mut said = Vec::new();
        let count = |verdict: Repeated| {
            let all = self.found.effects.iter().filter_map(|q| q.replication.as_ref());
            all.filter(|r| r.verdict == verdict).count()
        };
        let judged = [Repeated::Replicated, Repeated::NotReplicated, Repeated::Undecided].map(count);
        if judged.iter().sum::<usize>() > 0 {
            let parts: Vec<String> = [
                (judged[0], "replicated"),
                (judged[1], "not replicated"),
                (judged[2], "undecided"),
            ]
            .into_iter()
            .filter(|(many, _)| *many > 0)
            .map(|(many, word)| format!("{many} {word}"))
            .collect();
            said.push(format!(
                "Findings judged by the criteria that the protocol declared beforehand: {}.",
                listed(&parts)
            ));
        }
        for quantity in self.found.effects.iter().filter(|q| q.planned) {
            said.push(self.sentences(quantity).join(" "));
        }
        if let Some(level) = &self.found.level {
            said.push(self.sentences(level).join(" "));
        }
        for spread in self.found.spreads.iter().filter(|s| s.same == Some(false)) {
            let each: Vec<String> = spread
                .sites
                .iter()
                .filter_map(|s| {
                    let deviation = significant(s.standard_deviation?, 2);
                    Some(format!("{deviation} at {}", self.site(&s.site)))
                })
                .collect();
            said.push(format!(
                "{} do not scatter alike at the sites; standard deviations {}.",
                scattered(&spread.unit),
                listed(&each)
            ));
        }
        if said.is_empty() {
            said.push("The readings at hand answer none of the planned questions over the sites.".to_owned());
            said.extend(self.found.cannot_tell.iter().cloned());
        }
        said
    }
}
