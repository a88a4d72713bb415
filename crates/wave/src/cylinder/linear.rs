//! Three equations with three unknowns; sums over long lists.

use num_complex::Complex64;

use super::wide::wide;

/// Partial sums of a long sum.
const PARTS: usize = 8;

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

/// `Σ a b`, in eight partial sums so that one addition need not wait for the one before.
pub(super) fn dot(a: &[Complex64], b: &[Complex64]) -> Complex64 {
    wide(
        #[inline(always)]
        || {
            let [mut rr, mut ii, mut ri, mut ir] = [[0.0; PARTS]; 4];
            let (parts_a, parts_b) = (a.chunks_exact(PARTS), b.chunks_exact(PARTS));
            let rest = parts_a.remainder().iter().zip(parts_b.remainder());
            let rest: Complex64 = rest.map(|(a, b)| a * b).sum();
            for (a, b) in parts_a.zip(parts_b) {
                for l in 0..PARTS {
                    rr[l] += a[l].re * b[l].re;
                    ii[l] += a[l].im * b[l].im;
                    ri[l] += a[l].re * b[l].im;
                    ir[l] += a[l].im * b[l].re;
                }
            }
            let [rr, ii, ri, ir] = [rr, ii, ri, ir].map(|v| v.iter().sum::<f64>());
            rest + Complex64::new(rr - ii, ri + ir)
        },
    )
}

/// Adds `factor · values` to `totals`.
pub(super) fn add_scaled(totals: &mut [Complex64], values: &[Complex64], factor: Complex64) {
    for (total, value) in totals.iter_mut().zip(values) {
        *total += factor * value;
    }
}
