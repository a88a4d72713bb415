//! The reference bar bent: its axis at the ring circles as the bar turns, most at mid-length.

use barwright_job::level::Cause;

use super::{Rank, Weighed, fit, place, seen::Seen, words};

/// Detection limit of the sag at mid-length, in metres.
const LEAST_M: f64 = 1e-4;
/// Least scatter of a first harmonic, in metres.
const LEAST_SCATTER_M: f64 = 1e-6;
/// Sag over its standard uncertainty from which it is told.
const LEAST_SIGMAS: f64 = 6.0;

/// A sag that stands above its uncertainty, also where it is too small to be told.
pub(super) struct Sag {
    /// Sag at mid-length in metres.
    pub sag_m: f64,
    direction_rad: f64,
    uncertainty_m: f64,
    confidence: f64,
    by_motion: Option<String>,
}

/// The sag that the harmonics that turn with the bar tell.
///
/// A bar bent as an arc between its ends stands off by s(z) = 4 sag z (L - z) / L² in a direction ψ
/// of its own frame. At turn φ it comes nearer to a beam at θ by s cos(θ - φ - ψ).
pub(super) fn measure(seen: &Seen<'_>) -> Option<Sag> {
    let length = seen.reference.length_m;
    let c = seen.technique.media.water?.velocity_m_s;
    let (mut rows, mut y, mut motion) = (Vec::new(), Vec::new(), Vec::new());
    for way in place::ways(seen) {
        for (m, circle) in seen.surface[way.beam].iter().enumerate() {
            let Some(circle) = circle.filter(|x| x.turned) else { continue };
            let z = seen.reference.motion[m].z_m;
            let share = 4.0 * z * (length - z) / (length * length);
            let (sin, cos) = way.angle_rad.sin_cos();
            rows.push(vec![share * cos, share * sin]);
            y.push(-circle.cos_s * c / 2.0);
            rows.push(vec![share * sin, -share * cos]);
            y.push(-circle.sin_s * c / 2.0);
            motion.extend([m, m]);
        }
    }
    if y.len() < 24 {
        return None;
    }
    let first = fit::weighted(&rows, &y, &vec![1.0; y.len()])?;
    let sigma = fit::deviation(&first.residuals, 2).max(LEAST_SCATTER_M);
    let fit = fit::robust(&rows, &y, sigma)?;
    let (x, z) = (fit.x[0], fit.x[1]);
    let (sag_m, direction_rad) = (x.hypot(z), z.atan2(x));
    let uncertainty = sigma * fit.variance[0].max(fit.variance[1]).sqrt();
    if sag_m < LEAST_SIGMAS * uncertainty {
        return None;
    }
    let n = y.len() as f64;
    let gain = fit::loss(&y, sigma) - fit::loss(&fit.residuals, sigma) - 2.0 * n.ln();
    Some(Sag {
        sag_m,
        direction_rad,
        uncertainty_m: uncertainty,
        confidence: 1.0 / (1.0 + (-0.5 * gain).exp()),
        by_motion: by_motion(seen, &rows, &y, &motion),
    })
}

/// The explanation, if the sag exceeds its limit.
pub(super) fn explain(sag: &Sag) -> Option<Weighed> {
    let Sag { sag_m, direction_rad, uncertainty_m, confidence, .. } = *sag;
    if sag_m < LEAST_M {
        return None;
    }
    let mut evidence = vec![format!(
        "surface times rise and fall once with every turn of the bar, in the bar's own frame: a sag of {:.2} mm (±{:.3} mm) at mid-length towards {:.0}° from its mark",
        sag_m * 1e3,
        uncertainty_m * 1e3,
        direction_rad.to_degrees().rem_euclid(360.0)
    )];
    evidence.extend(sag.by_motion.clone());
    Some(Weighed {
        rank: Rank::Place,
        weight: sag_m / LEAST_M,
        explanation: super::explanation(
            Cause::BentBar { sag_m, direction_rad },
            confidence,
            evidence,
            format!(
                "straighten or replace the reference bar: it bows {:.2} mm towards {} o'clock when its mark is at 3 o'clock; then level again",
                sag_m * 1e3,
                words::clock(direction_rad)
            ),
            Vec::new(),
        ),
    })
}

/// How the circling grows along the bar, in words.
fn by_motion(seen: &Seen<'_>, rows: &[Vec<f64>], y: &[f64], motion: &[usize]) -> Option<String> {
    let length = seen.reference.length_m;
    let told: Vec<String> = seen
        .reference
        .motion
        .iter()
        .enumerate()
        .filter_map(|(m, it)| {
            let of = |i: &usize| motion[*i] == m;
            let own: Vec<Vec<f64>> = (0..rows.len()).filter(of).map(|i| rows[i].clone()).collect();
            let way: Vec<f64> = (0..rows.len()).filter(of).map(|i| y[i]).collect();
            let fit = fit::weighted(&own, &way, &vec![1.0; way.len()])?;
            let share = 4.0 * it.z_m * (length - it.z_m) / (length * length);
            let circle = fit.x[0].hypot(fit.x[1]) * share;
            Some(format!("{:.2} mm at {:.0} mm", circle * 1e3, it.z_m * 1e3))
        })
        .collect();
    (told.len() > 1).then(|| format!("the axis circles by {}", told.join(", ")))
}
