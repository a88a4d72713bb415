//! Signing in, and changing something by a page, as requests. Own rules of the service, each case by
//! construction; nothing here rests on a browser.
#![allow(clippy::unwrap_used)]

use crate::support;

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Request, StatusCode, header},
};
use barwright_ledger::{
    Kind, Record, SigningKey, Store,
    record::{KeyEvent, KeyFacts, PersonFacts, Role},
};
use barwright_web::{Accounts, JobFolder, Reach, files, router_for};
use jiff::civil::{Date, date};
use tower::ServiceExt as _;

const HOST: &str = "127.0.0.1:8642";
const OWN: &str = "http://127.0.0.1:8642";
const PASSWORD: &str = "seven bars of rain";

struct Answer {
    status: StatusCode,
    location: String,
    cookie: Option<String>,
    retry_after: Option<String>,
    cache: String,
    text: String,
}

/// The pages with what they remember, and the cookie of one browser.
struct Pages {
    pages: Router,
    cookie: Option<String>,
}

impl Pages {
    fn of(folder: &JobFolder, reach: Reach) -> Self {
        Self {
            pages: router_for(folder.clone(), None, reach, barwright_web::House::default()),
            cookie: None,
        }
    }

    async fn ask(&mut self, request: axum::http::request::Builder, body: String) -> Answer {
        let mut request = request.header(header::HOST, HOST);
        if let Some(cookie) = &self.cookie {
            request = request.header(header::COOKIE, cookie);
        }
        let request = request.body(Body::from(body)).unwrap();
        let response = self.pages.clone().oneshot(request).await.unwrap();
        let (status, headers) = (response.status(), response.headers().clone());
        let text = |name| headers.get(name).map(|v| v.to_str().unwrap().to_owned());
        let cookie = text(header::SET_COOKIE);
        if let Some(set) = &cookie {
            self.cookie = Some(set.split(';').next().unwrap().to_owned());
        }
        let body = to_bytes(response.into_body(), 1 << 24).await.unwrap();
        Answer {
            status,
            location: text(header::LOCATION).unwrap_or_default(),
            cookie,
            retry_after: text(header::RETRY_AFTER),
            cache: text(header::CACHE_CONTROL).unwrap_or_default(),
            text: String::from_utf8_lossy(&body).into_owned(),
        }
    }

    async fn get(&mut self, address: &str) -> Answer {
        self.ask(Request::get(address), String::new()).await
    }

    async fn post(&mut self, address: &str, body: &str) -> Answer {
        self.post_from(address, body, &[(header::ORIGIN.as_str(), OWN)]).await
    }

    async fn post_from(&mut self, address: &str, body: &str, more: &[(&str, &str)]) -> Answer {
        let mut request = Request::post(address)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        for (name, value) in more {
            request = request.header(*name, *value);
        }
        self.ask(request, body.to_owned()).await
    }

    async fn sign_in(&mut self, name: &str, password: &str) -> Answer {
        let body = format!("name={name}&password={}&to=/technique", password.replace(' ', "+"));
        self.post("/sign-in", &body).await
    }
}

fn person(name: &str, roles: &[Role], until: Option<Date>) -> Record {
    Record::person(PersonFacts {
        person: name.into(),
        roles: roles.to_vec(),
        certified_until: until,
        certificate: String::new(),
    })
}

/// The full job folder with people, all of whom have the same password.
async fn with_people() -> support::Job {
    let job = support::full().await;
    let store = Store::open(job.folder.ledger_path()).await.unwrap();
    for record in [
        person("Q1", &[Role::Quality], None),
        person("L3", &[Role::Level2, Role::Level3], Some(date(2999, 12, 31))),
        person("L3-late", &[Role::Level3], Some(date(2020, 6, 30))),
        person("A1", &[Role::Auditor], None),
    ] {
        store.append(&record, "Q1", 1_768_210_000_000_000).await.unwrap();
    }
    store.close().await;
    let mut accounts = Accounts::default();
    for name in ["Q1", "L3", "L3-late", "A1"] {
        accounts.set_password(name, PASSWORD).unwrap();
    }
    accounts.write(&job.folder).unwrap();
    job
}

async fn entries(folder: &JobFolder) -> Vec<barwright_ledger::Entry> {
    let store = Store::open_read_only(folder.ledger_path()).await.unwrap();
    let entries = store.entries(1, u32::MAX).await.unwrap();
    store.close().await;
    entries
}

