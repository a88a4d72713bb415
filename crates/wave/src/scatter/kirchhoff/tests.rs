use super::*;
use crate::interface::{free_surface_ss, plane_wave};
use crate::scatter::{SideDrilledHole, disc_amplitude};
use std::f64::consts::{FRAC_PI_2, PI, TAU};

fn steel() -> Solid {
    Solid::new(5920.0, 3255.0, 7850.0).expect("steel")
}

fn meeting(mode: Mode, heading_rad: f64) -> Meeting {
    Meeting { mode, heading_rad }
}

// Truth: closed form (see the head of this file): 2 cos(tilt)/c for a wave that returns to where it
// came from, for both kinds and either side of the face, beyond the critical angle too.
#[test]
fn a_returning_wave_sees_a_mirror_without_conversion() {
    for mode in [Mode::L, Mode::S] {
        for tilt in [-1.2, -0.4, 0.0, 0.2, 0.7, 1.0, 1.5] {
            for normal in [0.3, 0.3 + PI] {
                let wave = meeting(mode, 0.3 + PI + tilt);
                let got = face_coupling(&steel(), normal, wave, wave).expect("a coupling");
                let want = 2.0 * tilt.cos() / steel().velocity_m_s(mode);
                // Rounding: the reflected waves cancel each other to a few parts in 1e16 of 1/c.
                assert!((got - want).norm() < 1e-14 / 3000.0, "{mode:?} {tilt}: {got} {want}");
            }
        }
    }
}

// Truth: closed form. In the direction of the mirror the coupling is the plane-wave reflection
// coefficient: -2 R cos(tilt)/c.
#[test]
fn a_mirrored_wave_sees_the_reflection_coefficient() {
    for tilt in [0.1, 0.4, 0.7, 1.1, 1.4] {
        let (sent, received) = (meeting(Mode::S, PI + tilt), meeting(Mode::S, PI - tilt));
        let got = face_coupling(&steel(), 0.0, sent, received).expect("a coupling");
        let want = free_surface_ss(&steel(), tilt) * (-2.0 * tilt.cos() / 3255.0);
        assert!((got - want).norm() < 1e-13 * want.norm(), "{tilt}: {got} {want}");
    }
}

// Truth: properties. With water outside the energy that does not come back as S is that which the
// reverse wave loses by going in: reflected S plus (beyond the critical angle of L) what plane_wave
// says enters from the water at Snell's angle; a feather-light fluid is none.
#[test]
fn water_takes_its_share_of_a_shear_wave() {
    let water = Fluid::new(1482.38, 998.204).expect("water");
    let nothing = Fluid::new(1482.38, 1e-6).expect("hardly a fluid");
    for deg in [5.0_f64, 20.0, 40.0, 45.0, 55.0, 75.0] {
        let angle = deg.to_radians();
        let loaded = surface_ss(&steel(), Some(&water), angle);
        let free = surface_ss(&steel(), None, angle);
        assert!((surface_ss(&steel(), Some(&nothing), angle) - free).norm() < 1e-7);
        if deg > 35.0 {
            let outside = (1482.38 / 3255.0 * angle.sin()).asin();
            let share = plane_wave(&water, &steel(), outside).expect("in range").energy[2];
            // Rounding of the two solutions.
            assert!((loaded.norm_sqr() + share - 1.0).abs() < 1e-12, "{deg}: {loaded} {share}");
        }
        assert!((surface_ss(&steel(), Some(&water), -angle) - loaded).norm() < 1e-13);
    }
    assert!(surface_ss(&steel(), Some(&water), FRAC_PI_2).is_finite());
}

// Truth: property (reciprocity of mirrored waves): L to S in the direction of Snell's law equals
// S to L back. Away from that direction the approximation itself is not reciprocal.
#[test]
fn conversion_at_a_mirror_is_the_same_both_ways() {
    let (cl, cs) = (5920.0, 3255.0);
    for tilt_l in [0.2_f64, 0.6, 1.1] {
        let tilt_s = (cs / cl * tilt_l.sin()).asin();
        let l = meeting(Mode::L, PI + tilt_l);
        let s = meeting(Mode::S, PI - tilt_s);
        let there = face_coupling(&steel(), 0.0, l, s).expect("a coupling");
        let back = face_coupling(&steel(), 0.0, s, l).expect("a coupling");
        assert!((there - back).norm() < 1e-13 * there.norm(), "{tilt_l}: {there} {back}");
    }
}

// Truth: numerical surface integral of the coupling with both phases over the disc, bistatic and
// with conversion. 1e-4: midpoint rule on 400 x 400.
#[test]
fn a_disc_is_the_integral_over_its_face() {
    let (solid, radius, omega) = (steel(), 1.5e-3, TAU * 5e6);
    let normal: f64 = 0.4;
    for (sent, received) in [
        (meeting(Mode::L, 0.4 + PI + 0.15), meeting(Mode::L, 0.4 + PI + 0.15)),
        (meeting(Mode::L, 0.4 + PI + 0.3), meeting(Mode::L, 0.4 + PI - 0.2)),
        (meeting(Mode::S, 0.4 + PI - 0.5), meeting(Mode::L, 0.4 + PI + 0.6)),
    ] {
        let n = 400;
        let cell = 2.0 * radius / f64::from(n);
        let along = crate::Point::polar(1.0, normal - FRAC_PI_2);
        let phase = |m: Meeting, x: f64| {
            let d = crate::Point::polar(x, m.heading_rad);
            omega / solid.velocity_m_s(m.mode) * (d.x * along.x + d.y * along.y)
        };
        let mut sum = Complex64::ZERO;
        for i in 0..n {
            let x = (f64::from(i) + 0.5) * cell - radius;
            let turn = Complex64::from_polar(1.0, phase(sent, x) + phase(received, x));
            let inside = (0..n)
                .filter(|&j| {
                    let z = (f64::from(j) + 0.5) * cell - radius;
                    x * x + z * z < radius * radius
                })
                .count();
            sum += turn * (inside as f64 * cell * cell);
        }
        let coupling = face_coupling(&solid, normal, sent, received).expect("a coupling");
        let want = Complex64::new(0.0, omega) * coupling * sum;
        let got = disc_strength(&solid, Complex64::from(omega), radius, normal, sent, received)
            .expect("a disc");
        let facing = 2.0 * omega / 5920.0 * PI * radius * radius;
        assert!((got - want).norm() < 1e-4 * facing, "{got} {want}");
    }
}

