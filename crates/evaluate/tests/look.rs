//! Images from full matrices. Kinds of truth: measurement (a steel block with a hole and a copper block in water, by path,
//! skipped loudly where absent), closed forms (echoes made at exact times), properties (reciprocity, halves, dead
//! elements).

use crate::look_support::{CENTRE_HZ, RATE_HZ, STEEL_L, STEEL_S, WATER, elements, made, measured};
use barwright_evaluate::look::{
    Found, Grid, Leg, LookError, Records, Shape, Spot, Traces, find_surface, image,
};
use barwright_wave::{Point, Surface, path::least_time};

fn traces(values: &[f32], elements: usize, samples: usize, first_s: f64) -> Traces<'_> {
    Traces {
        elements,
        samples,
        sample_rate_hz: RATE_HZ,
        first_sample_s: first_s,
        values,
        centre_hz: CENTRE_HZ,
    }
}

fn about(middle: Point, half_m: f64, step_m: f64) -> Grid {
    let places = (2.0 * half_m / step_m) as usize + 1;
    Grid {
        corner: Point { x: middle.x - half_m, y: middle.y - half_m },
        step_m,
        columns: places,
        rows: places,
    }
}

fn brightest(records: &Records, at: &[Point], legs: [Leg; 2], grid: Grid) -> Spot {
    image(records, at, legs, grid, 0.0).expect("an image").spots(6.0, 1e-3, 1)[0]
}

#[track_caller]
fn stands_at(spot: &Spot, wanted: Point, within_m: f64) {
    let off = (spot.place.x - wanted.x).hypot(spot.place.y - wanted.y);
    assert!(off < within_m, "{:?} is {off} m off {wanted:?}", spot.place);
}

#[test]
fn a_point_in_contact_stands_where_it_is() {
    let (n, samples) = (16, 1200);
    let at = elements(n, 0.6e-3);
    let target = Point { x: 1.37e-3, y: 21.43e-3 };
    let distance = |e: usize| (at[e].x - target.x).hypot(at[e].y - target.y);
    let values = made(n, 0.0, samples, |t, r| vec![((distance(t) + distance(r)) / STEEL_L, 0.4)]);
    let records = Records::of(&traces(&values, n, samples, 0.0)).expect("records");
    assert!(records.noticed.dead.is_empty() && records.noticed.completed == 0);
    assert!(records.noticed.reciprocity.expect("both") < 1e-6);
    let leg = Leg::Contact { steel_m_s: STEEL_L };
    let spot = brightest(&records, &at, [leg, leg], about(target, 3e-3, 0.1e-3));
    // A tenth of a wavelength is 0.118 mm; every pair sums in phase there.
    stands_at(&spot, target, 0.1 * STEEL_L / CENTRE_HZ);
    // Straight lines between samples of a sixteenth of a period lose under 2 %.
    assert!((spot.height - 0.4).abs() < 0.008, "{}", spot.height);
}

#[test]
fn points_in_a_round_bar_stand_where_they_are_by_every_pair_of_modes() {
    let (n, samples, first_s) = (24, 2200, 20e-6);
    let at = elements(n, 0.6e-3);
    let surface = Surface::Round { centre: Point { x: 0.4e-3, y: 51.0e-3 }, radius_m: 30e-3 };
    let target = Point { x: -4.2e-3, y: 38.6e-3 };
    let time = |e: usize, steel: f64| {
        least_time(&surface, at[e], target, WATER, steel).expect("a path").time_s
    };
    for (there, home) in [(STEEL_L, STEEL_L), (STEEL_S, STEEL_S), (STEEL_L, STEEL_S)] {
        // Both directions of a pair hear the same: out by one mode and home by the other, and the other way round.
        let values = made(n, first_s, samples, |t, r| {
            let mut heard = vec![(time(t, there) + time(r, home), 0.3)];
            if there != home {
                heard.push((time(t, home) + time(r, there), 0.3));
            }
            heard
        });
        let records = Records::of(&traces(&values, n, samples, first_s)).expect("records");
        let leg = |steel_m_s| Leg::Immersion { surface, water_m_s: WATER, steel_m_s };
        let spot = brightest(&records, &at, [leg(there), leg(home)], about(target, 3e-3, 0.1e-3));
        stands_at(&spot, target, 0.1 * there.min(home) / CENTRE_HZ);
        assert!((spot.height - 0.3).abs() < 0.03, "{there} {home}: {}", spot.height);
    }
}

