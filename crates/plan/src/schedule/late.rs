//! What one firing leaves in bar and water, as another beam's receiver hears it.
//!
//! Levels are estimates by ray tubes; `tests/late_echoes.rs` holds them against the exact field.

use std::f64::consts::{FRAC_PI_2, PI};

use barwright_job::technique::Section;
use barwright_wave::Mode;

use super::view::View;
use crate::bench::Bench;
use crate::echo::{db, turn};

/// Loss in dB at the face of a probe of what comes back from the surface: a face matched to water
/// returns a quarter (common practice, no source).
const FACE_LOSS_DB: f64 = 12.0;
/// By how much the line pattern understates the water's near field, in dB (held against the exact
/// field).
const NEAR_FIELD_DB: f64 = 8.0;
/// Most that a way can gain by being shorter than straight passages, in dB.
const SHORT_CHORD_DB: f64 = 12.0;
/// Most trips through the water and passages of the section that are followed.
const MOST: (u32, u32) = (12, 600);

/// The way of a late echo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// Echo of the surface, after so many trips between probe and bar.
    Surface {
        /// Trips, the first one included.
        trips: u32,
    },
    /// A wave that crossed the section.
    Passages {
        /// Kind of wave.
        mode: Mode,
        /// Times it crossed the section; odd: through-transmitted on its axis.
        legs: u32,
        /// Further trips through the water.
        trips: u32,
    },
}

/// Something that arrives late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Late {
    /// When, in s after the firing that sent it.
    pub after_s: f64,
    /// By how much it may come earlier or later over the tolerances, in s.
    pub play_s: f64,
    /// Transfer at the receiver, dB re unit transfer.
    pub level_db: f64,
    /// Its way.
    pub cause: Cause,
}

/// Section, water and tolerances of a bench, as late echoes need them.
#[derive(Debug, Clone, Copy)]
pub struct Surround {
    section: Section,
    probes: usize,
    water_m_s: f64,
    frequency_hz: f64,
    /// Diameter tolerance over the diameter.
    size: f64,
    /// Change of a surface time in s: bar off centre, and over or under size.
    off_s: f64,
    /// The same by the water's temperature, over the time itself.
    warm: f64,
}

impl Surround {
    /// `None` in contact: what a probe takes up there is not known, and the block stands still.
    #[must_use]
    pub fn of(bench: &Bench<'_>) -> Option<Self> {
        let water = bench.nominal.media.water?;
        let tolerance_m = crate::gates::tolerance_m(bench);
        let off_m = bench.station.line.centring_mm * 1e-3 + tolerance_m / 2.0;
        let kelvin = match bench.station.coupling {
            barwright_job::station::Coupling::Water(w) => w.tolerance_k,
            barwright_job::station::Coupling::Contact(_) => 0.0,
        };
        Some(Self {
            section: bench.nominal.section,
            probes: bench.probes.len(),
            water_m_s: water.velocity_m_s,
            frequency_hz: bench.pulse.centre_hz,
            size: tolerance_m / (2.0 * bench.nominal.section.half_extent_m()),
            off_s: 2.0 * off_m / water.velocity_m_s,
            // Velocity of water changes by less than 0.35 % in a kelvin between 0 and 95 °C.
            warm: 0.0035 * kelvin,
        })
    }

    /// Whether the section alone forbids that two beams fire together.
    ///
    /// Square bars: probes that face each other, and shear beams of neighbouring probes (kept
    /// conservative: their late echoes are followed on the normal of a face only).
    #[must_use]
    pub fn forbids_together(&self, a: &View, b: &View) -> bool {
        match self.section {
            Section::Round { .. } | Section::Flat { .. } => false,
            Section::Square { .. } => {
                let apart = (a.probe as usize).abs_diff(b.probe as usize);
                let ring = apart.min(self.probes.saturating_sub(apart));
                2 * ring == self.probes || (a.mode == Mode::S && ring <= 1)
            }
        }
    }

