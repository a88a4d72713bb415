//! The order, the station and the acceptance rules, as written and as understood.

use barwright_job::{
    Order, Rules, Station,
    order::SectionSpec,
    station::{Array, Coupling},
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit, sized};
use barwright_report::{rule_lines, text};
use maud::Markup;

use crate::{
    files,
    look::{
        parts::{self, facts, unit},
        shell,
        table::{behind, figures, prose, table, words},
    },
    lot::Lot,
    pages::ordering::ADDRESS,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    let part = |what: &str, body: Markup| html! { section.card { h2 { (what) } (body) } };
    let written = |path: std::path::PathBuf, name: &str| match files::read_text(&path) {
        Ok(t) => {
            html! { details.behind { summary { (name) " as written" } pre tabindex="0" { (text_lines(&t)) } } }
        }
        Err(_) => html! {},
    };
    let command = "barwright example";
    shell::shell(
        lot,
        "/order",
        say!("Order"),
        &html! { "What is to be found, in what steel, with which station, and by which rules it is judged. These three documents are written by people; everything else follows from them." },
        &html! {
            div.three {
                (part(say!("Order"), html! {
                    p { a href=(ADDRESS) { "Write the order" } }
                    (parts::with(&lot.order, say!("Here the order would stand: section, steel, bars and the flaws to be found."), command, order))
                    (written(lot.folder.order_path(), "order.toml"))
                }))
                (part(say!("Station"), html! {
                    (parts::with(&lot.station, say!("Here the station would stand: its rings, its electronics and its line."), command, station))
                    (written(lot.folder.station_path(), "station.toml"))
                }))
                (part(say!("Acceptance rules"), html! {
                    (parts::with(&lot.rules, say!("Here the acceptance rules would stand."), command, rules))
                    (written(lot.folder.rules_path(), "rules.toml"))
                }))
            }
            @if let (Some(r), Some(order)) = (lot.rules.here(), lot.order.here()) {
                (part(say!("What follows from a flaw"), clauses(r, order)))
            }
        },
    )
}

/// The text of a document with hidden characters made visible, line by line.
fn text_lines(content: &str) -> String {
    content.lines().map(|l| text::visible(&l.replace('\t', "    ")) + "\n").collect()
}

