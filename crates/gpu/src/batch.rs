//! Batches on the device: what goes there, in which groups, and what comes back.

use std::f64::consts::{PI, TAU};

use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, Extreme, Extremes, MapBatch, MapsAnswer, Wanted,
};
use barwright_wave::cylinder::{Drive, EchoPeak, EchoPlace, LineArray, between_samples};
use barwright_wave::{Mode, Point};
use cudarc::driver::CudaSlice;
use rayon::prelude::*;

use crate::device::Device;
use crate::error::DeviceError;
use crate::groups::{Bytes, cut, own_bars};
use crate::launch::{
    CirclesSize, DrivesSize, ECHO, MOST_SOURCES, PlaceOnDevice, RadialTables, SOURCE, SearchSize,
    Senders, Tables, TimesSize,
};
use crate::shape::Shape;
use crate::tables::Extent;

type Result<T> = std::result::Result<T, DeviceError>;

/// One side of an item: who sends, and where the bar stands.
struct Side<'a> {
    array: &'a LineArray,
    drive: &'a Drive,
    centre: Point,
}

/// What is to be the same for all items of a batch so that single precision holds them: incident fields
/// are of size one with it.
fn scale(sides: &[Side<'_>], middle_hz: f64, water_m_s: f64) -> f64 {
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

impl Device {
    fn senders(
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

    fn send(&self, tables: &Tables, senders: &Senders, extent: &Extent) -> Result<CudaSlice<f32>> {
        let items = senders.size.items as usize;
        let mut sent = self.zeros(items * extent.bytes_an_item() / 4)?;
        self.run("send", || self.modal.send(&self.stream, tables, senders, &mut sent))?;
        Ok(sent)
    }

    /// Rings of the field of one item, `[ring][frequency][angle]` with two floats a value, and what they are
    /// to be multiplied by: to be looked at between the kernels.
    #[cfg(test)]
    pub(crate) fn rows_of(&self, batch: &MapBatch<'_>) -> Result<(Vec<f32>, f64)> {
        let item = &batch.items[0];
        let shares = &batch.rings.shares;
        let bars = [&batch.bars[item.bar]];
        let extent = Extent::of(&bars, batch.frequencies_hz, batch.mode, shares);
        let kernels =
            self.shaped(Shape::for_maps(batch.rings.angles, batch.times, extent.lossy)?)?;
        let (tables, radial) =
            self.tables(&bars, batch.frequencies_hz, batch.mode, shares, &extent)?;
        let side =
            Side { array: &batch.arrays[item.array], drive: &item.drive, centre: item.centre };
        let frequencies = batch.frequencies_hz.len();
        let ones: Vec<f32> = [1.0, 0.0].repeat(frequencies);
        let scale = scale(
            std::slice::from_ref(&side),
            batch.frequencies_hz[frequencies / 2],
            bars[0].fluid.velocity_m_s,
        );
        let senders = self.senders(&[side], &[0], &ones, &extent, batch.mode, scale)?;
        let sent = self.send(&tables, &senders, &extent)?;
        let tasks: Vec<i32> = (0..shares.len() as i32).collect();
        let count = 2 * shares.len() * frequencies * batch.rings.angles;
        let mut rows = self.zeros(count)?;
        let size = CirclesSize {
            frequencies: frequencies as i32,
            rings: shares.len() as i32,
            last: extent.last() as i32,
            pad: 0,
            table: extent.radial() as u64,
            first: 0,
            end: shares.len() as i32,
        };
        let tasks = self.put(&tasks)?;
        self.run("circles", || {
            kernels.circles(&self.stream, size, &tasks, &senders.bar_of, &radial, &sent, &mut rows)
        })?;
        Ok((self.get(&rows, count)?, 1.0 / scale))
    }

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
        let mut known: Option<(Vec<usize>, Extent, Tables, RadialTables)> = None;
        for group in &cut.groups {
            let (own, bar_of) = own_bars(&bars[group.clone()]);
            if known.as_ref().is_none_or(|k| k.0 != own) {
                drop(known.take());
                let chosen: Vec<_> = own.iter().map(|b| &batch.bars[*b]).collect();
                let mut extent = Extent::of(&chosen, batch.frequencies_hz, batch.mode, shares);
                extent.lossy = whole.lossy;
                let (tables, radial) =
                    self.tables(&chosen, batch.frequencies_hz, batch.mode, shares, &extent)?;
                known = Some((own, extent, tables, radial));
            }
            let Some((_, extent, tables, radial)) = &known else {
                continue;
            };
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

    /// Echoes of a batch that was checked.
    pub(crate) fn echo_batch(&self, batch: &EchoBatch<'_>, step_hz: f64) -> Result<EchoAnswer> {
        if batch.items.is_empty() {
            return Ok(Vec::new());
        }
        let _alone = self.alone();
        let frequencies = batch.frequencies_hz.len();
        let shares = &batch.rings.shares;
        let all: Vec<_> = batch.bars.iter().collect();
        let whole = Extent::of(&all, batch.frequencies_hz, batch.mode, shares);
        let kernels =
            self.shaped(Shape::for_echoes(batch.rings.angles, batch.times, whole.lossy)?)?;
        let spacing_s = 1.0 / (step_hz * kernels.shape.times as f64);
        let count = ((batch.search_s / spacing_s).ceil() as usize).clamp(1, kernels.shape.times);
        let bars: Vec<usize> = batch.items.iter().map(|i| i.bar).collect();
        let most_places = |item: usize| batch.items[item].places.rings.iter().map(Vec::len).sum();
        let places: usize = (0..batch.items.len()).map(most_places).max().unwrap_or(0);
        let both = batch.items.iter().any(|i| i.receive.is_some());
        let ways = if both { 2 } else { 1 };
        let bytes = Bytes {
            bar: whole.bytes_a_bar(),
            item: ways * whole.bytes_an_item() + places * 36,
            task: ways * frequencies * batch.rings.angles * 8 + frequencies * 4,
        };
        let cut = cut(&bars, bytes, self.free_bytes()?)?;
        let side = |i: usize, receive: bool| {
            let item = &batch.items[i];
            let drive = item.receive.as_ref().filter(|_| receive).unwrap_or(&item.transmit);
            Side { array: &batch.arrays[item.array], drive, centre: item.centre }
        };
        let every = 0..batch.items.len();
        let sides: [Vec<Side<'_>>; 2] =
            [false, true].map(|receive| every.clone().map(|i| side(i, receive)).collect());
        let water_m_s = batch.bars[0].fluid.velocity_m_s;
        let middle_hz = batch.frequencies_hz[frequencies / 2];
        let scales = [0, 1].map(|way| scale(&sides[way], middle_hz, water_m_s));
        let ones: Vec<f32> = [1.0, 0.0].repeat(frequencies);
        // All rows of all weights, one list after the other.
        let mut first_row = Vec::with_capacity(batch.weights.len());
        let mut weights: Vec<f32> = Vec::new();
        for own in batch.weights {
            first_row.push((weights.len() / (2 * frequencies)) as i32);
            weights.extend(own.rows().iter().flatten().flat_map(|w| [w.re, w.im]));
        }
        let weights = self.put(&weights)?;
        let tasks_of = |group: &std::ops::Range<usize>| -> Vec<(usize, usize)> {
            group
                .clone()
                .flat_map(|i| {
                    let rings = batch.items[i].places.rings.iter().enumerate();
                    rings.filter(|(_, p)| !p.is_empty()).map(move |(ring, _)| (i, ring))
                })
                .collect()
        };
        let most_tasks = cut.groups.iter().map(|g| tasks_of(g).len()).max().unwrap_or(0);
        let together = cut.tasks.min(most_tasks);
        let room = || self.zeros(2 * together * frequencies * batch.rings.angles);
        let mut sent_rows = room()?;
        let mut heard_rows = if both { Some(room()?) } else { None };
        let mut answer: EchoAnswer = Vec::with_capacity(batch.items.len());
        let mut known: Option<(Vec<usize>, Extent, Tables, RadialTables)> = None;
        for group in &cut.groups {
            let (own, bar_of) = own_bars(&bars[group.clone()]);
            if known.as_ref().is_none_or(|k| k.0 != own) {
                drop(known.take());
                let chosen: Vec<_> = own.iter().map(|b| &batch.bars[*b]).collect();
                let mut extent = Extent::of(&chosen, batch.frequencies_hz, batch.mode, shares);
                extent.lossy = whole.lossy;
                let (tables, radial) =
                    self.tables(&chosen, batch.frequencies_hz, batch.mode, shares, &extent)?;
                known = Some((own, extent, tables, radial));
            }
            let Some((_, extent, tables, radial)) = &known else {
                continue;
            };
            let mut ways = Vec::with_capacity(2);
            for way in 0..if both { 2 } else { 1 } {
                let senders = self.senders(
                    &sides[way][group.clone()],
                    &bar_of,
                    &ones,
                    extent,
                    batch.mode,
                    scales[way],
                )?;
                let sent = self.send(tables, &senders, extent)?;
                ways.push((senders, sent));
            }
            let tasks = tasks_of(group);
            let numbers: Vec<i32> = tasks
                .iter()
                .map(|(i, ring)| ((i - group.start) * shares.len() + ring) as i32)
                .collect();
            let numbers = self.put(&numbers)?;
            answer
                .extend(group.clone().map(|i| vec![Vec::new(); batch.items[i].places.rings.len()]));
            let mut first = 0;
            while first < tasks.len() {
                let end = (first + together).min(tasks.len());
                let size = CirclesSize {
                    frequencies: frequencies as i32,
                    rings: shares.len() as i32,
                    last: extent.last() as i32,
                    pad: 0,
                    table: extent.radial() as u64,
                    first: first as i32,
                    end: end as i32,
                };
                for (way, (senders, sent)) in ways.iter().enumerate() {
                    let rows = match (&mut heard_rows, way) {
                        (Some(rows), 1) => rows,
                        _ => &mut sent_rows,
                    };
                    self.run("circles", || {
                        kernels.circles(
                            &self.stream,
                            size,
                            &numbers,
                            &senders.bar_of,
                            radial,
                            sent,
                            rows,
                        )
                    })?;
                }
                let own = Chunk {
                    batch,
                    tasks: &tasks[first..end],
                    times: kernels.shape.times,
                    spacing_s,
                    first_row: &first_row,
                };
                let (asked, around) = own.asked();
                let asked_on_device = self.put(&asked)?;
                let around = self.put(&around)?;
                let mut found = self.zeros(ECHO * asked.len())?;
                let size = SearchSize {
                    frequencies: frequencies as i32,
                    places: asked.len() as i32,
                    count: count as i32,
                    headings: i32::from(batch.headings),
                    step: (TAU / batch.rings.angles as f64) as f32,
                };
                self.run("echoes", || {
                    kernels.echoes(
                        &self.stream,
                        size,
                        &asked_on_device,
                        &sent_rows,
                        heard_rows.as_ref().unwrap_or(&sent_rows),
                        &weights,
                        &around,
                        &mut found,
                    )
                })?;
                let found = self.get(&found, ECHO * asked.len())?;
                let other = scales[usize::from(both)];
                own.keep(&found, step_hz / (scales[0] * other), &mut answer)?;
                first = end;
            }
        }
        Ok(answer)
    }
}

/// Some rings of some items.
struct Chunk<'a> {
    batch: &'a EchoBatch<'a>,
    tasks: &'a [(usize, usize)],
    /// Samples of a record, and the time between two.
    times: usize,
    spacing_s: f64,
    first_row: &'a [i32],
}

impl Chunk<'_> {
    fn first_sample(&self, earliest_s: f64) -> f64 {
        (earliest_s / self.spacing_s).floor()
    }

    /// Places as the device takes them, and k r of each task and frequency.
    fn asked(&self) -> (Vec<PlaceOnDevice>, Vec<f32>) {
        let batch = self.batch;
        let places = self
            .tasks
            .par_iter()
            .enumerate()
            .flat_map_iter(|(task, &(i, ring))| {
                let item = &batch.items[i];
                let rows = batch.weights[item.weights].rows().len() as i32;
                item.places.rings[ring].iter().map(move |place| PlaceOnDevice {
                    task: task as i32,
                    angle: place.angle as i32,
                    row: place.row,
                    weights: self.first_row[item.weights],
                    rows,
                    offset: self.first_sample(place.earliest_s).rem_euclid(self.times as f64)
                        as i32,
                })
            })
            .collect();
        let mut around = Vec::new();
        if batch.headings {
            for &(i, ring) in self.tasks {
                let bar = &batch.bars[batch.items[i].bar];
                let radius_m = batch.rings.shares[ring] * bar.radius_m;
                let per_hz = TAU * radius_m / bar.solid.velocity_m_s(batch.mode);
                around.extend(batch.frequencies_hz.iter().map(|f| (f * per_hz) as f32));
            }
        }
        (places, around)
    }

    fn keep(&self, found: &[f32], back: f64, answer: &mut EchoAnswer) -> Result<()> {
        let mut from = 0;
        let stretches: Vec<(usize, usize, usize)> = self
            .tasks
            .iter()
            .map(|&(i, ring)| {
                let first = from;
                from += ECHO * self.batch.items[i].places.rings[ring].len();
                (i, ring, first)
            })
            .collect();
        let kept: Vec<Option<Vec<EchoPeak>>> = stretches
            .into_par_iter()
            .map(|(i, ring, first)| {
                let item = &self.batch.items[i];
                let unit = self.batch.weights[item.weights].unit() * back;
                let places = &item.places.rings[ring];
                let values = found.get(first..)?.chunks_exact(ECHO);
                values.zip(places).map(|(v, place)| self.echo(v, place, unit)).collect()
            })
            .collect();
        for (&(i, ring), echoes) in self.tasks.iter().zip(kept) {
            answer[i][ring] = echoes.ok_or_else(|| DeviceError::Failed {
                doing: "computed echoes",
                text: "an echo is no finite number".into(),
            })?;
        }
        Ok(())
    }

    /// An echo from the device's numbers; `None` if they are none.
    fn echo(&self, values: &[f32], place: &EchoPlace, unit: f64) -> Option<EchoPeak> {
        let &[amplitude, sample, sine] = values else {
            return None;
        };
        let start = self.first_sample(place.earliest_s);
        let finite = amplitude.is_finite() && sample.is_finite() && sine.is_finite();
        finite.then(|| EchoPeak {
            amplitude: f64::from(amplitude) * unit,
            time_s: (start + f64::from(sample)) * self.spacing_s,
            sine: f64::from(sine),
        })
    }
}
