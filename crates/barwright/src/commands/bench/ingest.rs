//! Shots through the ingest service onto the disk: client, service and disk on this machine.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use arrow::array::{
    ArrayRef, FixedSizeListArray, Float64Array, Int16Array, RecordBatch, UInt32Array, UInt64Array,
};
use arrow::datatypes::{DataType, Field};
use arrow_flight::encode::FlightDataEncoderBuilder;
use arrow_flight::error::FlightError;
use arrow_flight::flight_service_client::FlightServiceClient;
use arrow_flight::{Action, FlightDescriptor};
use barwright_capture::{Announcement, Shots, Signal};
use barwright_web::JobFolder;
use barwright_web::receive::{self, News, Newsroom, Options};
use futures_util::StreamExt;
use serde::Serialize;
use tokio::sync::{mpsc, oneshot};
use tonic::transport::Channel;

use super::shots::Work;
use crate::failure::Failure;

/// Length of the bars, in metres.
const BAR_M: f64 = 12.0;
/// Cycles of a batch: some megabytes of samples.
const CYCLES: u32 = 24;
/// Batches that are made once and sent again and again under other numbers.
const MADE: u32 = 40;
/// Bars that are streamed at the full rate, for the delay of alarms.
const PACED_BARS: u32 = 4;
const LINE: &str = "measured";
/// Shots a second that a station with hundreds of beams fires.
pub const FULL_RATE: f64 = 250_000.0;

/// What went through.
#[derive(Debug, Serialize)]
pub struct Through {
    pub cores: usize,
    pub shots_s: f64,
    pub bytes_s: f64,
    pub bars: u32,
    pub shots_per_bar: u64,
    /// From sending a batch to its acknowledgement: median and 99th percentile, in ms.
    pub durable_ms: [f64; 2],
    pub alarms: usize,
    /// From sending the batch with a shot to its alarm, as fast as shots are taken.
    pub alarm_ms: [f64; 2],
    /// The same with [`FULL_RATE`] shots a second coming.
    pub alarm_at_rate_ms: [f64; 2],
    /// From a bar's end to its judgement, in s.
    pub settle_s: f64,
    pub journal_bytes_per_shot: f64,
    pub kept_bytes_per_shot: f64,
    /// Most memory of the program, in MiB: before streaming (shots to send), after the first bar,
    /// at the end.
    pub memory_mib: Option<[f64; 3]>,
}

/// Streams bars for so many seconds.
pub fn measure(work: &Work, seconds: f64, disk: Option<&Path>) -> Result<Through, Failure> {
    let runtime = tokio::runtime::Runtime::new().map_err(|e| Failure::because(&e))?;
    let temporary = tempfile::tempdir().map_err(|e| Failure::because(&e))?;
    let root = disk.unwrap_or(temporary.path()).join("job");
    std::fs::create_dir_all(&root).map_err(|e| Failure::because(&e))?;
    let folder = JobFolder::new(&root);
    for (from, to) in [
        (work.folder.order_path(), folder.order_path()),
        (work.folder.station_path(), folder.station_path()),
        (work.folder.rules_path(), folder.rules_path()),
        (work.folder.technique_path(), folder.technique_path()),
        (work.folder.level_path(), folder.level_path()),
    ] {
        std::fs::copy(from, to).map_err(|e| Failure::because(&e))?;
    }
    runtime.block_on(stream(work, &folder, seconds))
}

