//! The pages as answers to requests, without a browser. Properties of the service; own rules.
#![allow(clippy::unwrap_used)]

use crate::support;

use axum::{
    body::{Body, to_bytes},
    http::{HeaderMap, Method, Request, StatusCode, header},
};
use barwright_job::{Sealed, second_look::SecondLook};
use barwright_ledger::{Record, Store};
use barwright_web::{JobFolder, files, router};
use tower::ServiceExt as _;

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    text: String,
}

impl Answer {
    fn header(&self, name: header::HeaderName) -> &str {
        self.headers.get(name).map_or("", |v| v.to_str().unwrap())
    }
}

async fn ask(folder: &JobFolder, request: Request<Body>) -> Answer {
    let response = router(folder.clone()).oneshot(request).await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    let body = to_bytes(response.into_body(), 1 << 24).await.unwrap();
    Answer { status, headers, text: String::from_utf8_lossy(&body).into_owned() }
}

async fn get(folder: &JobFolder, address: &str) -> Answer {
    ask(folder, Request::get(address).body(Body::empty()).unwrap()).await
}

#[tokio::test]
async fn every_page_of_a_full_folder_stands_and_is_framed() {
    let job = support::full().await;
    for address in support::ADDRESSES {
        let a = get(&job.folder, address).await;
        assert_eq!(a.status, StatusCode::OK, "{address}");
        let policy = a.header(header::CONTENT_SECURITY_POLICY);
        assert!(policy.contains("default-src 'none'"), "{address}: {policy}");
        assert!(policy.contains("frame-ancestors 'none'"), "{address}: {policy}");
        assert!(!policy.contains("unsafe"), "{address}: {policy}");
        assert_eq!(a.header(header::X_CONTENT_TYPE_OPTIONS), "nosniff", "{address}");
        // The policy would block these; a page must not rest on them.
        assert!(!a.text.contains(" style=\""), "{address} has an inline style");
        assert!(!a.text.contains("<script>"), "{address} has an inline script");
        assert_eq!(a.text.matches("<h1>").count(), 1, "{address}");
        assert!(a.text.contains("<main"), "{address}");
        for link in ["Order", "Technique", "Levelled", "Checked", "Screened", "Released"] {
            assert!(a.text.contains(link), "{address} lacks the link {link}");
        }
        // Two bars stand behind a failed check: no page lets that be overlooked.
        assert!(a.text.contains("bars are held"), "{address} hides the holds");
    }
}

#[tokio::test]
async fn pages_that_release_steel_carry_the_cautions() {
    let job = support::full().await;
    for address in ["/", "/checks", "/bars", "/bars/B001", "/ledger", "/papers"] {
        let a = get(&job.folder, address).await;
        for caution in barwright_report::cautions() {
            let words = caution.replace('\'', "&#39;");
            assert!(a.text.contains(caution) || a.text.contains(&words), "{address}: {caution}");
        }
    }
}

#[tokio::test]
async fn an_empty_folder_says_what_would_be_there_and_what_makes_it() {
    let job = support::empty();
    for (address, command) in [
        ("/", "barwright example"),
        ("/order", "barwright example"),
        ("/technique", "barwright plan"),
        ("/proof", "barwright prove"),
        ("/reference", "barwright refbar"),
        ("/level", "barwright level"),
        ("/checks", "barwright check"),
        ("/bars", "barwright screen"),
        ("/ledger", "barwright ledger"),
        ("/papers", "barwright certify"),
    ] {
        let a = get(&job.folder, address).await;
        assert_eq!(a.status, StatusCode::OK, "{address}");
        assert!(a.text.contains(command), "{address} does not name {command}");
    }
}

// Words and figures known from the fixture.
#[tokio::test]
async fn proof_and_technique_say_what_is_not_seen_and_what_else_there_was() {
    let job = support::full().await;
    let proof = get(&job.folder, "/proof").await.text;
    for wanted in [
        "volume (disc)",
        "surface (crack)",
        "volume (inclusion)",
        "centre (pipe)",
        "between 12.0 and 15.0 mm from the axis, 12:55 to 2:05 o'clock",
        "of the places the engine itself doubts its answer",
        "19 in 20 exceed",
        "bar 0.28 mm off centre towards 1:30",
        "By rays beside",
        "94.90",
    ] {
        let escaped = wanted.replace('\'', "&#39;");
        assert!(proof.contains(wanted) || proof.contains(&escaped), "{wanted}");
    }
    let technique = get(&job.folder, "/technique").await.text;
    for wanted in ["What else was weighed", "51 firings a cycle", "What a change would buy", "+14"]
    {
        assert!(technique.contains(wanted), "{wanted}");
    }
    assert!(technique.contains("this one is 3.1 % over that"));
}