fn approval() -> String {
    format!("technique={}", support::fixture::technique().hash)
}

#[tokio::test]
async fn without_accounts_everything_is_read_and_nothing_changed() {
    let job = support::full().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let technique = pages.get("/technique").await;
    assert_eq!(technique.status, StatusCode::OK);
    assert!(technique.text.contains("Not approved.") && !technique.text.contains("<form"));
    // The fixture's proof falls short of the order.
    assert!(technique.text.contains("In the worst case it covers volume (disc) 96.2 %"));
    assert!(pages.get("/sign-in").await.text.contains("There is no account"));
    let before = entries(&job.folder).await.len();
    assert_eq!(pages.post("/technique/approve", &approval()).await.status, StatusCode::FORBIDDEN);
    let tried = pages.sign_in("L3", PASSWORD).await;
    assert_eq!((tried.status, tried.cookie), (StatusCode::UNAUTHORIZED, None));
    assert_eq!(entries(&job.folder).await.len(), before);
    // Where other machines reach them, they are closed until there is an account or somebody opens them.
    assert_eq!(Pages::of(&job.folder, Reach::Network).get("/").await.status, StatusCode::FORBIDDEN);
    assert_eq!(Pages::of(&job.folder, Reach::OpenNetwork).get("/").await.status, StatusCode::OK);
}

#[tokio::test]
async fn with_accounts_strangers_see_nothing() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    for address in support::ADDRESSES.into_iter().chain(["/papers/technique.pdf", "/nothing"]) {
        let a = pages.get(address).await;
        assert_eq!(a.status, StatusCode::SEE_OTHER, "{address}");
        assert!(a.location.starts_with("/sign-in?to=%2F"), "{address}: {}", a.location);
        assert!(a.text.is_empty() && a.cookie.is_none(), "{address}");
    }
    assert_eq!(pages.get("/line/news").await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(pages.get("/assets/page.css").await.status, StatusCode::OK);
    let post = pages.post("/technique/approve", &approval()).await;
    assert_eq!(post.status, StatusCode::UNAUTHORIZED);
    let form = pages.get("/sign-in?to=/bars").await;
    assert_eq!(form.status, StatusCode::OK);
    assert!(form.text.contains("value=\"/bars\""));
    for word in ["TH-4207", "line 2", "held", "L3", "Q1"] {
        assert!(!form.text.contains(word), "the page for signing in tells of {word}");
    }
    let elsewhere = pages.get("/sign-in?to=//example.org").await;
    assert!(!elsewhere.text.contains("example.org"));
}

#[tokio::test]
async fn who_signed_in_sees_the_pages_until_it_ends() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let signed_in = pages.sign_in("A1", PASSWORD).await;
    assert_eq!(
        (signed_in.status, signed_in.location.as_str()),
        (StatusCode::SEE_OTHER, "/technique")
    );
    let set = signed_in.cookie.unwrap();
    for wanted in ["barwright=", "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=1"] {
        assert!(set.contains(wanted), "{set} lacks {wanted}");
    }
    assert!(
        !set.contains("Secure"),
        "browsers keep secure cookies of plain loopback addresses badly"
    );
    let first = pages.cookie.clone();
    for address in support::ADDRESSES {
        let a = pages.get(address).await;
        assert_eq!(a.status, StatusCode::OK, "{address}");
        assert!(a.text.contains("signed in as"), "{address}");
        assert_eq!(a.cache, "no-store", "{address}");
    }
    // Another sign-in has another number, and the one before is worth nothing.
    pages.sign_in("A1", PASSWORD).await;
    let second = pages.cookie.clone();
    assert_ne!(first, second);
    pages.cookie = first;
    assert_eq!(pages.get("/").await.status, StatusCode::SEE_OTHER);
    pages.cookie = second.clone();
    assert_eq!(pages.get("/").await.status, StatusCode::OK);
    let out = pages.post("/sign-out", "").await;
    assert_eq!(out.location, "/sign-in");
    pages.cookie = second;
    assert_eq!(pages.get("/").await.status, StatusCode::SEE_OTHER);

    // A new password and a closed account end what was begun before.
    let mut other = Pages { pages: pages.pages.clone(), cookie: None };
    other.sign_in("Q1", PASSWORD).await;
    pages.cookie = None;
    pages.sign_in("A1", PASSWORD).await;
    assert_eq!(pages.get("/").await.status, StatusCode::OK);
    let mut accounts = Accounts::read(&job.folder).unwrap();
    accounts.set_password("A1", "eight bars of snow").unwrap();
    accounts.write(&job.folder).unwrap();
    assert_eq!(pages.get("/").await.status, StatusCode::SEE_OTHER);
    assert_eq!(pages.sign_in("A1", PASSWORD).await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(pages.sign_in("A1", "eight bars of snow").await.status, StatusCode::SEE_OTHER);
    accounts.close("A1").unwrap();
    accounts.write(&job.folder).unwrap();
    assert_eq!(pages.get("/").await.status, StatusCode::SEE_OTHER);
    assert_eq!(pages.sign_in("A1", "eight bars of snow").await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(other.get("/").await.status, StatusCode::OK, "somebody else's session ended too");
    // Damaged accounts let nobody in, also who was in.
    std::fs::write(job.folder.accounts_path(), "{}").unwrap();
    let broken = other.get("/").await;
    assert_eq!(broken.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(broken.text.contains("nobody is let in"));
}

#[tokio::test]
async fn other_machines_get_cookies_for_tls_only() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Network);
    let set = pages.sign_in("A1", PASSWORD).await.cookie.unwrap();
    assert!(set.starts_with("__Host-barwright=") && set.contains("Secure"), "{set}");
    assert!(set.contains("Path=/") && !set.contains("Domain"), "{set}");
    assert_eq!(pages.get("/").await.status, StatusCode::OK);
}

