//! What must hold whatever the numbers are: energy, reciprocity, symmetry, and the limits of bodies
//! without an inside or without shear. Each is one comparison: the worst of its kind against its bound.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use barwright_wave::cylinder::{Attenuation, CylinderBand, Drive, LineArray, LineSource};
use barwright_wave::cylinder::{ModalSolution, Passage};
use barwright_wave::harmonics::{bessel_j, hankel_1};
use barwright_wave::ray::{self, Aperture, RayMedium};
use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Fluid, Mode, Point, Result, Solid, Surface, array, interface};
use num_complex::Complex64;

use super::published::Table;
use super::{Comparison, Truth};

const FREQUENCY_HZ: f64 = 5e6;
const RADIUS_M: f64 = 0.015;

fn media() -> Result<(Fluid, Solid)> {
    Ok((Fluid::new(1482.38, 998.204)?, Solid::new(5920.0, 3255.0, 7850.0)?))
}

/// Compares all of them.
pub fn compare(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table { out, source: "conservation of energy", truth: Truth::ClosedForm };
    energy(&mut t)?;
    t.source = "reciprocity";
    reciprocity(&mut t)?;
    t.source = "the bar is round: turning or mirroring everything changes nothing";
    symmetry(&mut t)?;
    t.source = "textbook limits of Faran, JASA 23 (1951) 405";
    limits(&mut t)
}

fn furthest(values: impl IntoIterator<Item = f64>) -> f64 {
    // A value that is no number wins, so that it cannot hide.
    values.into_iter().fold(0.0, |worst, v| if v.is_nan() || v > worst { v } else { worst })
}

fn energy(t: &mut Table<'_>) -> Result<()> {
    let (fluid, solid) = media()?;
    let mut off = 0.0;
    for k in 0..=900 {
        let wave = interface::plane_wave(&fluid, &solid, (f64::from(k) / 10.0).to_radians())?;
        off = furthest([off, (wave.energy.iter().sum::<f64>() - 1.0).abs()]);
    }
    // A dozen roundings.
    t.row("plane wave", "energy, every tenth of a degree", "", 1.0 + off, 1.0, 1e-13);
    for (case, frequency, radius_m) in [
        ("bar of 20 mm", 5e6, 0.010),
        ("bar of 120 mm", 5e6, 0.060),
        ("bar of 254 mm", 10e6, 0.127),
    ] {
        let modes = modes(radius_m, &fluid, &solid, frequency)?;
        let off = furthest(modes.scattered().iter().map(|b| ((1.0 + 2.0 * b).norm() - 1.0).abs()));
        // Rounding of the ladders over up to eight thousand orders.
        t.row(case, "|1 + 2 b| of every order", "", 1.0 + off, 1.0, 2e-12);
    }
    // A hole takes nothing: what the forward wave loses is what goes all round (optical theorem).
    let hole = SideDrilledHole::new(0.75e-3, &solid, FREQUENCY_HZ)?;
    for incident in [Mode::L, Mode::S] {
        let k = TAU * FREQUENCY_HZ / solid.velocity_m_s(incident);
        let directions = 2000;
        let around: f64 = (0..directions)
            .map(|d| {
                let theta = TAU * f64::from(d) / f64::from(directions);
                // P carries energy as |P|² / (density · velocity).
                [Mode::L, Mode::S]
                    .map(|m| hole.amplitude(incident, m, theta).norm_sqr() / solid.velocity_m_s(m))
                    .iter()
                    .sum::<f64>()
            })
            .sum::<f64>()
            * TAU
            / f64::from(directions)
            * solid.velocity_m_s(incident);
        let forward =
            hole.amplitude(incident, incident, 0.0) * Complex64::from_polar(1.0, PI / 4.0);
        let lost = -2.0 * (TAU / k).sqrt() * forward.re;
        // Both in m, near 3 mm; a sum over all directions of a band-limited function is exact.
        t.row(
            "side-drilled hole",
            &format!("scattered over lost energy, {incident:?}"),
            "",
            around / lost,
            1.0,
            1e-10,
        );
    }
    Ok(())
}

