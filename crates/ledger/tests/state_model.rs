//! The states of bars under random days. Truth: a second, declarative statement of the rules in
//! this file, which looks at all pairs of entries instead of walking through them.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use crate::common::{
    HOUR_US, LINE, MINUTE_US, START_US, by_a_person, by_program, check, entries,
    home::{Home, homes},
    judgement, level, mount, operator, retest, screened, technique, withdraw,
};
use barwright_job::judgement::Verdict;
use barwright_ledger::{BarState, Ledger, Record, State, state::bars, store::Stamped};
use proptest::prelude::*;

/// One random event: a record by small numbers, and how far the clock moves before it.
#[derive(Debug, Clone)]
enum Event {
    Technique(usize, usize),
    Level(usize, usize),
    Check {
        line: usize,
        technique: usize,
        level: usize,
        program: usize,
        good: bool,
    },
    Screen {
        line: usize,
        bar: usize,
        technique: usize,
        level: usize,
        program: usize,
    },
    /// Judges the given bar's latest screening, or the one before it.
    Judge {
        bar: usize,
        verdict: Verdict,
        stale: bool,
        /// By a person, against the rules.
        decided: bool,
    },
    Retest(usize),
    Withdraw(usize),
    /// A probe is changed on a line.
    Mount(usize),
    /// Somebody takes over a line.
    Operator(usize, usize),
}

const LINES: [&str; 2] = [LINE, "line 3"];

fn event() -> impl Strategy<Value = (Event, i64)> {
    let verdict = prop_oneof![
        6 => Just(Verdict::Release),
        4 => Just(Verdict::Crop),
        1 => Just(Verdict::Hold),
        1 => Just(Verdict::Reject),
    ];
    // Mostly one line, one technique and one level, so that whole brackets do come about.
    let few = || prop_oneof![12 => Just(0usize), 1 => Just(1usize)];
    let rarely = || prop_oneof![40 => Just(0usize), 1 => Just(1usize)];
    let what = prop_oneof![
        1 => (few(), few()).prop_map(|(l, t)| Event::Technique(l, t)),
        1 => (few(), few()).prop_map(|(l, v)| Event::Level(l, v)),
        8 => (few(), few(), few(), rarely(), prop::bool::weighted(0.85)).prop_map(
            |(line, technique, level, program, good)| {
                Event::Check { line, technique, level, program, good }
            }
        ),
        10 => (few(), 0..4usize, few(), few(), rarely()).prop_map(
            |(line, bar, technique, level, program)| {
                Event::Screen { line, bar, technique, level, program }
            }
        ),
        10 => (0..4usize, verdict, prop::bool::weighted(0.1), prop::bool::weighted(0.1)).prop_map(
            |(bar, verdict, stale, decided)| Event::Judge { bar, verdict, stale, decided }
        ),
        1 => (0..4usize).prop_map(Event::Retest),
        1 => (0..40usize).prop_map(Event::Withdraw),
        1 => few().prop_map(Event::Mount),
        1 => (few(), 0..2usize).prop_map(|(l, p)| Event::Operator(l, p)),
    ];
    // Minutes: mostly forward and short, now and then long, equal, or back.
    let step = prop_oneof![30 => 0..40i64, 2 => 200..300i64, 1 => -30..0i64];
    (what, step)
}

