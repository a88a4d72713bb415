//! What an engine answers about many maps.

/// An extreme value over a batch and the item it came from; the first such item where several tie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extreme {
    /// The value, in the units of [`super::super::FieldMap::peak`].
    pub value: f64,
    /// Number of the item in the batch.
    pub item: usize,
}

/// Extremes over a batch at `[ring * angles + angle]`; empty for a batch without items.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Extremes {
    /// Least value at each place.
    pub least: Vec<Extreme>,
    /// Greatest value at each place.
    pub greatest: Vec<Extreme>,
}

impl Extremes {
    /// Takes a map in; the order in which maps come does not matter.
    pub fn add(&mut self, item: usize, peak: &[f64]) {
        if self.least.is_empty() {
            self.least = peak.iter().map(|&value| Extreme { value, item }).collect();
            self.greatest.clone_from(&self.least);
            return;
        }
        for ((least, greatest), &value) in self.least.iter_mut().zip(&mut self.greatest).zip(peak) {
            if value < least.value || (value == least.value && item < least.item) {
                *least = Extreme { value, item };
            }
            if value > greatest.value || (value == greatest.value && item < greatest.item) {
                *greatest = Extreme { value, item };
            }
        }
    }
}

/// Answer to a batch of maps.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MapsAnswer {
    /// Extremes over the batch.
    pub extremes: Extremes,
    /// Peak of each item at `[ring * angles + angle]`, angles from the sector's first on; empty unless
    /// asked for.
    pub maps: Vec<Vec<f64>>,
}