#[test]
fn a_half_matrix_is_completed_and_gives_the_same_image() {
    let (n, samples) = (12, 1000);
    let at = elements(n, 0.6e-3);
    let target = Point { x: 0.5e-3, y: 15e-3 };
    let distance = |e: usize| (at[e].x - target.x).hypot(at[e].y - target.y);
    let whole = made(n, 0.0, samples, |t, r| vec![((distance(t) + distance(r)) / STEEL_L, 0.4)]);
    let mut half = whole.clone();
    for t in 0..n {
        for r in 0..t {
            half[(t * n + r) * samples..(t * n + r + 1) * samples].fill(f32::NAN);
        }
    }
    let of = |values: &[f32]| Records::of(&traces(values, n, samples, 0.0)).expect("records");
    let (a, b) = (of(&whole), of(&half));
    assert_eq!((a.noticed.completed, b.noticed.completed), (0, n * (n - 1) / 2));
    assert!(b.noticed.reciprocity.is_none());
    let leg = Leg::Contact { steel_m_s: STEEL_L };
    let grid = about(target, 2e-3, 0.2e-3);
    let heights = |r: &Records| image(r, &at, [leg, leg], grid, 0.0).expect("an image").heights;
    for (a, b) in heights(&a).iter().zip(heights(&b)) {
        // The same numbers added, once as a + a and once as 2 a.
        assert!((a - b).abs() < 1e-6, "{a} {b}");
    }
    // A pair that is missing both ways is named.
    let mut gap = whole.clone();
    for (t, r) in [(2, 5), (5, 2)] {
        gap[(t * n + r) * samples..(t * n + r + 1) * samples].fill(0.0);
    }
    let e = Records::of(&traces(&gap, n, samples, 0.0)).expect_err("a gap");
    assert_eq!(e, LookError::Missing { missing: 1, pairs: n * (n + 1) / 2, first: [2, 5] });
}

#[test]
fn dead_elements_are_left_out_and_clipping_is_told() {
    let (n, samples) = (16, 1000);
    let at = elements(n, 0.6e-3);
    let target = Point { x: 0.5e-3, y: 15e-3 };
    let distance = |e: usize| (at[e].x - target.x).hypot(at[e].y - target.y);
    let gain = |e: usize| if e == 4 || e == 9 { 0.02 } else { 1.0 };
    let mut values = made(n, 0.0, samples, |t, r| {
        vec![((distance(t) + distance(r)) / STEEL_L, 0.4 * gain(t) * gain(r))]
    });
    values[500] = 1.0;
    let records = Records::of(&traces(&values, n, samples, 0.0)).expect("records");
    assert_eq!(records.noticed.dead, [4, 9]);
    assert_eq!(records.noticed.clipped, 1);
    assert_eq!(records.noticed.clipped_s, Some([10e-6, 10e-6]));
    let leg = Leg::Contact { steel_m_s: STEEL_L };
    stands_at(&brightest(&records, &at, [leg, leg], about(target, 2e-3, 0.1e-3)), target, 0.118e-3);
    let none = vec![0.0; n * n * samples];
    assert!(matches!(
        Records::of(&traces(&none, n, samples, 0.0)),
        Err(LookError::Dead { alive: 0, .. })
    ));
    let short = traces(&values[1..], n, samples, 0.0);
    assert!(matches!(Records::of(&short), Err(LookError::Shape { .. })));
}

/// Echoes of a surface at given distances, and an image of it found again.
fn surface_at(distance: impl Fn(Point) -> f64, shape: Shape) -> Result<Found, LookError> {
    let (n, samples, first_s) = (32, 1500, 20e-6);
    let at = elements(n, 0.6e-3);
    let values = made(n, first_s, samples, |t, r| {
        let between = Point { x: (at[t].x + at[r].x) / 2.0, y: 0.0 };
        vec![(2.0 * distance(between) / WATER, 0.5)]
    });
    let records = Records::of(&traces(&values, n, samples, first_s)).expect("records");
    find_surface(&records, &at, shape, WATER, [21e-6, 48e-6], 0.0, CENTRE_HZ)
}

#[test]
fn a_surface_is_found_from_its_echoes() {
    // Round: centre and, where it is not known, radius.
    let (centre, radius_m) = (Point { x: 0.8e-3, y: 55e-3 }, 30e-3);
    let distance = |p: Point| (centre.x - p.x).hypot(centre.y - p.y) - radius_m;
    for (shape, within) in [(Shape::Round { radius_m }, 2e-6), (Shape::RoundFree, 60e-6)] {
        let found = surface_at(distance, shape).expect("a surface");
        let Surface::Round { centre: c, radius_m: r } = found.surface else { panic!("{found:?}") };
        // Tops are read to about a thousandth of a period (0.15 µm of water); a free radius trades
        // against the centre's distance over an array of a third of the bar.
        assert!((c.x - centre.x).abs() < within && (c.y - centre.y).abs() < within, "{found:?}");
        assert!((r - radius_m).abs() < within, "{found:?}");
        assert!(found.scatter_m < 2e-6 && found.elements == 32, "{found:?}");
    }
    // Flat, tilted by a degree: the distance along its normal.
    let (normal, reach) =
        (Point { x: 1_f64.to_radians().sin(), y: 1_f64.to_radians().cos() }, 24e-3);
    let found = surface_at(|p| reach - p.x * normal.x, Shape::Flat).expect("a surface");
    let Surface::Flat { a, b } = found.surface else { panic!("{found:?}") };
    let tilt = ((b.y - a.y) / (b.x - a.x)).atan().to_degrees();
    assert!((tilt + 1.0).abs() < 1e-3, "{tilt} {found:?}");
    // Steel on the left-hand side going from a to b: above, where the array is not.
    assert!(b.x > a.x, "{found:?}");
    // A bar read as a face scatters: by up to 1.3 mm here.
    assert!(matches!(surface_at(distance, Shape::Flat), Err(LookError::NoFit { .. })));
    // Nothing in the window.
    let none = surface_at(|_| 36.6e-3, Shape::Flat);
    assert!(matches!(none, Err(LookError::NoSurface { .. })), "{none:?}");
}

