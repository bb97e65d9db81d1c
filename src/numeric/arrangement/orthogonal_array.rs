//! Orthogonal arrays of strength two with two-, three-, four- and more-level columns.
//!
//! In:  numbers of levels, one a factor.
//! Out: runs × factors, levels from 0: in every two columns each pair of levels stands equally often.
//! Method: points and lines over finite fields (Bush 1952), lines of two-level columns joined to four levels (Addelman 1962),
//! difference schemes for 18 and 36 runs (Bose and Bush 1952). From memory; each array is checked when it is made.

use super::field::Field;
use super::screening::screening;

/// Most runs of an array.
const MOST_RUNS: usize = 128;

/// Rows of a difference scheme: in every two rows each difference modulo 3 stands equally often.
const SIX: [&str; 6] = ["000000", "001122", "010212", "012021", "021201", "022110"];
/// The same for twelve rows, found by a search.
const TWELVE: [&str; 12] = [
    "000000000000",
    "000011112222",
    "000102221112",
    "001220120121",
    "010221202011",
    "012012020211",
    "012120012102",
    "012202111020",
    "021020211210",
    "021102102201",
    "021211021002",
    "022111200120",
];

/// The smallest array for factors with these numbers of levels, or the one with exactly `runs` runs; `None` if none is built here.
#[must_use]
pub fn orthogonal_array(levels: &[usize], runs: Option<usize>) -> Option<Vec<Vec<usize>>> {
    if levels.is_empty() || levels.iter().any(|&count| count < 2) {
        return None;
    }
    let sizes: Vec<usize> = match runs {
        Some(runs) => vec![runs],
        None => (4..=MOST_RUNS).collect(),
    };
    sizes
        .into_iter()
        .filter(|&runs| runs <= MOST_RUNS && could_hold(levels, runs))
        .find_map(|runs| {
            arrays(levels, runs)
                .into_iter()
                .find_map(|array| fitted(&array, levels))
                .filter(|array| has_strength_two(array))
        })
}

/// The numbers of runs up to 128 for which an array is built for these levels.
#[must_use]
pub fn orthogonal_array_runs(levels: &[usize]) -> Vec<usize> {
    (4..=MOST_RUNS)
        .filter(|&runs| orthogonal_array(levels, Some(runs)).is_some())
        .collect()
}

/// Degrees of freedom and even pairs allow it.
fn could_hold(levels: &[usize], runs: usize) -> bool {
    let spent: usize = levels.iter().map(|count| count - 1).sum();
    spent < runs
        && levels
            .iter()
            .enumerate()
            .all(|(i, a)| runs.is_multiple_of(*a) && levels[..i].iter().all(|b| runs.is_multiple_of(a * b)))
}

/// Columns of the arrays of a size, each a list of levels.
fn arrays(levels: &[usize], runs: usize) -> Vec<Vec<Vec<usize>>> {
    let mut found = Vec::new();
    for q in [2, 3, 4, 5, 7, 8, 9] {
        found.extend(linear(q, runs));
    }
    if runs.is_power_of_two() {
        let fours = levels.iter().filter(|&&count| count == 4).count();
        let eights = levels.iter().filter(|&&count| count == 8).count();
        found.extend(joined(runs, fours, eights));
    }
    if let Some(matrix) = screening(runs) {
        let columns = runs - 1;
        found.push(
            (0..columns)
                .map(|column| matrix.iter().map(|row| usize::from(row[column])).collect())
                .collect(),
        );
    }
    match runs {
        18 => found.push(eighteen()),
        36 => found.extend(thirty_six().into_iter().flatten()),
        _ => {}
    }
    if levels.iter().product::<usize>() == runs {
        found.push(whole(levels, runs));
    }
    found
}

/// Columns of an array put to factors: each factor takes the next unused column with its number of levels.
fn fitted(columns: &[Vec<usize>], levels: &[usize]) -> Option<Vec<Vec<usize>>> {
    let counts: Vec<usize> = columns.iter().map(|c| c.iter().max().map_or(0, |m| m + 1)).collect();
    let mut used = vec![false; columns.len()];
    let mut chosen = Vec::new();
    for &wanted in levels {
        let place = (0..columns.len()).find(|&c| !used[c] && counts[c] == wanted)?;
        used[place] = true;
        chosen.push(&columns[place]);
    }
    let runs = columns.first()?.len();
    Some(
        (0..runs)
            .map(|run| chosen.iter().map(|column| column[run]).collect())
            .collect(),
    )
}

