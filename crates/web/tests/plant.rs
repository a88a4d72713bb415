//! The interface for plant systems: tokens, scopes, an order in, verdicts out. Properties and own rules; its
//! description is our own golden file. A client that a foreign program makes from the description, and a
//! fuzzer that reads it, call the running service (`checks/interface.py`); without Python those are skipped.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::{net::Ipv4Addr, path::Path, process::Command};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Method, Request, StatusCode, header},
};
use barwright_job::{Hash, Order};
use barwright_web::{
    House, JobFolder, Reach, files,
    plant::{
        self,
        tokens::{Scope, Tokens},
    },
    router_for,
};
use jiff::civil::date;
use serde_json::{Value, json};
use tower::ServiceExt as _;

const ALL: [Scope; 3] = [Scope::Read, Scope::Order, Scope::Papers];

fn token(folder: &JobFolder, name: &str, scopes: &[Scope]) -> String {
    let mut tokens = Tokens::read(folder).unwrap();
    let days = (date(2026, 1, 1), date(2999, 1, 1));
    let made = tokens.make(name, "P1", scopes, days).unwrap();
    tokens.write(folder).unwrap();
    made.to_string()
}

struct Plant {
    pages: Router,
    token: String,
}

impl Plant {
    fn of(folder: &JobFolder, scopes: &[Scope]) -> Self {
        let pages = router_for(folder.clone(), None, Reach::Loopback, House::default());
        Self { pages, token: token(folder, &format!("t{}", scopes.len()), scopes) }
    }

    async fn call(
        &self,
        method: Method,
        address: &str,
        body: Option<Value>,
    ) -> (StatusCode, Value) {
        let mut request = Request::builder().method(method).uri(format!("/api/v1{address}"));
        if !self.token.is_empty() {
            request = request.header(header::AUTHORIZATION, format!("Bearer {}", self.token));
        }
        let body = match body {
            Some(body) => {
                request = request.header(header::CONTENT_TYPE, "application/json");
                Body::from(body.to_string())
            }
            None => Body::empty(),
        };
        let answer = self.pages.clone().oneshot(request.body(body).unwrap()).await.unwrap();
        let (status, headers) = (answer.status(), answer.headers().clone());
        let bytes = to_bytes(answer.into_body(), 1 << 24).await.unwrap();
        let kind = headers.get(header::CONTENT_TYPE).map_or("", |v| v.to_str().unwrap());
        if !status.is_success() {
            assert_eq!(kind, "application/problem+json", "{address}");
        }
        if kind == "application/pdf" {
            return (status, Value::from(bytes.len()));
        }
        (status, serde_json::from_slice(&bytes).unwrap())
    }

    async fn get(&self, address: &str) -> (StatusCode, Value) {
        self.call(Method::GET, address, None).await
    }
}

#[tokio::test]
async fn without_a_token_in_force_nothing_is_said() {
    let job = support::full().await;
    let mut plant = Plant::of(&job.folder, &ALL);
    assert_eq!(plant.get("/status").await.0, StatusCode::OK);
    let right = plant.token.clone();
    for wrong in ["", "x", &right[1..], &format!("{right}0"), &right.to_uppercase()] {
        wrong.clone_into(&mut plant.token);
        for address in ["/status", "/order", "/bars", "/bars/B001", "/holds", "/papers", "/nothing"]
        {
            let (status, problem) = plant.get(address).await;
            assert_eq!(status, StatusCode::UNAUTHORIZED, "{address} with {wrong:?}");
            assert_eq!(problem["status"], 401);
        }
    }
    // Ended, it ends at once; a damaged file lets nobody in.
    plant.token = right;
    let mut tokens = Tokens::read(&job.folder).unwrap();
    tokens.end("t3").unwrap();
    tokens.write(&job.folder).unwrap();
    assert_eq!(plant.get("/status").await.0, StatusCode::UNAUTHORIZED);
    std::fs::write(job.folder.tokens_path(), "{}").unwrap();
    assert_eq!(plant.get("/status").await.0, StatusCode::INTERNAL_SERVER_ERROR);
}

