//! Batches cut to the memory that is free.

use crate::error::DeviceError;

/// Most items and most bars that are computed together: enough to fill a device, few enough that what they
/// share stays near.
const MOST_ITEMS: usize = 256;
const MOST_BARS: usize = 64;
/// Most bytes of rows that are transformed together.
const MOST_ROWS: usize = 2 << 30;
/// Share of the free memory that is taken, and of that the share of the rows.
const SHARE: f64 = 0.85;
const SHARE_ROWS: f64 = 0.4;

/// Bytes of one bar, one item and one task (a ring of an item).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bytes {
    pub bar: usize,
    pub item: usize,
    pub task: usize,
}

/// How a batch is cut.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Cut {
    /// Numbers of the items of each group, and where they end.
    pub groups: Vec<std::ops::Range<usize>>,
    /// Tasks that are transformed together.
    pub tasks: usize,
}

/// Cuts items, each with its bar, into groups that fit.
pub(crate) fn cut(bars: &[usize], bytes: Bytes, free: usize) -> Result<Cut, DeviceError> {
    let usable = (free as f64 * SHARE) as usize;
    let for_rows = ((usable as f64 * SHARE_ROWS) as usize).min(MOST_ROWS).max(bytes.task);
    let least = bytes.bar + bytes.item + bytes.task;
    if least > usable {
        let mib = |n: usize| (n as u64).div_ceil(1 << 20);
        return Err(DeviceError::Memory { need_mib: mib(least), free_mib: mib(usable) });
    }
    let for_items = usable - for_rows.min(usable - bytes.bar - bytes.item);
    let mut groups = Vec::new();
    let mut from = 0;
    while from < bars.len() {
        let mut seen: Vec<usize> = Vec::new();
        let mut end = from;
        while end < bars.len() && end - from < MOST_ITEMS {
            let new = !seen.contains(&bars[end]);
            let count = seen.len() + usize::from(new);
            let need = count * bytes.bar + (end + 1 - from) * bytes.item;
            if end > from && (need > for_items || count > MOST_BARS) {
                break;
            }
            if new {
                seen.push(bars[end]);
            }
            end += 1;
        }
        groups.push(from..end);
        from = end;
    }
    // The grid of a launch has 65535 rows.
    let rows = for_rows.min(usable - bytes.bar - bytes.item);
    Ok(Cut { groups, tasks: (rows / bytes.task.max(1)).clamp(1, 65_535) })
}

/// The bars of a group in the order in which they come, and each item's place among them.
pub(crate) fn own_bars(bars: &[usize]) -> (Vec<usize>, Vec<i32>) {
    let mut own = Vec::new();
    let places = bars
        .iter()
        .map(|bar| match own.iter().position(|b| b == bar) {
            Some(at) => at as i32,
            None => {
                own.push(*bar);
                own.len() as i32 - 1
            }
        })
        .collect();
    (own, places)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BYTES: Bytes = Bytes { bar: 100, item: 10, task: 50 };

    // Properties: groups follow each other, hold every item once and fit.
    #[test]
    fn groups_hold_every_item_once_and_fit() {
        let bars: Vec<usize> = (0..1000).map(|i| i / 7).collect();
        for free in [200, 400, 5000, 1 << 30] {
            let cut = cut(&bars, BYTES, free).expect("fits");
            let mut next = 0;
            for group in &cut.groups {
                assert_eq!(group.start, next);
                assert!(group.end > next);
                next = group.end;
                let (own, places) = own_bars(&bars[group.clone()]);
                assert_eq!(own[places[0] as usize], bars[group.start]);
                let need = own.len() * 100 + group.len() * 10 + cut.tasks * 50;
                assert!(need <= free || cut.groups.len() == 1000, "{need} of {free}");
            }
            assert_eq!(next, 1000);
        }
    }

    #[test]
    fn too_little_memory_is_told_with_numbers() {
        let bytes = Bytes { bar: 3 << 30, item: 1 << 20, task: 1 << 20 };
        let error = cut(&[0], bytes, 1 << 30).expect_err("three gibibytes are more than one");
        assert!(error.to_string().contains("3074 MiB"), "{error}");
        assert!(error.to_string().contains("871 MiB"), "{error}");
    }
}
