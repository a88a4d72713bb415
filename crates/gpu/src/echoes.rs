//! Echoes of a batch on the device.

use std::f64::consts::TAU;

use barwright_wave::cylinder::batch::{EchoAnswer, EchoBatch};
use barwright_wave::cylinder::{EchoPeak, EchoPlace};
use rayon::prelude::*;

use crate::device::Device;
use crate::error::DeviceError;
use crate::groups::{Bytes, cut};
use crate::launch::{CirclesSize, ECHO, PlaceOnDevice, SearchSize};
use crate::senders::{GroupTables, Shared, Side, scale};
use crate::shape::{Shape, check_rings};
use crate::tables::Extent;

type Result<T> = std::result::Result<T, DeviceError>;

impl Device {
    /// Echoes of a batch that was checked.
    pub(crate) fn echo_batch(&self, batch: &EchoBatch<'_>, step_hz: f64) -> Result<EchoAnswer> {
        if batch.items.is_empty() {
            return Ok(Vec::new());
        }
        let _alone = self.alone();
        let frequencies = batch.frequencies_hz.len();
        let shares = &batch.rings.shares;
        check_rings(shares.len())?;
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
            known = Some(group_tables);
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
