//! The dynamic check: the reference bar at line speed, several passes.
//!
//! Each pass is judged as a bar would be; its indications are laid against the known reflectors.
//! What lies away from all of them is plain: calls there are false, and the highest peak there is
//! the noise.

mod reserve;

use std::collections::BTreeMap;

use barwright_capture::{CaptureKind, Header, Peaks, ShotLine, Shots, Signal};
use barwright_job::{
    Finding, Hash, Rules, Sealed, Technique, Topic,
    check::{Check, ReflectorCheck},
    level::{BeamState, Level},
    proof::FlawClass,
    reference::{ReferenceBar, Reflector, Shape},
    screened::{Echo, EchoMark, LossCause},
};
use barwright_wave::Point;

use crate::{
    accounting::{Stands, account, class_of, longest_gap_m},
    coupling,
    error::{EvaluateError, Result},
    indications::{Group, alarm_fsh, group},
    place::{link_m, place},
    reading::{count_beams, db, demand_capture, demand_level, wrapped},
    repeat,
    scan::Scan,
    stretch::{Stretch, union, without},
    trends::measures,
};

/// A check in progress.
#[derive(Debug, Clone)]
pub struct Checking {
    technique: Sealed<Technique>,
    level: Sealed<Level>,
    reference: Sealed<ReferenceBar>,
    rules: Rules,
    header: Header,
    scan: Scan,
    peaks: Peaks,
}

/// One pass over the reference bar.
struct Pass {
    lines: Vec<ShotLine>,
    echoes: Vec<Echo>,
    groups: Vec<Group>,
}

/// What one pass saw of one reflector.
struct Sight {
    height_fsh: f64,
    z_m: f64,
    /// Turn of the bar as it was seen, in rad.
    turn_rad: f64,
    /// Beams that saw it, each with its largest height over the alarm's.
    beams: BTreeMap<u32, f64>,
    clipped: bool,
}

impl Checking {
    /// Starts a check.
    ///
    /// # Errors
    /// [`EvaluateError::OtherOrigin`] for a capture, level or reference bar of another technique,
    /// or a capture taken with another level; [`EvaluateError::WrongCapture`] for one that is not
    /// of the reference bar at line speed, and for one whose record or gains do not fit.
    pub fn new(
        technique: &Sealed<Technique>,
        level: &Sealed<Level>,
        reference: &Sealed<ReferenceBar>,
        rules: &Rules,
        header: &Header,
    ) -> Result<Self> {
        reference.demand(&reference.body.name, "technique", &technique.hash)?;
        level.demand("level", "technique", &technique.hash)?;
        let wanted = "the reference bar at line speed";
        demand_capture("the check", &[CaptureKind::Check], wanted, technique, header)?;
        let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
        demand_level(header, &level.hash, &gains)?;
        Ok(Self {
            scan: Scan::new(&technique.body, Signal::default()),
            peaks: Peaks::default(),
            technique: technique.clone(),
            level: level.clone(),
            reference: reference.clone(),
            rules: rules.clone(),
            header: header.clone(),
        })
    }

    /// Reads a run of shots.
    ///
    /// # Errors
    /// [`EvaluateError::Shots`] when the run does not hold together.
    pub fn push(&mut self, shots: &Shots) -> Result<()> {
        let peaks = self.scan.read(&shots.run())?;
        self.peaks.append(peaks);
        Ok(())
    }

