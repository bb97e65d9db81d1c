//! Aliases of effects in a regular two-level fraction, and the division of its runs into blocks.
//!
//! In:  words of a fraction; effects as sets of factors (bit i for factor i).
//! Out: the effects that share an effect's estimate; words whose signs tell the blocks apart.
//! Method: an effect times each word gives its aliases (Fisher 1942, Finney 1945, from memory). Words for blocks are chosen among
//! all effects so that as few short ones as can be are spent, the shortest counting first; a bounded search.

use super::fraction::{Word, reduced};

/// Most choices that a search for blocks looks at.
const STEPS: usize = 40_000;
/// Effects among which it chooses.
const CANDIDATES: usize = 400;

/// The effects that share the estimate of `effect`, with their sign, by order; `words` are all words of the fraction.
#[must_use]
pub fn aliases(effect: u32, words: &[Word]) -> Vec<Word> {
    let mut all: Vec<Word> = words
        .iter()
        .map(|word| Word {
            factors: word.factors ^ effect,
            is_minus: word.is_minus,
        })
        .collect();
    all.sort_by_key(|alias| (alias.length(), alias.factors.reverse_bits() ^ u32::MAX));
    all
}

/// The one of an effect's aliases, itself among them, that stands for all: they share it, and effects that are not aliases do not.
/// `words` come from [`reduced`].
#[must_use]
pub fn representative(effect: u32, words: &[(u32, Word)]) -> Word {
    words.iter().fold(
        Word {
            factors: effect,
            is_minus: false,
        },
        |known, (pivot, word)| {
            if known.factors & pivot == 0 {
                known
            } else {
                known.times(*word)
            }
        },
    )
}

/// `count` effects of `factors` factors whose signs divide the runs of a fraction with these `words` into 2^count blocks.
///
/// `is_kept` says of an effect that it must not be spent. `None` if no such choice was found.
#[must_use]
pub fn blocks(words: &[Word], factors: usize, count: usize, is_kept: &dyn Fn(u32) -> bool) -> Option<Vec<Word>> {
    let all = super::fraction::span(words);
    let reduced = reduced(words);
    let free: Vec<u32> = (0..factors as u32)
        .map(|factor| 1 << factor)
        .filter(|bit| reduced.iter().all(|(pivot, _)| pivot != bit))
        .collect();
    if count == 0 || count >= free.len() || free.len() > 14 {
        return None;
    }
    // One entry an alias set: how short its shortest effect is, and that effect.
    let cost = |effect: u32| -> Option<(usize, u32)> {
        let own = aliases(effect, &all);
        let kept = is_kept(effect) || own.iter().any(|alias| is_kept(alias.factors));
        let shortest = own
            .iter()
            .map(|alias| alias.factors)
            .chain([effect])
            .min_by_key(|&e| (e.count_ones(), e.reverse_bits() ^ u32::MAX))?;
        (!kept && shortest.count_ones() > 1).then_some((shortest.count_ones() as usize, shortest))
    };
    let combined = |number: u32| -> u32 {
        free.iter()
            .enumerate()
            .filter(|(place, _)| number >> place & 1 == 1)
            .fold(0, |effect, (_, bit)| effect | bit)
    };
    let costs: Vec<Option<(usize, u32)>> = (0..1_u32 << free.len())
        .map(|number| if number == 0 { None } else { cost(combined(number)) })
        .collect();
    let mut order: Vec<u32> = (1..1_u32 << free.len())
        .filter(|&n| costs[n as usize].is_some())
        .collect();
    order.sort_by_key(|&number| (std::cmp::Reverse(costs[number as usize].map_or(0, |c| c.0)), number));
    order.truncate(CANDIDATES);
    let mut search = Search {
        costs: &costs,
        order: &order,
        count,
        steps: STEPS,
        best: None,
    };
    search.deepen(0, &mut Vec::new(), &[0]);
    let (_, chosen) = search.best?;
    Some(
        chosen
            .iter()
            .filter_map(|&number| costs[number as usize])
            .map(|(_, effect)| Word {
                factors: effect,
                is_minus: false,
            })
            .collect(),
    )
}

struct Search<'a> {
    costs: &'a [Option<(usize, u32)>],
    order: &'a [u32],
    count: usize,
    steps: usize,
    /// Number of effects spent of each length, and the choice.
    best: Option<(Vec<usize>, Vec<u32>)>,
}

impl Search<'_> {
    /// `spanned` holds the products of what is chosen, the empty one among them.
    fn deepen(&mut self, from: usize, chosen: &mut Vec<u32>, spanned: &[u32]) {
        if chosen.len() == self.count {
            let mut pattern = vec![0; 33];
            for &number in &spanned[1..] {
                pattern[self.costs[number as usize].map_or(0, |c| c.0)] += 1;
            }
            if self.best.as_ref().is_none_or(|(best, _)| pattern < *best) {
                self.best = Some((pattern, chosen.clone()));
            }
            return;
        }
        for place in from..self.order.len() {
            if self.steps == 0 {
                return;
            }
            self.steps -= 1;
            let number = self.order[place];
            let more: Vec<u32> = spanned.iter().map(|known| known ^ number).collect();
            if more.iter().any(|&n| n == 0 || self.costs[n as usize].is_none()) {
                continue;
            }
            chosen.push(number);
            self.deepen(place + 1, chosen, &[spanned, &more[..]].concat());
            chosen.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fraction::{search, span};
    use super::*;

    /// Published: a 2^3 in blocks of four spends ABC; in blocks of two it spends the three pairs, no main effect (Yates, from memory).
    #[test]
    fn blocks_spend_the_highest_interactions() {
        let two = blocks(&[], 3, 1, &|_| false).unwrap();
        assert_eq!(two.iter().map(|w| w.factors).collect::<Vec<_>>(), [0b111]);
        let four = blocks(&[], 3, 2, &|_| false).unwrap();
        let lengths: Vec<usize> = span(&four).iter().map(|w| w.length()).collect();
        assert_eq!(lengths, [2, 2, 2]);
        // A 2^4 in four blocks: ABC, ABD and so CD, rather than ABCD and two pairs.
        let four = blocks(&[], 4, 2, &|_| false).unwrap();
        assert_eq!(span(&four).iter().map(|w| w.length()).collect::<Vec<_>>(), [2, 3, 3]);
        assert!(blocks(&[], 3, 1, &|effect| effect == 0b111).unwrap()[0].factors != 0b111);
        assert_eq!(blocks(&[], 3, 1, &|_| true), None);
    }

    /// Closed form: in I = ABCD the alias of AB is CD, and the two share a representative.
    #[test]
    fn aliases_are_products_with_the_words() {
        let words = search(4, 3).unwrap();
        let all = span(&words);
        assert_eq!(aliases(0b0011, &all)[0].factors, 0b1100);
        let reduced = reduced(&words);
        assert_eq!(representative(0b0011, &reduced), representative(0b1100, &reduced));
        assert_ne!(representative(0b0011, &reduced), representative(0b0101, &reduced));
    }
}
