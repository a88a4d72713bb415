use super::super::Attenuation;
use super::*;
use crate::media::Mode;
use crate::pulse::Pulse;

type Set = [(f64, Complex64, f64)];

fn pulse() -> Pulse {
    Pulse::new(5e6, 0.6).expect("a pulse")
}

/// Peak of arrivals (time, amplitude, difference across) whose spectrum is the pulse's own.
fn crest_of(set: &Set, pulse: &Pulse) -> (f64, f64) {
    let (centre_hz, sigma_hz) = (pulse.centre_hz, pulse.sigma_hz());
    let spectrum = Spectrum { centre_hz, sigma_hz, scale: 1.0, more_np_m: 0.0, bent: false };
    let mut envelope = Envelope::default();
    for (time_s, amplitude, across_s) in set {
        envelope.push(*time_s, *amplitude, *across_s, 0.0);
    }
    envelope.crest(&spectrum).expect("a peak")
}

/// Peak by brute force on a fine grid.
fn brute(set: &[(f64, Complex64)], pulse: &Pulse) -> f64 {
    (0..10_000)
        .map(|i| {
            let t = -1e-6 + f64::from(i) * 4e-10;
            set.iter().map(|(at, a)| pulse.analytic(t - at) * a).sum::<Complex64>().norm()
        })
        .fold(0.0, f64::max)
}

// Truth: independent computation (sums of the analytic pulse on a grid 70 times finer).
#[test]
fn peak_equals_that_of_the_summed_pulses() {
    let one = Complex64::new(0.3, -0.4);
    let (peak, time) = crest_of(&[(1.234e-7, one, 0.0)], &pulse());
    assert!((peak - 0.5).abs() < 1e-12 && (time - 1.234e-7).abs() < 1e-15);
    let sets = [
        vec![(0.0, one), (1.3e-7, one * 0.8), (3.1e-7, -one)],
        vec![(0.0, one), (1e-7, one), (2e-7, one), (2.2e-6, one * 1.1)],
    ];
    for set in sets {
        let arrivals: Vec<_> = set.iter().map(|(t, a)| (*t, *a, 0.0)).collect();
        let (peak, _) = crest_of(&arrivals, &pulse());
        // The parabola over a quarter of a standard deviation.
        assert!((peak / brute(&set, &pulse()) - 1.0).abs() < 1e-3);
    }
}

// Truth: closed form (a numerical integral over the true spectrum times 1/√f and attenuation that
// grows with the square of the frequency, up to 1.5 Np at the centre). 1e-2 of the sum of the moduli
// (pulses half a period apart subtract): the spectrum is expanded to second order.
#[test]
fn spreading_and_attenuation_act_on_the_whole_spectrum() {
    let set = [(0.0, 1.0, 0.058), (0.9e-7, 1.0, 0.060), (2.6e-7, 0.7, 0.063)];
    for longitudinal_np_m in [0.0, 8.0, 25.0] {
        let attenuation = Attenuation { longitudinal_np_m, ..Attenuation::default() };
        let spectra = Spectra::new(&pulse(), &attenuation, Mode::L).expect("spectra");
        let mut envelope = Envelope::default();
        let at_centre = |m: f64| (-longitudinal_np_m * m).exp();
        for (t, a, m) in set {
            envelope.push(t, Complex64::from(a * at_centre(m)), 0.0, m);
        }
        let got = envelope.peak(&spectra, RayFlags::default()).expect("a peak");
        let df = 2e4;
        let exact = (0..800)
            .map(|i| {
                let t = f64::from(i) * 1e-9 - 2e-7;
                let at = |f: f64| {
                    let weight = pulse().spectrum(f) * (5e6 / f).sqrt() * df;
                    let alpha = attenuation.np_m(Mode::L, f);
                    let ray = |(at, a, m): &(f64, f64, f64)| {
                        Complex64::from_polar(a * (-alpha * m).exp(), 2.0 * PI * f * (at - t))
                    };
                    set.iter().map(ray).sum::<Complex64>() * weight
                };
                (25..700).map(|j| at(f64::from(j) * df)).sum::<Complex64>().norm()
            })
            .fold(0.0, f64::max)
            / (pulse().sigma_hz() * (2.0 * PI).sqrt());
        let moduli: f64 = set.iter().map(|(_, a, m)| a * at_centre(*m)).sum();
        let off = (got.amplitude - exact).abs();
        assert!(off < 1e-2 * moduli, "{longitudinal_np_m}: {} {exact}", got.amplitude);
        assert!(!got.flags.bent_spectrum);
    }
}

// Truth: independent computation (200 strips). 1e-3: Gauss rules at the edge of their use.
#[test]
fn wide_elements_act_as_their_strips() {
    for periods in [0.005, 0.02, 0.1, 0.25, 0.5, 0.7, 1.0, 1.4, 2.5] {
        let across = periods / 5e6;
        let (peak, _) = crest_of(&[(0.0, Complex64::from(1.0), across)], &pulse());
        let strips: Vec<_> = (0..200)
            .map(|s| (((f64::from(s) + 0.5) / 200.0 - 0.5) * across, Complex64::from(1.0 / 200.0)))
            .collect();
        let exact = brute(&strips, &pulse());
        assert!((peak - exact).abs() < 1e-3, "{periods}: {peak} {exact}");
    }
}

#[test]
fn arrivals_spread_beyond_reason_are_refused() {
    let one = Complex64::from(1.0);
    let spectra = Spectra::new(&pulse(), &Attenuation::default(), Mode::L).expect("spectra");
    let mut envelope = Envelope::default();
    envelope.push(0.0, one, 0.0, 0.01);
    envelope.push(1.0, one, 0.0, 0.01);
    let got = envelope.peak(&spectra, RayFlags::default());
    assert!(matches!(got, Err(WaveError::OutOfRange { .. })));
    // Arrivals without strength have a peak of nothing, not a number that is none.
    envelope.clear();
    envelope.push(1e-6, Complex64::ZERO, 1e-7, 0.01);
    let got = envelope.peak(&spectra, RayFlags::default()).expect("nothing");
    assert!(got.amplitude == 0.0 && got.time_s.is_finite());
}
