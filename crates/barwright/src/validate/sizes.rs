//! Distance and size laws of equivalent reflectors, worked by hand from their closed forms.
//!
//! The numbers are of the far field of an unfocused disc; what judges use is the field of the beam at hand.

use barwright_evaluate::size;
use barwright_job::{proof::FlawClass, technique::Sensitivity};
use barwright_wave::{Result, estimate};

use super::published::Table;
use super::{Comparison, Truth};

const LONGITUDINAL_M_S: f64 = 5920.0;

/// Compares them.
pub fn compare(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "far-field law of distance, gain and size, worked by hand (Krautkrämer 1990, ch. 5)",
        truth: Truth::ClosedForm,
    };
    // Distance in near fields; wall; discs of 0.1 to 0.5 of the probe. Printed to 0.01 dB.
    let table = [
        (3.0, [-5.62, -39.20, -27.16, -20.11, -15.12, -11.24]),
        (5.0, [-10.06, -48.07, -36.03, -28.99, -23.99, -20.11]),
        (10.0, [-16.08, -60.11, -48.07, -41.03, -36.03, -32.16]),
        (20.0, [-22.10, -72.16, -60.11, -53.07, -48.07, -44.20]),
    ];
    for (distance, [wall, discs @ ..]) in table {
        let case = format!("distance {distance} near fields");
        t.row(&case, "back wall", "dB", estimate::backwall_dgs_db(distance)?, wall, 6e-3);
        for (size, printed) in [0.1, 0.2, 0.3, 0.4, 0.5].into_iter().zip(discs) {
            let found = estimate::disc_dgs_db(size, distance)?;
            t.row(&case, &format!("disc {size} of the probe"), "dB", found, printed, 6e-3);
        }
    }
    for (mm, path_mm, mhz, printed) in [
        (2.0, 100.0, 4.0, -27.44),
        (2.0, 100.0, 5.0, -25.50),
        (3.0, 100.0, 4.0, -20.40),
        (3.0, 200.0, 4.0, -26.42),
        (5.0, 100.0, 4.0, -11.52),
        (1.2, 50.0, 5.0, -28.36),
        (2.0, 50.0, 5.0, -19.48),
        (0.8, 50.0, 5.0, -35.40),
    ] {
        let lambda = LONGITUDINAL_M_S / (mhz * 1e6);
        let found = estimate::disc_over_backwall_db(mm / 1e3, lambda, path_mm / 1e3)?;
        let quantity = format!("{mm} mm at {path_mm} mm, {mhz} MHz");
        t.row("disc over back wall", &quantity, "dB", found, printed, 6e-3);
    }
    for (hole_mm, path_mm, mhz, printed) in
        [(3.0, 50.0, 4.0, 2.857), (3.0, 100.0, 4.0, 3.397), (2.0, 100.0, 5.0, 2.745)]
    {
        let lambda = LONGITUDINAL_M_S / (mhz * 1e6);
        let found = estimate::disc_equal_to_hole_m(hole_mm / 1e3, lambda, path_mm / 1e3)? * 1e3;
        let quantity = format!("{hole_mm} mm hole at {path_mm} mm, {mhz} MHz");
        t.row("hole as disc", &quantity, "mm", found, printed, 6e-4);
    }
    steps(&mut t)?;
    for (drop, printed) in
        [(2.0, 63.55), (3.0, 56.64), (4.0, 50.48), (6.0, 40.09), (14.0, 15.96), (20.0, 8.00)]
    {
        let found = estimate::height_after_percent(80.0, -drop);
        t.row("80 % of full screen", &format!("less {drop} dB"), "%", found, printed, 6e-3);
    }
    Ok(())
}

/// Steps between discs at one place, by the pocket formula and by the size that a judge reads from a height.
fn steps(t: &mut Table<'_>) -> Result<()> {
    let sixty_fourths = |n: f64| n * 25.4 / 64.0;
    for (from_mm, to_mm, printed) in [
        (2.0, 3.0, 7.04),
        (3.0, 5.0, 8.87),
        (5.0, 8.0, 8.16),
        (8.0, 12.0, 7.04),
        (sixty_fourths(2.0), sixty_fourths(3.0), 7.04),
        (sixty_fourths(3.0), sixty_fourths(5.0), 8.87),
        (sixty_fourths(5.0), sixty_fourths(8.0), 8.16),
    ] {
        let quantity = format!("{from_mm:.3} to {to_mm:.3} mm");
        let found = estimate::disc_step_db((from_mm, 50.0), (to_mm, 50.0))?.abs();
        t.row("step between discs", &quantity, "dB", found, printed, 6e-3);
        let sensitivity = Sensitivity {
            disc_diameter_m: from_mm / 1e3,
            crack_depth_m: None,
            target_fsh: 0.4,
            alarm_fsh: 0.2,
            skin_m: 0.0,
            persistence: 1,
        };
        let height = 0.4 * 10f64.powf(printed / 20.0);
        let read_mm = size::equivalent_m(FlawClass::Disc, &sensitivity, height) * 1e3;
        // 0.005 dB of the printed step are 3e-4 of the diameter.
        t.row("disc read from its height", &quantity, "mm", read_mm, to_mm, 3e-4 * to_mm);
    }
    Ok(())
}
