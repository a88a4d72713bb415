//! What computes, and what is said of it. Needs no device.

use crate::support::{Echoes, drawn};
use barwright_gpu::{Choice, DeviceError, Engine};
use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, EngineError, FieldEngine, MapBatch, MapsAnswer, Processors, Wanted,
};
use std::sync::atomic::{AtomicUsize, Ordering};

/// A device that fails as it is told to, or answers with nothing.
struct Failing {
    error: Option<DeviceError>,
    asked: &'static AtomicUsize,
}

impl FieldEngine for Failing {
    fn name(&self) -> String {
        "a device".into()
    }

    fn maps(&self, _: &MapBatch<'_>, _: Wanted) -> Result<MapsAnswer, EngineError> {
        self.asked.fetch_add(1, Ordering::SeqCst);
        self.error.clone().map_or(Ok(MapsAnswer::default()), |e| Err(e.into()))
    }

    fn echoes(&self, _: &EchoBatch<'_>) -> Result<EchoAnswer, EngineError> {
        self.asked.fetch_add(1, Ordering::SeqCst);
        self.error.clone().map_or(Ok(Vec::new()), |e| Err(e.into()))
    }
}

fn failing(error: Option<DeviceError>) -> (Engine, &'static AtomicUsize) {
    let asked: &'static AtomicUsize = Box::leak(Box::default());
    (Engine::with(Choice::Auto, Ok(Box::new(Failing { error, asked }))), asked)
}

#[test]
fn words_and_choices() {
    for choice in Choice::ALL {
        assert_eq!(choice.word().parse::<Choice>(), Ok(choice));
    }
    let error = "tpu".parse::<Choice>().expect_err("no such word");
    assert!(error.contains("'tpu'") && error.contains("auto, cpu or gpu"), "{error}");
}

/// The processors were chosen: nothing is said, no device is used though there is one.
#[test]
fn processors_when_they_were_chosen() {
    let asked: &'static AtomicUsize = Box::leak(Box::default());
    let engine = Engine::with(Choice::Cpu, Ok(Box::new(Failing { error: None, asked })));
    let case = drawn(1);
    let got = engine.maps(&case.batch(), Wanted::Maps).expect("maps");
    assert_eq!(got, Processors.maps(&case.batch(), Wanted::Maps).expect("maps"));
    assert_eq!(asked.load(Ordering::SeqCst), 0);
    assert!(!engine.is_on_device() && engine.sentences().is_empty());
    assert!(engine.name().contains("processor"));
}

/// Every reason for having no device ends with the processors' answer and one sentence with its numbers.
#[test]
fn without_a_device_the_processors_answer_and_it_is_said() {
    let reasons = [
        (DeviceError::NotBuilt, "built without"),
        (DeviceError::NoDriver, "no driver"),
        (DeviceError::NoDevice, "knows no graphics processor"),
        (DeviceError::DeviceTooOld { major: 5, minor: 2, need_major: 7 }, "5.2"),
        (DeviceError::DriverTooOld { driver: "12.4".into(), compiler: "13.0".into() }, "12.4"),
        (DeviceError::NoCompiler { looked: "libnvrtc.so.13".into() }, "libnvrtc.so.13"),
        (DeviceError::Compile { log: "line 3".into() }, "line 3"),
    ];
    let case = drawn(2);
    let plain = Processors.maps(&case.batch(), Wanted::Extremes).expect("maps");
    for (reason, word) in reasons {
        for choice in [Choice::Auto, Choice::Gpu] {
            let engine = Engine::with(choice, Err(reason.clone()));
            assert_eq!(engine.maps(&case.batch(), Wanted::Extremes).expect("maps"), plain);
            let said = engine.sentences();
            assert_eq!(said.len(), 1);
            assert!(said[0].contains(word) && said[0].contains("processor"), "{}", said[0]);
            assert!(said[0].contains(reason.hint()), "{}", said[0]);
        }
    }
}

/// A device lost in the middle: the batch is begun anew, nothing of the device's is in the answer, and the
/// device is not asked again.
#[test]
fn a_lost_device_is_not_asked_again() {
    let lost = DeviceError::Failed { doing: "computed", text: "the device fell off".into() };
    let (engine, asked) = failing(Some(lost));
    assert!(engine.is_on_device());
    let (case, echoes) = (drawn(4), Echoes::drawn(4));
    let plain = Processors.maps(&case.batch(), Wanted::Maps).expect("maps");
    assert_eq!(engine.maps(&case.batch(), Wanted::Maps).expect("maps"), plain);
    let plain = Processors.echoes(&echoes.batch()).expect("echoes");
    assert_eq!(engine.echoes(&echoes.batch()).expect("echoes"), plain);
    assert_eq!(asked.load(Ordering::SeqCst), 1);
    assert!(!engine.is_on_device());
    let said = engine.sentences();
    assert!(said[1].contains("begun anew") && said[1].contains("fell off"), "{said:?}");
}

/// What a device is not made for, it leaves to the processors; the next batch is its own again.
#[test]
fn a_request_that_does_not_suit_leaves_the_device_in_use() {
    let odd = DeviceError::NotMade { what: "the number of angles", got: 7, expected: "others" };
    for error in [odd, DeviceError::Memory { need_mib: 9000, free_mib: 80 }] {
        let (engine, asked) = failing(Some(error));
        let case = drawn(5);
        for _ in 0..2 {
            engine.maps(&case.batch(), Wanted::Extremes).expect("maps");
        }
        assert_eq!(asked.load(Ordering::SeqCst), 2);
        assert!(engine.is_on_device());
        assert_eq!(engine.sentences().len(), 2, "said once");
    }
}

/// Bad requests are refused, not computed elsewhere.
#[test]
fn a_bad_request_is_refused() {
    let mut case = drawn(6);
    case.items[2].bar = 17;
    let engine = Engine::with(Choice::Auto, Err(DeviceError::NoDriver));
    let error = engine.maps(&case.batch(), Wanted::Extremes).expect_err("no such bar");
    assert!(error.to_string().contains("17"), "{error}");
}