    /// Ends the check; `capture` is the hash of the capture read.
    ///
    /// # Errors
    /// [`EvaluateError::Empty`] when no shot was read.
    pub fn finish(mut self, capture: Hash) -> Result<Sealed<Check>> {
        if self.peaks.lines.is_empty() {
            return Err(EvaluateError::Empty);
        }
        coupling::mark(&self.technique.body, &mut self.peaks);
        let passes = self.passes();
        let zones = self.zones();
        let plain = self.plain(&zones);
        let noise_fsh = self.noise_fsh(&passes, &plain);
        let false_calls = passes
            .iter()
            .map(|p| p.groups.iter().filter(|g| is_plain(p, g, &plain)).count() as u32)
            .sum();
        let mut failed = Vec::new();
        let reflectors: Vec<ReflectorCheck> = self
            .reference
            .body
            .reflectors
            .iter()
            .zip(&zones)
            .filter_map(|(r, zone)| self.reflector(r, *zone, &passes, noise_fsh, &mut failed))
            .collect();
        let line_speed_m_s = line_speed_m_s(&passes);
        failed.extend(self.pass_findings(&passes, false_calls));
        let repeatability = repeat::repeatability(&reflectors);
        if let (Some(r), Some(limit)) = (repeatability, self.rules.check.repeatability_db)
            && r.upper_db > limit
        {
            failed.push(Finding::new(
                Topic::Validity,
                format!(
                    "heights scatter by {:.2} dB from pass to pass (standard deviation, at most \
                     {:.2} dB with 95 % confidence), allowed are {limit:.2} dB",
                    r.deviation_db, r.upper_db
                ),
            ));
        }
        let good = failed.is_empty();
        let mut findings = failed;
        findings.extend(self.coupling_findings(&passes));
        let flaws = self.reference.body.reflectors.iter().zip(&zones);
        let reserves_db: Vec<f64> = flaws
            .filter(|(r, _)| class_of_shape(r.shape).is_some())
            .zip(&reflectors)
            .map(|((r, zone), c)| self.reserve_db(r, *zone, &passes, c))
            .collect();
        let measures = measures::of_check(&measures::Checked {
            technique: &self.technique.body,
            level: &self.level.body,
            target_fsh: self.rules.level.target_fsh_percent / 100.0,
            peaks: &self.peaks,
            passes: passes.len() as u32,
            reflectors: &reflectors,
            reserves_db: &reserves_db,
            noise_fsh,
            false_calls,
        });
        let body = Check {
            passes: passes.len() as u32,
            line_speed_m_s,
            reflectors,
            noise_fsh,
            false_calls,
            repeatability,
            good,
            findings,
            measures,
        };
        Ok(Sealed::seal(
            body,
            [
                ("technique", self.technique.hash),
                ("level", self.level.hash),
                ("reference_bar", self.reference.hash),
                ("rules", self.rules.hash()),
                ("capture", capture),
            ],
        ))
    }

    fn passes(&self) -> Vec<Pass> {
        let mut passes: BTreeMap<u16, (Vec<ShotLine>, Vec<Echo>)> = BTreeMap::new();
        for (line, own) in self.peaks.shots() {
            let (lines, echoes) = passes.entry(line.pass).or_default();
            lines.push(*line);
            echoes.extend_from_slice(own);
        }
        passes
            .into_values()
            .map(|(lines, echoes)| Pass {
                groups: group(&self.technique.body, &self.rules, &echoes).confirmed,
                lines,
                echoes,
            })
            .collect()
    }

    /// The stretch of each reflector with what its echoes may spread over: the widest beam, three
    /// shots and the accepted error of place on either side.
    fn zones(&self) -> Vec<Stretch> {
        let t = &self.technique.body;
        let widest = t.beams.iter().map(|b| b.axial_width_m).fold(0.0, f64::max);
        let around = 1.5 * widest + 3.0 * t.pulse_spacing_m + self.rules.check.place_mm / 1e3;
        let reach = |r: &Reflector| match r.shape {
            Shape::FlatBottomedHole { diameter_m } => diameter_m / 2.0,
            Shape::SideDrilledHole { length_m, .. } | Shape::Notch { length_m, .. } => {
                length_m / 2.0
            }
            Shape::BackWall => 0.0,
        };
        self.reference
            .body
            .reflectors
            .iter()
            .map(|r| Stretch::new(r.z_m - reach(r) - around, r.z_m + reach(r) + around))
            .collect()
    }

    /// Stretches between the ends and away from all reflectors.
    fn plain(&self, zones: &[Stretch]) -> Vec<Stretch> {
        let end = self.technique.body.unguided_end_m;
        let guided = Stretch::new(end, (self.header.length_m - end).max(end));
        without(guided, &union(zones.to_vec()))
    }

    fn noise_fsh(&self, passes: &[Pass], plain: &[Stretch]) -> f64 {
        let beams = &self.technique.body.beams;
        passes
            .iter()
            .flat_map(|p| &p.echoes)
            .filter(|e| {
                let gate = &beams[e.beam as usize].gates[e.gate as usize];
                class_of(gate.kind).is_some()
                    && e.mark != EchoMark::CouplingLost
                    && plain.iter().any(|s| holds(s, e.z_m))
            })
            .map(|e| f64::from(e.height_fsh))
            .fold(0.0, f64::max)
    }

