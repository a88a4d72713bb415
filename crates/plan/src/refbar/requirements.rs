//! How a reference bar must be made: steel, size, tolerances.

use barwright_job::{
    Technique,
    reference::{Reflector, Shape},
};

use super::choice::NOTCH_M;

/// Deepest hole in its diameters that is drilled in one go (common practice, no source).
const DRILLED: f64 = 20.0;

/// One requirement a line. ISO 10893-10 gives the notch's; the holes' are common practice, no source: the
/// controlled copy of the ordered standard leads.
pub(super) fn round(t: &Technique, radius_m: f64, reflectors: &[Reflector]) -> Vec<String> {
    let steel = &t.media.steel;
    let mut lines = vec![
        format!(
            "steel of the order: longitudinal velocity {} m/s and shear velocity {} m/s within 1 %",
            steel.longitudinal_m_s, steel.shear_m_s
        ),
        format!("diameter {} mm within 0.05 mm, straight within 0.2 mm/m", radius_m * 2e3),
        format!(
            "flat-bottomed holes: diameter {} mm within 0.05 mm, bottom flat and square to the \
             radius within 1°, filled and sealed",
            t.sensitivity.disc_diameter_m * 1e3
        ),
        "places along the bar within 0.5 mm, angles within 0.5°, depths of the bottoms within 0.1 mm; \
         measured values are entered on the drawing"
            .into(),
        "no other echo above a quarter of the target between the reflectors".into(),
    ];
    let longest_m = reflectors
        .iter()
        .filter(|r| matches!(r.shape, Shape::FlatBottomedHole { .. }))
        .map(|r| radius_m + r.radius_m)
        .fold(0.0, f64::max);
    let one_go_m = DRILLED * t.sensitivity.disc_diameter_m;
    if longest_m > one_go_m {
        lines.push(format!(
            "holes longer than {:.0} mm are bored wider from the far side and drilled to size over the \
             last {:.0} mm at least",
            one_go_m * 1e3,
            (one_go_m * 1e3 / 2.0).max(5.0)
        ));
    }
    if let Some(depth) = t.sensitivity.crack_depth_m {
        // ISO 10893-10: 15 % or 0.05 mm, the greater; 0.03 mm below 0.3 mm of depth.
        let depth = depth * 1e3;
        let tolerance = if depth < 0.3 { 0.03 } else { (0.15 * depth).max(0.05) };
        lines.push(format!(
            "notch: {depth} mm deep within {tolerance:.2} mm, {} mm long, at most 0.5 mm wide, \
             radial, by spark erosion; depth verified by replica (tolerance after ISO 10893-10)",
            NOTCH_M * 1e3
        ));
    }
    lines
}
