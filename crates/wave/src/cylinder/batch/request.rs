//! What may be asked of an engine, and the checks that all engines share.

use num_complex::Complex64;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError, positive};
use crate::geometry::Point;
use crate::media::{Fluid, Mode, Solid};

use super::super::array::{Drive, LineArray};
use super::super::band::CylinderBand;
use super::super::limits;
use super::super::map::MapGrid;
use super::super::modal::{Attenuation, orders_for};
use super::super::synthesis::even_step_hz;
use super::super::{EchoPlace, EchoWeights, Passage};

/// A bar in water: what a modal solution depends on beside the frequencies.
#[derive(Debug, Clone, PartialEq)]
pub struct BarBand {
    /// Radius of the bar in m.
    pub radius_m: f64,
    /// Steel.
    pub solid: Solid,
    /// Water.
    pub fluid: Fluid,
    /// Attenuation at each frequency; empty: none.
    pub attenuation: Vec<Attenuation>,
}

impl BarBand {
    /// The modal solutions of the first passage, undamped.
    ///
    /// # Errors
    /// As [`CylinderBand::with_attenuation`].
    pub fn solve(&self, frequencies_hz: &[f64]) -> Result<CylinderBand> {
        let lossless = Attenuation::default();
        let at = |f: f64| {
            let i = frequencies_hz.partition_point(|x| *x < f);
            self.attenuation.get(i).copied().unwrap_or(lossless)
        };
        CylinderBand::with_attenuation(
            self.radius_m,
            &self.solid,
            &self.fluid,
            frequencies_hz,
            0.0,
            Passage::First,
            at,
        )
    }

    fn check(&self, frequencies_hz: &[f64]) -> Result<()> {
        positive("the bar radius", self.radius_m, "m")?;
        Solid::new(self.solid.longitudinal_m_s, self.solid.shear_m_s, self.solid.density_kg_m3)?;
        Fluid::new(self.fluid.velocity_m_s, self.fluid.density_kg_m3)?;
        if !self.attenuation.is_empty() && self.attenuation.len() != frequencies_hz.len() {
            return Err(WaveError::Count {
                what: "attenuations of the band",
                got: self.attenuation.len(),
                need: frequencies_hz.len(),
            });
        }
        for loss in &self.attenuation {
            for value in [loss.longitudinal_np_m, loss.shear_np_m] {
                if !(value >= 0.0 && value * self.radius_m <= 100.0) {
                    return Err(WaveError::OutOfRange {
                        what: "the attenuation",
                        value,
                        unit: "Np/m",
                        expected: "zero or more, at most 100 neper across the radius",
                    });
                }
            }
        }
        let top = frequencies_hz[frequencies_hz.len() - 1];
        let bottom = frequencies_hz[0];
        let size = |f: f64| TAU * f * self.radius_m / self.fluid.velocity_m_s;
        limits::check_band(1, size(bottom), orders_for(size(bottom)))?;
        limits::check_band(frequencies_hz.len(), size(top), orders_for(size(top)))
    }
}

/// One aperture with its law, before one bar.
#[derive(Debug, Clone, PartialEq)]
pub struct MapItem {
    /// Number of the bar in the batch.
    pub bar: usize,
    /// Number of the array in the batch.
    pub array: usize,
    /// Elements, delays and weights.
    pub drive: Drive,
    /// Where the bar's axis stands in the coordinates of the array, in m.
    pub centre: Point,
}

/// Rings at shares of a bar's radius, for bars of several sizes.
#[derive(Debug, Clone, PartialEq)]
pub struct RingShares {
    /// Radius of each ring over the bar's, 0 to 1.
    pub shares: Vec<f64>,
    /// Angles of a full turn; angle `j` is `2π j / angles`.
    pub angles: usize,
}

impl RingShares {
    /// Radii of the rings in a bar, in m.
    #[must_use]
    pub fn radii_m(&self, bar: &BarBand) -> Vec<f64> {
        self.shares.iter().map(|s| s * bar.radius_m).collect()
    }
}