    /// How the passes saw one reflector; absent for a back wall, which is no flaw. Failed limits
    /// are added to `failed`.
    fn reflector(
        &self,
        r: &Reflector,
        zone: Stretch,
        passes: &[Pass],
        noise_fsh: f64,
        failed: &mut Vec<Finding>,
    ) -> Option<ReflectorCheck> {
        let class = class_of_shape(r.shape)?;
        let sights: Vec<Option<Sight>> =
            passes.iter().map(|p| self.sight(r, class, zone, p)).collect();
        let seen: Vec<&Sight> = sights.iter().flatten().collect();
        let low = seen.iter().map(|s| s.height_fsh).fold(f64::MAX, f64::min);
        let high = seen.iter().map(|s| s.height_fsh).fold(0.0, f64::max);
        let any = !seen.is_empty();
        let spread_db = if any { db(high / low) } else { 0.0 };
        // Silence is taken as one count of the samples, so that the ratio stays a number.
        let quiet = noise_fsh.max(self.header.record.full_scale_fsh / f64::from(i16::MAX));
        let signal_to_noise_db = if any { db(low / quiet) } else { 0.0 };
        let place_error_m = seen.iter().map(|s| (s.z_m - r.z_m).abs()).fold(0.0, f64::max);
        let mut beams: Vec<u32> = seen.iter().flat_map(|s| s.beams.keys().copied()).collect();
        beams.sort_unstable();
        beams.dedup();
        let limit = &self.rules.check;
        let mut fail = |topic, message: String| {
            let finding = Finding::new(topic, format!("reflector {}: {message}", r.name));
            failed.push(finding.stretch(zone.from_m, zone.to_m));
        };
        if seen.len() < passes.len() {
            fail(Topic::Missing, format!("called in {} of {} passes", seen.len(), passes.len()));
        }
        let unsteady = unsteady(&beams, &seen);
        if !unsteady.is_empty() {
            fail(
                Topic::Missing,
                format!(
                    "{} saw it 3 dB over the alarm in one pass and not at all in another: {}",
                    count_beams(unsteady.len()),
                    unsteady.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
                ),
            );
        }
        if seen.iter().any(|s| s.clipped) {
            fail(
                Topic::Clipped,
                "its echo was at full scale, so that its heights tell nothing".into(),
            );
        }
        if any && spread_db > limit.spread_db {
            fail(
                Topic::Validity,
                format!(
                    "heights spread over {spread_db:.1} dB, allowed are {:.1} dB",
                    limit.spread_db
                ),
            );
        }
        if any && signal_to_noise_db < limit.signal_to_noise_db {
            fail(
                Topic::Validity,
                format!(
                    "stands {signal_to_noise_db:.1} dB over the noise, {:.1} dB are asked for",
                    limit.signal_to_noise_db
                ),
            );
        }
        if place_error_m * 1e3 > limit.place_mm {
            fail(
                Topic::Validity,
                format!(
                    "placed {:.1} mm off along the bar, allowed are {:.1} mm",
                    place_error_m * 1e3,
                    limit.place_mm
                ),
            );
        }
        Some(ReflectorCheck {
            name: r.name.clone(),
            found: seen.len() as u32,
            heights_fsh: sights.iter().map(|s| s.as_ref().map(|s| s.height_fsh)).collect(),
            beams,
            unsteady,
            spread_db,
            place_error_m,
            signal_to_noise_db,
        })
    }

