//! The ingest service, in this process. Truth: what was streamed, and the offline screening of the
//! same shots; the behaviours are those that `docs/receiving.md` promises.
#![allow(clippy::unwrap_used, reason = "tests may")]

use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::line::bench::{Scene, disc};
use crate::line::{self, Client, Job, LINE};
use arrow::array::{RecordBatch, UInt32Array};
use barwright_capture::{CaptureReader, Journal, read_echoes, read_inspected, read_kept};
use barwright_evaluate::screen::{Retention, Screening};
use barwright_job::judgement::Verdict;
use barwright_job::screened::LossCause;
use barwright_job::{Hash, Topic};
use barwright_wave::Point;
use barwright_web::files;
use barwright_web::receive::{self, News, Newsroom, Options};
use futures_util::StreamExt;
use serde_json::json;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tonic::Code;

struct Service {
    job: Job,
    client: Client,
    news: Newsroom,
    end: Option<oneshot::Sender<()>>,
    served: JoinHandle<()>,
    _folder: tempfile::TempDir,
}

impl Service {
    async fn start(options: Options) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let job = Job::new(folder.path());
        let news = Newsroom::default();
        let named = vec![(LINE.to_owned(), job.folder.clone())];
        let lines = receive::lines(named, &news, options.retention).unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let (end, ended) = oneshot::channel::<()>();
        let (token, own) = (options.token.clone(), news.clone());
        let served = tokio::spawn(async move {
            let end = async move {
                let _ = ended.await;
            };
            receive::receive_on(lines, listener, options, own, end).await.unwrap();
        });
        let mut client = Client::connect(&address).await;
        if let Some(token) = token {
            client = client.with_token(&token);
        }
        Self { job, client, news, end: Some(end), served, _folder: folder }
    }

    async fn stop(&mut self) {
        self.end.take().unwrap().send(()).unwrap();
        (&mut self.served).await.unwrap();
    }
}

fn flawed() -> Scene {
    Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, 1.5)])
}

#[tokio::test(flavor = "multi_thread")]
async fn a_streamed_bar_is_screened_as_its_capture_would_be() {
    let mut s = Service::start(Options { retention: Retention::All, ..Options::default() }).await;
    let mut heard = s.news.listen();
    let scene = flawed();
    let announcement = s.job.announcement("0001", 0.6);
    let streamed = s.client.put(&announcement, s.job.batches(&scene, 7)).await;
    assert!(streamed.end.is_ok(), "{streamed:?}");
    assert_eq!(streamed.durable, Some(3600));
    assert_eq!(s.client.position("0001").await["next_shot"], 3600);
    s.client.end_bar("0001").await.unwrap();
    assert_eq!(s.client.settled("0001").await["state"], "screened");

    let mut offline = Screening::new(
        &s.job.bench.technique,
        Some(&s.job.level),
        &s.job.folder.rules().unwrap(),
        &announcement.header,
    )
    .unwrap();
    for run in s.job.shots(&scene) {
        offline.push(&run).unwrap();
    }
    let offline = offline.finish(Hash::of(b"capture"));
    let f = &s.job.folder;
    let live = f.screened("0001").unwrap().body;
    assert_eq!(live, offline.bar);
    assert_eq!(read_echoes(&f.echoes_path("0001")).unwrap().echoes, offline.echoes);
    assert_eq!(read_inspected(&f.inspected_path("0001")).unwrap(), offline.beams);
    // With every A-scan in a capture, none is kept beside it.
    assert!(read_kept(&f.ascans_path("0001")).unwrap().ascans.is_empty());
    let shots: usize = CaptureReader::open(&f.capture_path("0001"))
        .unwrap()
        .map(|batch| batch.unwrap().len())
        .sum();
    assert_eq!(shots, 3600);
    let judgement = f.judgement("0001").unwrap().body;
    assert_eq!(judgement.indications.len(), 1);
    assert!((judgement.indications[0].place.distance(Point::new(0.010, 0.0))) < 1e-3);
    assert!(!f.journal_path("0001").exists());

    let mut events = Vec::new();
    while let Ok(news) = heard.try_recv() {
        events.push(news);
    }
    let alarms: Vec<_> = events
        .iter()
        .filter_map(|n| match n {
            News::Alarm { alarm, .. } => Some(alarm),
            _ => None,
        })
        .collect();
    assert_eq!(alarms.len(), 1, "one place, one alarm: {alarms:?}");
    // The first beam over the alarm sees it within its width along the bar.
    assert!((alarms[0].z_m - 0.3).abs() < 0.015, "{alarms:?}");
    assert!(matches!(&events[0], News::Began { bar, .. } if bar == "0001"));
    assert!(events.iter().any(|n| matches!(n, News::Ended { broken_off: None, .. })));
    assert!(events.iter().any(|n| matches!(n, News::Judged { verdict: Some(_), .. })));
    // A page that is opened now hears the same, but for the progress on the way.
    let past = s.news.past(LINE);
    let kinds = |n: &[News]| n.iter().filter(|n| !matches!(n, News::Progress(_))).count();
    assert_eq!(kinds(&past), kinds(&events));
}

