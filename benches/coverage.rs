//! Do intervals hold what they promise? Simulated studies whose truth is known; an hour's worth of nobody's time, so it is asked for:
//! `cargo bench --bench coverage`.
//!
//! Prints a table; the one of the last full run stands in `benches/README.md`. Nothing is asserted. The same bits for any number
//! of threads: each set has a stream of its own.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use rayon::prelude::*;
use wellrun::numeric::Matrix;
use wellrun::numeric::distribution::{f_upper, t_quantile_upper};
use wellrun::numeric::stream::Stream;
use wellrun::stats::balanced::BalancedPlan;
use wellrun::stats::components::combinations;
use wellrun::stats::interval::{WeightedMeanSquare, combination_interval};
use wellrun::stats::mixed::{DfMethod, Method, Prepared, RandomTerm};
use wellrun::stats::multiplicity::holm;
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

fn line(what: &str, (yes, of): (usize, usize)) {
    let share = yes as f64 / of as f64;
    let error = (share * (1.0 - share) / of as f64).sqrt();
    println!(
        "{what:<72} {:>7.2} % ± {:.2} ({of} sets)",
        100.0 * share,
        100.0 * 1.96 * error
    );
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
    println!("32-run split-plot, standard deviations {sds:?} of blocks, whole plots, sub-plots");
    line(
        "  contrast of the whole-plot factor, 3 degrees of freedom: covered",
        found[0],
    );
    line(
        "  contrast of a sub-plot factor, 19 degrees of freedom: covered",
        found[1],
    );
    line("  spread of blocks, modified large sample: covered", found[2]);
    line("  spread of whole plots, modified large sample: covered", found[3]);
    line("  spread of sub-plots, chi-square: covered", found[4]);
    line("  any of six true nulls rejected at 5 %, adjusted after Holm", found[5]);
}

fn likelihood(sds: [f64; 3], lost: usize, sets: usize) {
    let study = SplitPlot::new(4);
    let found = count(&format!("likelihood {sds:?} {lost}"), sets, |stream| {
        let results = study.results(stream, sds);
        let mut kept: Vec<usize> = (0..study.n()).collect();
        for _ in 0..lost {
            kept.remove(stream.below(kept.len() as u64) as usize);
        }
        let take = |column: &[f64]| -> Vec<f64> { kept.iter().map(|&run| column[run]).collect() };
        let mut columns = vec![vec![1.0; kept.len()]];
        columns.extend(study.terms.iter().map(|term| take(&term.columns[0])));
        let random: Vec<RandomTerm> = study.partitions[..2]
            .iter()
            .map(|p| RandomTerm::intercept(kept.iter().map(|&run| p.cell[run]).collect(), p.cells))
            .collect();
        let Ok(prepared) = Prepared::new(&Matrix::from_columns(&columns), &random, None) else {
            return [None; 5];
        };
        let Ok(fitted) = prepared.fit(&take(&results), Method::Reml) else {
            return [None; 5];
        };
        let judge = |column: usize| {
            let mut c = vec![0.0; columns.len()];
            c[column] = 2.0;
            let estimate = fitted.contrast(&c, DfMethod::KenwardRoger).ok()?;
            let reach = estimate.standard_error * t_quantile_upper((1.0 - CONFIDENCE) / 2.0, estimate.df);
            Some(estimate.value.abs() <= reach)
        };
        let covers = |place: usize| {
            let interval = fitted.profile_interval(place, CONFIDENCE).ok()?;
            Some(interval.low <= sds[place] && sds[place] <= interval.high)
        };
        [judge(1), judge(2), covers(0), covers(1), covers(2)]
    });
    println!("the same with {lost} runs lost at random, by restricted likelihood, {sds:?}");
    line(
        "  contrast of the whole-plot factor, Kenward and Roger: covered",
        found[0],
    );
    line("  contrast of a sub-plot factor, Kenward and Roger: covered", found[1]);
    line("  spread of blocks, profile: covered", found[2]);
    line("  spread of whole plots, profile: covered", found[3]);
    line("  spread of sub-plots, profile: covered", found[4]);
}

fn singular(sets: usize) {
    let study = SplitPlot::new(4);
    let plan = BalancedPlan::new(&study.partitions, &study.terms).unwrap();
    for sds in [[1.0, 0.6, 1.0], [0.5, 0.3, 1.0], [0.0, 0.0, 1.0]] {
        let found = count(&format!("singular {sds:?}"), sets, |stream| {
            [Some(plan.components(&study.results(stream, sds)).unwrap().singular)]
        });
        line(&format!("some component estimated as zero, {sds:?}"), found[0]);
    }
}

fn main() {
    for sds in [[1.0, 0.6, 1.0], [0.5, 0.3, 1.0], [0.0, 0.0, 1.0]] {
        balanced(sds, 20_000);
    }
    for (sds, lost) in [([1.0, 0.6, 1.0], 0), ([1.0, 0.6, 1.0], 4), ([0.5, 0.3, 1.0], 4)] {
        likelihood(sds, lost, 4_000);
    }
    singular(100_000);
}