    /// What one pass saw of a reflector: the confirmed echoes of its class at its place.
    fn sight(&self, r: &Reflector, class: FlawClass, zone: Stretch, pass: &Pass) -> Option<Sight> {
        let t = &self.technique.body;
        let members: Vec<&Echo> = pass
            .groups
            .iter()
            .filter(|g| g.class == class)
            .flat_map(|g| &g.members)
            .map(|&m| &pass.echoes[m])
            .filter(|e| self.belongs(r, zone, e))
            .collect();
        let height_fsh = members.iter().map(|e| f64::from(e.height_fsh)).fold(0.0, f64::max);
        let (mut sum, mut weight) = (0.0, 0.0);
        for e in &members {
            let h = f64::from(e.height_fsh);
            if h >= 0.5 * height_fsh {
                sum += e.z_m * h * h;
                weight += h * h;
            }
        }
        (!members.is_empty()).then(|| Sight {
            height_fsh,
            z_m: sum / weight,
            turn_rad: members.first().map_or(0.0, |e| f64::from(e.turn_rad)),
            beams: members.iter().fold(BTreeMap::new(), |mut all, e| {
                let gate = &t.beams[e.beam as usize].gates[e.gate as usize];
                let over = f64::from(e.height_fsh) / alarm_fsh(&self.rules, gate.threshold_fsh);
                let own: &mut f64 = all.entry(e.beam).or_default();
                *own = own.max(over);
                all
            }),
            clipped: members.iter().any(|e| e.mark == EchoMark::Clipped),
        })
    }

    /// Whether an echo lies at a reflector.
    fn belongs(&self, r: &Reflector, zone: Stretch, e: &Echo) -> bool {
        let t = &self.technique.body;
        let there = match t.section {
            barwright_job::technique::Section::Flat { .. } => Point::new(0.0, -r.radius_m),
            _ => Point::polar(r.radius_m, r.angle_rad),
        };
        let beam = &t.beams[e.beam as usize];
        let kind = beam.gates[e.gate as usize].kind;
        let at = place(&t.section, beam, kind, e.after_surface_s, f64::from(e.turn_rad));
        // A beam at its edge lays the echo half a beam beside the reflector.
        holds(&zone, e.z_m) && at.distance(there) <= 1.5 * link_m(t, kind)
    }

    /// By how much the echoes of a reflector may fall until the check fails for it, in dB: until a pass calls
    /// it no more, or it stands too little over the noise.
    fn reserve_db(&self, r: &Reflector, zone: Stretch, passes: &[Pass], c: &ReflectorCheck) -> f64 {
        let class = class_of_shape(r.shape).unwrap_or(FlawClass::Disc);
        let over_noise_db = c.signal_to_noise_db - self.rules.check.signal_to_noise_db;
        let called_db = passes.iter().map(|p| {
            // What lies farther off along the bar belongs to no group of this reflector.
            let wide = Stretch::new(zone.from_m - zone.length_m(), zone.to_m + zone.length_m());
            let near: Vec<Echo> =
                p.echoes.iter().filter(|e| holds(&wide, e.z_m)).copied().collect();
            let belongs = |e: &Echo| self.belongs(r, zone, e);
            reserve::reserve_db(&self.technique.body, &self.rules, class, &near, belongs)
        });
        called_db.fold(over_noise_db, f64::min)
    }

    /// Limits on the passes as a whole that were not met.
    fn pass_findings(&self, passes: &[Pass], false_calls: u32) -> Vec<Finding> {
        let mut out = Vec::new();
        let wanted = self.rules.check.passes;
        if (passes.len() as u64) < u64::from(wanted) {
            out.push(Finding::new(
                Topic::Missing,
                format!("{} passes, {wanted} are asked for", passes.len()),
            ));
        }
        if false_calls > 0 {
            let lowest = self
                .technique
                .body
                .beams
                .iter()
                .flat_map(|b| &b.gates)
                .filter(|g| class_of(g.kind).is_some())
                .map(|g| alarm_fsh(&self.rules, g.threshold_fsh))
                .fold(1.0, f64::min);
            out.push(Finding::new(
                Topic::FalseCall,
                format!(
                    "{false_calls} calls over {:.0} % FSH where the reference bar is plain",
                    lowest * 100.0
                ),
            ));
        }
        if !self.level.body.good {
            out.push(Finding::new(
                Topic::Assumed,
                "the level loaded is not good: not every beam was shown inside its band",
            ));
        }
        let lost = self.lost(passes);
        if lost.iter().any(|l| l.0 == LossCause::MissedCycle) {
            let (from, to) = lost
                .iter()
                .filter(|l| l.0 == LossCause::MissedCycle)
                .fold((f64::MAX, f64::MIN), |(f, t), l| (f.min(l.1.from_m), t.max(l.1.to_m)));
            out.push(
                Finding::new(
                    Topic::MissedCycle,
                    format!(
                        "shots of a beam lay further apart than {:.1} mm",
                        1e3 * longest_gap_m(
                            &self.technique.body,
                            self.rules.not_inspected.longest_gap_mm
                        )
                    ),
                )
                .stretch(from, to),
            );
        }
        out
    }

