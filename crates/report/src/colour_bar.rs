//! A lying bar of the colour map with its numbers.

use crate::{
    palette::Palette,
    shade::Scale,
    svg::{Anchor, Svg, Type},
    text,
};

/// A lying colour bar with its numbers below.
pub(crate) fn colour_bar(
    svg: &mut Svg,
    (x, y, width): (f64, f64, f64),
    scale: &Scale,
    tick: f64,
    words: &str,
    look: &Palette,
) {
    svg.open("scale");
    let steps = 60u16;
    let step = width / f64::from(steps);
    for k in 0..steps {
        let value = scale.low + (scale.high - scale.low) * (f64::from(k) + 0.5) / f64::from(steps);
        svg.rect((x + f64::from(k) * step, y, step + 0.4, 12.0), &scale.hex(value), "none", 0.0);
    }
    svg.rect((x, y, width, 12.0), "none", &look.soft, 0.6);
    let mut value = scale.low;
    while value <= scale.high + 1e-9 {
        let at = x + width * (value - scale.low) / (scale.high - scale.low);
        let decimals = if tick < 1.0 { 1 } else { 0 };
        svg.line((at, y + 12.0), (at, y + 16.0), &look.soft, 0.8).text(
            (at, y + 28.0),
            &text::number(value, decimals),
            Type::new(11.5, &look.ink, Anchor::Middle),
        );
        value += tick;
    }
    svg.text((x, y + 46.0), words, Type::new(12.5, &look.soft, Anchor::Start)).close();
}
