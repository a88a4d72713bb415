//! Modal and radial tables of some bars, made on the device.

use std::f64::consts::TAU;

use barwright_wave::Mode;
use barwright_wave::cylinder::batch::BarBand;
use barwright_wave::cylinder::{debye_exponent, miller_start, orders_for};

use crate::device::Device;
use crate::error::DeviceError;
use crate::launch::{BAR, BandSize, LADDERS, RadialTables, RingsSize, Tables};

type Result<T> = std::result::Result<T, DeviceError>;

/// Neper that a term may stand below the largest before it is left out, as in `radial.cu`.
const CUT_NP: f64 = 26.0;

/// What tables of some bars will take: computed here, from the same formulas as on the device.
#[derive(Debug, Clone)]
pub(crate) struct Extent {
    pub frequencies: usize,
    /// Rows of ladders: highest order of all and two.
    pub orders: usize,
    /// Rows of the ratios of a mode's scale.
    pub ratios: usize,
    pub lossy: bool,
    /// Values of each row of a ring.
    pub pitch: Vec<usize>,
    /// Last order of each bar and frequency.
    pub highest: Vec<i32>,
}

impl Extent {
    pub fn of(bars: &[&BarBand], frequencies_hz: &[f64], mode: Mode, shares: &[f64]) -> Self {
        let highest: Vec<i32> = bars
            .iter()
            .flat_map(|bar| {
                let size = move |f: f64| TAU * f * bar.radius_m / bar.fluid.velocity_m_s;
                frequencies_hz.iter().map(move |f| orders_for(size(*f)) as i32)
            })
            .collect();
        let top = highest.iter().copied().max().unwrap_or(0) as usize;
        let top_hz = frequencies_hz.last().copied().unwrap_or(0.0);
        // |k| a of the wanted mode, losses included.
        let surface = |bar: &BarBand| {
            let loss = bar.attenuation.last().map_or(0.0, |a| match mode {
                Mode::L => a.longitudinal_np_m,
                Mode::S => a.shear_np_m,
            });
            (TAU * top_hz / bar.solid.velocity_m_s(mode)).hypot(loss) * bar.radius_m
        };
        let surfaces: Vec<f64> = bars.iter().map(|bar| surface(bar)).collect();
        let largest = surfaces.iter().copied().fold(0.0, f64::max);
        // What falls off falls slowest at the highest frequency.
        let last = |share: f64, y: f64| {
            let (mut low, mut high) = (0, top);
            while low < high {
                let middle = (low + high) / 2;
                let n = (middle + 1) as f64;
                let fall = debye_exponent(n, share * y) - debye_exponent(n, y);
                if share > 0.0 && fall < CUT_NP {
                    low = middle + 1;
                } else {
                    high = middle;
                }
            }
            low
        };
        let pitch = shares
            .iter()
            .map(|&share| surfaces.iter().map(|&y| last(share, y)).max().unwrap_or(0) + 1)
            .collect();
        Self {
            frequencies: frequencies_hz.len(),
            orders: top + 2,
            ratios: miller_start(top, largest) + 2,
            lossy: bars.iter().any(|b| {
                b.attenuation.iter().any(|a| match mode {
                    Mode::L => a.longitudinal_np_m > 0.0,
                    Mode::S => a.shear_np_m > 0.0,
                })
            }),
            pitch,
            highest,
        }
    }

    /// Highest order that any ring asks for.
    pub fn last(&self) -> usize {
        self.pitch.iter().copied().max().unwrap_or(1) - 1
    }

    /// Values of the radial table of one bar.
    pub fn radial(&self) -> usize {
        self.pitch.iter().sum::<usize>() * self.frequencies
    }

    /// Bytes that one bar's tables take, those that are needed for a while only included.
    pub fn bytes_a_bar(&self) -> usize {
        let ladders = LADDERS * self.orders * self.frequencies * 20;
        let kept = (self.orders * 24 + self.ratios * 8) * self.frequencies;
        ladders + kept + self.radial() * if self.lossy { 8 } else { 4 }
    }