    /// The angle in the steel, from the inward normal and nearest to the beam's own, under which a
    /// wave of beam `a` comes to the entry of beam `b` after so many passages, and the step to the
    /// others; `None` where none does.
    ///
    /// Round: equal chords; one of angle s leads π + 2 s on around the rim. Each entry lies `2 lead`
    /// further for every trip through the water. Others: longitudinal waves on the normal, to the
    /// probe's own face or the one that faces it.
    fn nearest(&self, a: &View, b: &View, legs: u32, trips: u32) -> Option<(f64, f64)> {
        let (k, slant) = (f64::from(legs), a.slant_rad);
        let apart = turn(b.entry_rad - a.entry_rad - 2.0 * f64::from(trips) * a.lead_rad);
        if let Section::Round { .. } = self.section {
            let winding = ((k * (PI + 2.0 * slant) - apart) / (2.0 * PI)).round();
            return Some(((apart + 2.0 * PI * winding - k * PI) / (2.0 * k), PI / k));
        }
        let face = if legs % 2 == 1 { turn(apart + PI) } else { apart };
        (face.abs() < PI / 4.0 && a.mode == Mode::L).then_some((0.0, PI))
    }

    /// Everything of beam `a` that reaches the receiver of beam `b` at `floor_db` or more.
    #[must_use]
    pub fn late(&self, a: &View, b: &View, floor_db: f64) -> Vec<Late> {
        let mut all = Vec::new();
        let zero = (a.surface_s + b.surface_s) / 2.0;
        let elsewhere = if a.probe == b.probe { 0.0 } else { self.off_s };
        for trips in 0..MOST.0 {
            let t = f64::from(trips);
            let water_s = zero + t * a.surface_s;
            let lost_db = t * (FACE_LOSS_DB + a.water_loss_db);
            let play = elsewhere + t * (self.off_s + self.warm * a.surface_s);
            let surface_db =
                a.surface_db - lost_db - self.axial_db(a, t, 0.0) - self.missed_db(a, b, trips);
            if surface_db >= floor_db {
                all.push(Late {
                    after_s: water_s,
                    play_s: play,
                    level_db: surface_db,
                    cause: Cause::Surface { trips: trips + 1 },
                });
            }
            // As many trips can be taken before as between the passages.
            let many_db = 10.0 * (t + 1.0).log10();
            let first_db = a.returned_db + many_db - lost_db + a.leg_loss_db + SHORT_CHORD_DB;
            if surface_db.max(first_db) < floor_db {
                break;
            }
            for legs in 1..MOST.1 {
                let k = f64::from(legs);
                let sent_db = a.returned_db + many_db - lost_db - (k - 2.0) * a.leg_loss_db;
                // Chords of a sixteenth of the diameter, which spread this much less, leave under
                // more than 86 degrees, where the pattern has taken more than that off.
                let most_db = sent_db - 10.0 * (k / 2.0).log10() + SHORT_CHORD_DB;
                if most_db < floor_db && legs > 2 {
                    break;
                }
                let Some((first, step)) = self.nearest(a, b, legs, trips) else {
                    continue;
                };
                for side in [1.0, -1.0] {
                    let mut slant = if side > 0.0 { first } else { first - step };
                    while slant.abs() < FRAC_PI_2 {
                        let sent_so_db = self.pattern_db(a, slant, a.velocity_m_s);
                        // Further off the axis the beam only sends less.
                        if most_db + sent_so_db < floor_db {
                            break;
                        }
                        let heard_db = sent_so_db + self.pattern_db(b, -slant, a.velocity_m_s);
                        if most_db + heard_db >= floor_db {
                            let way_m = k * self.leg_m(a, slant);
                            let level_db = sent_db + heard_db
                                - 10.0 * (way_m / (2.0 * a.reach_m)).max(1e-3).log10()
                                - self.axial_db(a, t, way_m);
                            if level_db >= floor_db {
                                all.push(Late {
                                    after_s: water_s + way_m / a.velocity_m_s,
                                    play_s: play + self.size * way_m / a.velocity_m_s,
                                    level_db,
                                    cause: Cause::Passages { mode: a.mode, legs, trips },
                                });
                            }
                        }
                        slant += side * step;
                    }
                }
            }
        }
        all
    }

