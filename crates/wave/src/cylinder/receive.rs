//! What the bar sends back to the array.

use num_complex::Complex64;
use std::collections::HashMap;
use std::f64::consts::{PI, TAU};

use crate::error::{Result, WaveError};
use crate::media::Mode;

use super::array::Drive;
use super::illumination::Illumination;
use super::linear::add_scaled;
use super::orders::SOURCE;
use super::point::orders_that_count;
use super::series::angular_series;
use super::spectra::Spectra;

impl Illumination<'_> {
    /// Spectra of the pressure scattered by the bar (surface echo, back wall, multiples, surface
    /// waves) and received by an aperture, one row per pair `transmit[i]`, `receive[i]`.
    ///
    /// The pressure is averaged over each receiving element's line sources and summed over the
    /// elements with their weights and delays. The sound that reaches a receiving element straight
    /// from a transmitting one is not in it.
    ///
    /// # Errors
    /// [`WaveError::Count`] if the lists differ in length; [`WaveError::OutOfRange`] for an
    /// element number the array has not.
    pub fn received(&self, transmit: &[Drive], receive: &[Drive]) -> Result<Spectra> {
        if transmit.len() != receive.len() {
            return Err(WaveError::Count {
                what: "receiving drives for the transmitting ones",
                got: receive.len(),
                need: transmit.len(),
            });
        }
        self.check(transmit)?;
        self.check(receive)?;
        if self.shared_orders(0).is_some() {
            self.received_by_angle(transmit, receive)
        } else {
            self.received_by_order(transmit, receive)
        }
    }

    /// Concentric array: the answer between two elements depends on the angle between them only,
    /// and few different angles occur.
    fn received_by_angle(&self, transmit: &[Drive], receive: &[Drive]) -> Result<Spectra> {
        let Some((angles, _)) = self.shared_orders(0) else {
            return self.received_by_order(transmit, receive);
        };
        let mut known: HashMap<i64, usize> = HashMap::new();
        let mut between = Vec::new();
        let mut pairs = Vec::with_capacity(transmit.len());
        for (tx, rx) in transmit.iter().zip(receive) {
            let mut pair = Vec::with_capacity(tx.elements().len() * rx.elements().len());
            for &t in tx.elements() {
                for &r in rx.elements() {
                    let turn = (angles[t] - angles[r]).rem_euclid(TAU);
                    let turn = if turn > PI { TAU - turn } else { turn };
                    // 1e-11 rad: far above rounding, far below any phase that matters.
                    let index = *known.entry((turn * 1e11).round() as i64).or_insert_with(|| {
                        between.push(turn);
                        between.len() - 1
                    });
                    pair.push(index);
                }
            }
            pairs.push(pair);
        }
        self.band().sweep(transmit.len(), |f, solution| {
            let shared = self.shared_orders(f).map(|(_, orders)| orders).unwrap_or_default();
            let product: Vec<Complex64> = solution
                .scattered_scaled()
                .iter()
                .zip(shared)
                .map(|(b, h)| b * h * h / SOURCE)
                .collect();
            let answers = angular_series(&product, &between, Mode::L);
            let angular = self.band().angular(f);
            let mut column = Vec::with_capacity(transmit.len());
            for ((tx, rx), pair) in transmit.iter().zip(receive).zip(&pairs) {
                let heard: Vec<Complex64> = rx.factors(angular).collect();
                let mut sum = Complex64::ZERO;
                for (sent, row) in tx.factors(angular).zip(pair.chunks(heard.len().max(1))) {
                    let inner: Complex64 =
                        row.iter().zip(&heard).map(|(&index, w)| answers[index] * w).sum();
                    sum += sent * inner;
                }
                column.push(sum);
            }
            Ok(column)
        })
    }

    /// Any array: `Σ b_n A_n Σ_e w_e H_n(k r_e) e^{inθ_e}`; the inner sum is the receiving
    /// aperture's own `A_{-n}` times `(-1)^n / (i/4)`.
    fn received_by_order(&self, transmit: &[Drive], receive: &[Drive]) -> Result<Spectra> {
        let used = Self::elements_used(transmit.iter().chain(receive));
        let place = |element: &usize| used.binary_search(element).unwrap_or_default();
        self.band().sweep(transmit.len(), |f, solution| {
            let scattered = solution.scattered_scaled();
            let nearest = solution.outer(self.nearest_m(), solution.highest_order())?;
            let echoed: Vec<Complex64> =
                scattered.iter().zip(&nearest).map(|(b, h)| b * h).collect();
            let highest = orders_that_count(&echoed, &nearest) - 1;
            let angular = self.band().angular(f);
            let sent = used
                .iter()
                .map(|&element| self.element_orders(f, element, highest))
                .collect::<Result<Vec<_>>>()?;
            let orders = |drive: &Drive| {
                let mut sum = vec![Complex64::ZERO; 2 * highest + 1];
                for (element, factor) in drive.elements().iter().zip(drive.factors(angular)) {
                    add_scaled(&mut sum, &sent[place(element)], factor);
                }
                sum
            };
            let mut column = Vec::with_capacity(transmit.len());
            for (tx, rx) in transmit.iter().zip(receive) {
                let sent = orders(tx);
                let heard = if tx == rx { sent.clone() } else { orders(rx) };
                let mut sum = Complex64::ZERO;
                for (n, b) in scattered[..=highest].iter().enumerate() {
                    let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
                    let mut both = sent[highest + n] * heard[highest - n];
                    if n > 0 {
                        both += sent[highest - n] * heard[highest + n];
                    }
                    sum += b * both * sign;
                }
                column.push(sum / SOURCE);
            }
            Ok(column)
        })
    }
}
