//! Batches on the processors against single fields.

use barwright_wave::array::arc;
use barwright_wave::cylinder::batch::{
    BarBand, EchoBatch, EchoItem, EngineError, FieldEngine, ItemPlaces, MapBatch, MapItem,
    Processors, RingShares, Wanted,
};
use barwright_wave::cylinder::{
    Drive, EchoPlace, EchoTask, EchoWeights, LineArray, MapGrid, Rings,
};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use std::f64::consts::FRAC_PI_2;

struct Given {
    frequencies: Vec<f64>,
    spectrum: Vec<Complex64>,
    bars: Vec<BarBand>,
    arrays: Vec<LineArray>,
    items: Vec<MapItem>,
    rings: RingShares,
}

fn given(radius_m: f64, lowest_hz: f64) -> Given {
    let frequencies: Vec<f64> = (0..30).map(|k| lowest_hz + 1e5 * f64::from(k)).collect();
    let spectrum = vec![Complex64::new(1.0, 0.3); 30];
    let bar = |share: f64| BarBand {
        radius_m: radius_m * share,
        solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
        fluid: Fluid::new(1480.0, 1000.0).expect("water"),
        attenuation: Vec::new(),
    };
    let face = radius_m + 0.015;
    let elements = arc(face, FRAC_PI_2, 12, 0.8e-3, 0.7e-3, 0.01);
    let array = LineArray::new(&elements, 3, Point::default(), Some(face)).expect("an array");
    let items = (0..6)
        .map(|i| {
            let delays: Vec<f64> =
                (0..12).map(|e| 4e-8 * f64::from(e) * f64::from(i - 2)).collect();
            MapItem {
                bar: i as usize % 2,
                array: 0,
                drive: Drive::new(&(0..12).collect::<Vec<_>>(), &delays).expect("a drive"),
                centre: Point::new(2e-4 * f64::from(i), -1e-4 * f64::from(i)),
            }
        })
        .collect();
    Given {
        frequencies,
        spectrum,
        bars: vec![bar(1.0), bar(1.02)],
        arrays: vec![array],
        items,
        rings: RingShares { shares: vec![0.2, 0.6, 0.95], angles: 240 },
    }
}

impl Given {
    fn batch(&self, mode: Mode) -> MapBatch<'_> {
        MapBatch {
            frequencies_hz: &self.frequencies,
            spectrum: &self.spectrum,
            mode,
            bars: &self.bars,
            arrays: &self.arrays,
            items: &self.items,
            rings: &self.rings,
            sector: (200, 100),
            times: 45,
        }
    }

    /// The item's map by an array built where it stands from the bar: element by element.
    fn plain(&self, item: &MapItem, mode: Mode) -> Vec<f64> {
        let bar = &self.bars[item.bar];
        let band = bar.solve(&self.frequencies).expect("a band");
        let array = self.arrays[item.array].seen_from(item.centre).without_shortcut();
        let lit = band.illuminate(&array).expect("outside");
        let grid = MapGrid {
            radii_m: self.rings.radii_m(bar),
            angles: self.rings.angles,
            sector: (200, 100),
            times: 45,
            start_s: 0.0,
        };
        lit.map(&item.drive, mode, &grid, &self.spectrum).expect("a map").peak
    }
}

/// Truth: the plain single field (`Illumination::map` of an array built displaced). Tolerance: 1e-4 of the
/// largest value; single precision and the displacement's rounding are below it. The thin bar at low
/// frequencies once drowned in rounding when it was displaced.
#[test]
fn maps_are_those_of_single_fields() {
    for (radius_m, lowest_hz) in [(0.02, 1.5e6), (0.006, 1e5)] {
        let given = given(radius_m, lowest_hz);
        for mode in [Mode::L, Mode::S] {
            let answer = Processors.maps(&given.batch(mode), Wanted::Maps).expect("maps");
            assert_eq!(answer.maps.len(), given.items.len());
            for (i, (item, map)) in given.items.iter().zip(&answer.maps).enumerate() {
                let want = given.plain(item, mode);
                let largest = want.iter().copied().fold(0.0, f64::max);
                for (a, b) in map.iter().zip(&want) {
                    assert!(
                        (a - b).abs() < 1e-4 * largest,
                        "{mode:?}, {radius_m} m, item {i}: {a} against {b}"
                    );
                }
            }
            for (p, (least, greatest)) in
                answer.extremes.least.iter().zip(&answer.extremes.greatest).enumerate()
            {
                let all: Vec<f64> = answer.maps.iter().map(|m| m[p]).collect();
                assert_eq!(least.value, all.iter().copied().fold(f64::INFINITY, f64::min));
                assert_eq!(greatest.value, all.iter().copied().fold(0.0, f64::max));
                assert_eq!((all[least.item], all[greatest.item]), (least.value, greatest.value));
            }
            let reduced = Processors.maps(&given.batch(mode), Wanted::Extremes).expect("maps");
            assert_eq!(reduced.extremes, answer.extremes);
            assert!(reduced.maps.is_empty());
        }
    }
}

