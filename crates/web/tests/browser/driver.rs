//! A real browser with its driver, the pages of a job folder served for it, and people who sign in.

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use thirtyfour::{
    ChromeCapabilities, ChromiumLikeCapabilities, Key, WebDriver, common::log::LoggingPrefsLogLevel,
};

use crate::support;

/// Whether the browser must be there: otherwise the test skips, loudly.
pub fn browser() -> bool {
    let there = |name: &str| {
        Command::new(name).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status()
    };
    let absent: Vec<&str> = ["chromium", "chromedriver"]
        .into_iter()
        .filter(|name| !there(name).is_ok_and(|s| s.success()))
        .collect();
    if absent.is_empty() {
        return true;
    }
    let words = format!("{} cannot be run", absent.join(" and "));
    assert!(std::env::var_os("BARWRIGHT_NEEDS_BROWSER").is_none(), "{words}");
    eprintln!("SKIPPED: {words}");
    false
}

fn free_port() -> u16 {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

/// A browser with its driver; both end with it.
pub struct Browser {
    pub driver: WebDriver,
    process: Child,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub async fn start() -> Self {
        let port = free_port();
        let process = Command::new("chromedriver")
            .args([format!("--port={port}"), "--log-level=OFF".to_owned()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let profile = tempfile::tempdir().unwrap();
        let mut wanted = ChromeCapabilities::new();
        for arg in [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
        ] {
            wanted.add_arg(arg).unwrap();
        }
        wanted.add_arg(&format!("--user-data-dir={}", profile.path().display())).unwrap();
        wanted.set_browser_log_level(LoggingPrefsLogLevel::All).unwrap();
        // The driver needs a moment before it answers; a loaded machine several seconds.
        let mut tries = 0;
        let driver = loop {
            match WebDriver::new(format!("http://127.0.0.1:{port}"), wanted.clone()).await {
                Ok(driver) => break driver,
                Err(e) if tries == 120 => panic!("the browser does not start: {e}"),
                Err(_) => tries += 1,
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
        };
        // A page without a screen is not always taken for the active one, and only that one shows its focus.
        let active = json!({"enabled": true});
        driver.cdp().send_raw("Emulation.setFocusEmulationEnabled", active).await.unwrap();
        Self { driver, process, _profile: profile }
    }

    pub async fn size(&self, width: u32, height: u32) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500});
        self.driver.cdp().send_raw("Emulation.setDeviceMetricsOverride", size).await.unwrap();
    }

    /// What the system of the reader asks for.
    pub async fn system(&self, dark: bool) {
        let scheme = if dark { "dark" } else { "light" };
        let media = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.driver.cdp().send_raw("Emulation.setEmulatedMedia", media).await.unwrap();
    }

    pub async fn ask(&self, script: &str) -> Value {
        self.driver.execute(script, Vec::new()).await.unwrap().json().clone()
    }

    pub async fn press(&self, key: Key) {
        let body = self.driver.active_element().await.unwrap();
        body.send_keys(key + "").await.unwrap();
    }

    /// The whole page as a picture.
    pub async fn picture(&self, path: &Path, width: u32) {
        let height = self.ask("return document.documentElement.scrollHeight").await;
        let height = u32::try_from(height.as_u64().unwrap()).unwrap().min(9000);
        self.size(width, height).await;
        self.driver.screenshot(path).await.unwrap();
    }

    /// Errors and blocked content since the last call.
    pub async fn complaints(&self) -> Vec<String> {
        let log = self.driver.browser_log().await.unwrap();
        log.into_iter()
            .filter(|e| e.level == "SEVERE" || e.message.contains("Content Security Policy"))
            .map(|e| e.message)
            .collect()
    }

    pub async fn end(mut self) {
        self.driver.clone().quit().await.unwrap();
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

/// The pages of a job folder on a port of their own.
pub async fn served(job: &support::Job) -> SocketAddr {
    let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    let folder = job.folder.clone();
    tokio::spawn(barwright_web::serve_on(folder, listener, std::future::pending()));
    address
}

pub fn pictures() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

pub fn name_of(address: &str) -> String {
    let name: String =
        address.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    if address == "/" { "-lot".to_owned() } else { name }
}

/// People with one password, in the job folder's ledger and accounts.
pub async fn people(job: &support::Job) {
    use barwright_ledger::record::{PersonFacts, Role};
    let store = barwright_ledger::Store::open(job.folder.ledger_path()).await.unwrap();
    let mut accounts = barwright_web::Accounts::default();
    for (name, role) in [("Q1", Role::Quality), ("L3", Role::Level3), ("A1", Role::Auditor)] {
        let record = barwright_ledger::Record::person(PersonFacts {
            person: name.into(),
            roles: vec![role],
            certified_until: Some(jiff::civil::date(2999, 12, 31)),
            certificate: String::new(),
        });
        store.append(&record, "Q1", 1_768_210_000_000_000).await.unwrap();
        accounts.set_password(name, PASSWORD).unwrap();
    }
    store.close().await;
    accounts.write(&job.folder).unwrap();
}

pub const PASSWORD: &str = "seven bars of rain";

impl Browser {
    /// Fills the form that is shown and sends it by the keyboard.
    pub async fn sign_in(&self, name: &str, password: &str) {
        use thirtyfour::By;
        let field = async |css| self.driver.find(By::Css(css)).await.unwrap();
        field("input[name=name]").await.send_keys(name).await.unwrap();
        field("input[name=password]").await.send_keys(password + Key::Enter).await.unwrap();
        // The answer takes as long as the password's cost.
        for _ in 0..200 {
            let there = "return document.readyState === 'complete' &&
                document.querySelector('input[name=password]')?.value !== undefined
                ? !document.querySelector('input[name=password]').value : true";
            if self.ask(there).await == true {
                return;
            }
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
        panic!("signing in takes too long");
    }

    /// Waits until a script answers so; `what` says what does not come.
    pub async fn until_it_says(&self, script: &str, wanted: &Value, what: &str) {
        for _ in 0..400 {
            if self.ask(script).await == *wanted {
                return;
            }
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
        panic!("{what} does not come: {script} gives {}, not {wanted}", self.ask(script).await);
    }

    /// Waits for something to hold.
    pub async fn until(&self, script: &str, what: &str) {
        self.until_it_says(script, &json!(true), what).await;
    }

    pub async fn path(&self) -> String {
        self.ask("return location.pathname").await.as_str().unwrap().to_owned()
    }

    pub async fn says(&self, words: &str) -> bool {
        let script = format!("return document.body.innerText.includes({})", json!(words));
        self.ask(&script).await == true
    }
}
