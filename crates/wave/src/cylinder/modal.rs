//! What one angular order of a sound field does at the surface of the bar.

use num_complex::Complex64;

use crate::error::{Result, WaveError, positive};
use crate::harmonics::{Ladder, bessel_j, hankel_1, radix};
use crate::media::{Fluid, Mode, Solid};

use super::Passage;
use super::limits::{check_band, check_inside};
use super::linear::solve3;
use super::radial::debye_exponent;

const I: Complex64 = Complex64::new(0.0, 1.0);

/// Attenuation of the steel at one frequency, in neper per metre.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Attenuation {
    /// Of longitudinal waves.
    pub longitudinal_np_m: f64,
    /// Of shear waves.
    pub shear_np_m: f64,
}

/// Response of a round bar in water to each angular order of an incident field, at one frequency.
///
/// An incident pressure `Σ A_n J_n(kr) e^{inθ}` gives
/// - in the water also `Σ A_n b_n H_n(kr) e^{inθ}` ([`Self::scattered`]),
/// - in the bar `P_L = Σ A_n l_n J_n(k_L r) e^{inθ}` and `P_S = Σ A_n s_n J_n(k_S r) e^{inθ}`
///   ([`Self::interior`]).
///
/// `b` and `l` are even in n, `s` is odd.
///
/// Inside this crate `A_n` is carried divided by 2^(-256 e_n), `e_n` the exponent of `J_n(ka)`
/// so that sums over the orders are plain numbers.
///
/// Source: Faran, JASA 23 (1951) 405; pressure-like unknowns instead of potentials.
#[derive(Debug, Clone)]
pub struct ModalSolution {
    radius_m: f64,
    k_water: Complex64,
    k_longitudinal: Complex64,
    k_shear: Complex64,
    /// e_n of the scaling above.
    surface: Vec<i32>,
    /// b_n, plain.
    scattered: Vec<Complex64>,
    /// b_n 2^(-512 e_n): to be multiplied by two scaled incident orders.
    scattered_scaled: Vec<Complex64>,
    /// l_n and s_n times 2^(-256 e_n).
    longitudinal: Ladder,
    shear: Ladder,
}

