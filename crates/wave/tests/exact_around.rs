//! Fields at many angles of one distance, drive by drive.

use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, Passage};
use barwright_wave::{Fluid, Mode, Point, Solid, array};

/// Truth: the plain way (element by element at every point). Tolerance: rounding of sums of some
/// hundred terms whose sizes cancel by up to three decades.
#[test]
fn many_angles_agree_with_the_plain_field() {
    let water = Fluid::new(1488.0, 998.0).expect("water");
    let steel = Solid::new(5920.0, 3255.0, 7850.0).expect("steel");
    let elements = array::arc(0.060, 1.3, 24, 0.6e-3, 0.55e-3, 12e-3);
    let frequencies = [1.5e6, 5.0e6, 8.1e6];
    let drives = [
        Drive::new(&[2, 3, 4, 5], &[0.0, 2e-8, 3e-8, 1e-8]).expect("a drive"),
        Drive::weighted(&[9, 10, 12], &[0.0; 3], &[1.0, 0.5, 0.8]).expect("a drive"),
        Drive::new(&[23], &[1e-7]).expect("a drive"),
    ];
    let angles =
        [vec![0.1, 1.3, 1.5, 4.4], vec![1.2], (0..37).map(|i| f64::from(i) * 0.17).collect()];
    let radii = [0.021, 0.0205, 0.0105, 1e-4];
    for centre in [Point::default(), Point::new(3e-4, -2e-4)] {
        let arc = LineArray::new(&elements, 3, centre, Some(0.060)).expect("an array");
        assert_eq!(arc.is_concentric(), centre == Point::default());
        for passage in [Passage::First, Passage::Full] {
            let band = CylinderBand::new(0.021, &steel, &water, &frequencies, 2e5, passage)
                .expect("a band");
            let light = band.illuminate(&arc).expect("outside");
            for mode in [Mode::L, Mode::S] {
                let tables = light.fields_around(&drives, &angles, &radii, mode).expect("inside");
                assert_eq!(tables.len(), radii.len());
                for (table, &radius) in tables.iter().zip(&radii) {
                    let mut rows = table.iter();
                    for (drive, list) in drives.iter().zip(&angles) {
                        let places: Vec<Point> =
                            list.iter().map(|&a| Point::polar(radius, a)).collect();
                        let plain = light
                            .fields_at(std::slice::from_ref(drive), &places, mode)
                            .expect("inside");
                        let largest = plain
                            .iter()
                            .flat_map(|p| p.row(0))
                            .map(|z| z.norm())
                            .fold(0.0, f64::max);
                        for want in &plain {
                            let got = rows.next().expect("a row");
                            for (got, want) in got.iter().zip(want.row(0)) {
                                let off = (got - want).norm();
                                assert!(off <= 1e-9 * largest, "{got} {want} at {radius} m");
                            }
                        }
                    }
                    assert!(rows.next().is_none());
                }
            }
        }
        let band = CylinderBand::new(0.021, &steel, &water, &frequencies, 0.0, Passage::First)
            .expect("a band");
        let light = band.illuminate(&arc).expect("outside");
        assert!(light.fields_around(&drives, &angles[..2], &radii, Mode::L).is_err());
        assert!(light.fields_around(&drives, &angles, &[0.022], Mode::L).is_err());
    }
}
