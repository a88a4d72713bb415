//! Every page in a real browser: light, dark and on a narrow screen; headings, no errors on the
//! console, nothing that sticks out sideways, a visible focus. Own rules; needs `chromium` and
//! `chromedriver`, and the feature `browser`:
//! `cargo test --release -p barwright-web --features browser`. Screenshots lie in the target's
//! temporary folder, under `pages/`.
#![allow(clippy::unwrap_used)]

mod accessible;
mod driver;
mod measured;
#[path = "../support/mod.rs"]
mod support;
mod trying;
mod whole;

use std::net::Ipv4Addr;
use std::time::Duration;

use driver::{Browser, PASSWORD, browser, name_of, people, pictures, served};
use serde_json::{Value, json};
use thirtyfour::Key;

/// A form of the pages: name for pictures, dark or not, width and height in CSS pixels.
const FORMS: [(&str, bool, u32, u32); 4] = [
    ("light", false, 1280, 900),
    ("dark", true, 1280, 900),
    ("narrow", false, 360, 740),
    ("wide", true, 2200, 1200),
];

/// Elements that stick out of the page sideways, though nothing scrolls them.
const STICKS_OUT: &str = "
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth <= width) return [];
    return [...document.querySelectorAll('body *')]
        .filter((e) => e.getBoundingClientRect().right > width + 0.5)
        .slice(0, 5).map((e) => e.outerHTML.slice(0, 90));";

/// Whether what has the focus shows it: an outline of some width.
const SHOWS_FOCUS: &str = "
    const e = document.activeElement;
    if (!e || e === document.body) return 'nothing has the focus';
    const s = getComputedStyle(e);
    return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2 ? '' : e.outerHTML.slice(0, 90);";

#[tokio::test]
async fn every_page_stands_in_every_form() {
    if !browser() {
        return;
    }
    let (job, empty) = (support::full().await, support::empty());
    let drifting = support::drifting().await;
    let (full_at, empty_at) = (served(&job).await, served(&empty).await);
    let drifting_at = served(&drifting).await;
    let b = Browser::start().await;
    for (form, dark, width, height) in FORMS {
        b.system(dark).await;
        let full = support::ADDRESSES.map(|a| (full_at, a, "full"));
        let bare = ["/", "/technique", "/ledger"].map(|a| (empty_at, a, "empty"));
        let drift = [(drifting_at, "/trends", "drifting")];
        for (at, address, folder) in full.into_iter().chain(bare).chain(drift) {
            let place = format!("{folder} {address} {form}");
            b.size(width, height).await;
            b.driver.goto(format!("http://{at}{address}")).await.unwrap();
            assert!(
                b.ask("return document.querySelector('h1').innerText.length > 2").await == true,
                "{place}"
            );
            assert_eq!(b.ask(STICKS_OUT).await, json!([]), "{place} sticks out");
            let ground = b.ask("return getComputedStyle(document.body).backgroundColor").await;
            let dark_ground = ground.as_str().unwrap().contains("25, 23, 19");
            assert_eq!(dark_ground, dark, "{place}: the ground is {ground}");
            let font = b
                .ask("return document.fonts.ready.then(() => document.fonts.check('16px Archivo'))")
                .await;
            assert!(font == true, "{place}: the type is not there");
            // The skip link, the name, and what follows: each shows that it has the focus.
            for _ in 0..4 {
                b.press(Key::Tab).await;
                assert_eq!(b.ask(SHOWS_FOCUS).await, "", "{place}");
            }
            let complaints = b.complaints().await;
            assert!(complaints.is_empty(), "{place}: {complaints:?}");
            b.ask("document.activeElement.blur()").await;
            let path = pictures().join(format!("{folder}{}-{form}.png", name_of(address)));
            b.picture(&path, width).await;
        }
    }
    b.end().await;
}