/// The events as records with times. Documents are named by their place, so all are distinct.
fn records(events: &[(Event, i64)]) -> Vec<(Record, i64)> {
    let mut time = 0;
    let mut screenings: Vec<Vec<String>> = vec![vec!["none".into()]; 4];
    let mut records = vec![];
    for (i, (event, step)) in events.iter().enumerate() {
        time += step * MINUTE_US;
        let (t, v) = (|n: &usize| format!("T{n}"), |n: &usize| format!("V{n}"));
        let record = match event {
            Event::Technique(l, n) => technique(&t(n), LINES[*l]),
            Event::Level(l, n) => level(&v(n), "T0", LINES[*l]),
            Event::Check { line, technique, level, program, good } => {
                let made = check(&format!("c{i}"), &t(technique), &v(level), *good, LINES[*line]);
                by_program(made, &format!("1.{program}"))
            }
            Event::Screen { line, bar, technique, level, program } => {
                screenings[*bar].push(format!("s{i}"));
                let bar = bar.to_string();
                let made = screened(&format!("s{i}"), &bar, &t(technique), &v(level), LINES[*line]);
                by_program(made, &format!("1.{program}"))
            }
            Event::Mount(l) => mount("P-17", "1", true, LINES[*l]),
            Event::Operator(l, n) => operator(&format!("shift {n}"), LINES[*l]),
            Event::Judge { bar, verdict, stale, decided } => {
                let of = &screenings[*bar];
                let screened = &of[of.len().saturating_sub(1 + usize::from(*stale))];
                let judged = judgement(&format!("j{i}"), &bar.to_string(), screened, *verdict);
                if *decided { by_a_person(judged) } else { judged }
            }
            Event::Retest(bar) => retest(&bar.to_string()),
            Event::Withdraw(n) => withdraw(i64::try_from(*n).unwrap() + 1),
        };
        records.push((record, time));
    }
    records
}

/// What the model says of a bar: enough to tell states apart, without the reason of a hold.
#[derive(Debug, PartialEq, Eq, Clone, Copy)]
enum Says {
    Waiting(bool, bool),
    Released,
    Cropped,
    Held,
    Rejected,
}

/// Line, technique, level and program.
type Names = (usize, Option<usize>, Option<usize>, Option<usize>);

struct Model<'a> {
    events: &'a [(Event, i64)],
    times: Vec<i64>,
    now: i64,
}