#[tokio::test]
async fn wrong_names_and_passwords_are_answered_alike_and_slowed() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let mut seen = Vec::new();
    for name in ["L3", "nobody-of-this-name"] {
        let mut answers = Vec::new();
        for _ in 0..5 {
            let a = pages.sign_in(name, "eight bars of snow").await;
            assert!(a.cookie.is_none());
            answers.push((a.status, a.retry_after, a.text));
        }
        if name == "L3" {
            // Who must wait, waits with the right password too.
            let right = pages.sign_in(name, PASSWORD).await.status;
            assert_eq!(right, StatusCode::TOO_MANY_REQUESTS);
        }
        seen.push(answers);
    }
    assert_eq!(seen[0], seen[1], "the answer tells whether a name is known");
    let statuses: Vec<u16> = seen[0].iter().map(|(status, ..)| status.as_u16()).collect();
    assert_eq!(statuses, [401, 401, 401, 429, 429]);
    assert_eq!(seen[0][3].1.as_deref(), Some("1"));
    // The wait is over after its second.
    tokio::time::sleep(std::time::Duration::from_millis(1100)).await;
    assert_eq!(pages.sign_in("L3", PASSWORD).await.status, StatusCode::SEE_OTHER);
    let large = format!("name=L3&password={}", "x".repeat(20_000));
    assert_eq!(pages.post("/sign-in", &large).await.status, StatusCode::PAYLOAD_TOO_LARGE);
}

#[tokio::test]
async fn forged_requests_change_nothing() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    pages.sign_in("L3", PASSWORD).await;
    let before = entries(&job.folder).await.len();
    for from in [
        &[][..],
        &[("origin", "http://example.org")],
        &[("origin", "null")],
        &[("origin", OWN), ("sec-fetch-site", "cross-site")],
        &[("origin", "http://127.0.0.1:8643"), ("sec-fetch-site", "same-site")],
    ] {
        for (address, body) in [
            ("/technique/approve", approval()),
            ("/sign-out", String::new()),
            ("/sign-in", String::new()),
        ] {
            let a = pages.post_from(address, &body, from).await;
            assert_eq!(a.status, StatusCode::FORBIDDEN, "{address} {from:?}");
        }
    }
    assert_eq!(entries(&job.folder).await.len(), before);
    assert_eq!(pages.get("/").await.status, StatusCode::OK, "a forged request signed out");
    // A link from elsewhere reads nothing that a form would change.
    assert_eq!(pages.get("/technique/approve").await.status, StatusCode::METHOD_NOT_ALLOWED);
}