fn modes(radius_m: f64, fluid: &Fluid, solid: &Solid, frequency_hz: f64) -> Result<ModalSolution> {
    let angular = Complex64::new(TAU * frequency_hz, 0.0);
    let lossless = Attenuation::default();
    ModalSolution::new(radius_m, solid, fluid, angular, lossless, Passage::Full)
}

/// What one source sends and another hears is the same the other way round.
fn reciprocity(t: &mut Table<'_>) -> Result<()> {
    let (fluid, solid) = media()?;
    for passage in [Passage::First, Passage::Full] {
        let band = CylinderBand::new(RADIUS_M, &solid, &fluid, &[FREQUENCY_HZ], 0.0, passage)?;
        let places = [(0.021, 0.3), (0.034, 1.9), (0.026, -2.2)];
        let line = |&(r, a): &(f64, f64)| vec![LineSource { at: Point::polar(r, a), weight: 1.0 }];
        let lines = LineArray::from_sources(places.iter().map(line).collect())?;
        let lit = band.illuminate(&lines)?;
        let one = |e: usize| Drive::new(&[e], &[0.0]);
        let mut off = 0.0;
        for (a, b) in [(0, 1), (0, 2), (1, 2)] {
            let heard = lit.received(&[one(a)?, one(b)?], &[one(b)?, one(a)?])?;
            let (there, back) = (heard.row(0)[0], heard.row(1)[0]);
            off = furthest([off, (there - back).norm() / there.norm()]);
        }
        // Rounding of sums over six hundred orders whose terms partly cancel.
        let quantity = format!("source and receiver exchanged, {passage:?}");
        t.row("bar of 30 mm", &quantity, "", off, 0.0, 1e-11);
    }
    let (mut off, hole) = (0.0, SideDrilledHole::new(0.75e-3, &solid, FREQUENCY_HZ)?);
    for k in 0..36 {
        let theta = f64::from(k) * 10f64.to_radians();
        // f in √m of P: the far field carries 1/√k, P_L and P_S the same density.
        let there = hole.amplitude(Mode::L, Mode::S, theta) * solid.shear_m_s.powf(-0.5);
        let back = hole.amplitude(Mode::S, Mode::L, -theta) * solid.longitudinal_m_s.powf(-0.5);
        let size = hole.amplitude(Mode::L, Mode::S, 1.0).norm() * solid.shear_m_s.powf(-0.5);
        off = furthest([off, (there.norm() - back.norm()).abs() / size]);
    }
    t.row("side-drilled hole", "L to S against S to L, moduli", "", off, 0.0, 1e-10);
    Ok(())
}