#[tokio::test]
async fn damaged_and_later_documents_are_said_where_they_stand() {
    let job = support::full().await;
    let f = &job.folder;
    let text = files::read_text(&f.technique_path()).unwrap();
    files::write(
        &f.technique_path(),
        text.replacen("\"format\": 1", "\"format\": 9", 1).as_bytes(),
    )
    .unwrap();
    let a = get(f, "/technique").await;
    assert_eq!(a.status, StatusCode::OK);
    assert!(a.text.contains("newer than format 1"), "a later format is named");
    for path in [f.level_path(), f.screened_path("B002"), f.check_path(2), f.proof_path()] {
        files::write(&path, b"{\"document\": \"le").unwrap();
    }
    files::write(&f.order_path(), b"format = 1\n[order]\nnumbre = 3\n").unwrap();
    for address in support::ADDRESSES {
        let a = get(f, address).await;
        assert_eq!(a.status, StatusCode::OK, "{address}");
    }
    for (address, words) in [
        ("/level", "cannot be used"),
        ("/proof", "cannot be used"),
        ("/checks", "cannot be used"),
        ("/bars/B002", "cannot be used"),
        ("/order", "order.toml:3"),
        ("/", "not readable"),
    ] {
        let a = get(f, address).await;
        assert!(a.text.contains(words), "{address} does not say {words}");
    }
}

#[tokio::test]
async fn a_ledger_that_is_none_is_said() {
    let job = support::full().await;
    std::fs::write(job.folder.ledger_path(), "not a database, and long enough to be looked at")
        .unwrap();
    for ending in ["-wal", "-shm"] {
        let beside = format!("{}{ending}", job.folder.ledger_path().display());
        let _ = std::fs::remove_file(beside);
    }
    let a = get(&job.folder, "/ledger").await;
    assert_eq!(a.status, StatusCode::OK);
    assert!(a.text.contains("does not answer"), "{}", a.text);
    assert!(!a.text.contains("between two good checks of its"), "nothing is released then");
}

#[tokio::test]
async fn what_is_not_there_is_not_found_and_nothing_outside_is_read() {
    let job = support::full().await;
    for address in [
        "/bars/B999",
        "/bars/..%2Forder",
        "/bars/%00",
        "/papers/../order.toml",
        "/papers/..%2Forder.toml",
        "/papers/..%2F..%2Fetc%2Fpasswd.pdf",
        "/papers/order.toml",
        "/papers/absent.pdf",
        "/nothing",
    ] {
        let a = get(&job.folder, address).await;
        assert_eq!(a.status, StatusCode::NOT_FOUND, "{address}");
        assert!(a.text.contains("<h1>"), "{address}: a page all the same");
        assert!(!a.text.contains("diameter_mm"), "{address} gives a file away");
    }
    for address in ["/assets/../Cargo.toml", "/assets/..%2FCargo.toml", "/assets/none.css"] {
        assert_eq!(get(&job.folder, address).await.status, StatusCode::NOT_FOUND, "{address}");
    }
}

#[tokio::test]
async fn names_are_shown_and_cannot_act() {
    let job = support::full().await;
    let text = files::read_text(&job.folder.order_path()).unwrap();
    let hostile =
        text.replace("Ostgrave Shafts (invented)", "<img src=x onerror=alert(1)>\u{202e}x");
    files::write(&job.folder.order_path(), hostile.as_bytes()).unwrap();
    for address in ["/", "/order"] {
        let a = get(&job.folder, address).await;
        assert_eq!(a.status, StatusCode::OK, "{address}");
        assert!(!a.text.contains("<img src=x"), "{address}");
        assert!(!a.text.contains('\u{202e}'), "{address}");
    }
}

#[tokio::test]
async fn a_stretch_of_a_bar_is_drawn_for_bars_of_the_folder_alone() {
    let job = support::full().await;
    let good = get(&job.folder, "/bars/B002/stretch?from_m=0.5&to_m=1").await;
    assert_eq!(good.status, StatusCode::OK);
    assert!(good.text.starts_with("<svg") && good.text.contains("indication"));
    for (address, status) in [
        ("/bars/nobody/stretch?from_m=0&to_m=1", StatusCode::NOT_FOUND),
        ("/bars/..%2FB002/stretch?from_m=0&to_m=1", StatusCode::NOT_FOUND),
        ("/bars/B002/stretch", StatusCode::BAD_REQUEST),
        ("/bars/B002/stretch?from_m=x&to_m=1", StatusCode::BAD_REQUEST),
    ] {
        assert_eq!(get(&job.folder, address).await.status, status, "{address}");
    }
    // What is no stretch is the whole bar.
    let whole = get(&job.folder, "/bars/B002/stretch?from_m=0&to_m=3").await.text;
    for odd in ["from_m=NaN&to_m=1", "from_m=2&to_m=1", "from_m=-inf&to_m=inf"] {
        let svg = get(&job.folder, &format!("/bars/B002/stretch?{odd}")).await.text;
        assert!(svg == whole, "{odd}");
    }
}

