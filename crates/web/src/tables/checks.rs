//! The checks: the limits, each check, each reflector pass by pass.

use barwright_job::{
    Sealed,
    check::{Check, ReflectorCheck},
    rules::CheckRule,
};
use barwright_phrase::say;

use super::{
    Listed, Made, Rows, Why,
    cell::{list, mm, percent},
    listed, made, need, number, text, truth, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 4] = [
    Listed {
        name: "check_limits",
        row: "limit of the rules in force",
        title: || say!("Limits of a check"),
        make: limits,
    },
    Listed { name: "checks", row: "check", title: || say!("Checks"), make: checks },
    Listed {
        name: "check_reflectors",
        row: "reflector of a check",
        title: || say!("Reflectors, all passes of a check together"),
        make: reflectors,
    },
    Listed {
        name: "check_heights",
        row: "reflector in a pass of a check",
        title: || say!("Reflectors, pass by pass"),
        make: heights,
    },
];

type Limit = (&'static str, &'static str, Option<f64>);

fn limits(lot: &Lot) -> Made {
    let of = |c: &CheckRule| -> Vec<Limit> {
        vec![
            ("check.passes", "1", Some(c.passes.into())),
            ("check.spread_db", "dB", Some(c.spread_db)),
            ("check.signal_to_noise_db", "dB", Some(c.signal_to_noise_db)),
            ("check.place_mm", "mm", Some(c.place_mm)),
            ("check.repeatability_db", "dB", c.repeatability_db),
            ("check.interval_h", "h", Some(c.interval_h)),
        ]
    };
    made(
        need(&lot.rules, "acceptance rules").map(|r| of(&r.check)),
        [
            text("limit", "key of the limit in the rules", |(key, ..)| (*key).into()),
            number(
                "allowed",
                "see the next column",
                "what is allowed; empty where not judged",
                |l| l.2.into(),
            ),
            text("unit", "unit of what is allowed", |(_, unit, _)| (*unit).into()),
        ],
    )
}

type Named<'a> = (&'a str, &'a Sealed<Check>);

fn all(lot: &Lot) -> Rows<Named<'_>> {
    listed(lot)?;
    if lot.checks.is_empty() {
        return Err(Why::Absent("there is no check yet".into()));
    }
    lot.checks.iter().map(|(name, doc)| Ok((name.as_str(), need(doc, "check")?))).collect()
}

fn checks(lot: &Lot) -> Made {
    made(
        all(lot),
        [
            text("check", "name of the check", |(name, _)| (*name).into()),
            truth("good", "whether it met all limits of its rules", |(_, c)| c.body.good.into()),
            whole("passes", "passes evaluated", |(_, c)| c.body.passes.into()),
            number("line_speed_m_s", "m/s", "line speed as seen in the capture", |(_, c)| {
                c.body.line_speed_m_s.into()
            }),
            whole("false_calls", "calls on plain stretches, all passes together", |(_, c)| {
                c.body.false_calls.into()
            }),
            number(
                "noise_fsh_percent",
                "% of full screen height",
                "peak of the noise on the plain stretches",
                |(_, c)| percent(c.body.noise_fsh),
            ),
            number(
                "repeatability_db",
                "dB",
                "standard deviation of a height from pass to pass; empty where nothing was seen twice",
                |(_, c)| c.body.repeatability.map(|r| r.deviation_db).into(),
            ),
            number(
                "repeatability_upper_db",
                "dB",
                "the same, not exceeded with 95 % confidence",
                |(_, c)| c.body.repeatability.map(|r| r.upper_db).into(),
            ),
            number(
                "two_passes_db",
                "dB",
                "difference that two passes exceed once in twenty",
                |(_, c)| c.body.repeatability.map(|r| r.two_passes_db).into(),
            ),
            whole("degrees_of_freedom", "readings less reflectors", |(_, c)| {
                c.body.repeatability.map(|r| r.degrees).into()
            }),
            text("technique", "hash of the technique that it was made with", |(_, c)| {
                c.made_from.get("technique").map(|h| h.0.as_str()).into()
            }),
            text("level", "hash of the level that it was made with", |(_, c)| {
                c.made_from.get("level").map(|h| h.0.as_str()).into()
            }),
            text("document", "hash of the check", |(_, c)| c.hash.0.as_str().into()),
        ],
    )
}

type Seen<'a> = (&'a str, &'a ReflectorCheck);

fn reflectors(lot: &Lot) -> Made {
    let rows: Rows<Seen<'_>> = all(lot).map(|checks| {
        let all = checks.into_iter();
        all.flat_map(|(name, c)| c.body.reflectors.iter().map(move |r| (name, r))).collect()
    });
    made(
        rows,
        [
            text("check", "name of the check", |(name, _)| (*name).into()),
            text("reflector", "mark of the reflector", |(_, r)| (&r.name).into()),
            whole("found", "passes in which it was called", |(_, r)| r.found.into()),
            number("spread_db", "dB", "spread of its heights over the passes", |(_, r)| {
                r.spread_db.into()
            }),
            number(
                "place_error_mm",
                "mm",
                "largest error of its place along the bar over the passes",
                |(_, r)| mm(r.place_error_m),
            ),
            number("signal_to_noise_db", "dB re noise", "smallest height over noise", |(_, r)| {
                r.signal_to_noise_db.into()
            }),
            text("beams", "beams that called it in any pass, apart by spaces", |(_, r)| {
                list(&r.beams)
            }),
            text("unsteady", "beams that saw it in one pass and missed it in another", |(_, r)| {
                list(&r.unsteady)
            }),
        ],
    )
}

type InPass<'a> = (&'a str, &'a str, usize, Option<f64>);

fn heights(lot: &Lot) -> Made {
    let rows: Rows<InPass<'_>> = all(lot).map(|checks| {
        let mut rows = Vec::new();
        for (name, check) in checks {
            for r in &check.body.reflectors {
                let passes = r.heights_fsh.iter().enumerate();
                rows.extend(passes.map(|(pass, height)| (name, r.name.as_str(), pass, *height)));
            }
        }
        rows
    });
    made(
        rows,
        [
            text("check", "name of the check", |row| row.0.into()),
            text("reflector", "mark of the reflector", |row| row.1.into()),
            whole("pass", "number of the pass, from 0", |row| row.2.into()),
            truth("found", "whether it was called in this pass", |row| row.3.is_some().into()),
            number(
                "height_fsh_percent",
                "% of full screen height",
                "largest height in the pass; empty where it was missed",
                |row| percent(row.3),
            ),
        ],
    )
}