impl ModalSolution {
    /// Solves all orders needed, about `ka + 15 (ka)^(1/3) + 25`.
    ///
    /// `angular` is ω in rad/s; an imaginary part damps all waves in time (exp(-Im ω t)).
    /// Attenuation enters as complex wave numbers `ω/c + iα`, which changes the elastic moduli
    /// with them, so the boundary conditions stay exact.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a radius or frequency that is not positive, for negative
    /// damping or attenuation, for a size parameter ka outside 1e-6 to 1e5, and for more than about
    /// 100 neper across the radius.
    pub fn new(
        radius_m: f64,
        solid: &Solid,
        fluid: &Fluid,
        angular: Complex64,
        attenuation: Attenuation,
        passage: Passage,
    ) -> Result<Self> {
        positive("the bar radius", radius_m, "m")?;
        positive("the angular frequency", angular.re, "rad/s")?;
        let k_water = angular / fluid.velocity_m_s;
        let k_longitudinal =
            angular / solid.longitudinal_m_s + I * not_negative(attenuation.longitudinal_np_m)?;
        let k_shear = angular / solid.shear_m_s + I * not_negative(attenuation.shear_np_m)?;
        let [x, x_l, x_s] = [k_water, k_longitudinal, k_shear].map(|k| k * radius_m);
        let highest = orders_for(x.norm());
        check_band(1, x.norm(), highest)?;
        let above = highest + 1;
        let j = bessel_j(x, above)?;
        let h = hankel_1(x, above)?;
        let steel_l = Column::new(x_l, above, passage)?;
        let steel_s = Column::new(x_s, above, passage)?;
        let heavy = solid.density_kg_m3 / fluid.density_kg_m3;

        let mut solution = Self {
            radius_m,
            k_water,
            k_longitudinal,
            k_shear,
            surface: j.exponents()[..=highest].to_vec(),
            scattered: Vec::with_capacity(above),
            scattered_scaled: Vec::with_capacity(above),
            longitudinal: Ladder::with_highest(highest),
            shear: Ladder::with_highest(highest),
        };
        for n in 0..=highest {
            let nf = n as f64;
            let base_j = j.exponents()[n];
            let base_h = h.exponents()[n];
            let (j_n, j_up) = (j.mantissas()[n], j.over(n + 1, base_j));
            let (h_n, h_up) = (h.mantissas()[n], h.over(n + 1, base_h));
            let (l_n, l_up, base_l) = steel_l.at(n);
            let (s_n, s_up, base_s) = steel_s.at(n);
            // x Z' = n Z - x Z_{n+1} turns every derivative into two neighbours.
            let slope = |z: Complex64, up: Complex64, x: Complex64| z * nf - x * up;
            let two_over = 2.0 / (x_s * x_s);
            let columns = [
                [h_n, Complex64::ZERO, -heavy * slope(h_n, h_up, x) / x],
                [
                    -l_n + two_over * (l_n * (nf * nf - nf) + x_l * l_up),
                    I * nf * two_over * (slope(l_n, l_up, x_l) - l_n),
                    slope(l_n, l_up, x_l) / x,
                ],
                [
                    I * nf * two_over * (slope(s_n, s_up, x_s) - s_n),
                    s_n - two_over * (s_n * (nf * nf - nf) + x_s * s_up),
                    I * nf * s_n / x,
                ],
            ];
            let right = [-j_n, Complex64::ZERO, heavy * slope(j_n, j_up, x) / x];
            let [b, l, s] = solve3(columns, right);
            if !(b + l + s).is_finite() {
                return Err(WaveError::OutOfRange {
                    what: "the angular order whose boundary equations have no finite answer",
                    value: nf,
                    unit: "",
                    expected: "solvable: change frequency, radius or media",
                });
            }
            solution.scattered.push(b * radix(base_j - base_h));
            solution.scattered_scaled.push(b * radix(-base_j - base_h));
            solution.longitudinal.push(l, -base_l);
            solution.shear.push(s, -base_s);
        }
        Ok(solution)
    }

    /// Highest angular order solved.
    #[must_use]
    pub fn highest_order(&self) -> usize {
        self.surface.len() - 1
    }

    /// Radius of the bar in metres.
    #[must_use]
    pub fn radius_m(&self) -> f64 {
        self.radius_m
    }

    /// Wave number in the water, rad/m.
    #[must_use]
    pub fn wave_number_water(&self) -> Complex64 {
        self.k_water
    }

    /// Wave number of a mode in the steel, rad/m.
    #[must_use]
    pub fn wave_number(&self, mode: Mode) -> Complex64 {
        match mode {
            Mode::L => self.k_longitudinal,
            Mode::S => self.k_shear,
        }
    }

    /// Scattering coefficients `b_n`, n = 0.. (even in n): the bar's answer in the water.
    ///
    /// Without losses `|1 + 2 b_n| = 1` for the whole field.
    #[must_use]
    pub fn scattered(&self) -> &[Complex64] {
        &self.scattered
    }

    pub(crate) fn scattered_scaled(&self) -> &[Complex64] {
        &self.scattered_scaled
    }

    /// Exponents e_n of the scaling of incident orders.
    pub(super) fn surface_exponents(&self) -> &[i32] {
        &self.surface
    }

