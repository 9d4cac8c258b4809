//! Benchmarks of the whole daemon as a process, each against a floor taken in the same run.
//!
//! `cargo bench -p kvarden-tests` runs all of them; `-- polls` (or another part of a section's name) runs one;
//! `KVARDEN_BENCH=short` takes about a minute. Nothing is asserted: the figures are for people.

mod blaster;
mod files;
mod messages;
mod meters;
mod polls;
mod process;

#[path = "../shared/figures.rs"]
mod figures;
#[path = "../../floors/mod.rs"]
mod floors;
#[path = "../shared/plant.rs"]
mod plant;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if let Some(("floor", floor)) = words.split_first().map(|(first, rest)| (first.as_str(), rest)) {
        floors::run(floor);
        return;
    }
    process::raise_file_limit();
    println!("the daemon as a process: median [least–largest] of {} runs", figures::RUNS);
    polls::run();
    if figures::is_wanted("messages") {
        messages::run();
    }
    if figures::is_wanted("replay") {
        files::run();
    }
}
