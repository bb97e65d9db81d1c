//! Do intervals hold what they promise? Simulated studies whose truth is known; some minutes long, so it is asked for by
//! name: `cargo bench --bench coverage`. A number after it (`-- 0.1`) makes that share of the sets.
//!
//! Prints the table of benches/README.md; nothing is asserted. The same bits for any number of threads: each set has a
//! stream of its own.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use rayon::prelude::*;
use wellrun::numeric::Matrix;
use wellrun::numeric::distribution::{f_upper, t_quantile_upper, t_upper};
use wellrun::numeric::stream::Stream;
use wellrun::stats::balanced::BalancedPlan;
use wellrun::stats::comparisons::{Difference, Family, Judge, loadings};
use wellrun::stats::components::combinations;
use wellrun::stats::interval::{WeightedMeanSquare, combination_interval};
use wellrun::stats::mixed::{DfMethod, Method, MixedFit, Prepared, RandomTerm, percentile_interval};
use wellrun::stats::multiplicity::holm;
use wellrun::stats::randomization::{Effort, Group, Scheme, shifts, test};
use wellrun::stats::strata::{Partition, TermColumns, fit};

const CONFIDENCE: f64 = 0.95;

/// A split-plot: blocks, two whole plots in each, four sub-plots in each; one whole-plot and two sub-plot factors.
struct SplitPlot {
    partitions: Vec<Partition>,
    terms: Vec<TermColumns>,
    blocks: u32,
}

impl SplitPlot {
    fn new(blocks: u32) -> Self {
        let n = 8 * blocks;
        let partition = |width: u32, inside: Vec<usize>| Partition {
            cell: (0..n).map(|run| run / width).collect(),
            cells: (n / width) as usize,
            inside,
        };
        let sign = |run: u32, bit: u32| if run >> bit & 1 == 0 { 1.0 } else { -1.0 };
        let bits: [&[u32]; 6] = [&[2], &[0], &[1], &[2, 0], &[2, 1], &[0, 1]];
        Self {
            partitions: vec![partition(8, vec![]), partition(4, vec![0]), partition(1, vec![0, 1])],
            terms: bits
                .iter()
                .map(|bits| TermColumns {
                    columns: vec![
                        (0..n)
                            .map(|run| bits.iter().map(|&bit| sign(run, bit)).product())
                            .collect(),
                    ],
                })
                .collect(),
            blocks,
        }
    }

    fn n(&self) -> usize {
        8 * self.blocks as usize
    }

    /// Results without any effect, from the standard deviations of blocks, whole plots and sub-plots.
    fn results(&self, stream: &mut Stream, sds: [f64; 3]) -> Vec<f64> {
        let mut draw = |count: usize, sd: f64| -> Vec<f64> { (0..count).map(|_| sd * stream.normal()).collect() };
        let block = draw(self.blocks as usize, sds[0]);
        let plot = draw(2 * self.blocks as usize, sds[1]);
        let run = draw(self.n(), sds[2]);
        (0..self.n())
            .map(|i| 60.0 + block[i / 8] + plot[i / 4] + run[i])
            .collect()
    }

    /// A set with some runs lost at random, fitted by restricted likelihood; the number of its columns, and the fit.
    fn lose(&self, stream: &mut Stream, sds: [f64; 3], lost: usize) -> Option<(usize, MixedFit)> {
        let results = self.results(stream, sds);
        let mut kept: Vec<usize> = (0..self.n()).collect();
        for _ in 0..lost {
            kept.remove(stream.below(kept.len() as u64) as usize);
        }
        let take = |column: &[f64]| -> Vec<f64> { kept.iter().map(|&run| column[run]).collect() };
        let mut columns = vec![vec![1.0; kept.len()]];
        columns.extend(self.terms.iter().map(|term| take(&term.columns[0])));
        let random: Vec<RandomTerm> = self.partitions[..2]
            .iter()
            .map(|p| RandomTerm::intercept(kept.iter().map(|&run| p.cell[run]).collect(), p.cells))
            .collect();
        let prepared = Prepared::new(&Matrix::from_columns(&columns), &random, None).ok()?;
        Some((columns.len(), prepared.fit(&take(&results), Method::Reml).ok()?))
    }
}