#[test]
fn grids_that_cannot_be_are_refused() {
    let values = made(4, 0.0, 64, |_, _| vec![(0.5e-6, 0.4)]);
    let records = Records::of(&traces(&values, 4, 64, 0.0)).expect("records");
    let leg = Leg::Contact { steel_m_s: STEEL_L };
    let grid =
        |columns, rows| Grid { corner: Point { x: 0.0, y: 1e-3 }, step_m: 1e-4, columns, rows };
    for (columns, rows) in [(0, 5), (5, 0), (usize::MAX, 2), (1 << 14, 1 << 14)] {
        let e = image(&records, &elements(4, 1e-3), [leg, leg], grid(columns, rows), 0.0);
        assert!(matches!(e, Err(LookError::Grid { .. })), "{columns} {rows}");
    }
}

fn records_of(m: &barwright_capture::matrix::FullMatrix) -> (Records, Vec<Point>) {
    let traces = Traces {
        elements: m.array.elements,
        samples: m.samples,
        sample_rate_hz: m.sample_rate_hz,
        first_sample_s: m.first_sample_s,
        values: &m.values,
        centre_hz: m.array.centre_frequency_hz,
    };
    (Records::of(&traces).expect("records"), elements(m.array.elements, m.array.pitch_m))
}

#[test]
fn a_measured_steel_block_shows_its_hole_and_back_wall() {
    let Some(matrix) = measured("fmc-steel-sdh") else { return };
    let (records, at) = records_of(&matrix);
    // The data's description: median relative difference of the two directions 7.4 %.
    let reciprocity = records.noticed.reciprocity.expect("both directions");
    assert!((reciprocity - 0.074).abs() < 0.001, "{reciprocity}");
    let leg = Leg::Contact { steel_m_s: 5850.0 };
    let grid = |low: f64, rows| Grid {
        corner: Point { x: -12e-3, y: low },
        step_m: 0.1e-3,
        columns: 241,
        rows,
    };
    let hole = image(&records, &at, [leg, leg], grid(20e-3, 101), 0.0)
        .expect("an image")
        .spots(6.0, 2e-3, 1)[0];
    let wall = image(&records, &at, [leg, leg], grid(46e-3, 81), 0.0)
        .expect("an image")
        .spots(6.0, 2e-3, 1)[0];
    println!(
        "hole at {:.2} mm, {:.2} mm across; back wall at {:.2} mm",
        hole.place.y * 1e3,
        hole.place.x * 1e3,
        wall.place.y * 1e3
    );
    // Stated: hole at 25 mm, wall at 50 mm.
    assert!((hole.place.y - 25e-3).abs() < 0.5e-3, "{hole:?}");
    assert!((wall.place.y - 50e-3).abs() < 1e-3, "{wall:?}");
}

#[test]
fn a_measured_copper_block_in_water_shows_its_two_holes() {
    let Some(matrix) = measured("fmc-copper-immersion") else { return };
    let (records, at) = records_of(&matrix);
    let centre_hz = matrix.array.centre_frequency_hz;
    let found = find_surface(&records, &at, Shape::Flat, WATER, [30e-6, 36e-6], 0.0, centre_hz)
        .expect("a surface");
    let Surface::Flat { a, b } = found.surface else { panic!("{found:?}") };
    let face = (a.y + b.y) / 2.0;
    println!("surface at {:.2} mm, scatter {:.3} mm", face * 1e3, found.scatter_m * 1e3);
    // Stated: about 24 mm of water.
    assert!((face - 24e-3).abs() < 0.3e-3, "{found:?}");
    // Places worked out elsewhere, to about 0.5 mm, for the two velocities that its source gives.
    for (steel_m_s, wanted) in
        [(4660.0, [(9.8, -0.8), (13.8, 13.6)]), (5010.0, [(10.2, -0.8), (14.6, 14.6)])]
    {
        let leg = Leg::Immersion { surface: found.surface, water_m_s: WATER, steel_m_s };
        let grid = Grid {
            corner: Point { x: -16e-3, y: face + 5e-3 },
            step_m: 0.1e-3,
            columns: 341,
            rows: 151,
        };
        let spots =
            image(&records, &at, [leg, leg], grid, 0.0).expect("an image").spots(12.0, 2e-3, 2);
        for (spot, (depth_mm, x_mm)) in spots.iter().zip(wanted) {
            let (depth, x) = ((spot.place.y - face) * 1e3, spot.place.x * 1e3);
            println!("{steel_m_s} m/s: {depth:.2} mm deep, {x:.2} mm across");
            assert!((depth - depth_mm).hypot(x - x_mm) < 0.6, "{spot:?}");
        }
        assert_eq!(spots.len(), 2);
    }
}