/// In every two columns each pair of levels stands equally often.
#[must_use]
pub fn has_strength_two(array: &[Vec<usize>]) -> bool {
    let factors = array.first().map_or(0, Vec::len);
    let levels: Vec<usize> = (0..factors)
        .map(|f| array.iter().filter_map(|row| row.get(f)).max().map_or(0, |m| m + 1))
        .collect();
    (0..factors).all(|a| {
        (0..a).all(|b| {
            let mut counts = vec![0; levels[a] * levels[b]];
            for row in array {
                counts[row[a] * levels[b] + row[b]] += 1;
            }
            counts.iter().all(|&count| count * counts.len() == array.len())
        })
    })
}

/// All points of dimension m over the field of q; one column for each direction.
fn linear(q: usize, runs: usize) -> Option<Vec<Vec<usize>>> {
    let mut dimension = 0;
    let mut size = 1;
    while size < runs {
        size *= q;
        dimension += 1;
    }
    if size != runs || dimension < 2 {
        return None;
    }
    let field = Field::new(q)?;
    let digits = |number: usize| -> Vec<usize> {
        let mut rest = number;
        (0..dimension)
            .map(|_| {
                let digit = rest % q;
                rest /= q;
                digit
            })
            .collect()
    };
    let points: Vec<Vec<usize>> = (0..runs).map(digits).collect();
    // A direction's first entry that is not zero is one: (0…01*…).
    Some(
        points
            .iter()
            .filter(|direction| direction.iter().rev().find(|&&d| d != 0) == Some(&1))
            .map(|direction| {
                points
                    .iter()
                    .map(|point| {
                        point
                            .iter()
                            .zip(direction)
                            .fold(0, |sum, (&x, &d)| field.add(sum, field.multiply(x, d)))
                    })
                    .collect()
            })
            .collect(),
    )
}

/// Two-level columns of 2^m runs, some joined three at a time to four levels, some seven at a time to eight.
fn joined(runs: usize, fours: usize, eights: usize) -> Option<Vec<Vec<usize>>> {
    let bits = |sum: usize, run: usize| (sum & run).count_ones() as usize % 2;
    let mut used = vec![false; runs];
    let mut columns = Vec::new();
    for (wanted, dimension) in [(eights, 3), (fours, 2)] {
        let spread = if dimension == 2 {
            spread(runs.ilog2() as usize)
        } else {
            Vec::new()
        };
        let is_free = |basis: &Vec<usize>| (1..1 << dimension).all(|c| !used[combined(basis, c)]);
        let ready: Vec<Vec<usize>> = spread.into_iter().filter(is_free).take(wanted).collect();
        let spaces = if ready.len() == wanted {
            ready
        } else {
            disjoint(&used, runs, wanted, dimension, &mut 20_000)?
        };
        for basis in spaces {
            for combination in 1..1_usize << dimension {
                used[combined(&basis, combination)] = true;
            }
            columns.push(
                (0..runs)
                    .map(|run| basis.iter().fold(0, |level, &b| 2 * level + bits(b, run)))
                    .collect(),
            );
        }
    }
    columns.extend(
        (1..runs)
            .filter(|&sum| !used[sum])
            .map(|sum| (0..runs).map(|run| bits(sum, run)).collect()),
    );
    Some(columns)
}

/// Lines without a point in common in the space of dimension `m` over two elements, as many as there can be: (w, a w) for all
/// w in a plane and each a of the field on the other coordinates, then the same in those.
fn spread(m: usize) -> Vec<Vec<usize>> {
    let rest = match m {
        0 | 1 => return Vec::new(),
        2 | 3 => return vec![vec![1, 2]],
        _ => m - 2,
    };
    let own = Field::new(1 << rest).map_or_else(Vec::new, |field| {
        (0..field.order())
            .map(|a| [1, 2].map(|w| w << rest | field.multiply(a, w)).to_vec())
            .collect()
    });
    [own, spread(rest)].concat()
}

fn combined(basis: &[usize], combination: usize) -> usize {
    basis
        .iter()
        .enumerate()
        .filter(|(i, _)| combination >> i & 1 == 1)
        .fold(0, |sum, (_, b)| sum ^ b)
}

