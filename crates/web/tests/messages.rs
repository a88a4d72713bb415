//! News over MQTT, heard by a foreign client. Truth: independent code (the Mosquitto broker and its
//! `mosquitto_sub`); the behaviours are those that `docs/receiving.md` promises.
#![allow(clippy::unwrap_used, reason = "tests may")]

use crate::{broker, line};

use std::time::{Duration, Instant};

use barwright_evaluate::screen::Alarm;
use barwright_job::proof::FlawClass;
use barwright_wave::Point;
use barwright_web::receive::{self, LineState, MessageOptions, News, Newsroom, Options, Publisher};
use broker::{Broker, Listener, free_port};
use line::bench::{Scene, disc};
use line::{Client, Job, LINE};
use tokio::net::TcpListener;
use tokio::sync::broadcast;

fn options(port: u16) -> MessageOptions {
    MessageOptions::new(&format!("mqtt://127.0.0.1:{port}"), "barwright").unwrap()
}

/// A newsroom that knows one line.
fn newsroom() -> Newsroom {
    let news = Newsroom::default();
    news.note(LineState { line: LINE.into(), ..LineState::default() });
    news
}

fn alarm(shot: u64) -> News {
    News::Alarm {
        line: LINE.into(),
        bar: "0001".into(),
        alarm: Alarm {
            class: FlawClass::Disc,
            shot,
            beam: 3,
            z_m: 0.25,
            place: Point::new(0.01, 0.0),
            height_fsh: 0.8,
            time_s: 0.5,
        },
    }
}

fn topic(what: &str) -> String {
    format!("barwright/{LINE}/{what}")
}

fn here(listener: &Listener) {
    listener.wait_for("barwright/service", |h| h.json["state"] == "here");
}

// 50 ms: a marker 50 mm behind the ring at 1 m/s.
#[tokio::test(flavor = "multi_thread")]
async fn an_alarm_arrives_within_50_ms_and_everything_has_its_topic() {
    let Some(broker) = Broker::start(free_port()) else { return };
    let listener = broker.listen("barwright/#", &[]);
    let news = newsroom();
    let publisher = Publisher::start(options(broker.port), &news);
    here(&listener);
    let mut waits = Vec::new();
    for shot in 0..200 {
        let told = Instant::now();
        news.tell(alarm(shot));
        let heard = listener.wait_for(&topic("alarm"), |h| h.json["shot"] == shot);
        waits.push(heard.at - told);
        assert!(heard.json["waited_s"].as_f64().unwrap() < 0.05 && !heard.retained, "{heard:?}");
        assert_eq!((&heard.json["event"], &heard.json["bar"]), (&"alarm".into(), &"0001".into()));
        assert_eq!(
            (heard.json["z_m"].as_f64(), heard.json["beam"].as_u64()),
            (Some(0.25), Some(3))
        );
        tokio::time::sleep(Duration::from_millis(3)).await;
    }
    waits.sort();
    println!(
        "alarm told to heard: median {:?}, 95 % {:?}, longest {:?}",
        waits[100], waits[190], waits[199]
    );
    assert!(waits[199] < Duration::from_millis(50), "{:?}", waits[199]);

    news.tell(News::Began { line: LINE.into(), bar: "2".into(), heat: "H".into(), length_m: 6.0 });
    news.tell(News::Ended {
        line: LINE.into(),
        bar: "2".into(),
        broken_off: Some("silence".into()),
    });
    news.tell(News::Judged {
        line: LINE.into(),
        bar: "2".into(),
        shots: 9,
        inspected: 0.9,
        verdict: None,
    });
    news.tell(News::Trouble { line: LINE.into(), message: "the disk is full".into() });
    let state = LineState {
        line: LINE.into(),
        bar: "2".into(),
        z_m: 1.5,
        running: true,
        ..LineState::default()
    };
    news.tell(News::Progress(state));
    let mut numbers = Vec::new();
    for event in ["began", "ended", "judged"] {
        let heard = listener.wait_for(&topic("bar"), |h| h.json["event"] == event);
        numbers.push(heard.json["number"].as_u64().unwrap());
    }
    assert!(numbers.is_sorted_by(|a, b| a < b), "{numbers:?}");
    listener.wait_for(&topic("trouble"), |h| h.json["message"] == "the disk is full");
    listener.wait_for(&topic("state"), |h| h.json["z_m"] == 1.5);

    // Whoever comes later finds the state and the service, and nothing else.
    let late = broker.listen("barwright/#", &[]);
    let mut kept: Vec<String> = (0..2)
        .map(|_| {
            let heard = late.next(Duration::from_secs(5)).expect("it is kept");
            assert!(heard.retained, "{heard:?}");
            heard.topic
        })
        .collect();
    kept.sort();
    assert_eq!(kept, [topic("state"), "barwright/service".to_owned()]);
    assert!(late.next(Duration::from_millis(300)).is_none());

    publisher.stop().await;
    listener.wait_for("barwright/service", |h| h.json["state"] == "gone");
}

