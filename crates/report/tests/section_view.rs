//! The section alone. Closed form: where a marked place must stand in the picture.
#![allow(clippy::unwrap_used)]

use crate::support;

use barwright_job::technique::Section;
use barwright_report::{Palette, Place, section_view};
use barwright_wave::Point;

#[test]
fn a_place_stands_to_scale_in_every_section() {
    let mut t = support::technique().body;
    for section in [
        Section::Round { radius_m: 0.021 },
        Section::Square { side_m: 0.04, corner_radius_m: 0.0 },
        Section::Flat { thickness_m: 0.05 },
    ] {
        t.section = section;
        let places = [(0.0, -0.010), (0.005, -0.010)].map(|(x, y)| Place {
            letter: "A<",
            at: Point::new(x, y),
            uncertainty_m: 0.001,
        });
        let svg = section_view(&t, &places, &Palette::page());
        let tree = roxmltree::Document::parse(&svg).unwrap();
        let group = tree.descendants().find(|n| n.attribute("class") == Some("places")).unwrap();
        let middles: Vec<(f64, f64)> = group
            .children()
            .filter(|n| n.attribute("r") == Some("1.8"))
            .map(|n| {
                let at = |key| n.attribute(key).unwrap().parse::<f64>().unwrap();
                (at("cx"), at("cy"))
            })
            .collect();
        let [(x0, y0), (x1, y1)] = middles[..] else { panic!("{section:?}: {middles:?}") };
        // 5 mm at a scale that lets the section fill 226 pixels; numbers are printed to 0.01.
        assert_eq!(y0, y1, "{section:?}");
        let scale = (x1 - x0) / 0.005;
        let widest = match section {
            Section::Round { radius_m } => 2.0 * radius_m,
            Section::Square { side_m, .. } => side_m * std::f64::consts::SQRT_2,
            Section::Flat { .. } => 226.0 / scale,
        };
        assert!((scale * widest - 226.0).abs() < 0.01 / 0.005 * widest * 2.0, "{section:?}");
        assert_eq!(x0, 150.0, "{section:?}: x = 0 is the middle");
    }
}
