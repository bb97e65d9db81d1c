//! The tables of a pooled report, and the figure of each quantity.
//!
//! In:  pooled findings, and the `Speaker` that names things. Out: tables and pictures; nothing is estimated.

use crate::analysis::{Consistency, PooledQuantity, QuantityKind, Repeated};
use crate::chart::{Head, SiteRow, SiteRowKind, SitesChart};

use super::super::document::{Cell, Picture, Table};
use super::super::figures::{picture, quantity as named};
use super::super::number::{self, degrees, fixed, p_value, percent, significant, with_unit};
use super::super::words::{Voice, capital, listed, plain};
use super::words::{Speaker, Standing, scattered};

fn df(value: Option<f64>) -> Cell {
    Cell::maybe(value.filter(|df| df.is_finite()), degrees)
}

impl Speaker<'_> {
    fn file(&self, what: &str) -> String {
        format!("{}-{what}", self.response)
    }

    /// The figure of one quantity: the sites, what they say together, what is expected of a further one.
    pub(super) fn figure(&self, quantity: &PooledQuantity) -> Option<Picture> {
        if quantity.sites.iter().all(|site| site.estimate.is_none()) {
            return None;
        }
        let place = Self::place(quantity);
        let mut rows: Vec<SiteRow> = quantity
            .sites
            .iter()
            .filter(|site| site.estimate.is_some())
            .map(|site| SiteRow {
                label: self.site(&site.site),
                text: Self::number(site, place),
                estimate: site.estimate,
                interval: site.low.zip(site.high),
                kind: SiteRowKind::Site,
            })
            .collect();
        let mut row = |label: String, estimate: Option<f64>, low: f64, high: f64| {
            rows.push(SiteRow {
                label,
                text: match estimate {
                    Some(value) => Self::interval(value, Some((low, high)), place),
                    None => Voice::interval(low, high, place),
                },
                estimate,
                interval: Some((low, high)),
                kind: match estimate {
                    Some(_) => SiteRowKind::Together,
                    None => SiteRowKind::Expected,
                },
            });
        };
        let mut caption = format!("Dots: each site's estimate; lines: {}.", self.voice.interval_name());
        let standing = self.standing(quantity);
        if let Some(random) = &quantity.random {
            row(
                "Mean over sites like these".to_owned(),
                Some(random.estimate),
                random.low,
                random.high,
            );
            row(
                "Expected of a further site".to_owned(),
                None,
                random.further_low,
                random.further_high,
            );
            caption.push_str(
                " Diamond: the mean over sites like these, of which these are taken as drawn at random. Dashed: where the \
                 true value of a further site is expected; an arrow says that it reaches farther.",
            );
        } else {
            if let Some(these) = quantity.these_sites.as_ref().filter(|_| standing != Standing::Differ) {
                row(
                    "Mean of these two sites".to_owned(),
                    Some(these.estimate),
                    these.low,
                    these.high,
                );
                caption.push_str(" Diamond: the plain mean of these two sites; it says nothing of a third.");
            }
            let expected = quantity
                .replication
                .iter()
                .flat_map(|found| &found.criteria)
                .find_map(|criterion| {
                    (criterion.criterion == "within prediction").then_some(criterion.low.zip(criterion.high))
                })
                .flatten();
            if let Some((low, high)) = expected {
                let first = self.findings.sites.iter().find(|site| site.first);
                row(
                    format!("Expected from {}", first.map_or("the first", |site| &site.name)),
                    None,
                    low,
                    high,
                );
                caption.push_str(
                    " Dashed: where the first site lets expect the second one, the errors of both counted; an arrow says \
                     that it reaches farther.",
                );
            }
        }
        let is_level = quantity.kind == QuantityKind::Level;
        if !is_level {
            caption.push_str(" A line that crosses zero leaves the direction undecided.");
        }
        let relevant = self.found.relevant.filter(|_| !is_level).map(|size| {
            caption.push_str(" Shaded: too small to matter in use, by the protocol.");
            let text = with_unit(&number::exact(size), &self.voice.unit);
            (size, format!("shaded: less than the {text} that matter"))
        });
        let title = self.answer(quantity);
        let spoken: Vec<String> = rows.iter().map(|row| format!("{}: {}", row.label, row.text)).collect();
        let of = named(self.response, &self.voice);
        let chart = SitesChart {
            axis: match quantity.kind {
                QuantityKind::Level => capital(&of),
                QuantityKind::Interaction => format!("difference of changes of {of}"),
                _ => format!("change of {of}"),
            },
            rows,
            zero: !is_level,
            relevant,
        };
        let head = Head {
            name: self.file(&quantity.name.replace('_', "-")),
            description: format!(
                "{title}. {} by site, with intervals. {}.",
                capital(&of),
                spoken.join("; ")
            ),
            title,
        };
        Some(picture(chart.draw(&head), caption))
    }

    /// Every quantity at every site and over them.
    pub(super) fn effects(&self) -> Option<Table> {
        let quantities: Vec<&PooledQuantity> = self.found.level.iter().chain(&self.found.effects).collect();
        let mut table = Table::new(
            self.file("sites"),
            format!(
                "{} at each site, and over the sites",
                capital(&named(self.response, &self.voice))
            ),
            &[
                "Of",
                ">Estimate",
                ">Standard error",
                ">Degrees of freedom",
                ">Lower end",
                ">Upper end",
                "Against what matters",
            ],
        );
        for quantity in quantities {
            let place = Self::place(quantity);
            let show = |v: f64| fixed(v, place);
            let error = |v: Option<f64>| Cell::maybe(v, |v| significant(v, 2));
            let line = |name: &str,
                        estimate: Option<f64>,
                        standard_error: Option<f64>,
                        own_df: Option<f64>,
                        ends: (Option<f64>, Option<f64>),
                        verdict: Option<crate::analysis::Verdict>| {
                vec![
                    Cell::words(name),
                    Cell::maybe(estimate, show),
                    error(standard_error),
                    df(own_df),
                    Cell::maybe(ends.0, show),
                    Cell::maybe(ends.1, show),
                    Cell::words(verdict.map_or("–", super::verdict_word)),
                ]
            };
            let mut rows: Vec<Vec<Cell>> = quantity
                .sites
                .iter()
                .map(|site| {
                    line(
                        &self.site(&site.site),
                        site.estimate,
                        site.standard_error,
                        site.df,
                        (site.low, site.high),
                        site.verdict,
                    )
                })
                .collect();
            for difference in quantity.differences.iter().filter(|_| quantity.differences.len() < 11) {
                rows.push(line(
                    &format!("{} less {}", self.site(&difference.to), self.site(&difference.from)),
                    Some(difference.difference),
                    Some(difference.standard_error),
                    Some(difference.df),
                    (Some(difference.low), Some(difference.high)),
                    None,
                ));
            }
            for (name, mean) in [
                ("Plain mean of these sites", &quantity.these_sites),
                ("Mean weighted by precision", &quantity.weighted),
            ] {
                if let Some(mean) = mean {
                    rows.push(line(
                        name,
                        Some(mean.estimate),
                        Some(mean.standard_error),
                        Some(mean.df),
                        (Some(mean.low), Some(mean.high)),
                        mean.verdict,
                    ));
                }
            }
            if let Some(random) = &quantity.random {
                rows.push(line(
                    "Mean over sites like these",
                    Some(random.estimate),
                    Some(random.standard_error),
                    Some(random.df),
                    (Some(random.low), Some(random.high)),
                    random.verdict,
                ));
                rows.push(line(
                    "Expected of a further site",
                    None,
                    None,
                    Some(random.df - 1.0),
                    (Some(random.further_low), Some(random.further_high)),
                    None,
                ));
            }
            let title = if quantity.planned || quantity.kind == QuantityKind::Level {
                capital(&self.phrase(quantity))
            } else {
                format!("{} (exploratory)", capital(&self.phrase(quantity)))
            };
            table = table.group(&title, rows);
        }
        let many = if self.found.effects.iter().any(|q| q.differences.len() > 1) {
            " Differences between sites are given each alone."
        } else {
            ""
        };
        (!table.groups.is_empty()).then(|| {
            table.remark(format!(
                "Ends of {}s. Each site's error comes from its own spread. The plain mean describes these sites; the one \
                 weighted by precision is the best guess of one true value, if the sites share one.{many}",
                self.voice.interval_name()
            ))
        })
    }

    /// Does each effect change from site to site?
    pub(super) fn site_by_effect(&self) -> Option<Table> {
        let rows: Vec<Vec<Cell>> = self
            .found
            .site_by_effect
            .iter()
            .map(|line| {
                let ratio = |v: Option<f64>| Cell::maybe(v, |v| significant(v, 3));
                vec![
                    Cell::words(capital(&plain(&line.term))),
                    Cell::words(plain(&line.judged_against)),
                    df(Some(line.df)),
                    ratio(line.f),
                    df(line.denominator_df),
                    Cell::maybe(line.p, p_value),
                    df(line.denominator_df_one_spread),
                    Cell::maybe(line.p_one_spread, p_value),
                ]
            })
            .collect();
        let notes: Vec<String> = self
            .found
            .site_by_effect
            .iter()
            .filter_map(|line| Some(format!("{}: {}.", capital(&plain(&line.term)), line.note.as_ref()?)))
            .collect();
        let table = Table::new(
            self.file("site-by-effect"),
            "Does each effect change from site to site?",
            &[
                "Effect",
                "Judged against, within sites",
                ">Degrees of freedom",
                ">Variance ratio",
                ">Its degrees of freedom",
                ">p-value, each site its own spread",
                ">Degrees of freedom, one spread",
                ">p-value, one spread",
            ],
        )
        .group("", rows);
        (!table.groups.is_empty()).then(|| {
            table.remark(
                format!(
                    "A small p-value says that the effect is not the same at every site; a large one does not say that it is. \
                     The column for each site's own spread counts; the other one assumes a single spread. {}",
                    notes.join(" ")
                )
                .trim_end()
                .to_owned(),
            )
        })
    }

    /// Do the sites agree, in numbers?
    pub(super) fn heterogeneity(&self) -> Option<Table> {
        if self.findings.sites.len() < 3 {
            return None;
        }
        let rows: Vec<Vec<Cell>> = self
            .found
            .level
            .iter()
            .chain(&self.found.effects)
            .filter_map(|quantity| {
                let (agreement, random) = quantity.agreement.as_ref().zip(quantity.random.as_ref())?;
                let place = Self::place(quantity);
                Some(vec![
                    Cell::words(capital(&self.phrase(quantity))),
                    Cell::count(quantity.sites.len()),
                    Cell::number(p_value(agreement.p), agreement.p),
                    Cell::number(significant(agreement.q, 3), agreement.q),
                    Cell::number(p_value(agreement.q_p), agreement.q_p),
                    Cell::number(percent(agreement.share_beyond_error), agreement.share_beyond_error),
                    Cell::number(fixed(random.between_sd, place), random.between_sd),
                    Cell::number(fixed(random.between_low, place), random.between_low),
                    Cell::number(fixed(random.between_high, place), random.between_high),
                ])
            })
            .collect();
        let table = Table::new(
            self.file("between-sites"),
            "How far the sites scatter",
            &[
                "Of",
                ">Sites",
                ">p-value (Welch)",
                ">Q",
                ">p-value of Q",
                ">Share beyond error (I²)",
                ">Standard deviation between sites (τ)",
                ">Lower end",
                ">Upper end",
            ],
        )
        .group("", rows);
        (!table.groups.is_empty()).then(|| {
            table.remark(
                "Q takes the errors of the sites as known, and is too eager where they rest on few degrees of freedom; Welch's \
                 test does not. I² grows with the precision of the sites: it is no size. The size is τ, in the unit of the \
                 response.",
            )
        })
    }

    /// What other ways give, and what is left without each site.
    pub(super) fn robust(&self) -> Vec<Table> {
        let mut tables = Vec::new();
        let mut ways = Table::new(
            self.file("ways"),
            "The mean over sites like these, by three ways to estimate the spread between them",
            &[
                "Way",
                ">Standard deviation between sites",
                ">Mean",
                ">Plain standard error",
                ">Standard error by Hartung and Knapp",
                ">Lower end",
                ">Upper end",
            ],
        );
        let mut without = Table::new(
            self.file("without"),
            "The mean without each site in turn",
            &["Without", ">Mean of the others", ">Lower end", ">Upper end"],
        );
        for quantity in self.found.level.iter().chain(&self.found.effects) {
            let Some(random) = &quantity.random else { continue };
            let place = Self::place(quantity);
            let show = |v: f64| Cell::number(fixed(v, place), v);
            let error = |v: f64| Cell::number(significant(v, 2), v);
            let title = capital(&self.phrase(quantity));
            let mut rows = vec![vec![
                Cell::words(random.method.as_str()),
                show(random.between_sd),
                show(random.estimate),
                error(random.plain_error),
                error(random.scatter_error),
                show(random.low),
                show(random.high),
            ]];
            rows.extend(random.others.iter().map(|other| {
                vec![
                    Cell::words(capital(&other.method)),
                    show(other.between_sd),
                    show(other.estimate),
                    error(other.plain_error),
                    error(other.scatter_error),
                    show(other.low),
                    show(other.high),
                ]
            }));
            ways = ways.group(&title, rows);
            without = without.group(
                &title,
                quantity
                    .without
                    .iter()
                    .map(|left| {
                        vec![
                            Cell::words(self.site(&left.site)),
                            show(left.estimate),
                            show(left.low),
                            show(left.high),
                        ]
                    })
                    .collect(),
            );
        }
        if !ways.groups.is_empty() {
            tables.push(ways.remark(
                "Intervals use the larger of the two standard errors, and t on one degree of freedom less than there are sites.",
            ));
        }
        if !without.groups.is_empty() {
            let remark = if self.findings.sites.len() == 3 {
                "With two sites left it is their plain mean. A site is never left out of the results above."
            } else {
                "A site is never left out of the results above."
            };
            tables.push(without.remark(remark));
        }
        tables
    }

    /// The criteria, one by one.
    pub(super) fn criteria(&self) -> Option<Table> {
        let mut table = Table::new(
            self.file("replication"),
            "Were the findings of the first site repeated?",
            &["Criterion", "Further site", "Outcome", "Why"],
        );
        for quantity in &self.found.effects {
            let Some(found) = &quantity.replication else { continue };
            let rows = found
                .criteria
                .iter()
                .map(|criterion| {
                    vec![
                        Cell::words(capital(&criterion.criterion)),
                        Cell::words(self.site(&criterion.site)),
                        Cell::words(match criterion.outcome {
                            Consistency::Consistent => "consistent",
                            Consistency::Inconsistent => "inconsistent",
                            Consistency::Undecided => "undecided",
                        }),
                        Cell::words(criterion.why.trim_end_matches('.')),
                    ]
                })
                .collect();
            let verdict = match found.verdict {
                Repeated::Replicated => "replicated",
                Repeated::NotReplicated => "not replicated",
                Repeated::Undecided => "undecided",
            };
            table = table.group(&format!("{}: {verdict}", capital(&self.phrase(quantity))), rows);
        }
        (!table.groups.is_empty()).then(|| {
            table.remark(
                "Replicated: every criterion holds at every further site. Not replicated: one does not. Undecided: the readings \
                 leave it open, which is no failure to repeat.",
            )
        })
    }

    /// The spread of every unit at every site.
    pub(super) fn spreads(&self) -> Option<Table> {
        let mut table = Table::new(
            self.file("spreads"),
            "Standard deviations at each site",
            &[
                "Site",
                ">Standard deviation",
                ">Degrees of freedom",
                ">Lower end",
                ">Upper end",
            ],
        );
        for spread in &self.found.spreads {
            let show = |v: f64| significant(v, 3);
            let mut rows: Vec<Vec<Cell>> = spread
                .sites
                .iter()
                .map(|site| {
                    vec![
                        Cell::words(self.site(&site.site)),
                        Cell::maybe(site.standard_deviation, show),
                        df(site.df),
                        Cell::maybe(site.low, show),
                        Cell::maybe(site.high, show),
                    ]
                })
                .collect();
            if let Some(pooled) = &spread.pooled {
                let name = match spread.same {
                    Some(false) => "All sites together (they do not share it)",
                    _ => "All sites together",
                };
                rows.push(vec![
                    Cell::words(name),
                    Cell::number(show(pooled.standard_deviation), pooled.standard_deviation),
                    df(Some(pooled.df)),
                    Cell::number(show(pooled.low), pooled.low),
                    Cell::number(show(pooled.high), pooled.high),
                ]);
            }
            let what = if spread.unit == "reading" {
                scattered(&spread.unit)
            } else {
                format!("{}, after the effects", scattered(&spread.unit))
            };
            let test = match (spread.statistic, spread.p) {
                (Some(statistic), Some(p)) => format!(
                    "{what}; one spread for all sites? {} {}, {}",
                    spread.test,
                    significant(statistic, 3),
                    number::p_equals(p)
                ),
                _ => what,
            };
            table = table.group(&test, rows);
        }
        (!table.groups.is_empty()).then(|| {
            table.remark(
                "Repeatability is the spread of readings within a run. Of a unit: the spread of its means, everything within it \
                 included. The test for one spread is weak with few degrees of freedom: look at the numbers too.",
            )
        })
    }

    /// What local levels bring.
    pub(super) fn local(&self) -> Option<Table> {
        let rows: Vec<Vec<Cell>> = self
            .found
            .local
            .iter()
            .map(|line| {
                let show = |v: f64| significant(v, 3);
                vec![
                    Cell::words(capital(&plain(&line.term))),
                    df(Some(line.df)),
                    Cell::maybe(line.f, show),
                    df(line.denominator_df),
                    Cell::maybe(line.p, p_value),
                    Cell::maybe(line.standard_deviation, show),
                    Cell::maybe(line.low, show),
                    Cell::maybe(line.high, show),
                ]
            })
            .collect();
        let names: Vec<String> = self.findings.local.iter().map(|f| plain(f)).collect();
        let table = Table::new(
            self.file("local"),
            "What the levels of local factors bring, within sites",
            &[
                "Effect",
                ">Degrees of freedom",
                ">Variance ratio",
                ">Its degrees of freedom",
                ">p-value",
                ">Standard deviation",
                ">Lower end",
                ">Upper end",
            ],
        )
        .group("", rows);
        (!table.groups.is_empty()).then(|| {
            table.remark(format!(
                "Local to a site: {}. Their levels at one site are not those at another and are never compared; what is pooled \
                 is how far levels of one site lie apart, the levels taken as drawn from many.",
                listed(&names)
            ))
        })
    }

    /// Precision with the sites as laboratories.
    pub(super) fn precision(&self) -> Option<Table> {
        let study = self.found.precision_study.as_ref()?;
        let rows: Vec<Vec<Cell>> = self
            .found
            .precision
            .iter()
            .map(|level| {
                let show = |v: f64| significant(v, 3);
                vec![
                    Cell::words(if level.level.is_empty() { "all" } else { &level.level }),
                    Cell::count(level.laboratories),
                    Cell::count(level.results),
                    Cell::number(significant(level.mean, 4), level.mean),
                    Cell::maybe(level.repeatability_sd, show),
                    Cell::maybe(level.between_sd, show),
                    Cell::maybe(level.reproducibility_sd, show),
                    Cell::maybe(level.repeatability_limit, show),
                    Cell::maybe(level.reproducibility_limit, show),
                ]
            })
            .collect();
        let within = if study.intermediate.is_empty() {
            String::new()
        } else {
            let names: Vec<String> = study.intermediate.iter().map(|n| plain(n)).collect();
            format!(" Within a site {} vary beside the repeats.", listed(&names))
        };
        let table = Table::new(
            self.file("precision"),
            "Precision of the method, the sites as laboratories",
            &[
                "Level",
                ">Sites",
                ">Results",
                ">Mean",
                ">Repeatability (s_r)",
                ">Between sites (s_L)",
                ">Reproducibility (s_R)",
                ">Repeatability limit (r)",
                ">Reproducibility limit (R)",
            ],
        )
        .group("", rows);
        (!table.groups.is_empty()).then(|| {
            table.remark(format!(
                "Limits are {} standard deviations: two results differ by more only rarely.{within}",
                number::exact(study.limit_factor)
            ))
        })
    }
}