// Truth: closed form (area over wavelength), and the short form with its obliquity added.
#[test]
fn a_facing_disc_is_area_over_wavelength() {
    let omega = Complex64::from(TAU * 5e6);
    for tilt in [0.0, 0.1, 0.35] {
        let wave = meeting(Mode::L, PI + tilt);
        let got = disc_strength(&steel(), omega, 1e-3, 0.0, wave, wave).expect("a disc");
        let want = 4.0 * PI * disc_amplitude(1e-3, 1.184e-3, tilt);
        assert!((got - Complex64::new(0.0, want)).norm() < 1e-12 * want.abs(), "{got} {want}");
        if tilt == 0.0 {
            // Published: 2.65337 mm.
            assert!((got.norm() / (4.0 * PI) - 2.65337e-3).abs() < 5e-9);
        }
    }
}

// Truth: published formula with Struve's function (values computed from it elsewhere): amplitude
// per length of a side-drilled hole, pulse-echo, by the same coupling summed over the lit half
// of its wall. The formula's time factor is the other one's conjugate or the same; both moduli
// and the complex values at k b = 0.5 and 5 are compared.
#[test]
fn a_hole_by_kirchhoff_meets_the_struve_form() {
    let solid = steel();
    let at = |kb: f64| {
        let k = TAU * 5e6 / 5920.0;
        let b = kb / k;
        let n = 20_000;
        let step = PI / f64::from(n);
        let sum: Complex64 = (0..n)
            .map(|i| {
                // Normal within a quarter turn of the direction back to the source (+x).
                let normal = (f64::from(i) + 0.5) * step - FRAC_PI_2;
                let wave = meeting(Mode::L, PI);
                let coupling = face_coupling(&solid, normal, wave, wave).expect("a coupling");
                let phase = -2.0 * kb * normal.cos();
                Complex64::new(0.0, TAU * 5e6) * coupling * Complex64::from_polar(b * step, phase)
            })
            .sum();
        sum / (4.0 * PI)
    };
    for (kb, want) in [(0.5, (0.110_013, 0.109_541)), (5.0, (0.108_682, -0.638_032))] {
        // Half a unit of the sixth decimal and the midpoint rule.
        let off = (at(kb) - Complex64::new(want.0, want.1)).norm();
        assert!(off < 2e-6, "{kb}: {} {want:?}", at(kb));
    }
    for (kb, want) in [(1.0, 0.288_407), (2.0, 0.438_113), (3.0, 0.478_259), (10.0, 0.885_159)] {
        assert!((at(kb).norm() - want).abs() < 2e-6, "{kb}: {}", at(kb).norm());
    }
    // Against the exact series at k b = 10: what is left is the creeping wave, 6 % here.
    let k = TAU * 5e6 / 5920.0;
    let exact = SideDrilledHole::new(10.0 / k, &solid, 5e6)
        .expect("a hole")
        .strength(Mode::L, Mode::L, PI)
        .norm()
        / (4.0 * PI);
    assert!((exact / at(10.0).norm() - 1.0).abs() < 0.06, "{exact}");
}

// Truth: closed form. A strip is a sinc over its width.
#[test]
fn a_strip_is_a_sinc() {
    let omega = Complex64::from(TAU * 5e6);
    let wave = meeting(Mode::S, PI + 0.2);
    let got = strip_strength(&steel(), omega, 1e-3, 0.0, wave, wave).expect("a strip");
    let k = TAU * 5e6 / 3255.0;
    let x = k * 1e-3 * 0.2_f64.sin();
    let want = 2.0 * k * 0.2_f64.cos() * 1e-3 * x.sin() / x;
    assert!((got - Complex64::new(0.0, want)).norm() < 1e-12 * want.abs(), "{got} {want}");
}

#[test]
fn what_means_nothing_is_refused() {
    let omega = Complex64::from(TAU * 5e6);
    let wave = meeting(Mode::L, PI);
    for bad in [0.0, -1e-3, f64::NAN] {
        assert!(disc_strength(&steel(), omega, bad, 0.0, wave, wave).is_err());
        assert!(strip_strength(&steel(), omega, bad, 0.0, wave, wave).is_err());
        let still = Complex64::from(bad);
        assert!(disc_strength(&steel(), still, 1e-3, 0.0, wave, wave).is_err());
    }
    assert!(disc_strength(&steel(), omega, 1e-3, f64::NAN, wave, wave).is_err());
    let lost = meeting(Mode::L, f64::INFINITY);
    assert!(disc_strength(&steel(), omega, 1e-3, 0.0, lost, wave).is_err());
}