#[tokio::test]
async fn only_level_3_approves_and_the_page_says_so() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let form = "action=\"/technique/approve\"";
    for (name, why) in [("A1", "they are auditor"), ("Q1", "they are quality")] {
        pages.sign_in(name, PASSWORD).await;
        let page = pages.get("/technique").await.text;
        assert!(!page.contains(form) && page.contains(why), "{name}");
        let a = pages.post("/technique/approve", &approval()).await;
        assert_eq!(a.status, StatusCode::FORBIDDEN, "{name}");
        assert!(a.text.contains("level 3"), "{name}");
    }
    pages.sign_in("L3", PASSWORD).await;
    assert!(pages.get("/technique").await.text.contains(form));
    let other = pages.post("/technique/approve", "technique=0123").await;
    assert_eq!(other.status, StatusCode::CONFLICT);
    let a = pages.post("/technique/approve", &approval()).await;
    assert_eq!((a.status, a.location.as_str()), (StatusCode::SEE_OTHER, "/technique"));
    let last = entries(&job.folder).await.pop().unwrap();
    assert_eq!((last.kind, last.author.as_str()), (Kind::Approval, "L3"));
    assert_eq!(last.content["role"], "level3");
    let page = pages.get("/technique").await.text;
    assert!(page.contains("Approved by L3") && page.contains(" as level 3"));
    assert!(!page.contains(form), "approved twice");
    let again = pages.post("/technique/approve", &approval()).await;
    assert_eq!(again.status, StatusCode::CONFLICT);

    // Told, unless the rules block.
    pages.sign_in("L3-late", PASSWORD).await;
    let page = pages.get("/technique").await.text;
    assert!(
        page.contains("The certification of L3-late ended on 2020-06-30") && page.contains(form)
    );
    let rules = files::read_text(&job.folder.rules_path()).unwrap();
    let blocks = format!("{rules}\n[expiry]\ncertification = \"blocks\"\n");
    files::write(&job.folder.rules_path(), blocks.as_bytes()).unwrap();
    assert!(!pages.get("/technique").await.text.contains(form));
    let a = pages.post("/technique/approve", &approval()).await;
    assert_eq!(a.status, StatusCode::CONFLICT);
    assert!(a.text.contains("rules block"));
    files::write(&job.folder.rules_path(), rules.as_bytes()).unwrap();
    assert_eq!(pages.post("/technique/approve", &approval()).await.status, StatusCode::SEE_OTHER);

    // What was withdrawn does not count, and what somebody else writes is refused.
    let store = Store::open(job.folder.ledger_path()).await.unwrap();
    let withdrawn = Record::correction(&last, true, "a test");
    store.append(&withdrawn, "Q1", 1_768_220_000_000_000).await.unwrap();
    let technique = support::fixture::technique();
    let forged = Record::approval(&technique, "L3", Role::Level3);
    let e = store.append(&forged, "A1", 1_768_220_000_000_000).await.unwrap_err();
    assert!(e.to_string().contains("A1 may not write this"), "{e}");
    store.close().await;
    let page = pages.get("/technique").await.text;
    assert!(page.contains("It does not count: it was withdrawn by Q1"));
    assert!(!page.contains("Approved by L3<"));
}

fn decision(judgement: &str, verdict: &str, reason: &str) -> String {
    format!("judgement={judgement}&verdict={verdict}&cut=&reason={reason}&sure=yes")
}

