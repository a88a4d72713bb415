//! Pictures: well-formed, complete, deterministic, and sound with anything as a name. Kind of truth:
//! properties, and counts known from the fixtures.
#![allow(clippy::unwrap_used)]

use crate::support;

use barwright_job::{judgement::Verdict, level::BeamState};
use barwright_report::{
    Case, FieldPair, Heights, Map, Palette, Place, Rays, Ribbon, Ring, Spoke, Spokes, field_pair,
    heights, margin_map, reference_bar_drawing, ribbon, ring, schedule,
};
use barwright_wave::Point;

/// Number of elements with a class in a well-formed picture.
fn count(svg: &str, class: &str) -> usize {
    let document = roxmltree::Document::parse(svg).unwrap();
    document.descendants().filter(|n| n.attribute("class") == Some(class)).count()
}

/// Number of elements of a name within groups of a class.
fn count_in(svg: &str, class: &str, name: &str) -> usize {
    let document = roxmltree::Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|n| n.attribute("class") == Some(class))
        .flat_map(|n| n.descendants())
        .filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", name)))
        .count()
}

fn words(svg: &str) -> String {
    let document = roxmltree::Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "text")))
        .filter_map(|n| n.text())
        .collect::<Vec<_>>()
        .join("|")
}

#[test]
fn the_ring_shows_every_probe_ray_and_place() {
    let t = support::technique();
    let place = Place { letter: "A", at: Point::new(0.005, -0.009), uncertainty_m: 0.001 };
    let picture = |rays| {
        ring(&Ring { technique: &t.body, rays, spokes: None, places: &[place] }, &Palette::paper())
    };
    let all = picture(Rays::All);
    assert_eq!(count(&all, "probe"), 6);
    assert_eq!(count_in(&all, "rays-l", "path"), 66);
    assert_eq!(count_in(&all, "rays-s", "path"), 132);
    assert_eq!(count_in(&all, "clock", "text"), 12);
    assert!(words(&all).contains("|A|"));
    let one = picture(Rays::Probe(2));
    assert_eq!(count_in(&one, "rays-l", "path"), 11);
    assert_eq!(count_in(&picture(Rays::None), "rays-s", "path"), 0);
    assert_eq!(all, picture(Rays::All), "equal input, equal bytes");
}

#[test]
fn spokes_tell_inside_outside_clipped_and_missing_by_shape() {
    let t = support::technique();
    let spoke = |beam, height_fsh, clipped| Spoke { beam, height_fsh, clipped };
    let heights = [
        spoke(0, Some(0.8), false),
        spoke(3, Some(0.5), false),
        spoke(6, None, false),
        spoke(9, Some(4.0), true),
        spoke(9999, Some(0.8), false),
    ];
    let svg = ring(
        &Ring {
            technique: &t.body,
            rays: Rays::None,
            spokes: Some(Spokes { heights: &heights, band_fsh: [0.7, 0.9] }),
            places: &[],
        },
        &Palette::paper(),
    );
    // A beam that the technique does not have is not drawn.
    assert_eq!(count(&svg, "spoke"), 4);
    assert_eq!(count_in(&svg, "spoke", "circle"), 1, "inside: a dot");
    assert_eq!(count_in(&svg, "spoke", "path"), 2, "outside and clipped");
    assert_eq!(count_in(&svg, "spoke", "line"), 3 + 2, "missing: a cross");
}