/// Spaces of two-level columns without a column in common.
fn disjoint(used: &[bool], runs: usize, wanted: usize, dimension: usize, steps: &mut usize) -> Option<Vec<Vec<usize>>> {
    if wanted == 0 {
        return Some(Vec::new());
    }
    // Some space must begin somewhere: at the first free column, or that column is never used.
    for first in (1..runs).filter(|&c| !used[c]) {
        let seconds: Vec<usize> = (first + 1..runs).filter(|&c| !used[c]).collect();
        let bases: Vec<Vec<usize>> = match dimension {
            2 => seconds.iter().map(|&second| vec![first, second]).collect(),
            _ => seconds
                .iter()
                .flat_map(|&second| {
                    seconds
                        .iter()
                        .filter(move |&&t| t > second)
                        .map(move |&third| vec![first, second, third])
                })
                .collect(),
        };
        for basis in bases {
            if *steps == 0 {
                return None;
            }
            *steps -= 1;
            let own: Vec<usize> = (1..1_usize << dimension).map(|c| combined(&basis, c)).collect();
            if own.iter().any(|&c| c == 0 || used[c]) {
                continue;
            }
            let mut taken = used.to_vec();
            own.iter().for_each(|&c| taken[c] = true);
            taken[..first].fill(true);
            if let Some(mut rest) = disjoint(&taken, runs, wanted - 1, dimension, steps) {
                rest.push(basis);
                return Some(rest);
            }
        }
    }
    None
}

/// 18 runs: one two-level column and seven three-level ones.
fn eighteen() -> Vec<Vec<usize>> {
    let scheme: Vec<Vec<usize>> = SIX
        .iter()
        .map(|row| row.bytes().map(|b| usize::from(b - b'0')).collect())
        .collect();
    let mut columns = moved_on(&scheme);
    // The number of the scheme's column, from 0 to 5, is orthogonal to them all: halves and thirds of it are two more columns.
    columns.push((0..18).map(|run| run / 3 % 2).collect());
    columns.push((0..18).map(|run| run / 6).collect());
    columns
}

/// Each row of a difference scheme, each entry with 0, 1 and 2 added.
fn moved_on(scheme: &[Vec<usize>]) -> Vec<Vec<usize>> {
    scheme
        .iter()
        .map(|row| {
            row.iter()
                .flat_map(|entry| (0..3).map(move |add| (entry + add) % 3))
                .collect()
        })
        .collect()
}

/// 36 runs: twelve three-level columns, and eleven two-level ones or one more of three levels and one of four.
fn thirty_six() -> Option<Vec<Vec<Vec<usize>>>> {
    let scheme: Vec<Vec<usize>> = TWELVE
        .iter()
        .map(|row| row.bytes().map(|b| usize::from(b - b'0')).collect())
        .collect();
    let threes = moved_on(&scheme);
    let matrix = screening(12)?;
    let twos = (0..11).map(|column| (0..36).map(|run| usize::from(matrix[run / 3][column])).collect());
    let split = [
        (0..36).map(|run| run / 12).collect(),
        (0..36).map(|run| run / 3 % 4).collect(),
    ];
    Some(vec![
        threes.iter().cloned().chain(twos).collect(),
        threes.iter().cloned().chain(split).collect(),
    ])
}

/// Every combination.
fn whole(levels: &[usize], runs: usize) -> Vec<Vec<usize>> {
    let mut each = runs;
    levels
        .iter()
        .map(|&count| {
            each /= count;
            let step = each;
            (0..runs).map(|run| run / step % count).collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: strength two. The names of the arrays are those under which they are tabulated.
    #[test]
    fn tabulated_arrays_are_built() {
        for (levels, runs) in [
            (vec![2; 7], 8),
            (vec![3; 4], 9),
            (vec![2; 11], 12),
            (vec![4; 5], 16),
            ([vec![4; 2], vec![2; 9]].concat(), 16),
            ([vec![8], vec![2; 8]].concat(), 16),
            ([vec![2], vec![3; 7]].concat(), 18),
            (vec![5; 6], 25),
            (vec![3; 13], 27),
            ([vec![4; 9], vec![2; 4]].concat(), 32),
            ([vec![3; 12], vec![2; 11]].concat(), 36),
            ([vec![4], vec![3; 13]].concat(), 36),
            (vec![7; 8], 49),
            (vec![4; 21], 64),
            (vec![3; 40], 81),
        ] {
            let array = orthogonal_array(&levels, None).unwrap_or_else(|| panic!("{runs}: {levels:?}"));
            assert_eq!(array.len(), runs, "{levels:?}");
            assert!(has_strength_two(&array));
            assert!(
                array
                    .iter()
                    .all(|row| row.iter().zip(&levels).all(|(l, count)| l < count))
            );
        }
    }

    #[test]
    fn what_is_not_built_is_refused() {
        assert_eq!(orthogonal_array(&[3, 3, 3, 3, 3], Some(9)), None);
        assert_eq!(orthogonal_array(&[2, 3], Some(8)), None);
        assert_eq!(orthogonal_array(&[6; 8], None), None);
        assert_eq!(orthogonal_array(&[], None), None);
        assert!(!has_strength_two(&[vec![0, 0], vec![1, 1]]));
        assert_eq!(orthogonal_array_runs(&[3, 3])[..3], [9, 18, 27]);
    }
}
