//! A few linear equations.

use num_complex::Complex64;

/// Solution of `Σ columns[c][row] x[c] = right[row]`, columns and rows brought to size one, with
/// partial pivoting; `None` for a singular system.
pub(super) fn solve<const N: usize>(
    mut columns: [[Complex64; N]; N],
    mut right: [Complex64; N],
) -> Option<[Complex64; N]> {
    let mut sizes = [1.0; N];
    for (column, size) in columns.iter_mut().zip(&mut sizes) {
        *size = column.iter().map(|v| v.norm()).fold(0.0, f64::max);
        if !(size.is_finite() && *size > 0.0) {
            return None;
        }
        column.iter_mut().for_each(|v| *v /= *size);
    }
    for row in 0..N {
        let size = columns.iter().map(|c| c[row].norm()).fold(0.0, f64::max);
        if size > 0.0 {
            columns.iter_mut().for_each(|c| c[row] /= size);
            right[row] /= size;
        }
    }
    for pivot in 0..N {
        let best = (pivot..N)
            .max_by(|&a, &b| columns[pivot][a].norm().total_cmp(&columns[pivot][b].norm()))?;
        columns.iter_mut().for_each(|c| c.swap(pivot, best));
        right.swap(pivot, best);
        if columns[pivot][pivot] == Complex64::ZERO {
            return None;
        }
        for row in pivot + 1..N {
            let factor = columns[pivot][row] / columns[pivot][pivot];
            for column in &mut columns[pivot..] {
                let above = column[pivot];
                column[row] -= factor * above;
            }
            let above = right[pivot];
            right[row] -= factor * above;
        }
    }
    let mut x = right;
    for row in (0..N).rev() {
        for c in row + 1..N {
            let known = columns[c][row] * x[c];
            x[row] -= known;
        }
        x[row] /= columns[row][row];
    }
    for (value, size) in x.iter_mut().zip(sizes) {
        *value /= size;
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: property (the solution put back in), with columns of very unlike size.
    #[test]
    fn the_solution_solves() {
        let at = |a: f64, b: f64| Complex64::new(a, b);
        let columns = [
            [at(1e20, 2e20), at(0.0, 0.0), at(3e20, -1e20)],
            [at(1e-20, 0.0), at(2e-20, 1e-20), at(0.0, 1e-20)],
            [at(0.0, 0.0), at(1.0, -1.0), at(2.0, 0.5)],
        ];
        let right = [at(1.0, 0.0), at(0.0, 2.0), at(-1.0, 1.0)];
        let x = solve(columns, right).expect("regular");
        for row in 0..3 {
            let sum: Complex64 = (0..3).map(|c| columns[c][row] * x[c]).sum();
            assert!((sum - right[row]).norm() < 1e-14);
        }
        assert!(solve([[Complex64::ZERO; 2]; 2], [Complex64::ONE; 2]).is_none());
    }
}
