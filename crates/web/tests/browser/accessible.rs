//! Every page by axe-core: WCAG 2.2, level AA. The file of rules comes with a Python package
//! (`pip install --no-deps axe-playwright-python`), found by the interpreter in `BARWRIGHT_PYTHON`.

use std::process::Command;

use serde_json::json;

use crate::{
    FORMS,
    driver::{Browser, PASSWORD, browser, people, served},
    support,
};

/// The rules, where they are installed: otherwise the test skips, loudly.
fn rules() -> Option<String> {
    let python = std::env::var("BARWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let find = "import importlib.util as u; print(u.find_spec('axe_playwright_python').submodule_search_locations[0])";
    let found = Command::new(&python).args(["-c", find]).output().ok()?;
    let folder = String::from_utf8(found.stdout).ok()?;
    let rules = std::fs::read_to_string(format!("{}/axe.min.js", folder.trim())).ok();
    if rules.is_none() {
        let words = "axe-core is not installed";
        assert!(std::env::var_os("BARWRIGHT_NEEDS_BROWSER").is_none(), "{words}");
        eprintln!("SKIPPED: {words}");
    }
    rules
}

/// What axe finds on the page that is shown, each with the element.
const RUN: &str = "
    return axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] })
        .then((found) => found.violations.flatMap((v) =>
            v.nodes.map((n) => `${v.id}: ${n.target} ${n.failureSummary}`.slice(0, 400))));";

// Truth: independent code. axe-core finds what can be found without a person; it is no proof that a
// page can be used.
#[tokio::test]
async fn every_page_passes_axe_for_wcag_2_2_aa() {
    if !browser() {
        return;
    }
    let Some(rules) = rules() else { return };
    let (job, empty, closed) = (support::full().await, support::empty(), support::full().await);
    people(&closed).await;
    let (full_at, empty_at, closed_at) =
        (served(&job).await, served(&empty).await, served(&closed).await);
    let b = Browser::start().await;
    b.driver.goto(format!("http://{closed_at}/sign-in")).await.unwrap();
    b.sign_in("L3", PASSWORD).await;
    let mut found = vec![];
    // Wide has nothing that light has not.
    for (form, dark, width, height) in FORMS.into_iter().filter(|form| form.0 != "wide") {
        b.system(dark).await;
        b.size(width, height).await;
        let full = support::ADDRESSES.map(|a| (full_at, a));
        let bare = ["/", "/technique", "/ledger", "/bars"].map(|a| (empty_at, a));
        // Pages with forms, for who signed in, and the ones without the signed-in.
        let forms = ["/technique", "/bars/B002"].map(|a| (closed_at, a));
        for (at, address) in full.into_iter().chain(bare).chain(forms) {
            b.driver.goto(format!("http://{at}{address}")).await.unwrap();
            b.ask(&rules).await;
            let violations = b.ask(RUN).await;
            if violations != json!([]) {
                found.push(format!("{address} {form}: {violations:#}"));
            }
        }
    }
    b.driver.delete_all_cookies().await.unwrap();
    b.driver.goto(format!("http://{closed_at}/sign-in")).await.unwrap();
    b.ask(&rules).await;
    assert_eq!(b.ask(RUN).await, json!([]), "/sign-in");
    b.end().await;
    assert!(found.is_empty(), "{}", found.join("\n"));
}