/// Counts known from the fixture: one beam without an echo, one clipped, one made to stay outside.
#[test]
fn heights_before_and_after_tell_their_state_by_shape_and_words() {
    let t = support::technique();
    let mut level = support::level(&t).body;
    level.beams[40].state = BeamState::OutOfReach;
    level.beams[40].height_fsh = Some(0.3);
    level.beams[40].change_db = 2.0;
    let picture = || {
        let all =
            Heights { technique: &t.body, level: &level, target_fsh: 0.8, band_fsh: [0.7, 0.9] };
        heights(&all, &Palette::page())
    };
    let svg = picture();
    assert_eq!(count(&svg, "height"), 198);
    // 66 longitudinal and 132 shear beams, of which a row holds 116.
    assert_eq!(count(&svg, "band"), 3);
    let words = words(&svg);
    for wanted in ["after: inside (195)", "after: outside (1)", "clipped (1)", "no echo (1)"] {
        assert!(words.contains(wanted), "{wanted}: {words}");
    }
    // The diamond and the arrow.
    assert_eq!(count_in(&svg, "height", "path"), 2);
    // Rings of all that were read but the clipped one, discs of those inside.
    assert_eq!(count_in(&svg, "height", "circle"), 196 + 195);
    assert!(words.contains("|70|90|"), "the band's edges are written: {words}");
    // 0.3 FSH and 2 dB more.
    assert!(svg.contains("read 30.0 %, 37.8 % at the new gain (+2.0 dB), out of reach"), "{svg}");
    assert_eq!(svg, picture(), "equal input, equal bytes");
}

#[test]
fn a_flat_block_has_its_array_on_top_and_no_clock() {
    let t = support::block_technique();
    let svg = ring(
        &Ring { technique: &t, rays: Rays::All, spokes: None, places: &[] },
        &Palette::paper(),
    );
    assert_eq!(count(&svg, "clock"), 0);
    assert_eq!(count_in(&svg, "rays-l", "path"), 7);
}

#[test]
fn maps_hatch_what_is_not_seen() {
    let t = support::technique();
    let proof = support::proof(&t).body;
    let map = |i: usize, case| {
        margin_map(
            &Map {
                class: proof.classes[i].class,
                map: &proof.classes[i].map,
                weakest: Some(&proof.classes[i].weakest),
                section: t.body.section,
                probes: &[],
                case,
            },
            &Palette::paper(),
        )
    };
    for i in 0..2 {
        let worst = map(i, Case::Worst);
        assert_eq!(count_in(&worst, "unseen", "path"), 2, "class {i}");
        assert!(words(&worst).contains("weakest −"), "class {i}");
        assert!(words(&worst).contains("re alarm"));
    }
    // The rim is 2 dB at the least, nominal: nothing to hatch there.
    assert_eq!(count_in(&map(1, Case::Nominal), "unseen", "path"), 0);
    assert_eq!(count(&map(0, Case::Nominal), "margin"), 1);
}

/// Closed form: what lies at a pixel of the raster is what the rings hold there.
#[test]
fn rings_are_drawn_to_scale_with_what_is_not_seen_hatched() {
    let t = support::technique();
    let proof = support::proof(&t).body;
    let map = |i: usize, case| {
        margin_map(
            &Map {
                class: proof.classes[i].class,
                map: &proof.classes[i].map,
                weakest: Some(&proof.classes[i].weakest),
                section: t.body.section,
                probes: &[],
                case,
            },
            &Palette::paper(),
        )
    };
    let worst = map(2, Case::Worst);
    assert_eq!(worst, map(2, Case::Worst), "equal input, equal bytes");
    assert_eq!(count(&worst, "margin"), 1);
    assert_eq!(count(&worst, "weakest"), 1);
    assert!(words(&worst).contains("weakest: not reached"));
    assert_eq!(count_in(&map(2, Case::Nominal), "unseen", "path"), 0);
    // The bar of 21 mm fills 139 pixels to the face of the clock: 165 - 26, over 1.03.
    let scale = (165.0 - 26.0) / (0.021 * 1.03);
    let hatched = hatched_places(&worst);
    assert!(hatched.len() > 50, "{} places", hatched.len());
    for (x, y) in hatched {
        let p = Point::new((x - 165.0) / scale, (165.0 - y) / scale);
        let hours = (90.0 - p.angle().to_degrees()).rem_euclid(360.0) / 30.0;
        // Half a ring, half an angle and a pixel of the raster wide of the zone at most.
        let in_the_zone = (0.0116..0.0154).contains(&p.radius()) && (0.9..2.1).contains(&hours);
        assert!(in_the_zone || p.radius() < 0.0015, "hatched at {p:?}");
    }
    // The raster ends half a ring outside the last, 20.75 mm. Bare where there is no margin, dimmed where it is not asked for.
    let alpha = |p: Point| alpha_at(&worst, p, 0.02075);
    assert_eq!(alpha(Point::polar(0.0135, 45f64.to_radians())), 0, "not seen");
    assert_eq!(alpha(Point::polar(0.0135, 225f64.to_radians())), 255, "seen and asked for");
    assert_eq!(alpha(Point::polar(0.0195, 225f64.to_radians())), 70, "in the skin");
}