fn order(o: &Order) -> Markup {
    let n = |v: f64, d| text::number(v, d);
    html! {
        (facts(&[
            (say!("number"), html! { strong { (text::visible(&o.order.number)) } }),
            (say!("customer"), html! { (text::visible(&o.order.customer)) }),
            (say!("heat"), html! { (text::visible(&o.order.heat)) }),
            (say!("section"), html! {
                (text::section(&o.section()))
                @if let SectionSpec::Round(r) = o.section {
                    @if r.ovality_mm > 0.0 { ", oval by " (unit(size(r.ovality_mm * 1e-3, 2), size_unit())) }
                }
            }),
            (say!("bars"), html! {
                (o.bars.count) " of " (unit(size(o.bars.length_mm * 1e-3, 0), size_unit()))
                @if o.bars.straightness_mm_per_m > 0.0 { ", bowed up to " (unit(n(o.bars.straightness_mm_per_m, 1), "mm/m")) }
            }),
            (say!("steel"), html! {
                (text::visible(&o.steel.grade))
                @if o.steel.velocity_tolerance_percent > 0.0 { ", velocities ± " (unit(n(o.steel.velocity_tolerance_percent, 2), "%")) }
                @if let Some(d) = o.steel.grain_noise_disc_mm { ", grain noise as a disc of " (unit(size(d * 1e-3, 2), size_unit())) }
            }),
            (say!("velocity, longitudinal"), unit(n(o.steel.longitudinal_m_s, 0), "m/s")),
            (say!("velocity, shear"), unit(n(o.steel.shear_m_s, 0), "m/s")),
            (say!("density"), unit(n(o.steel.density_kg_m3, 0), "kg/m³")),
            (say!("attenuation, longitudinal"), unit(n(o.steel.attenuation_l_db_per_m, 0), "dB/m")),
            (say!("attenuation, shear"), unit(n(o.steel.attenuation_s_db_per_m, 0), "dB/m")),
        ]))
        h3 { "To be found" }
        ul {
            li { "a disc of " (unit(size(o.flaws.disc.diameter_mm * 1e-3, 2), size_unit())) " that faces the beam"
                @if o.flaws.disc.tilt_deg > 0.0 { " but for a tilt up to " (unit(n(o.flaws.disc.tilt_deg, 1), "°")) }
                ", deeper than " (unit(size(o.flaws.disc.skin_mm * 1e-3, 1), size_unit())) ", on " (unit(n(o.flaws.disc.coverage_percent, 1), "%")) " of the area" }
            @if let Some(i) = o.flaws.inclusion {
                li { "a round inclusion of " (unit(size(i.diameter_mm * 1e-3, 2), size_unit())) " below the same skin, on " (unit(n(i.coverage_percent, 1), "%")) " of the area" }
            }
            @if let Some(p) = o.flaws.pipe {
                li { "a pipe of " (unit(size(p.diameter_mm * 1e-3, 2), size_unit())) " within " (unit(size(p.within_mm * 1e-3, 1), size_unit())) " of the centre, on " (unit(n(p.coverage_percent, 1), "%")) " of that zone" }
            }
            @match o.flaws.crack {
                Some(c) => { li { "a radial crack " (unit(size(c.depth_mm * 1e-3, 2), size_unit())) " deep at the surface, on " (unit(n(c.coverage_percent, 1), "%")) " of the circumference" } }
                None => { li { "cracks at the surface are no part of this order" } }
            }
            li { "any of them " (unit(size(o.flaws.shortest_mm * 1e-3, 0), size_unit())) " long or longer, met by several pulses" }
        }
        h3 { "To be cut" }
        p { "Pieces of " (unit(size(o.cut.shortest_mm * 1e-3, 0), size_unit())) " or longer; a saw cut takes " (unit(size(o.cut.kerf_mm * 1e-3, 1), size_unit())) "." }
        @if !o.cut.lengths.is_empty() {
            ul {
                @for l in &o.cut.lengths {
                    li { (text::visible(&l.name)) ": " (l.words()) ", value " (n(l.value_per_m, 3)) " a metre"
                        @if let Some(open) = l.open_pieces { ", " (open) " pieces open" } }
                }
            }
        }
    }
}

