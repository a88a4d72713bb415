//! The states of bars over short days. Truth: each day worked by hand.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use crate::common::{
    HOUR_US, LINE, MINUTE_US, START_US, check, entries, judgement, level, retest, screened,
    technique, withdraw,
};
use barwright_job::judgement::Verdict;
use barwright_ledger::{BarState, Record, State, Why, state::bars};

/// States after records one minute apart, a minute after the last.
fn day(records: Vec<Record>) -> Vec<BarState> {
    let records: Vec<_> = (0..).map(|i| i * MINUTE_US).zip(records).map(|(t, r)| (r, t)).collect();
    let now = START_US + i64::try_from(records.len()).unwrap() * MINUTE_US;
    bars(&entries(&records), now).unwrap()
}

fn good(name: &str) -> Record {
    check(name, "T", "V", true, LINE)
}
fn failed(name: &str) -> Record {
    check(name, "T", "V", false, LINE)
}
fn bar(bar: &str) -> Record {
    screened(&format!("s{bar}"), bar, "T", "V", LINE)
}
fn judged(bar: &str, verdict: Verdict) -> Record {
    judgement(&format!("j{bar}"), bar, &format!("s{bar}"), verdict)
}

#[test]
fn bars_between_two_good_checks_follow_their_verdicts() {
    let states = day(vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Release),
        bar("2"),
        judged("2", Verdict::Crop),
        bar("3"),
        judged("3", Verdict::Hold),
        bar("4"),
        judged("4", Verdict::Reject),
        bar("5"),
        good("c2"),
    ]);
    let states: Vec<State> = states.into_iter().map(|bar| bar.state).collect();
    assert_eq!(
        states,
        [
            State::Released,
            State::Cropped { pieces_m: vec![[0.05, 2.5], [2.6, 5.95]] },
            State::Held { why: Why::Judged(7) },
            State::Rejected,
            State::Waiting { for_judgement: true, for_check: false },
        ]
    );
}

#[test]
fn before_the_closing_check_bars_wait() {
    let states = day(vec![good("c1"), bar("1"), judged("1", Verdict::Release)]);
    assert_eq!(states[0].state, State::Waiting { for_judgement: false, for_check: true });
    assert_eq!((states[0].opening_check, states[0].closing_check), (Some(1), None));
}

#[test]
fn a_failed_check_holds_every_bar_since_the_last_good_one_and_none_before() {
    let states = day(vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Release),
        good("c2"),
        bar("2"),
        judged("2", Verdict::Release),
        bar("3"),
        judged("3", Verdict::Crop),
        failed("c3"),
        bar("4"),
        judged("4", Verdict::Release),
        good("c4"),
    ]);
    let states: Vec<State> = states.into_iter().map(|bar| bar.state).collect();
    assert_eq!(
        states,
        [
            State::Released,
            State::Held { why: Why::FailedCheck(9) },
            State::Held { why: Why::FailedCheck(9) },
            State::Held { why: Why::AfterFailedCheck(9) },
        ]
    );
}

#[test]
fn a_held_bar_is_cured_by_screening_it_again() {
    let states = day(vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Release),
        failed("c2"),
        good("c3"),
        screened("again", "1", "T", "V", LINE),
        judgement("j", "1", "again", Verdict::Release),
        good("c4"),
    ]);
    assert_eq!(states[0].state, State::Released);
    assert_eq!((states[0].opening_check, states[0].closing_check), (Some(5), Some(8)));
}

#[test]
fn a_rejected_bar_is_not_passed_by_trying_again_unless_a_retest_is_ordered() {
    let mut records = vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Reject),
        screened("again", "1", "T", "V", LINE),
        judgement("j", "1", "again", Verdict::Release),
        good("c2"),
    ];
    assert_eq!(day(records.clone())[0].state, State::Rejected);
    records.insert(3, retest("1"));
    assert_eq!(day(records)[0].state, State::Released);
}

#[test]
fn a_retest_calls_a_released_bar_back() {
    let states =
        day(vec![good("c1"), bar("1"), judged("1", Verdict::Release), good("c2"), retest("1")]);
    assert_eq!(states[0].state, State::Held { why: Why::Retest(5) });
}

