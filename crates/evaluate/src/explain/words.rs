//! Words for places and sizes.

/// The clock position of a direction seen against travel, to the half hour: `4` or `4:30`.
pub(super) fn clock(angle_rad: f64) -> String {
    let halves = ((3.0 - angle_rad.to_degrees() / 30.0).rem_euclid(12.0) * 2.0).round() as u32 % 24;
    let hour = match halves / 2 {
        0 => 12,
        h => h,
    };
    if halves % 2 == 1 { format!("{hour}:30") } else { format!("{hour}") }
}

/// Probes for people, counted from 1: "probe 3".
pub(super) fn probe(number: u32) -> String {
    format!("probe {}", number + 1)
}

/// A run of elements for people, counted from 1.
pub(super) fn elements(first: u32, last: u32) -> String {
    if first == last {
        format!("element {}", first + 1)
    } else {
        format!("elements {} to {}", first + 1, last + 1)
    }
}
