//! How fast pages follow a hand: measurements, not tests, run by name and printed:
//! `cargo test --release -p barwright-web --features browser --test browser -- --ignored --nocapture measured`.

use barwright_job::{
    Sealed,
    judgement::Verdict,
    screened::{Echo, EchoMark},
};
use barwright_web::files;
use serde_json::Value;

use crate::{
    driver::{Browser, browser, pictures, served},
    support,
};

/// Beams of the technique, and metres of the bar: the largest that a station of the trade has.
const BEAMS: u32 = 600;
const LENGTH_M: f64 = 12.0;

/// A bar that every one of many beams read every 5 mm; heights made up from a wave.
async fn large() -> support::Job {
    let job = support::full().await;
    let mut body = support::fixture::technique().body;
    let own = body.beams.clone();
    body.beams = (0..BEAMS)
        .map(|id| {
            let mut beam = own[id as usize % own.len()].clone();
            beam.id = id;
            beam
        })
        .collect();
    let technique = Sealed::seal(body, []);
    files::write_sealed(&job.folder.technique_path(), &technique).unwrap();
    let level = support::fixture::level(&support::fixture::technique());
    let (screened, judgement) =
        support::fixture::bar(&technique, &level, "B999", Verdict::Crop, 24);
    let mut screened = screened.body;
    screened.length_m = LENGTH_M;
    files::write_sealed(&job.folder.screened_path("B999"), &Sealed::seal(screened, [])).unwrap();
    files::write_sealed(&job.folder.judgement_path("B999"), &judgement).unwrap();
    let mut echoes = Vec::new();
    for step in 0..(LENGTH_M / 0.005) as u32 {
        for beam in &technique.body.beams {
            for (k, gate) in beam.gates.iter().enumerate() {
                echoes.push(Echo {
                    beam: beam.id,
                    gate: k as u8,
                    z_m: 0.005 * f64::from(step),
                    turn_rad: 0.0,
                    height_fsh: 0.05 + 0.0004 * ((step * 7 + beam.id * 13) % 251) as f32,
                    after_surface_s: 0.5 * (gate.start_s + gate.end_s),
                    mark: EchoMark::Sound,
                });
            }
        }
    }
    let path = job.folder.echoes_path("B999");
    barwright_capture::write_echoes(&path, &technique.hash, &echoes).unwrap();
    eprintln!("{} echoes of {BEAMS} beams over {LENGTH_M} m", echoes.len());
    job
}

const PAN: &str = "
    const done = arguments[0];
    const figure = document.querySelector('figure[data-stretch]');
    const canvas = figure.querySelector('.canvas');
    const key = (key) => canvas.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }));
    for (let i = 0; i < 6; i += 1) key('+');
    const start = performance.now();
    const before = Number(figure.dataset.drawn ?? 0);
    let [frames, longest, last, way] = [0, 0, start, 'ArrowRight'];
    const tick = (now) => {
        frames += 1;
        longest = Math.max(longest, now - last);
        last = now;
        if (frames % 40 === 0) way = way === 'ArrowRight' ? 'ArrowLeft' : 'ArrowRight';
        key(frames % 10 === 0 ? (frames % 20 ? '+' : '-') : way);
        const seconds = (now - start) / 1000;
        if (seconds < 4) requestAnimationFrame(tick);
        else setTimeout(() => done({ frames: frames / seconds, longest, drawn: (Number(figure.dataset.drawn) - before) / seconds }), 300);
    };
    requestAnimationFrame(tick);";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "a measurement"]
async fn measured_panning_and_zooming_a_long_bar_of_many_beams() {
    if !browser() {
        return;
    }
    let job = large().await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.size(1280, 900).await;
    let begun = std::time::Instant::now();
    b.driver.goto(format!("http://{at}/bars/B999")).await.unwrap();
    eprintln!("first look: {:.2} s", begun.elapsed().as_secs_f64());
    for _ in 0..3 {
        let found = b.driver.execute_async(PAN, Vec::<Value>::new()).await.unwrap();
        eprintln!("frames and stretches drawn a second, longest frame in ms: {}", found.json());
    }
    b.picture(&pictures().join("long-bar.png"), 1280).await;
    b.end().await;
}