#[tokio::test]
async fn papers_and_assets_come_with_their_kind() {
    let job = support::full().await;
    for (address, kind) in [
        ("/papers/technique.pdf", "application/pdf"),
        ("/assets/page.css", "text/css; charset=utf-8"),
        ("/assets/tokens.css", "text/css; charset=utf-8"),
        ("/assets/form.js", "text/javascript; charset=utf-8"),
        ("/assets/pictures.js", "text/javascript; charset=utf-8"),
        ("/assets/type/archivo.woff2", "font/woff2"),
        ("/assets/type/archivo-OFL.txt", "text/plain; charset=utf-8"),
    ] {
        let a = get(&job.folder, address).await;
        assert_eq!((a.status, a.header(header::CONTENT_TYPE)), (StatusCode::OK, kind), "{address}");
    }
    let first = get(&job.folder, "/assets/page.css").await;
    let again = Request::get("/assets/page.css")
        .header(header::IF_NONE_MATCH, first.header(header::ETAG))
        .body(Body::empty())
        .unwrap();
    assert_eq!(ask(&job.folder, again).await.status, StatusCode::NOT_MODIFIED);
}

#[tokio::test]
async fn only_reading_is_answered_and_only_under_its_own_name() {
    let job = support::full().await;
    for method in [Method::POST, Method::PUT, Method::DELETE] {
        let builder = || Request::builder().method(&method).uri("/order");
        let own = builder().header("sec-fetch-site", "same-origin").body(Body::empty()).unwrap();
        assert_eq!(ask(&job.folder, own).await.status, StatusCode::METHOD_NOT_ALLOWED);
        let unknown = builder().body(Body::empty()).unwrap();
        assert_eq!(ask(&job.folder, unknown).await.status, StatusCode::FORBIDDEN);
    }
    let foreign = Request::get("/").header(header::HOST, "lot.example.org").body(Body::empty());
    let a = ask(&job.folder, foreign.unwrap()).await;
    assert_eq!(a.status, StatusCode::MISDIRECTED_REQUEST);
    assert!(!a.text.contains("TH-4207"));
}

#[tokio::test]
async fn an_address_for_all_is_refused_unless_told() {
    let job = support::empty();
    let e = barwright_web::serve(job.folder.clone(), "0.0.0.0:0".parse().unwrap(), false).await;
    let e = e.expect_err("it can be reached from other machines");
    assert!(matches!(e, barwright_web::ServeError::Open { .. }), "{e}");
    assert!(e.hint().is_some());
}

// A page follows the files: what a command writes shows on the next request.
#[tokio::test]
async fn the_chain_follows_the_files() {
    let job = support::empty();
    let service = router(job.folder.clone());
    let ask = async |address: &str| {
        let request = Request::get(address).body(Body::empty()).unwrap();
        let response = service.clone().oneshot(request).await.unwrap();
        let body = to_bytes(response.into_body(), 1 << 24).await.unwrap();
        String::from_utf8_lossy(&body).into_owned()
    };
    assert!(ask("/").await.contains("to be written"));
    support::written(&job.folder);
    let page = ask("/").await;
    assert!(page.contains("TH-4207") && page.contains("to be planned"));
    let technique = support::fixture::technique();
    files::write_sealed(&job.folder.technique_path(), &technique).unwrap();
    assert!(ask("/").await.contains("not proved"));
    // Another order under the same technique: the link splits.
    let text = files::read_text(&job.folder.order_path()).unwrap();
    files::write(&job.folder.order_path(), text.replace("count = 24", "count = 25").as_bytes())
        .unwrap();
    assert!(ask("/").await.contains("out of date"));
}

