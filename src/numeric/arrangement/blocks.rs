//! Balanced incomplete blocks.
//!
//! In:  treatments v, block size k, number of blocks b.
//! Out: b blocks of k treatments in which each pair of treatments meets equally often, or why not.
//!
//! | name      | symbol | meaning                                            |
//! |-----------|--------|----------------------------------------------------|
//! | replicate | r      | b k / v: blocks that hold a given treatment        |
//! | meetings  | λ      | r (k − 1) / (v − 1): blocks that hold a given pair |
//!
//! Method: blocks moved round one, two or three circles of treatments, or with one treatment fixed, found by a search over
//! the kinds of pairs in them (Bose 1939); planes over a finite field; all combinations; complements. Needed: r and λ whole, b ≥ v
//! (Fisher 1940). From memory; every result is checked. Published parameters: Fisher and Yates, Statistical Tables.

use super::field::Field;

/// Most combinations that are listed.
const COMBINATIONS: u64 = 5_000;
/// Most blocks among which a search chooses.
const MOST_ORBITS: u64 = 13_000;
/// Multiples of the least number of blocks that are tried.
const TIMES: usize = 4;
/// Steps of one search.
const STEPS: usize = 60_000;

/// Why there are no such blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlocksRefusal {
    /// The size is below 2, or not below the number of treatments.
    Size,
    /// A treatment would not stand equally often, or a pair not meet equally often; holds the least number of blocks that would do.
    Uneven(usize),
    /// Fewer blocks than treatments.
    Fisher,
    /// None is built here for these numbers.
    Unknown,
}

/// `blocks` blocks of `size` out of `treatments`.
///
/// # Errors
///
/// The reason why there are none, or none known here.
pub fn incomplete_blocks(treatments: usize, size: usize, blocks: usize) -> Result<Vec<Vec<usize>>, BlocksRefusal> {
    let (v, k) = (treatments, size);
    if k < 2 || k >= v || v > 64 || blocks == 0 {
        return Err(BlocksRefusal::Size);
    }
    let least = least(v, k);
    if !blocks.is_multiple_of(least) {
        return Err(BlocksRefusal::Uneven(least * v.div_ceil(least)));
    }
    if blocks < v {
        return Err(BlocksRefusal::Fisher);
    }
    let all = usize::try_from(choose(v, k)).unwrap_or(usize::MAX);
    let divides = |b: &usize| *b >= v && blocks.is_multiple_of(*b);
    (1..=TIMES.min(blocks / least))
        .map(|times| times * least)
        .chain([all, blocks])
        .filter(divides)
        .find_map(|b| once(v, k, b).map(|once| (0..blocks / b).flat_map(|_| once.clone()).collect()))
        .ok_or(BlocksRefusal::Unknown)
}