async fn stream(work: &Work, folder: &JobFolder, seconds: f64) -> Result<Through, Failure> {
    let news = Newsroom::default();
    let options = Options::default();
    let lines = receive::lines(vec![(LINE.into(), folder.clone())], &news, options.retention)?;
    let listener =
        tokio::net::TcpListener::bind("127.0.0.1:0").await.map_err(|e| Failure::because(&e))?;
    let address = listener.local_addr().map_err(|e| Failure::because(&e))?;
    let (end, ended) = oneshot::channel::<()>();
    let served = tokio::spawn(receive::receive_on(lines, listener, options, news.clone(), async {
        // Dropped or told: both end it.
        let _ = ended.await;
    }));
    let channel = Channel::from_shared(format!("http://{address}"))
        .map_err(|e| Failure::because(&e))?
        .connect()
        .await
        .map_err(|e| Failure::because(&e))?;
    let mut client = FlightServiceClient::new(channel)
        .max_encoding_message_size(64 << 20)
        .max_decoding_message_size(64 << 20);
    let made: Vec<Shots> = (0..MADE).map(|k| work.shots(k * CYCLES, CYCLES)).collect();
    let t = &work.technique.body;
    let batches = (BAR_M / (t.pulse_spacing_m * f64::from(CYCLES))).floor() as u32;
    let mut flood = Tally::default();
    let before = most_memory_mib();
    let mut first_memory = None;
    let began = Instant::now();
    let mut bars = 0;
    while began.elapsed().as_secs_f64() < seconds {
        bars += 1;
        let name = format!("flood-{bars}");
        flood.bar(&mut client, work, folder, &made, &news, &name, batches, None).await?;
        first_memory = first_memory.or_else(most_memory_mib);
    }
    let mut at_rate = Tally::default();
    let pace = Duration::from_secs_f64(made[0].len() as f64 / FULL_RATE);
    for k in 1..=PACED_BARS {
        let name = format!("paced-{k}");
        at_rate.bar(&mut client, work, folder, &made, &news, &name, batches, Some(pace)).await?;
    }
    let last_memory = most_memory_mib();
    // The service has ended once its bars are settled.
    drop(end);
    drop(client);
    served.await.map_err(|e| Failure::because(&e))??;
    let size = |path: std::path::PathBuf| std::fs::metadata(path).map_or(0, |m| m.len());
    let kept: u64 = (1..=bars)
        .map(|k| format!("flood-{k}"))
        .map(|b| {
            size(folder.echoes_path(&b))
                + size(folder.ascans_path(&b))
                + size(folder.inspected_path(&b))
        })
        .sum();
    let shots_per_bar = u64::from(batches) * made[0].len() as u64;
    let sent = shots_per_bar * u64::from(bars);
    let bytes = 2.0 * f64::from(t.record.samples);
    let shots_s = sent as f64 / flood.streaming_s;
    Ok(Through {
        cores: std::thread::available_parallelism().map_or(1, usize::from),
        shots_s,
        bytes_s: shots_s * bytes,
        bars,
        shots_per_bar,
        durable_ms: quantiles(&mut flood.durable_ms),
        alarms: flood.alarm_ms.len(),
        alarm_ms: quantiles(&mut flood.alarm_ms),
        alarm_at_rate_ms: quantiles(&mut at_rate.alarm_ms),
        settle_s: flood.settle_s / f64::from(bars),
        journal_bytes_per_shot: flood.journal_bytes / sent as f64,
        kept_bytes_per_shot: kept as f64 / sent as f64,
        memory_mib: before.zip(first_memory).zip(last_memory).map(|((a, b), c)| [a, b, c]),
    })
}

/// Times of the bars streamed so far.
#[derive(Default)]
struct Tally {
    streaming_s: f64,
    settle_s: f64,
    journal_bytes: f64,
    durable_ms: Vec<f64>,
    alarm_ms: Vec<f64>,
}

