//! A margin around the circumference, as a band inside the outline.

use std::f64::consts::TAU;

use crate::{
    frame::Frame,
    palette::Palette,
    shade::Scale,
    svg::{Svg, line_to, move_to},
};

/// Draws one value for each place around a round section; slanted lines where it is not seen.
pub(super) fn draw(
    svg: &mut Svg,
    frame: &Frame,
    radius_m: f64,
    margin: &[Option<f32>],
    scale: &Scale,
    look: &Palette,
) {
    let outer = radius_m * frame.scale;
    let inner = outer * 0.84;
    let (x, y) = frame.origin;
    let p = |r: f64, a: f64| (x + r * a.cos(), y - r * a.sin());
    let step = TAU / margin.len().max(1) as f64;
    svg.open("margin");
    for (i, value) in margin.iter().enumerate() {
        let (a, b) = ((i as f64 - 0.5) * step, (i as f64 + 0.5) * step);
        let mut d = String::new();
        move_to(&mut d, p(inner, a));
        line_to(&mut d, p(outer, a));
        line_to(&mut d, p(outer, b));
        line_to(&mut d, p(inner, b));
        d.push('Z');
        if let Some(db) = value {
            let paint = scale.hex(f64::from(*db));
            svg.path(&d, &paint, &paint, 0.4);
        }
    }
    svg.close();
    // Slanted lines at fixed angles, wherever the nearest value is not seen.
    let mut lines = String::new();
    for k in 0..180u16 {
        let a = f64::from(k) / 180.0 * TAU;
        let i = (a / step).round() as usize % margin.len().max(1);
        if margin.get(i).copied().flatten().is_none_or(|db| db < 0.0) {
            move_to(&mut lines, p(inner, a));
            line_to(&mut lines, p(outer, a + TAU / 90.0));
        }
    }
    svg.open("unseen")
        .path(&lines, "none", &look.card, 2.2)
        .path(&lines, "none", &look.ink, 0.9)
        .close()
        .circle(frame.origin, inner, "none", &look.rule, 0.8);
}