impl Model<'_> {
    fn withdrawn(&self, i: usize) -> bool {
        (i + 1..self.events.len()).any(|j| matches!(self.events[j].0, Event::Withdraw(n) if n == i))
    }

    /// Line, technique, level and program that a station's entry names.
    fn names(&self, i: usize) -> Option<Names> {
        match self.events[i].0 {
            Event::Technique(l, t) => Some((l, Some(t), None, None)),
            Event::Level(l, v) => Some((l, None, Some(v), None)),
            Event::Check { line, technique, level, program, .. }
            | Event::Screen { line, technique, level, program, .. } => {
                Some((line, Some(technique), Some(level), Some(program)))
            }
            Event::Mount(line) | Event::Operator(line, _) => Some((line, None, None, None)),
            _ => None,
        }
    }

    fn is_screening(&self, i: usize, line: usize) -> bool {
        matches!(self.events[i].0, Event::Screen { line: l, .. } if l == line)
    }

    /// Another operator than before takes over the line with this entry.
    fn changes_operator(&self, i: usize, line: usize) -> bool {
        let of = |i: usize| match self.events[i].0 {
            Event::Operator(l, person) if l == line => Some(person),
            _ => None,
        };
        of(i).is_some_and(|person| (0..i).rev().find_map(of) != Some(person))
    }

    fn is_check(&self, i: usize, line: usize) -> bool {
        matches!(self.events[i].0, Event::Check { line: l, .. } if l == line)
    }

    fn is_good(&self, i: usize) -> bool {
        matches!(self.events[i].0, Event::Check { good: true, .. }) && !self.withdrawn(i)
    }

    /// The stretch from entry `from` to entry `to` holds together for a technique and level.
    fn unbroken(&self, from: usize, to: usize, line: usize, set: (usize, usize, usize)) -> bool {
        let own: Vec<usize> =
            (from..=to).filter(|&i| self.names(i).is_some_and(|n| n.0 == line)).collect();
        let settings = own.iter().filter_map(|&i| self.names(i)).all(|(_, t, v, p)| {
            t.is_none_or(|t| t == set.0)
                && v.is_none_or(|v| v == set.1)
                && p.is_none_or(|p| p == set.2)
        });
        let screened =
            |mut range: std::ops::Range<usize>| range.any(|i| self.is_screening(i, line));
        settings
            && !(from..=to).any(|i| matches!(self.events[i].0, Event::Mount(l) if l == line))
            && !(from..=to)
                .any(|i| self.changes_operator(i, line) && screened(from..i) && screened(i..to + 1))
            && own.windows(2).all(|w| self.times[w[0]] <= self.times[w[1]])
            && own.iter().all(|&i| self.times[i] - self.times[from] <= 4 * HOUR_US)
    }

    fn says(&self, bar: usize) -> Option<Says> {
        let all = 0..self.events.len();
        let screening = all
            .clone()
            .rev()
            .find(|&i| matches!(self.events[i].0, Event::Screen { bar: b, .. } if b == bar));
        let retests: Vec<usize> = all
            .clone()
            .filter(|&i| matches!(self.events[i].0, Event::Retest(b) if b == bar))
            .collect();
        let seen = screening.is_some() || !retests.is_empty();
        let judged = all
            .clone()
            .any(|i| matches!(self.events[i].0, Event::Judge { bar: b, .. } if b == bar));
        if !seen && !judged {
            return None;
        }
        // A person's decision other than to reject, on what was then the latest screening.
        let freed = |i: usize| matches!(self.events[i].0, Event::Judge { bar: b, decided: true, .. } if b == bar);
        // A rejection of what was then the latest screening, with no standing retest since.
        let fresh = |i: usize| match self.events[i].0 {
            Event::Judge { bar: b, verdict, stale, .. } if b == bar => {
                let any = (0..i)
                    .any(|j| matches!(self.events[j].0, Event::Screen { bar: b, .. } if b == bar));
                (any && !stale).then_some(verdict)
            }
            _ => None,
        };
        let rejected = all.clone().any(|i| {
            fresh(i) == Some(Verdict::Reject)
                && !self.withdrawn(i)
                && !retests.iter().any(|&r| r > i && !self.withdrawn(r))
                && !all.clone().any(|d| {
                    d > i
                        && freed(d)
                        && !self.withdrawn(d)
                        && fresh(d).is_some_and(|v| v != Verdict::Reject)
                })
        });
        if rejected {
            return Some(Says::Rejected);
        }
        let Some(s) = screening else {
            let waiting = Says::Waiting(true, true);
            return Some(if retests.is_empty() { waiting } else { Says::Held });
        };
        let Event::Screen { line, technique: t, level: v, program: p, .. } = self.events[s].0
        else {
            return None;
        };
        let lost = all.clone().any(|i| {
            self.withdrawn(i)
                && match self.events[i].0 {
                    Event::Technique(_, n) => n == t,
                    Event::Level(_, n) => n == v,
                    _ => i == s,
                }
        });
        if lost || retests.iter().any(|&r| r > s) {
            return Some(Says::Held);
        }
        let opening = (0..s).rev().find(|&i| self.is_check(i, line));
        let closing = (s + 1..self.events.len()).find(|&i| self.is_check(i, line));
        let Some(opening) = opening.filter(|&o| self.is_good(o)) else {
            return Some(Says::Held);
        };
        let end = closing.unwrap_or(self.events.len() - 1);
        if !self.unbroken(opening, end, line, (t, v, p))
            || closing.is_some_and(|c| !self.is_good(c))
        {
            return Some(Says::Held);
        }
        if closing.is_none() && self.now - self.times[opening] > 4 * HOUR_US {
            return Some(Says::Held);
        }
        let last = (s + 1..self.events.len()).rev().find(|&i| fresh(i).is_some());
        // Whoever withdraws a judgement of a bar must judge it again.
        let again = |i: usize| {
            (i + 1..self.events.len()).any(|j| match self.events[j].0 {
                Event::Withdraw(n) if n < j => {
                    matches!(self.events[n].0, Event::Judge { bar: b, .. } if b == bar)
                }
                _ => false,
            })
        };
        let verdict = last.filter(|&i| !again(i)).and_then(fresh);
        Some(match verdict {
            Some(Verdict::Hold) => Says::Held,
            Some(Verdict::Reject) => Says::Rejected,
            Some(Verdict::Release) if closing.is_some() => Says::Released,
            Some(Verdict::Crop) if closing.is_some() => Says::Cropped,
            verdict => Says::Waiting(verdict.is_none(), closing.is_none()),
        })
    }
}

