//! Carries news from the newsroom to the broker.

use std::collections::{BTreeMap, BTreeSet};
use std::pin::Pin;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use serde::Serialize;
use tokio::sync::broadcast::error::{RecvError, TryRecvError};
use tokio::sync::{broadcast, oneshot};

use super::link::{Answer, Happening, Link, UNDER_WAY};
use super::outbox::{Outbox, payload};
use super::{MessageOptions, PARTING};
use crate::receive::news::{LineState, News, Newsroom};

/// How often the lines' states are compared with what the broker keeps.
const STATES: Duration = Duration::from_millis(100);
/// How long after a failure the broker is tried again, at first and at most.
const RETRY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(2));
/// Losses are told at most so often.
const LOSSES: Duration = Duration::from_secs(10);

/// What the broker keeps about the service and about each line.
#[derive(Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
enum Kept<'a> {
    Service { state: &'static str, program: &'static str, lines: Vec<&'a str> },
    State(&'a LineState),
}

/// Which message the broker answered.
enum Sent {
    News(u64),
    State(String),
    Service,
}

type Answers = FuturesUnordered<Pin<Box<dyn Future<Output = (Sent, Answer)> + Send>>>;

/// How a connection ended.
enum Ended {
    Lost(String),
    Stopped,
}

pub(super) struct Courier {
    options: MessageOptions,
    news: Newsroom,
    heard: broadcast::Receiver<News>,
    outbox: Outbox,
    id: String,
    /// How troubles of this courier begin, by which it knows them when it hears them.
    own: String,
    /// States as the broker has them, and lines whose state is under way.
    kept: BTreeMap<String, LineState>,
    under_way: BTreeSet<String>,
    away: bool,
    losses_told: Option<Instant>,
    /// When to give up on what is left, once the end has come.
    until: Option<Instant>,
}

impl Courier {
    pub fn new(options: MessageOptions, news: Newsroom) -> Self {
        // Two services at one broker must not share a name: it would part the first from it.
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        Self {
            id: format!("barwright-{}-{:x}", std::process::id(), now.as_micros()),
            own: format!("messages to the broker at {}:{}", options.host, options.port),
            heard: news.listen(),
            outbox: Outbox::new(options.most_waiting),
            options,
            news,
            kept: BTreeMap::new(),
            under_way: BTreeSet::new(),
            away: false,
            losses_told: None,
            until: None,
        }
    }

    pub async fn run(mut self, mut stop: oneshot::Receiver<()>) {
        let mut pause = RETRY.0;
        loop {
            let mut link = Link::open(&self.options, &self.id, self.service("gone"));
            match self.carry(&mut link, &mut stop, &mut pause).await {
                Ended::Stopped => {
                    self.part(link).await;
                    return;
                }
                Ended::Lost(why) => self.lost(&why),
            }
            drop(link);
            if !self.rest(pause, &mut stop).await {
                self.account();
                return;
            }
            pause = (2 * pause).min(RETRY.1);
        }
    }

    /// One connection, from its making to its end.
    async fn carry(
        &mut self,
        link: &mut Link,
        stop: &mut oneshot::Receiver<()>,
        pause: &mut Duration,
    ) -> Ended {
        let mut up = false;
        let mut answers: Answers = FuturesUnordered::new();
        let mut tick = tokio::time::interval(STATES);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            if up {
                self.send(link, &answers);
            }
            if let Some(until) = self.until
                && ((up && self.outbox.is_empty() && answers.is_empty()) || Instant::now() > until)
            {
                return Ended::Stopped;
            }
            tokio::select! {
                happening = link.happenings.recv() => match happening {
                    Some(Happening::Up) => {
                        up = true;
                        *pause = RETRY.0;
                        self.arrived();
                        let topic = self.options.service_topic();
                        if let Some(answer) = link.publish(topic, self.service("here"), true) {
                            answers.push(Box::pin(async { (Sent::Service, answer.await) }));
                        }
                        self.send_states(link, &answers);
                    }
                    Some(Happening::Down(why)) => return Ended::Lost(why),
                    None => return Ended::Lost("the connection broke off".into()),
                },
                heard = self.heard.recv() => self.hear(heard),
                Some((sent, answer)) = answers.next(), if !answers.is_empty() => {
                    self.answered(sent, answer);
                }
                _ = tick.tick() => {
                    if up {
                        self.send_states(link, &answers);
                    }
                    self.tell_losses(false);
                }
                _ = &mut *stop, if self.until.is_none() => self.stopping(),
            }
        }
    }

    /// Hands over what waits, as far as the window allows.
    fn send(&mut self, link: &Link, answers: &Answers) {
        let room = UNDER_WAY.saturating_sub(answers.len());
        for message in self.outbox.waiting().take(room) {
            let topic = self.options.topic(&message.line, message.what);
            let Some(answer) = link.publish(topic, message.payload(), false) else {
                return;
            };
            message.under_way = true;
            let number = message.number;
            answers.push(Box::pin(async move { (Sent::News(number), answer.await) }));
        }
    }

    /// Hands over the states that the broker does not have yet, one at a time for each line.
    fn send_states(&mut self, link: &Link, answers: &Answers) {
        for state in self.news.lines() {
            let line = state.line.clone();
            if line.is_empty()
                || self.under_way.contains(&line)
                || self.kept.get(&line) == Some(&state)
            {
                continue;
            }
            let number = self.outbox.number();
            let bytes = payload(number, 0.0, &Kept::State(&state));
            let topic = self.options.topic(&line, "state");
            let Some(answer) = link.publish(topic, bytes, true) else {
                return;
            };
            self.kept.insert(line.clone(), state);
            self.under_way.insert(line.clone());
            answers.push(Box::pin(async move { (Sent::State(line), answer.await) }));
        }
    }

    fn hear(&mut self, heard: Result<News, RecvError>) {
        match heard {
            Ok(news) => self.queue(news),
            Err(RecvError::Lagged(n)) => self.fell_behind(n),
            // The courier's own newsroom keeps the news open.
            Err(RecvError::Closed) => {}
        }
    }

    fn fell_behind(&mut self, count: u64) {
        for line in self.lines() {
            self.outbox.count_lost(&line, count, "they came too fast".into());
        }
    }

    /// Queues news by its topic. States go by themselves: only the latest counts.
    fn queue(&mut self, news: News) {
        let (line, what) = match &news {
            News::Alarm { line, .. } => (line, "alarm"),
            News::Began { line, .. } | News::Ended { line, .. } | News::Judged { line, .. } => {
                (line, "bar")
            }
            News::Trouble { line, .. } => (line, "trouble"),
            News::Progress(_) => return,
        };
        let own = matches!(&news, News::Trouble { message, .. } if message.starts_with(&self.own));
        let line = line.clone();
        self.outbox.push(news, line, what, own);
    }

    fn answered(&mut self, sent: Sent, answer: Answer) {
        match (sent, answer) {
            (Sent::News(number), Answer::Taken) => self.outbox.settled(number, None),
            (Sent::News(number), Answer::Refused(why)) => {
                self.outbox.settled(number, Some(refused(&why)));
            }
            (Sent::News(number), Answer::Unknown) => self.outbox.returned(number),
            (Sent::State(line), answer) => {
                self.under_way.remove(&line);
                match answer {
                    Answer::Taken => {}
                    Answer::Refused(why) => self.outbox.count_lost(&line, 1, refused(&why)),
                    Answer::Unknown => {
                        self.kept.remove(&line);
                    }
                }
            }
            (Sent::Service, Answer::Refused(why)) => {
                for line in self.lines() {
                    self.outbox.count_lost(&line, 1, refused(&why));
                }
            }
            (Sent::Service, _) => {}
        }
    }

    /// The broker is there: it may have forgotten what it kept.
    fn arrived(&mut self) {
        self.away = false;
        self.tell_losses(true);
    }

    /// The broker is away, which is told once for each absence.
    fn lost(&mut self, why: &str) {
        self.outbox.all_returned();
        self.kept.clear();
        self.under_way.clear();
        if !std::mem::replace(&mut self.away, true) {
            let most = self.options.most_waiting;
            let text = format!("{} wait, {most} at most: it does not answer ({why})", self.own);
            self.trouble_everywhere(&text);
        }
    }

    /// Hears news while the broker is let alone; false once the end has come.
    async fn rest(&mut self, pause: Duration, stop: &mut oneshot::Receiver<()>) -> bool {
        let sleep = tokio::time::sleep(pause);
        tokio::pin!(sleep);
        loop {
            tokio::select! {
                () = &mut sleep => {
                    self.tell_losses(false);
                    return self.until.is_none_or(|until| Instant::now() < until);
                }
                heard = self.heard.recv() => self.hear(heard),
                _ = &mut *stop, if self.until.is_none() => self.stopping(),
            }
        }
    }

    /// The end has come: what was told before it is still to be sent.
    fn stopping(&mut self) {
        self.until = Some(Instant::now() + PARTING);
        loop {
            match self.heard.try_recv() {
                Ok(news) => self.queue(news),
                Err(TryRecvError::Lagged(n)) => self.fell_behind(n),
                Err(TryRecvError::Empty | TryRecvError::Closed) => return,
            }
        }
    }

    /// Last states, farewell, account.
    async fn part(&mut self, link: Link) {
        let parting = async {
            let mut answers: Answers = FuturesUnordered::new();
            self.send_states(&link, &answers);
            let topic = self.options.service_topic();
            if let Some(answer) = link.publish(topic, self.service("gone"), true) {
                answers.push(Box::pin(async { (Sent::Service, answer.await) }));
            }
            while let Some((sent, answer)) = answers.next().await {
                self.answered(sent, answer);
            }
            link.close().await;
        };
        // A broker that takes no farewell tells the will instead.
        let _ = tokio::time::timeout(PARTING / 2, parting).await;
        self.account();
    }

    /// Tells what was never delivered.
    fn account(&mut self) {
        self.outbox.give_up("the service ended before the broker took them");
        self.tell_losses(true);
    }

    fn tell_losses(&mut self, now: bool) {
        if !now && self.losses_told.is_some_and(|told| told.elapsed() < LOSSES) {
            return;
        }
        for (line, (count, why)) in self.outbox.take_lost() {
            self.losses_told = Some(Instant::now());
            let message = format!("{}: {count} were not delivered ({why})", self.own);
            self.news.tell(News::Trouble { line, message });
        }
    }

    fn trouble_everywhere(&self, message: &str) {
        for line in self.lines() {
            self.news.tell(News::Trouble { line, message: message.to_owned() });
        }
    }

    fn lines(&self) -> Vec<String> {
        self.news.lines().into_iter().map(|s| s.line).filter(|l| !l.is_empty()).collect()
    }

    /// What the broker keeps about the service.
    fn service(&self, state: &'static str) -> Vec<u8> {
        let lines = self.lines();
        let lines = lines.iter().map(String::as_str).collect();
        let kept = Kept::Service { state, program: env!("CARGO_PKG_VERSION"), lines };
        // Text is always JSON.
        serde_json::to_vec(&kept).unwrap_or_default()
    }
}

fn refused(why: &str) -> String {
    format!("the broker refused the last: {why}")
}