#[tokio::test]
async fn who_may_judge_decides_and_what_cannot_be_used_comes_back() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let form = "action=\"/bars/B002/decide#decide\"";
    let hash = job.folder.judgement("B002").unwrap().hash.0;
    let before = entries(&job.folder).await.len();
    for (name, why) in [("A1", "they are auditor"), ("Q1", "they are quality")] {
        pages.sign_in(name, PASSWORD).await;
        let page = pages.get("/bars/B002").await.text;
        assert!(!page.contains(form) && page.contains(why), "{name}");
        let a = pages.post("/bars/B002/decide", &decision(&hash, "hold", "seen+twice")).await;
        assert_eq!(a.status, StatusCode::FORBIDDEN, "{name}");
    }
    pages.sign_in("L3", PASSWORD).await;
    assert!(pages.get("/bars/B002").await.text.contains(form));
    let a = pages.post("/bars/B002/decide", &decision(&hash, "crop", "<b>scale</b>")).await;
    assert_eq!(a.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(a.text.contains("A crop names the stretches") && a.text.contains("&lt;b&gt;scale"));
    let beyond = format!("judgement={hash}&verdict=crop&cut=1+to+99999&reason=r&sure=yes");
    let a = pages.post("/bars/B002/decide", &beyond).await;
    assert_eq!(a.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", a.text);
    for other in ["nobody", "..%2FB002"] {
        let a = pages.post(&format!("/bars/{other}/decide"), &decision(&hash, "hold", "r")).await;
        assert_eq!(a.status, StatusCode::NOT_FOUND, "{other}");
    }
    let a = pages.post("/bars/B002/decide", &decision("0123", "hold", "r")).await;
    assert_eq!(a.status, StatusCode::CONFLICT);
    assert_eq!(entries(&job.folder).await.len(), before, "nothing was decided");
    assert_eq!(job.folder.judgement("B002").unwrap().hash.0, hash);

    let a = pages.post("/bars/B002/decide", &decision(&hash, "hold", "seen+twice")).await;
    assert_eq!((a.status, a.location.as_str()), (StatusCode::SEE_OTHER, "/bars/B002"));
    let last = entries(&job.folder).await.pop().unwrap();
    assert_eq!((last.kind, last.author.as_str()), (Kind::Judgement, "L3"));
    assert_eq!(last.content["decided_by"], "L3");
    let decided = job.folder.judgement("B002").unwrap();
    assert_eq!(last.content["document"], *decided.hash.0);
    let page = pages.get("/bars/B002").await.text;
    assert!(page.contains("Changed by L3") && page.contains("seen twice"));
    // The form of somebody who looked before.
    let a = pages.post("/bars/B002/decide", &decision(&hash, "release", "r")).await;
    assert_eq!(a.status, StatusCode::CONFLICT);
    assert!(a.text.contains("decided anew after the page was shown"));
}

#[tokio::test]
async fn a_decision_the_ledger_refuses_leaves_the_bar_as_it_was() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    pages.sign_in("L3", PASSWORD).await;
    let store = Store::open(job.folder.ledger_path()).await.unwrap();
    let key = SigningKey::make("Q1").unwrap();
    let facts = KeyFacts {
        key: key.id(),
        person: "Q1".into(),
        public: key.public(),
        event: KeyEvent::Made,
    };
    store.append(&Record::key(facts), "Q1", 1_768_210_000_000_000).await.unwrap();
    store.close().await;
    let before = job.folder.judgement("B002").unwrap();
    let page = pages.get("/bars/B002").await.text;
    assert!(page.contains("Decisions are signed here"));
    let a = pages.post("/bars/B002/decide", &decision(&before.hash.0, "hold", "r")).await;
    assert_eq!(a.status, StatusCode::FORBIDDEN, "{}", a.text);
    assert_eq!(job.folder.judgement("B002").unwrap(), before);
}

