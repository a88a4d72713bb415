//! The plain search: every piece at every place of a bar of cells.

use barwright_job::order::Cut;

use super::CELL_MM;

/// A piece of the plain search: start, cells, place of its length, base pieces.
pub type Tried = (usize, usize, usize, Option<u32>);

/// All plans of a bar of cells, by trying every piece at every place.
pub fn every_plan(cells: &[bool], cut: &Cut, visit: &mut impl FnMut(&[Tried])) {
    fn go(
        cells: &[bool],
        kerf: usize,
        windows: &[(usize, usize, usize, Option<u32>)],
        so_far: &mut Vec<Tried>,
        visit: &mut impl FnMut(&[Tried]),
    ) {
        let n = cells.len();
        let end = so_far.last().map(|p| p.0 + p.1);
        if end.is_none_or(|e| e == n || n - e >= kerf) {
            visit(so_far);
        }
        for start in end.unwrap_or(0)..n {
            let clear = match end {
                None => start == 0 || start >= kerf,
                Some(e) => start - e == kerf || start - e >= 2 * kerf,
            };
            if !clear {
                continue;
            }
            for &(low, high, length, multiple) in windows {
                for long in low..=high.min(n - start) {
                    if cells[start..start + long].iter().any(|bad| *bad) {
                        break;
                    }
                    so_far.push((start, long, length, multiple));
                    go(cells, kerf, windows, so_far, visit);
                    so_far.pop();
                }
            }
        }
    }
    let whole = |mm: f64| (mm / CELL_MM).round() as usize;
    let windows: Vec<_> = cut
        .lengths
        .iter()
        .enumerate()
        .flat_map(|(i, l)| {
            l.limits().into_iter().map(move |w| (whole(w.from_mm), whole(w.to_mm), i, w.multiple))
        })
        .collect();
    go(cells, whole(cut.kerf_mm), &windows, &mut Vec::new(), visit);
}

/// Value in thousandths of cells, and saw cuts.
pub fn worth_of(tried: &[Tried], cut: &Cut, n: usize) -> (i64, i64) {
    let kerf = (cut.kerf_mm / CELL_MM).round() as usize;
    let value = tried
        .iter()
        .map(|p| p.1 as i64 * (cut.lengths[p.2].value_per_m * 1e3).round() as i64)
        .sum();
    let between: i64 =
        tried.windows(2).map(|p| if p[1].0 - p[0].0 - p[0].1 == kerf { 1 } else { 2 }).sum();
    let head = tried.first().is_some_and(|p| p.0 > 0);
    let tail = tried.last().is_some_and(|p| p.0 + p.1 < n);
    (value, between + i64::from(head) + i64::from(tail))
}

pub fn counts(tried: &[Tried], cut: &Cut) -> Vec<u32> {
    let of = |i| tried.iter().filter(|p| p.2 == i).count() as u32;
    (0..cut.lengths.len()).map(of).collect()
}