/// Counts of several outcomes over sets, each set with a stream of its own.
fn count<const K: usize>(
    name: &str,
    sets: usize,
    one: impl Fn(&mut Stream) -> [Option<bool>; K] + Sync,
) -> [(usize, usize); K] {
    let outcomes: Vec<[Option<bool>; K]> = (0..sets)
        .into_par_iter()
        .map(|set| one(&mut Stream::named(&format!("wellrun coverage 1\n{name}\nset {set}\n"))))
        .collect();
    let mut totals = [(0, 0); K];
    for outcome in outcomes {
        for (total, yes) in totals.iter_mut().zip(outcome) {
            if let Some(yes) = yes {
                total.0 += usize::from(yes);
                total.1 += 1;
            }
        }
    }
    totals
}

/// A study whose rows follow.
fn head(study: &str) {
    println!("| **{study}** | | | | |");
}

/// A row of the table: how often something came out, beside what was promised.
fn row(what: &str, promised: &str, (yes, of): (usize, usize)) {
    let share = yes as f64 / of as f64;
    let error = (share * (1.0 - share) / of as f64).sqrt();
    println!(
        "| {what} | {promised} | {:.1} % | {:.1} | {of} |",
        100.0 * share,
        100.0 * 1.96 * error
    );
}

const COVERED: &str = "95 %";

/// Standard deviations in words.
fn spreads(sds: [f64; 3]) -> String {
    let [block, plot, run] = sds;
    format!("standard deviations {block}, {plot}, {run} of blocks, whole plots, sub-plots")
}

fn balanced(sds: [f64; 3], sets: usize) {
    let study = SplitPlot::new(4);
    let known = [true; 3];
    let ways = combinations(&study.partitions, &known, study.n());
    let found = count(&format!("balanced {sds:?}"), sets, |stream| {
        let y = study.results(stream, sds);
        let fitted = fit(&y, &study.partitions, &study.terms).unwrap();
        let judge = |term: usize| {
            let function = fitted.linear(
                0.0,
                &(0..study.terms.len())
                    .map(|t| vec![if t == term { 2.0 } else { 0.0 }])
                    .collect::<Vec<_>>(),
            );
            let stratum = &fitted.strata[fitted.terms[term].stratum];
            let error = (function.weights[fitted.terms[term].stratum] * stratum.mean_square().unwrap()).sqrt();
            function.value.abs() <= error * t_quantile_upper((1.0 - CONFIDENCE) / 2.0, stratum.residual_df as f64)
        };
        let covers = |stratum: usize| {
            let parts: Vec<WeightedMeanSquare> = ways.components[stratum]
                .as_ref()?
                .iter()
                .zip(&fitted.strata)
                .filter(|(coefficient, _)| **coefficient != 0.0)
                .map(|(&coefficient, stratum)| WeightedMeanSquare {
                    coefficient,
                    mean_square: stratum.mean_square().unwrap(),
                    df: stratum.residual_df as f64,
                })
                .collect();
            let interval = combination_interval(&parts, CONFIDENCE)?;
            let truth = sds[stratum] * sds[stratum];
            Some(interval.lower <= truth && truth <= interval.upper)
        };
        let p: Vec<f64> = fitted
            .terms
            .iter()
            .map(|term| {
                let stratum = &fitted.strata[term.stratum];
                f_upper(
                    term.sum_of_squares / stratum.mean_square().unwrap(),
                    1.0,
                    stratum.residual_df as f64,
                )
            })
            .collect();
        let family = holm(&p).iter().any(|&p| p <= 1.0 - CONFIDENCE);
        [
            Some(judge(0)),
            Some(judge(1)),
            covers(0),
            covers(1),
            covers(2),
            Some(family),
        ]
    });
    head(&format!("Split-plot of 32 runs, {}", spreads(sds)));
    row(
        "contrast of the whole-plot factor, on 3 degrees of freedom: covered",
        COVERED,
        found[0],
    );
    row(
        "contrast of a sub-plot factor, on 19 degrees of freedom: covered",
        COVERED,
        found[1],
    );
    row("spread of blocks, modified large sample: covered", COVERED, found[2]);
    row(
        "spread of whole plots, modified large sample: covered",
        COVERED,
        found[3],
    );
    row("spread of sub-plots, chi-square: covered", COVERED, found[4]);
    row(
        "any of six effects found where there is none, adjusted after Holm",
        "at most 5 %",
        found[5],
    );
}

