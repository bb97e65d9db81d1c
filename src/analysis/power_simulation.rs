//! Power by simulation, where no closed form holds: studies that do not fill their strata evenly.
//!
//! In:  a protocol, what is assumed, the runs, the size of each term's effect.
//! Out: for each term how often its test found the effect, of how many, and the mean degrees of freedom of the tests.
//!
//! Results are drawn from normal spreads, one stream a simulation (purpose in its name), and go through the very same
//! fit as those of a real study. Tests do not change with the true size of other terms, so that all effects are there at
//! once. Counts are added in order: the number of threads changes nothing.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::fit::Fit;
use super::frame::Frame;
use super::power_strength::{empty_frame, pattern, reading_variance};
use super::response::effects;
use crate::numeric::stream::Stream;
use crate::plan::{PlannedRun, Term, terms};
use crate::protocol::{AnalysisPlan, Assumed, ModelPlan, Protocol};

/// What the simulations of one term came to.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Tally {
    /// In how many the test found the effect.
    pub found: usize,
    /// How many gave a test.
    pub tests: usize,
    /// Sum of the denominator degrees of freedom of the tests.
    pub df: f64,
}

/// Simulates `count` studies with effects of `sizes`, one for each term of the model.
pub(super) fn simulate(
    protocol: &Protocol,
    assumed: &Assumed,
    runs: &[PlannedRun],
    sizes: &[f64],
    count: usize,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Vec<Tally> {
    // Covariates and weights are not known beforehand.
    let protocol = &Protocol {
        analysis: AnalysisPlan {
            model: ModelPlan::default(),
            ..protocol.analysis.clone()
        },
        ..protocol.clone()
    };
    let terms = terms(protocol);
    let frame = empty_frame(protocol, runs);
    let fixed = fixed_part(protocol, &terms, &frame, sizes);
    let structure = frame.structure(protocol);
    let spreads: Vec<(Vec<u32>, usize, f64)> = assumed
        .spreads
        .iter()
        .map(|spread| {
            let (cell, cells) = frame.cells(&structure.closure(&spread.units));
            (cell, cells, spread.sd)
        })
        .collect();
    let noise = reading_variance(&protocol.responses[assumed.response], assumed).sqrt();
    let alpha = 1.0 - protocol.analysis.confidence;
    let done = AtomicUsize::new(0);
    let one = |index: usize| -> Vec<Option<(bool, f64)>> {
        let response = &protocol.responses[assumed.response].name;
        let mut stream = Stream::named(&format!(
            "wellrun power 1\nprotocol {}\nresponse {response}\nsimulation {index}\n",
            protocol.sha256
        ));
        let mut frame = frame.clone();
        for (row, value) in frame.rows.iter_mut().zip(&fixed) {
            row.result = value + noise * stream.normal();
        }
        for (cell, cells, sd) in &spreads {
            let values: Vec<f64> = (0..*cells).map(|_| sd * stream.normal()).collect();
            for (row, &cell) in frame.rows.iter_mut().zip(cell) {
                row.result += values[cell as usize];
            }
        }
        progress(done.fetch_add(1, Ordering::Relaxed) + 1, count);
        let Ok(fit) = Fit::new(protocol, &frame, response) else {
            return vec![None; terms.len()];
        };
        effects(protocol, &fit)
            .iter()
            .map(|effect| Some((effect.p? < alpha, effect.denominator_df?)))
            .collect()
    };
    let outcomes: Vec<Vec<Option<(bool, f64)>>> = (0..count).into_par_iter().map(one).collect();
    let mut tallies = vec![Tally::default(); terms.len()];
    for outcome in &outcomes {
        for (tally, test) in tallies.iter_mut().zip(outcome) {
            if let Some((found, df)) = test {
                tally.found += usize::from(*found);
                tally.tests += 1;
                tally.df += df;
            }
        }
    }
    tallies
}

/// What the effects add to each run.
fn fixed_part(protocol: &Protocol, terms: &[Term], frame: &Frame, sizes: &[f64]) -> Vec<f64> {
    let mut values = vec![0.0; frame.rows.len()];
    for (term, size) in terms.iter().zip(sizes) {
        if let Some(pattern) = pattern(protocol, term, frame) {
            values
                .iter_mut()
                .zip(&pattern)
                .for_each(|(value, w)| *value += size * w);
        }
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::power_strength::{Test, holds};
    use crate::diagnostic::Source;
    use crate::plan::draw;
    use crate::stats::power::f_power;
    use crate::stats::randomization::clopper_pearson;

    /// Class: closed form. Where a formula holds, the simulation agrees with it: inside the 99.9 % interval.
    #[test]
    fn simulation_and_formula_agree() {
        let text = "wellrun = 1\n[study]\nid = \"t\"\nversion = \"1\"\ntitle = \"T\"\nquestion = \"Q\"\n\
            kind = \"ruggedness test\"\nmethod = \"M\"\n[response.y]\nmeasurand = \"Y\"\nunit = \"mm\"\nresolution = 0.1\n\
            readings = 3\nreading_time = \"any\"\nresult = \"mean\"\nround_to = \"none\"\n[[unit]]\nname = \"session\"\ncount = 6\n\
            [[unit]]\nname = \"run\"\nwithin = \"session\"\ncount = 2\n[factor.whole]\nset_on = \"session\"\nlevels = [\"a\", \"b\"]\n\
            [factor.sub]\nset_on = \"run\"\nlevels = [\"a\", \"b\"]\n[assumed.y]\nsource = \"S\"\n\
            spread = { session = 0.5, run = 0.8, reading = 0.9 }\n[analysis]\nplanned = [\"whole\"]\n";
        let (protocol, _) = crate::protocol::read(&Source::new("protocol.toml", text.to_owned())).unwrap();
        let assumed = &protocol.assumed[0];
        let runs = draw(&protocol, "", 1).unwrap();
        let sizes = [2.0, 1.2, 2.0];
        let tallies = simulate(&protocol, assumed, &runs, &sizes, 400, &|_, _| {});
        for ((hold, tally), size) in holds(&protocol, assumed, None).unwrap().iter().zip(&tallies).zip(sizes) {
            let Test::F {
                per_square, error_df, ..
            } = hold.test
            else {
                panic!("{hold:?}")
            };
            let power = f_power(per_square * size * size, 1.0, error_df, 0.05);
            let (low, high) = clopper_pearson(tally.found as f64, tally.tests as f64, 0.999);
            assert_eq!(tally.tests, 400);
            assert!(low < power && power < high, "{} {power} {low} {high}", hold.term.name);
            assert!((tally.df / 400.0 - error_df).abs() < 1e-9);
        }
        let again = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .unwrap()
            .install(|| simulate(&protocol, assumed, &runs, &sizes, 400, &|_, _| {}));
        assert_eq!(again, tallies);
    }
}
