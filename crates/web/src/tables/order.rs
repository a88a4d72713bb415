//! What people wrote: rings of the station, clauses of the acceptance rules, ordered lengths.

use barwright_job::station::{Array, Ring};
use barwright_phrase::say;
use barwright_report::{RuleLine, rule_lines};

use super::{Cell, Listed, Made, Rows, Why, cell::list, made, need, number, text, whole};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 3] = [
    Listed {
        name: "rings",
        row: "ring of the station",
        title: || say!("Rings of the station"),
        make: rings,
    },
    Listed {
        name: "acceptance_clauses",
        row: "clause of the acceptance rules, as it holds for the order's bars",
        title: || say!("Acceptance rules, clause by clause"),
        make: clauses,
    },
    Listed {
        name: "ordered_lengths",
        row: "ordered length",
        title: || say!("Ordered lengths"),
        make: lengths,
    },
];

fn rings(lot: &Lot) -> Made {
    let rows: Rows<&Ring> = need(&lot.station, "station").map(|s| s.rings.iter().collect());
    made(
        rows,
        [
            text("ring", "name of the ring", |r| (&r.name).into()),
            number("smallest_mm", "mm", "smallest section size it serves", |r| {
                r.smallest_mm.into()
            }),
            number("largest_mm", "mm", "largest section size it serves", |r| r.largest_mm.into()),
            text(
                "sections",
                "sections it serves, apart by spaces; empty for the array's own",
                |r| list(r.sections.iter().map(|s| format!("{s:?}").to_lowercase())),
            ),
            whole("probes", "number of probes, evenly spaced", |r| r.probes.into()),
            number("first_probe_deg", "°", "middle of the first probe, from +x", |r| {
                r.first_probe_deg.into()
            }),
            text("array", "arc or flat", |r| match r.array {
                Array::Arc(_) => "arc".into(),
                Array::Flat(_) => "flat".into(),
            }),
            number("radius_mm", "mm", "radius of an arc", |r| match r.array {
                Array::Arc(a) => a.radius_mm.into(),
                Array::Flat(_) => Cell::Absent,
            }),
            number(
                "distance_mm",
                "mm",
                "distance of a flat face from the centre; 0 in contact",
                |r| match r.array {
                    Array::Arc(_) => Cell::Absent,
                    Array::Flat(a) => a.distance_mm.into(),
                },
            ),
            whole("elements", "elements of a probe", |r| r.array.elements().0.into()),
            number("pitch_mm", "mm", "pitch of the elements", |r| r.array.elements().1.into()),
            number("element_width_mm", "mm", "width of an element", |r| {
                r.array.elements().2.into()
            }),
            number("element_length_mm", "mm", "length of an element along the bar", |r| {
                r.array.elements().3.into()
            }),
            number(
                "axial_focus_mm",
                "mm",
                "way in the water at which a curved face focuses; empty for a straight one",
                |r| r.array.axial_focus_mm().into(),
            ),
            number("frequency_mhz", "MHz", "centre frequency", |r| r.frequency_mhz.into()),
            number("bandwidth_percent", "% of the centre frequency", "bandwidth at -6 dB", |r| {
                r.bandwidth_percent.into()
            }),
        ],
    )
}

fn clauses(lot: &Lot) -> Made {
    let rows: Rows<RuleLine> = need(&lot.rules, "acceptance rules").and_then(|rules| {
        let order = need(&lot.order, "order")?;
        rule_lines(rules, 2.0 * order.section().half_extent_m())
            .map_err(|e| Why::Damaged(e.to_string()))
    });
    made(
        rows,
        [
            text("clause", "where it stands, as reasons of verdicts name it", |l| {
                (&l.clause).into()
            }),
            text("says", "what it says", |l| (&l.words).into()),
        ],
    )
}

fn lengths(lot: &Lot) -> Made {
    let rows: Rows<&barwright_job::lengths::CutLength> =
        need(&lot.order, "order").map(|o| o.cut.lengths.iter().collect());
    made(
        rows,
        [
            text("length", "its name", |l| (&l.name).into()),
            text("ordered", "what is ordered, in words", |l| l.words().into()),
            number("value_per_m", "1/m", "relative value of a metre", |l| l.value_per_m.into()),
            whole("open_pieces", "pieces that are open; empty where any number is sold", |l| {
                l.open_pieces.into()
            }),
        ],
    )
}
