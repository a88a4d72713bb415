//! The ingest service as a program: killed at any moment, and fed by a foreign client. Truth: what
//! was acknowledged, and the offline screening of the same shots.
#![allow(clippy::unwrap_used, reason = "tests may")]

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::line::bench::{Scene, disc};
use crate::line::{Client, Job, LINE};
use barwright_capture::{CaptureWriter, read_echoes};
use barwright_evaluate::screen::Screening;
use barwright_job::judgement::Verdict;
use barwright_job::screened::Echo;
use barwright_job::{Hash, Topic};
use barwright_wave::Point;
use futures_util::StreamExt;

/// How often the program is killed.
const KILLS: u32 = 50;

struct Program {
    child: Child,
    address: String,
}

impl Program {
    fn start(folder: &Path, more: &[&str]) -> Self {
        // A port that was free a moment ago.
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let address = format!("127.0.0.1:{port}");
        let child = Command::new(env!("CARGO_BIN_EXE_barwright"))
            .args(["--json", "receive", "--address", &address])
            .arg(format!("{LINE}={}", folder.display()))
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        Self { child, address }
    }

    fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }
}

impl Drop for Program {
    /// A test that fails leaves no program behind.
    fn drop(&mut self) {
        // An error says that it has ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn scene() -> Scene {
    Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, 1.5)])
}

fn offline(job: &Job, scene: &Scene) -> Vec<Echo> {
    let header = job.announcement("offline", scene.length_m).header;
    let rules = job.folder.rules().unwrap();
    let mut judge =
        Screening::new(&job.bench.technique, Some(&job.level), &rules, &header).unwrap();
    job.shots(scene).iter().for_each(|run| judge.push(run).unwrap());
    judge.finish(Hash::of(b"capture")).echoes
}

#[tokio::test(flavor = "multi_thread")]
async fn killed_at_any_moment_every_acknowledged_shot_is_there() {
    let temporary = tempfile::tempdir().unwrap();
    let job = Job::new(temporary.path());
    let batches = job.batches(&scene(), 2);
    let whole = offline(&job, &scene());
    let per_shot = whole.len() / 3600;
    let (mut most, mut least) = (0, u64::MAX);
    let mut program = Program::start(temporary.path(), &[]);
    for k in 0..KILLS {
        let name = format!("{k:04}");
        let mut client = Client::connect(&program.address).await;
        let acknowledged = Arc::new(AtomicU64::new(0));
        let streaming = tokio::spawn({
            let (announcement, batches) = (job.announcement(&name, 0.6), batches.clone());
            let acknowledged = Arc::clone(&acknowledged);
            async move {
                // A batch every millisecond or so: the kill falls anywhere within the bar.
                let paced = futures_util::stream::iter(batches).then(|b| async {
                    tokio::time::sleep(Duration::from_millis(1)).await;
                    b
                });
                client
                    .put_heard(&announcement, paced, |n| acknowledged.store(n, Ordering::SeqCst))
                    .await
            }
        });
        // From before the first batch to the end of the bar, spread without a pattern.
        let wait_ms = 5 + (u64::from(k) * 7919) % 140;
        tokio::time::sleep(Duration::from_millis(wait_ms)).await;
        program.kill();
        let durable = acknowledged.load(Ordering::SeqCst);
        let _ = streaming.await.unwrap();
        let durable = durable.max(acknowledged.load(Ordering::SeqCst));

        program = Program::start(temporary.path(), &[]);
        let mut client = Client::connect(&program.address).await;
        let at = client.settled(&name).await;
        if at["state"] == "unknown" {
            assert_eq!(durable, 0, "a bar that was acknowledged is known");
            continue;
        }
        assert_eq!(at["state"], "broken_off", "{at}");
        let bar = job.folder.screened(&name).unwrap().body;
        assert!(bar.shots >= durable, "{} shots are there, {durable} were acknowledged", bar.shots);
        assert!(bar.findings.iter().any(|f| f.topic == Topic::NotInspected));
        // Six millimetres a cycle: what no shot reached was not inspected.
        let reached = bar.shots as f64 / 3600.0 + 0.01;
        assert!(bar.inspected.iter().all(|i| i.share <= reached), "{:?}", bar.inspected);
        let echoes = read_echoes(&job.folder.echoes_path(&name)).unwrap().echoes;
        assert!(echoes.len() >= bar.shots as usize * per_shot);
        for (a, b) in echoes.iter().zip(&whole) {
            let (a, b) = (
                (a.beam, a.gate, a.height_fsh.to_bits()),
                (b.beam, b.gate, b.height_fsh.to_bits()),
            );
            assert_eq!(a, b);
        }
        assert_eq!(job.folder.judgement(&name).unwrap().body.verdict, Verdict::Hold);
        (most, least) = (most.max(bar.shots), least.min(bar.shots));
    }
    eprintln!("killed {KILLS} times, with {least} to {most} of 3600 shots on the disk");
    assert!(least < 1000 && most > 2000, "the kills fell together: {least} to {most}");
    assert_eq!(job.folder.bars_in_progress().unwrap(), Vec::<String>::new());
    // And the next bar runs as ever.
    let mut client = Client::connect(&program.address).await;
    client.put(&job.announcement("after", 0.6), batches).await.end.unwrap();
    client.end_bar("after").await.unwrap();
    assert_eq!(client.settled("after").await["state"], "screened");
    program.kill();
}