    /// Bytes that one item's orders take.
    pub fn bytes_an_item(&self) -> usize {
        self.frequencies * 2 * (self.last() + 1) * 8
    }
}

impl Device {
    /// Solves the boundary equations of bars and fills their radial functions.
    pub(crate) fn tables(
        &self,
        bars: &[&BarBand],
        frequencies_hz: &[f64],
        mode: Mode,
        shares: &[f64],
        extent: &Extent,
    ) -> Result<(Tables, RadialTables)> {
        let band = bars.len() * extent.frequencies;
        let shear = i32::from(mode == Mode::S);
        let numbers: Vec<f64> = bars
            .iter()
            .flat_map(|b| -> [f64; BAR] {
                [
                    b.radius_m,
                    b.fluid.velocity_m_s,
                    b.solid.longitudinal_m_s,
                    b.solid.shear_m_s,
                    b.solid.density_kg_m3 / b.fluid.density_kg_m3,
                ]
            })
            .collect();
        let losses: Vec<f64> = bars
            .iter()
            .flat_map(|b| {
                (0..extent.frequencies).flat_map(move |f| {
                    let a = b.attenuation.get(f).copied().unwrap_or_default();
                    [a.longitudinal_np_m, a.shear_np_m]
                })
            })
            .collect();
        let omega: Vec<f64> = frequencies_hz.iter().map(|f| TAU * f).collect();
        let mut tables = Tables {
            size: BandSize {
                bars: bars.len() as i32,
                frequencies: extent.frequencies as i32,
                orders: extent.orders as i32,
                shear,
                ratios: extent.ratios as i32,
            },
            bars: self.put(&numbers)?,
            omega: self.put(&omega)?,
            losses: self.put(&losses)?,
            highest: self.put(&extent.highest)?,
            inside: self.zeros(2 * band * extent.orders)?,
            water: self.zeros(band * extent.orders)?,
            steel: self.zeros(band * extent.ratios)?,
        };
        {
            let mut mantissa = self.zeros(2 * LADDERS * band * extent.orders)?;
            let mut exponent = self.zeros(LADDERS * band * extent.orders)?;
            let mut unsolved = self.zeros(1)?;
            self.run("ladders", || {
                self.modal.ladders(&self.stream, &tables, &mut mantissa, &mut exponent)
            })?;
            self.run("boundary", || {
                self.modal.boundary(
                    &self.stream,
                    &mut tables,
                    &mut mantissa,
                    &mut exponent,
                    &mut unsolved,
                )
            })?;
            let unsolved: i32 = self.get(&unsolved, 1)?[0];
            if unsolved > 0 {
                return Err(DeviceError::Failed {
                    doing: "solved the boundary equations",
                    text: format!("{unsolved} angular orders have no finite answer"),
                });
            }
        }
        let mut offset = Vec::with_capacity(extent.pitch.len());
        let mut at = 0;
        for pitch in &extent.pitch {
            offset.push(at as i64);
            at += pitch * extent.frequencies;
        }
        let pitch: Vec<i32> = extent.pitch.iter().map(|p| *p as i32).collect();
        let floats = if extent.lossy { 2 } else { 1 };
        let mut radial = RadialTables {
            size: RingsSize {
                bars: bars.len() as i32,
                rings: shares.len() as i32,
                frequencies: extent.frequencies as i32,
                ratios: extent.ratios as i32,
                shear,
                last: extent.last() as i32,
                table: extent.radial() as u64,
            },
            pitch: self.put(&pitch)?,
            offset: self.put(&offset)?,
            table: self.zeros(floats * bars.len() * extent.radial())?,
            lossy: extent.lossy,
        };
        let shares = self.put(shares)?;
        self.run("radial", || self.modal.radial(&self.stream, &tables, &shares, &mut radial))?;
        Ok((tables, radial))
    }
}
