//! Ghosts. Truth: closed form, the times of detours by hand; echoes added to those of a real flaw.

use barwright_evaluate::sentence;
use barwright_job::{
    Hash, Sealed,
    judgement::{GhostPath, Judgement, Verdict},
    screened::Echo,
    technique::Firing,
};
use barwright_wave::Point;

use super::bench::{Bench, C_L, C_S, Scene, disc};
use super::screen::screen;

/// Judges a bar with one flaw, 8 mm deep, that every second beam hears as `instead` says: a gate
/// keeps one echo of a shot.
fn judged(bench: &Bench, instead: impl Fn(&Echo) -> Option<Echo>) -> Judgement {
    let flaw = disc(Point::new(0.013, 0.0), 0.3, 2.4);
    let mut s = screen(bench, &Scene::plain(0.6).with(&[flaw]));
    let over = |e: &Echo| {
        let gates = &bench.technique.body.beams[e.beam as usize].gates;
        gates.len() > 1 && e.gate == 1 && e.height_fsh >= 0.4
    };
    let before = s.echoes.iter().filter(|e| over(e)).count() as u64;
    let heard = |e: &Echo| if over(e) && e.beam % 2 == 1 { instead(e) } else { Some(*e) };
    s.echoes = s.echoes.iter().filter_map(heard).collect();
    let after = s.echoes.iter().filter(|e| over(e)).count() as u64;
    s.bar.echoes_over_threshold = s.bar.echoes_over_threshold + after - before;
    let echoes = s.echoes.clone();
    let sealed = s.seal(Hash::of(b"echoes"));
    sentence(&sealed, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap().body
}

/// A weaker echo of the same beam and shot at another time, for beams that look down on the flaw.
fn later(e: &Echo, share: f32, time_s: impl Fn(f64) -> f64) -> Option<Echo> {
    // Beams from the far side see the flaw 34 mm deep: their detours leave the gate.
    (e.after_surface_s < 4e-6 && e.height_fsh * share >= 0.4).then(|| Echo {
        height_fsh: e.height_fsh * share,
        after_surface_s: time_s(e.after_surface_s),
        ..*e
    })
}

fn ghosts(j: &Judgement) -> Vec<(&str, GhostPath)> {
    j.indications.iter().filter_map(|i| i.ghost.as_ref().map(|g| (g.of.as_str(), g.path))).collect()
}

#[test]
fn detours_of_a_flaw_are_its_ghosts() {
    let bench = Bench::new(66);
    let plain = judged(&bench, |_| None);
    assert_eq!((plain.indications.len(), ghosts(&plain).len()), (1, 0));
    // Twice between flaw and surface: twice the time. Back as a shear wave: d / c_L + d / c_S.
    let twice = |t: f64| 2.0 * t;
    let converted = |t: f64| 0.5 * t * (1.0 + C_L / C_S);
    let ways: [(&dyn Fn(f64) -> f64, GhostPath); 2] =
        [(&twice, GhostPath::TwiceBetween), (&converted, GhostPath::ConvertedLeg)];
    for (way, path) in ways {
        let j = judged(&bench, |e| later(e, 0.4, way));
        assert_eq!(j.indications.len(), 2, "{:#?}", j.indications);
        assert_eq!(ghosts(&j).len(), 1, "{path:?}: {:#?}", j.indications);
        let (of, found) = ghosts(&j)[0];
        assert_eq!(found, path);
        let real = j.indications.iter().find(|i| i.ghost.is_none()).unwrap();
        assert_eq!(of, real.letter);
        assert!((real.height_fsh - plain.indications[0].height_fsh).abs() < 1e-9);
        // It is listed, not dropped, and not counted.
        assert!(j.reasons.iter().any(|r| r.clause == "ghost"));
        assert!(j.findings.iter().any(|f| f.topic == barwright_job::Topic::Ghost));
        assert_eq!((j.verdict, j.cut.kept_m), (plain.verdict, plain.cut.kept_m));
    }
}

#[test]
fn what_no_detour_explains_is_a_flaw() {
    let bench = Bench::new(66);
    // Too late by 1.3 µs, 4 mm deeper than any detour; or as high as half the flaw and more.
    for (share, late_s) in [(0.4, 1.3e-6), (0.7, 0.0)] {
        let j = judged(&bench, |e| later(e, share, |t| 2.0 * t + late_s));
        assert_eq!((j.indications.len(), ghosts(&j).len()), (2, 0), "{:#?}", j.indications);
        assert_eq!(j.verdict, Verdict::Crop);
    }
}

#[test]
fn cross_talk_needs_beams_that_fire_together() {
    let mut bench = Bench::new(66);
    let at = Point::new(0.013, 0.0);
    // Every second beam hears the flaw in the receiver of the one ten further on.
    let cross = |e: &Echo| {
        let other = (e.beam + 10) % 66;
        let from = Point::polar(0.021, std::f64::consts::TAU * f64::from(other) / 66.0);
        let out = later(e, 0.4, |t| t / 2.0 + from.distance(at) / C_L)?;
        Some(Echo { beam: other, ..out })
    };
    let alone = judged(&bench, cross);
    assert!(alone.indications.len() > 1, "{:#?}", alone.indications);
    assert!(ghosts(&alone).iter().all(|g| g.1 != GhostPath::CrossTalk));
    let mut body = bench.technique.body.clone();
    body.schedule.firings = vec![Firing { start_s: 0.0, beams: (0..66).collect() }];
    bench.technique = Sealed::seal(body, [("order", bench.order.hash())]);
    let together = judged(&bench, cross);
    assert_eq!(together.indications.len(), alone.indications.len());
    let cross_talk = ghosts(&together).iter().filter(|g| g.1 == GhostPath::CrossTalk).count();
    assert_eq!(cross_talk, together.indications.len() - 1, "{:#?}", together.indications);
}

// Truth: property. What a second surface echo covers was not inspected: it is a ghost, and holds the bar.
#[test]
fn a_second_surface_echo_holds_the_bar() {
    let mut bench = Bench::new(66);
    let mut body = bench.technique.body.clone();
    // A water path so short that the second surface echo falls into the volume gate of every beam.
    for beam in &mut body.beams {
        beam.surface_time_s = 8e-6;
    }
    bench.technique = Sealed::seal(body, [("order", bench.order.hash())]);
    let plain = Bench::new(66);
    let mut s = screen(&plain, &Scene::plain(0.6));
    let mut over = 0;
    for e in s.echoes.iter_mut().filter(|e| e.beam < 66 && e.gate == 1) {
        (e.height_fsh, e.after_surface_s) = (0.6, 8e-6);
        over += 1;
    }
    s.bar.echoes_over_threshold = over;
    let echoes = s.echoes.clone();
    let of = |technique: &Sealed<barwright_job::Technique>| {
        let bar = s.bar.clone();
        let sources = [("technique", technique.hash.clone()), ("level", Hash::of(b"level"))];
        let sealed = Sealed::seal(bar, sources);
        sentence(&sealed, &echoes, technique, &bench.rules, &bench.order).unwrap().body
    };
    let j = of(&bench.technique);
    let all = ghosts(&j);
    assert!(!all.is_empty() && all.iter().all(|g| *g == ("", GhostPath::SecondSurface)), "{all:?}");
    assert_eq!(j.verdict, Verdict::Hold, "{:#?}", j.reasons);
    assert!(j.reasons.iter().any(|r| r.statement.contains("was not inspected")));
}
