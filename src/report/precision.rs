//! The section on the precision of the method: statement, tables, figures, rules.
//!
//! In:  the precision findings of each response, and the voice that names things.
//! Out: one section; without blocks where the protocol declares no precision.

use std::fmt::Write as _;

use crate::analysis::{Oddness, PrecisionFinding, PrecisionStudy, SpreadFinding};
use crate::protocol::Response;

use super::build::Input;
use super::document::{Block, Cell, Section, Table};
use super::number::{self, NBSP, Place, degrees, fixed, p_value, percent, significant, with_unit};
use super::precision_figures::{consistency_figures, level_figure};
use super::precision_words::{how_often, level_name, mean_place};
use super::sections::{Responses, section};
use super::words::{Voice, capital, count, listed, plain, several};

/// The whole section.
pub(super) fn precision(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        let Some(study) = &found.precision_study else { continue };
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        let declared = input.protocol.responses.iter().find(|r| r.name == *name);
        blocks.extend(of_response(name, study, &found.precision, voice, declared));
    }
    section("precision", "How far apart results may lie", blocks)
}

fn of_response(
    name: &str,
    study: &PrecisionStudy,
    levels: &[PrecisionFinding],
    voice: &Voice,
    declared: Option<&Response>,
) -> Vec<Block> {
    let mut blocks = vec![
        Block::paragraph(scope(study, levels, voice, declared)),
        Block::Table(statement(name, study, levels, voice)),
        Block::Table(known(name, study, levels, voice)),
    ];
    blocks.extend(intermediate(name, study, levels, voice).map(Block::Table));
    blocks.extend(trueness(name, study, levels, voice).map(Block::Table));
    blocks.push(Block::heading("How to use the limits"));
    blocks.push(Block::list(use_of_limits(study)));
    blocks.extend(level_figure(name, study, levels, voice).map(Block::Figure));
    blocks.extend(forms(name, study, voice).map(Block::Table));
    if !study.laboratory.is_empty() {
        blocks.push(Block::heading(format!(
            "Does a {} stand apart?",
            plain(&study.laboratory)
        )));
        blocks.extend(consistency_figures(name, study, levels).into_iter().map(Block::Figure));
        blocks.extend(tests(name, study, levels).map(Block::Table));
    }
    blocks.push(Block::Table(cells(name, study, levels, voice)));
    blocks.push(Block::heading("Rules, assumptions and caveats"));
    blocks.push(Block::list(rules(study, levels, voice)));
    blocks
}

/// What the numbers stand for: the head of the statement.
fn scope(study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice, declared: Option<&Response>) -> String {
    let result = declared.map_or_else(String::new, |r| match r.readings {
        1 => "A test result is a single reading. ".to_owned(),
        many => format!("A test result is the {} of {many}{NBSP}readings. ", r.result.word()),
    });
    let laboratories = levels.iter().map(|l| l.laboratories).max().unwrap_or(0);
    let who = if study.laboratory.is_empty() {
        "One laboratory".to_owned()
    } else {
        let name = plain(&study.laboratory);
        capital(&count(laboratories, &name, &several(&name)))
    };
    let what = if study.material.is_empty() {
        "one material".to_owned()
    } else {
        let name = plain(&study.material);
        count(levels.len(), &name, &several(&name))
    };
    let sizes: Vec<usize> = levels.iter().flat_map(|l| l.cells.iter().map(|c| c.n)).collect();
    let (least, most) = (
        sizes.iter().min().copied().unwrap_or(0),
        sizes.iter().max().copied().unwrap_or(0),
    );
    let each = if least == most {
        format!("{most} each")
    } else {
        format!("{least} to {most} each")
    };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" All standard deviations and limits are in {}.", voice.unit)
    };
    format!(
        "{result}{who}, {what}, results in a cell: {each}. Nothing was left out of these numbers; where cells stand apart, the \
         numbers without them stand beside.{unit}"
    )
}

pub(super) fn label(study: &PrecisionStudy, level: &PrecisionFinding) -> String {
    match level_name(study, level) {
        name if name.is_empty() => "All results".to_owned(),
        name => capital(&name),
    }
}

fn three(value: Option<f64>) -> Cell {
    Cell::maybe(value, |v| significant(v, 3))
}

/// The statement as one table; none without precision.
pub(super) fn statement_of(name: &str, found: &crate::analysis::ResponseFindings, voice: &Voice) -> Option<Table> {
    let study = found.precision_study.as_ref()?;
    Some(statement(name, study, &found.precision, voice))
}

