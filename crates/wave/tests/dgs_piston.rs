//! The general distance-gain-size diagram from a piston made of point sources.

use barwright_wave::Result;
use barwright_wave::dgs::{Curves, DgsBeam, DgsError, DgsFinding, Reference};
use barwright_wave::estimate::{backwall_dgs_db, disc_dgs_db, disc_over_backwall_db};
use barwright_wave::pulse::Pulse;
use barwright_wave::reflect::{EchoSpectrum, pulse_frequencies_hz};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

const VELOCITY: f64 = 5920.0;
const CENTRE: f64 = 5e6;
const RADIUS: f64 = 5e-3;

/// A circular piston in one medium; echoes are mean pressures over it relative to that of its face,
/// p0 = ρ c v.
struct Piston {
    frequencies: Vec<f64>,
    /// Distance from the axis, angle (half a turn, mirrored) and area of the point sources.
    sources: Vec<(f64, f64, f64)>,
}

impl Piston {
    fn new(pulse: &Pulse) -> Self {
        let (rings, turns) = (48, 48);
        let sources = (0..rings)
            .flat_map(|i| {
                let (inner, outer) =
                    (f64::from(i) / f64::from(rings), f64::from(i + 1) / f64::from(rings));
                let ring = PI * RADIUS * RADIUS * (outer * outer - inner * inner);
                let radius = RADIUS * (0.5 * (inner * inner + outer * outer)).sqrt();
                (0..turns).map(move |j| {
                    let angle = PI * (f64::from(j) + 0.5) / f64::from(turns);
                    (radius, angle, ring / f64::from(turns))
                })
            })
            .collect();
        Self { frequencies: pulse_frequencies_hz(pulse, 60e-6).expect("a band"), sources }
    }

    /// p/p0 at a distance from the face and from the axis.
    fn field(&self, f: f64, z: f64, off: f64) -> Complex64 {
        let k = TAU * f / VELOCITY;
        let sum: Complex64 = self
            .sources
            .iter()
            .map(|&(radius, angle, area)| {
                let r =
                    (z * z + radius * radius + off * off - 2.0 * radius * off * angle.cos()).sqrt();
                Complex64::from_polar(area / r, k * r)
            })
            .sum();
        sum * Complex64::new(0.0, -k / TAU)
    }

    /// Mean over a disc of a function of the distance from its middle.
    fn mean(radius: f64, value: impl Fn(f64) -> Complex64) -> Complex64 {
        // Gauss and Legendre in the square of the distance.
        const GAUSS: [(f64, f64); 5] = [
            (0.046_910_077_030_668, 0.118_463_442_528_094_5),
            (0.230_765_344_947_158_45, 0.239_314_335_249_683_2),
            (0.5, 0.284_444_444_444_444_4),
            (0.769_234_655_052_841_5, 0.239_314_335_249_683_2),
            (0.953_089_922_969_332, 0.118_463_442_528_094_5),
        ];
        GAUSS.iter().map(|(x, w)| value(radius * x.sqrt()) * *w).sum()
    }

    fn spectrum(&self, value: impl Fn(f64) -> Complex64) -> EchoSpectrum {
        EchoSpectrum {
            frequencies_hz: self.frequencies.clone(),
            values: self.frequencies.iter().map(|&f| value(f)).collect(),
            damping_1_s: 0.0,
            findings: Vec::new(),
        }
    }
}

impl DgsBeam for Piston {
    fn disc(&self, distance_m: f64, diameter_m: f64) -> Result<EchoSpectrum> {
        // Kirchhoff: the disc returns -(1/S) ∫ (p/p0)² over its face.
        let share = (diameter_m / 2.0 / RADIUS).powi(2);
        Ok(self.spectrum(|f| {
            -Self::mean(diameter_m / 2.0, |off| self.field(f, distance_m, off).powi(2)) * share
        }))
    }

    fn wall(&self, distance_m: f64) -> Result<EchoSpectrum> {
        // The mirrored piston.
        Ok(self.spectrum(|f| -Self::mean(RADIUS, |off| self.field(f, 2.0 * distance_m, off))))
    }
}

fn narrow() -> Pulse {
    // Three per cent: the pulse is nearly a continuous wave.
    Pulse::new(CENTRE, 0.03).expect("a pulse")
}

fn earliest(z: f64) -> f64 {
    2.0 * z / VELOCITY - 30e-6
}

fn near_field() -> f64 {
    RADIUS * RADIUS / (VELOCITY / CENTRE)
}

// Truth: closed form on the axis, 2 |sin(k/2 (√(z²+a²) - z))|. 3e-3: midpoint sums over rings of a
// twelfth of a wavelength.
#[test]
fn point_sources_make_a_piston() {
    let piston = Piston::new(&narrow());
    let k = TAU * CENTRE / VELOCITY;
    for z in [0.008, 0.0139, 0.021, 0.05, 0.2] {
        let got = piston.field(CENTRE, z, 0.0).norm();
        let want = 2.0 * (0.5 * k * (z.hypot(RADIUS) - z)).sin().abs();
        assert!((got - want).abs() < 3e-3, "{z}: {got} {want}");
    }
}

