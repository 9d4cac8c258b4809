//! Runs a part of a story of the simulated daemon in a process of its own: `simulate FOLDER STORY SEED FROM TO`, the last
//! two in seconds of the story. Prints the hash of everything that came out so far.

use kvarden_tests::simulated::{Ledger, simulate};
use kvarden_tests::story::Story;
use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    if std::env::var_os("KVARDEN_LOG").is_some() {
        kvarden::start_logging();
    }
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [folder, story, seed, from, to] = words.as_slice() else {
        return Err("simulate FOLDER STORY SEED FROM TO".into());
    };
    let (folder, story) =
        (Path::new(folder), Story::named(story).ok_or("the stories are day and quarter-hour")?);
    simulate(folder, story, seed.parse()?, from.parse()?, to.parse()?)?;
    println!("{:016x}", Ledger::of(folder)?.hash());
    Ok(())
}
