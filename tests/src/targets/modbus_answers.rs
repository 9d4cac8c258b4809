//! Bytes as what a server sends, through the real client over an in-memory pipe: whatever comes, a poll ends, and only
//! a whole answer to its own question is a value.

use kvarden::acquire::{Fault, Line, Parsed, Question};
use kvarden::world::{Dial, Here, Wire};
use kvarden_config::Registers;
use std::io;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};
use tokio::time::timeout;

/// The client numbers its questions from 1 on.
const FIRST: u16 = 1;
const DEADLINE: Duration = Duration::from_millis(500);
/// A poll with a question that is asked twice, each with its connection.
const LONGEST: Duration = Duration::from_secs(10);

/// The first byte says which question is asked, the rest is what the server sends, in pieces.
pub(super) fn run(bytes: &[u8]) {
    let Some((kind, answer)) = bytes.split_first() else { return };
    let (registers, count) = match kind % 4 {
        0 => (Registers::Coils, 19),
        1 => (Registers::DiscreteInputs, 8),
        2 => (Registers::Holding, 3),
        _ => (Registers::Input, 125),
    };
    let question = Question { unit: 17, answers_as: 17, registers, address: 107, count };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    let runtime = runtime.expect("a runtime without sockets can be built");
    let mut values = [0xEEEE; 125];
    let result = tokio::task::LocalSet::new().block_on(&runtime, async {
        let mut line = Line::new(Rc::new(Server { sends: answer.to_vec() }), "192.0.2.20:502");
        timeout(LONGEST, line.ask(question, DEADLINE, &mut values)).await.expect("every question ends")
    });
    // The same bytes at once, put to the rule alone.
    let mut expected = [0xEEEE; 125];
    let parsed = question.parse(FIRST, answer, &mut expected);
    match result {
        Ok(_) => {
            assert!(matches!(parsed, Parsed::Values | Parsed::Misfit(_)), "{parsed:?}");
            if parsed == Parsed::Values {
                assert_eq!(values, expected);
            }
        }
        Err(Fault::Exception(code)) => assert!(answer.get(8) == Some(&code)),
        Err(_) => {
            assert!(values.iter().all(|value| *value == 0xEEEE), "nothing is written without an answer");
        }
    }
}

/// Sends the same to everyone, in small pieces, and then says nothing more.
struct Server {
    sends: Vec<u8>,
}

impl Dial for Server {
    fn dial<'a>(&'a self, _address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        let sends = self.sends.clone();
        Box::pin(async move {
            let (ours, mut theirs) = duplex(64);
            tokio::task::spawn_local(async move {
                let mut question = [0; 12];
                // It ends when the client is gone.
                let _ = theirs.read_exact(&mut question).await;
                let _ = theirs.write_all(&sends).await;
                tokio::time::sleep(LONGEST).await;
            });
            Ok(Box::new(ours) as Box<dyn Wire>)
        })
    }
}
