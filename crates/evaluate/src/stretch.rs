//! Stretches of a bar: intervals along z in metres, united, clipped and measured.

/// An interval along the bar, metres from the head end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    /// Start.
    pub from_m: f64,
    /// End, not before the start.
    pub to_m: f64,
}

impl Stretch {
    /// The interval between two places in either order.
    pub fn new(a_m: f64, b_m: f64) -> Self {
        Self { from_m: a_m.min(b_m), to_m: a_m.max(b_m) }
    }

    /// The part inside another one, if any length is left.
    pub fn within(self, other: Self) -> Option<Self> {
        let (from_m, to_m) = (self.from_m.max(other.from_m), self.to_m.min(other.to_m));
        (from_m < to_m).then_some(Self { from_m, to_m })
    }

    /// Length in metres.
    pub fn length_m(self) -> f64 {
        self.to_m - self.from_m
    }
}

/// The union as disjoint intervals in order; touching ones become one.
pub(crate) fn union(mut parts: Vec<Stretch>) -> Vec<Stretch> {
    parts.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
    let mut out: Vec<Stretch> = Vec::new();
    for part in parts {
        match out.last_mut() {
            Some(last) if part.from_m <= last.to_m => last.to_m = last.to_m.max(part.to_m),
            _ => out.push(part),
        }
    }
    out
}

/// What of a stretch lies outside the disjoint, ordered `holes`.
pub(crate) fn without(whole: Stretch, holes: &[Stretch]) -> Vec<Stretch> {
    let mut out = Vec::new();
    let mut from_m = whole.from_m;
    for hole in holes {
        if hole.from_m > from_m {
            out.extend(Stretch::new(from_m, hole.from_m).within(whole));
        }
        from_m = from_m.max(hole.to_m);
    }
    if from_m < whole.to_m {
        out.extend(Stretch::new(from_m, whole.to_m).within(whole));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: by hand.
    #[test]
    fn unions_and_differences() {
        let parts = vec![Stretch::new(5.0, 6.0), Stretch::new(1.0, 0.0), Stretch::new(0.5, 2.0)];
        let joined = union(parts);
        assert_eq!(joined, [Stretch::new(0.0, 2.0), Stretch::new(5.0, 6.0)]);
        assert_eq!(
            without(Stretch::new(-1.0, 5.5), &joined),
            [Stretch::new(-1.0, 0.0), Stretch::new(2.0, 5.0)]
        );
        assert_eq!(without(Stretch::new(0.0, 2.0), &joined), []);
    }
}
