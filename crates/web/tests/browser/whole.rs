//! From an order to a certificate by the pages alone, and a changeover: the recordings come from the
//! virtual station, everything else from what a person clicks.

use std::time::Duration;

use barwright_capture::{CaptureWriter, Shots};
use barwright_job::Sealed;
use barwright_job::level::Level;
use barwright_ledger::{
    Store,
    record::{PersonFacts, Role},
};
use barwright_twin::{Capture, TwinError, VirtualStation, demo_scene};
use barwright_web::{JobFolder, files};

use crate::{
    driver::{Browser, PASSWORD, browser, pictures, served},
    support,
};

/// A job folder with the three documents of people and those people, nothing else.
async fn begun(bars: u32) -> support::Job {
    let job = support::empty();
    support::written(&job.folder);
    let order = files::read_text(&job.folder.order_path()).unwrap();
    let order = order.replace("count = 24", &format!("count = {bars}"));
    files::write(&job.folder.order_path(), order.as_bytes()).unwrap();
    let now = jiff::Timestamp::now().as_microsecond();
    let store = Store::create(job.folder.ledger_path(), "line 2", now).await.unwrap();
    let mut accounts = barwright_web::Accounts::default();
    for (name, role) in [("Q1", Role::Quality), ("L3", Role::Level3), ("I1", Role::Inspector)] {
        let record = barwright_ledger::Record::person(PersonFacts {
            person: name.into(),
            roles: vec![role],
            certified_until: Some(jiff::civil::date(2999, 12, 31)),
            certificate: String::new(),
        });
        store.append(&record, "Q1", now).await.unwrap();
        accounts.set_password(name, PASSWORD).unwrap();
    }
    store.close().await;
    accounts.write(&job.folder).unwrap();
    job
}

/// The virtual station of a job folder.
struct Line {
    folder: JobFolder,
    station: VirtualStation,
    scene: barwright_twin::Scene,
}

impl Line {
    fn new(folder: &JobFolder) -> Self {
        let (order, technique) = (folder.order().unwrap(), folder.technique().unwrap());
        let scene = demo_scene(4, &order);
        let station = VirtualStation::new(&technique, &scene.station, scene.seed).unwrap();
        Self { folder: folder.clone(), station, scene }
    }

    fn store(&self, name: &str, capture: Capture<'_>) {
        let path = self.folder.capture_path(name);
        files::make_room(&path).unwrap();
        let mut writer = CaptureWriter::create(&path, capture.header()).unwrap();
        capture
            .run(&mut |shots: Shots| -> Result<(), TwinError> {
                writer.write(&shots).unwrap();
                Ok(())
            })
            .unwrap();
        writer.finish().unwrap();
    }

    fn level(&self) -> Sealed<Level> {
        self.folder.level().unwrap()
    }

    fn gains(&self) -> Vec<f64> {
        self.level().body.beams.iter().map(|b| b.gain_db).collect()
    }

    /// The reference bar in motion, with the gains of the technique or, once there is one, the level.
    fn reference(&self, short: bool, name: &str) {
        let (gains, level) = match self.folder.level() {
            Ok(level) => (self.gains(), Some(level.hash)),
            Err(_) => {
                let technique = self.folder.technique().unwrap();
                (technique.body.beams.iter().map(|b| b.gain_db).collect(), None)
            }
        };
        let (reference, times) = if short {
            (barwright_web::steps::changeover::short_reference(&self.folder).unwrap(), 1)
        } else {
            (self.folder.reference().unwrap(), 2)
        };
        let capture = self.station.reference_capture(&reference, &gains, level, times, name);
        self.store(name, capture.unwrap());
    }

    fn check(&self, name: &str) {
        let passes = u16::try_from(self.folder.rules().unwrap().check.passes).unwrap();
        let speed = self.folder.technique().unwrap().body.line_speed_m_s;
        let (reference, level) = (self.folder.reference().unwrap(), self.level());
        let capture = self.station.check_capture(
            &reference,
            &self.gains(),
            Some(level.hash),
            passes,
            speed,
            name,
        );
        self.store(name, capture.unwrap());
    }

