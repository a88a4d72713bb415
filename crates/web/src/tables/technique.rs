//! The technique: beams, gates, firings, rules kept, what else was weighed.

use barwright_job::{
    Technique,
    technique::{Beam, Change, Gate, GateKind, Other, PlanLimit},
};
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows,
    cell::{deg, mm, percent, us, word},
    made, need, number, text, truth, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 6] = [
    Listed { name: "beams", row: "beam", title: || say!("Beams of the technique"), make: beams },
    Listed {
        name: "gates",
        row: "gate of a beam",
        title: || say!("Gates of the beams"),
        make: gates,
    },
    Listed {
        name: "firings",
        row: "beam of a firing",
        title: || say!("Firings of one cycle"),
        make: firings,
    },
    Listed { name: "plan_rules", row: "rule", title: || say!("Rules it keeps"), make: rules },
    Listed {
        name: "layouts_weighed",
        row: "technique that was not taken, best first",
        title: || say!("Techniques that were not taken, best first"),
        make: layouts,
    },
    Listed {
        name: "changes_weighed",
        row: "change of order or station, everything else as planned",
        title: || say!("What a change would buy"),
        make: changes,
    },
];

fn technique(lot: &Lot) -> Result<&Technique, super::Why> {
    need(&lot.technique, "technique").map(|sealed| &sealed.body)
}

fn beams(lot: &Lot) -> Made {
    let rows: Rows<&Beam> = technique(lot).map(|t| t.beams.iter().collect());
    made(
        rows,
        [
            whole("beam", "number of the beam, from 0", |b| b.id.into()),
            whole("probe", "its probe, from 0", |b| b.probe.into()),
            text("mode", "kind of wave in the steel: L longitudinal, S shear", |b| word(b.mode)),
            whole("first_element", "first element of the aperture, from 0", |b| {
                b.first_element.into()
            }),
            whole("elements", "elements of the aperture", |b| b.elements().into()),
            number("entry_x_mm", "mm", "where its axis enters the steel, to the right", |b| {
                mm(b.axis.entry.x)
            }),
            number("entry_y_mm", "mm", "where its axis enters the steel, upwards", |b| {
                mm(b.axis.entry.y)
            }),
            number("direction_deg", "°", "its direction there, from +x counter-clockwise", |b| {
                deg(b.axis.direction_rad)
            }),
            number("velocity_m_s", "m/s", "velocity of sound along it", |b| {
                b.axis.velocity_m_s.into()
            }),
            number("reach_mm", "mm", "length of its axis in the steel to the far wall", |b| {
                mm(b.axis.reach_m)
            }),
            number("gain_db", "dB re unit transfer", "gain before levelling", |b| b.gain_db.into()),
            number("surface_us", "µs", "nominal time of the surface echo, from firing", |b| {
                us(b.surface_time_s)
            }),
            whole("surface_beam", "beam whose surface echo it follows; empty in contact", |b| {
                b.surface_beam.into()
            }),
            number("axial_width_mm", "mm", "pulse-echo width along the bar at -6 dB", |b| {
                mm(b.axial_width_m)
            }),
        ],
    )
}

struct OfBeam<'a> {
    beam: u32,
    number: usize,
    gate: &'a Gate,
}

fn gates(lot: &Lot) -> Made {
    let rows: Rows<OfBeam<'_>> = technique(lot).map(|t| {
        t.beams
            .iter()
            .flat_map(|b| {
                b.gates.iter().enumerate().map(|(number, gate)| OfBeam { beam: b.id, number, gate })
            })
            .collect()
    });
    made(
        rows,
        [
            whole("beam", "number of the beam, from 0", |g| g.beam.into()),
            whole("gate", "number of the gate within the beam, from 0", |g| g.number.into()),
            text("kind", "what it looks for: surface, volume, crack, back_wall", |g| {
                word(g.gate.kind)
            }),
            text("counts_from", "where its times start: firing or surface", |g| {
                match g.gate.kind {
                    GateKind::Surface => "firing".into(),
                    _ => "surface".into(),
                }
            }),
            number("start_us", "µs", "start", |g| us(g.gate.start_s)),
            number("end_us", "µs", "end", |g| us(g.gate.end_s)),
            number(
                "threshold_fsh_percent",
                "% of full screen height",
                "height from which an echo counts",
                |g| percent(g.gate.threshold_fsh),
            ),
        ],
    )
}

struct Fired {
    firing: usize,
    start_s: f64,
    beam: u32,
    period_s: f64,
}

fn firings(lot: &Lot) -> Made {
    let rows: Rows<Fired> = technique(lot).map(|t| {
        let period_s = t.schedule.period_s;
        let firings = t.schedule.firings.iter().enumerate();
        firings
            .flat_map(|(firing, f)| {
                let start_s = f.start_s;
                f.beams.iter().map(move |beam| Fired { firing, start_s, beam: *beam, period_s })
            })
            .collect()
    });
    made(
        rows,
        [
            whole("firing", "number of the firing, from 0", |f| f.firing.into()),
            number("start_us", "µs", "start within the cycle", |f| us(f.start_s)),
            whole("beam", "beam that fires then", |f| f.beam.into()),
            number("period_us", "µs", "time after which the cycle starts again", |f| {
                us(f.period_s)
            }),
        ],
    )
}

fn rules(lot: &Lot) -> Made {
    made(
        technique(lot).map(|t| t.limits.iter().collect()),
        [
            text("rule", "name of the rule", |l: &&PlanLimit| (&l.rule).into()),
            text("figure", "the figure of this plan with its unit, in words", |l| {
                (&l.figure).into()
            }),
            text("allowed", "what the rule allows, in words", |l| (&l.allowed).into()),
            text("source", "where the rule comes from", |l| (&l.source).into()),
            truth("binds", "whether it keeps the line from being faster", |l| l.binds.into()),
        ],
    )
}

fn layouts(lot: &Lot) -> Made {
    made(
        technique(lot).map(|t| t.others.iter().enumerate().collect()),
        [
            whole("place", "place in the order of the search, from 0", |(k, _)| (*k).into()),
            text("layouts", "its layouts in words", |(_, o): &(usize, &Other)| (&o.words).into()),
            whole("beams", "number of its beams", |(_, o)| o.beams.into()),
            number(
                "line_speed_m_s",
                "m/s",
                "its line speed; empty where it keeps the rules at no speed",
                |(_, o)| o.line_speed_m_s.into(),
            ),
            text("why_not", "why it was not taken", |(_, o)| (&o.why_not).into()),
        ],
    )
}

fn changes(lot: &Lot) -> Made {
    let rows: Rows<(&Change, f64)> = technique(lot).map(|t| {
        let planned = t.line_speed_m_s;
        t.changes.iter().map(|change| (change, planned)).collect()
    });
    made(
        rows,
        [
            text("change", "the change, in words", |(c, _)| (&c.words).into()),
            number(
                "line_speed_m_s",
                "m/s",
                "line speed with it; empty where no technique keeps the rules",
                |(c, _)| c.line_speed_m_s.into(),
            ),
            number(
                "gain_percent",
                "%",
                "the same over the line speed of the plan",
                |(c, planned)| {
                    let gain = |v: f64| (v / planned - 1.0) * 100.0;
                    Cell::from(c.line_speed_m_s.map(gain))
                },
            ),
            text("limit", "what limits the speed then, or stops every technique", |(c, _)| {
                (&c.limit).into()
            }),
        ],
    )
}