#[tokio::test]
async fn a_token_does_what_its_scopes_say_and_no_more() {
    let job = support::full().await;
    let order = json!({ "order": "", "seen": "" });
    for (scopes, read, write, papers) in [
        (&[Scope::Read][..], true, false, false),
        (&[Scope::Papers, Scope::Order][..], false, true, true),
    ] {
        let plant = Plant::of(&job.folder, scopes);
        for address in ["/status", "/order", "/bars", "/bars/B001", "/holds"] {
            let (status, problem) = plant.get(address).await;
            assert_eq!(status == StatusCode::OK, read, "{address}: {problem}");
            assert!(read || status == StatusCode::FORBIDDEN);
        }
        for address in ["/papers", "/papers/technique"] {
            assert_eq!(plant.get(address).await.0 == StatusCode::OK, papers, "{address}");
        }
        let (status, _) = plant.call(Method::PUT, "/order", Some(order.clone())).await;
        assert_eq!(status == StatusCode::FORBIDDEN, !write);
    }
}

#[tokio::test]
async fn the_verdict_says_whether_a_bar_may_leave_and_why() {
    let job = support::full().await;
    let plant = Plant::of(&job.folder, &ALL);
    let (_, status) = plant.get("/status").await;
    assert_eq!(status["order"], "TH-4207");
    assert_eq!(status["screened_bars"], 7);
    assert_eq!(status["ledger_whole"], true);
    assert_eq!(status["held_bars"], 3);
    let chain: Vec<&Value> =
        status["chain"].as_array().unwrap().iter().map(|l| &l["name"]).collect();
    assert_eq!(chain, ["Order", "Technique", "Levelled", "Checked", "Screened", "Released"]);

    let (_, list) = plant.get("/bars").await;
    let lines = list["bars"].as_array().unwrap();
    assert_eq!((lines.len(), &list["next"]), (7, &Value::Null));
    let mut released = 0;
    for line in lines {
        let name = line["bar"].as_str().unwrap();
        let (status, verdict) = plant.get(&format!("/bars/{name}")).await;
        assert_eq!(status, StatusCode::OK);
        assert_eq!(verdict["standing"], line["standing"], "{name}");
        let leaves =
            ["released", "released_in_pieces"].contains(&line["standing"].as_str().unwrap());
        assert_eq!(verdict["may_leave"], leaves, "{name}");
        assert_eq!(verdict["cautions"].as_array().unwrap().len(), 3);
        if leaves {
            released += 1;
            assert!(verdict["check_before"].is_i64() && verdict["check_after"].is_i64(), "{name}");
            assert!(["release", "crop"].contains(&verdict["verdict"].as_str().unwrap()), "{name}");
        }
    }
    assert!(released > 0);
    let (_, held) = plant.get("/bars?standing=held").await;
    let (_, holds) = plant.get("/holds").await;
    assert_eq!(held["bars"].as_array().unwrap().len(), holds["bars"].as_array().unwrap().len());
    // Page by page the list is the same.
    let (mut after, mut walked) = (String::new(), Vec::new());
    loop {
        let (_, page) = plant.get(&format!("/bars?limit=2&after={after}")).await;
        walked.extend(page["bars"].as_array().unwrap().iter().cloned());
        match page["next"].as_str() {
            Some(next) => next.clone_into(&mut after),
            None => break,
        }
    }
    assert_eq!(&walked, lines);

    for (address, wanted) in [
        ("/bars/none", StatusCode::NOT_FOUND),
        ("/bars/..%2F..%2Fetc%2Fpasswd", StatusCode::NOT_FOUND),
        ("/bars/%FF", StatusCode::BAD_REQUEST),
        ("/bars?limit=0", StatusCode::BAD_REQUEST),
        ("/bars?limit=1001", StatusCode::BAD_REQUEST),
        ("/bars?limit=-1", StatusCode::BAD_REQUEST),
        ("/bars?standing=good", StatusCode::BAD_REQUEST),
        ("/bars?colour=red", StatusCode::BAD_REQUEST),
        ("/papers/..%2Faccounts", StatusCode::NOT_FOUND),
        ("/nothing", StatusCode::NOT_FOUND),
    ] {
        assert_eq!(plant.get(address).await.0, wanted, "{address}");
    }
    let (status, _) = plant.call(Method::DELETE, "/order", None).await;
    assert_eq!(status, StatusCode::METHOD_NOT_ALLOWED);
    // Where the ledger does not answer nothing is said of bars.
    std::fs::write(job.folder.path("ledger.db"), "no ledger").unwrap();
    assert_eq!(plant.get("/bars/B001").await.0, StatusCode::SERVICE_UNAVAILABLE);
}

