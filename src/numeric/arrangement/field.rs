//! Finite fields, as tables.
//!
//! In:  an order q.
//! Out: sums and products of the elements 0..q; 0 is zero and 1 is one.
//! Method: polynomials over the integers modulo a prime, written in base p, modulo the first polynomial that leaves no
//! divisors of zero. Source: textbook algebra; Lidl and Niederreiter, Finite Fields (from memory).

/// A finite field of order q.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    order: usize,
    sums: Vec<usize>,
    products: Vec<usize>,
}

/// Largest order built.
const MOST: usize = 128;

impl Field {
    /// The field of order `q`; `None` if `q` is no prime power, or above 128.
    #[must_use]
    pub fn new(q: usize) -> Option<Self> {
        if !(2..=MOST).contains(&q) {
            return None;
        }
        let p = (2..=q).find(|p| q.is_multiple_of(*p))?;
        let mut degree = 0;
        let mut rest = q;
        while rest.is_multiple_of(p) {
            rest /= p;
            degree += 1;
        }
        if rest != 1 {
            return None;
        }
        let sums = (0..q * q).map(|pair| add(pair / q, pair % q, p, degree)).collect();
        (0..q).find_map(|low| {
            let products: Vec<usize> = (0..q * q)
                .map(|pair| multiply(pair / q, pair % q, p, degree, low))
                .collect();
            let is_field = (1..q).all(|a| (1..q).all(|b| products[a * q + b] != 0));
            is_field.then(|| Self {
                order: q,
                sums: Vec::clone(&sums),
                products,
            })
        })
    }

    /// Number of elements.
    #[must_use]
    pub fn order(&self) -> usize {
        self.order
    }

    /// Sum of two elements, each below the order.
    #[must_use]
    pub fn add(&self, a: usize, b: usize) -> usize {
        self.sums[a * self.order + b]
    }

    /// Product of two elements, each below the order.
    #[must_use]
    pub fn multiply(&self, a: usize, b: usize) -> usize {
        self.products[a * self.order + b]
    }

    /// The element that added to `a` gives zero.
    #[must_use]
    pub fn negative(&self, a: usize) -> usize {
        (0..self.order).find(|&b| self.add(a, b) == 0).unwrap_or(0)
    }

    /// Whether a nonzero element is a square.
    #[must_use]
    pub fn is_square(&self, a: usize) -> bool {
        a != 0 && (1..self.order).any(|b| self.multiply(b, b) == a)
    }
}

fn digits(a: usize, p: usize, degree: usize) -> Vec<usize> {
    let mut rest = a;
    (0..degree)
        .map(|_| {
            let digit = rest % p;
            rest /= p;
            digit
        })
        .collect()
}

fn number(digits: &[usize], p: usize) -> usize {
    digits.iter().rev().fold(0, |sum, digit| sum * p + digit)
}

fn add(a: usize, b: usize, p: usize, degree: usize) -> usize {
    let sum: Vec<usize> = digits(a, p, degree)
        .iter()
        .zip(digits(b, p, degree))
        .map(|(x, y)| (x + y) % p)
        .collect();
    number(&sum, p)
}

/// Product modulo x^degree + (the polynomial whose digits `low` has).
fn multiply(a: usize, b: usize, p: usize, degree: usize, low: usize) -> usize {
    let (a, b, low) = (digits(a, p, degree), digits(b, p, degree), digits(low, p, degree));
    let mut product = vec![0; 2 * degree];
    for (i, x) in a.iter().enumerate() {
        for (j, y) in b.iter().enumerate() {
            product[i + j] = (product[i + j] + x * y) % p;
        }
    }
    for place in (degree..2 * degree).rev() {
        let lead = std::mem::take(&mut product[place]);
        for (i, x) in low.iter().enumerate() {
            let at = place - degree + i;
            product[at] = (product[at] + (p - lead % p) * x) % p;
        }
    }
    number(&product[..degree], p)
}

#[cfg(test)]
mod tests {
    use super::Field;

    /// Closed form: the laws of a field, and (q − 1)/2 squares for odd q.
    #[test]
    fn prime_powers_make_fields_and_others_do_not() {
        for q in [2, 3, 4, 5, 7, 8, 9, 16, 25, 27] {
            let field = Field::new(q).unwrap();
            for a in 0..q {
                assert_eq!(field.add(a, field.negative(a)), 0);
                assert_eq!(field.multiply(1, a), a);
                for b in 0..q {
                    assert_eq!(field.multiply(a, b), field.multiply(b, a));
                    let c = (a + 2 * b) % q;
                    assert_eq!(
                        field.multiply(c, field.add(a, b)),
                        field.add(field.multiply(c, a), field.multiply(c, b))
                    );
                }
            }
            let squares = (1..q).filter(|&a| field.is_square(a)).count();
            assert_eq!(squares, if q % 2 == 0 { q - 1 } else { (q - 1) / 2 });
        }
        for q in [0, 1, 6, 10, 12, 15, 1_000] {
            assert_eq!(Field::new(q), None);
        }
    }
}
