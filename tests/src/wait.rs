//! Waiting for what comes in its own time, and running what must end in a bounded one; free ports; seeded chance.

use std::net::TcpListener;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Looks again and again until there is something; fails with `what` when time is over.
pub fn wait_for<T>(what: &str, within: Duration, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < within, "not within {} s: {what}", within.as_secs());
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Runs a command to its end and takes what it wrote.
pub fn run_to_end(command: &mut Command) -> Output {
    let program = command.get_program().to_owned();
    match command.stdin(Stdio::null()).output() {
        Ok(output) => output,
        Err(error) => panic!("{} can't be run: {error}", program.display()),
    }
}

/// A port of the loopback that was free a moment ago.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("the loopback has free ports");
    listener.local_addr().expect("a bound listener has an address").port()
}

/// Chance from a seed (splitmix64), so that a run can be made again.
#[derive(Debug, Clone)]
pub struct Chance(pub u64);

impl Chance {
    /// The next number.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A whole number below `most`.
    pub fn below(&mut self, most: u64) -> u64 {
        self.number() % most.max(1)
    }

    /// A number from 0 up to, not including, 1.
    pub fn share(&mut self) -> f64 {
        (self.number() >> 11) as f64 / (1u64 << 53) as f64
    }
}