// Truth: closed forms of the far field (Krautkraemer, 4th ed. 1990, ch. 5): disc π² G²/A², wall π/(2A),
// A = z/N and G = d/D; on the axis sin(π/2A) instead of π/2A, which tells from A = 3 on. Over a
// disc of some size the far field falls as 2 J1(u)/u, which takes u²/8 of the echo, u = 2πG/A at its rim.
// What is left is the square of that and 0.08 dB of near field; for walls the next term of the sine.
#[test]
fn the_general_diagram_comes_out() {
    let (pulse, n) = (narrow(), near_field());
    let piston = Piston::new(&pulse);
    let distances: Vec<f64> = [3.0, 5.0, 10.0, 20.0].iter().map(|a| a * n).collect();
    let sizes = [0.1, 0.2, 0.3, 0.5];
    let diameters: Vec<f64> = sizes.iter().map(|g| g * 2.0 * RADIUS).collect();
    // Relative to an ideal reflection at the piston: level 0 dB of the mean pressure.
    let curves = Curves::compute(
        &piston,
        &pulse,
        &distances,
        &diameters,
        Reference::Level { level_db: 0.0 },
        &earliest,
    )
    .expect("curves");
    for (i, a) in [3.0, 5.0, 10.0, 20.0].into_iter().enumerate() {
        let next = 8.686 * (PI / (2.0 * a)).powi(2) / 6.0;
        for (g, row) in sizes.iter().zip(curves.heights_db()) {
            let x = PI / (2.0 * a);
            let fall = (TAU * g / a).powi(2) / 8.0;
            let law =
                disc_dgs_db(*g, a).expect("a law") + 40.0 * (x.sin() / x).log10() - 8.686 * fall;
            let allowed = 8.686 * fall * fall + 0.08;
            println!("A {a} G {g}: {:.2} dB, law {law:.2}", row[i]);
            assert!((row[i] - law).abs() < allowed, "A {a} G {g}: {} {law}", row[i]);
        }
        let law = backwall_dgs_db(a).expect("a law");
        println!("A {a} wall: {:.2} dB, law {law:.2}", curves.wall_db()[i]);
        assert!((curves.wall_db()[i] - law).abs() < 2.0 * next + 0.03);
        if a >= 10.0 {
            let ratio = curves.heights_db()[0][i] - curves.wall_db()[i];
            let law = disc_over_backwall_db(diameters[0], VELOCITY / CENTRE, distances[i]);
            // The ratio of the two laws holds better than each.
            assert!((ratio - law.expect("a law")).abs() < next + 0.03, "{ratio}");
        }
    }
}

// Truth: round trip: echoes of discs between the curves, read back; the end of the near field
// (D² - λ²)/(4 λ) = 20.82 mm; errors and findings.
#[test]
fn diameters_are_read_back() {
    let pulse = narrow();
    let piston = Piston::new(&pulse);
    let distances: Vec<f64> = (0..26).map(|i| 0.012 * 1.12_f64.powi(i)).collect();
    let diameters = [0.8e-3, 1.2e-3, 2e-3, 3e-3, 5e-3];
    let reference = Reference::Disc { distance_m: 0.06, diameter_m: 3e-3 };
    let curves = Curves::compute(&piston, &pulse, &distances, &diameters, reference, &earliest)
        .expect("curves");
    let end = curves.near_field_m().expect("a near field");
    // Grid of 12 %, parabola in the logarithm.
    assert!((end / 20.82e-3 - 1.0).abs() < 0.03, "{end}");
    for (z, d) in [(0.03, 1.0e-3), (0.071, 2.3e-3), (0.15, 1.6e-3), (0.06, 3e-3)] {
        let echo = piston.disc(z, d).expect("an echo");
        let height =
            echo.peak(&pulse, earliest(z)).expect("a peak").level_db() - curves.reference_db();
        let got = curves.equivalent_diameter(height, z).expect("a diameter");
        println!("z {z} d {d}: {height:.2} dB, read {:.4e} {:?}", got.diameter_m, got.findings);
        // 0.1 dB of interpolation between distances is 0.6 % of diameter.
        assert!((got.diameter_m / d - 1.0).abs() < 0.01, "{z} {d}: {}", got.diameter_m);
        assert!(got.findings.is_empty());
    }
    let near = curves.equivalent_diameter(curves.heights_at(0.015).expect("heights").0[1], 0.015);
    assert!(matches!(near.expect("a diameter").findings[0], DgsFinding::NearField { .. }));
    let at = |height, z| curves.equivalent_diameter(height, z);
    assert!(matches!(at(-80.0, 0.1), Err(DgsError::Below { diameter_m: 0.8e-3, .. })));
    assert!(matches!(at(30.0, 0.1), Err(DgsError::Above { .. })));
    assert!(matches!(at(-10.0, 0.001), Err(DgsError::Distance { .. })));
    assert!(matches!(at(-10.0, f64::NAN), Err(DgsError::Distance { .. })));
    assert!(matches!(at(f64::NAN, 0.1), Err(DgsError::Height { .. })));
    let wrong = |distances: &[f64], diameters: &[f64]| {
        Curves::compute(&piston, &pulse, distances, diameters, reference, &earliest).is_err()
    };
    assert!(wrong(&[], &diameters) && wrong(&[0.1, 0.1], &diameters));
    assert!(wrong(&[0.1], &[]) && wrong(&[0.1], &[-1e-3]) && wrong(&[f64::NAN], &diameters));
}