    fn coupling_findings(&self, passes: &[Pass]) -> Vec<Finding> {
        let stretches = self
            .lost(passes)
            .into_iter()
            .filter(|l| l.0 == LossCause::Coupling)
            .map(|l| l.1)
            .collect();
        union(stretches)
            .into_iter()
            .map(|s| {
                Finding::new(
                    Topic::CouplingLost,
                    format!(
                        "the surface echo was lost between {:.0} and {:.0} mm",
                        s.from_m * 1e3,
                        s.to_m * 1e3
                    ),
                )
                .stretch(s.from_m, s.to_m)
            })
            .collect()
    }

    /// What was lost between the ends, over all passes, for the beams that are level.
    fn lost(&self, passes: &[Pass]) -> Vec<(LossCause, Stretch)> {
        let t = &self.technique.body;
        let gap = longest_gap_m(t, self.rules.not_inspected.longest_gap_mm);
        // Beams beyond repair are told by the level; here the passes are judged.
        let dead: Vec<u32> = self
            .level
            .body
            .beams
            .iter()
            .filter(|b| matches!(b.state, BeamState::Missing | BeamState::OutOfReach))
            .map(|b| b.beam)
            .collect();
        passes
            .iter()
            .flat_map(|p| account(t, Stands::of(t, &p.lines), self.header.length_m, gap, &[]).lost)
            .filter(|l| l.cause != LossCause::End && !l.beams.iter().all(|b| dead.contains(b)))
            .map(|l| (l.cause, Stretch::new(l.from_m, l.to_m)))
            .collect()
    }
}

/// Height over the alarm's from which a beam sees a reflector clearly: 3 dB, three times what the place of a
/// reflector between two shots makes.
const CLEARLY: f64 = 1.41;
/// Turn within which two passes show a reflector to the same beams, in rad: 2 degrees, half the width of a
/// beam at the surface of a bar of 40 mm.
const SAME_TURN_RAD: f64 = 0.035;

/// Beams that stand clearly over the alarm in one pass and do not see the reflector in another with the bar
/// turned alike: too much for the play of a place between two shots.
fn unsteady(beams: &[u32], seen: &[&Sight]) -> Vec<u32> {
    beams
        .iter()
        .copied()
        .filter(|b| {
            let clear = |s: &&&Sight| s.beams.get(b).is_some_and(|over| *over >= CLEARLY);
            seen.iter().filter(clear).any(|clear| {
                let alike =
                    |s: &&&Sight| wrapped(s.turn_rad - clear.turn_rad).abs() <= SAME_TURN_RAD;
                seen.iter().filter(alike).any(|s| !s.beams.contains_key(b))
            })
        })
        .collect()
}

/// Flaw class that a reflector stands for; none for a back wall, which is no flaw.
fn class_of_shape(shape: Shape) -> Option<FlawClass> {
    match shape {
        Shape::FlatBottomedHole { .. } | Shape::SideDrilledHole { .. } => Some(FlawClass::Disc),
        Shape::Notch { .. } => Some(FlawClass::Crack),
        Shape::BackWall => None,
    }
}

fn holds(s: &Stretch, z_m: f64) -> bool {
    (s.from_m..=s.to_m).contains(&z_m)
}

/// Whether all echoes of a group lie on plain stretches.
fn is_plain(pass: &Pass, group: &Group, plain: &[Stretch]) -> bool {
    group.members.iter().all(|&m| plain.iter().any(|s| holds(s, pass.echoes[m].z_m)))
}

/// Mean speed over the passes, from first to last shot of each.
fn line_speed_m_s(passes: &[Pass]) -> f64 {
    let (mut way, mut time) = (0.0, 0.0);
    for p in passes {
        if let (Some(a), Some(b)) = (p.lines.first(), p.lines.last()) {
            way += (b.z_m - a.z_m).abs();
            time += b.time_s - a.time_s;
        }
    }
    if time > 0.0 { way / time } else { 0.0 }
}
