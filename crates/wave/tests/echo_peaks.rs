//! Echo peaks of many places at once against the plain way, place by place.

use barwright_wave::array::arc;
use barwright_wave::cylinder::{
    CylinderBand, Drive, EchoPlace, EchoTask, EchoWeights, LineArray, Passage, Rings,
};
use barwright_wave::delay::focus;
use barwright_wave::pulse::Pulse;
use barwright_wave::reflect::{EchoSpectrum, pulse_frequencies_hz};
use barwright_wave::{Fluid, Mode, Point, Solid, Surface};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, TAU};

const RADIUS: f64 = 0.02;
const FACE: f64 = 0.045;
const ANGLES: usize = 128;

struct Bench {
    pulse: Pulse,
    band: CylinderBand,
}

fn bench(damping_1_s: f64) -> Bench {
    let fluid = Fluid::new(1480.0, 1000.0).expect("water");
    let solid = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
    let pulse = Pulse::new(4e6, 0.6).expect("a pulse");
    let frequencies = pulse_frequencies_hz(&pulse, 12e-6).expect("frequencies");
    let band = CylinderBand::new(RADIUS, &solid, &fluid, &frequencies, damping_1_s, Passage::First)
        .expect("a band");
    Bench { pulse, band }
}

impl Bench {
    fn spectrum(&self) -> Vec<Complex64> {
        let sigma = self.pulse.sigma_hz();
        let each = |f: &f64| {
            let x = (Complex64::new(*f, self.band.damping_1_s() / TAU) - 4e6) / sigma;
            (-0.5 * x * x).exp() / (sigma * TAU.sqrt())
        };
        self.band.frequencies_hz().iter().map(each).collect()
    }

    fn law(&self, elements: &[barwright_wave::Element], target: Point) -> Drive {
        let bar = Surface::Round { centre: Point::default(), radius_m: RADIUS };
        let law = focus(&bar, elements, target, 1480.0, 5900.0, None).expect("a law");
        let all: Vec<usize> = (0..elements.len()).collect();
        Drive::new(&all, &law.delays_s).expect("a drive")
    }
}

// Truth: the plain way (fields at single points, echo spectra in double precision with eight times as
// many times as frequencies), transmit and receive laws apart, without and with damping. 0.03 dB: the
// parabola between three samples a period; 5 ns: likewise.
#[test]
fn peaks_of_many_places_are_those_of_single_ones() {
    for damping in [0.0, 2e5] {
        let bench = bench(damping);
        let elements = arc(FACE, FRAC_PI_2, 16, 6e-4, 5e-4, 1e-2);
        let array = LineArray::new(&elements, 3, Point::default(), Some(FACE)).expect("an array");
        let illumination = bench.band.illuminate(&array).expect("outside");
        let drives =
            [Point::default(), Point::new(0.0, -0.01)].map(|target| bench.law(&elements, target));
        let [sent, heard] = [0, 1].map(|i| illumination.incident(&drives[i]).expect("a field"));
        let spectrum = bench.spectrum();
        let double: Vec<Complex64> = spectrum.iter().map(|s| s * 2.0).collect();
        let weights = EchoWeights::new(&[spectrum.clone(), double]).expect("weights");
        let rings = Rings { radii_m: vec![0.0, 0.006, 0.017], angles: ANGLES };
        // From the near side to the far side of the beam, and off its axis.
        let places: Vec<(usize, usize)> = [0, 1, 2]
            .into_iter()
            .flat_map(|ring| [32, 30, 35, 96, 94].map(|angle| (ring, angle)))
            .collect();
        let at = |(ring, angle): (usize, usize)| {
            Point::polar(rings.radii_m[ring], TAU * angle as f64 / ANGLES as f64)
        };
        let arrival = |p: Point| 2.0 * ((FACE - RADIUS) / 1480.0 + (RADIUS - p.y) / 5900.0);
        let mut lists = vec![Vec::new(); 3];
        for &(ring, angle) in &places {
            let earliest_s = arrival(at((ring, angle))) - 3e-6;
            lists[ring].push(EchoPlace { angle, row: 0.5, earliest_s });
        }
        let task = EchoTask {
            transmit: &sent,
            receive: Some(&heard),
            weights: &weights,
            places: lists,
            search_s: 9e-6,
            headings: true,
        };
        let peaks = bench.band.echo_peaks(Mode::L, &rings, 512, &[task]).expect("peaks");
        let flat: Vec<_> = peaks[0].iter().flatten().collect();
        let points: Vec<Point> = places.iter().map(|p| at(*p)).collect();
        let fields = illumination.fields_at(&drives, &points, Mode::L).expect("fields");
        for ((peak, field), place) in flat.iter().zip(&fields).zip(&points) {
            let both = field.row(0).iter().zip(field.row(1));
            let echo = EchoSpectrum {
                frequencies_hz: bench.band.frequencies_hz().to_vec(),
                // Halfway between weights of one and two.
                values: both.map(|(a, b)| a * b * 1.5).collect(),
                damping_1_s: damping,
                findings: Vec::new(),
            };
            let plain = echo.peak(&bench.pulse, arrival(*place) - 3e-6).expect("a peak");
            let db = 20.0 * (peak.amplitude / plain.amplitude_m).log10();
            assert!(db.abs() < 0.03, "{place:?}: {db} dB");
            assert!((peak.time_s - plain.time_s).abs() < 5e-9, "{place:?}: {} s", peak.time_s);
        }
        // On the axis of a symmetric beam sound runs along the radius.
        assert!(flat[5].sine.abs() < 0.02, "{}", flat[5].sine);
    }
}