impl Pages {
    /// Waits for the end of work that takes long: why it failed, if it did.
    async fn work(&mut self) -> serde_json::Value {
        for _ in 0..1200 {
            let seen: serde_json::Value =
                serde_json::from_str(&self.get("/work").await.text).unwrap();
            if seen["running"] == false {
                return seen["failed"].clone();
            }
            tokio::time::sleep(std::time::Duration::from_millis(100)).await;
        }
        panic!("the work does not end");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_technique_is_worked_out_and_proved_by_who_may() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    pages.sign_in("A1", PASSWORD).await;
    assert_eq!(pages.get("/work").await.text, "null");
    assert_eq!(pages.post("/technique/work", "").await.status, StatusCode::FORBIDDEN);
    assert!(!pages.get("/technique").await.text.contains("action=\"/technique/work\""));

    pages.sign_in("L3", PASSWORD).await;
    let before = entries(&job.folder).await.len();
    assert!(pages.get("/technique").await.text.contains("action=\"/technique/work\""));
    let a = pages.post("/technique/work", "").await;
    assert_eq!((a.status, a.location.as_str()), (StatusCode::SEE_OTHER, "/technique"));
    // One at a time, and everybody sees whose.
    let busy = pages.post("/proof/work", "").await;
    assert_eq!(busy.status, StatusCode::CONFLICT, "{}", busy.text);
    assert!(busy.text.contains("L3 is working out the technique"));
    assert!(pages.get("/technique").await.text.contains("Begun by L3"));
    assert_eq!(pages.work().await, serde_json::Value::Null);
    let technique = job.folder.technique().unwrap();
    let all = entries(&job.folder).await;
    let last = all.last().unwrap();
    // With it what it was made from, where that was not entered yet: station and rules.
    let made: Vec<Kind> = all[before..].iter().map(|entry| entry.kind).collect();
    assert_eq!(made, [Kind::Station, Kind::Rules, Kind::Technique]);
    assert_eq!(last.author, "L3");
    assert_eq!(last.content["document"], *technique.hash.0);
    assert_eq!(last.line, "", "a technique that is worked out is not set on the line");

    // A proof stopped leaves the one before.
    let proof = std::fs::read(job.folder.proof_path()).unwrap();
    let mut auditor = Pages { pages: pages.pages.clone(), cookie: None };
    auditor.sign_in("A1", PASSWORD).await;
    pages.post("/proof/work", "").await;
    assert_eq!(auditor.post("/work/stop", "").await.status, StatusCode::FORBIDDEN);
    assert_eq!(pages.post("/work/stop", "").await.status, StatusCode::SEE_OTHER);
    assert!(pages.work().await.as_str().unwrap().contains("stopped before"));
    assert_eq!(std::fs::read(job.folder.proof_path()).unwrap(), proof);
    assert!(pages.get("/proof").await.text.contains("Nothing was made"));
    pages.post("/proof/work", "").await;
    assert_eq!(pages.work().await, serde_json::Value::Null);
    assert!(job.folder.proof().unwrap().body.met);
    assert_eq!(entries(&job.folder).await.last().unwrap().kind, Kind::Proof);

    // What cannot be made leaves everything as it is.
    let text = files::read_text(&job.folder.order_path()).unwrap();
    let large = text.replace("diameter_mm = 42.0", "diameter_mm = 250.0");
    assert_ne!(large, text);
    files::write(&job.folder.order_path(), large.as_bytes()).unwrap();
    let count = entries(&job.folder).await.len();
    pages.post("/technique/work", "").await;
    assert!(pages.work().await.as_str().unwrap().contains("no ring"));
    assert_eq!(job.folder.technique().unwrap(), technique);
    assert_eq!(entries(&job.folder).await.len(), count);
}

fn encoded(text: &str) -> String {
    text.bytes().map(|b| format!("%{b:02X}")).collect()
}

#[tokio::test]
async fn who_may_keeps_an_order_and_two_who_write_do_not_overwrite_each_other() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    let text = files::read_text(&job.folder.order_path()).unwrap();
    let seen = barwright_job::Hash::of(text.as_bytes()).0;
    let form = |text: &str| format!("seen={seen}&text={}", encoded(text));
    let changed = text.replace("count = 24", "count = 25");
    assert_ne!(changed, text);

    pages.sign_in("A1", PASSWORD).await;
    assert!(pages.get("/order/edit").await.text.contains("they are auditor"));
    assert_eq!(pages.post("/order/edit", &form(&changed)).await.status, StatusCode::FORBIDDEN);
    // Looking keeps nothing, whoever looks.
    let looked = pages
        .post("/order/edit/look", &format!("text={}&key=bars.count&value=0", encoded(&text)))
        .await;
    assert!(looked.text.contains("at least one bar is needed"), "{}", looked.text);

    pages.sign_in("L3", PASSWORD).await;
    let broken = text.replace("[bars]", "[bars");
    let a = pages.post("/order/edit", &form(&broken)).await;
    assert_eq!(a.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(a.text.contains("Not kept") && a.text.contains("[bars\n"), "what was written is lost");
    let far = text.replace("count = 24", "count = 0");
    assert_eq!(
        pages.post("/order/edit", &form(&far)).await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    assert_eq!(files::read_text(&job.folder.order_path()).unwrap(), text);
    let before = entries(&job.folder).await.len();

    let a = pages.post("/order/edit", &form(&changed)).await;
    assert_eq!((a.status, a.location.as_str()), (StatusCode::SEE_OTHER, "/order"), "{}", a.text);
    assert_eq!(files::read_text(&job.folder.order_path()).unwrap(), changed);
    let all = entries(&job.folder).await;
    let last = all.last().unwrap();
    assert_eq!((all.len(), last.kind, last.author.as_str()), (before + 1, Kind::Order, "L3"));
    let order = job.folder.order().unwrap();
    assert_eq!(last.content["document"], *order.hash().0);

    // Somebody who saw the order before.
    let a = pages.post("/order/edit", &form(&far.replace("count = 0", "count = 7"))).await;
    assert_eq!(a.status, StatusCode::CONFLICT);
    assert!(a.text.contains("written anew") && a.text.contains("count = 7"));
    assert_eq!(files::read_text(&job.folder.order_path()).unwrap(), changed);
    // More than any order.
    let huge = format!("seen={seen}&text={}", "a".repeat(3 << 20));
    assert_eq!(pages.post("/order/edit", &huge).await.status, StatusCode::PAYLOAD_TOO_LARGE);
}

// Own rules: who keeps people and equipment enters them; what is wrong comes back with the reason, and
// nothing is entered; who may not gets nothing but the reason.
#[tokio::test]
async fn people_and_equipment_are_kept_by_who_may() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    pages.sign_in("Q1", PASSWORD).await;
    let page = pages.get("/people").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.text.contains("<em class=\"flag\">2020-06-30</em>"), "an ended certification");
    let before = entries(&job.folder).await.len();

