//! Our end of ISO 15765-2 against can-isotp (Python): over socketcand on TCP, and over slcan on a pseudo-terminal.
//!
//! The peer judges our machines and they judge the peer. Where can-isotp 2.0.7 differs from ISO 15765-2:2016 the
//! difference is expected by name.

mod python;
mod station;

use serde_json::Value;
use tickover::bench::Bus;
use tickover::bench::real_time::{SlcanBus, SocketcandBus};
use tickover::framing::isotp::PduError;
use tickover::framing::transport::{Noise, Reach};
use tickover::link::Clock;

use station::{Echo, Log};

const BIT_RATE: u32 = 1_000_000;

fn bus(log: &Log) -> Bus<Echo> {
    let mut bus = Bus::new(Reach::IDEAL, BIT_RATE);
    bus.attach(Echo::new(Log::clone(log)));
    bus
}

#[test]
fn a_python_peer_agrees_over_socketcand() {
    let log = Log::default();
    let mut server = SocketcandBus::open(bus(&log), "bench0", Clock::start()).expect("a port");
    let (port, stopper) = (server.address().port().to_string(), server.stopper());
    let thread = std::thread::spawn(move || server.run(|_, _| ()));
    let said = python::says("isotp_peer.py", &["socketcand", "127.0.0.1", &port, "bench0"]);
    stopper.stop();
    thread.join().expect("it ran").expect("it served");
    judge(&said, &log);
}

#[test]
fn a_python_peer_agrees_over_slcan() {
    let log = Log::default();
    let mut adapter = SlcanBus::open(bus(&log), Clock::start()).expect("a pseudo-terminal");
    let (path, stopper) = (adapter.path().to_owned(), adapter.stopper());
    let thread = std::thread::spawn(move || adapter.run(|_, _| ()));
    let said = python::says("isotp_peer.py", &["slcan", &path]);
    stopper.stop();
    thread.join().expect("it ran").expect("it served");
    judge(&said, &log);
}

/// A case, what can-isotp reports of it first, what our unit reports first.
type Expected = (&'static str, Option<&'static str>, Option<Noise>);

/// Names of the peer's errors are can-isotp's; ours follow ISO 15765-2:2016 tables 18, 22 and 23.
const EXPECTED: &[Expected] = &[
    ("no flow control", Some("FlowControlTimeoutError"), None),
    ("too many waits", Some("MaximumWaitFrameReachedError"), None),
    ("overflow", Some("OverflowError"), Some(Noise::TooLong)),
    ("a frame lost", Some("WrongSequenceNumberError"), None),
    ("the last frame lost", Some("ConsecutiveFrameTimeoutError"), None),
    ("two frames swapped", Some("WrongSequenceNumberError"), None),
    // Expected deviation: an error there; the standard has the sender keep 127 ms (9.6.5.5).
    ("reserved separation time", Some("InvalidCanDataError"), Some(Noise::NoConsecutiveFrame)),
    ("no consecutive frame", None, Some(Noise::NoConsecutiveFrame)),
    ("wrong sequence", None, Some(Noise::Sequence { found: 2, expected: 1 })),
    ("repeated", None, Some(Noise::Sequence { found: 1, expected: 2 })),
    ("interrupted by a first frame", None, Some(Noise::Interrupted)),
    ("interrupted by a single frame", None, Some(Noise::Interrupted)),
    ("no length", None, Some(Noise::Pdu(PduError::SingleLength { found: 0, frame: 8 }))),
    ("a length that does not fit", None, Some(Noise::Pdu(PduError::SingleLength { found: 9, frame: 8 }))),
    ("a reserved type", None, Some(Noise::Pdu(PduError::Type(0x40)))),
    ("not filled", None, Some(Noise::Pdu(PduError::NotFilled { found: 3 }))),
    ("six bytes in a first frame", None, Some(Noise::Pdu(PduError::FirstLength { found: 6, least: 8 }))),
    ("unawaited consecutive frame", None, None),
    ("unawaited flow control", None, None),
    ("answer without flow control", None, Some(Noise::NoFlowControl)),
    ("answer with overflow", None, Some(Noise::Overflow)),
    ("answer with a reserved status", None, Some(Noise::FlowStatus { found: 3 })),
    ("answer with waits", None, Some(Noise::Waits)),
    // Expected deviation: flow control there; the standard has the receiver ignore it (9.6.3.2).
    ("first frame of six bytes is answered", None, None),
];

fn judge(said: &[Value], log: &Log) {
    let (echoes, cases): (Vec<_>, Vec<_>) = said.iter().partition(|case| case["case"] == "echo");
    // Five lengths, three block sizes, three separation times.
    assert_eq!(echoes.len(), 45);
    for echo in echoes {
        assert!(echo["equal"] == true && echo["errors"] == Value::Array(Vec::new()), "{echo}");
    }
    let log = log.lock().expect("the station's log");
    let told = cases.iter().map(|case| {
        let ours = log.iter().find(|(number, _)| case["number"] == *number).map(|(_, what)| *what);
        (case["case"].as_str().unwrap_or_default(), case["errors"][0].as_str(), ours)
    });
    let other: Vec<_> = told.zip(EXPECTED).filter(|(told, expected)| told != *expected).collect();
    assert_eq!(other, [], "told, and expected");
    assert_eq!(cases.len(), EXPECTED.len());
    let heard = |name: &str| &cases.iter().find(|case| case["case"] == name).expect("a case")["heard"];
    // ISO 15765-2:2016 9.6.3.2 and table 23: what is ignored gets no flow control.
    for ignored in ["six bytes in a first frame", "unawaited consecutive frame", "unawaited flow control", "no length"]
    {
        assert_eq!(*heard(ignored), serde_json::json!([]), "{ignored}");
    }
    let goes_on = serde_json::json!(["30 00 00 cc cc cc cc cc"]);
    for answered in ["no consecutive frame", "first frame of six bytes is answered"] {
        assert_eq!(*heard(answered), goes_on, "{answered}");
    }
}