    fn leg_m(&self, a: &View, slant_rad: f64) -> f64 {
        match self.section {
            Section::Round { radius_m } => 2.0 * radius_m * slant_rad.cos(),
            _ => a.reach_m,
        }
    }

    /// Loss in dB by spreading along the bar against two passages: beyond the near field of the
    /// element's length the level falls with the sum of way times wavelength.
    #[must_use]
    pub fn axial_db(&self, a: &View, trips: f64, steel_m: f64) -> f64 {
        let spread = |trips: f64, steel: f64| {
            let way = (trips + 1.0) * a.surface_s * self.water_m_s * self.water_m_s
                + steel * a.velocity_m_s;
            (way / self.frequency_hz).max(a.length_m * a.length_m / 4.0).max(1e-12)
        };
        10.0 * (spread(trips, steel_m) / spread(0.0, 2.0 * a.reach_m)).log10().max(0.0)
    }

    /// Level at which an aperture sends or hears under an angle that is not its own, in dB re its own:
    /// the envelope 1/u of a line source, u = π w f |difference of slowness along the surface|.
    fn pattern_db(&self, beam: &View, slant_rad: f64, velocity_m_s: f64) -> f64 {
        let off = slant_rad.sin() / velocity_m_s - beam.slant_rad.sin() / beam.velocity_m_s;
        -db((PI * beam.footprint_m * self.frequency_hz * off.abs()).max(1.0))
    }

