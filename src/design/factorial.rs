//! Full factorials of mixed levels.

/// Every combination of level indices, the last factor fastest. `levels` holds the number of levels of each factor.
pub(super) fn full(levels: &[usize]) -> Vec<Vec<usize>> {
    levels.iter().fold(vec![Vec::new()], |combinations, &count| {
        combinations
            .iter()
            .flat_map(|combination| {
                (0..count).map(move |level| {
                    let mut longer = combination.clone();
                    longer.push(level);
                    longer
                })
            })
            .collect()
    })
}

#[cfg(test)]
mod tests {
    use super::full;

    /// Closed form.
    #[test]
    fn the_last_factor_runs_fastest() {
        assert_eq!(full(&[2, 3]), [[0, 0], [0, 1], [0, 2], [1, 0], [1, 1], [1, 2]]);
        assert_eq!(full(&[]), [Vec::<usize>::new()]);
    }
}