#[tokio::test]
async fn the_line_is_followed_as_it_runs_and_by_who_comes_later() {
    use barwright_web::receive::{LineState, News, Newsroom};
    if !browser() {
        return;
    }
    let job = support::full().await;
    let news = Newsroom::default();
    let (line, bar) = ("line 2".to_owned(), "0007".to_owned());
    news.note(LineState { line: line.clone(), ..LineState::default() });
    let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
    let at = listener.local_addr().unwrap();
    let pages = barwright_web::router_for(
        job.folder.clone(),
        Some(news.clone()),
        barwright_web::Reach::Loopback,
        barwright_web::House::default(),
    );
    tokio::spawn(async move { axum::serve(listener, pages).await.unwrap() });
    let b = Browser::start().await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/line")).await.unwrap();
    let said = |what: &str| format!("return document.querySelector('[data-{what}]').textContent");
    let until = async |script: &str, wanted: Value| {
        b.until_it_says(script, &wanted, "the news").await;
    };
    until(&said("line-link"), json!("Following the line.")).await;
    assert_eq!(b.ask(&said("bar")).await, "no bar");
    let alarm = barwright_evaluate::screen::Alarm {
        class: barwright_job::proof::FlawClass::Crack,
        shot: 5,
        beam: 1,
        z_m: 1.5,
        // At 12 o'clock: in the middle of the bar unrolled from 6.
        place: barwright_wave::Point::new(0.0, 0.02),
        height_fsh: 0.7,
        time_s: 1.5,
    };
    let began =
        News::Began { line: line.clone(), bar: bar.clone(), heat: "H".into(), length_m: 3.0 };
    news.tell(began);
    news.tell(News::Alarm { line: line.clone(), bar: bar.clone(), alarm });
    let state = LineState {
        line: line.clone(),
        bar: bar.clone(),
        length_m: 3.0,
        z_m: 2.25,
        shots: 4000,
        alarms: 1,
        uncoupled_beams: 3,
        speed_m_s: Some(0.62),
        uncoupled_m: vec![[1.0, 1.25]],
        running: true,
    };
    news.tell(News::Progress(state));
    until(&said("bar"), json!("0007")).await;
    let drawn = "return [...document.querySelectorAll('.alarm, [data-passed]')]
        .map((e) => e.getAttribute('d') ?? e.getAttribute('width'))";
    // Three quarters have passed; the alarm stands at half the length and half the height.
    until(drawn, json!(["750", "M491 65l9 -9l9 9l-9 9z"])).await;
    assert_eq!(b.ask(&said("coupling")).await, "3");
    assert_eq!(b.ask(&said("speed")).await, "0.62");
    // A quarter of a metre of two and a quarter passed without coupling.
    assert_eq!(b.ask(&said("coupled")).await, "88.9");
    two_metres(&b).await;
    b.picture(&pictures().join("line-running.png"), 1280).await;
    b.size(1280, 900).await;
    let held = News::Ended { line, bar, broken_off: Some("power was lost".into()) };
    news.tell(held);
    let last = said("last");
    until(&last, json!("0007: broken off and held: power was lost")).await;
    // A page that is opened now shows the same.
    b.driver.goto(format!("http://{at}/line")).await.unwrap();
    until(&last, json!("0007: broken off and held: power was lost")).await;
    until(drawn, json!(["750", "M491 65l9 -9l9 9l-9 9z"])).await;
    assert!(b.complaints().await.is_empty());
    b.end().await;
}

/// Figures and their names are tall enough to be read from two metres on a screen of 1920 pixels in 0.53 m:
/// capitals of 16 minutes of arc at least, 20 for figures (legible heights of ISO 9241-303, from memory);
/// capitals of the type are 0.686 of its size.
async fn two_metres(b: &Browser) {
    b.size(1920, 1080).await;
    let tall = async |what: &str| {
        let script = format!(
            "return parseFloat(getComputedStyle(document.querySelector('{what}')).fontSize)"
        );
        0.686 * b.ask(&script).await.as_f64().unwrap() * 0.53 / 1920.0
    };
    let arc = |minutes: f64| 2.0 * (minutes / 60.0).to_radians().tan();
    for (what, least) in [(".dials dd", 20.0), (".dials dt", 16.0), (".now strong", 20.0)] {
        let found = tall(what).await;
        assert!(found >= arc(least), "{what}: {found} m, {} m asked", arc(least));
    }
    b.picture(&pictures().join("line-two-metres.png"), 1920).await;
    b.size(1280, 900).await;
}