    /// Amplitude of one mode at distance `radius_m` from the axis for each order n = 0.. of the
    /// scaled incident field: `l_n J_n(k_L r)` or `s_n J_n(k_S r)`, up to the last order that can
    /// matter there.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a place outside the bar.
    pub fn interior(&self, mode: Mode, radius_m: f64) -> Result<Vec<Complex64>> {
        check_inside(radius_m, self.radius_m)?;
        let coefficient = self.coefficient(mode);
        let k = self.wave_number(mode);
        let highest = self.last_order_inside(k.norm(), radius_m);
        let wave = bessel_j(k * radius_m, highest)?;
        Ok((0..wave.len())
            .map(|n| {
                let scale = radix(coefficient.exponents()[n] + wave.exponents()[n]);
                coefficient.mantissas()[n] * wave.mantissas()[n] * scale
            })
            .collect())
    }

    /// `l_n` or `s_n` of the scaled incident orders, n = 0...
    pub(super) fn coefficient(&self, mode: Mode) -> &Ladder {
        match mode {
            Mode::L => &self.longitudinal,
            Mode::S => &self.shear,
        }
    }

    /// Order at which J_n(k r) has fallen 60 neper (1e-26) below J_n(k a): no resonance lifts what
    /// comes after it. Debye's exponents of both (Abramowitz & Stegun 9.3.7).
    fn last_order_inside(&self, k: f64, radius_m: f64) -> usize {
        let (here, surface) = (k * radius_m, k * self.radius_m);
        let (mut low, mut high) = (0, self.highest_order());
        while low < high {
            let middle = (low + high) / 2;
            let n = middle as f64;
            if here > 0.0 && debye_exponent(n, here) - debye_exponent(n, surface) < 60.0 {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    }

    /// Scaled `H_n(k r)`, n = 0..=highest, at a distance outside the bar: the incident orders of a line
    /// source there, without its `i/4` and its angle.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a place inside the bar.
    pub(super) fn outer(&self, radius_m: f64, highest: usize) -> Result<Vec<Complex64>> {
        if !(radius_m.is_finite() && radius_m >= self.radius_m) {
            return Err(WaveError::OutOfRange {
                what: "the distance of a source from the bar's axis",
                value: radius_m,
                unit: "m",
                expected: "at least the bar's radius",
            });
        }
        let ladder = hankel_1(self.k_water * radius_m, highest.min(self.highest_order()))?;
        Ok((0..ladder.len()).map(|n| ladder.over(n, -self.surface[n])).collect())
    }
}

/// Order after which a field of size parameter `x` = ka has converged (turning point + 15 widths).
#[must_use]
pub fn orders_for(x: f64) -> usize {
    (x + 15.0 * x.cbrt() + 25.0).ceil() as usize
}

fn not_negative(value: f64) -> Result<f64> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(WaveError::OutOfRange {
            what: "the attenuation",
            value,
            unit: "Np/m",
            expected: "zero or more",
        })
    }
}

/// Radial function of one mode in the boundary rows.
struct Column {
    standing: Ladder,
    /// Present for the first passage: H_n, and the last order that travels.
    outgoing: Option<(Ladder, usize)>,
}

impl Column {
    fn new(x: Complex64, highest: usize, passage: Passage) -> Result<Self> {
        let outgoing = match passage {
            Passage::Full => None,
            Passage::First => {
                let last = (x.re.floor() as usize).min(highest);
                Some((hankel_1(x, (last + 1).min(highest))?, last))
            }
        };
        Ok(Self { standing: bessel_j(x, highest)?, outgoing })
    }

    /// Values of order n and n + 1 on a common exponent.
    ///
    /// For the first passage a travelling order meets the surface as the inward half
    /// `J - H/2 = H⁽²⁾/2` only: what it would send back from inside is the next passage.
    fn at(&self, n: usize) -> (Complex64, Complex64, i32) {
        let base = self.standing.exponents()[n];
        let (mut here, mut up) = (self.standing.mantissas()[n], self.standing.over(n + 1, base));
        if let Some((outgoing, last)) = &self.outgoing
            && n <= *last
        {
            here -= outgoing.over(n, base) * 0.5;
            up -= outgoing.over(n + 1, base) * 0.5;
        }
        (here, up, base)
    }
}
