//! Echoes of holes against exact solutions of whole boundary-value problems: a source in the steel,
//! and a bar with a bore.

use crate::modal::{bar_with_bore, source_in_steel};
use barwright_wave::array::{Element, arc};
use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, LineSource, Passage};
use barwright_wave::pulse::Pulse;
use barwright_wave::reflect::{
    EchoSpectrum, ExactBeam, Reflector, Sight, echo, hole_in_its_field, pulse_frequencies_hz,
};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, TAU};

fn media() -> (Fluid, Solid) {
    (Fluid::new(1480.0, 1000.0).expect("water"), Solid::new(5900.0, 3230.0, 7800.0).expect("steel"))
}

// Truth: independent solution. A line source of P_L or P_S inside the steel is solved as a boundary-value
// problem of its own; what it sends to a place in the water must equal (ρ_f/ρ_s) times the field of a
// source there at its place, all reflections inside included. 1e-8: undamped resonances at this size
// multiply rounding.
#[test]
fn a_source_in_the_steel_is_heard_as_reciprocity_says() {
    let (fluid, solid) = media();
    let radius = 5e-3;
    let receiver = Point::new(-2e-3, 9e-3);
    let source = LineSource { at: receiver, weight: 1.0 };
    let array = LineArray::from_sources(vec![vec![source]]).expect("one source");
    let drive = Drive::new(&[0], &[0.0]).expect("a drive");
    for f in [0.7e6, 1.13e6] {
        let band =
            CylinderBand::new(radius, &solid, &fluid, &[f], 0.0, Passage::Full).expect("a band");
        let illumination = band.illuminate(&array).expect("outside");
        for mode in [Mode::L, Mode::S] {
            for place in [Point::new(1e-3, -2e-3), Point::new(-3e-3, 2.5e-3), Point::default()] {
                let field = illumination
                    .fields_at(std::slice::from_ref(&drive), &[place], mode)
                    .expect("inside")[0]
                    .row(0)[0];
                let want = field * (fluid.density_kg_m3 / solid.density_kg_m3);
                let angular = Complex64::from(TAU * f);
                let got = source_in_steel(radius, &fluid, &solid, angular, mode, place, receiver);
                // P_S vanishes at the centre of a bar for no source in particular: compare with the
                // size of a source half a radius away then.
                let size = want.norm().max(1e-3);
                assert!((got - want).norm() < 1e-8 * size, "{f} {mode:?}: {got} {want}");
            }
        }
    }
}

fn probe(middle_rad: f64, count: usize) -> Vec<Element> {
    arc(0.055, middle_rad, count, 6e-4, 5e-4, 1e-2)
}

// Truth: independent solution. A bar with a bore on its axis, less the solid bar, order by order with the
// bore's boundary conditions in the same system of equations; the echo of a hole by single scattering
// and reciprocity must agree with its first arrival. Tolerance b/r, b the bore's radius and r = 40 mm
// the distance the field seems to come from: the echo's place is the front of the hole, where both
// fields are stronger by b/2r than at its middle; and 0.2 % for the band's cut. Later arrivals (hole to
// surface and back) come 10 µs after.
#[test]
fn a_hole_on_the_axis_meets_the_bored_bar() {
    let (fluid, solid) = media();
    let radius = 0.03;
    let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
    let frequencies = pulse_frequencies_hz(&pulse, 27e-6).expect("a band");
    let damping = 4e5;
    let band = CylinderBand::new(radius, &solid, &fluid, &frequencies, damping, Passage::First)
        .expect("a band");
    for (count, bore) in [(16, 0.25e-3), (16, 1e-3), (4, 0.25e-3), (4, 1e-3)] {
        let elements = probe(FRAC_PI_2, count);
        let array = LineArray::new(&elements, 1, Point::default(), Some(0.055)).expect("an array");
        let all: Vec<usize> = (0..count).collect();
        let drive = Drive::new(&all, &vec![0.0; count]).expect("a drive");
        let illumination = band.illuminate(&array).expect("outside");
        let beam = ExactBeam::new(&illumination, drive, &fluid, &solid);
        let angles: Vec<f64> = elements.iter().map(|e| e.centre.angle()).collect();
        let hole = Reflector::Hole { radius_m: bore };
        let sight = Sight::pulse_echo(&beam, Mode::L);
        let model = echo(&sight, &hole, Point::default(), &|_| Complex64::ONE).expect("an echo");
        let finer = hole_in_its_field(&sight, Point::default(), bore, &|_| Complex64::ONE)
            .expect("an echo");
        let values = frequencies
            .iter()
            .map(|f| {
                let angular = Complex64::new(TAU * f, damping);
                bar_with_bore(radius, bore, &fluid, &solid, angular, 0.055, &angles)
            })
            .collect();
        let exact = EchoSpectrum {
            frequencies_hz: frequencies.clone(),
            values,
            damping_1_s: damping,
            findings: Vec::new(),
        };
        let window =
            |echo: &EchoSpectrum| echo.analytic(&pulse, 43e-6, 5e7, 100).expect("a signal");
        let (model, finer, exact) = (window(&model), window(&finer), window(&exact));
        let peak = |list: &[Complex64]| list.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let off = model.iter().zip(&exact).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        let db = 20.0 * (peak(&model) / peak(&exact)).log10();
        println!(
            "{count} elements, bore {bore} m: peak {db:.4} dB, waveform off by {:.2} %",
            100.0 * off / peak(&exact)
        );
        let allowed = bore / 0.04 + 0.002;
        assert!(db.abs() < 8.7 * allowed, "{db} dB");
        assert!(off < allowed * peak(&exact), "{off} of {}", peak(&exact));
        // With the field's own orders only the band's cut is left and the multiples: 1e-4.
        let off = finer.iter().zip(&exact).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        println!("  by orders: waveform off by {:.4} %", 100.0 * off / peak(&exact));
        assert!(off < 1e-4 * peak(&exact), "{off} of {}", peak(&exact));
    }
}
