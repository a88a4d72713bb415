//! Exact field of a round bar at single frequencies against an independent program.

use crate::support::{self, Case, complex, number, point, points};
use barwright_wave::cylinder::{CylinderBand, Passage};
use barwright_wave::{Mode, Point};
use num_complex::Complex64;

/// Truth: independent code (exact_point.json). Tolerance: the file's 1e-7 of the largest value in
/// the case; `full` sits on resonances, so there the larger of that and the case's own change for
/// a frequency off by 1e-9, ten times (the two programs differ in rounding of the wave numbers).
#[test]
fn agrees_with_the_independent_program() {
    let Some(file) = support::read("exact_point.json") else { return };
    let cases = support::cases(&file);
    assert!(!cases.is_empty());
    for json in cases {
        let case = Case::new(json);
        let frequency = number(&json["frequency"]);
        let expected = &json["expected"];
        let array = case.array();
        let (drive, mut worst) = (case.drive(), [0.0_f64; 2]);
        for (index, (passage, name)) in
            [(Passage::First, "first"), (Passage::Full, "full")].into_iter().enumerate()
        {
            let band = CylinderBand::new(
                case.radius_m,
                &case.solid,
                &case.fluid,
                &[frequency],
                0.0,
                passage,
            )
            .expect("the case is valid");
            let illumination = band.illuminate(&array).expect("array outside");
            let reference = illumination
                .incident_at(std::slice::from_ref(&drive), point(&json["ref_point"]))
                .expect("in the water")
                .row(0)[0];
            let want = complex(&expected["p_inc_ref"]);
            assert!((reference / want - 1.0).norm() < 1e-9, "{}: incident field", case.id);
            let places: Vec<Point> = points(&expected["points"])
                .into_iter()
                // The file evaluates (0,0) at r = 1e-6 m.
                .map(|p| if p.radius() == 0.0 { Point::new(1e-6, 0.0) } else { p })
                .collect();
            for (mode, key) in [(Mode::L, "PL_over_ref"), (Mode::S, "PS_over_ref")] {
                let fields = illumination
                    .fields_at(std::slice::from_ref(&drive), &places, mode)
                    .expect("points inside");
                let wanted: Vec<Complex64> =
                    expected[name][key].as_array().expect("list").iter().map(complex).collect();
                let largest = ["PL_over_ref", "PS_over_ref"]
                    .iter()
                    .flat_map(|k| expected[name][k].as_array().expect("list"))
                    .map(|v| complex(v).norm())
                    .fold(0.0, f64::max);
                for ((field, want), place) in fields.iter().zip(&wanted).zip(&places) {
                    let got = field.row(0)[0] / reference;
                    let off = (got - want).norm() / largest;
                    worst[index] = worst[index].max(off);
                    let allowed = match passage {
                        Passage::First => 1e-7,
                        Passage::Full => {
                            number(&expected["full_change_for_1e-9_frequency"]).max(1e-7)
                        }
                    };
                    assert!(
                        off < allowed,
                        "{} {name} {key} at ({}, {}): {got} against {want}, off {off:e}",
                        case.id,
                        place.x,
                        place.y
                    );
                }
            }
        }
        println!("{}: first off by {:.1e}, full by {:.1e}", case.id, worst[0], worst[1]);
    }
}
