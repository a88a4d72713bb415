//! Cylinders and holes against printed values and against another program's table.

use std::f64::consts::PI;

use barwright_wave::cylinder::{Attenuation, ModalSolution, Passage};
use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Fluid, Mode, Result, Solid};
use num_complex::Complex64;

use super::published::Table;
use super::{Comparison, Truth};

/// Radius of all cylinders here.
const RADIUS_M: f64 = 0.005;

/// Compares all of them.
pub fn compare(out: &mut Vec<Comparison>) -> Result<()> {
    cylinder_strengths(out)?;
    form_functions(out)?;
    hole(out)
}

/// Modulus of the sum over the orders of what a cylinder sends back.
fn back(fluid: &Fluid, body: &Solid, ka: f64) -> Result<f64> {
    let angular = Complex64::new(ka / RADIUS_M * fluid.velocity_m_s, 0.0);
    let lossless = Attenuation::default();
    let modes = ModalSolution::new(RADIUS_M, body, fluid, angular, lossless, Passage::Full)?;
    let turn = |n: usize| if n.is_multiple_of(2) { 2.0 } else { -2.0 };
    let term = |(n, b): (usize, &Complex64)| b * if n == 0 { 1.0 } else { turn(n) };
    Ok(modes.scattered().iter().enumerate().map(term).sum::<Complex64>().norm())
}

/// Form function |f∞| of cylinders in water of 20 °C, by size parameter.
fn form_functions(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "Faran's series in another program, five decimals",
        truth: Truth::IndependentCode,
    };
    let fluid = Fluid::new(1482.38, 998.204)?;
    let sizes = [0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0];
    for (name, [c_l, c_s, density], values) in [
        (
            "steel",
            [5920.0, 3255.0, 7850.0],
            [
                0.66339, 0.89192, 1.10153, 1.05200, 0.99413, 0.77614, 0.97901, 0.24875, 1.17626,
                0.74040, 0.77285,
            ],
        ),
        (
            "aluminium",
            [6300.0, 3130.0, 2700.0],
            [
                0.47572, 0.64987, 1.18981, 1.16121, 1.04375, 0.15604, 0.75641, 0.57239, 0.67362,
                0.64886, 0.76479,
            ],
        ),
        (
            "tungsten carbide",
            [6853.0, 4171.0, 14900.0],
            [
                0.72430, 0.96214, 1.07457, 1.01479, 0.95991, 0.95528, 0.97652, 1.04431, 0.87411,
                1.04475, 0.99699,
            ],
        ),
        (
            "stainless 347",
            [5790.0, 3100.0, 7910.0],
            [
                0.66427, 0.89279, 1.10501, 1.05776, 1.00140, 0.55731, 1.07422, 0.76716, 0.49587,
                0.99763, 1.23627,
            ],
        ),
    ] {
        let body = Solid::new(c_l, c_s, density)?;
        for (ka, value) in sizes.into_iter().zip(values) {
            let ours = 2.0 / (PI * ka).sqrt() * back(&fluid, &body, ka)?;
            // Half of the last digit.
            let quantity = format!("form function of {name}, ka = {ka}");
            t.row("cylinder in water", &quantity, "", ours, value, 6e-6);
        }
    }
    Ok(())
}

/// Target strength of a finite cylinder at broadside from the modal coefficients of its section.
fn cylinder_strengths(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "open data set of target strengths (finite elastic cylinder, broadside)",
        truth: Truth::PublishedTable,
    };
    let (length, radius) = (0.040, RADIUS_M);
    let fluid = Fluid::new(1477.3, 1026.8)?;
    let body = Solid::new(6398.0, 3122.0, 2800.0)?;
    for (khz, printed) in [
        (12.0, -58.658_416),
        (20.0, -50.653_594),
        (38.0, -43.358_125),
        (50.0, -42.671_589),
        (60.0, -42.395_063),
        (68.0, -40.405_365),
    ] {
        let ka = 2.0 * PI * khz * 1e3 / fluid.velocity_m_s * radius;
        let sum = back(&fluid, &body, ka)?;
        let strength = 20.0 * (length / PI * sum).log10();
        // The data set prints six decimals.
        t.row(
            "cylinder in water",
            &format!("target strength at {khz} kHz"),
            "dB",
            strength,
            printed,
            2e-6,
        );
    }
    Ok(())
}

/// Scattering of a hole, 2 MHz, 6000/3000 m/s, radius 0.5 mm; in the source's normalisation the
/// back direction is angle zero.
fn hole(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "Lopez-Sanchez et al. 2005, as kept in tests of an open array-imaging library",
        truth: Truth::PublishedTable,
    };
    let solid = Solid::new(6000.0, 3000.0, 7800.0)?;
    let hole = SideDrilledHole::new(0.5e-3, &solid, 2e6)?;
    for (angle, longitudinal, shear) in [
        (
            0.209_439_5,
            [0.212_013_086_087_838, 0.184_664_953_622_806],
            [0.181_910_208_019_545, -0.257_602_560_262_746],
        ),
        (
            1.466_076_571_675,
            [-0.005_253_862_284_530, 0.211_028_560_232_004],
            [-0.126_223_795_958_403, 0.187_399_980_358_998],
        ),
        (
            PI,
            [-0.206_384_032_591_909, 0.336_645_038_756_022],
            [-0.262_017_703_125_609, 0.771_353_787_922_999],
        ),
    ] {
        // 1e-9: the angle is printed with seven decimals; 1e-5 for shear: the published set itself
        // departs from the converged series by 2e-6 (noted in the source's reproduction).
        for (mode, name, printed, tolerance) in
            [(Mode::L, "L to L", longitudinal, 1e-7), (Mode::S, "S to S", shear, 1e-5)]
        {
            let k = 2.0 * PI * 2e6 / solid.velocity_m_s(mode);
            // Theirs is f/√λ and counts the angle from the back.
            let ours = hole.amplitude(mode, mode, PI - angle) * (k / (2.0 * PI)).sqrt();
            let printed = Complex64::new(printed[0], printed[1]);
            t.complex(
                "side-drilled hole",
                &format!("{name} at {:.1}° from the back", angle.to_degrees()),
                ours,
                printed,
                tolerance,
            );
        }
    }
    // Converted waves: theirs are displacements, so potentials times the ratio of wave numbers, and
    // their sign follows their own axes: moduli. Nine digits are kept.
    let angle = 1.466_076_571_675;
    for (incident, scattered, printed) in [
        (Mode::L, Mode::S, Complex64::new(0.546_299_366, 0.133_217_224)),
        (Mode::S, Mode::L, Complex64::new(0.136_574_842, 0.033_304_306)),
    ] {
        let k = |mode| 2.0 * PI * 2e6 / solid.velocity_m_s(mode);
        let f = hole.amplitude(incident, scattered, PI - angle).norm();
        let ours = f * (k(scattered) / (2.0 * PI)).sqrt() * k(scattered) / k(incident);
        // As for shear above.
        t.row(
            "side-drilled hole",
            &format!("{incident:?} to {scattered:?}, modulus, 84.0° from the back"),
            "",
            ours,
            printed.norm(),
            1e-5,
        );
    }
    Ok(())
}
