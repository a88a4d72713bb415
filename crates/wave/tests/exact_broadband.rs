//! Peak-envelope fields of pulses against an independent program.

use crate::support::{self, Case, number, point};
use barwright_wave::Mode;
use barwright_wave::Point;
use barwright_wave::cylinder::{CylinderBand, Passage, Synthesis, peak_envelope};
use num_complex::Complex64;

/// Truth: independent code (exact_broadband.json). Tolerance: the file's 0.05 dB for points whose
/// value hardly depends on where the first passage is cut from the later ones; frequencies as
/// there, so nothing but the interpolation of the peak remains (0.002 dB).
#[test]
fn peaks_agree_with_the_independent_program() {
    let Some(file) = support::read("exact_broadband.json") else { return };
    let mut compared = 0;
    for json in support::cases(&file) {
        let case = Case::new(json);
        let (centre, width) =
            (number(&json["pulse"]["f0"]), number(&json["pulse"]["bandwidth_6dB"]));
        let step = 1.0 / 40.96e-6;
        let frequencies = support::band_hz(centre, width, 3.8, step);
        let band = CylinderBand::new(
            case.radius_m,
            &case.solid,
            &case.fluid,
            &frequencies,
            0.0,
            Passage::First,
        )
        .expect("the case is valid");
        let (array, drive) = (case.array(), [case.drive()]);
        let illumination = band.illuminate(&array).expect("array outside");
        let rate = 1024.0 * step;
        let synthesis = Synthesis::new(&band, 0.0, rate, 1024).expect("a grid");
        let peak = |spectrum: &[Complex64]| {
            let pulsed: Vec<Complex64> = spectrum
                .iter()
                .zip(&frequencies)
                .map(|(p, &f)| p * support::gaussian(f, centre, width))
                .collect();
            peak_envelope(&synthesis.analytic(&pulsed).expect("fits")).0
        };
        let mode = if json["mode"] == "L" { Mode::L } else { Mode::S };
        let focus = illumination.fields_at(&drive, &[point(&json["focus"])], mode).expect("inside");
        let at_focus = peak(focus[0].row(0));
        let reference =
            illumination.incident_at(&drive, Point::new(0.0, case.radius_m)).expect("outside");
        let gain = 20.0 * (at_focus / peak(reference.row(0))).log10();
        let gain_off = gain - number(&json["expected"]["focus_gain_dB"]);
        assert!(gain_off.abs() < 0.05, "{}: focus gain off by {gain_off} dB", case.id);
        let mut worst = 0.0_f64;
        let places: Vec<_> = json["expected"]["points"]
            .as_array()
            .expect("points")
            .iter()
            .filter(|place| number(&place["definition_spread_dB"]) < 0.05)
            .collect();
        let at: Vec<Point> =
            places.iter().map(|p| Point::new(number(&p["x"]), number(&p["y"]))).collect();
        let fields = illumination.fields_at(&drive, &at, mode).expect("inside");
        for ((field, place), at) in fields.iter().zip(&places).zip(&at) {
            let key = if mode == Mode::L { "PL_dB" } else { "PS_dB" };
            let got = 20.0 * (peak(field.row(0)) / at_focus).log10();
            let off = got - number(&place[key]);
            worst = worst.max(off.abs());
            compared += 1;
            assert!(off.abs() < 0.05, "{} at ({}, {}): off by {off} dB", case.id, at.x, at.y);
        }
        println!("{}: worst {worst:.4} dB, focus gain off by {gain_off:.4} dB", case.id);
    }
    assert!(compared > 50, "only {compared} points compared");
}