#[test]
fn another_setting_between_the_checks_breaks_the_bracket() {
    for between in [
        level("V2", "T", LINE),
        technique("T2", LINE),
        screened("s9", "9", "T2", "V", LINE),
        check("c", "T", "V2", true, LINE),
    ] {
        let states = day(vec![
            good("c1"),
            bar("1"),
            judged("1", Verdict::Release),
            between.clone(),
            good("c2"),
        ]);
        let state = &states[0].state;
        assert_eq!(*state, State::Held { why: Why::SettingChanged(4) }, "{between:?}");
    }
    // The same level recorded again, a plan made in the office, or another line: no change.
    for between in
        [level("V", "T", LINE), technique("T2", ""), level("V2", "T", "line 3"), failed_elsewhere()]
    {
        let states = day(vec![
            good("c1"),
            bar("1"),
            judged("1", Verdict::Release),
            between.clone(),
            good("c2"),
        ]);
        assert_eq!(states[0].state, State::Released, "{between:?}");
    }
}

fn failed_elsewhere() -> Record {
    check("c", "T", "V", false, "line 3")
}

#[test]
fn the_interval_counts_from_check_to_check_to_the_microsecond() {
    let states = |closing: i64, now: i64| {
        let mut records =
            vec![(good("c1"), 0), (bar("1"), HOUR_US), (judged("1", Verdict::Release), HOUR_US)];
        if closing > 0 {
            records.push((good("c2"), closing));
        }
        bars(&entries(&records), START_US + now).unwrap().remove(0).state
    };
    let waiting = State::Waiting { for_judgement: false, for_check: true };
    assert_eq!(states(4 * HOUR_US, 5 * HOUR_US), State::Released);
    let late = states(4 * HOUR_US + 1, 5 * HOUR_US);
    assert_eq!(late, State::Held { why: Why::CheckTooLate(4) });
    assert_eq!(states(0, 4 * HOUR_US), waiting);
    assert_eq!(states(0, 4 * HOUR_US + 1), State::Held { why: Why::CheckOverdue });
    // A reader whose clock is behind sees no hold, and no release either.
    assert_eq!(states(0, -HOUR_US), waiting);
}

#[test]
fn a_clock_that_steps_back_never_releases() {
    // Seen from start and end alone the checks are an hour apart.
    let records = [
        (good("c1"), 0),
        (bar("1"), 3 * HOUR_US),
        (judged("1", Verdict::Release), 3 * HOUR_US),
        (good("c2"), HOUR_US),
    ];
    let state = bars(&entries(&records), START_US + HOUR_US).unwrap().remove(0).state;
    assert_eq!(state, State::Held { why: Why::ClockSteppedBack(4) });
}

#[test]
fn withdrawing_takes_trust_away_and_grants_none() {
    let released = vec![
        technique("T", ""),
        level("V", "T", LINE),
        good("c1"),
        bar("1"),
        judged("1", Verdict::Release),
        good("c2"),
    ];
    assert_eq!(day(released.clone())[0].state, State::Released);
    for (seq, state) in [
        (1, State::Held { why: Why::Withdrawn(7) }),
        (2, State::Held { why: Why::Withdrawn(7) }),
        (3, State::Held { why: Why::AfterFailedCheck(3) }),
        (4, State::Held { why: Why::Withdrawn(7) }),
        (5, State::Waiting { for_judgement: true, for_check: false }),
        (6, State::Held { why: Why::FailedCheck(6) }),
    ] {
        let mut records = released.clone();
        records.push(withdraw(seq));
        assert_eq!(day(records)[0].state, state, "entry {seq} withdrawn");
    }
    // A rejection that is withdrawn leaves a bar to be judged, whatever was tried meanwhile.
    let mut records = vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Reject),
        judged("1", Verdict::Release),
        good("c2"),
        withdraw(3),
    ];
    let waiting = State::Waiting { for_judgement: true, for_check: false };
    assert_eq!(day(records.clone())[0].state, waiting);
    records.push(judged("1", Verdict::Release));
    assert_eq!(day(records)[0].state, State::Released);
    // A failed check stays failed.
    let states = day(vec![
        good("c1"),
        bar("1"),
        judged("1", Verdict::Release),
        failed("c2"),
        good("c3"),
        withdraw(4),
    ]);
    assert_eq!(states[0].state, State::Held { why: Why::FailedCheck(4) });
}