impl Tally {
    #[expect(clippy::too_many_arguments, reason = "one bar, once")]
    async fn bar(
        &mut self,
        client: &mut FlightServiceClient<Channel>,
        work: &Work,
        folder: &JobFolder,
        made: &[Shots],
        news: &Newsroom,
        name: &str,
        batches: u32,
        pace: Option<Duration>,
    ) -> Result<(), Failure> {
        let failed = |e: tonic::Status| Failure::new(format!("the service refused: {e}"));
        let header = work.header(name, BAR_M);
        let announcement =
            Announcement { format: 1, line: LINE.into(), header, signal: Signal::default() };
        let command = serde_json::to_vec(&announcement).map_err(|e| Failure::because(&e))?;
        let mut heard = news.listen();
        let (out, wire) = mpsc::channel::<RecordBatch>(2);
        let data = FlightDataEncoderBuilder::new()
            .with_flight_descriptor(Some(FlightDescriptor::new_cmd(command)))
            .with_max_flight_data_size(32 << 20)
            .build(tokio_stream::wrappers::ReceiverStream::new(wire).map(Ok::<_, FlightError>))
            .filter_map(|d| std::future::ready(d.ok()));
        let n = made[0].len() as u64;
        let templates: Vec<Template> = made.iter().map(Template::new).collect();
        let cycle_m = work.technique.body.pulse_spacing_m;
        let period_s = work.technique.body.schedule.period_s;
        let began = Instant::now();
        let (sent_out, mut sent_in) = mpsc::unbounded_channel();
        let sending = tokio::spawn(async move {
            for k in 0..batches {
                if let Some(pace) = pace {
                    tokio::time::sleep_until((began + pace * (k + 1)).into()).await;
                }
                let cycle = f64::from(k * CYCLES);
                let template = &templates[(k % MADE) as usize];
                let made_cycle = f64::from((k % MADE) * CYCLES);
                let on = cycle - made_cycle;
                let batch = template.batch(u64::from(k) * n, on * period_s, on * cycle_m);
                // An error says that the service went away; its answer tells why.
                let _ = sent_out.send(Instant::now());
                if out.send(batch).await.is_err() {
                    return;
                }
            }
        });
        let mut answers = client.do_put(data).await.map_err(failed)?.into_inner();
        let mut under_way: VecDeque<(u64, Instant)> = VecDeque::new();
        let mut times: Vec<Instant> = Vec::new();
        while let Some(answer) = answers.message().await.map_err(failed)? {
            while let Ok(at) = sent_in.try_recv() {
                times.push(at);
                under_way.push_back((times.len() as u64 * n, at));
            }
            let next: serde_json::Value =
                serde_json::from_slice(&answer.app_metadata).map_err(|e| Failure::because(&e))?;
            let next = next["next_shot"].as_u64().unwrap_or(0);
            while under_way.front().is_some_and(|&(last, _)| last <= next) {
                if let Some((_, at)) = under_way.pop_front() {
                    self.durable_ms.push(at.elapsed().as_secs_f64() * 1e3);
                }
            }
            self.hear(&mut heard, &times, n, name);
        }
        sending.await.map_err(|e| Failure::because(&e))?;
        self.streaming_s += began.elapsed().as_secs_f64();
        self.hear(&mut heard, &times, n, name);
        let journal = std::fs::metadata(folder.journal_path(name));
        self.journal_bytes += journal.map_or(0, |m| m.len()) as f64;
        let body = serde_json::json!({"line": LINE, "bar": name}).to_string().into_bytes();
        let ended = Instant::now();
        let request = Action { r#type: "end_bar".into(), body: body.into() };
        client.do_action(request).await.map_err(failed)?;
        loop {
            match heard.recv().await {
                Ok(News::Judged { bar, .. }) if bar == name => break,
                Ok(News::Trouble { message, .. }) => return Err(Failure::new(message)),
                Ok(_) | Err(tokio::sync::broadcast::error::RecvError::Lagged(_)) => {}
                Err(e) => return Err(Failure::because(&e)),
            }
        }
        self.settle_s += ended.elapsed().as_secs_f64();
        Ok(())
    }

    /// Notes alarms that were told. They are heard between acknowledgements, so that the times are
    /// upper bounds.
    fn hear(
        &mut self,
        heard: &mut tokio::sync::broadcast::Receiver<News>,
        times: &[Instant],
        n: u64,
        name: &str,
    ) {
        while let Ok(news) = heard.try_recv() {
            if let News::Alarm { bar, alarm, .. } = news
                && bar == name
                && let Some(at) = usize::try_from(alarm.shot / n).ok().and_then(|k| times.get(k))
            {
                self.alarm_ms.push(at.elapsed().as_secs_f64() * 1e3);
            }
        }
    }
}

/// A batch whose samples are shared each time it is sent.
struct Template {
    beam: ArrayRef,
    ascan: ArrayRef,
    time_s: Vec<f64>,
    z_m: Vec<f64>,
}

impl Template {
    fn new(shots: &Shots) -> Self {
        let item = Arc::new(Field::new("item", DataType::Int16, false));
        let values = Arc::new(Int16Array::from(shots.samples.clone()));
        let n = i32::try_from(shots.samples_per_shot).unwrap_or(i32::MAX);
        Self {
            beam: Arc::new(UInt32Array::from(shots.beam.clone())),
            ascan: Arc::new(FixedSizeListArray::new(item, n, values, None)),
            time_s: shots.time_s.clone(),
            z_m: shots.z_m.clone(),
        }
    }

    fn batch(&self, first: u64, on_s: f64, on_m: f64) -> RecordBatch {
        let n = self.time_s.len() as u64;
        let moved = |v: &[f64], by: f64| Float64Array::from_iter_values(v.iter().map(|x| x + by));
        let columns: Vec<(&str, ArrayRef)> = vec![
            ("shot", Arc::new(UInt64Array::from_iter_values(first..first + n))),
            ("beam", Arc::clone(&self.beam)),
            ("time_s", Arc::new(moved(&self.time_s, on_s))),
            ("z_m", Arc::new(moved(&self.z_m, on_m))),
            ("ascan", Arc::clone(&self.ascan)),
        ];
        RecordBatch::try_from_iter(columns).expect("the columns are of equal length")
    }
}

/// Median and 99th percentile.
fn quantiles(values: &mut [f64]) -> [f64; 2] {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let last = values.len().saturating_sub(1);
        values.get((share * last as f64).round() as usize).copied().unwrap_or(f64::NAN)
    };
    [at(0.5), at(0.99)]
}

/// Most memory this program has had, in MiB, where the system tells.
fn most_memory_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kib| kib / 1024.0)
}