fn statement(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Table {
    let between = !study.laboratory.is_empty();
    let first = if study.material.is_empty() {
        "Level".to_owned()
    } else {
        capital(&plain(&study.material))
    };
    let labs = format!(">{}", capital(&several(&plain(&study.laboratory))));
    let mut columns = vec![first.as_str()];
    if between {
        columns.push(&labs);
    }
    columns.extend([">Results", ">Mean (m)", ">Spread of repeats (s_r)"]);
    if between {
        columns.extend([">Spread between (s_L)", ">Spread of all (s_R)"]);
    }
    columns.push(">Repeat limit (r)");
    if between {
        columns.push(">Limit for two (R)");
    }
    let row = |label: String, laboratories: usize, results: usize, mean: (f64, Place), s: [Option<f64>; 5]| {
        let mut cells = vec![Cell::words(label)];
        if between {
            cells.push(Cell::count(laboratories));
        }
        cells.extend([
            Cell::count(results),
            Cell::number(fixed(mean.0, mean.1), mean.0),
            three(s[0]),
        ]);
        if between {
            cells.extend([three(s[1]), three(s[2])]);
        }
        cells.push(three(s[3]));
        if between {
            cells.push(three(s[4]));
        }
        cells
    };
    let all = levels
        .iter()
        .map(|l| {
            let s = [
                l.repeatability_sd,
                l.between_sd,
                l.reproducibility_sd,
                l.repeatability_limit,
                l.reproducibility_limit,
            ];
            row(label(study, l), l.laboratories, l.results, (l.mean, mean_place(l)), s)
        })
        .collect();
    let less = levels
        .iter()
        .filter_map(|l| {
            let w = l.without.as_ref()?;
            let s = [
                w.repeatability_sd,
                w.between_sd,
                w.reproducibility_sd,
                w.repeatability_limit,
                w.reproducibility_limit,
            ];
            let label = format!("{}, without {}", label(study, l), listed(&w.left_out));
            Some(row(label, w.laboratories, w.results, (w.mean, mean_place(l)), s))
        })
        .collect();
    let caption = match voice.unit.as_str() {
        "" => format!("Precision of {}", plain(name)),
        unit => format!("Precision of {}, in {unit}", plain(name)),
    };
    let factor = number::exact(study.limit_factor);
    let mut remark = format!(
        "Spreads are standard deviations. A limit is {factor} times its standard deviation: repeatability limit r{NBSP}={NBSP}{factor}{NBSP}s_r"
    );
    if between {
        let _ = write!(
            remark,
            ", reproducibility limit R{NBSP}={NBSP}{factor}{NBSP}s_R, with s_R²{NBSP}={NBSP}s_L²{NBSP}+{NBSP}s_r²"
        );
    }
    remark.push('.');
    if levels.iter().any(|l| l.between_variance.is_some_and(|v| v < 0.0)) {
        remark.push_str(
            " A between-laboratory standard deviation of 0 says that the variance was estimated below zero: it is not told \
             apart from zero, not known to be absent.",
        );
    }
    Table::new(format!("{name}-precision"), caption, &columns)
        .group("", all)
        .group("Without the cells beyond the 1 % values", less)
        .remark(remark)
}

/// A standard deviation's interval as a cell.
fn interval(found: Option<&SpreadFinding>) -> Cell {
    let Some(found) = found else { return Cell::words("–") };
    let place = found
        .high
        .and_then(|high| Place::of_error((high - found.low.unwrap_or(0.0)) / 4.0))
        .map_or_else(|| Place::of_digits(found.value, 3), |p| Place(p.0.max(0)));
    let end = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| fixed(v, place));
    Cell::words(match (found.low, found.high) {
        (None, None) => "–".to_owned(),
        (low, high) => format!("{} to {}", end(low), end(high)).replace(' ', "\u{a0}"),
    })
}

