//! Regular two-level fractions: words, their lengths, and a search for fractions with few short words.
//!
//! In:  numbers of factors and generators.
//! Out: words: sets of factors whose product is constant over the runs.
//!
//! | name    | symbol | meaning                                                        |
//! |---------|--------|----------------------------------------------------------------|
//! | factors | k      | number of two-level factors                                    |
//! | words   | p      | independent words; the fraction has 2^(k − p) runs             |
//! | pattern | Aⱼ     | number of words of length j among the 2^p − 1 products         |
//!
//! Minimum aberration: among equal k and p, Aⱼ is least at the first j at which two fractions differ (Fries and Hunter 1980,
//! from memory). Method of the search: columns are added one by one to the basis; the best fractions of each size are kept
//! and enlarged. It proves nothing, but reaches the least pattern of every published case in the tests.
//! Reference values: tests/reference/alias-structures-standard; Chen, Sun and Wu (1993) Int. Stat. Rev. 61:131 (from memory).

use std::collections::{BTreeMap, BTreeSet};

/// Most factors of a fraction.
pub const MOST_FACTORS: usize = 16;

/// Most fractions of one size that the search keeps.
const KEPT: usize = 48;
/// Entries of tables that the search fills for each size.
const WORK: usize = 1 << 21;

/// A set of factors (bit i for factor i) whose product is constant: plus, or minus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Word {
    /// Its factors.
    pub factors: u32,
    /// True if the product is minus.
    pub is_minus: bool,
}

impl Word {
    /// The product of two words.
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        Self {
            factors: self.factors ^ other.factors,
            is_minus: self.is_minus ^ other.is_minus,
        }
    }

    /// Number of factors.
    #[must_use]
    pub fn length(self) -> usize {
        self.factors.count_ones() as usize
    }
}

/// All products of some words but the empty one, by length, then factors. `words` holds 16 at most.
#[must_use]
pub fn span(words: &[Word]) -> Vec<Word> {
    let mut all = vec![Word {
        factors: 0,
        is_minus: false,
    }];
    for &word in words.iter().take(MOST_FACTORS) {
        let more: Vec<Word> = all.iter().map(|known| known.times(word)).collect();
        all.extend(more);
    }
    all.remove(0);
    all.sort_by_key(|word| (word.length(), word.factors.reverse_bits() ^ u32::MAX));
    all
}

/// The number of words of each length from 0 to `factors`.
#[must_use]
pub fn word_lengths(words: &[Word], factors: usize) -> Vec<usize> {
    let mut pattern = vec![0; factors + 1];
    for word in words {
        if let Some(count) = pattern.get_mut(word.length()) {
            *count += 1;
        }
    }
    pattern
}

/// Length of the shortest word; `None` without words.
#[must_use]
pub fn resolution(pattern: &[usize]) -> Option<usize> {
    pattern.iter().position(|&count| count > 0)
}

/// Words made independent: each keeps a factor, its pivot, that no other one holds. Words that follow from others fall out.
/// A contradiction, plus and minus of the same product, leaves a word of no factors.
#[must_use]
pub fn reduced(words: &[Word]) -> Vec<(u32, Word)> {
    let mut kept: Vec<(u32, Word)> = Vec::new();
    for &word in words {
        let mut word = word;
        for &(pivot, known) in &kept {
            if word.factors & pivot != 0 {
                word = word.times(known);
            }
        }
        if word.factors == 0 {
            if word.is_minus {
                return vec![(0, word)];
            }
            continue;
        }
        // The last factor: generated factors are mostly named after those that make them.
        let pivot = 1_u32 << word.factors.ilog2();
        for (_, known) in &mut kept {
            if known.factors & pivot != 0 {
                *known = known.times(word);
            }
        }
        kept.push((pivot, word));
    }
    kept
}

