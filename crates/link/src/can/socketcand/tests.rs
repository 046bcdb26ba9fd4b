//! The port on loopback; a thread is the server.

use std::net::TcpListener;
use std::sync::mpsc::{self, Receiver, Sender};
use std::thread;

use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::Tag as ActTag;

use super::*;

const LONG: Duration = Duration::from_secs(20);

/// A server that answers the opening words as it is told to, then says what the test has it say.
struct Server {
    host: String,
    says: Sender<&'static str>,
    told: Receiver<String>,
}

impl Server {
    fn new(greeting: &'static str, open: &'static str) -> Self {
        Self::on(TcpListener::bind("127.0.0.1:0").unwrap(), greeting, open)
    }

    /// Serves one client at a time; an empty text has it hang up.
    fn on(listener: TcpListener, greeting: &'static str, open: &'static str) -> Self {
        let host = listener.local_addr().unwrap().to_string();
        let (says, to_say) = mpsc::channel::<&str>();
        let (tell, told) = mpsc::channel();
        thread::spawn(move || {
            while let Ok((stream, _)) = listener.accept() {
                let mut speaker = stream.try_clone().unwrap();
                let _ = speaker.write_all(greeting.as_bytes());
                let tell = tell.clone();
                let mut answers = stream.try_clone().unwrap();
                thread::spawn(move || {
                    let (mut stream, mut byte, mut text) = (stream, [0], String::new());
                    while matches!(stream.read(&mut byte), Ok(1)) {
                        text.push(byte[0].into());
                        if byte[0] != b'>' {
                            continue;
                        }
                        let said = std::mem::take(&mut text);
                        let answer = if said.contains("open") { open } else { "< ok >" };
                        if !said.contains("send") {
                            let _ = answers.write_all(answer.as_bytes());
                        }
                        if tell.send(said).is_err() {
                            break;
                        }
                    }
                });
                while let Ok(text) = to_say.recv() {
                    if text.is_empty() || speaker.write_all(text.as_bytes()).is_err() {
                        let _ = speaker.shutdown(std::net::Shutdown::Both);
                        break;
                    }
                }
            }
        });
        Self { host, says, told }
    }

    fn port(&self) -> Result<SocketCand, OpenError> {
        SocketCand::open(&self.host, "can0")
    }
}

fn next(port: &mut SocketCand) -> Woke {
    let until = port.now().after(LONG);
    port.wait(Some(until), &mut [0; 256])
}

fn frame(id: u16, data: &[u8]) -> Frame {
    Frame::classic(Id::Standard(id), data).unwrap()
}

fn transmit(frame: Frame) -> Act {
    Act::Transmit { tag: ActTag(7), wire: Wire::Frame(frame) }
}

#[test]
fn a_bus_is_opened_and_frames_pass_both_ways() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    let said: Vec<_> = (0..2).map(|_| server.told.recv_timeout(LONG).unwrap()).collect();
    assert_eq!(said, ["< open can0 >", "< rawmode >"]);
    server.says.send("< frame 7E8 1.000000 034100 >< frame 18DAF110 1.000001 >").unwrap();
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x7E8, &[3, 0x41, 0])));
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard.id == Id::Extended(0x18DA_F110)));
    let sent = port.act(&transmit(frame(0x7E0, &[0x02, 0x01, 0x0C])));
    assert!(matches!(sent, Some(Input::Sent { tag: ActTag(7), known: Known::Computed, .. })));
    assert_eq!(server.told.recv_timeout(LONG).unwrap(), "< send 7E0 3 2 1 C >");
    assert_eq!(
        port.description().to_string().split(" (").next().unwrap(),
        format!("remote CAN bus can0 at {}", server.host)
    );
}

#[test]
fn frames_in_pieces_and_other_words_between_them_are_read() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    for piece in ["noise < stat 1 2 3 >< fra", "me 123 2.0 ", "AA >", "< frame 12", "3 2.1 BB >"] {
        server.says.send(piece).unwrap();
    }
    for byte in [0xAA, 0xBB] {
        assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x123, &[byte])));
    }
}

#[test]
fn only_wanted_frames_are_handed_in() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    port.filter(&[Filter::only(Id::Standard(0x123))]);
    server.says.send("< frame 124 1.0 >< frame 00000123 1.0 >< frame 123 1.0 AA >").unwrap();
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x123, &[0xAA])));
}

#[test]
fn the_bit_rate_of_a_remote_bus_is_not_claimed() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    let speed = Act::Speed(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: false });
    assert!(matches!(port.act(&speed), Some(Input::SpeedIs { got: None, .. })));
}

#[test]
fn what_goes_wrong_in_opening_is_one_sentence_each() {
    let refused = Server::new("< hi >", "< error no such interface >");
    assert_eq!(
        refused.port().unwrap_err().to_string(),
        format!("{} does not open bus can0: \"no such interface\"; ask there which buses it serves", refused.host)
    );
    let other = Server::new("220 mail is served here\r\n", "");
    other.says.send("").unwrap();
    assert_eq!(
        other.port().unwrap_err().to_string(),
        format!(
            "{} does not answer as a socketcand server: < hi > or < ok > was expected, \
             \"220 mail is served here\\r\\n\" came",
            other.host
        )
    );
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let error = SocketCand::open(free.to_string(), "can0").unwrap_err().to_string();
    assert!(error.starts_with(&format!("no connection to {free}: ")), "{error}");
    assert!(error.ends_with("look whether the server runs there and the port is right"), "{error}");
}

#[test]
fn a_server_that_hangs_up_is_lost_until_the_bus_is_opened_again() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    server.says.send("< frame 123 1.0 AA >").unwrap();
    server.says.send("").unwrap();
    assert!(matches!(next(&mut port), Woke::Frame { .. }), "what came before the end is handed in");
    for _ in 0..2 {
        assert!(matches!(next(&mut port), Woke::Lost { cause: Lost::Gone, .. }));
    }
    assert!(matches!(port.act(&transmit(frame(1, &[]))), Some(Input::Lost { cause: Lost::Gone, .. })));
    port.reopen().unwrap();
    server.says.send("< frame 123 2.0 BB >").unwrap();
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x123, &[0xBB])));
}

#[test]
fn a_deadline_is_never_early_and_a_command_wakes() {
    let server = Server::new("< hi >", "< ok >");
    let mut port = server.port().unwrap();
    let until = port.now().after(Duration::from_millis(3));
    assert!(matches!(port.wait(Some(until), &mut [0; 256]), Woke::Deadline { now } if now >= until));
    port.waker().wake();
    assert_eq!(next(&mut port), Woke::Command);
}