fn likelihood(sds: [f64; 3], lost: usize, sets: usize) {
    let study = SplitPlot::new(4);
    let found = count(&format!("likelihood {sds:?} {lost}"), sets, |stream| {
        let Some((columns, fitted)) = study.lose(stream, sds, lost) else {
            return [None; 6];
        };
        let contrast = |column: usize| {
            let mut c = vec![0.0; columns];
            c[column] = 2.0;
            fitted.contrast(&c, DfMethod::KenwardRoger).ok()
        };
        let judge = |column: usize| {
            let estimate = contrast(column)?;
            let reach = estimate.standard_error * t_quantile_upper((1.0 - CONFIDENCE) / 2.0, estimate.df);
            Some(estimate.value.abs() <= reach)
        };
        let covers = |place: usize| {
            let interval = fitted.profile_interval(place, CONFIDENCE).ok()?;
            Some(interval.low <= sds[place] && sds[place] <= interval.high)
        };
        let p: Option<Vec<f64>> = (1..columns)
            .map(|column| contrast(column).map(|e| 2.0 * t_upper((e.value / e.standard_error).abs(), e.df)))
            .collect();
        let family = p.map(|p| holm(&p).iter().any(|&p| p <= 1.0 - CONFIDENCE));
        [judge(1), judge(2), covers(0), covers(1), covers(2), family]
    });
    head(&format!(
        "The same with {lost} runs lost at random, by restricted likelihood, {}",
        spreads(sds)
    ));
    row(
        "contrast of the whole-plot factor, Kenward and Roger: covered",
        COVERED,
        found[0],
    );
    row(
        "contrast of a sub-plot factor, Kenward and Roger: covered",
        COVERED,
        found[1],
    );
    row("spread of blocks, profile: covered", COVERED, found[2]);
    row("spread of whole plots, profile: covered", COVERED, found[3]);
    row("spread of sub-plots, profile: covered", COVERED, found[4]);
    row(
        "any of six effects found where there is none, adjusted after Holm",
        "at most 5 %",
        found[5],
    );
}

/// Percentile intervals of simulated refits, which a protocol may ask for in place of profiles.
fn bootstrap(sds: [f64; 3], lost: usize, sets: usize) {
    let study = SplitPlot::new(4);
    let found = count(&format!("bootstrap {sds:?} {lost}"), sets, |stream| {
        let Some((_, fitted)) = study.lose(stream, sds, lost) else {
            return [None; 3];
        };
        let values = fitted.bootstrap(199, &stream.word().to_string());
        [0, 1, 2].map(|place| {
            let (low, high) = percentile_interval(&values[place], CONFIDENCE)?;
            Some(low <= sds[place] && sds[place] <= high)
        })
    });
    head("The same, intervals by parametric bootstrap where a protocol asks for them");
    row("spread of blocks, percentile: covered", COVERED, found[0]);
    row("spread of whole plots, percentile: covered", COVERED, found[1]);
    row("spread of sub-plots, percentile: covered", COVERED, found[2]);
}

fn singular(sets: usize) {
    let study = SplitPlot::new(4);
    let plan = BalancedPlan::new(&study.partitions, &study.terms).unwrap();
    for sds in [[1.0, 0.6, 1.0], [0.5, 0.3, 1.0], [0.0, 0.0, 1.0]] {
        let found = count(&format!("singular {sds:?}"), sets, |stream| {
            [Some(plan.components(&study.results(stream, sds)).unwrap().singular)]
        });
        row(
            &format!("some component estimated as zero, {}", spreads(sds)),
            "–",
            found[0],
        );
    }
}