/// Relative luminance of `#rrggbb`, WCAG 2.2.
fn luminance(hex: &str) -> f64 {
    let channel = |k: usize| {
        let c = f64::from(u8::from_str_radix(&hex[k..k + 2], 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
}

// Published rule: WCAG 2.2, 1.4.3, contrast of at least 4.5 : 1 for words (AA).
#[test]
fn words_stand_out_from_their_ground() {
    let token = |name: &str, dark: bool| {
        let t = barwright_report::palette::TOKENS.iter().find(|t| t.name == name).unwrap();
        if dark { t.dark } else { t.light }
    };
    let pairs = [
        ("ink", "paper"),
        ("ink", "card"),
        ("ink", "steel"),
        ("ink", "tint"),
        ("soft", "paper"),
        ("soft", "card"),
        ("accent", "paper"),
        ("accent", "card"),
        ("alert", "paper"),
        ("alert", "card"),
        ("paper", "alert"),
        ("paper", "ink"),
    ];
    for dark in [false, true] {
        for (words, ground) in pairs {
            let (a, b) = (luminance(token(words, dark)), luminance(token(ground, dark)));
            let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
            assert!(contrast >= 4.5, "{words} on {ground}, dark {dark}: {contrast:.2}");
        }
    }
}

// Own rules: the plan is drawn where it is, and said to be old once a judgement is another.
#[tokio::test]
async fn the_cut_plan_of_the_lot_stands_with_its_bars() {
    let job = support::full().await;
    let before = get(&job.folder, "/bars").await.text;
    assert!(before.contains("barwright cut") && !before.contains("Cut plan of the lot"));
    let order = job.folder.order().unwrap();
    let names = job.folder.judged_bars().unwrap();
    assert!(!names.is_empty());
    let judged: Vec<_> = names.iter().map(|n| job.folder.judgement(n).unwrap()).collect();
    let bars: Vec<_> = judged
        .iter()
        .map(|j| barwright_evaluate::cut::LotBar { judgement: &j.body, hash: &j.hash })
        .collect();
    let mut plan = barwright_evaluate::cut::lot(&order, &bars);
    let write = |plan: &barwright_job::lot_cut::LotCut| {
        let sealed = barwright_job::Sealed::seal(plan.clone(), [("order", order.hash())]);
        files::write_sealed(&job.folder.cut_plan_path(), &sealed).unwrap();
    };
    write(&plan);
    let there = get(&job.folder, "/bars").await.text;
    assert!(there.contains("Cut plan of the lot") && !there.contains("Make it again"));
    assert_eq!(there.matches("class=\"bar-row\"").count(), names.len());
    plan.bars[0].judgement = barwright_job::Hash::of(b"another");
    write(&plan);
    assert!(get(&job.folder, "/bars").await.text.contains("Make it again"));
}

// Truth: closed form, the loss put in. The probe is named in a sentence with its rate, since when, and what it
// runs into; a folder with three checks says that it is too early.
#[tokio::test]
async fn a_dying_probe_is_named_with_what_is_left() {
    let job = support::drifting().await;
    let a = get(&job.folder, "/trends").await;
    assert_eq!(a.status, StatusCode::OK);
    assert!(a.text.contains("1 thing drifts."), "{}", a.text);
    assert!(a.text.contains("Probe 4 loses 0.15 dB a check since check 1"), "{}", a.text);
    assert!(a.text.contains("checks are left until reflector H1 fails the check"), "{}", a.text);
    assert!(a.text.contains("probe-4-wall") && a.text.contains("<svg"), "no picture");
    let few = support::full().await;
    assert!(get(&few.folder, "/trends").await.text.contains("No trend can be told yet"));
}

// Own rules: what a page lists is given as a file, and nothing else of the folder is.
#[tokio::test]
async fn documents_and_tables_are_taken_by_name_and_nothing_else() {
    let job = support::full().await;
    let papers = get(&job.folder, "/papers").await;
    for name in ["order.toml", "technique.json", "checks/check-01.json"] {
        assert!(papers.text.contains(&format!("href=\"/documents/{name}\"")), "{name}");
        let taken = get(&job.folder, &format!("/documents/{name}")).await;
        assert_eq!(taken.status, StatusCode::OK, "{name}");
        assert_eq!(taken.text.as_bytes(), std::fs::read(job.folder.path(name)).unwrap(), "{name}");
    }
    assert!(
        get(&job.folder, "/bars/B001").await.text.contains("/documents/bars/B001.judgement.json")
    );
    for name in ["ledger.db", "accounts.json", "../Cargo.toml", "bars/..%2Forder.toml", "bars", ""]
    {
        let taken = get(&job.folder, &format!("/documents/{name}")).await;
        assert_eq!(taken.status, StatusCode::NOT_FOUND, "{name}");
    }
}

// Own rules: figures follow the reader's choice, which a link makes and a cookie keeps; papers and documents
// do not.
#[tokio::test]
async fn figures_are_written_as_the_reader_wants_them() {
    let job = support::full().await;
    let with = async |style: &str, address: &str| {
        let request = Request::get(address).header(header::COOKIE, format!("figures={style}"));
        ask(&job.folder, request.body(Body::empty()).unwrap()).await.text
    };
    let plain = get(&job.folder, "/bars/B001").await.text;
    assert!(plain.contains("round, diameter 42.0 mm"), "millimetres and a point");
    assert!(with("comma", "/bars/B001").await.contains("round, diameter 42,0 mm"));
    let inch = with("inch", "/bars/B001").await;
    assert!(
        inch.contains("round, diameter 1.654 in") && inch.contains("9.843"),
        "3 m are 9.843 ft"
    );
    assert_eq!(with("furlong", "/bars/B001").await, plain, "an unknown style");
    let stretch = "/bars/B001/stretch?from_m=0&to_m=3";
    assert!(with("inch", stretch).await.contains("ft from head"));
    let order = "/documents/order.toml";
    assert_eq!(with("comma", order).await, get(&job.folder, order).await.text);

    let chosen = get(&job.folder, "/manner?figures=inch&to=/bars/B001").await;
    assert_eq!(chosen.header(header::LOCATION), "/bars/B001");
    assert!(chosen.header(header::SET_COOKIE).starts_with("figures=inch;"));
    for elsewhere in ["//example.org", "https://example.org", "/\\example.org"] {
        let chosen = get(&job.folder, &format!("/manner?figures=inch&to={elsewhere}")).await;
        assert_eq!(chosen.header(header::LOCATION), "/", "{elsewhere}");
    }
}

// Own rules: a look stands on the page of the bar whose indication asked for it, with what became of that question.
#[tokio::test]
async fn a_second_look_stands_with_the_bar_that_asked_for_it() {
    let job = support::full().await;
    let page = get(&job.folder, "/bars/B003").await.text;
    assert!(page.contains("Second look at A"), "{page}");
    assert!(page.contains("barwright ledger add look b003-a"), "{page}");
    let path = job.folder.look_path("b003-a").unwrap();
    let look: Sealed<SecondLook> = files::read_sealed(&path).unwrap();
    let record = Record::second_look(&look, "H80316").unwrap();
    let store = Store::open(job.folder.ledger_path()).await.unwrap();
    let entry = store.append(&record, "shift A", 1_768_300_000_000_000).await.unwrap();
    store.close().await;
    let page = get(&job.folder, "/bars/B003").await.text;
    assert!(page.contains(&format!("/ledger#entry-{}\">entry {}", entry.seq, entry.seq)), "{page}");
    assert!(!page.contains("barwright ledger add look"), "{page}");
    assert!(page.contains("L-S: what stands out") && page.contains("14.60"), "{page}");
    assert!(page.contains("elements are dead"), "{page}");
    assert!(!page.contains("made anew since"), "{page}");
    assert!(!get(&job.folder, "/bars/B002").await.text.contains("Second look at"));
    let file = get(&job.folder, "/documents/looks/b003-a.json").await;
    assert_eq!(file.status, StatusCode::OK);
    // Judged anew, the look still stands, and the page says what became of its question.
    let path = job.folder.judgement_path("B003");
    let judged = job.folder.judgement("B003").unwrap();
    let mut body = judged.body.clone();
    body.reasons.clear();
    files::write_sealed(&path, &Sealed::seal(body, [])).unwrap();
    let page = get(&job.folder, "/bars/B003").await.text;
    assert!(page.contains("Second look at A") && page.contains("made anew since"), "{page}");
}

// Own rules: a bar that the ledger knows goes out as an object, and its page says where; any other does not.
#[tokio::test]
async fn a_judged_bar_goes_out_as_an_object() {
    let job = support::full().await;
    let link = |bar: &str| format!("href=\"/bars/{bar}/object.dcm\"");
    assert!(get(&job.folder, "/bars/B001").await.text.contains(&link("B001")));
    let taken = get(&job.folder, "/bars/B001/object.dcm").await;
    assert_eq!(taken.status, StatusCode::OK, "{}", taken.text);
    assert_eq!(taken.header(header::CONTENT_TYPE), "application/dicom");
    assert!(taken.header(header::CONTENT_DISPOSITION).contains("bar-B001.dcm"));
    assert!(taken.text.get(128..).is_some_and(|t| t.starts_with("DICM")));

    assert!(!get(&job.folder, "/bars/B007").await.text.contains(&link("B007")));
    for bar in ["B007", "B999", "..%2Forder"] {
        let refused = get(&job.folder, &format!("/bars/{bar}/object.dcm")).await;
        assert_eq!(refused.status, StatusCode::CONFLICT, "{bar}");
        assert!(!refused.text.contains("DICM"), "{bar}");
    }
}
