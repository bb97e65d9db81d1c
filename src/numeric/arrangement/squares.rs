//! Squares: Latin, Graeco-Latin, and those balanced for what the previous treatment left.
//!
//! In:  an order t.
//! Out: t × t symbols, two such squares that meet in each pair once, or sequences of treatments.
//! Method: finite fields and their products (`MacNeish` 1922, from memory); Williams (1949) Australian J. Scientific
//! Research A2:149. Reference values: tests/reference/carry-over-balanced-squares.

use super::field::Field;

/// The square whose row i is 0, 1, … moved on by i.
#[must_use]
pub fn cyclic_square(t: usize) -> Vec<Vec<usize>> {
    (0..t).map(|i| (0..t).map(|j| (i + j) % t).collect()).collect()
}

/// Two Latin squares of order `t` in which each pair of symbols meets once.
///
/// `None` for 1, 2 and 6, where there are none (Euler, Tarry 1900), and for 10, 14, 18, …, where some exist that are not
/// built here.
#[must_use]
pub fn orthogonal_pair(t: usize) -> Option<[Vec<Vec<usize>>; 2]> {
    if t < 3 || t % 4 == 2 {
        return None;
    }
    let mut pair = [vec![vec![0]], vec![vec![0]]];
    let mut rest = t;
    let mut p = 2;
    while rest > 1 {
        let mut power = 1;
        while rest.is_multiple_of(p) {
            rest /= p;
            power *= p;
        }
        if power > 1 {
            let field = Field::new(power)?;
            for (square, step) in pair.iter_mut().zip([1, 2]) {
                let own: Vec<Vec<usize>> = (0..power)
                    .map(|i| (0..power).map(|j| field.add(field.multiply(step, i), j)).collect())
                    .collect();
                *square = product(square, &own);
            }
        }
        p += 1;
    }
    Some(pair)
}

/// The square of pairs of symbols.
fn product(outer: &[Vec<usize>], inner: &[Vec<usize>]) -> Vec<Vec<usize>> {
    let n = inner.len();
    (0..outer.len() * n)
        .map(|i| {
            (0..outer.len() * n)
                .map(|j| outer[i / n][j / n] * n + inner[i % n][j % n])
                .collect()
        })
        .collect()
}

/// Sequences of `t` treatments in which each follows each other one equally often: t of them if t is even, else 2t.
#[must_use]
pub fn williams(t: usize) -> Vec<Vec<usize>> {
    // 0, 1, t − 1, 2, t − 2, …: the steps between neighbours are all different.
    let first: Vec<usize> = (0..t)
        .map(|place| {
            if place % 2 == 1 {
                place.div_ceil(2)
            } else {
                (t - place / 2) % t
            }
        })
        .collect();
    let mut sequences: Vec<Vec<usize>> = (0..t)
        .map(|shift| first.iter().map(|symbol| (symbol + shift) % t).collect())
        .collect();
    if t % 2 == 1 {
        let turned: Vec<Vec<usize>> = sequences
            .iter()
            .map(|sequence| sequence.iter().rev().copied().collect())
            .collect();
        sequences.extend(turned);
    }
    sequences
}

/// How often each treatment (row) is followed directly by each other (column), over all sequences.
#[must_use]
pub fn carry_over_counts(sequences: &[Vec<usize>], treatments: usize) -> Vec<Vec<usize>> {
    let mut counts = vec![vec![0; treatments]; treatments];
    for pair in sequences.iter().flat_map(|sequence| sequence.windows(2)) {
        if let Some(count) = counts.get_mut(pair[0]).and_then(|row| row.get_mut(pair[1])) {
            *count += 1;
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    fn is_latin(square: &[Vec<usize>]) -> bool {
        let t = square.len();
        let all: BTreeSet<usize> = (0..t).collect();
        square
            .iter()
            .all(|row| row.iter().copied().collect::<BTreeSet<_>>() == all)
            && (0..t).all(|j| square.iter().map(|row| row[j]).collect::<BTreeSet<_>>() == all)
    }

    /// Closed form. Orders 1, 2 and 6 have no pair; 10 is not built.
    #[test]
    fn pairs_of_squares_meet_in_each_pair_once() {
        for t in 3..=28 {
            let Some([a, b]) = orthogonal_pair(t) else {
                assert_eq!(t % 4, 2, "{t}");
                continue;
            };
            assert!(is_latin(&a) && is_latin(&b), "{t}");
            let met: BTreeSet<(usize, usize)> = a.concat().into_iter().zip(b.concat()).collect();
            assert_eq!(met.len(), t * t, "{t}");
        }
        assert!(is_latin(&cyclic_square(7)));
        assert_eq!(orthogonal_pair(2), None);
    }

    /// Closed form: the property of Williams (1949) for 2 to 26 treatments.
    #[test]
    fn each_treatment_follows_each_other_equally_often() {
        for t in 2..=26 {
            let sequences = williams(t);
            let each = 1 + t % 2;
            assert_eq!(sequences.len(), t * each);
            let counts = carry_over_counts(&sequences, t);
            for (a, row) in counts.iter().enumerate() {
                for (b, &count) in row.iter().enumerate() {
                    assert_eq!(count, if a == b { 0 } else { each }, "{t}: {a} before {b}");
                }
            }
            for period in 0..t {
                for treatment in 0..t {
                    let times = sequences.iter().filter(|s| s[period] == treatment).count();
                    assert_eq!(times, each, "{t}");
                }
            }
        }
    }
}
