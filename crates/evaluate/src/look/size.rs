//! How wide a flaw must be to be drawn as wide as it is.

use statrs::function::erf::erf;

/// How a flaw's strength lies over its width.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Shape {
    /// Evenly: a face that ends abruptly.
    Even,
    /// As the chords of a disc.
    Disc,
}

/// Size in m of what is drawn `drawn_m` wide within 6 dB where a point is drawn `point_m` wide, and how far it may be off because
/// its shape is not known: half the way from an even face to a disc, at either end of the answer. None where it is no wider than a
/// point. The drawing of a point is taken as a bell.
pub fn of(drawn_m: f64, point_m: f64) -> Option<(f64, f64)> {
    if drawn_m <= point_m {
        return None;
    }
    let [even, disc] = [Shape::Even, Shape::Disc].map(|shape| width(shape, drawn_m, point_m));
    Some((0.5 * (even + disc), 0.5 * (disc - even)))
}

/// Width of a shape that is drawn so wide, by halving: the wider it is, the wider it is drawn.
fn width(shape: Shape, drawn_m: f64, point_m: f64) -> f64 {
    // Where it would be half as high as in its middle, it is lower if it is narrower.
    let falls =
        |w: f64| height(shape, w, point_m, 0.5 * drawn_m) < 0.5 * height(shape, w, point_m, 0.0);
    let (mut low, mut high) = (0.0, 2.0 * drawn_m);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if falls(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Height at `x` of a flaw of a width about nought, drawn with a point's bell.
fn height(shape: Shape, width: f64, point: f64, x: f64) -> f64 {
    // From a bell's width at half height to the argument of the error function.
    let scale = 2.0 * std::f64::consts::LN_2.sqrt() / point;
    let even = |half: f64| erf(scale * (x + half)) - erf(scale * (x - half));
    match shape {
        Shape::Even => even(0.5 * width),
        // A disc's chords are a stack of even strips: of half width r cos t at height r sin t.
        Shape::Disc => {
            const STRIPS: usize = 64;
            let strip = |k: usize| {
                let t = std::f64::consts::FRAC_PI_2 * (k as f64 + 0.5) / STRIPS as f64;
                even(0.5 * width * t.cos()) * t.cos()
            };
            (0..STRIPS).map(strip).sum()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: what is much wider than a point is drawn as wide as it is if it is even, and at sqrt(3)/2 of it, where its chord is
    // half as long, if it is a disc.
    #[test]
    fn a_wide_flaw_is_as_wide_as_its_half_chord_says() {
        let (even, disc) = (width(Shape::Even, 20.0, 1.0), width(Shape::Disc, 20.0, 1.0));
        // A bell ends well within ten of its widths.
        assert!((even - 20.0).abs() < 1e-6, "{even}");
        // To second order in the bell's s = p / sqrt(8 ln 2), by the disc's slope and curvature at half and at full height: drawn
        // narrower by 13 s^2 / (sqrt(3)/2 w). The next order is smaller by another p^2/w^2.
        let narrower = 7.5 / (8.0 * std::f64::consts::LN_2) / (0.75_f64.sqrt() * disc);
        assert!((disc * 0.75_f64.sqrt() - narrower - 20.0).abs() < 0.01, "{disc}");
    }

    // Closed form: of what is much narrower the variances add: w^2/12 of an even strip, w^2/16 of a disc, against p^2/(8 ln 2).
    #[test]
    fn of_a_narrow_flaw_the_variances_add() {
        let drawn: f64 = 1.02;
        let more = (drawn * drawn - 1.0) / (8.0 * std::f64::consts::LN_2);
        let [even, disc] = [Shape::Even, Shape::Disc].map(|s| width(s, drawn, 1.0));
        // The next term is of the order of w^4: a few per cent of the width here.
        assert!((even / (12.0 * more).sqrt() - 1.0).abs() < 0.03, "{even}");
        assert!((disc / (16.0 * more).sqrt() - 1.0).abs() < 0.03, "{disc}");
    }

    // Property: what is drawn wider is wider, and a disc is always wider than a face that is drawn alike.
    #[test]
    fn sizes_grow_with_what_is_drawn() {
        let mut before = 0.0;
        for k in 1..60 {
            let (size, half) = of(1.0 + 0.05 * f64::from(k), 1.0).expect("a size");
            assert!(size > before && half > 0.0 && half < 0.2 * size, "{k}: {size} {half}");
            before = size;
        }
        assert_eq!(of(0.99, 1.0), None);
    }
}
