//! The smallest stand-in for a broker: answers one client after another, and on request writes prepared messages to
//! the present one as fast as it takes them.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Written at a stretch.
const PIECE: usize = 512 * 1024;

#[derive(Debug, Default)]
struct Client {
    stream: Option<TcpStream>,
    topics: usize,
}

/// The stand-in.
#[derive(Debug)]
pub(crate) struct Blaster {
    port: u16,
    client: Arc<Mutex<Client>>,
    packets: Vec<Vec<u8>>,
    next: usize,
}

impl Blaster {
    /// Listens on a free port; `messages` are topics and payloads, sent in this order, round and round.
    pub(crate) fn start(messages: &[(String, String)]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("the loopback has free ports");
        let port = listener.local_addr().expect("a bound listener has an address").port();
        let client = Arc::new(Mutex::new(Client::default()));
        let present = Arc::clone(&client);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                // It ends with its client.
                let _ = serve(stream, &present);
                *present.lock().unwrap_or_else(PoisonError::into_inner) = Client::default();
            }
        });
        Self { port, client, packets: messages.iter().map(packet).collect(), next: 0 }
    }

    /// Its port.
    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// Waits until the present client has subscribed to so many topics.
    pub(crate) fn wait_for_topics(&self, topics: usize, within: Duration) {
        kvarden_tests::wait::wait_for("the client subscribes", within, || {
            (self.client.lock().unwrap_or_else(PoisonError::into_inner).topics >= topics).then_some(())
        });
    }

    /// Writes so many messages to the present client; returns when they are written.
    pub(crate) fn send(&mut self, count: u64) {
        let stream = self
            .client
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .stream
            .as_ref()
            .map(TcpStream::try_clone);
        let Some(Ok(mut stream)) = stream else { panic!("no client is connected") };
        let mut piece = Vec::with_capacity(2 * PIECE);
        for _ in 0..count {
            piece.extend(&self.packets[self.next]);
            self.next = (self.next + 1) % self.packets.len();
            if piece.len() > PIECE {
                stream.write_all(&piece).expect("the client is there");
                piece.clear();
            }
        }
        stream.write_all(&piece).expect("the client is there");
    }
}

/// A message as its packet, without acknowledgement.
fn packet((topic, payload): &(String, String)) -> Vec<u8> {
    let mut packet = vec![0x30];
    let mut rest = 2 + topic.len() + payload.len();
    loop {
        let more = rest > 127;
        packet.push((rest % 128) as u8 | if more { 0x80 } else { 0 });
        rest /= 128;
        if !more {
            break;
        }
    }
    packet.extend((topic.len() as u16).to_be_bytes());
    packet.extend(topic.as_bytes());
    packet.extend(payload.as_bytes());
    packet
}

fn serve(mut stream: TcpStream, client: &Mutex<Client>) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    loop {
        let (kind, body) = read_packet(&mut stream)?;
        let mut client = client.lock().unwrap_or_else(PoisonError::into_inner);
        match kind >> 4 {
            1 => {
                stream.write_all(&[0x20, 2, 0, 0])?;
                client.stream = Some(stream.try_clone()?);
            }
            8 => {
                let topics = filters(&body);
                let mut answer = vec![0x90, (2 + topics) as u8];
                answer.extend(&body[..2]);
                answer.resize(answer.len() + topics, 0);
                stream.write_all(&answer)?;
                client.topics += topics;
            }
            12 => stream.write_all(&[0xD0, 0])?,
            _ => {}
        }
    }
}

/// How many topics a SUBSCRIBE names.
fn filters(body: &[u8]) -> usize {
    let (mut at, mut count) = (2, 0);
    while at + 2 <= body.len() {
        at += 3 + usize::from(u16::from_be_bytes([body[at], body[at + 1]]));
        count += 1;
    }
    count
}

fn read_packet(stream: &mut TcpStream) -> std::io::Result<(u8, Vec<u8>)> {
    let mut byte = [0u8];
    stream.read_exact(&mut byte)?;
    let kind = byte[0];
    let (mut length, mut shift) = (0usize, 0);
    loop {
        stream.read_exact(&mut byte)?;
        length |= usize::from(byte[0] & 0x7F) << shift;
        shift += 7;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body)?;
    Ok((kind, body))
}