#[test]
fn a_zone_about_the_centre_is_enlarged_and_says_so() {
    let t = support::technique();
    let proof = support::proof(&t).body;
    let svg = margin_map(
        &Map {
            class: proof.classes[3].class,
            map: &proof.classes[3].map,
            weakest: Some(&proof.classes[3].weakest),
            section: t.body.section,
            probes: &[],
            case: Case::Worst,
        },
        &Palette::paper(),
    );
    assert_eq!(count(&svg, "enlarged"), 1);
    // 2.125 mm and a quarter more of 21 mm.
    assert!(words(&svg).contains("the middle of the bar, 8 times larger"), "{}", words(&svg));
    assert!(words(&svg).contains("1 mm"), "a scale bar");
    assert!(words(&svg).contains("weakest +10.1 dB"));
}

/// Broken rings draw something well-formed.
#[test]
fn broken_rings_draw_no_nonsense() {
    let t = support::technique();
    let mut class = support::proof(&t).body.classes[2].clone();
    for radii in [vec![], vec![f64::NAN; 3], vec![0.0], vec![1e300, 2e300], vec![0.02, 0.01]] {
        class.map = barwright_job::proof::MarginMap::Polar {
            radii_m: radii,
            angles: 3,
            nominal_db: vec![Some(f32::NAN); 2],
            worst_db: vec![],
            asked: vec![true; 9],
        };
        for case in [Case::Nominal, Case::Worst] {
            let svg = margin_map(
                &Map {
                    class: class.class,
                    map: &class.map,
                    weakest: Some(&class.weakest),
                    section: t.body.section,
                    probes: &[],
                    case,
                },
                &Palette::paper(),
            );
            assert!(roxmltree::Document::parse(&svg).is_ok());
            assert!(!svg.contains("NaN") && !svg.contains("inf"));
        }
        let _ = barwright_report::unseen_words(&class, &t.body.section);
    }
}

/// Places on the hatching's strokes, five on each, in pixels.
fn hatched_places(svg: &str) -> Vec<(f64, f64)> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let group = document.descendants().find(|n| n.attribute("class") == Some("unseen")).unwrap();
    let d = group.descendants().find_map(|n| n.attribute("d")).unwrap();
    let numbers =
        |s: &str| -> Vec<f64> { s.split(['L', ' ']).map(|n| n.parse().unwrap()).collect() };
    d.split('M')
        .filter(|s| !s.is_empty())
        .map(numbers)
        .flat_map(|n| {
            (0..5).map(move |k| {
                let t = f64::from(k) / 4.0;
                (n[0] + t * (n[2] - n[0]), n[1] + t * (n[3] - n[1]))
            })
        })
        .collect()
}

/// How opaque the raster is at a place, the raster reaching as far from the centre as said.
fn alpha_at(svg: &str, p: Point, reach_m: f64) -> u8 {
    use base64::Engine as _;
    let document = roxmltree::Document::parse(svg).unwrap();
    let image = document.descendants().find(|n| n.attribute("class") == Some("margin")).unwrap();
    let uri = image.attribute("href").unwrap().split_once(',').unwrap().1;
    let bytes = base64::engine::general_purpose::STANDARD.decode(uri).unwrap();
    let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    let n = f64::from(info.width);
    let ix = ((p.x + reach_m) / (2.0 * reach_m) * n).floor() as usize;
    let iy = ((reach_m - p.y) / (2.0 * reach_m) * n).floor() as usize;
    pixels[(iy * info.width as usize + ix) * 4 + 3]
}

