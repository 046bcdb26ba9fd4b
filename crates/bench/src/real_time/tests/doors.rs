//! The bus as other programs open it: an slcan adapter on a pseudo-terminal, a socketcand server on loopback.

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use tickover_framing::contract::{Act, Input, Speed};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::Reach;
use tickover_link::can::{Slcan, SocketCand};
use tickover_link::{Clock, LivePort};

use super::{Repeater, Tester, frame, send};
use crate::bus::{Bus, Planned, Strike, Who};
use crate::real_time::{ClientNote, PtyNote, SlcanBus, SocketcandBus};

fn bus() -> Bus<Repeater> {
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    bus.attach(Repeater::default());
    bus
}

/// Runs the adapter while the test is the tester; what happened to its terminal comes back.
fn with_adapter(bus: Bus<Repeater>, test: impl FnOnce(&str)) -> Vec<PtyNote> {
    let mut slcan = SlcanBus::open(bus, Clock::start()).expect("a pseudo-terminal");
    let (path, stopper) = (slcan.path().to_owned(), slcan.stopper());
    let thread = std::thread::spawn(move || {
        let mut notes = Vec::new();
        slcan.run(|_, note| notes.extend(note)).expect("the terminal lives");
        notes
    });
    test(&path);
    stopper.stop();
    thread.join().expect("it ran")
}

fn speed(bit_rate: u32) -> Act {
    Act::Speed(Speed::Can { bit_rate, data_rate: None, listen_only: false })
}

/// Until `wanted` says so.
fn until<T>(port: &mut dyn LivePort, mut wanted: impl FnMut(&Woke) -> Option<T>) -> T {
    let end = port.now().after(Duration::from_secs(20));
    loop {
        let woke = port.wait(Some(end), &mut [0; 256]);
        if let Some(found) = wanted(&woke) {
            return found;
        }
        assert!(!matches!(woke, Woke::Deadline { .. } | Woke::Lost { .. }), "{woke:?}");
    }
}

fn frame_of(woke: &Woke) -> Option<tickover_framing::can::Frame> {
    if let Woke::Frame { frame, .. } = woke { Some(*frame) } else { None }
}

/// Linux kernel 6.1, `slcan`: commands in ASCII, answered by CR; frames taken with z or Z, refused with BEL.
#[test]
fn an_adapter_does_what_it_is_told_in_text_and_refuses_the_rest() {
    with_adapter(bus(), |path| {
        let mut tester = Tester::open(path, 115_200);
        for (asked, answer) in [
            (&b"V\r"[..], &b"V0100\r"[..]),
            (b"O\r", b"\x07"),
            (b"t7E01AA\r", b"\x07"),
            (b"S6\r", b"\r"),
            (b"O\r", b"\r"),
            (b"S5\r", b"\x07"),
            (b"t8001AA\r", b"\x07"),
            (b"nonsense\r", b"\x07"),
            (b"t7E01AA\r", b"z\rt7E820405\r"),
            (b"T18DA10F10\r", b"Z\rt7E820405\r"),
            (b"C\r", b"\r"),
        ] {
            tester.send(asked);
            assert_eq!(tester.read(answer.len()), answer, "{}", asked.escape_ascii());
        }
    });
}

#[test]
fn an_adapter_serves_one_port_of_ours_after_the_other() {
    let notes = with_adapter(bus(), |path| {
        for _ in 0..2 {
            let mut port = Slcan::open(path).expect("an adapter that answers");
            let report = port.act(&speed(500_000));
            assert!(matches!(report, Some(Input::SpeedIs { got: Some(_), .. })), "{report:?}");
            port.act(&send(frame(0x7E0, &[2, 0x10, 3])));
            assert_eq!(until(&mut port, frame_of), frame(0x7E8, &[4, 5]));
        }
    });
    assert_eq!(notes.iter().filter(|note| **note == PtyNote::Opened).count(), 2);
}