#[tokio::test]
async fn an_order_comes_in_once_and_overwrites_nobodys() {
    let job = support::full().await;
    let plant = Plant::of(&job.folder, &ALL);
    let (_, there) = plant.get("/order").await;
    let before = files::read_text(&job.folder.order_path()).unwrap();
    assert_eq!(there["toml"], before);
    let put = async |body: Value| plant.call(Method::PUT, "/order", Some(body)).await;
    let seen = there["seen"].as_str().unwrap();

    for (body, wanted) in [
        (json!({}), StatusCode::BAD_REQUEST),
        (json!({ "order": null, "seen": seen }), StatusCode::BAD_REQUEST),
        (json!({ "order": before, "seen": seen, "colour": "red" }), StatusCode::BAD_REQUEST),
        (json!({ "order": 1 }), StatusCode::BAD_REQUEST),
        (json!({ "order": "format = 1", "seen": seen }), StatusCode::UNPROCESSABLE_ENTITY),
        (
            json!({ "order": { "format": 1, "order": null }, "seen": seen }),
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (json!({ "order": before, "seen": "" }), StatusCode::CONFLICT),
        (json!({ "order": before, "seen": "0".repeat(64) }), StatusCode::CONFLICT),
    ] {
        let (status, problem) = put(body.clone()).await;
        assert_eq!(status, wanted, "{body}: {problem}");
        assert_eq!(files::read_text(&job.folder.order_path()).unwrap(), before);
    }
    let long = json!({ "order": "#".repeat(300 << 10), "seen": seen });
    assert_eq!(put(long).await.0, StatusCode::PAYLOAD_TOO_LARGE);

    // As a document of the same keys, looked at first.
    let mut document: Value = serde_json::to_value(before.parse::<toml::Table>().unwrap()).unwrap();
    document["bars"]["count"] = json!(12);
    let (status, looked) = put(json!({ "order": document, "seen": seen, "only_look": true })).await;
    assert_eq!((status, &looked["entry"]), (StatusCode::OK, &Value::Null));
    assert_eq!(files::read_text(&job.folder.order_path()).unwrap(), before);
    let (status, kept) = put(json!({ "order": document, "seen": seen })).await;
    assert_eq!(status, StatusCode::OK, "{kept}");
    let after = files::read_text(&job.folder.order_path()).unwrap();
    let order = Order::from_toml("order.toml", &after).unwrap();
    assert_eq!(order.bars.count, 12);
    assert_eq!(kept["seen"], Hash::of(after.as_bytes()).0);
    assert_eq!(kept["order_hash"], order.hash().0);
    let ledger = job.folder.ledger_home().open_read_only().await.unwrap();
    let entry = ledger.entry(kept["entry"].as_i64().unwrap()).await.unwrap().unwrap();
    assert_eq!((entry.author.as_str(), entry.subject.as_str()), ("P1", "TH-4207"));
    // The same again was overtaken.
    assert_eq!(put(json!({ "order": before, "seen": seen })).await.0, StatusCode::CONFLICT);
}

fn root() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

#[test]
fn the_description_is_the_published_one() {
    let path = root().join("docs/interface/openapi.json");
    let described = plant::description() + "\n";
    if std::env::var_os("BARWRIGHT_WRITE").is_some() {
        std::fs::write(&path, &described).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == described,
        "docs/interface/openapi.json is not what the program describes: write it with BARWRIGHT_WRITE=1"
    );
    // Every call says what it needs, and what it answers to who may not.
    let described: Value = serde_json::from_str(&described).unwrap();
    for (address, calls) in described["paths"].as_object().unwrap() {
        for (method, call) in calls.as_object().unwrap() {
            for status in ["200", "401", "403"] {
                assert!(call["responses"][status].is_object(), "{method} {address} {status}");
            }
        }
    }
    assert_eq!(described["components"]["securitySchemes"]["token"]["scheme"], "bearer");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_foreign_client_and_a_fuzzer_made_from_the_description_get_along_with_it() {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!(
            "SKIPPED: BARWRIGHT_PYTHON names no Python with openapi-python-client and schemathesis"
        );
        return;
    };
    let job = support::full().await;
    let token = token(&job.folder, "foreign", &ALL);
    let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
    let at = listener.local_addr().unwrap();
    let pages = router_for(job.folder.clone(), None, Reach::Loopback, House::default());
    tokio::spawn(async move { axum::serve(listener, pages).await.unwrap() });
    let place = tempfile::tempdir().unwrap();
    let called = tokio::task::spawn_blocking(move || {
        Command::new(python)
            .arg(root().join("checks/interface.py"))
            .arg(format!("http://{at}/api/v1"))
            .arg(place.path())
            .env("BARWRIGHT_TOKEN", token)
            .output()
            .unwrap()
    });
    let out = called.await.unwrap();
    let told =
        format!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    assert!(out.status.success(), "{told}");
    println!("{told}");
}