/// The randomization test of a real effect of size one among skewed readings, in blocks: its level and its interval.
fn randomization(sets: usize) {
    // Blocks, runs in each, and the share of arrangements that the test rejects at 5 %: a whole number of pairs of them.
    for (blocks, each, level) in [(1, 8, 2.0 / 70.0), (3, 4, 10.0 / 216.0), (6, 8, 0.05)] {
        let found = count(&format!("randomization {blocks} {each}"), sets, |stream| {
            let mut observed = Vec::new();
            for _ in 0..blocks {
                let mut own: Vec<u32> = (0..each).map(|i| (i % 2) as u32).collect();
                stream.shuffle(&mut own);
                observed.extend(own);
            }
            let x: Vec<f64> = observed.iter().map(|&part| f64::from(part)).collect();
            let null: Vec<f64> = x.iter().map(|_| (1.5 * stream.normal()).exp()).collect();
            let moved: Vec<f64> = null.iter().zip(&x).map(|(y, x)| y + x).collect();
            let scheme = Scheme {
                slots: (0..blocks * each).map(|slot| vec![slot]).collect(),
                groups: (0..blocks)
                    .map(|block| Group {
                        first: block * each,
                        parts: (0..each).map(|i| (i % 2) as u32).collect(),
                    })
                    .collect(),
                observed,
            };
            let effort = Effort {
                list: 5_000,
                half: 0,
                draws: 999,
            };
            let name = stream.word().to_string();
            let contrast = vec![-1.0, 1.0];
            let p = test(&null, &scheme, std::slice::from_ref(&contrast), effort, &name)
                .unwrap()
                .p;
            let ends = shifts(&moved, &x, &scheme, &contrast, CONFIDENCE, effort, &name).unwrap();
            [Some(p <= 1.0 - CONFIDENCE), Some(ends.low <= 1.0 && 1.0 <= ends.high)]
        });
        let how = if level < 0.05 { "all arrangements" } else { "999 draws" };
        head(&format!(
            "Randomization test, {blocks} {} of {each}, log-normal readings, {how}",
            if blocks == 1 { "block" } else { "blocks" }
        ));
        row(
            "an effect found where there is none, at 5 %",
            &format!("{:.1} %", 100.0 * level),
            found[0],
        );
        row(
            "interval of a shift of one: covered",
            &format!("{:.1} %", 100.0 * (1.0 - level)),
            found[1],
        );
    }
}

/// All intervals of a family at once, in one-way studies with unequal numbers.
fn families(sets: usize) {
    let runs = [8_usize, 4, 6, 3];
    let df = (runs.iter().sum::<usize>() - runs.len()) as f64;
    let error = |i: usize, j: usize| (1.0 / runs[i] as f64 + 1.0 / runs[j] as f64).sqrt();
    let (against_one, _) = loadings(&[error(0, 1), error(0, 2), error(0, 3)], |i, j| error(i + 1, j + 1));
    // Reach of the simultaneous intervals in standard errors.
    let reach = |family: Family| {
        let unit = Difference {
            value: 0.0,
            standard_error: 1.0,
            df,
        };
        Judge::new(family, 1, CONFIDENCE).judge(&unit).high
    };
    let one = reach(Family::AgainstOne(against_one));
    let all = reach(Family::AllPairs(4));
    let found = count("families", sets, |stream| {
        let groups: Vec<Vec<f64>> = runs
            .iter()
            .map(|&n| (0..n).map(|_| stream.normal()).collect())
            .collect();
        let means: Vec<f64> = groups.iter().map(|g| g.iter().sum::<f64>() / g.len() as f64).collect();
        let squares = groups
            .iter()
            .zip(&means)
            .flat_map(|(g, m)| g.iter().map(move |y| (y - m).powi(2)));
        let spread = (squares.sum::<f64>() / df).sqrt();
        let holds = |reach: f64, i: usize, j: usize| (means[i] - means[j]).abs() <= reach * spread * error(i, j);
        let mut pairs = (1..4).flat_map(|i| (0..i).map(move |j| (i, j)));
        let all_pairs = pairs.all(|(i, j)| holds(all, i, j));
        let against = (1..4).all(|i| holds(one, i, 0));
        [Some(all_pairs), Some(against)]
    });
    head("Four means of 8, 4, 6 and 3 runs");
    row(
        "all six differences at once, Tukey and Kramer: covered",
        "at least 95 %",
        found[0],
    );
    row(
        "three differences from the first at once, Dunnett: covered",
        COVERED,
        found[1],
    );
}

fn main() {
    let share: f64 = std::env::args()
        .skip(1)
        .find_map(|word| word.parse().ok())
        .unwrap_or(1.0);
    let of = |sets: f64| ((sets * share) as usize).max(20);
    println!("| What was looked at | Promised | Found | ± | Sets |");
    println!("|---|--:|--:|--:|--:|");
    for sds in [[1.0, 0.6, 1.0], [0.5, 0.3, 1.0], [0.0, 0.0, 1.0]] {
        balanced(sds, of(20_000.0));
    }
    for (sds, lost) in [([1.0, 0.6, 1.0], 4), ([0.5, 0.3, 1.0], 4)] {
        likelihood(sds, lost, of(4_000.0));
    }
    bootstrap([1.0, 0.6, 1.0], 4, of(600.0));
    families(of(40_000.0));
    randomization(of(10_000.0));
    head("How often a component of the balanced split-plot is estimated as zero");
    singular(of(100_000.0));
}