    fn bars(&self) {
        let order = self.folder.order().unwrap();
        let (heat, length_m) = (&order.order.heat, order.bars.length_mm / 1e3);
        for bar in &self.scene.bars {
            let level = Some(self.level().hash);
            let capture = self.station.bar_capture(bar, heat, length_m, &self.gains(), level);
            self.store(&bar.name, capture.unwrap());
        }
    }
}

/// A person before the pages of a job folder.
struct Person<'a> {
    b: &'a Browser,
    at: std::net::SocketAddr,
}

impl Person<'_> {
    async fn goto(&self, address: &str) {
        self.b.driver.goto(format!("http://{}{address}", self.at)).await.unwrap();
    }

    /// Opens a page and sends the form that goes to an address; waits for the work to end.
    async fn send(&self, page: &str, action: &str) {
        self.goto(page).await;
        let form = format!("form[action=\"{action}\"] button[type=submit]");
        let there = format!("return document.querySelector('{form}') !== null");
        assert_eq!(self.b.ask(&there).await, true, "{page} has no form to {action}");
        // Until the answer comes the page that was left is still there, whole and at rest: it is marked.
        self.b.ask(&format!("window.left = true; document.querySelector('{form}').click()")).await;
        // The proof of the order takes some seconds, on a busy machine a minute.
        let mut tries = 0;
        loop {
            tokio::time::sleep(Duration::from_millis(100)).await;
            let over = "return !window.left && document.readyState === 'complete' &&
                document.querySelector('[data-work]') === null";
            if self.b.ask(over).await == true {
                break;
            }
            tries += 1;
            assert!(tries < 1200, "{action} on {page} does not end");
        }
        let wrong = "return document.querySelector('.wrong')?.innerText ?? ''";
        assert_eq!(self.b.ask(wrong).await, "", "{action} on {page}");
    }

    /// State of a link of the chain by its name.
    async fn link(&self, name: &str) -> String {
        let script = format!(
            "return [...document.querySelectorAll('.chain li')]
                .find((li) => li.querySelector('.stage').innerText === '{name}')
                .querySelector('.state').textContent"
        );
        self.b.ask(&script).await.as_str().unwrap().to_owned()
    }

    async fn picture(&self, name: &str) {
        self.b.picture(&pictures().join(format!("{name}.png")), 1280).await;
        self.b.size(1280, 900).await;
    }
}

/// Lays something of the virtual station aside, off the threads that answer.
async fn line<T: Send + 'static>(
    folder: &JobFolder,
    work: impl FnOnce(&Line) -> T + Send + 'static,
) -> T {
    let folder = folder.clone();
    tokio::task::spawn_blocking(move || work(&Line::new(&folder))).await.unwrap()
}

/// What was heard of the crack of the third bar: by its link, and under the pointer.
async fn heard(person: &Person<'_>, folder: &JobFolder) {
    let b = person.b;
    let judgement = folder.judgement("03").unwrap();
    let crack = judgement.body.indications.first().expect("the third bar has a crack");
    let z_m = 0.5 * (crack.from_m + crack.to_m);
    person.goto("/bars/03").await;
    b.ask("document.querySelector('a[href*=\"/heard?\"]').click()").await;
    b.until("return document.querySelectorAll('.ascan-gate').length >= 1", "the A-scan").await;
    assert_eq!(b.path().await, "/bars/03/heard");
    // The nearest A-scan is one of the crack: its highest echo reaches the alarm.
    let highest = "return Number(document.querySelector('tbody tr td:nth-of-type(3)').innerText)";
    assert!(b.ask(highest).await.as_f64().unwrap() > 20.0);
    person.picture("heard").await;

    person.goto("/bars/03").await;
    let point = format!(
        "const figure = document.querySelector('figure[data-stretch]');
         const svg = figure.querySelector('svg');
         const {{ alongFrom, alongTo, alongLength, acrossTop, acrossHeight }} = figure.dataset;
         const x = Number(alongFrom) + (alongTo - alongFrom) * {z_m} / alongLength;
         const y = Number(acrossTop) + 0.5 * acrossHeight;
         const at = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
         svg.dispatchEvent(new PointerEvent('pointermove',
             {{ clientX: at.x, clientY: at.y, bubbles: true }}));"
    );
    b.ask(&point).await;
    b.until("return document.querySelector('[data-heard] .ascan-gate') !== null", "what was heard")
        .await;
    person.picture("heard-under-pointer").await;
}