/// Peak envelopes of many items on one grid.
#[derive(Debug, Clone)]
pub struct MapBatch<'a> {
    /// Frequencies in Hz, evenly spaced, shared by all.
    pub frequencies_hz: &'a [f64],
    /// Spectrum of the pulse at each.
    pub spectrum: &'a [Complex64],
    /// Kind of wave.
    pub mode: Mode,
    /// Bars.
    pub bars: &'a [BarBand],
    /// Arrays, each in its own coordinates.
    pub arrays: &'a [LineArray],
    /// What is computed.
    pub items: &'a [MapItem],
    /// Rings.
    pub rings: &'a RingShares,
    /// First angle wanted and how many from there on (counted round past the full turn).
    pub sector: (usize, usize),
    /// Times over a record, see [`MapGrid::times`]. An engine may take more.
    pub times: usize,
}

/// Places of an echo batch: the same for several items, or an item's own.
#[derive(Debug, Clone, PartialEq)]
pub struct ItemPlaces {
    /// Places of each ring, in any order.
    pub rings: Vec<Vec<EchoPlace>>,
}

/// One beam before one bar, both ways.
#[derive(Debug, Clone)]
pub struct EchoItem {
    /// Number of the bar in the batch.
    pub bar: usize,
    /// Number of the array in the batch.
    pub array: usize,
    /// Transmission.
    pub transmit: Drive,
    /// Reception; absent if as transmission.
    pub receive: Option<Drive>,
    /// Where the bar's axis stands in the coordinates of the array, in m.
    pub centre: Point,
    /// Number of the weights in the batch.
    pub weights: usize,
    /// Where echoes are asked for.
    pub places: ItemPlaces,
}

/// Echoes of many items on one set of rings.
#[derive(Debug, Clone)]
pub struct EchoBatch<'a> {
    /// Frequencies in Hz, evenly spaced, shared by all.
    pub frequencies_hz: &'a [f64],
    /// Kind of wave.
    pub mode: Mode,
    /// Bars.
    pub bars: &'a [BarBand],
    /// Arrays, each in its own coordinates.
    pub arrays: &'a [LineArray],
    /// Weights of echoes' spectra, see [`EchoWeights`].
    pub weights: &'a [EchoWeights],
    /// What is computed.
    pub items: &'a [EchoItem],
    /// Rings.
    pub rings: &'a RingShares,
    /// Times over a record; an engine may take more.
    pub times: usize,
    /// How long after the earliest time of a place its echo is looked for, in s.
    pub search_s: f64,
    /// Whether directions of travel are wanted.
    pub headings: bool,
}

/// What both kinds of batches have in common.
struct Common<'a> {
    frequencies_hz: &'a [f64],
    bars: &'a [BarBand],
    arrays: &'a [LineArray],
    rings: &'a RingShares,
}

impl Common<'_> {
    fn check(&self) -> Result<f64> {
        let step_hz = even_step_hz(self.frequencies_hz)?;
        positive("the lowest frequency", self.frequencies_hz[0], "Hz")?;
        positive("the frequency step", step_hz, "Hz")?;
        for bar in self.bars {
            bar.check(self.frequencies_hz)?;
        }
        for &share in &self.rings.shares {
            limits::check_inside(share, 1.0)?;
        }
        if self.rings.angles == 0 {
            return Err(WaveError::Count { what: "angles of a ring", got: 0, need: 1 });
        }
        Ok(step_hz)
    }

    fn check_item(&self, bar: usize, array: usize, drives: &[&Drive], centre: Point) -> Result<()> {
        for (what, number, have) in [
            ("the number of an item's bar (counted from 0)", bar, self.bars.len()),
            ("the number of an item's array (counted from 0)", array, self.arrays.len()),
        ] {
            below(what, number, have, "below the number of those given")?;
        }
        limits::check_size("the place of a bar", centre.radius(), "m")?;
        let elements = self.arrays[array].elements();
        let radius_m = self.bars[bar].radius_m;
        let nearest =
            elements.iter().flatten().map(|s| s.at.distance(centre)).fold(f64::INFINITY, f64::min);
        if nearest <= radius_m {
            return Err(WaveError::OutOfRange {
                what: "the distance of a line source from the bar's axis",
                value: nearest,
                unit: "m",
                expected: "above the bar's radius",
            });
        }
        for drive in drives {
            for &element in drive.elements() {
                below(
                    "the number of a driven element (counted from 0)",
                    element,
                    elements.len(),
                    "below the number of elements of the array",
                )?;
            }
        }
        Ok(())
    }
}

fn below(what: &'static str, number: usize, have: usize, expected: &'static str) -> Result<()> {
    if number < have {
        return Ok(());
    }
    Err(WaveError::OutOfRange { what, value: number as f64, unit: "", expected })
}

