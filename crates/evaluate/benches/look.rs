//! Speed of an image of a full matrix, beside vectorised NumPy on the same cores: 64 x 64 elements, a bar of 60 mm, places 0.1 mm
//! apart.
//!
//! `cargo bench -p barwright-evaluate --bench look`

#[path = "../../wave/benches/support/mod.rs"]
mod support;

use barwright_evaluate::look::{Grid, Leg, Records, Traces, image};
use barwright_wave::{Point, Surface};
use support::{Row, peer, print, time_s};

const PEER: &str = "look.py";
const ELEMENTS: usize = 64;
const SAMPLES: usize = 3000;
const RADIUS_M: f64 = 30e-3;
const WATER_M: f64 = 30e-3;
const SIDE: usize = 601;
/// Places whose heights are compared with the peer's.
const COMPARED: [(usize, usize); 4] = [(300, 300), (300, 150), (150, 300), (420, 200)];

/// Numbers that look like noise and are the same everywhere.
fn matrix() -> Vec<f32> {
    (0..(ELEMENTS * ELEMENTS * SAMPLES) as u64)
        .map(|i| {
            let mut mixed = (i * 2_654_435_761) & 0xffff_ffff;
            mixed ^= mixed >> 15;
            mixed = (mixed * 2_246_822_519) & 0xffff_ffff;
            (mixed >> 8) as f32 / 16_777_216.0 - 0.5
        })
        .collect()
}

fn main() {
    let values = matrix();
    let traces = Traces {
        elements: ELEMENTS,
        samples: SAMPLES,
        sample_rate_hz: 50e6,
        first_sample_s: 20e-6,
        values: &values,
        centre_hz: 5e6,
    };
    let middle = (ELEMENTS as f64 - 1.0) / 2.0;
    let elements: Vec<Point> =
        (0..ELEMENTS).map(|k| Point::new((k as f64 - middle) * 0.6e-3, 0.0)).collect();
    let surface =
        Surface::Round { centre: Point::new(0.0, WATER_M + RADIUS_M), radius_m: RADIUS_M };
    let grid =
        Grid { corner: Point::new(-30e-3, WATER_M), step_m: 0.1e-3, columns: SIDE, rows: SIDE };
    let leg = |steel_m_s| Leg::Immersion { surface, water_m_s: 1480.0, steel_m_s };
    let records = Records::of(&traces).expect("records");
    let draw = |legs| image(&records, &elements, legs, grid, 0.0).expect("an image");
    let theirs = peer(PEER);
    let drawn = draw([leg(5920.0), leg(5920.0)]);
    let worst = COMPARED
        .iter()
        .filter_map(|&(column, row)| {
            let theirs = theirs.get(&format!("height {column} {row}"))?;
            Some((drawn.height(column, row) / theirs - 1.0).abs())
        })
        .fold(0.0, f64::max);
    let rows = [
        Row {
            case: "records made fit (reciprocity, analytic)".into(),
            ours: time_s(5, || Records::of(&traces).expect("records")),
            peer: None,
            note: String::new(),
        },
        Row {
            case: "image L-L, 361,201 places, 2,080 pairs".into(),
            ours: time_s(7, || draw([leg(5920.0), leg(5920.0)])),
            peer: theirs.get("image").map(|s| ("NumPy, a process a core".into(), *s)),
            note: format!("heights within {worst:.1e} of the peer's"),
        },
        Row {
            case: "image L-S".into(),
            ours: time_s(3, || draw([leg(5920.0), leg(3255.0)])),
            peer: None,
            note: "each direction of a pair has times of its own".into(),
        },
    ];
    print(
        &format!(
            "Image of a full matrix, {} threads",
            std::thread::available_parallelism().map_or(1, usize::from)
        ),
        &rows,
    );
}
