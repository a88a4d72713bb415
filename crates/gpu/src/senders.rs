//! Apertures on the device: where each line source stands from the bar's axis, and what it sends.

use std::f64::consts::{PI, TAU};

use barwright_wave::cylinder::batch::BarBand;
use barwright_wave::cylinder::{Drive, LineArray};
use barwright_wave::{Mode, Point};
use cudarc::driver::CudaSlice;

use crate::device::Device;
use crate::error::DeviceError;
use crate::groups::own_bars;
use crate::launch::{DrivesSize, MOST_SOURCES, RadialTables, SOURCE, Senders, Tables};
use crate::tables::Extent;

type Result<T> = std::result::Result<T, DeviceError>;

/// One side of an item: who sends, and where the bar stands.
pub(crate) struct Side<'a> {
    pub array: &'a LineArray,
    pub drive: &'a Drive,
    pub centre: Point,
}

/// What is to be the same for all items of a batch so that single precision holds them: incident fields
/// are of size one with it.
pub(crate) fn scale(sides: &[Side<'_>], middle_hz: f64, water_m_s: f64) -> f64 {
    let strongest = sides
        .iter()
        .map(|s| s.drive.weights().iter().map(|w| w.abs()).sum::<f64>())
        .fold(0.0, f64::max);
    let nearest = sides
        .iter()
        .flat_map(|s| s.array.elements().iter().flatten().map(|x| x.at.distance(s.centre)))
        .fold(f64::INFINITY, f64::min);
    // |H_0(x)| / 4, far from the source.
    let one = 0.25 * (2.0 * water_m_s / (PI * TAU * middle_hz * nearest)).sqrt();
    if strongest > 0.0 && one.is_finite() && one > 0.0 { 1.0 / (strongest * one) } else { 1.0 }
}

/// What is the same for all items of a batch: its frequencies, kind of wave and rings.
#[derive(Clone, Copy)]
pub(crate) struct Shared<'a> {
    pub bars: &'a [BarBand],
    pub frequencies_hz: &'a [f64],
    pub mode: Mode,
    pub shares: &'a [f64],
    /// Whether any bar of the batch attenuates: kernels are made for one or the other.
    pub lossy: bool,
}

/// Tables of the bars of a group.
pub(crate) struct GroupTables {
    /// Numbers of the bars.
    own: Vec<usize>,
    pub extent: Extent,
    pub tables: Tables,
    pub radial: RadialTables,
}

impl Device {
    /// Tables of the bars of a group, those at hand if they are of the same bars; and each item's place
    /// among them.
    pub(crate) fn tables_of(
        &self,
        known: Option<GroupTables>,
        bars: &[usize],
        shared: Shared<'_>,
    ) -> Result<(GroupTables, Vec<i32>)> {
        let (own, bar_of) = own_bars(bars);
        if let Some(known) = known.filter(|k| k.own == own) {
            return Ok((known, bar_of));
        }
        let Shared { frequencies_hz, mode, shares, .. } = shared;
        let chosen: Vec<_> = own.iter().map(|b| &shared.bars[*b]).collect();
        let mut extent = Extent::of(&chosen, frequencies_hz, mode, shares);
        extent.lossy = shared.lossy;
        let (tables, radial) = self.tables(&chosen, frequencies_hz, mode, shares, &extent)?;
        Ok((GroupTables { own, extent, tables, radial }, bar_of))
    }

    /// Sources of items, ready to send.
    pub(crate) fn senders(
        &self,
        sides: &[Side<'_>],
        bar_of: &[i32],
        strengths: &[f32],
        extent: &Extent,
        mode: Mode,
        scale: f64,
    ) -> Result<Senders> {
        let (mut sources, mut first, mut most) = (Vec::new(), vec![0_i32], 0);
        for side in sides {
            let elements = side.array.elements();
            let from = sources.len();
            let drive = side.drive;
            for ((&element, &delay), &weight) in
                drive.elements().iter().zip(drive.delays_s()).zip(drive.weights())
            {
                if weight == 0.0 {
                    continue;
                }
                for source in &elements[element] {
                    let at = source.at - side.centre;
                    let own: [f64; SOURCE] =
                        [at.radius(), at.angle(), weight * source.weight, delay];
                    sources.extend(own);
                }
            }
            let count = (sources.len() - from) / SOURCE;
            if count > MOST_SOURCES {
                return Err(DeviceError::NotMade {
                    what: "the number of line sources of a beam",
                    got: count,
                    expected: "at most 1024",
                });
            }
            most = most.max(count);
            first.push((sources.len() / SOURCE) as i32);
        }
        Ok(Senders {
            size: DrivesSize {
                frequencies: extent.frequencies as i32,
                orders: extent.orders as i32,
                last: extent.last() as i32,
                shear: i32::from(mode == Mode::S),
                items: sides.len() as i32,
            },
            bar_of: self.put(bar_of)?,
            first_source: self.put(&first)?,
            sources: self.put(&sources)?,
            scales: self.put(&vec![scale; sides.len()])?,
            strengths: self.put(strengths)?,
            most,
        })
    }

    /// Orders that items send.
    pub(crate) fn send(
        &self,
        tables: &Tables,
        senders: &Senders,
        extent: &Extent,
    ) -> Result<CudaSlice<f32>> {
        let items = senders.size.items as usize;
        let mut sent = self.zeros(items * extent.bytes_an_item() / 4)?;
        self.run("send", || self.modal.send(&self.stream, tables, senders, &mut sent))?;
        Ok(sent)
    }
}
