//! Other languages: every text of the pages is said by the catalogue, and a bad catalogue is refused.
//! Properties; the language is a false one made of the list of texts, each put between marks.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::{collections::BTreeSet, fs};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Request, StatusCode, header},
};
use barwright_report::texts::LIST;
use barwright_web::{House, JobFolder, Reach, house::HouseError, router_for};
use tower::ServiceExt as _;

/// Stands before and behind every text of the false language.
const MARKS: [char; 2] = ['⟦', '⟧'];

/// The list of texts as a catalogue in which every text is its own translation, between marks.
fn marked() -> String {
    let mut po = LIST.replacen("\"MIME-Version", "\"Language: qps\\n\"\n\"MIME-Version", 1);
    let mut said = String::new();
    let mut key: Vec<&str> = Vec::new();
    let head = po.find("\n\n").unwrap() + 2;
    let rest = po.split_off(head);
    for line in rest.lines() {
        if let Some(first) = line.strip_prefix("msgid ") {
            key = vec![first];
        } else if line.starts_with('"') {
            key.push(line);
        } else if line == "msgstr \"\"" {
            let text: String = key.iter().map(|part| part.trim_matches('"')).collect();
            // A quotation mark at the end of a text is escaped: it was trimmed with the others.
            let text = if text.ends_with('\\') { format!("{text}\"") } else { text };
            let text = if text.starts_with('"') { format!("\\{text}") } else { text };
            said.push_str(&format!(
                "msgid {}\nmsgstr \"{}{text}{}\"\n\n",
                key.join("\n"),
                MARKS[0],
                MARKS[1]
            ));
        }
    }
    po + &said
}

fn house(folder: &JobFolder, po: &str) -> Result<House, HouseError> {
    let texts = folder.house().join("texts");
    fs::create_dir_all(&texts).unwrap();
    fs::write(texts.join("a.po"), po).unwrap();
    House::read(folder)
}

async fn get(pages: &Router, address: &str, language: &str) -> (StatusCode, String) {
    let request = Request::get(address).header(header::COOKIE, format!("language={language}"));
    let response = pages.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
    let status = response.status();
    let body = to_bytes(response.into_body(), 1 << 24).await.unwrap();
    (status, String::from_utf8_lossy(&body).into_owned())
}

/// What stands directly in a page's elements, with the innermost element each stands in.
fn words(page: &str) -> Vec<(String, String)> {
    const VOID: [&str; 8] = ["meta", "link", "input", "br", "hr", "img", "!DOCTYPE", "wbr"];
    let mut open: Vec<String> = Vec::new();
    let mut found = Vec::new();
    for piece in page.split('<').skip(1) {
        let Some((tag, text)) = piece.split_once('>') else { continue };
        let name: String = tag.chars().take_while(|c| !c.is_whitespace()).collect();
        if let Some(closed) = name.strip_prefix('/') {
            if let Some(k) = open.iter().rposition(|o| o == closed) {
                open.truncate(k);
            }
        } else if !VOID.contains(&name.as_str()) && !tag.ends_with('/') {
            open.push(name);
        }
        let text = text.trim();
        if text.chars().any(|c| c.is_alphabetic() || MARKS.contains(&c)) {
            found.push((open.last().cloned().unwrap_or_default(), text.to_owned()));
        }
    }
    found
}

/// Elements whose words are the pages' own, but for names that data bring.
const OWN: [&str; 8] = ["h2", "h3", "dt", "summary", "legend", "caption", "figcaption", "option"];

#[tokio::test]
async fn every_heading_and_label_of_every_page_is_said_by_the_catalogue() {
    let job = support::full().await;
    let house = house(&job.folder, &marked()).unwrap();
    let pages = router_for(job.folder.clone(), None, Reach::Loopback, house);
    // Names that stand in the documents of the test's folder, and signs.
    const DATA: [&str; 6] = ["line 2", "B0", "probe", "FSH", "order-round", "P0"];
    let mut plain = BTreeSet::new();
    let mut said = 0;
    for address in support::ADDRESSES {
        let (status, page) = get(&pages, address, "qps").await;
        assert_eq!(status, StatusCode::OK, "{address}");
        assert!(page.contains("<html lang=\"qps\""), "{address} names no language");
        let mut depth = 0_i32;
        for (element, text) in words(&page) {
            let before = depth;
            depth += text.matches(MARKS[0]).count() as i32 - text.matches(MARKS[1]).count() as i32;
            if before > 0 || text.contains(MARKS[0]) {
                said += 1;
            } else if OWN.contains(&element.as_str()) && !DATA.iter().any(|d| text.contains(d)) {
                plain.insert(format!("{address} {element}: {text}"));
            }
        }
        assert_eq!(depth, 0, "{address} cuts a text in two");
    }
    assert!(plain.is_empty(), "not said by the catalogue:\n{}", Vec::from_iter(plain).join("\n"));
    assert!(said > 2000, "only {said} texts are said");
}

#[tokio::test]
async fn a_language_is_offered_chosen_and_left_again() {
    let job = support::full().await;
    let po = "msgid \"\"\nmsgstr \"\"\n\"Language: de\\n\"\n\nmsgid \"The name of this language in itself\"\n\
              msgstr \"Deutsch\"\n\nmsgid \"Trends\"\nmsgstr \"Verläufe <&>\"\n";
    let house = house(&job.folder, po).unwrap();
    let pages = router_for(job.folder.clone(), None, Reach::Loopback, house);
    let (_, english) = get(&pages, "/trends", "en").await;
    assert!(english.contains("<h1>Trends</h1>") && english.contains("<html lang=\"en\""));
    assert!(english.contains("href=\"/manner?language=de&amp;to=/trends\">Deutsch</a>"), "offered");
    let (_, german) = get(&pages, "/trends", "de").await;
    assert!(german.contains("<h1>Verläufe &lt;&amp;&gt;</h1>"), "said, and escaped");
    let (_, other) = get(&pages, "/trends", "fr").await;
    assert!(other.contains("<h1>Trends</h1>"), "a language that is not there is English");

    for (asked, kept) in [("de", "language=de;"), ("en", "language=en;"), ("fr", "")] {
        let request = Request::get(format!("/manner?language={asked}&to=/trends"));
        let answer = pages.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(answer.headers()[header::LOCATION], "/trends");
        let cookie = answer.headers().get(header::SET_COOKIE).map_or("", |c| c.to_str().unwrap());
        assert!(cookie.starts_with(kept) && cookie.is_empty() == kept.is_empty(), "{cookie}");
    }
}

#[tokio::test]
async fn a_house_whose_catalogues_cannot_be_used_is_refused_with_the_file() {
    let job = support::full().await;
    let lost =
        "msgid \"\"\nmsgstr \"\"\n\"Language: de\\n\"\n\nmsgid \"{n} bars\"\nmsgstr \"Stäbe\"\n";
    let e = house(&job.folder, lost).unwrap_err();
    assert!(e.to_string().contains("a.po") && e.to_string().contains("{n}"), "{e}");
    assert!(e.hint().unwrap().contains("fuzzy"));
    let head = "msgid \"\"\nmsgstr \"\"\n\"Language: de\\n\"\n";
    house(&job.folder, head).unwrap();
    fs::write(job.folder.house().join("texts/b.po"), head).unwrap();
    let e = House::read(&job.folder).unwrap_err();
    assert!(matches!(&e, HouseError::Twice { tag, .. } if tag == "de"), "{e}");
    fs::write(job.folder.house().join("texts/b.po"), [0xff, 0xfe]).unwrap();
    assert!(matches!(House::read(&job.folder), Err(HouseError::File(_))));
}
