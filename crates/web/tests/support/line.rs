//! A line with a job folder made of formulas, and a client that streams to it.
#![allow(dead_code, clippy::unwrap_used, reason = "every test program uses a part of it")]

#[path = "../../../evaluate/tests/judges/bench.rs"]
pub mod bench;

use std::path::Path;
use std::sync::Arc;

use arrow::array::{
    ArrayRef, FixedSizeListArray, Float32Array, Float64Array, Int16Array, RecordBatch, UInt32Array,
    UInt64Array,
};
use arrow::datatypes::{DataType, Field, SchemaRef};
use arrow_flight::encode::FlightDataEncoderBuilder;
use arrow_flight::error::FlightError;
use arrow_flight::flight_service_client::FlightServiceClient;
use arrow_flight::{Action, FlightDescriptor};
use barwright_capture::wire::schema;
use barwright_capture::{Announcement, CaptureKind, Shots, Signal};
use barwright_job::technique::Probe;
use barwright_job::{Sealed, level::Level};
use barwright_web::{JobFolder, files};
use bench::{Bench, Scene};
use futures_util::{Stream, StreamExt};
use serde_json::Value;
use tonic::transport::Channel;
use tonic::{Code, Status};

pub const LINE: &str = "line 2";

/// A job folder that can be screened with, in `folder`.
pub struct Job {
    pub bench: Bench,
    pub level: Sealed<Level>,
    pub folder: JobFolder,
}

impl Job {
    pub fn new(folder: &Path) -> Self {
        let mut bench = Bench::new(12);
        let mut body = bench.technique.body.clone();
        let element = barwright_wave::Element {
            centre: barwright_wave::Point::new(0.06, 0.0),
            facing_rad: std::f64::consts::PI,
            width_m: 0.5e-3,
            length_m: 10e-3,
        };
        // A document's apertures lie within their probes.
        body.probes = vec![Probe { elements: vec![element; 16], axial_focus_m: None }; 6];
        let folder = JobFolder::new(folder);
        for (from, to) in [
            ("order-round-42.toml", folder.order_path()),
            ("station-line-2.toml", folder.station_path()),
            ("rules-th-k2.toml", folder.rules_path()),
        ] {
            // Pieces of a bar of 0.6 m are to be worth keeping.
            let text = bench::example(from).replace("shortest_mm = 800.0", "shortest_mm = 100");
            files::write(&to, text.as_bytes()).unwrap();
        }
        let order = folder.order().unwrap().hash();
        bench.technique = Sealed::seal(body, [("order", order), ("station", bench.station.hash())]);
        let level = bench.level();
        files::write_sealed(&folder.technique_path(), &bench.technique).unwrap();
        files::write_sealed(&folder.level_path(), &level).unwrap();
        Self { bench, level, folder }
    }

    pub fn announcement(&self, bar: &str, length_m: f64) -> Announcement {
        let mut header = self.bench.header(CaptureKind::Production, length_m, Some(&self.level));
        header.bar = bar.into();
        Announcement { format: 1, line: LINE.into(), header, signal: Signal::default() }
    }

    /// The shots of a scene, in runs of one cycle.
    pub fn shots(&self, scene: &Scene) -> Vec<Shots> {
        let gains = self.bench.header(CaptureKind::Production, scene.length_m, None).gains_db;
        self.bench.run(scene, &gains, 0, 0.0)
    }

    /// The same as record batches of some cycles each, numbered from 0.
    pub fn batches(&self, scene: &Scene, cycles: usize) -> Vec<RecordBatch> {
        let mut number = 0;
        self.shots(scene)
            .chunks(cycles)
            .map(|runs| {
                let mut whole = Shots::new(runs[0].samples_per_shot);
                runs.iter().for_each(|r| whole.append(r.clone()));
                let batch = batch(&whole, number);
                number += whole.len() as u64;
                batch
            })
            .collect()
    }
}

/// Shots as a record batch, numbered from `first`.
pub fn batch(shots: &Shots, first: u64) -> RecordBatch {
    let n = shots.len() as u64;
    let item = Arc::new(Field::new("item", DataType::Int16, false));
    let values = Arc::new(Int16Array::from(shots.samples.clone()));
    let ascan = FixedSizeListArray::new(item, shots.samples_per_shot as i32, values, None);
    let columns: Vec<(&str, ArrayRef)> = vec![
        ("shot", Arc::new(UInt64Array::from_iter_values(first..first + n))),
        ("beam", Arc::new(UInt32Array::from(shots.beam.clone()))),
        ("time_s", Arc::new(Float64Array::from(shots.time_s.clone()))),
        ("z_m", Arc::new(Float64Array::from(shots.z_m.clone()))),
        ("turn_rad", Arc::new(Float32Array::from(shots.turn_rad.clone()))),
        ("ascan", Arc::new(ascan)),
    ];
    RecordBatch::try_from_iter(columns).unwrap()
}

