//! Messages that wait for the broker, and the account of those that it never got.

use std::collections::{BTreeMap, VecDeque};
use std::time::Instant;

use serde::Serialize;

use super::super::news::News;

/// A message that waits, or is under way and not acknowledged.
#[derive(Debug)]
pub(super) struct Waiting {
    /// Its number, which rises over the service's run.
    pub number: u64,
    pub line: String,
    /// Last level of its topic.
    pub what: &'static str,
    news: News,
    told: Instant,
    /// Whether it is under way on the present connection.
    pub under_way: bool,
}

/// What stands in a message: the news, its number, and how long it had waited when it was sent.
#[derive(Serialize)]
struct Payload<'a, T> {
    number: u64,
    waited_s: f64,
    #[serde(flatten)]
    news: &'a T,
}

/// The bytes of a message.
pub(super) fn payload(number: u64, waited_s: f64, news: &impl Serialize) -> Vec<u8> {
    // News are plain numbers and text, which JSON can always hold.
    serde_json::to_vec(&Payload { number, waited_s, news }).unwrap_or_default()
}

impl Waiting {
    pub fn payload(&self) -> Vec<u8> {
        payload(self.number, self.told.elapsed().as_secs_f64(), &self.news)
    }
}

/// The queue, bounded, and what was lost of it.
#[derive(Debug)]
pub(super) struct Outbox {
    queue: VecDeque<Waiting>,
    most: usize,
    next_number: u64,
    /// By line: how many were not delivered, and why the last was not.
    lost: BTreeMap<String, (u64, String)>,
}

impl Outbox {
    pub fn new(most: usize) -> Self {
        Self { queue: VecDeque::new(), most: most.max(1), next_number: 0, lost: BTreeMap::new() }
    }

    /// The next message's number.
    pub fn number(&mut self) -> u64 {
        self.next_number += 1;
        self.next_number - 1
    }

    /// Queues news. Beyond the bound the oldest message is given up and counted: what marks a bar
    /// that has long passed is worth less than what marks the one at hand. `own` news (trouble of
    /// this queue itself) never displace others.
    pub fn push(&mut self, news: News, line: String, what: &'static str, own: bool) {
        if self.queue.len() >= self.most {
            if own {
                return;
            }
            if let Some(oldest) = self.queue.pop_front() {
                let why = format!("more than {} waited", self.most);
                self.count_lost(&oldest.line, 1, why);
            }
        }
        let number = self.number();
        self.queue.push_back(Waiting {
            number,
            line,
            what,
            news,
            told: Instant::now(),
            under_way: false,
        });
    }

    /// Messages that are not under way, oldest first.
    pub fn waiting(&mut self) -> impl Iterator<Item = &mut Waiting> {
        self.queue.iter_mut().filter(|w| !w.under_way)
    }

    pub fn is_empty(&self) -> bool {
        self.queue.is_empty()
    }

    /// The broker has a message, or refuses it for a reason.
    pub fn settled(&mut self, number: u64, refused: Option<String>) {
        if let Some(i) = self.queue.iter().position(|w| w.number == number)
            && let Some(message) = self.queue.remove(i)
            && let Some(why) = refused
        {
            self.count_lost(&message.line, 1, why);
        }
    }

    /// A message is not under way after all.
    pub fn returned(&mut self, number: u64) {
        self.queue.iter_mut().filter(|w| w.number == number).for_each(|w| w.under_way = false);
    }

    /// The connection is lost: nothing is under way.
    pub fn all_returned(&mut self) {
        self.queue.iter_mut().for_each(|w| w.under_way = false);
    }

    pub fn count_lost(&mut self, line: &str, count: u64, why: String) {
        let entry = self.lost.entry(line.to_owned()).or_default();
        entry.0 += count;
        entry.1 = why;
    }

    /// All that still wait are given up.
    pub fn give_up(&mut self, why: &str) {
        for message in std::mem::take(&mut self.queue) {
            self.count_lost(&message.line, 1, why.to_owned());
        }
    }

    /// What was lost since the last call, by line.
    pub fn take_lost(&mut self) -> BTreeMap<String, (u64, String)> {
        std::mem::take(&mut self.lost)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn push(outbox: &mut Outbox, n: u32, own: bool) {
        let news = News::Trouble { line: "a".into(), message: n.to_string() };
        outbox.push(news, "a".into(), "trouble", own);
    }

    #[test]
    fn the_oldest_are_given_up_and_counted() {
        let mut outbox = Outbox::new(3);
        (0..5).for_each(|n| push(&mut outbox, n, false));
        push(&mut outbox, 9, true);
        assert_eq!(outbox.waiting().map(|w| w.number).collect::<Vec<_>>(), [2, 3, 4]);
        let lost = outbox.take_lost();
        assert_eq!(lost["a"].0, 2);
        assert!(outbox.take_lost().is_empty());
    }

    #[test]
    fn what_was_under_way_waits_again_when_the_connection_is_lost() {
        let mut outbox = Outbox::new(3);
        (0..3).for_each(|n| push(&mut outbox, n, false));
        outbox.waiting().for_each(|w| w.under_way = true);
        outbox.settled(0, None);
        outbox.settled(1, Some("NotAuthorized".into()));
        assert_eq!(outbox.waiting().count(), 0);
        outbox.all_returned();
        assert_eq!(outbox.waiting().map(|w| w.number).collect::<Vec<_>>(), [2]);
        assert_eq!(outbox.take_lost()["a"], (1, "NotAuthorized".to_owned()));
    }
}