// Own rule: a stretch shows what lies in it and nothing of the rest, on its own axis.
#[test]
fn a_stretch_of_the_ribbon_shows_what_lies_in_it() {
    let t = support::technique();
    let level = support::level(&t);
    let (s, j) = support::bar(&t, &level, "7", Verdict::Crop, 3);
    let fsh: Vec<Option<f32>> = (0..300 * 36).map(|k| Some((k % 300) as f32 / 300.0)).collect();
    let drawn = |window_m| {
        ribbon(
            &Ribbon {
                length_m: 3.0,
                section: t.body.section,
                lost: &s.body.lost,
                inspected: &s.body.inspected,
                indications: &j.body.indications,
                cut: Some(&j.body.cut),
                heights: Some(barwright_report::ribbon::Heights { nz: 300, na: 36, fsh: &fsh }),
                window_m,
            },
            &Palette::page(),
        )
    };
    let letters = |svg: &str| {
        j.body.indications.iter().filter(|i| svg.contains(&format!(">{}: ", i.letter))).count()
    };
    let first = &j.body.indications[0];
    let about = drawn(Some([first.from_m - 0.05, first.to_m + 0.05]));
    assert_eq!((letters(&drawn(None)), letters(&about)), (3, 1));
    assert!(about.contains(&format!(">{}: ", first.letter)));
    // The whole bar asked for as a stretch is the whole bar.
    assert_eq!(drawn(Some([0.0, 3.0])), drawn(None));
    assert_eq!(drawn(Some([f64::NAN, 1.0])), drawn(None));
}

#[test]
fn the_ribbon_shows_what_was_lost_seen_and_cut() {
    let t = support::technique();
    let level = support::level(&t);
    let (s, j) = support::bar(&t, &level, "7", Verdict::Crop, 3);
    let svg = ribbon(
        &Ribbon {
            length_m: 3.0,
            section: t.body.section,
            lost: &s.body.lost,
            inspected: &s.body.inspected,
            indications: &j.body.indications,
            cut: Some(&j.body.cut),
            heights: None,
            window_m: None,
        },
        &Palette::paper(),
    );
    assert_eq!(count(&svg, "not-inspected"), 5);
    assert_eq!(count(&svg, "indication"), 3);
    assert_eq!((count(&svg, "keep"), count(&svg, "scrap")), (1, 5));
    assert!(words(&svg).contains("kept 1660 mm"));
    assert!(words(&svg).contains("surface 94.6 %"));
    for letter in ["|A|", "|B|", "|C|"] {
        assert!(words(&svg).contains(letter), "{letter}");
    }
}

#[test]
fn the_schedule_shows_every_firing_and_what_limits_it() {
    let svg = schedule(&support::technique().body, &Palette::paper());
    assert_eq!(count(&svg, "firing"), 198);
    assert!(words(&svg).contains("period 2.970 ms, limited by pulses per reflector"));
    assert_eq!(count(&svg, "least"), 1);
    assert!(words(&svg).contains("no order of these beams takes less than 2.880 ms"));
    let mut plain = support::technique().body;
    plain.schedule.least_period_s = None;
    assert_eq!(count(&schedule(&plain, &Palette::paper()), "least"), 0);
}

#[test]
fn the_reference_bar_is_dimensioned() {
    let t = support::technique();
    let svg =
        reference_bar_drawing(&support::reference(&t).body, &t.body.section, &Palette::paper());
    assert_eq!(count(&svg, "section-view"), 3);
    for words_wanted in ["F1 250.0", "F2 400.0", "N1 600.0", "length 900.0", "⌀ 1.20"] {
        assert!(words(&svg).contains(words_wanted), "{words_wanted}");
    }
}

#[test]
fn anything_may_be_a_name() {
    let t = support::technique();
    let mut reference = support::reference(&t).body;
    reference.name = "\"/><script>&\0\u{202e}\u{1f600}鋼".into();
    reference.reflectors[0].name = "<b>&'\"\u{7}".into();
    let svg = reference_bar_drawing(&reference, &t.body.section, &Palette::page());
    let document = roxmltree::Document::parse(&svg).unwrap();
    assert!(document.descendants().all(|n| !n.has_tag_name("script")));
    assert!(words(&svg).contains("<b>&'\"\u{fffd}"));
}

