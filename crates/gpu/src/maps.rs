//! Peak envelopes of a batch on the device.

use barwright_wave::cylinder::batch::{Extreme, Extremes, MapBatch, MapsAnswer, Wanted};
use barwright_wave::cylinder::between_samples;
use cudarc::driver::CudaSlice;

use crate::device::Device;
use crate::error::DeviceError;
use crate::groups::{Bytes, cut};
use crate::launch::{CirclesSize, TimesSize};
use crate::senders::{GroupTables, Shared, Side, scale};
use crate::shape::{Shape, check_rings};
use crate::tables::Extent;

type Result<T> = std::result::Result<T, DeviceError>;

impl Device {
    /// Peak envelopes of a batch that was checked.
    pub(crate) fn map_batch(
        &self,
        batch: &MapBatch<'_>,
        wanted: Wanted,
        step_hz: f64,
    ) -> Result<MapsAnswer> {
        let mut answer = MapsAnswer::default();
        if batch.items.is_empty() {
            return Ok(answer);
        }
        let _alone = self.alone();
        let frequencies = batch.frequencies_hz.len();
        let shares = &batch.rings.shares;
        check_rings(shares.len())?;
        let (rings, width) = (shares.len(), batch.sector.1);
        let places = rings * width;
        let all: Vec<_> = batch.bars.iter().collect();
        let whole = Extent::of(&all, batch.frequencies_hz, batch.mode, shares);
        let kernels =
            self.shaped(Shape::for_maps(batch.rings.angles, batch.times, whole.lossy)?)?;
        let bars: Vec<usize> = batch.items.iter().map(|i| i.bar).collect();
        let bytes = Bytes {
            bar: whole.bytes_a_bar(),
            item: whole.bytes_an_item() + places * 4,
            task: frequencies * batch.rings.angles * 8,
        };
        let cut = cut(&bars, bytes, self.free_bytes()?)?;
        // Spectrum of size one; its size comes back in at the end.
        let unit = batch.spectrum.iter().map(|s| s.norm()).fold(f64::MIN_POSITIVE, f64::max);
        let strengths: Vec<f32> = batch
            .spectrum
            .iter()
            .flat_map(|s| [(s.re / unit) as f32, (s.im / unit) as f32])
            .collect();
        let sides: Vec<Side<'_>> = batch
            .items
            .iter()
            .map(|i| Side { array: &batch.arrays[i.array], drive: &i.drive, centre: i.centre })
            .collect();
        let water_m_s = batch.bars[0].fluid.velocity_m_s;
        let scale = scale(&sides, batch.frequencies_hz[frequencies / 2], water_m_s);
        let back = unit * step_hz / scale;
        let weights: Vec<f32> =
            between_samples(frequencies, kernels.shape.times, kernels.shape.parts()).concat();
        let weights = self.put(&weights)?;
        let [mut least, mut greatest] = [self.zeros(places)?, self.zeros(places)?];
        let [mut least_at, mut greatest_at] = [self.zeros(places)?, self.zeros(places)?];
        let most_tasks = cut.groups.iter().map(|g| g.len() * rings).max().unwrap_or(0);
        let mut rows =
            self.zeros(2 * cut.tasks.min(most_tasks) * frequencies * batch.rings.angles)?;
        let shared = Shared {
            bars: batch.bars,
            frequencies_hz: batch.frequencies_hz,
            mode: batch.mode,
            shares,
            lossy: whole.lossy,
        };
        let mut known: Option<GroupTables> = None;
        for group in &cut.groups {
            let (group_tables, bar_of) = self.tables_of(known, &bars[group.clone()], shared)?;
            let GroupTables { extent, tables, radial, .. } = &group_tables;
            let senders = self.senders(
                &sides[group.clone()],
                &bar_of,
                &strengths,
                extent,
                batch.mode,
                scale,
            )?;
            let sent = self.send(tables, &senders, extent)?;
            let tasks: Vec<i32> = (0..(group.len() * rings) as i32).collect();
            let on_device = self.put(&tasks)?;
            let mut peaks = self.zeros(group.len() * places)?;
            let mut first = 0;
            while first < tasks.len() {
                let end = (first + cut.tasks).min(tasks.len());
                let size = CirclesSize {
                    frequencies: frequencies as i32,
                    rings: rings as i32,
                    last: extent.last() as i32,
                    pad: 0,
                    table: extent.radial() as u64,
                    first: first as i32,
                    end: end as i32,
                };
                self.run("circles", || {
                    kernels.circles(
                        &self.stream,
                        size,
                        &on_device,
                        &senders.bar_of,
                        radial,
                        &sent,
                        &mut rows,
                    )
                })?;
                let size = TimesSize {
                    frequencies: frequencies as i32,
                    rings: rings as i32,
                    wanted: width as i32,
                    sector: (batch.sector.0 % batch.rings.angles) as i32,
                    first: first as i32,
                };
                self.run("peaks", || {
                    kernels.peaks(
                        &self.stream,
                        size,
                        end - first,
                        &on_device,
                        &rows,
                        &weights,
                        &mut peaks,
                    )
                })?;
                first = end;
            }
            self.run("extremes", || {
                self.modal.extremes(
                    &self.stream,
                    group.len(),
                    places,
                    group.start,
                    &peaks,
                    [&mut least, &mut greatest],
                    [&mut least_at, &mut greatest_at],
                )
            })?;
            if wanted == Wanted::Maps {
                let values = self.get(&peaks, group.len() * places)?;
                let maps = values.chunks_exact(places);
                answer.maps.extend(
                    maps.map(|map| map.iter().map(|v| f64::from(*v) * back).collect::<Vec<f64>>()),
                );
            }
            known = Some(group_tables);
        }
        let extremes =
            |values: &CudaSlice<f32>, numbers: &CudaSlice<i32>| -> Result<Vec<Extreme>> {
                let values = self.get(values, places)?;
                let numbers = self.get(numbers, places)?;
                if values.iter().any(|v| !v.is_finite()) {
                    return Err(DeviceError::Failed {
                        doing: "computed maps",
                        text: "a peak is no finite number".into(),
                    });
                }
                let pairs = values.into_iter().zip(numbers);
                Ok(pairs
                    .map(|(v, n)| Extreme { value: f64::from(v) * back, item: n as usize })
                    .collect())
            };
        answer.extremes = Extremes {
            least: extremes(&least, &least_at)?,
            greatest: extremes(&greatest, &greatest_at)?,
        };
        Ok(answer)
    }
}
