//! Three equations with three unknowns; sums over long lists.

use num_complex::Complex64;

/// Solution of `Σ columns[c][row] x[c] = right[row]`.
///
/// Columns, then rows are brought to size 1 first: the columns of one angular order differ by
/// hundreds of orders of magnitude. Partial pivoting. A singular system gives non-finite numbers
/// or zeros; it does not occur for a bar in a fluid with real losses by radiation.
pub(super) fn solve3(columns: [[Complex64; 3]; 3], right: [Complex64; 3]) -> [Complex64; 3] {
    let mut column_size = [1.0; 3];
    let mut rows = [[Complex64::ZERO; 4]; 3];
    for (c, column) in columns.iter().enumerate() {
        column_size[c] = size(column);
        for (row, value) in rows.iter_mut().zip(column) {
            row[c] = value / column_size[c];
        }
    }
    for (row, value) in rows.iter_mut().zip(right) {
        let scale = size(&row[..3]);
        row[3] = value;
        for entry in row.iter_mut() {
            *entry /= scale;
        }
    }
    for pivot in 0..2 {
        let mut best = pivot;
        for row in pivot + 1..3 {
            if rows[row][pivot].norm_sqr() > rows[best][pivot].norm_sqr() {
                best = row;
            }
        }
        rows.swap(pivot, best);
        let lead = rows[pivot];
        for row in rows.iter_mut().skip(pivot + 1) {
            let factor = row[pivot] / lead[pivot];
            for (entry, above) in row.iter_mut().zip(lead) {
                *entry -= factor * above;
            }
        }
    }
    let mut x = [Complex64::ZERO; 3];
    for c in (0..3).rev() {
        let known: Complex64 = (c + 1..3).map(|k| rows[c][k] * x[k]).sum();
        x[c] = (rows[c][3] - known) / rows[c][c];
    }
    [x[0] / column_size[0], x[1] / column_size[1], x[2] / column_size[2]]
}

/// Largest entry; 1 for a column of zeros, which then stays one.
fn size(entries: &[Complex64]) -> f64 {
    let largest = entries.iter().map(|v| v.norm()).fold(0.0, f64::max);
    if largest > 0.0 { largest } else { 1.0 }
}

/// `Σ a b`, in four partial sums so that one addition need not wait for the one before.
pub(super) fn dot(a: &[Complex64], b: &[Complex64]) -> Complex64 {
    let mut sums = [Complex64::ZERO; 4];
    let (a4, b4) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: Complex64 = a4.remainder().iter().zip(b4.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a4.zip(b4) {
        for lane in 0..4 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    rest + sums.iter().sum::<Complex64>()
}

/// Adds `factor · values` to `totals`.
pub(super) fn add_scaled(totals: &mut [Complex64], values: &[Complex64], factor: Complex64) {
    for (total, value) in totals.iter_mut().zip(values) {
        *total += factor * value;
    }
}
