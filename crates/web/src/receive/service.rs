//! The Arrow Flight side of the service: streams of shots, and questions beside them.

use std::pin::Pin;
use std::sync::Arc;
use std::time::{Duration, Instant};

use arrow::array::RecordBatch;
use arrow_flight::decode::{DecodedPayload, FlightDataDecoder};
use arrow_flight::error::FlightError;
use arrow_flight::flight_service_server::{FlightService, FlightServiceServer};
use arrow_flight::{
    Action, ActionType, Criteria, Empty, FlightData, FlightDescriptor, FlightInfo,
    HandshakeRequest, HandshakeResponse, PollInfo, PutResult, Result as Answer, SchemaResult,
    Ticket,
};
use barwright_capture::Announcement;
use futures_util::{Stream, StreamExt, TryStreamExt};
use serde::{Deserialize, Serialize};
use tokio::sync::{mpsc, watch};
use tokio_stream::wrappers::ReceiverStream;
use tonic::service::interceptor::InterceptedService;
use tonic::{Request, Response, Status, Streaming};

use super::Options;
use super::bar::{OpenBar, Refusal};
use super::line::{Line, STOPPED, silence};
use super::news::{News, Newsroom};

/// Batches that wait while the one before is screened; the client waits once they are so many.
const WAITING: usize = 8;
/// Most batches that are brought to the disk together.
const TOGETHER: usize = 8;
/// How often the pages hear of progress.
const PROGRESS: Duration = Duration::from_millis(100);

/// Questions a client may ask.
const ACTIONS: [(&str, &str); 4] = [
    ("loaded", "{\"line\"}: what is loaded on a line, as an announcement to be filled in"),
    ("position", "{\"line\", \"bar\"}: where a bar stands, and its first shot that is not durable"),
    ("end_bar", "{\"line\", \"bar\", \"length_m\"?}: ends a bar"),
    ("lines", "{}: the lines at this moment"),
];

/// The service behind its token.
pub(super) fn service(
    lines: Vec<Arc<Line>>,
    options: &Options,
    news: Newsroom,
    stopping: watch::Receiver<bool>,
    largest_message: usize,
) -> InterceptedService<FlightServiceServer<Ingest>, impl tonic::service::Interceptor + Clone + use<>>
{
    let ingest = Ingest { lines: lines.into(), patience: options.patience, news, stopping };
    let server = FlightServiceServer::new(ingest).max_decoding_message_size(largest_message);
    // Hashes of one length are compared in constant time.
    let wanted = options.token.as_ref().map(|t| blake3::hash(format!("Bearer {t}").as_bytes()));
    InterceptedService::new(server, move |request: Request<()>| {
        let shown = request.metadata().get("authorization").map(|v| blake3::hash(v.as_bytes()));
        match (wanted, shown) {
            (Some(wanted), Some(shown)) if wanted == shown => Ok(request),
            (Some(_), _) => {
                Err(Status::unauthenticated("show the token: authorization: Bearer TOKEN"))
            }
            (None, _) => Ok(request),
        }
    })
}

/// Receives shots for a number of lines.
#[derive(Clone)]
pub(super) struct Ingest {
    lines: Arc<[Arc<Line>]>,
    patience: Duration,
    news: Newsroom,
    /// Becomes true when the service is to end.
    stopping: watch::Receiver<bool>,
}

/// What a client hears of durable shots.
#[derive(Serialize)]
struct Acknowledged {
    next_shot: u64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    #[serde(default)]
    line: String,
    #[serde(default)]
    bar: String,
    #[serde(default)]
    length_m: Option<f64>,
}

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

impl Ingest {
    fn line(&self, name: &str) -> Result<&Arc<Line>, Status> {
        self.lines.iter().find(|l| l.name() == name).ok_or_else(|| {
            let known: Vec<&str> = self.lines.iter().map(|l| l.name()).collect();
            Status::not_found(format!("there is no line {name:?} here, but {}", known.join(", ")))
        })
    }

