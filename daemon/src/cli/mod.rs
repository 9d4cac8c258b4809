//! The command line. Each command is one function that gives an exit status; nothing here judges anything.

mod commands;
mod keeping;
mod replay;

pub use replay::replay_files;

use crate::digest::Form;
use crate::look::Whom;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

/// Where the configuration of an installed daemon is.
const INSTALLED: &str = "/etc/kvarden/kvarden.toml";

/// Watches building transformers without pause: reads meters over Modbus TCP and MQTT, catches faults that come
/// and go, and tells the electrician.
///
/// Kvarden is no protective device. It reads only; it never switches and never writes to a meter.
#[derive(Debug, Parser)]
#[command(name = "kvarden", version, arg_required_else_help = true)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the daemon until it is told to stop (SIGTERM or Ctrl-C).
    #[command(after_help = "Example: kvarden run kvarden.toml")]
    Run {
        /// The configuration.
        config: PathBuf,
    },
    /// Let the running daemon read its configuration anew and take it in, without losing windows or alarms.
    ///
    /// If anything is wrong with it, nothing is changed, and all that is wrong is told. SIGHUP to the daemon does the same;
    /// what became of it then stands in the log and in `kvarden status`.
    #[command(after_help = "Example: kvarden reload --config kvarden.toml")]
    Reload {
        #[command(flatten)]
        which: Which,
    },
    /// Check a configuration: print the plan and each limit in force, or every problem at once.
    #[command(after_help = "Example: kvarden check kvarden.toml")]
    Check {
        /// The configuration.
        config: PathBuf,
    },
    /// Look at a Modbus TCP device that describes itself as SunSpec says: its models, its values now, and the line to
    /// write into the configuration. Asks reading questions only.
    #[command(after_help = "Example: kvarden look 192.0.2.20:502 --unit 1")]
    Look {
        /// Host and port of the device or of its gateway.
        #[arg(value_name = "HOST:PORT")]
        address: String,
        /// Its unit identifier.
        #[arg(long, default_value_t = 1)]
        unit: u8,
        /// The unit identifier that stands in its answers, where a gateway puts one of its own.
        #[arg(long, value_name = "UNIT")]
        answers_as: Option<u8>,
    },
    /// Judge logged CSV files as the running daemon would.
    ///
    /// FOLDER holds the files and columns.toml, which says what their columns mean. Without --json it prints each
    /// alert as it would have been told, then the digest of each day.
    #[command(
        after_help = "Example: kvarden replay kvarden.toml --from logs/november\n         kvarden replay kvarden.toml --from logs/november --json > alarms.jsonl"
    )]
    Replay {
        /// The configuration. Its meters need no source.
        config: PathBuf,
        /// The folder with the files and columns.toml.
        #[arg(long, value_name = "FOLDER")]
        from: PathBuf,
        /// One JSON object a line for each alarm, when it has cleared or at the end, and nothing else.
        #[arg(long)]
        json: bool,
        /// Also writes the digest of each day into this folder, as text, JSON and a page with charts.
        #[arg(long, value_name = "FOLDER", conflicts_with = "json")]
        digests: Option<PathBuf>,
    },
    /// Show open alerts, meters and channels of the running daemon.
    #[command(after_help = "Example: kvarden status\n         kvarden status --json")]
    Status {
        #[command(flatten)]
        which: Which,
        /// As one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Tell one alert in full: its cause with all the evidence, its time line, the readings around it, what to check next.
    ///
    /// Reads what is stored, also while the daemon runs. An alert that is closed is found by its code or id.
    #[command(
        after_help = "Example: kvarden explain 7KQ4MA\n         kvarden explain MP-3 --config kvarden.toml"
    )]
    Explain {
        /// The alert's code, its id, or a part of the id that only one open alert has.
        #[arg(value_name = "ALERT")]
        alert: String,
        #[command(flatten)]
        which: Which,
    },
    /// Say that you have seen an alert.
    #[command(
        after_help = "Example: kvarden acknowledge 7KQ4MA --by Ines\n         kvarden acknowledge MP-3 --by Ines"
    )]
    Acknowledge {
        #[command(flatten)]
        alert: Alert,
    },
    /// End a latched alert whose condition is gone, with a note of what was found and done.
    #[command(
        after_help = "Example: kvarden release 7KQ4MA --by Ines --note \"lug B of MP-3 remade by the licensed electrician, scanned at 60 % load\""
    )]
    Release {
        #[command(flatten)]
        alert: Alert,
        /// What was found and done.
        #[arg(long)]
        note: String,
    },
    /// Keep an alert quiet for a time; everything is still recorded.
    #[command(
        after_help = "Example: kvarden shelve 7KQ4MA --by Ines --hours 4 --reason \"repair planned for tonight\""
    )]
    Shelve {
        #[command(flatten)]
        alert: Alert,
        /// For how many hours, seven days at the most.
        #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u32).range(1..=168))]
        hours: u32,
        /// Why.
        #[arg(long)]
        reason: String,
        /// Say it a second time: an urgent over-temperature is not shelved without.
        #[arg(long)]
        confirmed: bool,
    },
    /// Begin planned work on a transformer or feeder, or end it: all is recorded, nobody is told except of what is urgent.
    ///
    /// What stands when the work ends is told then. Work that is known before stands in the configuration as [[work]].
    #[command(
        after_help = "Example: kvarden work T2 --for 4h --by Ines --why \"lugs of MP-3 remade, with MP-3 dead\"\n         kvarden work T2 --end --by Ines"
    )]
    Work {
        /// The transformer with all that it feeds, or the feeder with what is fed through it.
        #[arg(value_name = "NAME")]
        on: String,
        /// For how long, seven days at the most: `90m`, `4h`, `2d`.
        #[arg(long = "for", value_name = "SPAN", value_parser = seconds, required_unless_present = "end")]
        lasts: Option<u32>,
        /// What is done.
        #[arg(long, required_unless_present = "end")]
        why: Option<String>,
        /// End it now.
        #[arg(long, conflicts_with_all = ["lasts", "why"])]
        end: bool,
        /// Your name; it goes into the journal. Without it, the user who called, also through sudo.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        #[command(flatten)]
        which: Which,
    },
    /// End shelving early.
    #[command(after_help = "Example: kvarden unshelve 7KQ4MA --by Ines")]
    Unshelve {
        #[command(flatten)]
        alert: Alert,
    },
    /// Take what was learned of a healthy transformer as its own measure, or drop it to learn anew.
    #[command(
        after_help = "Example: kvarden calibration T2 --by Ines\n         kvarden calibration T2 --of connections --by Ines\n         kvarden calibration T2 --by Ines --drop"
    )]
    Calibration {
        /// The transformer's name.
        #[arg(value_name = "TRANSFORMER")]
        transformer: String,
        /// Your name; it goes into the journal. Without it, the user who called, also through sudo.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        #[command(flatten)]
        which: Which,
        /// Of what: its temperatures, or the resistances of its connections.
        #[arg(long, value_name = "WHAT", default_value = "heat")]
        of: crate::control::Learned,
        /// Drop it: the nameplate, or phase against phase, is the measure until a new one is learned and accepted.
        #[arg(long)]
        drop: bool,
    },
    /// Send a test message through the running daemon, and print what the other side said to it.
    ///
    /// Without --to and --channel it goes to everyone by every way. It takes the same outbox and the same courier as alerts.
    #[command(
        after_help = "Example: kvarden send-test --to Ines --by Tomas\n         kvarden send-test --channel mail --by Tomas"
    )]
    SendTest {
        /// Only to this person, as the configuration names him.
        #[arg(long, value_name = "PERSON")]
        to: Option<String>,
        /// Only by this channel: mail, webhook, command, mqtt, file or log.
        #[arg(long, value_name = "CHANNEL")]
        channel: Option<String>,
        /// Your name; it stands in the message. Without it, the user who called, also through sudo.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        #[command(flatten)]
        which: Which,
    },
    /// Print who is on duty in the coming weeks and how people are told of what: hand-overs, exceptions, who follows, quiet hours,
    /// and when the clocks change.
    #[command(
        name = "oncall",
        after_help = "Example: kvarden oncall kvarden.toml\n         kvarden oncall kvarden.toml --weeks 8 --at \"2026-12-21 07:00\""
    )]
    OnCall {
        /// The configuration.
        config: PathBuf,
        /// How many weeks.
        #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=104))]
        weeks: u32,
        /// From this local time on; without it, from now.
        #[arg(long, value_name = "YYYY-MM-DD HH:MM")]
        at: Option<String>,
    },
    /// Take an open alert's alarms out of service for planned work, or put them back.
    #[command(
        after_help = "Example: kvarden service 7KQ4MA --by Ines --reason \"meter is exchanged\"\n         kvarden service 7KQ4MA --by Ines --back"
    )]
    Service {
        #[command(flatten)]
        alert: Alert,
        /// Why they are taken out.
        #[arg(long, required_unless_present = "back")]
        reason: Option<String>,
        /// Put them back in service.
        #[arg(long)]
        back: bool,
    },
    /// Try other limits on what is stored: which alarms they would have brought, next to those that came.
    ///
    /// NEWFILE is a whole configuration. Most of the past is stored as minutes, so of what passed a limit within a minute it is
    /// said that it may have come; where readings around an alarm are stored, they decide. Nothing is changed.
    #[command(
        name = "try-limits",
        after_help = "Example: kvarden try-limits new.toml --since 30d\n         kvarden try-limits /tmp/new.toml --since 12h --config /etc/kvarden/kvarden.toml"
    )]
    TryLimits {
        /// The configuration with the limits to try.
        #[arg(value_name = "NEWFILE")]
        new: PathBuf,
        /// How far back: 12h, 30d, 4w.
        #[arg(long, value_name = "LENGTH", default_value = "30d", value_parser = keeping::length)]
        since: kvarden_core::time::Span,
        /// The configuration whose store holds the past; without it, that of NEWFILE.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
    },
    /// Print the digest of a day; any past day comes out the same again.
    #[command(
        after_help = "Example: kvarden digest kvarden.toml --date 2026-11-23\n         kvarden digest kvarden.toml --date 2026-11-23 --form html > day.html"
    )]
    Digest {
        /// The configuration.
        config: PathBuf,
        /// The local day; without it, yesterday.
        #[arg(long, value_name = "YYYY-MM-DD")]
        date: Option<jiff::civil::Date>,
        /// In which form.
        #[arg(long, value_enum, default_value_t = Form::Text)]
        form: Form,
        /// An earlier revision of the day; without it, the newest.
        #[arg(long, value_name = "NUMBER")]
        revision: Option<u32>,
    },
    /// Write what is stored of one meter as CSV to standard output.
    ///
    /// Each row has its time in the site's zone and in UTC. Of each quantity there are mean, least, largest, root of the
    /// mean square, and the share of the row's time that was measured; a cell is empty where nothing was measured.
    #[command(
        after_help = "Example: kvarden export kvarden.toml --meter \"T2 secondary\" --from 2026-11-23 --to 2026-11-24 > t2.csv\n         kvarden export kvarden.toml --meter MP-3 --from 2026-11-24T13:00 --to 2026-11-24T14:00 --every reading --quantity current_a.B > mp3.csv"
    )]
    Export {
        /// The configuration.
        config: PathBuf,
        #[command(flatten)]
        what: keeping::ExportArgs,
    },
    /// Copy the whole store into one file, also while the daemon runs.
    ///
    /// The copy is of one moment, and checked. Configuration and password files are not in it: keep them apart.
    #[command(after_help = "Example: kvarden backup kvarden.toml --to /mnt/backup/kvarden-2026-11-24.db")]
    Backup {
        /// The configuration.
        config: PathBuf,
        /// The new file; nothing is written over one that exists.
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Put a copy in the place of the present store, which is kept beside it. The daemon must not run.
    #[command(after_help = "Example: kvarden restore kvarden.toml --from /mnt/backup/kvarden-2026-11-24.db")]
    Restore {
        /// The configuration.
        config: PathBuf,
        /// The file that `kvarden backup` made.
        #[arg(long, value_name = "FILE")]
        from: PathBuf,
    },
    /// Look through the whole store for damage, also while the daemon runs.
    #[command(after_help = "Example: kvarden verify kvarden.toml")]
    Verify {
        /// The configuration.
        config: PathBuf,
    },
}