#[test]
fn the_broker_tells_when_the_service_is_gone_without_a_farewell() {
    let Some(broker) = Broker::start(free_port()) else { return };
    let listener = broker.listen("barwright/service", &[]);
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let news = newsroom();
    let publisher = runtime.block_on(async { Publisher::start(options(broker.port), &news) });
    here(&listener);
    // As when the program is killed: its sockets close, and nobody says anything.
    runtime.shutdown_background();
    listener.wait_for("barwright/service", |h| h.json["state"] == "gone");
    drop(publisher);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_comes_late_or_again_gets_what_waited() {
    if Broker::absent() {
        return;
    }
    let port = free_port();
    let news = newsroom();
    let mut told = news.listen();
    let publisher = Publisher::start(options(port), &news);
    let trouble = next_trouble(&mut told).await;
    assert!(trouble.contains("does not answer"), "{trouble}");
    let broker = Broker::start(port).unwrap();
    // A client whose subscription outlives the broker's absence.
    let listener = broker.listen("barwright/#", &["-c", "-i", "marker", "-q", "1"]);
    here(&listener);
    let folder = broker.stop();
    assert!(next_trouble(&mut told).await.contains("does not answer"));
    (0..20).for_each(|shot| news.tell(alarm(shot)));
    tokio::time::sleep(Duration::from_millis(300)).await;
    let _broker = Broker::start_in(port, folder).unwrap();
    let mut shots = Vec::new();
    while shots.len() < 20 {
        let heard = listener.wait_for(&topic("alarm"), |_| true);
        assert!(heard.json["waited_s"].as_f64().unwrap() > 0.2, "{heard:?}");
        shots.push(heard.json["shot"].as_u64().unwrap());
    }
    assert_eq!(shots, (0..20).collect::<Vec<u64>>());
    // One trouble for each absence, and nothing was lost.
    publisher.stop().await;
    let mut rest = Vec::new();
    while let Ok(news) = told.try_recv() {
        if let News::Trouble { message, .. } = news {
            rest.push(message);
        }
    }
    assert!(rest.is_empty(), "{rest:?}");
}

async fn next_trouble(told: &mut broadcast::Receiver<News>) -> String {
    loop {
        let next = tokio::time::timeout(Duration::from_secs(10), told.recv()).await;
        if let News::Trouble { message, .. } = next.expect("trouble is told").unwrap() {
            return message;
        }
    }
}

// Truth: property. Every message is delivered or counted as lost.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_broker_that_stays_away_never_got_is_told_to_the_last_message() {
    let news = newsroom();
    let mut told = news.listen();
    // Counts what is told as lost, until everybody has left.
    let lost = tokio::spawn(async move {
        let mut lost = 0;
        loop {
            match told.recv().await {
                Ok(News::Trouble { message, .. }) => {
                    let count = message.split_once(": ").and_then(|(_, rest)| {
                        rest.split_once(" were not delivered")?.0.parse::<u64>().ok()
                    });
                    lost += count.unwrap_or(0);
                }
                Ok(_) => {}
                Err(broadcast::error::RecvError::Closed) => return lost,
                Err(e) => panic!("the test itself fell behind: {e}"),
            }
        }
    });
    let mut options = options(free_port());
    options.most_waiting = 100;
    let publisher = Publisher::start(options, &news);
    let mut telling = Duration::ZERO;
    for shot in 0..2000 {
        let start = Instant::now();
        news.tell(alarm(shot));
        telling += start.elapsed();
        if shot % 100 == 0 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
    println!("2000 alarms told to a broker that is away: {telling:?}");
    // A thousandth of the 50 ms in which one of them is to be marked.
    assert!(telling / 2000 < Duration::from_micros(50), "{telling:?}");
    publisher.stop().await;
    drop(news);
    let lost = lost.await.unwrap();
    // The trouble that the broker is away waited too.
    assert!((2000..=2001).contains(&lost), "{lost}");
}

// A broker that takes the connection and then says nothing is the worst kind of away.
#[tokio::test(flavor = "multi_thread")]
async fn screening_goes_on_beside_a_broker_that_hangs() {
    let hole = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = hole.local_addr().unwrap().port();
    let held = tokio::spawn(async move {
        let mut all = Vec::new();
        while let Ok((stream, _)) = hole.accept().await {
            all.push(stream);
        }
    });
    let alarms = stream_a_bar(port, |_| {}).await;
    assert_eq!(alarms, 1);
    held.abort();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_streamed_bars_alarm_reaches_the_marker() {
    let Some(broker) = Broker::start(free_port()) else { return };
    let listener = broker.listen("barwright/#", &[]);
    let alarms = stream_a_bar(broker.port, |_| here(&listener)).await;
    assert_eq!(alarms, 1);
    let heard = listener.wait_for(&topic("alarm"), |h| h.json["bar"] == "0001");
    // The first beam over the alarm sees it within its width along the bar.
    assert!((heard.json["z_m"].as_f64().unwrap() - 0.3).abs() < 0.015, "{heard:?}");
    listener.wait_for(&topic("bar"), |h| h.json["event"] == "judged");
    listener.wait_for("barwright/service", |h| h.json["state"] == "gone");
}

/// Streams a bar with one flaw to a service that tells a broker. Returns its alarms.
async fn stream_a_bar(port: u16, ready: impl FnOnce(&Newsroom)) -> usize {
    let folder = tempfile::tempdir().unwrap();
    let job = Job::new(folder.path());
    let news = Newsroom::default();
    let mut told = news.listen();
    let named = vec![(LINE.to_owned(), job.folder.clone())];
    let own = Options::default();
    let lines = receive::lines(named, &news, own.retention).unwrap();
    let publisher = Publisher::start(options(port), &news);
    ready(&news);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (end, ended) = tokio::sync::oneshot::channel::<()>();
    let room = news.clone();
    let served = tokio::spawn(async move {
        let end = async move {
            let _ = ended.await;
        };
        receive::receive_on(lines, listener, own, room, end).await.unwrap();
    });
    let mut client = Client::connect(&address).await;
    let scene = Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, 1.5)]);
    let streamed = client.put(&job.announcement("0001", 0.6), job.batches(&scene, 7)).await;
    assert!(streamed.end.is_ok(), "{streamed:?}");
    client.end_bar("0001").await.unwrap();
    assert_eq!(client.settled("0001").await["state"], "screened");
    end.send(()).unwrap();
    served.await.unwrap();
    let stopping = Instant::now();
    publisher.stop().await;
    // Twice the two seconds that its end may take, at the most.
    assert!(stopping.elapsed() < Duration::from_secs(5));
    let mut alarms = 0;
    while let Ok(news) = told.try_recv() {
        alarms += usize::from(matches!(news, News::Alarm { .. }));
    }
    alarms
}