/// The least number of blocks with whole replicates and meetings.
fn least(v: usize, k: usize) -> usize {
    // b k ≡ 0 mod v and b k (k − 1) ≡ 0 mod v (v − 1).
    let over = |modulus: usize, factor: usize| modulus / gcd(modulus, factor);
    let (a, b) = (over(v, k), over(v * (v - 1), k * (k - 1)));
    a / gcd(a, b) * b
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Exactly `b` blocks that are not several copies of fewer.
fn once(v: usize, k: usize, b: usize) -> Option<Vec<Vec<usize>>> {
    let complement = |blocks: Vec<Vec<usize>>| -> Vec<Vec<usize>> {
        blocks
            .iter()
            .map(|block| (0..v).filter(|t| !block.contains(t)).collect())
            .collect()
    };
    let direct = |k: usize| -> Option<Vec<Vec<usize>>> {
        if choose(v, k) == b as u64 && choose(v, k) <= COMBINATIONS {
            return Some(combinations(v, k));
        }
        let fits = |blocks: &Vec<Vec<usize>>| blocks.len() == b && is_balanced(blocks, v);
        let circles = [v, v - 1, v / 2, v / 3];
        plane(v, k)
            .filter(fits)
            .or_else(|| circles.iter().find_map(|&circle| moved(v, k, b, circle).filter(fits)))
    };
    if 2 * k > v && k + 2 <= v {
        direct(v - k).map(complement).or_else(|| direct(k))
    } else {
        direct(k).or_else(|| (k + 2 <= v).then(|| direct(v - k).map(complement)).flatten())
    }
    .filter(|blocks| is_balanced(blocks, v))
}

fn choose(n: usize, k: usize) -> u64 {
    (0..k.min(n - k) as u64).fold(1_u64, |product, i| product.saturating_mul(n as u64 - i) / (i + 1))
}

fn combinations(v: usize, k: usize) -> Vec<Vec<usize>> {
    let mut all = vec![Vec::new()];
    for _ in 0..k {
        all = all
            .into_iter()
            .flat_map(|known: Vec<usize>| {
                let next = known.last().map_or(0, |last| last + 1);
                (next..v).map(move |t| [&known[..], &[t]].concat())
            })
            .collect();
    }
    all
}

/// Lines of the affine plane (v = k²) or of the projective one (v = k² − k + 1).
fn plane(v: usize, k: usize) -> Option<Vec<Vec<usize>>> {
    let q = if v == k * k { k } else { k - 1 };
    if v != k * k && v != k * k - k + 1 {
        return None;
    }
    let field = Field::new(q)?;
    let mut lines: Vec<Vec<usize>> = Vec::new();
    for slope in 0..q {
        for start in 0..q {
            lines.push(
                (0..q)
                    .map(|x| x * q + field.add(field.multiply(slope, x), start))
                    .collect(),
            );
        }
    }
    lines.extend((0..q).map(|x| (0..q).map(|y| x * q + y).collect()));
    if v != k * k {
        // One more point for each direction, and the line through them.
        for (line, own) in lines.iter_mut().enumerate() {
            own.push(q * q + line / q);
        }
        lines.push((0..=q).map(|direction| q * q + direction).collect());
    }
    Some(lines)
}

/// The blocks that one block gives when moved round, and how often the pairs of each kind meet in them.
struct Orbit {
    block: Vec<usize>,
    moves: usize,
    meets: Vec<usize>,
}

/// Blocks moved round circles of `circle` treatments each; a treatment left over stays where it is.
fn moved(v: usize, k: usize, b: usize, circle: usize) -> Option<Vec<Vec<usize>>> {
    if circle < 3 || v % circle > 1 || choose(v, k) > MOST_ORBITS {
        return None;
    }
    let lambda = b * k * (k - 1) / (v * (v - 1));
    let turn = |block: &[usize], by: usize| -> Vec<usize> {
        let mut turned: Vec<usize> = block
            .iter()
            .map(|&t| {
                let start = t / circle * circle;
                if start + circle > v {
                    t
                } else {
                    start + (t - start + by) % circle
                }
            })
            .collect();
        turned.sort_unstable();
        turned
    };
    // Kinds of pairs: those that moves carry into each other; each with its number of pairs.
    let mut kind = vec![usize::MAX; v * v];
    let mut pairs = Vec::new();
    for pair in combinations(v, 2) {
        if kind[pair[0] * v + pair[1]] == usize::MAX {
            let mut count = 0;
            for by in 0..circle {
                let other = turn(&pair, by);
                let slot = &mut kind[other[0] * v + other[1]];
                count += usize::from(*slot == usize::MAX);
                *slot = pairs.len();
            }
            pairs.push(count);
        }
    }
    let mut orbits: Vec<Orbit> = Vec::new();
    for block in combinations(v, k) {
        // One block stands for all its moves: the least of them.
        if (1..circle).any(|by| turn(&block, by) < block) {
            continue;
        }
        let moves = (1..=circle)
            .find(|&by| circle.is_multiple_of(by) && turn(&block, by) == block)
            .unwrap_or(circle);
        let mut meets = vec![0; pairs.len()];
        for pair in combinations(k, 2) {
            meets[kind[block[pair[0]] * v + block[pair[1]]]] += moves;
        }
        meets.iter_mut().zip(&pairs).for_each(|(meet, count)| *meet /= count);
        if meets.iter().all(|&m| m <= lambda) {
            orbits.push(Orbit { block, moves, meets });
        }
    }
    let mut chosen = Vec::new();
    if !cover(&orbits, &mut vec![lambda; pairs.len()], b, &mut chosen, &mut { STEPS }) {
        return None;
    }
    Some(
        chosen
            .iter()
            .flat_map(|&orbit| (0..orbits[orbit].moves).map(move |by| (orbit, by)))
            .map(|(orbit, by)| turn(&orbits[orbit].block, by))
            .collect(),
    )
}

/// Chooses orbits, each as often as need be, whose meetings add up to what is wanted.
fn cover(orbits: &[Orbit], wanted: &mut [usize], blocks: usize, chosen: &mut Vec<usize>, steps: &mut usize) -> bool {
    let Some(kind) = wanted.iter().position(|&w| w > 0) else {
        return blocks == 0;
    };
    for (index, orbit) in orbits.iter().enumerate() {
        if *steps == 0 {
            return false;
        }
        *steps -= 1;
        if orbit.meets[kind] == 0 || orbit.moves > blocks || orbit.meets.iter().zip(&*wanted).any(|(m, w)| m > w) {
            continue;
        }
        wanted.iter_mut().zip(&orbit.meets).for_each(|(w, m)| *w -= m);
        chosen.push(index);
        if cover(orbits, wanted, blocks - orbit.moves, chosen, steps) {
            return true;
        }
        chosen.pop();
        wanted.iter_mut().zip(&orbit.meets).for_each(|(w, m)| *w += m);
    }
    false
}

/// Whether blocks are of one size without repeats, each treatment stands equally often, and each pair meets equally often.
#[must_use]
pub fn is_balanced(blocks: &[Vec<usize>], treatments: usize) -> bool {
    let mut meets = vec![0_usize; treatments * treatments];
    for block in blocks {
        for &a in block {
            for &c in block {
                match meets.get_mut(a * treatments + c) {
                    Some(count) if a < treatments && c < treatments => *count += 1,
                    _ => return false,
                }
            }
        }
    }
    let size = blocks.first().map_or(0, Vec::len);
    let pairs = meets.get(1).copied().unwrap_or(0);
    let often = meets.first().copied().unwrap_or(0);
    blocks.iter().all(|block| {
        let mut sorted = block.clone();
        sorted.sort_unstable();
        sorted.dedup();
        sorted.len() == size
    }) && (0..treatments)
        .all(|a| (0..treatments).all(|c| meets[a * treatments + c] == if a == c { often } else { pairs }))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: (v, k, b) of Fisher and Yates, Statistical Tables, from memory; each is checked for balance.
    #[test]
    fn published_parameters_are_built() {
        for (v, k, b) in [
            (4, 2, 6),
            (4, 3, 4),
            (5, 2, 10),
            (5, 3, 10),
            (5, 4, 5),
            (6, 3, 10),
            (6, 4, 15),
            (6, 5, 6),
            (7, 3, 7),
            (7, 4, 7),
            (8, 4, 14),
            (8, 7, 8),
            (9, 3, 12),
            (9, 4, 18),
            (9, 5, 18),
            (9, 6, 12),
            (10, 3, 30),
            (10, 4, 15),
            (10, 5, 18),
            (10, 6, 15),
            (11, 5, 11),
            (11, 6, 11),
            (13, 3, 26),
            (13, 4, 13),
            (13, 9, 13),
            (15, 7, 15),
            (16, 4, 20),
            (21, 5, 21),
            (25, 5, 30),
            (31, 6, 31),
        ] {
            let blocks = incomplete_blocks(v, k, b);
            let blocks = blocks.unwrap_or_else(|why| panic!("{v} in blocks of {k}: {b}, {why:?}"));
            assert_eq!(blocks.len(), b);
            assert!(blocks.iter().all(|block| block.len() == k));
            assert!(is_balanced(&blocks, v));
        }
    }

    /// Closed form: r and λ whole, Fisher's inequality, and copies.
    #[test]
    fn what_cannot_be_is_refused_with_its_reason() {
        assert_eq!(incomplete_blocks(7, 3, 8), Err(BlocksRefusal::Uneven(7)));
        assert_eq!(incomplete_blocks(16, 6, 8), Err(BlocksRefusal::Fisher));
        assert_eq!(incomplete_blocks(7, 7, 7), Err(BlocksRefusal::Size));
        assert_eq!(incomplete_blocks(7, 3, 21).map(|blocks| blocks.len()), Ok(21));
        // Symmetric with v = 22, k = 7, λ = 2: none exists (Bruck and Ryser).
        assert_eq!(incomplete_blocks(22, 7, 22), Err(BlocksRefusal::Unknown));
    }
}