    let new = "person=I2&role=inspector&certified_until=2999-01-31&certificate=Z+7";
    assert_eq!(pages.post("/people/person", new).await.location, "/people");
    let piece = "equipment=P-7&what=probe&until=2020-01-31&certificate=C+1";
    assert_eq!(pages.post("/people/equipment", piece).await.location, "/people");
    let mount = "equipment=P-7&place=probe+3&on=on";
    assert_eq!(pages.post("/people/mount", mount).await.location, "/people");
    let page = pages.get("/people").await.text;
    for said in ["I2", "Z 7", "P-7", "Line 2, probe 3", "<em class=\"flag\">2020-01-31</em>"] {
        assert!(page.contains(said), "{said}");
    }
    let after = entries(&job.folder).await;
    assert_eq!(after.len(), before + 3);
    assert!(after[before..].iter().all(|entry| entry.author == "Q1"));

    for (address, wrong, why) in [
        ("/people/person", "person=&role=inspector", "The name is missing"),
        ("/people/person", "person=B&role=boss", "is no role"),
        ("/people/person", "person=B&certified_until=31.3.27", "is no date"),
        ("/people/equipment", "equipment=P-8&what=probe&certificate=C", "is missing"),
        ("/people/mount", "equipment=P-8&place=", "is missing"),
    ] {
        let answer = pages.post(address, wrong).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
        assert!(answer.text.contains(why), "{wrong}: {why}");
    }
    pages.post("/sign-out", "").await;
    pages.sign_in("A1", PASSWORD).await;
    assert!(!pages.get("/people").await.text.contains("action=\"/people"));
    assert_eq!(pages.post("/people/person", new).await.status, StatusCode::FORBIDDEN);
    assert_eq!(entries(&job.folder).await.len(), before + 3);
}

// Own rules: captures are chosen by name from those of the folder; too few, too many and names that lead
// elsewhere are refused before anything is begun.
#[tokio::test]
async fn work_on_captures_names_them_rightly_or_is_not_begun() {
    let job = with_people().await;
    let mut pages = Pages::of(&job.folder, Reach::Loopback);
    pages.sign_in("L3", PASSWORD).await;
    let before = entries(&job.folder).await.len();
    for (address, body) in [
        ("/level/work", ""),
        ("/checks/work", "captures=a&captures=b"),
        ("/bars/work", "captures=..%2Ftechnique"),
        ("/changeover/verify", "captures=%2Fetc%2Fpasswd"),
    ] {
        let answer = pages.post(address, body).await;
        assert!(
            matches!(answer.status, StatusCode::UNPROCESSABLE_ENTITY | StatusCode::NOT_FOUND),
            "{address} {body}: {}",
            answer.status
        );
    }
    assert_eq!(pages.get("/work").await.text, "null", "nothing was begun");
    // A step that is none, and one of a changeover that never began.
    let none = pages.post("/changeover/done", "step=dance").await.status;
    assert!(none.is_client_error());
    let early = pages.post("/changeover/done", "step=ring").await;
    assert_eq!(early.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(early.text.contains("no changeover is under way"));
    pages.post("/sign-out", "").await;
    pages.sign_in("A1", PASSWORD).await;
    for address in ["/reference/work", "/papers/work", "/bars/judge", "/changeover/begin"] {
        assert_eq!(pages.post(address, "").await.status, StatusCode::FORBIDDEN, "{address}");
    }
    assert_eq!(entries(&job.folder).await.len(), before);
    assert!(!job.folder.changeover_path().exists());
}