/// The runs of a fraction, 0 for minus and 1 for plus: the free factors in order, the last one fastest.
#[must_use]
pub fn runs(words: &[Word], factors: usize) -> Vec<Vec<u8>> {
    let words = reduced(words);
    let free: Vec<usize> = (0..factors)
        .filter(|&factor| words.iter().all(|(pivot, _)| pivot >> factor & 1 == 0))
        .collect();
    (0..1_usize << free.len())
        .map(|number| {
            let mut levels = vec![0_u8; factors];
            for (place, &factor) in free.iter().rev().enumerate() {
                levels[factor] = (number >> place & 1) as u8;
            }
            for &(pivot, word) in &words {
                let generated = pivot.trailing_zeros() as usize;
                let minuses = (0..factors)
                    .filter(|&factor| factor != generated && word.factors >> factor & 1 == 1 && levels[factor] == 0)
                    .count();
                // The product of the word is plus unless the word is minus.
                levels[generated] = u8::from((minuses % 2 == 0) != word.is_minus);
            }
            levels
        })
        .collect()
}

/// One fraction of the search.
struct Grown {
    pattern: Vec<usize>,
    columns: Vec<u32>,
    /// For each sum of columns, how many sets of j columns give it; j from 0 to the number of factors.
    sums: Vec<Vec<u32>>,
}

/// Generators of a fraction of `factors` factors in 2^`base` runs with as few short words as the search finds, or `None`
/// for more factors than 16 or than there are columns. The first `base` factors are free.
#[must_use]
pub fn search(factors: usize, base: usize) -> Option<Vec<Word>> {
    if factors > MOST_FACTORS || base == 0 || base > factors || factors >= 1 << base {
        return (base > 0 && base == factors && factors <= MOST_FACTORS).then(Vec::new);
    }
    let columns = 1_usize << base;
    let kept = (WORK / (columns * (factors + 1))).clamp(4, KEPT);
    let mut sums = vec![vec![0_u32; factors + 1]; columns];
    for (sum, counts) in sums.iter_mut().enumerate() {
        counts[sum.count_ones() as usize] = 1;
    }
    let mut beam = vec![Grown {
        pattern: vec![0; factors + 1],
        columns: (0..base).map(|i| 1_u32 << i).collect(),
        sums,
    }];
    for size in base..factors {
        // (pattern, number of the parent, column): the order is that of preference.
        let mut next: BTreeSet<(Vec<usize>, usize, u32)> = BTreeSet::new();
        for (parent, grown) in beam.iter().enumerate() {
            // Columns with the same sums do the same to the pattern; one of them is tried.
            let mut seen: BTreeMap<&[u32], u32> = BTreeMap::new();
            for column in 1..columns as u32 {
                if !grown.columns.contains(&column) {
                    seen.entry(&grown.sums[column as usize]).or_insert(column);
                }
            }
            for (counts, column) in seen {
                let mut pattern = grown.pattern.clone();
                for (length, &count) in counts.iter().enumerate().take(factors) {
                    pattern[length + 1] += count as usize;
                }
                next.insert((pattern, parent, column));
                if next.len() > 4 * kept {
                    next.pop_last();
                }
            }
        }
        let is_last = size + 1 == factors;
        let mut known: BTreeSet<(Vec<usize>, u64)> = BTreeSet::new();
        let mut grown = Vec::new();
        for (pattern, parent, column) in next {
            if grown.len() >= if is_last { 1 } else { kept } {
                break;
            }
            let parent = &beam[parent];
            let mut columns = parent.columns.clone();
            columns.push(column);
            let sums: Vec<Vec<u32>> = (0..parent.sums.len())
                .map(|sum| {
                    let (with, without) = (&parent.sums[sum ^ column as usize], &parent.sums[sum]);
                    (0..without.len())
                        .map(|j| without[j] + if j > 0 { with[j - 1] } else { 0 })
                        .collect()
                })
                .collect();
            if known.insert((pattern.clone(), likeness(&sums))) {
                grown.push(Grown { pattern, columns, sums });
            }
        }
        beam = grown;
    }
    let best = beam.into_iter().next()?;
    Some(
        (base..factors)
            .map(|factor| Word {
                factors: 1 << factor | best.columns[factor],
                is_minus: false,
            })
            .collect(),
    )
}