    /// Takes the batches of one stream until it ends, and acknowledges what is durable.
    async fn take(
        mut self,
        line: Arc<Line>,
        mut open: tokio::sync::OwnedMutexGuard<Option<OpenBar>>,
        mut batches: mpsc::Receiver<Result<RecordBatch, Status>>,
        answers: &mpsc::Sender<Result<PutResult, Status>>,
    ) -> Result<(), Status> {
        acknowledge(&open, answers).await?;
        let mut told = Instant::now();
        loop {
            let next = tokio::select! {
                next = tokio::time::timeout(self.patience, batches.recv()) => next,
                () = stopped(&mut self.stopping) => {
                    line.break_off(&mut open, STOPPED.into()).await?;
                    return Err(Status::unavailable(STOPPED));
                }
            };
            let first = match next {
                Ok(Some(batch)) => batch?,
                Ok(None) => return Ok(()),
                Err(_) => {
                    let why = silence(self.patience);
                    line.break_off(&mut open, why.clone()).await?;
                    return Err(Status::deadline_exceeded(why));
                }
            };
            let mut group = vec![first];
            let mut failed = None;
            while group.len() < TOGETHER {
                match batches.try_recv() {
                    Ok(Ok(batch)) => group.push(batch),
                    Ok(Err(status)) => {
                        failed = Some(status);
                        break;
                    }
                    Err(_) => break,
                }
            }
            let Some(mut bar) = open.take() else {
                return Err(Status::failed_precondition("the bar has ended"));
            };
            let teller = Arc::clone(&line);
            let screened = tokio::task::spawn_blocking(move || {
                let name = bar.announcement.header.bar.clone();
                let taken = bar.take(&group, |alarm| {
                    let (line, bar) = (teller.name().to_owned(), name.clone());
                    teller.news().tell(News::Alarm { line, bar, alarm });
                });
                (bar, taken)
            });
            let (bar, taken) = screened
                .await
                .map_err(|e| Status::internal(format!("the screening broke off: {e}")))?;
            *open = Some(bar);
            match taken {
                Ok(()) => acknowledge(&open, answers).await?,
                Err(Refusal::Batch(why)) => {
                    acknowledge(&open, answers).await?;
                    return Err(Status::invalid_argument(why));
                }
                Err(Refusal::Bar(why)) => {
                    line.break_off(&mut open, why.clone()).await?;
                    return Err(Status::aborted(why));
                }
            }
            if told.elapsed() > PROGRESS
                && let Some(bar) = open.as_ref()
            {
                told = Instant::now();
                line.news().tell(News::Progress(line.state(bar)));
            }
            if let Some(status) = failed {
                return Err(status);
            }
        }
    }
}