    /// Loss in dB of a surface echo that comes back beside the receiving aperture or under another
    /// angle than it listens to; the larger of both.
    fn missed_db(&self, a: &View, b: &View, trips: u32) -> f64 {
        let surface_m = match self.section {
            Section::Round { radius_m } => radius_m,
            _ => a.radius_m - a.surface_s * self.water_m_s / 2.0,
        };
        let turned = -self.pattern_db(b, -a.slant_rad, a.velocity_m_s);
        if a.shares_elements(b) {
            return if trips == 0 { turned } else { 0.0 };
        }
        let n = f64::from(trips + 1);
        let hits = turn(b.entry_rad - a.entry_rad - 2.0 * f64::from(trips) * a.lead_rad) / n;
        let (sin, cos) = (hits.abs() / 2.0).sin_cos();
        let aside = (surface_m * sin).atan2(a.radius_m - surface_m * cos);
        let u = |v: &View| {
            db((PI * v.width_m * self.frequency_hz * aside.sin() / self.water_m_s).max(1.0))
        };
        let beside = (u(a) + u(b) - NEAR_FIELD_DB).max(0.0);
        turned.max(beside)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROUND: Section = Section::Round { radius_m: 0.02 };
    const SQUARE: Section = Section::Square { side_m: 0.04, corner_radius_m: 0.002 };

    fn surround(section: Section, probes: usize) -> Surround {
        Surround {
            section,
            probes,
            water_m_s: 1490.0,
            frequency_hz: 5e6,
            size: 0.0,
            off_s: 0.0,
            warm: 0.0,
        }
    }

    fn view(probe: u32, entry_deg: f64, mode: Mode, slant_deg: f64) -> View {
        View {
            id: probe,
            probe,
            elements: (0, 16),
            mode,
            entry_rad: entry_deg.to_radians(),
            slant_rad: slant_deg.to_radians(),
            lead_rad: 0.0,
            footprint_m: 3.4e-3,
            width_m: 9.6e-3,
            radius_m: 0.06,
            length_m: 12e-3,
            surface_s: 52e-6,
            velocity_m_s: if mode == Mode::L { 5920.0 } else { 3255.0 },
            reach_m: 0.04,
            returned_db: -72.0,
            surface_db: -40.0,
            leg_loss_db: 1.0,
            water_loss_db: 0.6,
            windows: Vec::new(),
        }
    }

    // Truth: closed form (inscribed angles). 1e-12: rounding.
    #[test]
    fn chords_meet_their_inscribed_angles() {
        let s = surround(ROUND, 6);
        let own = view(0, 0.0, Mode::L, 0.0);
        for (entry_deg, legs, slant_deg) in
            [(180.0, 1, 0.0), (60.0, 1, -60.0), (0.0, 2, 0.0), (60.0, 2, 15.0), (60.0, 4, 7.5)]
        {
            let there = view(1, entry_deg, Mode::L, 0.0);
            let (slant, _) = s.nearest(&own, &there, legs, 0).expect("a chord");
            assert!((slant - f64::to_radians(slant_deg)).abs() < 1e-12, "{entry_deg} {legs}");
        }
        // Shear waves at 45 degrees are back after four chords.
        let shear = view(0, 0.0, Mode::S, 45.0);
        let (slant, _) = s.nearest(&shear, &shear, 4, 0).expect("a chord");
        assert!((slant - 45f64.to_radians()).abs() < 1e-12);
    }

    // Truth: closed form. The second round trip comes 2 D/c after the first and is lower by two legs'
    // loss, 3.01 dB of the section and what spreads along the bar. 1e-9: rounding.
    #[test]
    fn round_trips_lose_what_they_must() {
        let s = surround(ROUND, 6);
        let own = view(0, 0.0, Mode::L, 0.0);
        let late = s.late(&own, &own, -130.0);
        let find = |n: u32| {
            let on_axis = |l: &&Late| {
                let trip = 52e-6 + f64::from(n) * 0.04 / 5920.0;
                matches!(l.cause, Cause::Passages { legs, trips: 0, .. } if legs == n)
                    && (l.after_s - trip).abs() < 1e-12
            };
            *late.iter().find(on_axis).expect("an echo")
        };
        let (first, second) = (find(2), find(4));
        let along = s.axial_db(&own, 0.0, 0.16);
        assert!((first.level_db - own.returned_db).abs() < 1e-9);
        let lost = first.level_db - second.level_db;
        assert!((lost - 2.0 - 10.0 * 2f64.log10() - along).abs() < 1e-9, "{lost}");
        // Nothing under the floor is told, and a lower floor tells more.
        assert!(late.iter().all(|l| l.level_db >= -130.0));
        assert!(s.late(&own, &own, -110.0).len() < late.len());
    }

    // Truth: the rule itself. Round bars leave it to the levels.
    #[test]
    fn square_bars_keep_facing_probes_and_neighbouring_shear_beams_apart() {
        let at = |p: u32, mode, slant| view(p, 90.0 * f64::from(p), mode, slant);
        let (square, round) = (surround(SQUARE, 4), surround(ROUND, 4));
        let apart = |p, q, mode, slant| {
            let (a, b) = (at(p, mode, slant), at(q, mode, slant));
            assert!(!round.forbids_together(&a, &b));
            square.forbids_together(&a, &b)
        };
        assert!(apart(0, 2, Mode::L, 0.0) && apart(3, 1, Mode::L, 0.0));
        assert!(!apart(0, 1, Mode::L, 0.0));
        assert!(apart(0, 1, Mode::S, 45.0) && apart(3, 0, Mode::S, 45.0));
        // Longitudinal waves go to the own face and the facing one, and to no other.
        let own = at(0, Mode::L, 0.0);
        let reach = |p, legs| square.nearest(&own, &at(p, Mode::L, 0.0), legs, 0).is_some();
        assert!(reach(0, 2) && reach(2, 1) && !reach(1, 1) && !reach(1, 2) && !reach(0, 1));
    }
}