#[tokio::test]
async fn a_flood_of_news_is_followed_and_a_lost_connection_is_made_up_for() {
    use barwright_web::receive::{LineState, News, Newsroom};
    if !browser() {
        return;
    }
    let job = support::full().await;
    let news = Newsroom::default();
    news.note(LineState { line: "line 2".into(), ..LineState::default() });
    // A runtime of its own, so that its end closes what is open, as that of a program does.
    let serve = async |at: std::net::SocketAddr| {
        let service = tokio::runtime::Runtime::new().unwrap();
        let (folder, news) = (job.folder.clone(), news.clone());
        let (tell, told) = tokio::sync::oneshot::channel();
        service.spawn(async move {
            let listener = tokio::net::TcpListener::bind(at).await.unwrap();
            tell.send(listener.local_addr().unwrap()).unwrap();
            let reach = barwright_web::Reach::Loopback;
            let house = barwright_web::House::default();
            axum::serve(listener, barwright_web::router_for(folder, Some(news), reach, house))
                .await
                .unwrap();
        });
        (told.await.unwrap(), service)
    };
    let (at, service) = serve((Ipv4Addr::LOCALHOST, 0).into()).await;
    let b = Browser::start().await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/line")).await.unwrap();
    let said = |what: &str| format!("return document.querySelector('[data-{what}]').textContent");
    let until = async |script: &str, wanted: &str| {
        b.until_it_says(script, &json!(wanted), "the news").await;
    };
    until(&said("line-link"), "Following the line.").await;
    let bar = |n: u32| format!("{n:04}");
    let state = |n: u32, z_m: f64| LineState {
        line: "line 2".into(),
        bar: bar(n),
        length_m: 12.0,
        z_m,
        shots: (z_m * 1e4) as u64,
        running: true,
        ..LineState::default()
    };
    let began = |n: u32| News::Began {
        line: "line 2".into(),
        bar: bar(n),
        heat: "H".into(),
        length_m: 12.0,
    };
    // A bar of 12 m in two seconds, four times the fastest line, 500 states a second.
    news.tell(began(1));
    for k in 1..=1000u32 {
        news.tell(News::Progress(state(1, 0.012 * f64::from(k))));
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    // The last state stands soon (within half a second on a quiet machine), and fewer pictures than
    // states were drawn.
    until(&said("place"), "12.00").await;
    let drawn = "return Number(document.querySelector('section[data-line]').dataset.drawn)";
    let drawn = b.ask(drawn).await.as_u64().unwrap();
    assert!((2..900).contains(&drawn), "{drawn} pictures of 1000 states");

    // The service goes away, the line runs on, and another service comes up at the same place.
    service.shutdown_background();
    until(&said("line-link"), "The service does not answer; what is shown may be old.").await;
    b.picture(&pictures().join("line-lost.png"), 1280).await;
    b.size(1280, 900).await;
    news.tell(began(2));
    news.tell(News::Progress(state(2, 3.5)));
    let (_, service) = serve(at).await;
    until(&said("bar"), "0002").await;
    until(&said("place"), "3.50").await;
    until(&said("line-link"), "Following the line.").await;
    service.shutdown_background();
    b.end().await;
}

#[tokio::test]
async fn the_form_is_chosen_and_kept_and_the_pointer_reads_out() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.system(false).await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/bars/B002")).await.unwrap();
    b.ask("document.querySelector('[data-form-switch]').click()").await;
    let form = "return document.documentElement.dataset.form";
    assert_eq!(b.ask(form).await, "dark");
    b.driver.goto(format!("http://{at}/level")).await.unwrap();
    assert_eq!(b.ask(form).await, "dark", "the choice is kept from page to page");

    b.driver.goto(format!("http://{at}/bars/B002")).await.unwrap();
    // In the middle of the bar's axis the read-out must say half its length, to a pixel's worth.
    let said = b
        .ask(
            "const figure = document.querySelector('figure[data-along-length]');
             const svg = figure.querySelector('svg');
             const { alongFrom, alongTo, alongLength } = figure.dataset;
             const x = (Number(alongFrom) + Number(alongTo)) / 2;
             const at = new DOMPoint(x, 100).matrixTransform(svg.getScreenCTM());
             svg.dispatchEvent(new PointerEvent('pointermove',
                 { clientX: at.x, clientY: at.y, bubbles: true }));
             return [figure.querySelector('output').textContent, Number(alongLength)];",
        )
        .await;
    let metres: f64 = said[0].as_str().unwrap().split_whitespace().next().unwrap().parse().unwrap();
    // Half a pixel of about 660 over the length, and the three decimals printed.
    let tolerance = said[1].as_f64().unwrap() / 1000.0;
    assert!((metres - said[1].as_f64().unwrap() / 2.0).abs() < tolerance, "{said}");

    // The skip link leads past the chain.
    b.press(Key::Tab).await;
    b.press(Key::Enter).await;
    assert_eq!(b.ask("return document.activeElement.id").await, "main");
    b.end().await;
}