// Truth: what the system says of a file that may not grow, as of a disk that is full.
#[tokio::test(flavor = "multi_thread")]
#[cfg(target_os = "linux")]
async fn a_full_disk_breaks_the_bar_off_and_loses_nothing() {
    use std::os::unix::process::CommandExt as _;
    let temporary = tempfile::tempdir().unwrap();
    let job = Job::new(temporary.path());
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let address = format!("127.0.0.1:{port}");
    // The shell lets the program hear of the limit as an error, not as a signal.
    let child = Command::new("bash")
        .args(["-c", "trap '' XFSZ; ulimit -f 150; exec \"$@\"", "limited"])
        .arg(env!("CARGO_BIN_EXE_barwright"))
        .args(["--json", "receive", "--address", &address])
        .arg(format!("{LINE}={}", temporary.path().display()))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .spawn()
        .unwrap();
    let limited = Program { child, address };
    let mut client = Client::connect(&limited.address).await;
    let streamed = client.put(&job.announcement("full", 0.6), job.batches(&scene(), 2)).await;
    assert_eq!(streamed.code(), Some(tonic::Code::Aborted), "{streamed:?}");
    let durable = streamed.durable.unwrap();
    assert!((1..3600).contains(&durable), "{durable}");
    limited.kill();
    let program = Program::start(temporary.path(), &[]);
    let mut client = Client::connect(&program.address).await;
    assert_eq!(client.settled("full").await["state"], "broken_off");
    assert!(job.folder.screened("full").unwrap().body.shots >= durable);
    program.kill();
}

/// The tables of a bar as pyarrow, DuckDB and polars read them.
fn foreign_readers(python: &std::ffi::OsStr, tables: &[std::path::PathBuf; 4], echoes: &[Echo]) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/tables_reader.py");
    let read = Command::new(python).arg(script).args(tables).output().unwrap();
    if read.status.code() == Some(3) {
        eprintln!("{}", String::from_utf8_lossy(&read.stderr));
        return;
    }
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let said: serde_json::Value = serde_json::from_slice(&read.stdout).unwrap();
    let highest = echoes.iter().map(|e| e.height_fsh).fold(0.0, f32::max);
    assert_eq!(said["echoes"][0], echoes.len() as f64);
    assert_eq!(said["echoes"][1], f64::from(highest));
    assert_eq!(said["capture"][0], 3600.0);
    // 480 mm of each of 36 beams lie between the ends.
    assert_eq!(said["inspected"][1], 480.0 * 36.0);
    let bytes: u64 = tables.iter().map(|t| std::fs::metadata(t).unwrap().len()).sum();
    eprintln!("{bytes} bytes for 3600 shots of 600 samples, all kept");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_foreign_client_streams_a_capture_and_the_news_are_told() {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with pyarrow");
        return;
    };
    let temporary = tempfile::tempdir().unwrap();
    let job = Job::new(temporary.path());
    let capture = temporary.path().join("bar.parquet");
    let mut writer = CaptureWriter::create(&capture, &job.announcement("x", 0.6).header).unwrap();
    job.shots(&scene()).iter().for_each(|run| writer.write(run).unwrap());
    writer.finish().unwrap();
    let token = temporary.path().join("token");
    std::fs::write(&token, "let me in\n").unwrap();
    let mut program = Program::start(
        temporary.path(),
        &["--token-file", token.to_str().unwrap(), "--keep", "all"],
    );
    let mut client = Client::connect(&program.address).await.with_token("let me in");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/stream_bar.py");
    let said = Command::new(&python)
        .arg(script)
        .arg(&capture)
        .args(["--address", &format!("grpc://{}", program.address), "--line", LINE])
        .args(["--bar", "foreign", "--token", "let me in", "--at-speed", "--shots", "100"])
        .output()
        .unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let told: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!(told["durable"], 3600);
    // 0.6 m at a metre a second.
    assert!(told["seconds"].as_f64().unwrap() > 0.55, "{told}");
    assert_eq!(client.settled("foreign").await["state"], "screened");
    let echoes = read_echoes(&job.folder.echoes_path("foreign")).unwrap().echoes;
    assert_eq!(echoes, offline(&job, &scene()));
    let f = &job.folder;
    let tables = [
        f.echoes_path("foreign"),
        f.ascans_path("foreign"),
        f.inspected_path("foreign"),
        f.capture_path("foreign"),
    ];
    foreign_readers(&python, &tables, &echoes);
    #[cfg(unix)]
    Command::new("kill").arg(program.child.id().to_string()).status().unwrap();
    let news: Vec<serde_json::Value> = BufReader::new(program.child.stdout.take().unwrap())
        .lines()
        .map(|line| serde_json::from_str(&line.unwrap()).unwrap())
        .collect();
    let events: Vec<&str> = news.iter().map(|n| n["event"].as_str().unwrap()).collect();
    assert_eq!(events[0], "began");
    assert!(events.contains(&"progress"), "{events:?}");
    assert_eq!(events.iter().filter(|e| **e == "alarm").count(), 1);
    assert_eq!(events[events.len() - 2..], ["ended", "judged"]);
    assert_eq!(program.child.wait().unwrap().code(), Some(0), "all went well");
}
