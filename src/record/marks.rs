//! Decimal marks over a whole file: one mark is a habit, two are a question.
//!
//! In:  every number of a file with its mark.
//! Out: columns that differ from the rest are questioned; numbers whose mark may separate thousands are refused.
//!
//! Method: `1,234` is one and a bit where commas are the decimal mark, and a thousand and more where points are. So it
//! is refused if the file has decimal points too, or if commas separate its cells and no other number shows that
//! a comma is meant as the mark. `1.234` is refused if the file has decimal commas.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Severity, Source};

use super::columns::{Column, Columns};
use super::decimal::{Mark, Parsed, Refusal};
use super::gather::{Gather, MOST_LISTED};

/// The marks seen so far.
#[derive(Debug, Default)]
pub struct Marks {
    /// How many, and where the first one stands, by mark and column.
    seen: BTreeMap<(Mark, Column), (usize, Range<usize>)>,
    /// Numbers that leave no doubt about their mark.
    sure: BTreeMap<Mark, usize>,
    /// Where the others stand; as many as can be listed.
    unsure: BTreeMap<Mark, Vec<Range<usize>>>,
}

impl Marks {
    /// Looks at one number.
    pub fn note(&mut self, column: Column, parsed: &Parsed, span: &Range<usize>) {
        let Some(mark) = parsed.mark else { return };
        self.seen.entry((mark, column)).or_insert_with(|| (0, span.clone())).0 += 1;
        if parsed.may_be_thousands {
            let list = self.unsure.entry(mark).or_default();
            if list.len() <= MOST_LISTED {
                list.push(span.clone());
            }
        } else {
            *self.sure.entry(mark).or_default() += 1;
        }
    }

    fn count(&self, mark: Mark) -> usize {
        let of = self.seen.iter().filter(|((m, _), _)| *m == mark);
        of.map(|(_, (count, _))| count).sum()
    }

    /// Judges the file as a whole.
    pub fn judge(&self, file: &Arc<Source>, columns: &Columns<'_>, separator: char, found: &mut Gather) {
        let (points, commas) = (self.count(Mark::Point), self.count(Mark::Comma));
        let sure_commas = self.sure.get(&Mark::Comma).copied().unwrap_or_default();
        let refuse_commas = points > 0 || (separator == ',' && sure_commas == 0);
        let refuse_points = commas > 0;
        let mut refused = false;
        for (mark, refuse) in [(Mark::Comma, refuse_commas), (Mark::Point, refuse_points)] {
            for span in self.unsure.get(&mark).into_iter().flatten().filter(|_| refuse) {
                let text = file.text.get(span.clone()).unwrap_or_default();
                refused = true;
                found.add(Severity::Error, || {
                    Diagnostic::error(Refusal::Thousands.code(), Refusal::Thousands.sentence(text))
                        .at(file, span.clone(), "")
                        .help(Refusal::Thousands.help())
                });
            }
        }
        if points == 0 || commas == 0 || refused {
            return;
        }
        let (rare, rare_word, word) = if commas <= points {
            (Mark::Comma, "commas", "points")
        } else {
            (Mark::Point, "points", "commas")
        };
        for ((_, column), (count, span)) in self.seen.iter().filter(|((mark, _), _)| *mark == rare) {
            let name = columns.name(*column);
            found.add(Severity::Warning, || {
                Diagnostic::warning(
                    "R049",
                    format!("{name} has decimal {rare_word} ({count}), while the file has decimal {word} elsewhere"),
                )
                .at(file, span.clone(), "the first one")
                .help("both were taken as decimal marks; check that none of them separates thousands")
            });
        }
    }
}