// Truth: independent code (OpenSSL made the certificates and stands behind the broker).
#[tokio::test(flavor = "multi_thread")]
async fn tls_trusts_the_named_authority_alone() {
    if Broker::absent() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let authority = certify(&at, "authority", None);
    certify(&at, "broker", Some("authority"));
    let stranger = certify(&at, "stranger", None);
    broker::open_to_all(folder.path());
    let port = free_port();
    let more = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\ncertfile {}\nkeyfile {}\n",
        at("broker.pem"),
        at("broker.key")
    );
    let broker = Broker::start_with(free_port(), folder, &more).unwrap();
    let listener = broker.listen("barwright/#", &[]);
    let news = newsroom();
    let mut told = news.listen();
    let tls = || MessageOptions::new(&format!("mqtts://localhost:{port}"), "barwright").unwrap();
    let wrong = Publisher::start(tls().trusting(&stranger).unwrap(), &news);
    let trouble = next_trouble(&mut told).await;
    assert!(trouble.to_lowercase().contains("certificate"), "{trouble}");
    wrong.stop().await;
    assert!(listener.next(Duration::from_millis(100)).is_none());
    let right = tls().trusting(&authority).unwrap().with_login("barwright:secret").unwrap();
    let right = Publisher::start(right, &news);
    here(&listener);
    news.tell(alarm(7));
    listener.wait_for(&topic("alarm"), |h| h.json["shot"] == 7);
    right.stop().await;
}

/// A certificate for `localhost` and its key, NAME.pem and NAME.key, signed by another or by itself.
/// Returns its text.
fn certify(at: &dyn Fn(&str) -> String, name: &str, by: Option<&str>) -> String {
    let (key, pem) = (at(&format!("{name}.key")), at(&format!("{name}.pem")));
    let mut openssl = std::process::Command::new("openssl");
    openssl.args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]);
    openssl.args([
        "-nodes",
        "-days",
        "2",
        "-subj",
        &format!("/CN={name}"),
        "-keyout",
        &key,
        "-out",
        &pem,
    ]);
    match by {
        Some(by) => {
            openssl.args(["-CA", &at(&format!("{by}.pem")), "-CAkey", &at(&format!("{by}.key"))]);
            openssl.args(["-addext", "subjectAltName=DNS:localhost"]);
            openssl.args(["-addext", "basicConstraints=critical,CA:FALSE"]);
        }
        None => {
            openssl.args(["-addext", "keyUsage=keyCertSign"]);
        }
    }
    let made = openssl.output().expect("openssl is there");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    // The broker gives up the rights of root.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o644)).unwrap();
    }
    std::fs::read_to_string(pem).unwrap()
}