fn said(state: &State) -> Says {
    match state {
        State::Waiting { for_judgement, for_check } => Says::Waiting(*for_judgement, *for_check),
        State::Released => Says::Released,
        State::Cropped { .. } => Says::Cropped,
        State::Held { .. } => Says::Held,
        State::Rejected => Says::Rejected,
    }
}

fn free(states: &[BarState]) -> usize {
    states.iter().filter(|s| matches!(said(&s.state), Says::Released | Says::Cropped)).count()
}

/// Cases of each property: enough that every state is met a hundred times and more, in a few seconds.
const CASES: u32 = 6000;

#[test]
fn states_agree_with_the_model_under_random_days() {
    use std::cell::RefCell;
    let seen = RefCell::new(std::collections::BTreeMap::<String, u32>::new());
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: CASES,
        failure_persistence: None,
        ..ProptestConfig::default()
    });
    let days = (prop::collection::vec(event(), 1..40), 0..600i64);
    let outcome = runner.run(&days, |(events, later)| {
        let records = records(&events);
        let times: Vec<i64> = records.iter().map(|(_, t)| *t).collect();
        let now = times[times.len() - 1] + later * MINUTE_US;
        let states = bars(&entries(&records), START_US + now).unwrap();
        let model = Model { events: &events, times, now };
        let expected: Vec<(String, Says)> =
            (0..4).filter_map(|b| Some((b.to_string(), model.says(b)?))).collect();
        let found: Vec<(String, Says)> =
            states.iter().map(|s| (s.bar.bar.clone(), said(&s.state))).collect();
        prop_assert_eq!(&found, &expected);
        for (_, says) in expected {
            *seen.borrow_mut().entry(format!("{says:?}")).or_default() += 1;
        }
        Ok(())
    });
    if let Err(e) = outcome {
        panic!("{e}");
    }
    let seen = seen.into_inner();
    println!("states met: {seen:?}");
    // The comparison says little about a state that hardly comes up.
    for state in ["Released", "Cropped", "Held", "Rejected"] {
        assert!(seen.get(state).is_some_and(|n| *n > 100), "{state}: {seen:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: CASES, failure_persistence: None, ..ProptestConfig::default()
    })]

    #[test]
    fn no_bad_news_ever_frees_a_bar(
        events in prop::collection::vec(event(), 1..40), seq in 0..40usize, minutes in -60..600i64,
    ) {
        let before = records(&events);
        let end = before[before.len() - 1].1;
        let now = START_US + end + minutes.max(0) * MINUTE_US;
        let freed = free(&bars(&entries(&before), now).unwrap());
        for bad in [
            check("bad", "T0", "V0", false, LINE),
            level("V9", "T0", LINE),
            retest("0"),
            mount("P-9", "1", true, LINE),
            operator("shift 9", LINE),
            withdraw(i64::try_from(seq).unwrap() + 1),
        ] {
            let mut after = before.clone();
            after.push((bad.clone(), end + minutes * MINUTE_US));
            let then = free(&bars(&entries(&after), now).unwrap());
            prop_assert!(then <= freed, "{:?} freed a bar: {} -> {}", bad, freed, then);
        }
    }

    #[test]
    fn a_later_look_never_frees_a_bar(
        events in prop::collection::vec(event(), 1..40), minutes in 0..100_000i64,
    ) {
        let records = records(&events);
        let entries = entries(&records);
        let end = START_US + records[records.len() - 1].1;
        let (now, later) = (bars(&entries, end).unwrap(),
            bars(&entries, end + minutes * MINUTE_US).unwrap());
        prop_assert_eq!(free(&now), free(&later));
        let held = |states: &[BarState]| {
            states.iter().filter(|s| said(&s.state) == Says::Held).count()
        };
        prop_assert!(held(&now) <= held(&later));
    }
}

