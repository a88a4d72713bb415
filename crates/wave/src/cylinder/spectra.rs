//! A table of spectra.

use num_complex::Complex64;

/// Spectra over the frequencies of a band, one per row (a beam, a pair of beams, a point).
#[derive(Debug, Clone, PartialEq)]
pub struct Spectra {
    frequencies: usize,
    values: Vec<Complex64>,
}

impl Spectra {
    /// From one column of `rows` values per frequency.
    pub(super) fn from_columns(rows: usize, columns: &[Vec<Complex64>]) -> Self {
        let frequencies = columns.len();
        let mut values = vec![Complex64::ZERO; rows * frequencies];
        for (f, column) in columns.iter().enumerate() {
            for (row, value) in column.iter().enumerate() {
                values[row * frequencies + f] = *value;
            }
        }
        Self { frequencies, values }
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.values.len().checked_div(self.frequencies).unwrap_or(0)
    }

    /// Number of frequencies of each row.
    #[must_use]
    pub fn frequencies(&self) -> usize {
        self.frequencies
    }

    /// One spectrum.
    #[must_use]
    pub fn row(&self, index: usize) -> &[Complex64] {
        &self.values[index * self.frequencies..(index + 1) * self.frequencies]
    }

    /// All spectra in order.
    pub fn iter(&self) -> impl Iterator<Item = &[Complex64]> {
        self.values.chunks_exact(self.frequencies)
    }

    /// Splits into tables of `rows` rows each.
    pub(super) fn split(self, rows: usize) -> Vec<Self> {
        let step = (rows * self.frequencies).max(1);
        self.values
            .chunks(step)
            .map(|values| Self { frequencies: self.frequencies, values: values.to_vec() })
            .collect()
    }
}
