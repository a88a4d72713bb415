//! From the spectra of a ring to the peaks of its envelopes, in single precision.

use num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

use super::peaks::PeakFinder;
use super::wide::wide;

/// Values in a line of cache.
pub(super) const LINE: usize = 8;
/// Frequencies turned from rows into columns together.
const TOGETHER: usize = 4;

/// Brings spectra into time and finds the peaks of their envelopes.
pub(super) struct Envelopes {
    in_time: Arc<dyn Fft<f32>>,
    frequencies: usize,
    times: usize,
    /// Neper by which a damped signal grows at its first sample and from one to the next.
    growth_np: Option<(f64, f64)>,
}

/// Working room of [`Envelopes`], one per thread.
pub(super) struct Columns {
    signals: Vec<Complex32>,
    scratch: Vec<Complex32>,
    finder: PeakFinder,
}

impl Envelopes {
    pub fn new(frequencies: usize, times: usize, growth_np: Option<(f64, f64)>) -> Self {
        let in_time = FftPlanner::new().plan_fft_forward(times);
        Self { in_time, frequencies, times, growth_np }
    }

    /// Distance of columns: a line of cache more than the times, so that they do not all fall on
    /// the same cache sets.
    fn pitch(&self) -> usize {
        self.times + LINE
    }

    pub fn room(&self) -> Columns {
        Columns {
            signals: vec![Complex32::ZERO; LINE * self.pitch()],
            scratch: vec![Complex32::ZERO; self.in_time.get_inplace_scratch_len()],
            finder: PeakFinder::new(self.frequencies, self.times, self.growth_np),
        }
    }

    /// Peaks, times `unit`, of the columns from `first` on of a table with one row of `stride`
    /// values per frequency; a row is a line longer than its angles.
    pub fn peaks(
        &self,
        rows: &[Complex32],
        stride: usize,
        first: usize,
        room: &mut Columns,
        peaks: &mut [f64],
        unit: f64,
    ) {
        let (times, pitch) = (self.times, self.pitch());
        // The middle of the band goes to frequency zero, which no magnitude feels.
        let middle = self.frequencies / 2;
        let upper = self.frequencies - middle;
        let (low, high) = rows.split_at(middle * stride);
        for (block, peaks) in peaks.chunks_mut(LINE).enumerate() {
            let from = first + block * LINE;
            let signals = &mut room.signals[..peaks.len() * pitch];
            wide(
                #[inline(always)]
                || {
                    turn(high, stride, from, signals, pitch, 0);
                    turn(low, stride, from, signals, pitch, times - middle);
                },
            );
            for (signal, peak) in signals.chunks_exact_mut(pitch).zip(peaks) {
                let signal = &mut signal[..times];
                signal[upper..times - middle].fill(Complex32::ZERO);
                self.in_time.process_with_scratch(signal, &mut room.scratch);
                wide(
                    #[inline(always)]
                    || *peak = f64::from(room.finder.peak(signal)) * unit,
                );
            }
        }
    }
}

/// Makes rows of some columns, a small tile at a time; row 0 goes to place `to` of each column.
#[inline(always)]
fn turn(
    rows: &[Complex32],
    stride: usize,
    from: usize,
    columns: &mut [Complex32],
    pitch: usize,
    to: usize,
) {
    for (group, rows) in rows.chunks(TOGETHER * stride).enumerate() {
        let to = to + group * TOGETHER;
        let line = |row: usize| rows.get(row * stride + from..)?.first_chunk::<LINE>();
        if let (Some(a), Some(b), Some(c), Some(d)) = (line(0), line(1), line(2), line(3)) {
            for (m, column) in columns.chunks_exact_mut(pitch).enumerate().take(LINE) {
                if let Some(four) = column[to..].first_chunk_mut::<TOGETHER>() {
                    *four = [a[m], b[m], c[m], d[m]];
                }
            }
            continue;
        }
        for (f, row) in rows.chunks_exact(stride).enumerate() {
            for (column, value) in columns.chunks_exact_mut(pitch).zip(&row[from..]) {
                column[to + f] = *value;
            }
        }
    }
}
