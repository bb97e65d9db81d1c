//! The one source of randomness: a ChaCha20 keystream with a named key.
//!
//! In:  a key of 32 bytes, or the name of a draw (its SHA-256 is the key).
//! Out: whole numbers, shuffles, uniform and normal numbers, always in the same sequence.
//!
//! A stranger can repeat every draw in any language:
//!
//! - Keystream: ChaCha20 (RFC 8439 block function), 64-bit nonce zero, 64-bit block counter from 0,
//!   read as unsigned 64-bit little-endian words x₁, x₂, ...
//! - A whole number below m: take the next word x; p = x·m (128 bits); if the low 64 bits of p are
//!   below (2⁶⁴ − m) mod m, take the next word and try again; the number is the high 64 bits of p.
//! - A shuffle of a₀ … aₙ₋₁: for i = n−1 down to 1, swap aᵢ with aⱼ, j a whole number below i+1.
//! - A uniform number in \[0, 1): the top 53 bits of the next word, divided by 2⁵³.
//! - Two normal numbers: polar method on pairs of uniform numbers; the second one is kept for the next call.
//!
//! Method: Lemire (2019) ACM TOMACS 29:3 for bounded numbers, Durstenfeld (1964) for the shuffle,
//! Marsaglia and Bray (1964) SIAM Review 6:260 for the polar method.
//! Never here: the operating system's entropy. Reference values: tests/plan.rs.

use rand_chacha::ChaCha20Rng;
use rand_core::{Rng, SeedableRng};
use sha2::{Digest, Sha256};

/// A repeatable stream of random numbers.
#[derive(Debug, Clone)]
pub struct Stream {
    words: ChaCha20Rng,
    spare: Option<f64>,
}

impl Stream {
    /// The stream of a key.
    #[must_use]
    pub fn from_key(key: [u8; 32]) -> Self {
        Self {
            words: ChaCha20Rng::from_seed(key),
            spare: None,
        }
    }

    /// The stream whose key is the SHA-256 of a name in UTF-8.
    ///
    /// ```
    /// use wellrun::numeric::stream::Stream;
    /// let (mut one, mut two) = (Stream::named("a draw"), Stream::named("a draw"));
    /// assert_eq!(one.below(1000), two.below(1000));
    /// ```
    #[must_use]
    pub fn named(name: &str) -> Self {
        Self::from_key(Sha256::digest(name.as_bytes()).into())
    }

    /// The next word of the keystream.
    pub fn word(&mut self) -> u64 {
        self.words.next_u64()
    }

    /// A whole number in 0..m, each equally likely; 0 for m = 0.
    pub fn below(&mut self, m: u64) -> u64 {
        if m == 0 {
            return 0;
        }
        loop {
            let product = u128::from(self.word()) * u128::from(m);
            // The threshold lies below m, so that the division is seldom needed.
            if product as u64 >= m || product as u64 >= m.wrapping_neg() % m {
                return (product >> 64) as u64;
            }
        }
    }

    /// Shuffles in place; each order equally likely.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            let j = self.below(i as u64 + 1) as usize;
            items.swap(i, j);
        }
    }

    /// The numbers 0..n in shuffled order.
    pub fn permutation(&mut self, n: usize) -> Vec<usize> {
        let mut order: Vec<usize> = (0..n).collect();
        self.shuffle(&mut order);
        order
    }

    /// A uniform number in \[0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.word() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A number from the normal distribution with mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let u = 2.0 * self.uniform() - 1.0;
            let v = 2.0 * self.uniform() - 1.0;
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(v * scale);
                return u * scale;
            }
        }
    }
}