#[test]
fn an_adapter_tells_of_errors_and_of_a_bus_that_is_off() {
    let mut bus = bus();
    for _ in 0..32 {
        bus.plan(Planned { at: bus.now(), who: Who::Tester, strike: Strike::Destroy });
    }
    with_adapter(bus, |path| {
        let mut tester = Tester::open(path, 115_200);
        tester.send(b"S6\rO\r");
        assert_eq!(tester.read(2), b"\r\r");
        tester.send(b"t7E01AA\r");
        let told = "e1b\r".repeat(16) + "sp000128\r" + &"e1b\r".repeat(16) + "sb000256\r";
        let told = told.replace("256", "255");
        assert_eq!(String::from_utf8(tester.read(2 + told.len())).expect("ASCII"), format!("z\r{told}"));
    });
}

/// Runs the server while the test has clients; who came and went comes back.
fn with_server(test: impl FnOnce(&str)) -> Vec<ClientNote> {
    let mut server = SocketcandBus::open(bus(), "bench0", Clock::start()).expect("a port");
    let (address, stopper) = (server.address().to_string(), server.stopper());
    let thread = std::thread::spawn(move || {
        let mut notes = Vec::new();
        server.run(|_, note| notes.extend(note)).expect("it serves");
        notes
    });
    test(&address);
    stopper.stop();
    thread.join().expect("it ran")
}

#[test]
fn a_server_hands_frames_to_all_clients_and_sends_for_each() {
    let notes = with_server(|address| {
        let mut ours = SocketCand::open(address, "bench0").expect("a server with that bus");
        let mut other = SocketCand::open(address, "bench0").expect("a second client");
        ours.act(&send(frame(0x7E0, &[2, 0x10, 3])));
        assert_eq!(until(&mut ours, frame_of), frame(0x7E8, &[4, 5]), "its own frame does not come back");
        assert_eq!(until(&mut other, frame_of), frame(0x7E0, &[2, 0x10, 3]));
        assert_eq!(until(&mut other, frame_of), frame(0x7E8, &[4, 5]));
        drop(other);
        ours.act(&send(frame(0x7E0, &[])));
        assert_eq!(until(&mut ours, frame_of), frame(0x7E8, &[4, 5]));
    });
    assert_eq!(notes[..2], [ClientNote::Connected(1), ClientNote::Connected(2)]);
    assert!(notes.contains(&ClientNote::Gone(2)));
}

#[test]
fn a_server_knows_its_bus_by_name() {
    with_server(|address| {
        let error = SocketCand::open(address, "can7").expect_err("there is no such bus");
        assert!(error.to_string().contains("can7"), "{error}");
    });
}

#[test]
fn a_server_answers_any_text_and_serves_the_next_client() {
    with_server(|address| {
        let mut stream = TcpStream::connect(address).expect("it listens");
        let texts =
            ["< send 7E0 1 0 >", "< open bench0 >", "< rawmode >", "< send 800 1 0 >", "< send 7E0 9 0 >", "<>"];
        let mut answers: VecDeque<&str> =
            ["< hi >", "unknown", "< ok >", "< ok >", "syntax", "syntax", "unknown"].into();
        let mut heard = String::new();
        texts.iter().for_each(|text| stream.write_all(text.as_bytes()).expect("it reads"));
        while let Some(answer) = answers.front() {
            match heard.find(answer) {
                Some(place) => {
                    heard.drain(..place + answer.len());
                    answers.pop_front();
                }
                None => {
                    let mut buffer = [0; 64];
                    let read = stream.read(&mut buffer).expect("it writes");
                    assert!(read > 0, "{answer} did not come: {heard}");
                    heard.push_str(&String::from_utf8_lossy(&buffer[..read]));
                }
            }
        }
        drop(stream);
        let mut ours = SocketCand::open(address, "bench0").expect("it still serves");
        ours.act(&send(frame(0x7E0, &[1])));
        assert_eq!(until(&mut ours, frame_of), frame(0x7E8, &[4, 5]));
    });
}
