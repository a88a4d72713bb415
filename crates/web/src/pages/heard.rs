//! What beams heard at a place of a bar, as A-scans.

use barwright_job::Technique;
use barwright_phrase::{html, say};
use barwright_report::figures::{sized, way, way_unit};
use barwright_report::{Ascan, Palette, ascan, text};
use maud::Markup;

use super::unrolled::clock_of;
use crate::{
    cache::Cache,
    folder::JobFolder,
    heard::{Heard, Shot, Spot, near},
    look::{
        parts::{self, unit},
        segment, shell,
        table::{figures, table, words},
    },
    lot::Lot,
};

/// What was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// Metres from the head end.
    pub z_m: f64,
    /// Share of the way across the bar unrolled, from 0 to 1.
    pub across: f64,
    /// Which of the nearest, from 0.
    pub choice: usize,
}

/// Address of the page of a bar.
pub fn address(bar: &str) -> String {
    format!("/bars/{}/heard", segment(bar))
}

/// Address that asks for a place.
pub fn address_of(bar: &str, spot: Spot) -> String {
    format!("{}?z_m={:.4}&across={:.4}", address(bar), spot.z_m, spot.across)
}

/// The page; nothing for an unknown bar.
pub fn page(lot: &Lot, bar: &str, asked: &Asked) -> Option<Markup> {
    let part = alone(&lot.folder, &lot.cache, bar, asked)?;
    let lead = html! { "A-scans are kept around indications and where coupling was lost: these are the nearest to the place asked for." };
    let title = say!("Bar {}: what was heard", text::visible(bar));
    let body = html! {
        p { a href=(format!("/bars/{}", segment(bar))) { "Back to the bar" } }
        form.entry method="get" action=(address(bar)) {
            label { span { "Place from the head end, m" } input name="z_m" inputmode="decimal" value=(format!("{:.3}", asked.z_m)) required; }
            label { span { "Share of the way around, from 0 at 6 o'clock over 9, 12 and 3 to 1" } input name="across" inputmode="decimal" value=(format!("{:.3}", asked.across)) required; }
            button.main type="submit" { "Show what was heard there" }
        }
        (part)
    };
    Some(shell::shell(lot, "/bars", &title, &lead, &body))
}

/// The A-scan and its neighbours alone, for a page that stands; nothing for an unknown bar. Reads the bar's
/// own documents only, so that it can follow a hand.
pub fn alone(folder: &JobFolder, cache: &Cache, bar: &str, asked: &Asked) -> Option<Markup> {
    // The name is only compared with those in the folder, never made into a path.
    if !folder.bars().ok()?.iter().any(|there| there == bar) {
        return None;
    }
    let technique = cache.get(&folder.technique_path(), || folder.technique());
    let Some(technique) = technique.here() else {
        return Some(parts::absent(
            say!("A-scans are shown with the gates of the technique, which is missing."),
            "barwright plan",
        ));
    };
    let spot = Spot { z_m: asked.z_m, across: asked.across };
    let technique = &technique.body;
    Some(match near(folder, cache, (bar, technique), spot, asked.choice) {
        Err(e) => parts::unusable(&e),
        Ok(None) => html! {
            p { "No A-scan was kept within " (sized(0.03, 0)) " of " (unit(way(asked.z_m, 3), way_unit())) ": nothing reached the alarm there, and coupling held." }
        },
        Ok(Some((shots, heard))) => shown(technique, (bar, asked), &shots, &heard),
    })
}

fn shown(
    technique: &Technique,
    (bar, asked): (&str, &Asked),
    shots: &[Shot],
    heard: &Heard,
) -> Markup {
    let clock = |shot: &Shot| clock_of(&technique.section, shot.spot.across);
    let title = say!(
        "Beam {} at {} {}, {}",
        heard.shot.beam,
        way(heard.shot.spot.z_m, 3),
        way_unit(),
        clock(&heard.shot)
    );
    let picture = ascan(
        &Ascan {
            title: &title,
            samples: &heard.ascan.samples,
            first_sample_s: heard.ascan.first_sample_s,
            record: &heard.record,
            surface_s: heard.shot.surface_s,
            gates: &heard.gates,
            peaks: &heard.shot.peaks,
            velocity_m_s: heard.velocity_m_s,
        },
        &Palette::page(),
    );
    let caption = say!(
        "What the beam heard: lines are gates at their thresholds, rings the peaks that were read."
    );
    html! {
        (parts::long_picture(picture, caption))
        (table(
            say!("The nearest A-scans"),
            &[words(say!("Beam")), figures(say!("place"), way_unit()), words(say!("clock")), figures(say!("highest echo"), say!("% FSH")), words(say!("coupling"))],
            shots.iter().enumerate().map(|(k, shot)| vec![
                html! {
                    a href=(format!("{}&choice={k}", address_of(bar, Spot { z_m: asked.z_m, across: asked.across })))
                        aria-current=[(k == asked.choice).then_some("true")] { "beam " (shot.beam) }
                },
                html! { (way(shot.spot.z_m, 3)) },
                html! { (clock(shot)) },
                html! { (shot.height_fsh.map_or_else(|| "–".to_owned(), |h| text::percent(f64::from(h), 0))) },
                html! { @if shot.uncoupled { em.flag { "lost" } } @else { "held" } },
            ]),
        ))
    }
}
