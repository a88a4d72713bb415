//! The one perceptually uniform colour map of all pictures, cividis, and small PNG rasters of it.

/// A range of values that the colour map spans.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Value of the darkest shade; less takes it too.
    pub low: f64,
    /// Value of the lightest shade; more takes it too.
    pub high: f64,
}

impl Scale {
    /// Red, green and blue of a value. Not-a-number takes the darkest shade.
    #[must_use]
    pub fn shade(&self, value: f64) -> [u8; 3] {
        let t = (value - self.low) / (self.high - self.low);
        let t = if t.is_finite() { t.clamp(0.0, 1.0) } else { 0.0 };
        let c = colorous::CIVIDIS.eval_continuous(t);
        [c.r, c.g, c.b]
    }

    /// The shade of a value as `#rrggbb`.
    #[must_use]
    pub fn hex(&self, value: f64) -> String {
        let [r, g, b] = self.shade(value);
        format!("#{r:02x}{g:02x}{b:02x}")
    }
}

/// A PNG of RGBA pixels, rows from the top; `None` where the size and the pixels disagree.
#[must_use]
pub fn png(width: usize, height: usize, rgba: &[u8]) -> Option<Vec<u8>> {
    if rgba.len() != width.checked_mul(height)?.checked_mul(4)? {
        return None;
    }
    let mut bytes = Vec::new();
    let (w, h) = (u32::try_from(width).ok()?, u32::try_from(height).ok()?);
    let mut encoder = png::Encoder::new(&mut bytes, w, h);
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(rgba).ok()?;
    writer.finish().ok()?;
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Property: a perceptually uniform map rises in lightness from end to end.
    #[test]
    fn lightness_rises_with_the_value() {
        let scale = Scale { low: -6.0, high: 24.0 };
        let light = |v: f64| {
            let [r, g, b] = scale.shade(v).map(f64::from);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        for k in -6..24 {
            assert!(light(f64::from(k + 1)) > light(f64::from(k)), "at {k} dB");
        }
        assert_eq!(scale.shade(-99.0), scale.shade(-6.0));
        assert_eq!(scale.shade(f64::NAN), scale.shade(-6.0));
    }

    // Property: a raster whose size and pixels disagree is refused.
    #[test]
    fn a_raster_of_the_wrong_size_is_refused() {
        assert!(png(2, 2, &[0; 15]).is_none());
        assert!(png(2, 2, &[0; 16]).is_some());
    }
}