/// One field value, and the same after turning and after mirroring array and place.
fn symmetry(t: &mut Table<'_>) -> Result<()> {
    let (fluid, solid) = media()?;
    let turn = 1.234;
    let delays = [0.0, 4e-8, 9e-8, 1.5e-7, 2.2e-7, 3e-7];
    let mirrored: Vec<f64> = delays.iter().rev().copied().collect();
    let all: Vec<usize> = (0..delays.len()).collect();
    let ring = |middle| array::arc(0.024, middle, delays.len(), 6e-4, 5e-4, 0.01);
    let (place, frequency) = (Point::new(-0.004, 0.006), [FREQUENCY_HZ]);
    let band = CylinderBand::new(RADIUS_M, &solid, &fluid, &frequency, 0.0, Passage::Full)?;
    let exact = |middle: f64, delays: &[f64], place: Point, mode| -> Result<Complex64> {
        let lines = LineArray::new(&ring(middle), 3, Point::default(), Some(0.024))?;
        let lit = band.illuminate(&lines)?;
        Ok(lit.fields_at(&[Drive::new(&all, delays)?], &[place], mode)?[0].row(0)[0])
    };
    let surface = Surface::Round { centre: Point::default(), radius_m: RADIUS_M };
    let medium = RayMedium { fluid, solid, attenuation: ray::Attenuation::default() };
    let rays = |middle: f64, delays: &[f64], place: Point, mode| -> Result<Complex64> {
        let elements = ring(middle);
        let aperture = Aperture { elements: &elements, delays_s: delays, weights: None };
        Ok(ray::field(&surface, &medium, &aperture, mode, FREQUENCY_HZ, place)?.amplitude)
    };
    type Field<'a> = &'a dyn Fn(f64, &[f64], Point, Mode) -> Result<Complex64>;
    for (name, field) in [("exact field", &exact as Field<'_>), ("ray field", &rays)] {
        let (mut turned, mut mirror) = (0.0, 0.0);
        for (mode, sign) in [(Mode::L, 1.0), (Mode::S, -1.0)] {
            let value = field(FRAC_PI_2, &delays, place, mode)?;
            let other = field(FRAC_PI_2 + turn, &delays, place.rotated(turn), mode)?;
            turned = furthest([turned, (other - value).norm() / value.norm()]);
            // The mirror turns the axis that P_S is counted about.
            let image = field(FRAC_PI_2, &mirrored, Point::new(-place.x, place.y), mode)?;
            mirror = furthest([mirror, (image * sign - value).norm() / value.norm()]);
        }
        // Phases of a thousand rad in the last place, summed over six hundred orders.
        t.row(name, "turned by 70.7°", "", turned, 0.0, 1e-9);
        t.row(name, "mirrored", "", mirror, 0.0, 1e-9);
    }
    Ok(())
}

/// Bodies whose coefficients follow in closed form.
fn limits(t: &mut Table<'_>) -> Result<()> {
    let (fluid, _) = media()?;
    let (radius_m, ka) = (0.005, 5.0);
    let angular = Complex64::new(ka / radius_m * fluid.velocity_m_s, 0.0);
    let x = Complex64::new(ka, 0.0);
    let body = |solid: &Solid, loss| {
        ModalSolution::new(radius_m, solid, &fluid, angular, loss, Passage::Full)
    };
    let slope =
        |values: [Complex64; 2], n: usize, x: Complex64| values[0] * (n as f64 / x) - values[1];
    let (j, h) = (bessel_j(x, 12)?, hankel_1(x, 12)?);
    let (rigid, soft) = (Solid::new(5920.0, 3255.0, 1e14)?, Solid::new(5920.0, 3255.0, 1e-8)?);
    // A fluid: shear waves slow and dying at once.
    let (speed, density) = (1150.0, 1260.0);
    let liquid = Solid::new(speed, 2.0, density)?;
    let thick = Attenuation { longitudinal_np_m: 0.0, shear_np_m: 8e3 };
    let inner = Complex64::new(ka * fluid.velocity_m_s / speed, 0.0);
    let ji = bessel_j(inner, 12)?;
    let ratio = fluid.density_kg_m3 * fluid.velocity_m_s / (density * speed);
    let lossless = Attenuation::default();
    let found = [body(&rigid, lossless)?, body(&soft, lossless)?, body(&liquid, thick)?];
    let mut off = [0.0; 3];
    for n in 0..=10 {
        let (jn, hn) = (j.value(n), h.value(n));
        let (js, hs) = (slope([jn, j.value(n + 1)], n, x), slope([hn, h.value(n + 1)], n, x));
        let (jin, jis) = (ji.value(n), slope([ji.value(n), ji.value(n + 1)], n, inner));
        let wanted =
            [-js / hs, -jn / hn, (ratio * jis * jn - jin * js) / (jin * hs - ratio * jis * hn)];
        for k in 0..3 {
            off[k] = furthest([off[k], (found[k].scattered()[n] - wanted[k]).norm()]);
        }
    }
    // Rigid and soft: density ratio 1e11; fluid: shear modulus 3e-6 of the bulk modulus.
    for (k, (name, tolerance)) in
        [("rigid", 1e-6), ("soft", 1e-6), ("fluid", 1e-4)].into_iter().enumerate()
    {
        t.row(
            "cylinder, ka = 5",
            &format!("{name} limit of b, orders 0 to 10"),
            "",
            off[k],
            0.0,
            tolerance,
        );
    }
    Ok(())
}