fn station(s: &Station) -> Markup {
    let n = |v: f64, d| text::number(v, d);
    let e = &s.electronics;
    let rings = table(
        say!("Rings of the station"),
        &[
            words(say!("Ring")),
            figures(say!("from"), size_unit()),
            figures(say!("to"), size_unit()),
            figures(say!("probes"), ""),
            figures(say!("elements"), ""),
            figures(say!("pitch"), size_unit()),
            figures(say!("frequency"), "MHz"),
            words(say!("array")),
        ],
        s.rings.iter().map(|r| {
            let (elements, pitch, _, _) = r.array.elements();
            let shape = match r.array {
                Array::Arc(a) => say!("arc, radius {}", sized(a.radius_mm * 1e-3, 0)),
                Array::Flat(a) if a.distance_mm > 0.0 => {
                    say!("flat, {} away", sized(a.distance_mm * 1e-3, 0))
                }
                Array::Flat(_) => say!("flat, in contact").to_owned(),
            };
            vec![
                html! { (text::visible(&r.name)) },
                html! { (n(r.smallest_mm, 0)) },
                html! { (n(r.largest_mm, 0)) },
                html! { (r.probes) },
                html! { (elements) },
                html! { (n(pitch, 2)) },
                html! { (n(r.frequency_mhz, 1)) },
                html! { (shape) },
            ]
        }),
    );
    html! {
        (facts(&[
            (say!("name"), html! { strong { (text::visible(&s.station.name)) } }),
            (say!("mill and line"), html! { (text::visible(&s.station.mill)) ", " (text::visible(&s.station.line)) }),
            (say!("coupling"), match s.coupling {
                Coupling::Water(w) => html! { "water, " (unit(n(w.temperature_c, 0), "°C")) " ± " (unit(n(w.tolerance_k, 0), "K")) },
                Coupling::Contact(c) => html! { "contact, the first " (unit(size(c.dead_zone_mm * 1e-3, 1), size_unit())) " are hidden" },
            }),
            (say!("fastest line"), unit(n(s.line.max_speed_m_s, 2), "m/s")),
            (say!("centring"), html! {
                "± " (unit(size(s.line.centring_mm * 1e-3, 2), size_unit()))
                @if s.line.guide_distance_mm > 0.0 { ", guides " (unit(size(s.line.guide_distance_mm * 1e-3, 0), size_unit())) " apart" }
                @if s.line.turn_deg > 0.0 { ", square bars turned by ± " (unit(n(s.line.turn_deg, 1), "°")) }
            }),
            (say!("unguided at each end"), unit(size(s.line.unguided_end_mm * 1e-3, 0), size_unit())),
            (say!("elements in an aperture"), html! { (e.aperture_elements) }),
            (say!("apertures at once"), html! {
                (e.parallel_apertures)
                @if let Some(c) = e.channels { ", at most " (c) " elements in all" }
            }),
            (say!("data carried away"), match e.data_rate_mb_s {
                Some(rate) => html! { "at most " (unit(n(rate, 1), "MB/s")) },
                None => html! { "no limit" },
            }),
            (say!("step of the delays"), unit(n(e.delay_step_ns, 1), "ns")),
            (say!("gain"), html! { (n(e.gain_min_db, 0)) " to " (unit(n(e.gain_max_db, 0), say!("dB re unit transfer"))) }),
            (say!("pulse repetition, at most"), unit(n(e.max_prf_hz, 0), "Hz")),
            (say!("sampling"), unit(n(e.sample_rate_mhz, 0), "MHz")),
        ]))
        (behind(say!("Rings"), &rings))
    }
}

/// What the rules say of the order's bars, clause by clause.
fn clauses(r: &Rules, order: &Order) -> Markup {
    match rule_lines(r, 2.0 * order.section().half_extent_m()) {
        Ok(lines) => table(
            say!("Acceptance rules, clause by clause"),
            &[words(say!("Clause")), prose(say!("says"))],
            lines.iter().map(|l| {
                vec![
                    html! { code { (text::visible(&l.clause)) } },
                    html! { (text::visible(&l.words)) },
                ]
            }),
        ),
        Err(e) => html! { p.stop { (e.to_string()) } },
    }
}

fn rules(r: &Rules) -> Markup {
    let n = |v: f64, d| text::number(v, d);
    html! {
        (facts(&[
            (say!("name"), html! { strong { (text::visible(&r.rules.name)) } ", version " (text::visible(&r.rules.version)) }),
            (say!("source"), html! { (text::visible(&r.rules.source)) }),
            (say!("level"), html! { (n(r.level.target_fsh_percent, 0)) ", accepted " (n(r.level.low_fsh_percent, 0)) " to " (unit(n(r.level.high_fsh_percent, 0), say!("% of full screen height"))) }),
            (say!("check"), html! { (r.check.passes) " passes, spread up to " (unit(n(r.check.spread_db, 1), "dB")) ", " (unit(n(r.check.signal_to_noise_db, 0), "dB")) " over noise, place to " (unit(size(r.check.place_mm * 1e-3, 0), size_unit())) }),
            (say!("between two checks"), html! { "at most " (unit(n(r.check.interval_h, 1), "h")) }),
        ]))
    }
}
