//! The built-in outside checks: values printed in standards, handbooks, papers and open data sets.
//!
//! Only values that were read in print (and mostly reproduced by independent arithmetic) stand
//! here as published; what follows from a formula is marked as closed form.

use std::f64::consts::PI;

use barwright_wave::cylinder::{Attenuation, ModalSolution, Passage};
use barwright_wave::path::least_time;
use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Fluid, Mode, Point, Result, Solid, Surface, interface, water};
use num_complex::Complex64;

use super::{Comparison, Findings, Truth};
use crate::failure::Failure;

/// Collects comparisons of one table.
struct Table<'a> {
    out: &'a mut Vec<Comparison>,
    source: &'static str,
    truth: Truth,
}

impl Table<'_> {
    fn row(
        &mut self,
        case: &str,
        quantity: &str,
        unit: &'static str,
        value: f64,
        reference: f64,
        tolerance: f64,
    ) {
        self.out.push(Comparison {
            case: case.to_owned(),
            quantity: quantity.to_owned(),
            value,
            reference,
            difference: (value - reference).abs(),
            tolerance,
            unit,
            truth: self.truth,
            source: self.source.to_owned(),
        });
    }
}

impl Table<'_> {
    fn complex(
        &mut self,
        case: &str,
        quantity: &str,
        value: Complex64,
        reference: Complex64,
        tolerance: f64,
    ) {
        self.row(case, quantity, "", value.norm(), reference.norm(), tolerance);
        if let Some(last) = self.out.last_mut() {
            last.difference = (value - reference).norm();
        }
    }
}

/// Compares the whole built-in list.
///
/// # Errors
/// When a value cannot be computed at all.
pub fn compare() -> std::result::Result<Findings, Failure> {
    let mut findings = Findings::default();
    let out = &mut findings.comparisons;
    water_velocity(out)?;
    refraction(out);
    normal_incidence(out)?;
    two_media(out)?;
    cylinder_strengths(out)?;
    hole(out)?;
    Ok(findings)
}

fn water_velocity(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "Marczak 1997, value printed by an open water-acoustics package",
        truth: Truth::PublishedTable,
    };
    // The printed value has five digits; a known misprint of one coefficient is 0.08 m/s away.
    t.row(
        "water",
        "sound velocity at 20 °C",
        "m/s",
        water::sound_velocity_m_s(20.0)?,
        1482.38,
        0.005,
    );
    Ok(())
}

/// Incidence in acrylic for a shear angle in steel, read in a technical order with one decimal.
fn refraction(out: &mut Vec<Comparison>) {
    let mut t = Table {
        out,
        source: "US T.O. 33B-1-1 table 5-3 (acrylic 2670 m/s; 3230, 3120, 2990 m/s)",
        truth: Truth::PublishedTable,
    };
    for (refracted_deg, printed) in
        [(62.0, [46.9, 49.1, 52.0]), (70.0, [51.0, 53.5, 57.0]), (77.0, [53.7, 56.5, 60.5])]
    {
        for (shear, printed) in [3230.0, 3120.0, 2990.0].into_iter().zip(printed) {
            let angle = interface::refracted(shear, 2670.0, f64::to_radians(refracted_deg))
                .unwrap_or(f64::NAN);
            // 0.1 degree: the table prints one decimal, and its velocities are rounded.
            t.row(
                "acrylic to steel",
                &format!("incidence for {refracted_deg}° at {shear} m/s"),
                "deg",
                angle.to_degrees(),
                printed,
                0.1,
            );
        }
    }
}

fn normal_incidence(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "tests of an open array-imaging library",
        truth: Truth::PublishedTable,
    };
    let fluid = Fluid::new(1480.0, 1000.0)?;
    let aluminium = Solid::new(6320.0, 3130.0, 2700.0)?;
    let into = interface::plane_wave(&fluid, &aluminium, 0.0)?;
    // The source gives eight decimals; the last two depart from its own closed form 2 Z₂/(Z₁+Z₂).
    t.row(
        "water to aluminium",
        "pressure transmission, 0°",
        "",
        into.transmitted_l.norm(),
        1.840_379_66,
        5e-8,
    );
    Ok(())
}

fn two_media(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "tests of an open array-imaging library",
        truth: Truth::PublishedTable,
    };
    let face = Surface::Flat { a: Point::new(1.0, 0.0), b: Point::new(-1.0, 0.0) };
    let probe = Point::new(0.0, 0.010);
    for (x_mm, velocity, printed_us, tolerance_us) in
        // Printed to 1e-6 µs beside the axis; on it the print is 9e-7 µs from its own closed form.
        [(0.0, 6320.0, 9.921_314_66, 1.5e-6), (50.0, 6320.0, 15.116_980, 1.5e-6)]
    {
        let path = least_time(&face, probe, Point::new(x_mm / 1e3, -0.020), 1480.0, velocity)?;
        t.row(
            "water over aluminium",
            &format!("time to x = {x_mm} mm"),
            "µs",
            path.time_s * 1e6,
            printed_us,
            tolerance_us,
        );
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
    let (length, radius) = (0.040, 0.005);
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
        let angular = Complex64::new(2.0 * PI * khz * 1e3, 0.0);
        let modes = ModalSolution::new(
            radius,
            &body,
            &fluid,
            angular,
            Attenuation::default(),
            Passage::Full,
        )?;
        let sum: Complex64 = modes
            .scattered()
            .iter()
            .enumerate()
            .map(|(n, b)| {
                b * (if n == 0 { 1.0 } else { 2.0 }) * (if n % 2 == 0 { 1.0 } else { -1.0 })
            })
            .sum();
        let strength = 20.0 * (length / PI * sum.norm()).log10();
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
    Ok(())
}