#[tokio::test]
async fn people_sign_in_approve_and_sign_out() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    people(&job).await;
    let at = served(&job).await;
    let b = Browser::start().await;
    let goto = async |address: &str| b.driver.goto(format!("http://{at}{address}")).await.unwrap();

    // The page for signing in, and the technique to be approved, in every form.
    for (form, dark, width, height) in FORMS {
        b.system(dark).await;
        b.size(width, height).await;
        b.driver.delete_all_cookies().await.unwrap();
        goto("/technique").await;
        assert_eq!(b.path().await, "/sign-in", "{form}");
        assert_eq!(b.ask(STICKS_OUT).await, json!([]), "{form}: sign-in sticks out");
        assert_eq!(b.ask("return document.activeElement.name").await, "name", "{form}");
        assert_eq!(b.ask(SHOWS_FOCUS).await, "", "{form}");
        b.picture(&pictures().join(format!("sign-in-{form}.png")), width).await;
        b.size(width, height).await;
        b.sign_in("L3", PASSWORD).await;
        assert_eq!(b.path().await, "/technique", "{form}");
        assert!(b.says("signed in as L3").await, "{form}");
        assert_eq!(b.ask(STICKS_OUT).await, json!([]), "{form}: technique sticks out");
        b.picture(&pictures().join(format!("approve-{form}.png")), width).await;
    }
    b.system(false).await;
    b.size(1280, 900).await;
    b.complaints().await;

    let approve = "document.querySelector('form[action=\"/technique/approve\"] button').click()";
    b.ask(approve).await;
    b.until("return document.body.innerText.includes('Approved by L3 as level 3')", "the approval")
        .await;
    assert_eq!(b.path().await, "/technique");
    b.picture(&pictures().join("approved-light.png"), 1280).await;
    b.size(1280, 900).await;
    b.ask("document.querySelector('form[action=\"/sign-out\"] button').click()").await;
    goto("/").await;
    assert_eq!(b.path().await, "/sign-in", "signed out");
    assert!(b.complaints().await.is_empty());

    // An auditor reads, sees no form, and is refused what the form would send.
    b.sign_in("A1", PASSWORD).await;
    goto("/technique").await;
    let forms = "return document.querySelectorAll('main form').length";
    assert_eq!(b.ask(forms).await, 0);
    let hash = support::fixture::technique().hash;
    let forged = format!(
        "return fetch('/technique/approve', {{ method: 'POST',
            body: new URLSearchParams({{ technique: '{hash}' }}) }}).then((a) => a.status)"
    );
    assert_eq!(b.ask(&forged).await, 403);
    b.ask("document.querySelector('form[action=\"/sign-out\"] button').click()").await;

    // Wrong passwords are slowed.
    goto("/sign-in").await;
    // The fourth must wait a second, the fifth two: on a busy machine typing takes as long.
    let mut wrong = 0;
    while !b.says("one must wait").await {
        wrong += 1;
        assert!(wrong < 10, "ten wrong passwords are not slowed");
        b.sign_in("Q1", "eight bars of snow").await;
        assert_eq!(b.path().await, "/sign-in");
    }
    assert!(wrong > 3, "{wrong} wrong passwords are slowed");
    b.picture(&pictures().join("sign-in-slowed.png"), 1280).await;
    b.end().await;
}
