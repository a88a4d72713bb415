//! The plain engine: item by item with what the single fields are made with, on all cores.

use rayon::prelude::*;
use std::collections::HashMap;

use crate::error::Result;
use crate::geometry::Point;

use super::super::array::{Drive, LineArray};
use super::super::band::CylinderBand;
use super::super::incident::Incident;
use super::super::{EchoTask, Rings};
use super::request::{EchoBatch, MapBatch};
use super::result::MapsAnswer;
use super::{EchoAnswer, EngineError, FieldEngine, Wanted};

/// All processors of the machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Processors;

/// Fields about an array's own origin, each drive of an array once for one bar.
#[derive(Default)]
struct Sent(HashMap<usize, Vec<(Drive, Incident)>>);

impl Sent {
    /// Field of a drive about a bar that stands at `centre` of the array's coordinates.
    fn about(
        &mut self,
        band: &CylinderBand,
        arrays: &[LineArray],
        array: usize,
        drive: &Drive,
        centre: Point,
    ) -> Result<Incident> {
        let there = &arrays[array];
        let near = there.nearest_m() > band.radius_m();
        if there.is_concentric() && near && centre.radius() > 0.0 {
            // Displacing one field costs a small part of summing another; too far, and it cannot.
            let own = self.own(band, arrays, array, drive)?;
            if let Ok(moved) = own.displaced(band, centre) {
                return Ok(moved);
            }
        }
        if centre.radius() == 0.0 {
            return Ok(self.own(band, arrays, array, drive)?.clone());
        }
        let array = there.seen_from(centre);
        band.illuminate(&array)?.incident(drive)
    }

    fn own(
        &mut self,
        band: &CylinderBand,
        arrays: &[LineArray],
        array: usize,
        drive: &Drive,
    ) -> Result<&Incident> {
        let known = self.0.entry(array).or_default();
        let at = match known.iter().position(|(d, _)| d == drive) {
            Some(at) => at,
            None => {
                let field = band.illuminate(&arrays[array])?.incident(drive)?;
                known.push((drive.clone(), field));
                known.len() - 1
            }
        };
        Ok(&known[at].1)
    }
}

impl FieldEngine for Processors {
    fn name(&self) -> String {
        match rayon::current_num_threads() {
            1 => "1 processor".into(),
            n => format!("{n} processors"),
        }
    }

    fn maps(
        &self,
        batch: &MapBatch<'_>,
        wanted: Wanted,
    ) -> std::result::Result<MapsAnswer, EngineError> {
        batch.check()?;
        let mut answer = MapsAnswer::default();
        if wanted == Wanted::Maps {
            answer.maps = vec![Vec::new(); batch.items.len()];
        }
        for (bar, numbers) in by_bar(batch.bars.len(), batch.items.iter().map(|i| i.bar)) {
            let band = batch.bars[bar].solve(batch.frequencies_hz)?;
            let grid = batch.grid(&batch.rings.radii_m(&batch.bars[bar]));
            let mut sent = Sent::default();
            for number in numbers {
                let item = &batch.items[number];
                let field =
                    sent.about(&band, batch.arrays, item.array, &item.drive, item.centre)?;
                let map = band.map_of(&field, batch.mode, &grid, batch.spectrum)?;
                answer.extremes.add(number, &map.peak);
                if let Some(kept) = answer.maps.get_mut(number) {
                    *kept = map.peak;
                }
            }
        }
        Ok(answer)
    }

    fn echoes(&self, batch: &EchoBatch<'_>) -> std::result::Result<EchoAnswer, EngineError> {
        batch.check()?;
        let mut answer: EchoAnswer = vec![Vec::new(); batch.items.len()];
        for (bar, numbers) in by_bar(batch.bars.len(), batch.items.iter().map(|i| i.bar)) {
            let band = batch.bars[bar].solve(batch.frequencies_hz)?;
            let rings = Rings {
                radii_m: batch.rings.radii_m(&batch.bars[bar]),
                angles: batch.rings.angles,
            };
            let mut sent = Sent::default();
            let mut sides = Vec::with_capacity(numbers.len());
            for &number in &numbers {
                let item = &batch.items[number];
                let mut of =
                    |drive: &Drive| sent.about(&band, batch.arrays, item.array, drive, item.centre);
                sides.push((of(&item.transmit)?, item.receive.as_ref().map(&mut of).transpose()?));
            }
            let peaks = numbers
                .par_iter()
                .zip(&sides)
                .map(|(&number, (transmit, receive))| {
                    let item = &batch.items[number];
                    let task = EchoTask {
                        transmit,
                        receive: receive.as_ref(),
                        weights: &batch.weights[item.weights],
                        places: item.places.rings.clone(),
                        search_s: batch.search_s,
                        headings: batch.headings,
                    };
                    let peaks = band.echo_peaks(batch.mode, &rings, batch.times, &[task])?;
                    Ok(peaks.into_iter().next().unwrap_or_default())
                })
                .collect::<Result<Vec<_>>>()?;
            for (number, peaks) in numbers.into_iter().zip(peaks) {
                answer[number] = peaks;
            }
        }
        Ok(answer)
    }
}

/// Numbers of the items of each bar that has any.
fn by_bar(bars: usize, of: impl Iterator<Item = usize>) -> Vec<(usize, Vec<usize>)> {
    let mut lists = vec![Vec::new(); bars];
    for (number, bar) in of.enumerate() {
        lists[bar].push(number);
    }
    lists.into_iter().enumerate().filter(|(_, list)| !list.is_empty()).collect()
}
