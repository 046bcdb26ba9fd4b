//! A server's address that stays while the way to the server is cut.

use std::io;
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;

/// Carries bytes between whoever connects and a server. Its thread ends with the process.
pub(super) struct Relay {
    pub(super) address: SocketAddr,
    is_up: Arc<AtomicBool>,
    ends: Arc<Mutex<Vec<TcpStream>>>,
}

impl Relay {
    pub(super) fn to(server: SocketAddr) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let address = listener.local_addr().expect("it is bound");
        let (is_up, ends) = (Arc::new(AtomicBool::new(true)), Arc::new(Mutex::new(Vec::new())));
        let (up, kept) = (Arc::clone(&is_up), Arc::clone(&ends));
        thread::spawn(move || {
            // Whoever comes while it is down is hung up on.
            for client in listener.incoming().flatten().filter(|_| up.load(Ordering::Acquire)) {
                let server = TcpStream::connect(server).expect("the server is there all the time");
                kept.lock().expect("no panic").extend([clone(&client), clone(&server)]);
                carry(clone(&client), clone(&server));
                carry(server, client);
            }
        });
        Self { address, is_up, ends }
    }

    pub(super) fn cut(&self) {
        self.is_up.store(false, Ordering::Release);
        for end in self.ends.lock().expect("no panic").drain(..) {
            // One side may have hung up by itself.
            let _ = end.shutdown(Shutdown::Both);
        }
    }

    pub(super) fn restore(&self) {
        self.is_up.store(true, Ordering::Release);
    }
}

fn clone(stream: &TcpStream) -> TcpStream {
    stream.set_nodelay(true).and_then(|()| stream.try_clone()).expect("a socket")
}

fn carry(mut from: TcpStream, mut to: TcpStream) {
    thread::spawn(move || {
        let _ = io::copy(&mut from, &mut to);
        let _ = to.shutdown(Shutdown::Both);
    });
}