// Truth: the whole way, against the ledger's own states; own rules.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_order_becomes_a_certificate_by_the_pages_alone() {
    if !browser() {
        return;
    }
    let job = begun(3).await;
    let folder = job.folder.clone();
    let at = served(&job).await;
    let b = Browser::start().await;
    b.system(false).await;
    b.size(1280, 900).await;
    let person = Person { b: &b, at };
    person.goto("/").await;
    b.sign_in("L3", PASSWORD).await;

    person.send("/technique", "/technique/work").await;
    person.send("/proof", "/proof/work").await;
    assert_eq!(person.link("Technique").await, "closed");
    person.send("/technique", "/technique/approve").await;
    assert!(b.says("Approved by L3").await);
    person.send("/reference", "/reference/work").await;
    assert!(folder.reference().is_ok());

    // A changeover: two steps by hand, then a short recording says what is right.
    person.send("/changeover", "/changeover/begin").await;
    person.send("/changeover", "/changeover/done").await;
    line(&folder, |l| l.reference(true, "short")).await;
    person.send("/changeover", "/changeover/verify").await;
    person.picture("changeover-verified").await;
    let ready = folder.changeover().unwrap().body.ready;
    assert_eq!(b.says("Every step is verified").await, ready);

    // Levelled twice: what the first gave another gain, the second sees inside.
    line(&folder, |l| l.reference(false, "reference-1")).await;
    person.goto("/level").await;
    person.picture("level-to-choose").await;
    person.send("/level", "/level/work").await;
    line(&folder, |l| l.reference(false, "reference-2")).await;
    person.send("/level", "/level/work").await;
    person.picture("level-made").await;
    assert_eq!(person.link("Levelled").await, "closed");

    line(&folder, |l| l.check("check-1")).await;
    person.send("/checks", "/checks/work").await;
    assert_eq!(person.link("Checked").await, "closed");
    b.ask("document.querySelector('form[action=\"/sign-out\"] button').click()").await;
    person.goto("/").await;
    b.sign_in("I1", PASSWORD).await;

    line(&folder, Line::bars).await;
    person.goto("/bars").await;
    person.picture("bars-to-choose").await;
    person.send("/bars", "/bars/work").await;
    assert_eq!(person.link("Screened").await, "closed");
    heard(&person, &folder).await;
    line(&folder, |l| l.check("check-2")).await;
    person.goto("/checks").await;
    // The latest recording is chosen by itself.
    let chosen = "return document.querySelector('input[name=captures]:checked').value";
    assert_eq!(b.ask(chosen).await, "check-2");
    person.send("/checks", "/checks/work").await;
    person.goto("/").await;
    assert_eq!(person.link("Released").await, "closed");
    person.picture("lot-released").await;
    person.send("/papers", "/papers/work").await;
    person.picture("papers-set").await;
    let paper = "return fetch('/papers/bar-01.pdf').then((a) => a.arrayBuffer())
        .then((bytes) => new TextDecoder().decode(bytes.slice(0, 5)))";
    assert_eq!(b.ask(paper).await, "%PDF-");

    // What the ledger says: one good bracket around three bars, every document by who made it.
    let store = Store::open(folder.ledger_path()).await.unwrap();
    let bars = store.bars(jiff::Timestamp::now().as_microsecond()).await.unwrap();
    assert_eq!(bars.len(), 3);
    for bar in &bars {
        // The third bar of this scene has a crack.
        let out = matches!(
            bar.state,
            barwright_ledger::State::Released | barwright_ledger::State::Cropped { .. }
        );
        assert!(out, "{}: {:?}", bar.bar, bar.state);
        assert!(bar.opening_check.is_some() && bar.closing_check.is_some());
    }
    let verified = store.verify(None).await.unwrap();
    assert!(verified.first_fault.is_none(), "{verified:?}");
    let entries = store.entries(1, u32::MAX).await.unwrap();
    let author = |kind| {
        let found = entries.iter().rev().find(|e| e.kind == kind);
        found.map(|e| e.author.as_str())
    };
    assert_eq!(author(barwright_ledger::Kind::Level), Some("L3"));
    assert_eq!(author(barwright_ledger::Kind::Judgement), Some("I1"));
    store.close().await;
    assert!(b.complaints().await.is_empty());
    b.end().await;
}
