//! Sets of so many out of numbers that count from 0.
//!
//! In:  how many numbers there are, and how many are taken.
//! Out: the sets one after the other, so that a caller can stop: nothing is held but the last one.

/// Sets of `size` of the numbers below `of`: ascending within each set, in lexicographic order.
pub fn subsets(of: usize, size: usize) -> impl Iterator<Item = Vec<usize>> {
    let first = (size <= of).then(|| (0..size).collect::<Vec<usize>>());
    std::iter::successors(first, move |last| {
        // The last place that can still rise; those after it follow on closely.
        let at = (0..size).rev().find(|&at| last[at] < of - size + at)?;
        let mut next = last.clone();
        for (step, place) in next[at..].iter_mut().enumerate() {
            *place = last[at] + 1 + step;
        }
        Some(next)
    })
}

#[cfg(test)]
mod tests {
    use super::subsets;

    /// Closed form.
    #[test]
    fn every_set_comes_once_in_order() {
        let pairs: Vec<Vec<usize>> = subsets(4, 2).collect();
        assert_eq!(pairs, [[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]]);
        assert_eq!(subsets(7, 3).count(), 35);
        assert_eq!(subsets(3, 0).collect::<Vec<_>>(), [Vec::<usize>::new()]);
        assert_eq!(subsets(2, 3).count(), 0);
        // Far too many to hold: the first ones come all the same.
        assert_eq!(subsets(1_000_000, 4).nth(1), Some(vec![0, 1, 2, 4]));
    }
}
