//! Bytes as the registers of a device, from one of the standard's addresses on, looked at as `kvarden look` does: the
//! look ends, and whatever stands there every value is a finite number or absent.

use kvarden::acquire::{Line, survey};
use kvarden::world::{Dial, Here, Wire};
use kvarden_config::MOST_MODELS;
use std::io;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::timeout;

/// Longer than a look at the longest list of models can take here.
const LONGEST: Duration = Duration::from_mins(10);

/// The first byte says where the device's registers begin, the rest is the registers, high byte first.
pub(super) fn run(bytes: &[u8]) {
    let Some((kind, bytes)) = bytes.split_first() else { return };
    let base = [40_000, 50_000, 0, 39_999][usize::from(kind % 4)];
    let registers = bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    let runtime = runtime.expect("a runtime without sockets can be built");
    let found = tokio::task::LocalSet::new().block_on(&runtime, async {
        let device = Rc::new(Device { base, registers });
        let mut line = Line::new(Rc::new(Door(device)), "192.0.2.20:502");
        timeout(LONGEST, survey(&mut line, (1, 1), Duration::from_secs(1))).await.expect("every look ends")
    });
    // A model whose length is a lie makes the device refuse: that ends the look with a reason.
    let Ok(survey) = found else { return };
    assert!(survey.models.len() <= usize::from(MOST_MODELS));
    for meter in &survey.meters {
        assert!(meter.values.iter().filter_map(|(.., value)| *value).all(f64::is_finite));
    }
    for maker in survey.makers {
        assert!(
            maker.says.iter().all(|part| part.chars().all(|char| char == ' ' || char.is_ascii_graphic()))
        );
    }
}

struct Device {
    base: u16,
    registers: Vec<u16>,
}

impl Device {
    async fn serve(self: Rc<Self>, mut stream: DuplexStream) -> io::Result<()> {
        loop {
            let mut question = [0; 12];
            stream.read_exact(&mut question).await?;
            let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
            let (address, count) = (word(8), usize::from(word(10)));
            let from = address.checked_sub(self.base).map(usize::from);
            let mut frame = vec![question[0], question[1], 0, 0];
            match from.and_then(|from| self.registers.get(from..from + count)) {
                Some(words) => {
                    frame.extend((3 + 2 * count as u16).to_be_bytes());
                    frame.extend([question[6], question[7], 2 * count as u8]);
                    frame.extend(words.iter().flat_map(|word| word.to_be_bytes()));
                }
                None => frame.extend([0, 3, question[6], question[7] | 0x80, 2]),
            }
            stream.write_all(&frame).await?;
        }
    }
}

struct Door(Rc<Device>);

impl Dial for Door {
    fn dial<'a>(&'a self, _address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        let device = Rc::clone(&self.0);
        Box::pin(async move {
            let (ours, theirs) = duplex(512);
            // A connection ends when the client is gone.
            tokio::task::spawn_local(async move { device.serve(theirs).await.ok() });
            Ok(Box::new(ours) as Box<dyn Wire>)
        })
    }
}