#[test]
fn pictures_of_pages_take_their_colours_from_the_stylesheet() {
    let svg = schedule(&support::technique().body, &Palette::page());
    assert!(svg.contains("var(--accent, "));
    let css = barwright_report::stylesheet();
    for token in barwright_report::palette::TOKENS {
        assert!(css.contains(&format!("--{}:{};", token.name, token.light)));
        assert!(css.contains(&format!("--{}:{};", token.name, token.dark)));
    }
}

#[test]
fn broken_numbers_draw_something_well_formed() {
    let t = support::technique();
    let level = support::level(&t);
    let (s, mut j) = support::bar(&t, &level, "7", Verdict::Hold, 2);
    j.body.indications[0].from_m = f64::NAN;
    j.body.indications[1].depth_m = f64::INFINITY;
    let svg = ribbon(
        &Ribbon {
            length_m: 0.0,
            section: t.body.section,
            lost: &s.body.lost,
            inspected: &[],
            indications: &j.body.indications,
            cut: None,
            heights: None,
            window_m: None,
        },
        &Palette::paper(),
    );
    assert_eq!(count(&svg, "indication"), 2);
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn two_fields_show_levels_difference_and_flags() {
    let (rings, angles) = (40, 128);
    let size = rings * angles;
    let first: Vec<Option<f64>> = (0..size).map(|i| Some(-((i / angles) as f64) / 2.0)).collect();
    let second: Vec<Option<f64>> = first.iter().map(|db| db.map(|db| db + 1.0)).collect();
    let compared: Vec<bool> = (0..size).map(|i| i / angles < 30).collect();
    let picture = |flagged: &[bool]| {
        let pair = FieldPair {
            title: "a <bar>",
            names: ["exact", "rays"],
            radius_m: 0.01,
            angles,
            levels_db: [&first, &second],
            floor_db: -30.0,
            compared: &compared,
            flagged,
        };
        field_pair(&pair, &Palette::paper())
    };
    let some: Vec<bool> = (0..size).map(|i| i % angles < 32).collect();
    let svg = picture(&some);
    assert_eq!(count(&svg, "field"), 3);
    assert_eq!(count(&svg, "scale"), 2);
    assert_eq!(count_in(&svg, "flagged", "path"), 2);
    assert!(words(&svg).contains("|rays − exact|"));
    assert_eq!(count_in(&picture(&vec![false; size]), "flagged", "path"), 0);
    assert_eq!(svg, picture(&some), "equal input, equal bytes");
}

/// A cut plan of some bars: one piece of each cause, names as given.
fn a_lot_cut(bars: usize, name: &str) -> barwright_job::lot_cut::LotCut {
    use barwright_job::{
        Hash,
        judgement::{CutPlan, Fate, MustGo, Piece},
        lot_cut::{BarCut, LengthSold, Losses, LotCut, Standing},
    };
    let piece = |from_m, to_m, fate, reason: &str| Piece {
        from_m,
        to_m,
        fate,
        reason: reason.into(),
        sold_as: (fate == Fate::Keep).then(|| name.to_owned()),
        multiple: None,
    };
    let go = |from_m, to_m, reason: &str| MustGo { from_m, to_m, reason: reason.into() };
    let cut = CutPlan {
        pieces: vec![
            piece(0.0, 0.056, Fate::Scrap, "end, not inspected"),
            piece(0.06, 2.0, Fate::Keep, ""),
            piece(2.004, 2.5, Fate::Scrap, "indication A; remnant"),
            piece(2.504, 4.0, Fate::Keep, ""),
            piece(4.004, 6.0, Fate::Scrap, "not inspected; remnant, no piece open"),
        ],
        kept_m: 3.436,
        lost_m: 2.564,
        unsound: vec![
            go(-0.1, 0.06, "end, not inspected"),
            go(2.1, 2.2, "indication A"),
            go(5.5, 6.0, "not inspected"),
        ],
    };
    let bar = |i: usize| {
        let standing = match i % 10 {
            8 => Standing::Waiting,
            9 => Standing::Rejected,
            _ => Standing::Planned,
        };
        let planned = standing == Standing::Planned;
        BarCut {
            bar: format!("{name}{i}"),
            length_m: 6.0,
            judgement: Hash::of(b"j"),
            standing,
            cut: if planned { cut.clone() } else { CutPlan::default() },
            value_m: 3.436,
        }
    };
    LotCut {
        order: name.into(),
        heat: name.into(),
        bars: (0..bars).map(bar).collect(),
        lengths: vec![LengthSold {
            name: name.into(),
            ordered: "1000 to 2000 mm".into(),
            value_per_m: 1.0,
            pieces: 4,
            kept_m: 3.436,
            open_pieces: Some(5),
            still_open: Some(1),
        }],
        planned_m: 6.0,
        kept_m: 3.436,
        lost_m: 2.564,
        losses: Losses { kerf_m: 0.016, ..Losses::default() },
        value_m: 3.436,
        bound_m: 3.5,
        gap_percent: 1.83,
        findings: vec![],
    }
}

#[test]
fn a_lot_cut_shows_every_bar_and_goes_on_after_a_hundred() {
    use barwright_report::lot_cut::{lot_cut, pictures};
    let plan = a_lot_cut(230, "any");
    assert_eq!(pictures(&plan), 3);
    let rows: Vec<usize> =
        (0..3).map(|k| count(&lot_cut(&plan, k, &Palette::paper()), "bar-row")).collect();
    assert_eq!(rows, [100, 100, 30]);
    let first = lot_cut(&plan, 0, &Palette::paper());
    assert_eq!(count(&first, "not-planned"), 20);
    assert_eq!(count(&first, "keep"), 160);
    assert_eq!(count(&first, "scrap"), 240);
    let words = words(&first);
    for wanted in [
        "bars 1 to 100 of 230, picture 1 of 3; it goes on with picture 2",
        "held: waits, not planned",
        "rejected: not planned",
        "a 1940",
        "at most 1.830 % more",
        "4 pieces of 5 open, 1 stay open",
        "no piece open",
        "saw cut",
    ] {
        assert!(words.contains(wanted), "{wanted} is not in {words}");
    }
    assert_eq!(first, lot_cut(&plan, 0, &Palette::paper()), "equal input, equal bytes");
    let none = lot_cut(&a_lot_cut(0, "any"), 0, &Palette::paper());
    assert_eq!(count(&none, "bar-row"), 0);
    assert!(self::words(&none).contains("no bar has been judged"));
    let hostile = a_lot_cut(3, "<script>\u{202e}\"&");
    let svg =
        lot_cut(&hostile, usize::MAX, &Palette::page()) + &lot_cut(&hostile, 0, &Palette::page());
    assert!(!svg.contains("<script>") && !svg.contains('\u{202e}'));
    roxmltree::Document::parse(&lot_cut(&hostile, 0, &Palette::page())).unwrap();
}

#[test]
fn a_second_look_shows_each_pair_of_modes_with_what_stands_out() {
    let technique = support::technique();
    let level = support::level(&technique);
    let (_, judgement) = support::bar(&technique, &level, "B003", Verdict::Reject, 3);
    let look = support::second_look(&judgement, "A");
    let picture = barwright_report::second_look(&look.body, &Palette::paper());
    assert_eq!(count(&picture, "field"), 2);
    let said = words(&picture);
    assert!(said.contains("L-L") && said.contains("L-S") && said.contains("matrix-7"), "{said}");
    // One place is numbered in each, on a ring of two circles.
    let document = roxmltree::Document::parse(&picture).unwrap();
    let rings = document.descendants().filter(|n| n.tag_name().name() == "circle").count();
    assert_eq!(rings, 4);
    assert_eq!(picture, barwright_report::second_look(&look.body, &Palette::paper()));
    let mut one = look.body.clone();
    one.views.truncate(1);
    one.matrix = "<&\u{202e}x".into();
    let narrow = barwright_report::second_look(&one, &Palette::page());
    assert_eq!(count(&narrow, "field"), 1);
    one.views.clear();
    assert_eq!(count(&barwright_report::second_look(&one, &Palette::page()), "field"), 0);
}