/// A client of the service.
#[derive(Clone)]
pub struct Client(FlightServiceClient<Channel>, Option<String>);

/// How a stream went: the last acknowledgement, and what ended it.
#[derive(Debug)]
pub struct Streamed {
    pub durable: Option<u64>,
    pub end: Result<(), Status>,
}

impl Streamed {
    pub fn code(&self) -> Option<Code> {
        self.end.as_ref().err().map(Status::code)
    }
}

impl Client {
    pub fn over(channel: Channel) -> Self {
        Self(FlightServiceClient::new(channel), None)
    }

    /// Connects, trying until the service answers.
    pub async fn connect(address: &str) -> Self {
        for _ in 0..400 {
            let endpoint = Channel::from_shared(format!("http://{address}")).unwrap();
            if let Ok(channel) = endpoint.connect().await {
                return Self::over(channel);
            }
            tokio::time::sleep(std::time::Duration::from_millis(25)).await;
        }
        panic!("nothing answers at {address}");
    }

    pub fn with_token(mut self, token: &str) -> Self {
        self.1 = Some(token.into());
        self
    }

    fn request<T>(&self, body: T) -> tonic::Request<T> {
        let mut request = tonic::Request::new(body);
        if let Some(token) = &self.1 {
            let text = format!("Bearer {token}").parse().unwrap();
            request.metadata_mut().insert("authorization", text);
        }
        request
    }

    pub async fn ask(&mut self, action: &str, question: Value) -> Result<Value, Status> {
        let body = question.to_string().into_bytes().into();
        let request = self.request(Action { r#type: action.into(), body });
        let mut answers = self.0.do_action(request).await?.into_inner();
        let answer = answers.message().await?.expect("an answer");
        Ok(serde_json::from_slice(&answer.body).expect("JSON"))
    }

    pub async fn position(&mut self, bar: &str) -> Value {
        self.ask("position", serde_json::json!({"line": LINE, "bar": bar})).await.unwrap()
    }

    pub async fn end_bar(&mut self, bar: &str) -> Result<Value, Status> {
        self.ask("end_bar", serde_json::json!({"line": LINE, "bar": bar})).await
    }

    /// Waits until a bar is settled.
    pub async fn settled(&mut self, bar: &str) -> Value {
        for _ in 0..600 {
            let position = self.position(bar).await;
            if position["state"] != "settling" {
                return position;
            }
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
        panic!("bar {bar} is not settled");
    }

    pub async fn put(
        &mut self,
        announcement: &Announcement,
        batches: Vec<RecordBatch>,
    ) -> Streamed {
        let schema = batches.is_empty().then(|| Arc::new(schema(DataType::Int16, 600)));
        self.stream(announcement, futures_util::stream::iter(batches), schema, |_| ()).await
    }

    /// Streams batches as they come.
    pub async fn put_stream(
        &mut self,
        announcement: &Announcement,
        batches: impl Stream<Item = RecordBatch> + Send + 'static,
    ) -> Streamed {
        self.stream(announcement, batches, None, |_| ()).await
    }

    /// Streams batches as they come and hears every acknowledgement.
    pub async fn put_heard(
        &mut self,
        announcement: &Announcement,
        batches: impl Stream<Item = RecordBatch> + Send + 'static,
        heard: impl FnMut(u64),
    ) -> Streamed {
        self.stream(announcement, batches, None, heard).await
    }

    async fn stream(
        &mut self,
        announcement: &Announcement,
        batches: impl Stream<Item = RecordBatch> + Send + 'static,
        schema: Option<SchemaRef>,
        mut heard: impl FnMut(u64),
    ) -> Streamed {
        let command = serde_json::to_vec(announcement).unwrap();
        let mut encoder = FlightDataEncoderBuilder::new();
        if let Some(schema) = schema {
            encoder = encoder.with_schema(schema);
        }
        let data = encoder
            .with_flight_descriptor(Some(FlightDescriptor::new_cmd(command)))
            .build(batches.map(Ok::<_, FlightError>))
            .map(|d| d.expect("it can be encoded"));
        let mut answers = match self.0.do_put(self.request(data)).await {
            Ok(answers) => answers.into_inner(),
            Err(status) => return Streamed { durable: None, end: Err(status) },
        };
        let mut durable = None;
        loop {
            match answers.message().await {
                Ok(Some(answer)) => {
                    let said: Value = serde_json::from_slice(&answer.app_metadata).expect("JSON");
                    durable = said["next_shot"].as_u64();
                    durable.into_iter().for_each(&mut heard);
                }
                Ok(None) => return Streamed { durable, end: Ok(()) },
                Err(status) => return Streamed { durable, end: Err(status) },
            }
        }
    }
}