/// Cases that go through a database: some ten milliseconds each.
const KEPT_CASES: u32 = 300;
const KEPT_CASES_ON_A_SERVER: u32 = 40;

fn stamped(records: &[(Record, i64)]) -> Vec<Stamped> {
    records
        .iter()
        .map(|(record, time)| Stamped {
            record: record.clone(),
            author: "shift".into(),
            time_us: START_US + time,
        })
        .collect()
}

/// The states kept in tables against the plain form, however the day was split into writes.
#[test]
fn states_kept_are_those_that_follow() {
    for home in homes() {
        let cases = match home {
            Home::File(_) => KEPT_CASES,
            Home::Server(_) => KEPT_CASES_ON_A_SERVER,
        };
        let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
            cases,
            failure_persistence: None,
            ..ProptestConfig::default()
        });
        let on_server = matches!(home, Home::Server(_));
        let days = (prop::collection::vec(event(), 1..60), 0..600i64, 1..20usize);
        let outcome = runner.run(&days, |(events, later, at_once)| {
            let home = if on_server { Home::server().unwrap() } else { Home::file() };
            let ledger = home.create("works");
            let records = records(&events);
            for some in stamped(&records).chunks(at_once) {
                ledger.append_all(some).unwrap();
            }
            let now = START_US + records[records.len() - 1].1 + later * MINUTE_US;
            let plain = bars(&entries(&records), now).unwrap();
            prop_assert_eq!(ledger.bars(now).unwrap(), plain.clone());
            let held = barwright_ledger::state::holds(plain.clone());
            prop_assert_eq!(ledger.holds(now).unwrap(), held);
            let found = ledger.verify(None).unwrap();
            prop_assert!(found.is_whole(), "{:?}", found);
            for state in plain {
                // Goes through the entries of one bar by itself, and refuses where that differs.
                let story = ledger.story(&state.bar, now).unwrap().expect("it is there");
                prop_assert_eq!(story.state, state);
            }
            Ok(())
        });
        if let Err(e) = outcome {
            panic!("{e}");
        }
    }
}

/// A power cut at any byte of the log: what is left is whole, states included.
#[test]
fn after_a_power_cut_states_are_those_of_the_entries_left() {
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: KEPT_CASES,
        failure_persistence: None,
        ..ProptestConfig::default()
    });
    let days = (prop::collection::vec(event(), 1..40), 0.0..1.0f64, 1..6usize);
    let outcome = runner.run(&days, |(events, part, at_once)| {
        let home = Home::file();
        drop(home.create("works"));
        let records = records(&events);
        let ledger = Ledger::open(home.path()).unwrap();
        for some in stamped(&records).chunks(at_once) {
            ledger.append_all(some).unwrap();
        }
        let copy = home.path().with_file_name("copy.db");
        let log = std::fs::read(home.path().with_file_name("ledger.db-wal")).unwrap();
        std::fs::copy(home.path(), &copy).unwrap();
        let cut = (log.len() as f64 * part) as usize;
        std::fs::write(copy.with_file_name("copy.db-wal"), &log[..cut]).unwrap();
        drop(ledger);
        let left = Ledger::open(&copy).unwrap();
        let found = left.verify(None).unwrap();
        prop_assert!(found.is_whole(), "{:?}", found);
        let kept = usize::try_from(found.entries).unwrap();
        // A write of several entries is there whole or not at all.
        prop_assert!(kept == records.len() || kept % at_once == 0, "{} of {}", kept, at_once);
        let now = START_US + records[records.len() - 1].1;
        let plain = bars(&entries(&records[..kept]), now).unwrap();
        prop_assert_eq!(left.bars(now).unwrap(), plain);
        // And the day goes on.
        left.append(&retest("0"), "shift", now).unwrap();
        prop_assert!(left.verify(None).unwrap().is_whole());
        Ok(())
    });
    if let Err(e) = outcome {
        panic!("{e}");
    }
}