// Truth: independent route. The orders of an array that was built displaced and turned, source by
// source, against those of the array in its place, moved by Graf's theorem. 5e-5 of the field:
// single precision.
#[test]
fn a_bar_off_centre_is_the_centred_one_displaced() {
    let bench = bench(5e4);
    let off = Point::new(7e-4, -4e-4);
    let turn = 0.7;
    let elements = arc(FACE, FRAC_PI_2, 16, 6e-4, 5e-4, 1e-2);
    let array = LineArray::new(&elements, 3, Point::default(), Some(FACE)).expect("an array");
    let drive = bench.law(&elements, Point::default());
    let centred = bench.band.illuminate(&array).expect("outside");
    let moved = centred
        .incident(&drive)
        .expect("a field")
        .turned(turn)
        .displaced(&bench.band, off)
        .expect("a displacement");
    let turned = arc(FACE, FRAC_PI_2 + turn, 16, 6e-4, 5e-4, 1e-2);
    let other = LineArray::new(&turned, 3, off, Some(FACE)).expect("an array");
    let direct = bench.band.illuminate(&other).expect("outside").incident(&drive).expect("a field");
    let spectrum = bench.spectrum();
    let weights = EchoWeights::new(&[spectrum]).expect("weights");
    let rings = Rings { radii_m: vec![0.005, 0.0195], angles: ANGLES };
    let every: Vec<EchoPlace> =
        (0..ANGLES).map(|angle| EchoPlace { angle, row: 0.0, earliest_s: 33e-6 }).collect();
    for mode in [Mode::L, Mode::S] {
        let task = |transmit| EchoTask {
            transmit,
            receive: None,
            weights: &weights,
            places: vec![every.clone(); 2],
            search_s: 12e-6,
            headings: false,
        };
        let peaks = bench
            .band
            .echo_peaks(mode, &rings, 512, &[task(&moved), task(&direct)])
            .expect("peaks");
        let largest = peaks[1].iter().flatten().map(|p| p.amplitude).fold(0.0, f64::max);
        assert!(largest > 0.0);
        for (a, b) in peaks[0].iter().flatten().zip(peaks[1].iter().flatten()) {
            let error = (a.amplitude - b.amplitude).abs() / largest;
            assert!(error < 5e-5, "{mode:?}: {error}");
        }
    }
}

#[test]
fn what_cannot_be_is_refused() {
    let bench = bench(0.0);
    let elements = arc(FACE, FRAC_PI_2, 4, 6e-4, 5e-4, 1e-2);
    let array = LineArray::new(&elements, 3, Point::default(), Some(FACE)).expect("an array");
    let drive = bench.law(&elements, Point::default());
    let illumination = bench.band.illuminate(&array).expect("outside");
    let sent = illumination.incident(&drive).expect("a field");
    for by in [Point::new(0.015, 0.0), Point::new(f64::NAN, 0.0)] {
        assert!(sent.displaced(&bench.band, by).is_err(), "{by:?}");
    }
    let weights = EchoWeights::new(&[bench.spectrum()]).expect("weights");
    assert!(EchoWeights::new(&[]).is_err());
    assert!(EchoWeights::new(&[vec![Complex64::new(f64::NAN, 0.0)]]).is_err());
    let place = EchoPlace { angle: 3, row: 0.0, earliest_s: 3e-5 };
    let rings = |radius: f64, angles| Rings { radii_m: vec![radius], angles };
    let task = |place, search_s| EchoTask {
        transmit: &sent,
        receive: None,
        weights: &weights,
        places: vec![vec![place]],
        search_s,
        headings: false,
    };
    let ask = |rings: Rings, times, task| bench.band.echo_peaks(Mode::L, &rings, times, &[task]);
    assert!(ask(rings(0.01, 16), 256, task(place, 1e-5)).is_ok());
    assert!(ask(rings(0.03, 16), 256, task(place, 1e-5)).is_err());
    assert!(ask(rings(0.01, 2), 256, task(place, 1e-5)).is_err());
    assert!(ask(rings(0.01, 0), 256, task(place, 1e-5)).is_err());
    assert!(ask(rings(0.01, 16), 8, task(place, 1e-5)).is_err());
    assert!(ask(rings(0.01, 16), 256, task(place, 1e-3)).is_err());
    let late = EchoPlace { earliest_s: f64::INFINITY, ..place };
    assert!(ask(rings(0.01, 16), 256, task(late, 1e-5)).is_err());
}