#[tokio::test(flavor = "multi_thread")]
async fn kept_ascans_stand_around_what_they_show() {
    let mut s = Service::start(Options::default()).await;
    let announcement = s.job.announcement("k", 0.6);
    s.client.put(&announcement, s.job.batches(&flawed(), 3)).await.end.unwrap();
    s.client.end_bar("k").await.unwrap();
    s.client.settled("k").await;
    let kept = read_kept(&s.job.folder.ascans_path("k")).unwrap().ascans;
    let echoes = read_echoes(&s.job.folder.echoes_path("k")).unwrap().echoes;
    let mut over: Vec<f64> = echoes
        .iter()
        .filter(|e| e.beam == 0 && e.gate == 1 && e.height_fsh >= 0.4)
        .map(|e| e.z_m)
        .collect();
    over.sort_by(f64::total_cmp);
    let of_beam: Vec<f64> = kept.iter().filter(|a| a.beam == 0).map(|a| a.z_m).collect();
    // Two shots before the first and after the last, 6 mm apart.
    let (first, last) =
        (over[0] - 2.0 * line::bench::SPACING, over[over.len() - 1] + 2.0 * line::bench::SPACING);
    assert!((of_beam[0] - first).abs() < 1e-9, "{of_beam:?} {over:?}");
    assert!((of_beam[of_beam.len() - 1] - last).abs() < 1e-9, "{of_beam:?} {over:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_comes_back_goes_on_where_the_disk_ends() {
    let mut s = Service::start(Options::default()).await;
    let announcement = s.job.announcement("2", 0.6);
    let batches = s.job.batches(&flawed(), 10);
    let first = s.client.put(&announcement, batches[..4].to_vec()).await;
    assert_eq!(first.durable, Some(4 * 360));
    let at = s.client.position("2").await;
    assert_eq!((at["state"].as_str(), at["next_shot"].as_u64()), (Some("open"), Some(1440)));
    // It sends one batch again, and is told what is there already.
    let second = s.client.put(&announcement, batches[3..].to_vec()).await;
    assert_eq!(second.durable, Some(3600));
    s.client.end_bar("2").await.unwrap();
    s.client.settled("2").await;
    let bar = s.job.folder.screened("2").unwrap().body;
    assert_eq!(bar.shots, 3600);
    assert!(bar.findings.iter().any(|f| f.message.contains("360 shots came more than once")));
    assert!(bar.lost.iter().all(|l| l.cause == LossCause::End), "{:?}", bar.lost);
}

#[tokio::test(flavor = "multi_thread")]
async fn shots_that_never_came_are_not_inspected() {
    let mut s = Service::start(Options::default()).await;
    let mut batches = s.job.batches(&Scene::plain(0.6), 10);
    batches.remove(5);
    s.client.put(&s.job.announcement("3", 0.6), batches).await.end.unwrap();
    s.client.end_bar("3").await.unwrap();
    s.client.settled("3").await;
    let bar = s.job.folder.screened("3").unwrap().body;
    assert!(bar.findings.iter().any(|f| f.message.contains("360 shots that the station numbered")));
    let lost: Vec<_> = bar.lost.iter().filter(|l| l.cause == LossCause::MissedCycle).collect();
    assert_eq!(lost.len(), 2, "{:?}", bar.lost);
    // Ten cycles of 6 mm.
    assert!(lost.iter().all(|l| l.to_m - l.from_m > 0.06 && l.to_m - l.from_m < 0.08), "{lost:?}");
    assert!(bar.inspected.iter().all(|i| i.share < 0.8));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_does_not_hold_together_is_refused_and_the_rest_stays() {
    let mut s = Service::start(Options::default()).await;
    let announcement = s.job.announcement("4", 0.6);
    let batches = s.job.batches(&Scene::plain(0.6), 10);
    let with = |change: &dyn Fn(&str) -> Option<arrow::array::ArrayRef>| {
        let b = &batches[1];
        let schema = b.schema();
        let columns = schema.fields().iter().zip(b.columns());
        RecordBatch::try_from_iter(
            columns.map(|(f, c)| (f.name().clone(), change(f.name()).unwrap_or_else(|| c.clone()))),
        )
        .unwrap()
    };
    let unknown_beam =
        with(&|name| (name == "beam").then(|| Arc::new(UInt32Array::from(vec![99; 360])) as _));
    let narrow = batches[1].project(&[0, 1, 2, 3]).unwrap();
    let mut turned = batches[1].clone();
    let order: arrow::array::UInt64Array = (0..360u64).rev().collect::<Vec<_>>().into();
    turned = {
        let columns: Vec<_> = turned
            .columns()
            .iter()
            .map(|c| arrow::compute::take(c, &order, None).unwrap())
            .collect();
        RecordBatch::try_new(turned.schema(), columns).unwrap()
    };
    for (bad, why) in [(unknown_beam, "beam 99 of 36"), (turned, "numbers rise")] {
        let streamed = s.client.put(&announcement, vec![batches[0].clone(), bad]).await;
        assert_eq!(streamed.code(), Some(Code::InvalidArgument), "{streamed:?}");
        assert!(streamed.end.unwrap_err().message().contains(why));
        assert_eq!(streamed.durable, Some(360), "what came before it counts");
    }
    let streamed = s.client.put(&announcement, vec![narrow]).await;
    assert!(streamed.end.unwrap_err().message().contains("ascan (FixedSizeList) is needed"));
    // The bar is still open and ends well.
    s.client.put(&announcement, batches).await.end.unwrap();
    s.client.end_bar("4").await.unwrap();
    assert_eq!(s.client.settled("4").await["state"], "screened");
    // A second pass under the same name is refused, and so is an end without a bar.
    let again = s.client.put(&announcement, vec![]).await;
    assert_eq!(again.code(), Some(Code::AlreadyExists), "{again:?}");
    assert_eq!(s.client.end_bar("4").await.unwrap_err().code(), Code::FailedPrecondition);
}

#[tokio::test(flavor = "multi_thread")]
async fn bars_that_do_not_belong_are_refused() {
    let mut s = Service::start(Options::default()).await;
    let good = s.job.announcement("5", 0.6);
    let mut refused = Vec::new();
    let mut a = good.clone();
    a.header.technique = Hash::of(b"another");
    refused.push((a, Code::FailedPrecondition, "technique"));
    let mut a = good.clone();
    a.header.gains_db[0] += 1.0;
    refused.push((a, Code::FailedPrecondition, "gains"));
    let mut a = good.clone();
    a.header.level = None;
    refused.push((a, Code::FailedPrecondition, "level"));
    let mut a = good.clone();
    a.header.record.samples = 700;
    refused.push((a, Code::FailedPrecondition, "700 samples"));
    let mut a = good.clone();
    a.line = "line 9".into();
    refused.push((a, Code::NotFound, "line 2"));
    let mut a = good.clone();
    a.header.bar = "../7".into();
    refused.push((a, Code::InvalidArgument, "name"));
    for (announcement, code, word) in refused {
        let streamed = s.client.put(&announcement, vec![]).await;
        assert_eq!(streamed.code(), Some(code), "{streamed:?}");
        let status = streamed.end.unwrap_err();
        assert!(status.message().contains(word), "{status}");
    }
    assert_eq!(s.job.folder.bars_in_progress().unwrap(), Vec::<String>::new());
    let loaded = s.client.ask("loaded", json!({"line": LINE})).await.unwrap();
    assert_eq!(loaded["announcement"]["header"]["technique"], good.header.technique.0);
    assert_eq!(s.client.ask("dance", json!({})).await.unwrap_err().code(), Code::Unimplemented);
    assert_eq!(
        s.client.ask("loaded", json!({"lime": 1})).await.unwrap_err().code(),
        Code::InvalidArgument
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn silence_a_bar_without_end_and_the_next_bar_break_a_bar_off() {
    let patience = Duration::from_millis(300);
    let mut s = Service::start(Options { patience, ..Options::default() }).await;
    let batches = s.job.batches(&Scene::plain(0.6), 10);
    // A client that stalls within a stream.
    let first = batches[0].clone();
    let stalling =
        futures_util::stream::once(async { first }).chain(futures_util::stream::pending());
    let streamed = s.client.put_stream(&s.job.announcement("stalled", 0.6), stalling).await;
    assert_eq!(streamed.code(), Some(Code::DeadlineExceeded), "{streamed:?}");
    let at = s.client.settled("stalled").await;
    assert_eq!(at["state"], "broken_off");
    assert!(at["reason"].as_str().unwrap().contains("nothing was heard"));
    let judgement = s.job.folder.judgement("stalled").unwrap().body;
    assert_eq!(judgement.verdict, Verdict::Hold);
    assert_eq!(s.job.folder.screened("stalled").unwrap().body.shots, 360);
    // A client that went away.
    s.client.put(&s.job.announcement("gone", 0.6), batches[..2].to_vec()).await.end.unwrap();
    let since = Instant::now();
    while s.client.position("gone").await["state"] == "open" {
        assert!(since.elapsed() < Duration::from_secs(10));
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert_eq!(s.client.settled("gone").await["state"], "broken_off");
    // A bar of a tenth of a metre does not go on for 60 m; here it is told after 2.1 m.
    let long = s.job.batches(&Scene::plain(2.4), 10);
    let streamed = s.client.put(&s.job.announcement("endless", 0.1), long).await;
    assert_eq!(streamed.code(), Some(Code::Aborted), "{streamed:?}");
    assert_eq!(s.client.settled("endless").await["state"], "broken_off");
    // The next bar comes before the end of this one was told.
    s.client.put(&s.job.announcement("early", 0.6), batches[..3].to_vec()).await.end.unwrap();
    s.client.put(&s.job.announcement("late", 0.6), batches).await.end.unwrap();
    let at = s.client.settled("early").await;
    assert!(at["reason"].as_str().unwrap().contains("bar late came before"), "{at}");
    s.client.end_bar("late").await.unwrap();
    assert_eq!(s.client.settled("late").await["state"], "screened");
}

#[tokio::test(flavor = "multi_thread")]
async fn one_client_a_line_and_a_stop_in_good_order() {
    let mut s = Service::start(Options::default()).await;
    let batches = s.job.batches(&Scene::plain(0.6), 10);
    let announcement = s.job.announcement("6", 0.6);
    let (mut other, first) = (s.client.clone(), batches[0].clone());
    let holding = tokio::spawn({
        let (mut client, announcement) = (s.client.clone(), announcement.clone());
        async move {
            let never =
                futures_util::stream::once(async { first }).chain(futures_util::stream::pending());
            client.put_stream(&announcement, never).await
        }
    });
    while s.news.lines()[0].shots == 0 && !s.news.lines()[0].running {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let second = other.put(&announcement, batches).await;
    assert_eq!(second.code(), Some(Code::ResourceExhausted), "{second:?}");
    s.stop().await;
    let held = holding.await.unwrap();
    assert_eq!(held.code(), Some(Code::Unavailable), "{held:?}");
    let bar = s.job.folder.screened("6").unwrap().body;
    assert_eq!(bar.broken_off.as_deref(), Some("the program was stopped while the bar ran"));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_an_earlier_run_left_behind_is_settled_or_put_aside() {
    let folder = tempfile::tempdir().unwrap();
    let job = Job::new(folder.path());
    // Three bars: one broken off after its announcement, one before, one that is no journal at all.
    let path = |bar: &str| job.folder.journal_path(bar);
    files::make_room(&path("announced")).unwrap();
    drop(Journal::create(&path("announced"), &job.announcement("announced", 0.6)).unwrap());
    let whole = std::fs::read(path("announced")).unwrap();
    std::fs::write(path("cut"), &whole[..whole.len() - 1]).unwrap();
    std::fs::write(path("empty"), b"").unwrap();
    let news = Newsroom::default();
    let named = vec![(LINE.to_owned(), job.folder.clone())];
    let lines = receive::lines(named, &news, Retention::Around).unwrap();
    assert_eq!(receive::recover(&lines[0]).unwrap(), ["announced"]);
    let bar = job.folder.screened("announced").unwrap().body;
    assert_eq!((bar.shots, bar.inspected[0].share), (0, 0.0));
    assert!(bar.broken_off.is_some());
    assert_eq!(job.folder.bars_in_progress().unwrap(), Vec::<String>::new());
    assert!(path("cut").with_extension("journal-torn").exists());
    let troubles = news.past(LINE).iter().filter(|n| matches!(n, News::Trouble { .. })).count();
    assert_eq!(troubles, 2);
    // A second recovery finds nothing left to do.
    assert_eq!(receive::recover(&lines[0]).unwrap(), Vec::<String>::new());
}

/// Most bytes of samples that may be under way: the connection's window, and the batches that wait
/// and are screened together (2 MB each).
const UNDER_WAY: u64 = (64 + 2 * 16) << 20;

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_floods_is_made_to_wait() {
    use std::sync::atomic::{AtomicU64, Ordering};
    let mut s = Service::start(Options::default()).await;
    let whole = s.job.batches(&Scene::plain(0.3), 50);
    let per_batch = whole[0].num_rows() as u64;
    let bytes_per_shot = 1200;
    let sent = Arc::new(AtomicU64::new(0));
    let (counted, batch) = (Arc::clone(&sent), whole[0].clone());
    // A quarter of a gigabyte, given as fast as it is taken.
    let count = (256 << 20) / (per_batch * bytes_per_shot);
    let flood = futures_util::stream::iter((0..count).map(move |k| {
        counted.fetch_add(per_batch, Ordering::SeqCst);
        let first = k * per_batch;
        let numbers = arrow::array::UInt64Array::from_iter_values(first..first + per_batch);
        let mut columns = batch.columns().to_vec();
        columns[0] = Arc::new(numbers);
        RecordBatch::try_new(batch.schema(), columns).unwrap()
    }));
    let mut ahead = 0;
    let announcement = s.job.announcement("flood", 0.6);
    let streamed = s
        .client
        .put_heard(&announcement, flood, |durable| {
            ahead = ahead.max(sent.load(Ordering::SeqCst) - durable);
        })
        .await;
    assert!(streamed.end.is_ok(), "{streamed:?}");
    assert_eq!(streamed.durable, Some(count * per_batch), "nothing is lost");
    eprintln!("at most {} MiB were under way", (ahead * bytes_per_shot) >> 20);
    assert!(ahead * bytes_per_shot <= UNDER_WAY, "{} bytes under way", ahead * bytes_per_shot);
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_run_side_by_side_and_never_mix() {
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (left, right) = (Job::new(one.path()), Job::new(two.path()));
    let news = Newsroom::default();
    let named =
        vec![("left".to_owned(), left.folder.clone()), ("right".to_owned(), right.folder.clone())];
    let lines = receive::lines(named, &news, Retention::Around).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let options = Options::default();
    let served =
        tokio::spawn(receive::receive_on(lines, listener, options, news, std::future::pending()));
    let stream = |job: &Job, line: &'static str, scene: Scene| {
        let mut announcement = job.announcement("0001", 0.6);
        announcement.line = line.into();
        let (batches, address) = (job.batches(&scene, 2), address.clone());
        async move {
            let mut client = Client::connect(&address).await;
            let streamed = client.put(&announcement, batches).await;
            let question = json!({"line": line, "bar": "0001", "length_m": 0.6});
            client.ask("end_bar", question).await.unwrap();
            streamed
        }
    };
    let (a, b) =
        tokio::join!(stream(&left, "left", flawed()), stream(&right, "right", Scene::plain(0.6)));
    assert_eq!((a.durable, b.durable), (Some(3600), Some(3600)));
    let judged = async |job: &Job| loop {
        if let Ok(j) = job.folder.judgement("0001") {
            break j.body;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    assert_eq!(judged(&left).await.indications.len(), 1);
    assert_eq!(judged(&right).await.indications.len(), 0);
    served.abort();
    // Two lines cannot share a folder, nor a name.
    let shared = |a: &str, b: &str, second: &Job| {
        let named =
            vec![(a.to_owned(), left.folder.clone()), (b.to_owned(), second.folder.clone())];
        receive::lines(named, &Newsroom::default(), Retention::Around).map(|_| ())
    };
    assert!(matches!(shared("a", "b", &left), Err(receive::ReceiveError::Shared { .. })));
    assert!(matches!(shared("a", "a", &right), Err(receive::ReceiveError::Shared { .. })));
    assert!(shared("a", "b", &right).is_ok());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_is_asked_for() {
    let mut s =
        Service::start(Options { token: Some("let me in".into()), ..Options::default() }).await;
    assert!(s.client.ask("lines", json!({})).await.is_ok());
    for wrong in ["let me", "let me in ", ""] {
        let mut stranger = s.client.clone().with_token(wrong);
        let status = stranger.ask("lines", json!({})).await.unwrap_err();
        assert_eq!(status.code(), Code::Unauthenticated);
        let streamed = stranger.put(&s.job.announcement("7", 0.6), vec![]).await;
        assert_eq!(streamed.code(), Some(Code::Unauthenticated));
    }
}

#[tokio::test]
async fn an_open_address_needs_a_token() {
    let news = Newsroom::default();
    let open = receive::receive(
        vec![],
        "0.0.0.0:0".parse().unwrap(),
        Options::default(),
        news,
        std::future::ready(()),
    );
    assert!(matches!(open.await, Err(receive::ReceiveError::Open { .. })));
}

#[tokio::test(flavor = "multi_thread")]
async fn places_that_cannot_be_believed_are_told() {
    let mut s = Service::start(Options::default()).await;
    let mut runs = s.job.shots(&Scene::plain(0.6));
    // From the middle on, the place jumps on by 50 mm; later the clock runs back by a second.
    for run in &mut runs[50..] {
        run.z_m.iter_mut().for_each(|z| *z += 0.05);
    }
    for run in &mut runs[80..] {
        run.time_s.iter_mut().for_each(|t| *t -= 1.0);
    }
    let mut number = 0;
    let batches = runs
        .iter()
        .map(|r| {
            let b = line::batch(r, number);
            number += r.len() as u64;
            b
        })
        .collect();
    s.client.put(&s.job.announcement("8", 0.65), batches).await.end.unwrap();
    s.client.end_bar("8").await.unwrap();
    s.client.settled("8").await;
    let bar = s.job.folder.screened("8").unwrap().body;
    let told: Vec<&str> = bar
        .findings
        .iter()
        .filter(|f| f.topic == Topic::Encoder)
        .map(|f| f.message.as_str())
        .collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].starts_with("the place jumped"), "{told:?}");
    assert!(told[1].starts_with("the clock ran back"), "{told:?}");
    // Shots came in turn: what lies between two places was passed too fast.
    assert!(bar.lost.iter().any(|l| l.cause == LossCause::TooFast), "{:?}", bar.lost);
}

/// A certificate and key of this machine, made by OpenSSL; absent where there is none.
fn certificate(folder: &std::path::Path) -> Option<(String, String)> {
    let (cert, key) = (folder.join("cert.pem"), folder.join("key.pem"));
    let made = std::process::Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"])
        .args(["-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"])
        .args(["-addext", "basicConstraints=critical,CA:FALSE"])
        .arg("-out")
        .arg(&cert)
        .arg("-keyout")
        .arg(&key)
        .output()
        .ok()?;
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    Some((std::fs::read_to_string(cert).unwrap(), std::fs::read_to_string(key).unwrap()))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_connection_can_be_encrypted() {
    use tonic::transport::{Certificate, Channel, ClientTlsConfig};
    let folder = tempfile::tempdir().unwrap();
    let Some((cert, key)) = certificate(folder.path()) else {
        eprintln!("SKIPPED: there is no openssl to make a certificate with");
        return;
    };
    let job = Job::new(folder.path());
    let news = Newsroom::default();
    let options = Options { tls: Some((cert.clone(), key)), ..Options::default() };
    let named = vec![(LINE.to_owned(), job.folder.clone())];
    let lines = receive::lines(named, &news, options.retention).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let served =
        tokio::spawn(receive::receive_on(lines, listener, options, news, std::future::pending()));
    let trust = |pem: &str| {
        let tls = ClientTlsConfig::new()
            .ca_certificate(Certificate::from_pem(pem))
            .domain_name("localhost");
        Channel::from_shared(format!("https://127.0.0.1:{port}")).unwrap().tls_config(tls).unwrap()
    };
    let mut client = Client::over(trust(&cert).connect().await.unwrap());
    client.put(&job.announcement("t", 0.6), job.batches(&flawed(), 10)).await.end.unwrap();
    client.end_bar("t").await.unwrap();
    assert_eq!(client.settled("t").await["state"], "screened");
    // Another certificate is not trusted, and nobody speaks in the clear.
    let (other, _) = certificate(tempfile::tempdir().unwrap().path()).unwrap();
    assert!(trust(&other).connect().await.is_err());
    let clear = Channel::from_shared(format!("http://127.0.0.1:{port}")).unwrap();
    if let Ok(channel) = clear.connect().await {
        assert!(Client::over(channel).ask("lines", json!({})).await.is_err());
    }
    served.abort();
}
