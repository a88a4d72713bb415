use super::*;
use crate::array::{Element, arc};
use crate::delay::focus;
use crate::geometry::Surface;
use crate::ray::scene::{medium, pulse};
use crate::ray::{Attenuation, contact_two_way, field};
use std::f64::consts::FRAC_PI_2;

const BAR: Surface = Surface::Round { centre: Point::new(0.0, 0.0), radius_m: 0.021 };

fn probe() -> (Vec<Element>, Vec<f64>) {
    let elements = arc(0.06, FRAC_PI_2, 16, 6e-4, 5e-4, 1.2e-2);
    let centre = Point::default();
    let law = focus(&BAR, &elements, centre, 1480.0, 5900.0, None).expect("a law");
    (elements, law.delays_s)
}

fn at(elements: &[Element], send: &[f64], receive: &[f64], point: Point) -> TwoWay {
    let aperture = Aperture { elements, delays_s: send, weights: None };
    two_way(&BAR, &medium(), &aperture, receive, Mode::L, &pulse(), point).expect("a response")
}

// Truth: closed form. In the focus all elements coincide: the square of the sum of moduli, at
// twice the time of flight, with the heading of the axis.
#[test]
fn a_focus_reads_the_square_of_all_elements() {
    let (elements, law) = probe();
    let got = at(&elements, &law, &law, Point::default());
    let aperture = Aperture { elements: &elements, delays_s: &law, weights: None };
    let one = field(&BAR, &medium(), &aperture, Mode::L, 5e6, Point::default());
    let one = one.expect("a field");
    let (peak, time_s) = got.peak();
    assert!((peak / one.amplitude.norm_sqr() - 1.0).abs() < 1e-9);
    assert!((time_s - 2.0 * one.arrivals[0].time_s).abs() < 1e-12);
    assert!((got.heading_rad + FRAC_PI_2).abs() < 1e-9);
    assert!((got.water_m - 0.039).abs() < 1e-9 && (got.steel_m - 0.021).abs() < 1e-9);
}

// Truth: independent computation (the product of both fields at 400 frequencies, each with its
// own attenuation). 5e-3: parabola over a third of a standard deviation; 2e-2 with attenuation,
// whose single ways are taken at their mean.
#[test]
fn few_lines_meet_a_fine_spectrum() {
    let (elements, law) = probe();
    let other: Vec<f64> = (0..16).map(|i| f64::from(i) * 8e-9).collect();
    let places = [Point::new(0.0, 0.012), Point::new(0.0015, -0.01), Point::new(-0.002, 0.0)];
    for (point, np_m, tolerance) in places.iter().flat_map(|p| [(*p, 0.0, 5e-3), (*p, 15.0, 2e-2)])
    {
        let mut medium = medium();
        medium.attenuation.longitudinal_np_m = np_m;
        let sending = Aperture { elements: &elements, delays_s: &law, weights: None };
        let two = two_way(&BAR, &medium, &sending, &other, Mode::L, &pulse(), point);
        let (peak, time_s) = two.expect("a response").peak();
        let arrivals = |delays: &[f64]| {
            let aperture = Aperture { elements: &elements, delays_s: delays, weights: None };
            field(&BAR, &medium, &aperture, Mode::L, 5e6, point).expect("a field").arrivals
        };
        let (sent, got) = (arrivals(&law), arrivals(&other));
        let line = |list: &[Arrival], f: f64| -> Complex64 {
            let mean = time_s / 2.0;
            let more = medium.attenuation.np_m(Mode::L, f) - np_m;
            let ray = |a: &Arrival| {
                let phase = 2.0 * PI * f * (a.time_s - mean);
                let size = a.directivity * (-more * a.steel_m).exp();
                a.amplitude * Complex64::from_polar(size, phase)
            };
            list.iter().map(ray).sum()
        };
        let df = 2.5e4;
        let lines: Vec<(f64, Complex64)> = (1..400)
            .map(|i| {
                let f = f64::from(i) * df;
                (f, line(&sent, f) * line(&got, f) * pulse().spectrum(f))
            })
            .collect();
        let scale = df / (pulse().sigma_hz() * (2.0 * PI).sqrt());
        let exact = (-200..=200)
            .map(|j| {
                let t = f64::from(j) * 1e-9;
                let sum: Complex64 = lines
                    .iter()
                    .map(|(f, z)| z * Complex64::from_polar(1.0, -2.0 * PI * f * t))
                    .sum();
                sum.norm() * scale
            })
            .fold(0.0, f64::max);
        assert!((peak / exact - 1.0).abs() < tolerance, "{point:?} {np_m}: {peak} {exact}");
    }
}

// Truth: property (reciprocity). Laws of transmission and reception may be exchanged.
#[test]
fn laws_may_be_exchanged() {
    let (elements, law) = probe();
    let other: Vec<f64> = (0..16).map(|i| f64::from(i * i) * 1e-9).collect();
    let point = Point::new(0.002, 0.008);
    let (a, b) = (at(&elements, &law, &other, point), at(&elements, &other, &law, point));
    // Rounding of sums.
    assert!((a.peak().0 / b.peak().0 - 1.0).abs() < 1e-12);
    assert!((a.peak().1 - b.peak().1).abs() < 1e-16);
}

// Truth: property. Parts of one place add up; equal shares of it change nothing.
#[test]
fn a_sum_of_one_place_is_that_place() {
    let (elements, law) = probe();
    let one = at(&elements, &law, &law, Point::new(0.001, 0.01));
    let whole = TwoWay::sum(&[(one, 0.25), (one, 0.75)]).expect("not empty");
    assert!((whole.peak().0 / one.peak().0 - 1.0).abs() < 1e-12);
    assert_eq!(TwoWay::sum(&[]), None);
}

// Truth: property. A delay as a factor of frequency moves the peak and leaves its height, however
// far within the half microsecond that the lines tell apart; a scale scales.
#[test]
fn shapes_delay_and_scale() {
    let (elements, law) = probe();
    let one = at(&elements, &law, &law, Point::new(0.001, 0.01));
    let (height, time_s) = one.peak();
    for late_s in [-3e-7, -4e-8, 1e-8, 1.3e-7, 4e-7] {
        let moved = one.shaped(|f| Complex64::from_polar(0.5, 2.0 * PI * f * late_s)).peak();
        // 1e-2 and 3 ns: the parabola over a third of a standard deviation.
        assert!((moved.0 / (0.5 * height) - 1.0).abs() < 1e-2, "{late_s}");
        assert!((moved.1 - time_s - late_s).abs() < 3e-9, "{late_s} {}", moved.1 - time_s);
    }
}

#[test]
fn lists_that_do_not_match_are_refused() {
    let (elements, law) = probe();
    let aperture = Aperture { elements: &elements, delays_s: &law, weights: None };
    let (water, steel) = (medium(), medium().solid);
    let place = Point::default();
    let got = two_way(&BAR, &water, &aperture, &law[..3], Mode::L, &pulse(), place);
    assert!(matches!(got, Err(WaveError::Count { got: 3, need: 16, .. })));
    let none = Attenuation::default();
    let got = contact_two_way(&steel, &none, &aperture, &[], Mode::L, &pulse(), place);
    assert!(matches!(got, Err(WaveError::Count { got: 0, need: 16, .. })));
}