/// How well the standard deviations are known, and the mean squares behind them.
fn known(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Table {
    let between = !study.laboratory.is_empty();
    let plain_cells = levels.iter().any(|l| l.among_mean_square.is_some());
    let first = if study.material.is_empty() {
        "Level".to_owned()
    } else {
        capital(&plain(&study.material))
    };
    let mut columns = vec![first.as_str(), ">Interval of s_r", ">df of s_r"];
    if between {
        columns.extend([">Interval of s_L", ">Interval of s_R", ">df of s_R"]);
    }
    if plain_cells {
        columns.extend([">Mean square among (s_d²)", ">Cell size (n)"]);
    }
    let df = |s: Option<&SpreadFinding>| Cell::maybe(s.and_then(|s| s.df), degrees);
    let rows = levels
        .iter()
        .map(|l| {
            let mut cells = vec![
                Cell::words(label(study, l)),
                interval(l.repeatability.as_ref()),
                df(l.repeatability.as_ref()),
            ];
            if between {
                cells.extend([
                    interval(l.between.as_ref()),
                    interval(l.reproducibility.as_ref()),
                    df(l.reproducibility.as_ref()),
                ]);
            }
            if plain_cells {
                cells.extend([
                    Cell::maybe(l.among_mean_square, |v| significant(v, 4)),
                    Cell::maybe(l.cell_size, |v| significant(v, 4)),
                ]);
            }
            cells
        })
        .collect();
    let remark = if plain_cells {
        format!(
            "By hand: s_d² is the mean square among the laboratories, n the number of results that a cell counts for. s_r² is the mean of the cells' s², each with weight n{NBSP}−{NBSP}1; s_d² is the sum of n times the \
             squared distance of the cell means from the mean of all results, over the number of laboratories less one; \
             s_L²{NBSP}={NBSP}(s_d²{NBSP}−{NBSP}s_r²)/n. Intervals: chi-square for s_r, modified large sample for s_L and \
             s_R (close, not exact, where cells are unequal)."
        )
    } else {
        "Intervals: chi-square for one mean square, modified large sample for sums and differences of several; where cells \
         are unequal, by the profile of the restricted likelihood, and none for sums."
            .to_owned()
    };
    Table::new(
        format!("{name}-precision-known"),
        format!(
            "How well the standard deviations are known ({}), and degrees of freedom (df)",
            voice.interval_name()
        ),
        &columns,
    )
    .group("", rows)
    .remark(remark)
}

fn intermediate(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Option<Table> {
    let rows: Vec<Vec<Cell>> = levels
        .iter()
        .flat_map(|l| {
            l.intermediate.iter().map(|i| {
                let varied: Vec<String> = i.varied.iter().map(|v| plain(v)).collect();
                vec![
                    Cell::words(label(study, l)),
                    Cell::words(listed(&varied)),
                    three(Some(i.spread.value)),
                    interval(Some(&i.spread)),
                    three(Some(i.limit)),
                ]
            })
        })
        .collect();
    let interval_title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Level",
        "Varied beside the repeats",
        ">Standard deviation (s_I)",
        &interval_title,
        ">Limit",
    ];
    (!rows.is_empty()).then(|| {
        Table::new(
            format!("{name}-intermediate"),
            format!("Intermediate precision of {} within a laboratory", plain(name)),
            &columns,
        )
        .group("", rows)
        .remark("s_I² adds up the variances of what varies and of the repeats, negative estimates counted as 0.")
    })
}

fn trueness(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Option<Table> {
    let rows: Vec<Vec<Cell>> = levels
        .iter()
        .filter_map(|l| {
            let t = l.trueness.as_ref()?;
            let place = super::words::place(t.bias, t.standard_error);
            let ends = t.low.zip(t.high).map_or_else(
                || "–".to_owned(),
                |(low, high)| Voice::interval(low, high, place).replace(' ', "\u{a0}"),
            );
            Some(vec![
                Cell::words(label(study, l)),
                Cell::number(number::exact(t.reference), t.reference),
                Cell::number(number::exact(t.uncertainty), t.uncertainty),
                Cell::words(if t.source.is_empty() { "not stated" } else { &t.source }),
                Cell::number(fixed(t.bias, place), t.bias),
                Cell::maybe(t.standard_error, |s| fixed(s, place)),
                Cell::maybe(t.df, degrees),
                Cell::words(ends),
            ])
        })
        .collect();
    let interval_title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Level",
        ">Accepted value",
        ">Its standard error",
        "Where from",
        ">Bias",
        ">Standard error",
        ">Degrees of freedom (df)",
        &interval_title,
    ];
    (!rows.is_empty()).then(|| {
        Table::new(
            format!("{name}-trueness"),
            format!("Trueness of {}", plain(name)),
            &columns,
        )
        .group("", rows)
        .remark(
            "Bias: mean of the laboratories' means less the accepted value. Its variance is that of the laboratories' \
                 means over their number, plus that of the accepted value.",
        )
    })
}

fn use_of_limits(study: &PrecisionStudy) -> Vec<String> {
    let often = how_often(study.limit_exceeded);
    let mut items = vec![format!(
        "Two results that differ by more than their limit call for a look at both; by chance alone that happens {often}. A \
         limit is no tolerance for the product, and says nothing on how near a result is to the truth."
    )];
    items.push(format!(
        "Means of n₁ and n₂ results of one laboratory: the limit is r{NBSP}×{NBSP}√(1/(2n₁){NBSP}+{NBSP}1/(2n₂))."
    ));
    if !study.laboratory.is_empty() {
        items.push(format!(
            "Means of n₁ and n₂ results of two laboratories: the limit is \
             √(R²{NBSP}−{NBSP}r²(1{NBSP}−{NBSP}1/(2n₁){NBSP}−{NBSP}1/(2n₂))): more repeats do not take away what lies \
             between laboratories."
        ));
    }
    items
}

fn forms(name: &str, study: &PrecisionStudy, voice: &Voice) -> Option<Table> {
    if study.against_level.is_empty() {
        return None;
    }
    let rows = |of: &str| -> Vec<Vec<Cell>> {
        study
            .against_level
            .iter()
            .filter(|a| a.of == of)
            .map(|a| {
                let formula = match a.form.as_str() {
                    "constant" => "s = a",
                    "proportional" => "s = b m",
                    "line" => "s = a + b m",
                    _ => "lg s = a + b lg m",
                };
                let number = |shown: bool, v: f64| if shown { three(Some(v)) } else { Cell::words("–") };
                vec![
                    Cell::words(formula.replace(' ', "\u{a0}")),
                    number(a.form != "proportional", a.a),
                    number(a.form != "constant", a.b),
                    Cell::number(percent(a.misfit), a.misfit),
                    Cell::words(if a.chosen { "chosen" } else { "" }),
                ]
            })
            .collect()
    };
    let pooled = study.pooled.as_ref().map_or_else(String::new, |p| {
        let test = p.p.map_or_else(String::new, |p| format!(" (Bartlett's test, {})", number::p_equals(p)));
        let sd = with_unit(&significant(p.standard_deviation, 3), &voice.unit);
        if p.same {
            format!(
                " The levels do not contradict one repeatability{test}; pooled over them s_r{NBSP}={NBSP}{sd} on {} degrees \
                 of freedom.",
                degrees(p.df)
            )
        } else {
            format!(" The levels contradict one and the same repeatability{test}, so nothing is pooled over them.")
        }
    });
    let table = Table::new(
        format!("{name}-precision-forms"),
        "How the standard deviations depend on the level m",
        &["Form", ">a", ">b", ">Misfit", "Choice"],
    )
    .group("Repeatability (s_r)", rows("repeatability"))
    .group("Reproducibility (s_R)", rows("reproducibility"));
    Some(table.remark(format!(
        "Rule: for repeatability the constant if the levels do not contradict it, else the form with the least misfit. Misfit: \
         root of the sum of ((s − ŝ)/ŝ)² over the number of levels less that of parameters. The line is fitted with weights \
         1/ŝ², the power in logarithms.{pooled}"
    )))
}

fn tests(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Option<Table> {
    let mut notes: Vec<String> = Vec::new();
    let rows: Vec<Vec<Cell>> = levels
        .iter()
        .flat_map(|l| l.tests.iter().map(move |t| (l, t)))
        .map(|(l, t)| {
            if let Some(note) = &t.note {
                let note = format!("{}.", capital(note));
                if !notes.contains(&note) {
                    notes.push(note);
                }
            }
            vec![
                Cell::words(label(study, l)),
                Cell::words(t.test.as_str()),
                Cell::words(listed(&t.laboratories)),
                three(Some(t.statistic)),
                three(Some(t.critical_5)),
                three(Some(t.critical_1)),
                Cell::number(p_value(t.p), t.p),
                Cell::words(match t.outcome {
                    Oddness::NothingFound => "nothing found",
                    Oddness::Straggler => "straggler",
                    Oddness::Outlier => "outlier",
                }),
            ]
        })
        .collect();
    let laboratory = capital(&plain(&study.laboratory));
    let columns = [
        "Level",
        "Test",
        laboratory.as_str(),
        ">Statistic",
        ">5 % value",
        ">1 % value",
        ">p-value\u{a0}(p)",
        "Outcome",
    ];
    (!rows.is_empty()).then(|| {
        Table::new(
            format!("{name}-odd-laboratories"),
            "Tests for laboratories that stand apart",
            &columns,
        )
        .group("", rows)
        .remark(format!(
            "Cochran: the largest variance of a cell over the sum of all. Grubbs, one mean: the largest |h|. Grubbs, two \
             means: sum of squares of the cell means without the two over that with them; a small one is odd, and it is made \
             only where one mean alone is not. p is at most the value shown. {}",
            notes.join(" ")
        ))
    })
}

fn cells(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Table {
    let between = !study.laboratory.is_empty();
    let laboratory = if between {
        capital(&plain(&study.laboratory))
    } else {
        "Cell".to_owned()
    };
    let mut columns = vec![laboratory.as_str(), ">Results (n)", ">Mean", ">Standard deviation (s)"];
    if between {
        columns.extend([">h", ">k", ">1 % value of k"]);
    }
    let caption = match voice.unit.as_str() {
        "" => "Every cell".to_owned(),
        unit => format!("Every cell, in {unit}"),
    };
    let mut table = Table::new(format!("{name}-cells"), caption, &columns).dense();
    let mut critical: Vec<String> = Vec::new();
    for l in levels {
        let place = Place(mean_place(l).0 + 1);
        let rows = l
            .cells
            .iter()
            .map(|c| {
                let name = if c.laboratory.is_empty() { "all" } else { &c.laboratory };
                let mut cells = vec![
                    Cell::words(name),
                    Cell::count(c.n),
                    Cell::number(fixed(c.mean, place), c.mean),
                    Cell::maybe(c.standard_deviation, |s| fixed(s, place)),
                ];
                if between {
                    let two = |v: f64| fixed(v, Place(2));
                    cells.extend([
                        Cell::maybe(c.h, two),
                        Cell::maybe(c.k, two),
                        Cell::maybe(c.k_critical.get(1).copied(), two),
                    ]);
                }
                cells
            })
            .collect();
        if let [five, one, half] = l.h_critical.as_slice() {
            let text = format!(
                "For {}{NBSP}laboratories |h| has the critical values {} (5{NBSP}%), {} (1{NBSP}%) and {} (0.5{NBSP}%).",
                l.laboratories,
                fixed(*five, Place(2)),
                fixed(*one, Place(2)),
                fixed(*half, Place(2))
            );
            if !critical.contains(&text) {
                critical.push(text);
            }
        }
        table = table.group(&label(study, l), rows);
    }
    table.remark(critical.join(" "))
}

fn rules(study: &PrecisionStudy, levels: &[PrecisionFinding], voice: &Voice) -> Vec<String> {
    let mut items = Vec::new();
    if !study.laboratory.is_empty() {
        let laboratories = levels.iter().map(|l| l.laboratories).max().unwrap_or(0);
        if laboratories < 8 {
            items.push(format!(
                "{} tell little about the spread between laboratories; 8 to 15 are common practice, and the intervals say what \
                 fewer cost.",
                capital(&count(laboratories, "laboratory", "laboratories"))
            ));
        }
        items.push(
            "The estimates, and the order of the tests, follow the basic design of ISO 5725-2; h and k follow ASTM E691. \
             Beyond its 5 % value a cell is a straggler and beyond its 1 % value an outlier; size alone is no reason to leave a \
             result out, and leaving a laboratory out leaves out what users of the method may meet."
                .to_owned(),
        );
        items.push(
            "The laboratories stand for those that will use the method; whether they are like them the study does not tell."
                .to_owned(),
        );
    }
    items.push(
        "Results of a cell are taken as near normal, independent, and equally spread in every cell of a level; h, k and the \
         tests look at the last of these only."
            .to_owned(),
    );
    items.push(format!(
        "Every interval is the {}; a limit is given without its own interval: multiply the ends of that of its standard \
         deviation by {}.",
        voice.interval_name(),
        number::exact(study.limit_factor)
    ));
    if levels.iter().all(|l| l.trueness.is_none()) {
        items.push("Bias was not determined: the protocol names no accepted value.".to_owned());
    }
    items.push("The statement holds for the materials and levels studied, not beyond, and is no guarantee.".to_owned());
    for level in levels {
        for why in &level.cannot_tell {
            let why = match level_name(study, level) {
                name if name.is_empty() => why.clone(),
                name => format!("{}: {why}", capital(&name)),
            };
            items.push(why);
        }
    }
    items.dedup();
    items
}