/// Which running daemon.
#[derive(Debug, Args)]
struct Which {
    /// The configuration of the running daemon.
    #[arg(long, value_name = "FILE", default_value = INSTALLED)]
    config: PathBuf,
}

/// Which alert, and who speaks.
#[derive(Debug, Args)]
struct Alert {
    /// The alert's code, its id, or a part of the id that only one open alert has.
    #[arg(value_name = "ALERT")]
    which_one: String,
    /// Your name; it goes into the journal. Without it, the user who called, also through sudo.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    #[command(flatten)]
    which: Which,
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    match cli.command {
        Command::Run { config } => commands::run(&config),
        Command::Reload { which } => commands::reload(&which.config),
        Command::Check { config } => commands::check(&config),
        Command::Look { address, unit, answers_as } => {
            commands::look(&Whom { address, unit, answers_as: answers_as.unwrap_or(unit) })
        }
        Command::Replay { config, from, json, digests } => {
            replay_files(&config, &from, json, digests.as_deref())
        }
        Command::Status { which, json } => commands::status(&which.config, json),
        Command::Explain { alert, which } => commands::explain(&which.config, &alert),
        Command::Acknowledge { alert } => {
            commands::steer(&alert, |alert, by| crate::control::Request::Acknowledge { alert, by })
        }
        Command::Release { alert, note } => {
            commands::steer(&alert, |alert, by| crate::control::Request::Release { alert, by, note })
        }
        Command::Shelve { alert, hours, reason, confirmed } => commands::steer(&alert, |alert, by| {
            crate::control::Request::Shelve { alert, by, seconds: hours * 3600, reason, confirmed }
        }),
        Command::Work { on, lasts, why, by, which, .. } => {
            let meant = Alert { which_one: on, by, which };
            commands::steer(&meant, |on, by| match (lasts, why) {
                (Some(seconds), Some(why)) => crate::control::Request::BeginWork { on, by, seconds, why },
                _ => crate::control::Request::EndWork { on, by },
            })
        }
        Command::Unshelve { alert } => {
            commands::steer(&alert, |alert, by| crate::control::Request::Unshelve { alert, by })
        }
        Command::Service { alert, back, reason } => commands::steer(&alert, |alert, by| {
            let reason = reason.unwrap_or_default();
            crate::control::Request::Service { alert, by, on: back, reason }
        }),
        Command::Calibration { transformer, by, which, of, drop } => {
            let meant = Alert { which_one: transformer, by, which };
            commands::steer(&meant, |transformer, by| crate::control::Request::Calibration {
                transformer,
                by,
                accept: !drop,
                of,
            })
        }
        Command::SendTest { to, channel, by, which } => {
            let meant = Alert { which_one: String::new(), by, which };
            commands::steer(&meant, |_, by| crate::control::Request::SendTest { to, channel, by })
        }
        Command::TryLimits { new, since, config } => keeping::try_limits(&new, since, config.as_deref()),
        Command::OnCall { config, weeks, at } => commands::on_call(&config, weeks, at.as_deref()),
        Command::Export { config, what } => keeping::export_rows(&config, what),
        Command::Backup { config, to } => keeping::back_up(&config, &to),
        Command::Restore { config, from } => keeping::restore(&config, &from),
        Command::Verify { config } => keeping::verify(&config),
        Command::Digest { config, date, form, revision } => commands::digest(&config, date, form, revision),
    }
}

/// `90m`, `4h` or `2d` in seconds.
fn seconds(text: &str) -> Result<u32, String> {
    let unit = |letter| match letter {
        'm' => Some(60),
        'h' => Some(3600),
        'd' => Some(24 * 3600),
        _ => None,
    };
    let parsed = text.char_indices().last().and_then(|(end, letter)| {
        let number: u32 = text[..end].parse().ok()?;
        number.checked_mul(unit(letter)?)
    });
    parsed.filter(|seconds| *seconds > 0).ok_or_else(|| "write a number and m, h or d, such as 4h".to_owned())
}