/// Waits until the service is to end.
async fn stopped(stopping: &mut watch::Receiver<bool>) {
    // An error says that nobody is left to end it.
    if stopping.wait_for(|&stop| stop).await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// Tells the client what is durable; one that no longer listens learns it when it comes back.
async fn acknowledge(
    open: &Option<OpenBar>,
    answers: &mpsc::Sender<Result<PutResult, Status>>,
) -> Result<(), Status> {
    if let Some(bar) = open {
        let text = serde_json::to_vec(&Acknowledged { next_shot: bar.next_shot })
            .map_err(|e| Status::internal(e.to_string()))?;
        let _ = answers.send(Ok(PutResult { app_metadata: text.into() })).await;
    }
    Ok(())
}

/// Hands decoded batches on, as fast as they are taken.
async fn decode(mut data: FlightDataDecoder, out: mpsc::Sender<Result<RecordBatch, Status>>) {
    loop {
        let heard = tokio::select! {
            heard = data.next() => heard,
            // A stream that nobody takes from must not keep its connection open.
            () = out.closed() => return,
        };
        let next = match heard {
            None => return,
            Some(Ok(d)) => match d.payload {
                DecodedPayload::RecordBatch(batch) => Ok(batch),
                DecodedPayload::None | DecodedPayload::Schema(_) => continue,
            },
            Some(Err(FlightError::Tonic(status))) => Err(*status),
            Some(Err(e)) => Err(Status::invalid_argument(e.to_string())),
        };
        let last = next.is_err();
        if out.send(next).await.is_err() || last {
            return;
        }
    }
}

#[tonic::async_trait]
impl FlightService for Ingest {
    type HandshakeStream = Answers<HandshakeResponse>;
    type ListFlightsStream = Answers<FlightInfo>;
    type DoGetStream = Answers<FlightData>;
    type DoPutStream = Answers<PutResult>;
    type DoActionStream = Answers<Answer>;
    type ListActionsStream = Answers<ActionType>;
    type DoExchangeStream = Answers<FlightData>;

    async fn do_put(
        &self,
        request: Request<Streaming<FlightData>>,
    ) -> Result<Response<Self::DoPutStream>, Status> {
        let mut data = request.into_inner();
        let first = data
            .message()
            .await?
            .ok_or_else(|| Status::invalid_argument("the stream holds no message"))?;
        let descriptor = first.flight_descriptor.as_ref().ok_or_else(|| {
            Status::invalid_argument("the first message needs a descriptor with the announcement")
        })?;
        let announcement = Announcement::read(&descriptor.cmd)
            .map_err(|e| Status::invalid_argument(e.to_string()))?;
        let line = Arc::clone(self.line(&announcement.line)?);
        let open = line.bar(announcement).await?;
        let rest = data.map_err(FlightError::from);
        let whole = futures_util::stream::once(async { Ok(first) }).chain(rest);
        let (batch_out, batches) = mpsc::channel(WAITING);
        tokio::spawn(decode(FlightDataDecoder::new(whole), batch_out));
        let (answers, heard) = mpsc::channel(WAITING * TOGETHER);
        let own = self.clone();
        tokio::spawn(async move {
            if let Err(status) = own.take(line, open, batches, &answers).await {
                let _ = answers.send(Err(status)).await;
            }
        });
        Ok(Response::new(Box::pin(ReceiverStream::new(heard))))
    }

    async fn do_action(
        &self,
        request: Request<Action>,
    ) -> Result<Response<Self::DoActionStream>, Status> {
        let action = request.into_inner();
        let body: &[u8] = if action.body.is_empty() { b"{}" } else { &action.body };
        let asked: Asked = serde_json::from_slice(body)
            .map_err(|e| Status::invalid_argument(format!("the question is no JSON: {e}")))?;
        let answer = match action.r#type.as_str() {
            "loaded" => serde_json::to_vec(&self.line(&asked.line)?.loaded()?),
            "position" => {
                named(&asked.bar)?;
                serde_json::to_vec(&self.line(&asked.line)?.position(&asked.bar).await?)
            }
            "end_bar" => {
                named(&asked.bar)?;
                if asked.length_m.is_some_and(|l| !(l.is_finite() && l > 0.0 && l <= 100.0)) {
                    return Err(Status::invalid_argument(
                        "length_m must lie above 0 and up to 100",
                    ));
                }
                let line = self.line(&asked.line)?;
                serde_json::to_vec(&line.end(&asked.bar, asked.length_m).await?)
            }
            "lines" => serde_json::to_vec(&self.news.lines()),
            other => {
                return Err(Status::unimplemented(format!("there is no action {other:?}")));
            }
        };
        let body = answer.map_err(|e| Status::internal(e.to_string()))?;
        let one = futures_util::stream::once(async move { Ok(Answer { body: body.into() }) });
        Ok(Response::new(Box::pin(one)))
    }

    async fn list_actions(
        &self,
        _: Request<Empty>,
    ) -> Result<Response<Self::ListActionsStream>, Status> {
        let all = ACTIONS.map(|(name, what)| {
            Ok(ActionType { r#type: name.to_owned(), description: what.to_owned() })
        });
        Ok(Response::new(Box::pin(futures_util::stream::iter(all))))
    }

    async fn handshake(
        &self,
        _: Request<Streaming<HandshakeRequest>>,
    ) -> Result<Response<Self::HandshakeStream>, Status> {
        Err(Status::unimplemented("the token goes with every call: authorization: Bearer TOKEN"))
    }

    async fn list_flights(
        &self,
        _: Request<Criteria>,
    ) -> Result<Response<Self::ListFlightsStream>, Status> {
        Err(give_nothing())
    }

    async fn get_flight_info(
        &self,
        _: Request<FlightDescriptor>,
    ) -> Result<Response<FlightInfo>, Status> {
        Err(give_nothing())
    }

    async fn poll_flight_info(
        &self,
        _: Request<FlightDescriptor>,
    ) -> Result<Response<PollInfo>, Status> {
        Err(give_nothing())
    }

    async fn get_schema(
        &self,
        _: Request<FlightDescriptor>,
    ) -> Result<Response<SchemaResult>, Status> {
        Err(give_nothing())
    }

    async fn do_get(&self, _: Request<Ticket>) -> Result<Response<Self::DoGetStream>, Status> {
        Err(give_nothing())
    }

    async fn do_exchange(
        &self,
        _: Request<Streaming<FlightData>>,
    ) -> Result<Response<Self::DoExchangeStream>, Status> {
        Err(give_nothing())
    }
}

fn named(bar: &str) -> Result<(), Status> {
    barwright_capture::wire::bar_name(bar).map_err(|e| Status::invalid_argument(e.to_string()))
}

fn give_nothing() -> Status {
    Status::unimplemented("shots are received here (DoPut, DoAction), nothing is given away")
}
