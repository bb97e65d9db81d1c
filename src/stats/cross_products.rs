//! Sums of squares and products of columns over many rows, in one pass over them.
//!
//! In:  columns of one length. Out: their means, and the sums of products of their departures from these.
//! Method: blocks of rows that stay in the fastest memory, each less the mean of the first block, which takes the common
//! size out of the products; two columns against two at a time, four rows abreast. The order of the additions is fixed.
//! Never here: rank, coefficients.

/// Means and centred products of some columns.
pub(super) struct Products {
    pub(super) means: Vec<f64>,
    /// Lower triangle in rows: entry (i, j), j ≤ i, at i·p + j.
    pub(super) sums: Vec<f64>,
}

/// Numbers of a block, over all columns: 32 KiB.
const BLOCK: usize = 4096;
/// Rows abreast.
const LANES: usize = 4;

impl Products {
    /// `centred` false takes nothing out: sums about 0, means 0.
    pub(super) fn new(columns: &[&[f64]], centred: bool) -> Self {
        let (p, n) = (columns.len(), columns.first().map_or(0, |column| column.len()));
        let rows = (BLOCK / p.max(1)).clamp(LANES, 512) / LANES * LANES;
        let shifts: Vec<f64> = columns
            .iter()
            .map(|column| {
                let first = &column[..rows.min(n)];
                if centred {
                    first.iter().sum::<f64>() / first.len().max(1) as f64
                } else {
                    0.0
                }
            })
            .collect();
        let mut block = vec![0.0; p * rows];
        let mut sums = vec![0.0; p * p];
        let mut totals = vec![0.0; p];
        for start in (0..n).step_by(rows) {
            let here = rows.min(n - start);
            for ((own, column), (shift, total)) in block
                .chunks_exact_mut(rows)
                .zip(columns)
                .zip(shifts.iter().zip(&mut totals))
            {
                for (value, x) in own.iter_mut().zip(&column[start..start + here]) {
                    *value = x - shift;
                }
                own[here..].fill(0.0);
                *total += added_up(own);
            }
            let column = |j: usize| &block[j * rows..(j + 1) * rows];
            for i in (0..p).step_by(2) {
                for j in (0..=i).step_by(2) {
                    // Beyond the last column the pair repeats it, and what comes of it is not kept.
                    let (i1, j1) = ((i + 1).min(p - 1), (j + 1).min(p - 1));
                    let four = pair_products(column(i), column(i1), column(j), column(j1));
                    sums[i * p + j] += four[0];
                    if j1 > j {
                        sums[i * p + j1] += four[1];
                    }
                    if i1 > i {
                        sums[i1 * p + j] += four[2];
                        if j1 > j {
                            sums[i1 * p + j1] += four[3];
                        }
                    }
                }
            }
        }
        if centred && n > 0 {
            for i in 0..p {
                for j in 0..=i {
                    sums[i * p + j] -= totals[i] * (totals[j] / n as f64);
                }
            }
        }
        Self {
            means: shifts
                .iter()
                .zip(&totals)
                .map(|(shift, total)| if centred { shift + total / n as f64 } else { 0.0 })
                .collect(),
            sums,
        }
    }
}

/// The sum over lanes.
fn total(lanes: [f64; LANES]) -> f64 {
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

/// The sum of numbers whose count is a multiple of `LANES`, in lanes side by side.
fn added_up(numbers: &[f64]) -> f64 {
    let mut lanes = [0.0_f64; LANES];
    for four in numbers.as_chunks::<LANES>().0 {
        for lane in 0..LANES {
            lanes[lane] += four[lane];
        }
    }
    total(lanes)
}

/// Σ (xᵢ − mean) rᵢ, in lanes side by side.
pub(super) fn about_mean(x: &[f64], mean: f64, r: &[f64]) -> f64 {
    let mut lanes = [0.0_f64; LANES];
    let ((x, x_rest), (r, r_rest)) = (x.as_chunks::<LANES>(), r.as_chunks::<LANES>());
    for (x, r) in x.iter().zip(r) {
        for lane in 0..LANES {
            lanes[lane] += (x[lane] - mean) * r[lane];
        }
    }
    let rest: f64 = x_rest.iter().zip(r_rest).map(|(x, r)| (x - mean) * r).sum();
    total(lanes) + rest
}

/// a·c, a·d, b·c, b·d.
fn pair_products(a: &[f64], b: &[f64], c: &[f64], d: &[f64]) -> [f64; 4] {
    // Arrays, not slices of slices: the compiler then keeps the sixteen sums in registers.
    let fours = |of| <[f64]>::as_chunks::<LANES>(of).0;
    let mut four = [[0.0_f64; LANES]; 4];
    for ((a, b), (c, d)) in fours(a).iter().zip(fours(b)).zip(fours(c).iter().zip(fours(d))) {
        for lane in 0..LANES {
            four[0][lane] += a[lane] * c[lane];
            four[1][lane] += a[lane] * d[lane];
            four[2][lane] += b[lane] * c[lane];
            four[3][lane] += b[lane] * d[lane];
        }
    }
    [total(four[0]), total(four[1]), total(four[2]), total(four[3])]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::sum;

    /// Independent: the compensated sums of `numeric::sum`, over lengths and widths that leave remainders of all kinds.
    #[test]
    fn products_are_those_of_single_pairs() {
        for (n, p) in [(1, 1), (5, 2), (700, 3), (1031, 6), (2000, 1)] {
            let columns: Vec<Vec<f64>> = (0..p)
                .map(|j| (0..n).map(|i| 1e6 + ((i * (3 + j) + j * j) % 17) as f64).collect())
                .collect();
            let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            let found = Products::new(&views, true);
            for i in 0..p {
                let (mean, own) = sum::centred(&columns[i]);
                assert!((found.means[i] - mean).abs() < 1e-9);
                for (j, other) in columns[..=i].iter().enumerate() {
                    let expected = sum::dot(&own, &sum::centred(other).1);
                    let scale = 1.0 + n as f64 * 36.0;
                    assert!(
                        (found.sums[i * p + j] - expected).abs() < 1e-12 * scale,
                        "{n} {p} {i} {j}"
                    );
                }
            }
            let plain = Products::new(&views, false);
            assert_eq!(plain.means, vec![0.0; p]);
            let expected = sum::dot(&columns[p - 1], &columns[0]);
            assert!((plain.sums[(p - 1) * p] / expected - 1.0).abs() < 1e-13);
        }
    }
}
