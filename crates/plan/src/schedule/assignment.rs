//! The cheapest assignment.

/// Column of each row in the cheapest assignment of `n` rows to `n` columns, costs row by row; infinite ones
/// are not taken where others will do.
///
/// Shortest augmenting paths with potentials, O(n³) (Jonker and Volgenant, Computing 38, 1987).
#[must_use]
pub(super) fn assign(costs: &[f64], n: usize) -> Vec<usize> {
    // Far above any sum of finite costs, so that differences stay numbers.
    let most = costs.iter().copied().filter(|c| c.is_finite()).map(f64::abs).fold(0.0, f64::max);
    let barred = 4.0 * (n as f64 + 1.0) * most + 1.0;
    let cost = |i: usize, j: usize| costs[i * n + j].min(barred);
    let (mut rows, mut columns) = (vec![0.0; n + 1], vec![0.0; n + 1]);
    // Row of each column; the last column is where a row waits for its own.
    let mut row_of = vec![n; n + 1];
    for row in 0..n {
        row_of[n] = row;
        let mut at = n;
        let mut least = vec![f64::INFINITY; n + 1];
        let mut from = vec![n; n + 1];
        let mut done = vec![false; n + 1];
        while row_of[at] != n {
            done[at] = true;
            let i = row_of[at];
            let (mut step, mut next) = (f64::INFINITY, n);
            for j in (0..n).filter(|j| !done[*j]) {
                let reduced = cost(i, j) - rows[i] - columns[j];
                if reduced < least[j] {
                    least[j] = reduced;
                    from[j] = at;
                }
                if least[j] < step {
                    step = least[j];
                    next = j;
                }
            }
            for j in 0..=n {
                if done[j] {
                    rows[row_of[j]] += step;
                    columns[j] -= step;
                } else {
                    least[j] -= step;
                }
            }
            at = next;
        }
        while at != n {
            row_of[at] = row_of[from[at]];
            at = from[at];
        }
        row_of[n] = n;
    }
    let mut column = vec![0; n];
    for (j, i) in row_of.into_iter().enumerate().take(n) {
        if let Some(c) = column.get_mut(i) {
            *c = j;
        }
    }
    column
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn cheapest(costs: &[f64], n: usize, row: usize, taken: u32) -> f64 {
        if row == n {
            return 0.0;
        }
        (0..n)
            .filter(|j| taken & (1 << j) == 0)
            .map(|j| costs[row * n + j] + cheapest(costs, n, row + 1, taken | 1 << j))
            .fold(f64::INFINITY, f64::min)
    }

    // Truth: brute force over all assignments of small random problems, negative costs and a barred diagonal
    // included. 1e-9: rounding of sums of a few numbers of order one beside a bar of order hundred.
    #[test]
    fn no_assignment_is_cheaper() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
        for n in 1..=7 {
            for case in 0..20 {
                let barred = n > 1 && case % 2 == 0;
                let costs: Vec<f64> = (0..n * n)
                    .map(|k| {
                        let c = random.random_range(-1.0..1.0);
                        if barred && k % (n + 1) == 0 { f64::INFINITY } else { c }
                    })
                    .collect();
                let found = assign(&costs, n);
                let mut seen = found.clone();
                seen.sort_unstable();
                assert!(seen.into_iter().eq(0..n));
                let sum: f64 = found.iter().enumerate().map(|(i, j)| costs[i * n + j]).sum();
                assert!((sum - cheapest(&costs, n, 0, 0)).abs() < 1e-9, "{n} {case}");
            }
        }
    }
}
