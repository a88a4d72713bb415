//! The figures in lines.

use std::fmt::Write as _;

use super::{Case, Fate, Figures, Tally};

/// Figures, then everything that is amiss, one line each.
pub fn text(f: &Figures) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} bars, {} of them sound, {:.0} m; the level target stands {:.1} dB over the noise ({:.2} % FSH rms, highest peak {:.1} % FSH)\n",
        f.bars,
        f.sound_bars,
        f.length_m,
        f.noise.target_over_noise_db,
        f.noise.rms_fsh_percent,
        f.noise.peak_fsh * 100.0
    );
    let _ = writeln!(
        out,
        "{:42} {:>5} {:>8} {:>8} {:>8} {:>8}      asked, and inside",
        "error", "of", "mean", "50 %", "90 %", "worst"
    );
    for q in &f.quantities {
        let asked = q.asked.zip(q.inside).map_or(String::new(), |(asked, inside)| {
            format!("{asked}: {inside}{}", if q.met { "" } else { "  <-- NOT MET" })
        });
        let _ = writeln!(
            out,
            "{:42} {:>5} {:>+8.2} {:>8.2} {:>8.2} {:>8.2} {:3}  {asked}",
            q.name, q.count, q.mean, q.median, q.ninety, q.worst, q.unit
        );
    }
    let _ = writeln!(out);
    tally(&mut out, "ordered size or more, in the proven zone", &f.ordered);
    tally(&mut out, "ordered size or more, outside it", &f.ordered_unproven);
    tally(&mut out, "smaller than ordered", &f.smaller);
    let _ = writeln!(
        out,
        "pairs of the ordered size told apart: {} of {} that follow each other, {} of {} beside each other",
        f.pairs_along.apart, f.pairs_along.of, f.pairs_across.apart, f.pairs_across.of
    );
    let _ = writeln!(
        out,
        "flaws with more than one indication: {}; called by the other class only: {}; sizes that are lower bounds: {}",
        f.split, f.other_class, f.clipped
    );
    let _ = writeln!(
        out,
        "false calls: {} in {:.0} m, {:.2} per 100 m (asked: below 0.1); {} of them beside a flaw of the bar",
        f.false_calls.len(),
        f.length_m,
        f.false_per_100_m,
        f.false_beside_flaws
    );
    for q in f.quantities.iter().filter(|q| !q.outside.is_empty()) {
        let _ = writeln!(out, "\noutside of {} ({})", q.name, q.asked.unwrap_or_default());
        for line in &q.outside {
            let _ = writeln!(out, "  {line}");
        }
    }
    missed(&mut out, "missed, ordered size, in the proven zone", f, &|c| c.ordered && c.proven());
    missed(&mut out, "missed, ordered size, outside the proven zone", f, &|c| {
        c.ordered && !c.proven()
    });
    if !f.false_calls.is_empty() {
        let _ = writeln!(out, "\nfalse calls");
    }
    for call in &f.false_calls {
        let i = &call.indication;
        let _ = writeln!(
            out,
            "  {}: {:?} {:.2} mm at {:.0} mm, x {:.1}, y {:.1} mm, {:.0} % FSH, {} beams, {} echoes; nearest: {}",
            call.name(),
            i.class,
            i.size_m * 1e3,
            i.from_m.midpoint(i.to_m) * 1e3,
            i.place.x * 1e3,
            i.place.y * 1e3,
            i.height_fsh * 100.0,
            i.beams.len(),
            i.echoes,
            call.nearest.as_deref().unwrap_or("no flaw in the bar")
        );
    }
    out
}

fn tally(out: &mut String, what: &str, t: &Tally) {
    let _ = writeln!(
        out,
        "{what:42} {:>5}: {} found, {} with a neighbour, {} where not inspected, {} missed",
        t.of, t.found, t.with_neighbour, t.not_inspected, t.missed
    );
}

fn missed(out: &mut String, title: &str, f: &Figures, of: &dyn Fn(&Case) -> bool) {
    let mut list = f.cases.iter().filter(|c| c.fate == Fate::Missed && of(c)).peekable();
    if list.peek().is_some() {
        let _ = writeln!(out, "\n{title}");
    }
    for case in list {
        let t = &case.compared.truth;
        let margin = case.margin_db.map_or("none".into(), |m| format!("{m:+.1} dB"));
        let _ = writeln!(
            out,
            "  bar {}: {} at {:.0} mm, {:.0}°, margin {margin}",
            case.compared.bar,
            case.compared.flaw,
            t.from_m.midpoint(t.to_m) * 1e3,
            t.angle_rad.to_degrees()
        );
        for r in &case.readings {
            let _ = writeln!(
                out,
                "    beam {} reads {:.0} % FSH (alarm {:.0} %), {:+.1} mm along, {:.1} mm across{}",
                r.beam,
                r.height_fsh * 100.0,
                r.alarm_fsh * 100.0,
                r.along_mm,
                r.across_mm,
                if r.mark == barwright_job::screened::EchoMark::Sound { "" } else { ", not sound" }
            );
        }
    }
}