fn at_least(what: &'static str, got: usize, need: usize) -> Result<()> {
    if got >= need { Ok(()) } else { Err(WaveError::Count { what, got, need }) }
}

impl MapBatch<'_> {
    /// Refuses what no engine can answer, with the numbers; gives the frequency step in Hz.
    ///
    /// # Errors
    /// [`WaveError::Count`] and [`WaveError::OutOfRange`] as [`super::super::Illumination::map`], and for
    /// numbers of bars or arrays that were not given.
    pub fn check(&self) -> Result<f64> {
        let step_hz = self.common().check()?;
        let frequencies = self.frequencies_hz.len();
        if self.spectrum.len() != frequencies {
            return Err(WaveError::Count {
                what: "values of the pulse's spectrum",
                got: self.spectrum.len(),
                need: frequencies,
            });
        }
        for value in self.spectrum {
            limits::check_size("a value of the pulse's spectrum", value.norm(), "")?;
        }
        at_least("rings of the map", self.rings.shares.len(), 1)?;
        at_least("angles of the map's sector", self.sector.1, 1)?;
        if self.sector.1 > self.rings.angles {
            return Err(WaveError::Count {
                what: "angles of the map's sector",
                got: self.sector.1,
                need: self.rings.angles,
            });
        }
        at_least("times of the map", self.times, frequencies)?;
        limits::check_map(&self.grid(&[]), frequencies)?;
        for item in self.items {
            self.common().check_item(item.bar, item.array, &[&item.drive], item.centre)?;
        }
        Ok(step_hz)
    }

    /// The grid of an item with given radii; with none, as many rings at nought.
    pub(super) fn grid(&self, radii_m: &[f64]) -> MapGrid {
        let radii_m =
            if radii_m.is_empty() { vec![0.0; self.rings.shares.len()] } else { radii_m.to_vec() };
        MapGrid {
            radii_m,
            angles: self.rings.angles,
            sector: self.sector,
            times: self.times,
            start_s: 0.0,
        }
    }

    fn common(&self) -> Common<'_> {
        Common {
            frequencies_hz: self.frequencies_hz,
            bars: self.bars,
            arrays: self.arrays,
            rings: self.rings,
        }
    }
}

impl EchoBatch<'_> {
    /// Refuses what no engine can answer, with the numbers; gives the frequency step in Hz.
    ///
    /// # Errors
    /// [`WaveError::Count`] and [`WaveError::OutOfRange`] as [`CylinderBand::echo_peaks`], and for numbers
    /// of bars, arrays or weights that were not given.
    pub fn check(&self) -> Result<f64> {
        let common = Common {
            frequencies_hz: self.frequencies_hz,
            bars: self.bars,
            arrays: self.arrays,
            rings: self.rings,
        };
        let step_hz = common.check()?;
        let frequencies = self.frequencies_hz.len();
        at_least("times of the record", self.times, frequencies)?;
        limits::check_samples(
            "frequencies times places of a ring",
            (frequencies * self.rings.angles) as f64,
        )?;
        limits::check_samples("times of the record", self.times as f64)?;
        for weights in self.weights {
            let got = weights.rows()[0].len();
            if got != frequencies {
                return Err(WaveError::Count { what: "weights of a row", got, need: frequencies });
            }
        }
        if !(self.search_s > 0.0 && self.search_s * step_hz <= 1.0 + 1e-9) {
            return Err(WaveError::OutOfRange {
                what: "the time within which an echo is looked for",
                value: self.search_s,
                unit: "s",
                expected: "above zero and at most one over the frequency step",
            });
        }
        for item in self.items {
            let drives: Vec<&Drive> =
                std::iter::once(&item.transmit).chain(item.receive.as_ref()).collect();
            common.check_item(item.bar, item.array, &drives, item.centre)?;
            below(
                "the number of an item's weights (counted from 0)",
                item.weights,
                self.weights.len(),
                "below the number of those given",
            )?;
            if item.places.rings.len() != self.rings.shares.len() {
                return Err(WaveError::Count {
                    what: "lists of places, one per ring",
                    got: item.places.rings.len(),
                    need: self.rings.shares.len(),
                });
            }
            for place in item.places.rings.iter().flatten() {
                below(
                    "the number of a place on its ring",
                    place.angle,
                    self.rings.angles,
                    "below the number of places",
                )?;
                limits::check_time("the earliest time of an echo", place.earliest_s)?;
            }
        }
        Ok(step_hz)
    }
}