fn echoes(given: &Given, search_s: f64) -> (Vec<EchoWeights>, Vec<EchoItem>, f64) {
    let rows = vec![given.spectrum.clone(), given.spectrum.iter().map(|s| s * 0.5).collect()];
    let items = given
        .items
        .iter()
        .map(|item| EchoItem {
            bar: item.bar,
            array: 0,
            transmit: item.drive.clone(),
            receive: (item.bar == 1).then(|| given.items[0].drive.clone()),
            centre: item.centre,
            weights: 0,
            places: ItemPlaces {
                rings: (0..3)
                    .map(|ring| {
                        (0..7)
                            .map(|k| EchoPlace {
                                angle: 30 * k + ring,
                                row: 0.2 * k as f32,
                                earliest_s: 1e-6 * k as f64,
                            })
                            .collect()
                    })
                    .collect(),
            },
        })
        .collect();
    (vec![EchoWeights::new(&rows).expect("weights")], items, search_s)
}

/// Truth: the plain single task on arrays built displaced. Tolerance: 1e-4 of the strongest echo.
#[test]
fn echoes_are_those_of_single_tasks() {
    let given = given(0.02, 1.5e6);
    let (weights, items, search_s) = echoes(&given, 1e-5);
    for mode in [Mode::L, Mode::S] {
        let batch = EchoBatch {
            frequencies_hz: &given.frequencies,
            mode,
            bars: &given.bars,
            arrays: &given.arrays,
            weights: &weights,
            items: &items,
            rings: &given.rings,
            times: 128,
            search_s,
            headings: true,
        };
        let answer = Processors.echoes(&batch).expect("echoes");
        let mut compared = 0;
        for (item, got) in items.iter().zip(&answer) {
            let bar = &given.bars[item.bar];
            let band = bar.solve(&given.frequencies).expect("a band");
            let array = given.arrays[0].seen_from(item.centre).without_shortcut();
            let lit = band.illuminate(&array).expect("outside");
            let transmit = lit.incident(&item.transmit).expect("a field");
            let receive = item.receive.as_ref().map(|r| lit.incident(r).expect("a field"));
            let rings = Rings { radii_m: given.rings.radii_m(bar), angles: given.rings.angles };
            let task = EchoTask {
                transmit: &transmit,
                receive: receive.as_ref(),
                weights: &weights[0],
                places: item.places.rings.clone(),
                search_s,
                headings: true,
            };
            let want = band.echo_peaks(mode, &rings, 128, &[task]).expect("echoes").remove(0);
            let all = || want.iter().flatten().zip(got.iter().flatten());
            let largest = all().map(|x| x.0.amplitude).fold(0.0, f64::max);
            for (want, got) in all() {
                assert!(
                    (want.amplitude - got.amplitude).abs() < 1e-4 * largest,
                    "{want:?} {got:?}"
                );
                compared += 1;
            }
        }
        assert_eq!(compared, 6 * 3 * 7);
    }
}

/// Bad requests are refused with their numbers.
#[test]
fn what_cannot_be_asked() {
    let given = given(0.02, 1.5e6);
    let good = given.batch(Mode::L);
    let said = |batch: MapBatch<'_>| {
        let error = Processors.maps(&batch, Wanted::Extremes).expect_err("a bad request");
        assert!(matches!(error, EngineError::Wave(_)));
        error.to_string()
    };
    let one = |change: fn(&mut MapItem)| {
        let mut items = given.items.clone();
        change(&mut items[3]);
        said(MapBatch { items: &items, ..good.clone() })
    };
    assert!(one(|i| i.bar = 2).contains("bar (counted from 0) is 2"));
    assert!(one(|i| i.array = 9).contains("array (counted from 0) is 9"));
    assert!(one(|i| i.centre = Point::new(0.0, 0.016)).contains("0.019"));
    assert!(one(|i| i.centre = Point::new(f64::NAN, 0.0)).contains("NaN"));
    assert!(said(MapBatch { spectrum: &given.spectrum[1..], ..good.clone() }).contains("29 given"));
    assert!(said(MapBatch { times: 29, ..good.clone() }).contains("29 given, 30 needed"));
    assert!(said(MapBatch { sector: (0, 241), ..good.clone() }).contains("241 given"));
    let rings = RingShares { shares: vec![1.1], angles: 240 };
    assert!(said(MapBatch { rings: &rings, ..good.clone() }).contains("1.1"));
    let uneven = [1e6, 2e6, 4e6];
    assert!(said(MapBatch { frequencies_hz: &uneven, ..good.clone() }).contains("evenly"));
    let mut bars = given.bars.clone();
    bars[1].radius_m = -0.01;
    assert!(said(MapBatch { bars: &bars, ..good.clone() }).contains("-0.01"));
    let none = Processors.maps(&MapBatch { items: &[], ..good }, Wanted::Maps).expect("nothing");
    assert!(none.maps.is_empty() && none.extremes.least.is_empty());
}
