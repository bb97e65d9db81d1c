//! Screening matrices: two-level columns, each pair of them balanced.
//!
//! In:  a number of runs, a multiple of 4 from 8 to 48.
//! Out: runs × (runs − 1) levels, 0 for minus and 1 for plus.
//! Method: squares of a finite field (Paley 1933), whose rows for 8, 12 and 20 runs are those of Plackett and Burman (1946)
//! Biometrika 33:305, Paley's second construction for 36 runs, doubling for 16, 32 and 40. From memory; each matrix is
//! checked. Reference values: tests/reference/screening-design-rows-8-12-20.

use super::field::Field;

/// The matrix for `runs` runs; `None` unless `runs` is a multiple of 4 from 8 to 48.
#[must_use]
pub fn screening(runs: usize) -> Option<Vec<Vec<u8>>> {
    let matrix = match runs {
        8 | 12 | 20 | 24 | 28 | 44 | 48 => first(runs - 1)?,
        16 | 32 | 40 => doubled(&screening(runs / 2)?),
        36 => without_first(&second(17)?),
        _ => return None,
    };
    is_balanced(&matrix).then_some(matrix)
}

/// Row i has plus in column j where i = j or j − i is a square; a row of minuses ends it.
fn first(q: usize) -> Option<Vec<Vec<u8>>> {
    let field = Field::new(q)?;
    let mut rows: Vec<Vec<u8>> = (0..q)
        .map(|i| {
            (0..q)
                .map(|j| u8::from(i == j || field.is_square(field.add(j, field.negative(i)))))
                .collect()
        })
        .collect();
    rows.push(vec![0; q]);
    Some(rows)
}

/// Twice the runs and once more the columns: each column times the half, so that the first ones make a fold-over; the half; each
/// column again.
fn doubled(matrix: &[Vec<u8>]) -> Vec<Vec<u8>> {
    [1, 0]
        .iter()
        .flat_map(|&half| {
            matrix.iter().map(move |row| {
                let turned = row.iter().map(move |&level| if half == 1 { level } else { 1 - level });
                turned.chain([half]).chain(row.iter().copied()).collect()
            })
        })
        .collect()
}

/// Paley's second matrix of order 2(q + 1), with entries ±1.
fn second(q: usize) -> Option<Vec<Vec<i8>>> {
    let field = Field::new(q)?;
    let core = |i: usize, j: usize| -> i8 {
        match (i, j) {
            (0, 0) => 0,
            (0, _) | (_, 0) => 1,
            _ if i == j => 0,
            _ if field.is_square(field.add(i - 1, field.negative(j - 1))) => 1,
            _ => -1,
        }
    };
    let n = 2 * (q + 1);
    Some(
        (0..n)
            .map(|row| {
                (0..n)
                    .map(|column| {
                        let entry = core(row / 2, column / 2);
                        match (entry, row % 2, column % 2) {
                            (0, 0, 0) => 1,
                            (0, _, _) => -1,
                            (_, 1, 1) => -entry,
                            _ => entry,
                        }
                    })
                    .collect()
            })
            .collect(),
    )
}

/// Rows turned so that the first column is plus throughout, and that column left out.
fn without_first(matrix: &[Vec<i8>]) -> Vec<Vec<u8>> {
    matrix
        .iter()
        .map(|row| row[1..].iter().map(|&entry| u8::from(entry * row[0] > 0)).collect())
        .collect()
}

/// Every column and every product of two columns has as many pluses as minuses.
fn is_balanced(matrix: &[Vec<u8>]) -> bool {
    let columns = matrix.len() - 1;
    (0..columns).all(|a| {
        let plus = matrix.iter().filter(|row| row[a] == 1).count();
        2 * plus == matrix.len()
            && (0..a).all(|b| 2 * matrix.iter().filter(|row| row[a] == row[b]).count() == matrix.len())
    })
}

#[cfg(test)]
mod tests {
    use super::{is_balanced, screening};

    /// Closed form: orthogonality. Published: first row of the 12-run design, Plackett and Burman (1946), from memory.
    #[test]
    fn every_multiple_of_four_up_to_48_is_there() {
        for runs in (8..=48).step_by(4) {
            let matrix = screening(runs).unwrap();
            assert_eq!((matrix.len(), matrix[0].len()), (runs, runs - 1));
            assert!(is_balanced(&matrix), "{runs}");
        }
        let row: String = screening(12).unwrap()[0]
            .iter()
            .map(|&level| if level == 1 { '+' } else { '-' })
            .collect();
        assert_eq!(row, "++-+++---+-");
        for runs in [0, 4, 10, 52] {
            assert_eq!(screening(runs), None);
        }
    }
}