/// A number that equal designs share, whatever the order of their columns.
fn likeness(sums: &[Vec<u32>]) -> u64 {
    let mix = |hash: u64, value: u64| (hash ^ value).wrapping_mul(0x0100_0000_01b3).rotate_left(23);
    sums.iter()
        .map(|counts| {
            counts
                .iter()
                .fold(0xcbf2_9ce4_8422_2325, |hash, &c| mix(hash, u64::from(c)))
        })
        .fold(0, u64::wrapping_add)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(factors: usize, base: usize) -> Vec<usize> {
        word_lengths(&span(&search(factors, base).unwrap()), factors)[3..].to_vec()
    }

    fn starts(found: &[usize], wanted: &[usize]) -> bool {
        found.starts_with(wanted)
    }

    /// Published: minimum-aberration patterns of 8, 16 and 32 runs, Chen, Sun and Wu (1993), from memory.
    #[test]
    fn small_fractions_have_the_published_patterns() {
        for (factors, base, wanted) in [
            (6, 3, &[4, 3, 0, 0][..]),
            (7, 4, &[0, 7, 0, 0, 0]),
            (9, 4, &[4, 14, 8, 0, 4, 1, 0]),
            (12, 4, &[16, 39, 48, 48, 48, 39, 16, 0, 0, 1]),
            (7, 5, &[0, 1, 2, 0, 0]),
            (8, 5, &[0, 3, 4, 0, 0, 0]),
            (10, 5, &[0, 10, 16, 0, 0, 5, 0, 0]),
            (12, 5, &[0, 38, 0, 52, 0, 33, 0, 4, 0, 0]),
            (13, 5, &[0, 55, 0, 96, 0, 87, 0, 16, 0, 1, 0]),
            (14, 5, &[0, 77, 0, 168, 0, 203, 0, 56, 0, 7, 0, 0]),
            (15, 5, &[0, 105, 0, 280, 0, 435, 0, 168, 0, 35, 0, 0, 0]),
        ] {
            let found = pattern(factors, base);
            assert!(starts(&found, wanted), "2^({factors}-{}): {found:?}", factors - base);
        }
    }

    /// Published: 64 and 128 runs, Chen, Sun and Wu (1993) and the standard tables, from memory.
    #[test]
    fn larger_fractions_have_the_published_patterns() {
        for (factors, base, wanted) in [
            (9, 6, &[0, 1, 4, 2][..]),
            (10, 6, &[0, 2, 8, 4]),
            (11, 6, &[0, 4, 14, 8]),
            (12, 6, &[0, 6, 24, 16]),
            (13, 6, &[0, 14, 28, 24]),
            (10, 7, &[0, 0, 3, 3]),
            (11, 7, &[0, 0, 6, 6]),
            (12, 7, &[0, 1, 8, 12]),
        ] {
            let found = pattern(factors, base);
            assert!(starts(&found, wanted), "2^({factors}-{}): {found:?}", factors - base);
        }
    }

    /// Closed form: one word over all factors (p = 1), three words of equal length as nearly as can be (p = 2).
    #[test]
    fn few_generators_share_the_factors_out_evenly() {
        for k in 4..=15 {
            let one = word_lengths(&span(&search(k, k - 1).unwrap()), k);
            assert_eq!(resolution(&one), Some(k));
            // Robillard (1968), from memory: the shortest of three words has floor(2k / 3) factors.
            let two = word_lengths(&span(&search(k, k - 2).unwrap_or_default()), k);
            if k > 4 {
                assert_eq!(resolution(&two), Some(2 * k / 3), "{k}");
            }
        }
    }

    /// Closed form: the runs keep every word, and every set of free factors is complete.
    #[test]
    fn the_runs_keep_the_words() {
        let words = [
            Word {
                factors: 0b1_0011,
                is_minus: true,
            },
            Word {
                factors: 0b10_1101,
                is_minus: false,
            },
        ];
        let made = runs(&words, 6);
        assert_eq!(made.len(), 16);
        for run in &made {
            for word in span(&words) {
                let minuses = (0..6).filter(|&f| word.factors >> f & 1 == 1 && run[f] == 0).count();
                assert_eq!(minuses % 2 == 1, word.is_minus, "{word:?}");
            }
        }
        assert_eq!(made.iter().collect::<BTreeSet<_>>().len(), 16);
    }
}
