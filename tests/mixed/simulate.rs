//! A small seeded source of normal numbers for made-up data: repeatable on every machine, of no other use.

use wellrun::numeric::Matrix;
use wellrun::stats::mixed::{MixedProblem, RandomTerm};

pub struct Stream(u64);

impl Stream {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }

    /// `SplitMix64` (Steele, Lea & Flood 2014).
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    pub fn below(&mut self, n: usize) -> usize {
        (self.uniform() * n as f64) as usize
    }

    /// Box–Muller.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Effects of random groups added to readings.
pub fn add_effects(stream: &mut Stream, y: &mut [f64], groups: &[u32], levels: usize, sd: f64) {
    let effects: Vec<f64> = (0..levels).map(|_| sd * stream.normal()).collect();
    for (value, &group) in y.iter_mut().zip(groups) {
        *value += effects[group as usize];
    }
}

/// A split-plot of `blocks` × 2 whole plots × 4 sub-plots, some of its rows lost: whole-plot factor, two sub-plot
/// factors of two levels, their two-way products, blocks and whole plots random.
pub fn split_plot(stream: &mut Stream, blocks: u32, lose: usize, sds: [f64; 3]) -> MixedProblem {
    let mut rows: Vec<(u32, u32, u32)> = (0..blocks)
        .flat_map(|b| (0..2).flat_map(move |w| (0..4).map(move |s| (b, w, s))))
        .collect();
    for _ in 0..lose {
        let at = stream.below(rows.len());
        rows.remove(at);
    }
    let sign = |on: bool| if on { 1.0 } else { -1.0 };
    let (mut columns, n) = (vec![Vec::new(); 7], rows.len());
    let (mut block, mut plot) = (Vec::new(), Vec::new());
    for &(b, w, s) in &rows {
        let (a, c, d) = (sign(w == 0), sign(s & 1 == 0), sign(s & 2 == 0));
        for (column, value) in columns.iter_mut().zip([1.0, a, c, d, a * c, a * d, c * d]) {
            column.push(value);
        }
        block.push(b);
        plot.push(2 * b + w);
    }
    let (block_levels, plot_levels) = (blocks as usize, 2 * blocks as usize);
    let mut y: Vec<f64> = (0..n).map(|_| 50.0 + sds[2] * stream.normal()).collect();
    add_effects(stream, &mut y, &block, block_levels, sds[0]);
    add_effects(stream, &mut y, &plot, plot_levels, sds[1]);
    MixedProblem {
        y,
        x: Matrix::from_columns(&columns),
        terms: vec![
            RandomTerm::intercept(plot, plot_levels),
            RandomTerm::intercept(block, block_levels),
        ],
        weights: None,
    }
}
