//! The firing order of the round example held against the exact field of the bar.

use crate::common;

use barwright_job::technique::{GateKind, Section};
use barwright_plan::{
    bench::Bench,
    schedule::{late::Surround, view::View},
    technique,
};
use barwright_wave::cylinder::{
    Attenuation, CylinderBand, Drive, LineArray, Passage, Synthesis, peak_envelope,
};
use barwright_wave::{Mode, Point, pulse::Pulse};
use num_complex::Complex64;

/// Time in s over which echoes are followed: six longitudinal round trips more than it takes them to
/// fall under the allowed level by the estimate.
const FOLLOWED_S: f64 = 240e-6;
/// Time in s with which the exact field repeats itself.
const REPEATS_S: f64 = 400e-6;

// Truth: independent code (the exact series with all reflections inside, which the firing order does
// not use). It has no third dimension and no face of a probe: the spreading along the bar is taken
// from the estimate, trips through the water are not in it. The wall of a beam ties its scale to
// that of the technique.
#[test]
fn the_exact_field_leaves_the_gates_quiet() {
    let (order, station, rules) = common::round();
    let t = technique(&order, &station, &rules).expect("a technique").body;
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let surround = Surround::of(&bench).expect("water");
    let views: Vec<View> = t.beams.iter().map(|b| View::of(&bench, b)).collect();

    let pulse = Pulse::new(t.pulse.centre_hz, t.pulse.bandwidth_rel).expect("a pulse");
    let step = 1.0 / REPEATS_S;
    let reach = 4.3 * pulse.sigma_hz();
    let low = (pulse.centre_hz - reach).max(0.05 * pulse.centre_hz);
    let frequencies: Vec<f64> = ((low / step).ceil() as usize
        ..=((pulse.centre_hz + reach) / step) as usize)
        .map(|k| k as f64 * step)
        .collect();
    let media = t.media;
    let attenuation = |f: f64| Attenuation {
        longitudinal_np_m: media.attenuation_l_np_m * f / pulse.centre_hz,
        shear_np_m: media.attenuation_s_np_m * f / pulse.centre_hz,
    };
    let Section::Round { radius_m } = t.section else { unreachable!("a round example") };
    let water = media.water.expect("water");
    let band = CylinderBand::with_attenuation(
        radius_m,
        &media.steel,
        &water,
        &frequencies,
        5.0 * step,
        Passage::Full,
        attenuation,
    )
    .expect("a band");
    let elements: Vec<_> = t.probes.iter().flat_map(|p| p.elements.iter().copied()).collect();
    let face = elements.first().map(|e| e.centre.radius());
    let array = LineArray::new(&elements, 3, Point::default(), face).expect("an array");
    let drive = |id: u32| {
        let b = &t.beams[id as usize];
        let first = b.probe * t.probes[0].elements.len() as u32 + b.first_element;
        let own: Vec<usize> = (first..first + b.elements()).map(|e| e as usize).collect();
        Drive::new(&own, &b.transmit_delays_s).expect("a drive")
    };

    // Who is heard by whom, and how long before: (sender, hearer, lag).
    let mut heard: Vec<(u32, u32, f64)> = vec![(0, 0, 0.0)];
    let s = &t.schedule;
    for (i, sender) in s.firings.iter().enumerate() {
        for (j, hearer) in s.firings.iter().enumerate() {
            let lag = (hearer.start_s - sender.start_s).rem_euclid(s.period_s);
            if lag > FOLLOWED_S {
                continue;
            }
            for a in &sender.beams {
                for b in &hearer.beams {
                    if (i, a) != (j, b) {
                        heard.push((*a, *b, lag));
                    }
                }
            }
        }
    }
    let tx: Vec<Drive> = heard.iter().map(|h| drive(h.0)).collect();
    let rx: Vec<Drive> = heard.iter().map(|h| drive(h.1)).collect();
    let spectra = band.illuminate(&array).expect("a field").received(&tx, &rx).expect("received");
    let rate_hz = t.record.sample_rate_hz;
    let (begin_s, samples) = (45e-6, ((FOLLOWED_S + 90e-6) * rate_hz) as usize);
    let synthesis = Synthesis::new(&band, begin_s, rate_hz, samples).expect("a synthesis");
    let signal = |row: usize| {
        let row = spectra.row(row).iter().zip(&frequencies);
        let with: Vec<_> = row.map(|(x, f)| x * pulse.spectrum(*f)).collect();
        synthesis.analytic(&with).expect("a signal")
    };
    let highest_db = |signal: &[Complex64], from_s: f64, to_s: f64| {
        let place = |t: f64| (((t - begin_s) * rate_hz).max(0.0) as usize).min(signal.len());
        let part = &signal[place(from_s)..place(to_s)];
        20.0 * peak_envelope(part).0.max(1e-30).log10()
    };
    let own = &views[0];
    let wall_s = own.surface_s + 2.0 * own.reach_m / own.velocity_m_s;
    let scale_db = own.returned_db - highest_db(&signal(0), wall_s - 0.5e-6, wall_s + 0.5e-6);

    let (mut worst_db, mut words, mut sooner_db) =
        (f64::NEG_INFINITY, String::new(), f64::NEG_INFINITY);
    for (row, (a, b, lag)) in heard.iter().enumerate().skip(1) {
        let signal = signal(row);
        let (va, vb) = (&views[*a as usize], &views[*b as usize]);
        for w in vb.windows.iter().filter(|w| matches!(w.kind, GateKind::Volume | GateKind::Crack))
        {
            let over_db = |lag: f64| {
                let (from, to) = (lag + w.start_s, lag + w.end_s);
                let steel_m = (from - vb.surface_s).max(0.0) * va.velocity_m_s;
                highest_db(&signal, from, to) + scale_db
                    - surround.axial_db(va, 0.0, steel_m)
                    - w.limit_db
            };
            let over = over_db(*lag);
            sooner_db = sooner_db.max(over_db(t.record.last_sample_s()));
            if over > worst_db {
                worst_db = over;
                words = format!("{a} {:?} to {b} {:?} {:.1} µs later", va.mode, vb.mode, lag * 1e6);
            }
        }
    }
    eprintln!(
        "{} pairs; at worst {worst_db:+.1} dB over the allowed level: {words}; {sooner_db:+.1} dB with \
         the record's wait only",
        heard.len() - 1
    );
    // The same pairs without the longer waits are loud, so the field does hear what it must.
    assert!(sooner_db > 6.0, "{sooner_db:+.1} dB");
    assert!(heard.iter().any(|h| t.beams[h.0 as usize].mode == Mode::L && h.2 > 0.0));
    assert!(heard.len() > 200, "only {} pairs", heard.len());
    // The allowed level lies 6 dB under the threshold of the gate; half of that is left to the error of
    // the estimates.
    assert!(worst_db <= 3.0, "{worst_db:+.1} dB: {words}");
}
