//! The scored suite of the diagnosis: simulated scenarios through the monitor, and how well it told them.

use clap::Parser;
use kvarden_demo::trial::meters::Kind;
use kvarden_tests::score::{Choice, FIRST_REPORTING_SEED, Figures, Heard, Seeds, run, table};
use std::process::ExitCode;

/// Runs simulated scenarios of every cause, of healthy days, of pairs and of meters that lie, and prints how they were told.
///
/// Seeds from 1 are for tuning: look at them while you change a judge. Seeds from 1000000 are for reporting (--reporting):
/// figures that are published come from them, and no judge is changed by looking at them.
#[derive(Debug, Parser)]
#[command(
    name = "score",
    after_help = "Example: score --seeds 20 --reporting\n         score --from 4 --seeds 3 --only loose --meters full --wrong"
)]
struct Arguments {
    /// So many seeds of each scenario.
    #[arg(long, default_value_t = 3)]
    seeds: u64,
    /// Begins at this one of the seeds: 1 is the first.
    #[arg(long, default_value_t = 1)]
    from: u64,
    /// The seeds for reporting.
    #[arg(long)]
    reporting: bool,
    /// Only these meters: full, no-angles, no-harmonics, no-terminations, slow. Without it all of them.
    #[arg(long)]
    meters: Option<String>,
    /// Only scenarios whose name begins with this.
    #[arg(long, default_value = "")]
    only: String,
    /// Lists each scenario that was told otherwise than it is.
    #[arg(long)]
    wrong: bool,
    /// So many scenarios at a time.
    #[arg(long, default_value_t = 2)]
    threads: usize,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match score(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("score: {error}");
            ExitCode::FAILURE
        }
    }
}

fn score(arguments: &Arguments) -> Result<(), String> {
    let kinds = match &arguments.meters {
        None => Kind::ALL.to_vec(),
        Some(word) => vec![Kind::named(word).ok_or_else(|| format!("no meters are called \"{word}\""))?],
    };
    if arguments.from.saturating_add(arguments.seeds) > FIRST_REPORTING_SEED {
        return Err("so many seeds for tuning would reach those for reporting".to_owned());
    }
    let which = if arguments.reporting { Seeds::Reporting } else { Seeds::Tuning };
    let choice = Choice {
        only: arguments.only.clone(),
        from: arguments.from.max(1),
        seeds: arguments.seeds,
        which,
        kinds: kinds.clone(),
        threads: arguments.threads,
    };
    let heard = run(&choice)?;
    for kind in &kinds {
        let of_kind = heard.iter().filter(|heard| heard.kind == *kind);
        println!("{}", table(&format!("meters: {}", kind.key()), &Figures::of(of_kind)));
    }
    if arguments.wrong {
        heard.iter().for_each(list);
    }
    Ok(())
}

/// A scenario of which something was missed, wrong or elsewhere.
fn list(heard: &Heard) {
    let figures = Figures::of([heard]);
    let all_right = figures.beside == 0
        && figures.healthy.0 == 0
        && figures.events.0 == figures.events.1
        && figures.wrong_events == 0
        && figures.classes.values().all(|class| class.missed == 0)
        && figures.feeders.0 == figures.feeders.1;
    if all_right {
        return;
    }
    println!("\n{} with {} meters (plant {})", heard.name, heard.kind.key(), heard.seed);
    for truth in &heard.truths {
        println!(
            "  true: {}/{} feeder {:?} phase {:?} from {} hidden {:?}",
            truth.cause, truth.variant, truth.feeder, truth.phase, truth.from, truth.hidden
        );
    }
    for told in &heard.told {
        println!(
            "  told: {}/{} {} feeder {:?} phase {:?} at {} ended {:?} confidence {:.2}",
            told.cause,
            told.variant,
            told.transformer,
            told.feeder,
            told.phase,
            told.raised,
            told.ended,
            told.confidence
        );
        println!("        {}", told.proof);
    }
}
