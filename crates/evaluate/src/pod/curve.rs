//! The curve as points.

use barwright_job::pod::{CurvePoint, Scale};

/// Shares that the curve is given at, from rare to almost sure.
const SHARES: [f64; 23] = [
    0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75,
    0.8, 0.85, 0.9, 0.95, 0.98, 0.99,
];

/// The curve from the place of each share on the scale of sizes, and its bound there.
pub fn of(
    scale: Scale,
    place: impl Fn(f64) -> f64,
    bound: impl Fn(f64) -> Option<f64>,
) -> Vec<CurvePoint> {
    SHARES
        .into_iter()
        .map(|pod| CurvePoint {
            pod,
            size: scale.size(place(pod)),
            size_95: bound(pod).map(|x| scale.size(x)),
        })
        .collect()
}
