//! Prints how many samples a second the echo kernel reads on one core:
//! `cargo run --release -p barwright-evaluate --example kernel_speed`.

use std::time::Instant;

use barwright_evaluate::kernel::Detector;
use barwright_job::technique::Record;
use barwright_wave::pulse::Pulse;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let record =
        Record { first_sample_s: 50e-6, sample_rate_hz: 25e6, samples: 600, full_scale_fsh: 4.0 };
    let pulse = Pulse::new(5e6, 0.6)?;
    let shots = 20_000_u32;
    let mut samples = Vec::with_capacity((shots * record.samples) as usize);
    for shot in 0..shots {
        let at_s = 58e-6 + f64::from(shot % 97) * 11e-9;
        for i in 0..record.samples {
            let t = record.time_s(f64::from(i));
            let noise = f64::from(shot.wrapping_mul(2_654_435_761) ^ i.wrapping_mul(40_503) & 255);
            let value = 6000.0 * pulse.analytic(t - at_s).re + noise % 97.0;
            samples.push(value as i16);
        }
    }
    let detector = Detector::for_pulse(record, 5e6);
    // Surface, volume and back wall: three gates that take up the record between them.
    let gates = [(50e-6, 54e-6), (54e-6, 69e-6), (69e-6, 74e-6)];
    let (start, mut sum) = (Instant::now(), 0.0);
    for _ in 0..5 {
        for ascan in samples.chunks(record.samples as usize) {
            for (from_s, to_s) in gates {
                sum += detector.peak(ascan, from_s, to_s).map_or(0.0, |r| r.height_fsh);
            }
        }
    }
    let seconds = start.elapsed().as_secs_f64();
    let rate = 5.0 * samples.len() as f64 / seconds / 1e9;
    println!("{rate:.2} G samples/s on one core, three gates a shot (mean height {:.3} FSH)", {
        sum / (5.0 * f64::from(shots) * 3.0)
    });
    Ok(())
}
