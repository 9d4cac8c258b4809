//! Second act: the living site, the broker, the meters and the whole daemon in this one process.

use super::{DemoError, Plan, heading, narrator};
use kvarden_config::Configuration;
use kvarden_demo::broker::Broker;
use kvarden_demo::config_text::{Sources, write_configuration};
use kvarden_demo::live::Live;
use kvarden_demo::modbus::ModbusServer;
use kvarden_demo::mqtt::Publisher;
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::mpsc;
use std::time::Duration;

/// The first fault begins so long after the start, and the next ones every so often; each lasts so long.
const FIRST_FAULT_MS: i64 = 4_000;
const FAULT_EVERY_MS: i64 = 120_000;
const FAULT_LASTS_MS: i64 = 36_000;
/// Faults of one demonstration: more than a day of them.
const FAULTS: i64 = 1_000;

/// How people are told, and where things are kept. The limits are those that every site gets.
const SETTINGS: &str = r#"[tell]
file = "alerts.jsonl"
heartbeat = "10s"

[store]
folder = "data"
"#;

/// What the servers' thread tells when all is up.
struct Up {
    config: PathBuf,
    modbus: SocketAddr,
    broker: SocketAddr,
}

/// Starts everything and returns when the time is over or Ctrl-C was pressed.
pub(super) fn show(plan: &Plan) -> Result<(), DemoError> {
    heading("Now the cannery lives: Modbus TCP and MQTT, a loose phase B on MP-3 that comes and goes");
    let (tell, up) = mpsc::channel();
    let servers = plan.clone();
    let simulator =
        std::thread::Builder::new().name("cannery".to_owned()).spawn(move || serve(&servers, &tell))?;
    let Ok(up) = up.recv() else {
        return match simulator.join() {
            Ok(Err(error)) => Err(error),
            _ => Err(std::io::Error::other("the simulated site could not be started").into()),
        };
    };
    let configuration = configuration(&up.config)?;
    println!("Meters of T2: Modbus TCP on {}; all others: MQTT on {}.", up.modbus, up.broker);
    println!("Each alert as it is told:\n");
    let folder = plan.folder.join("live");
    narrator::start(&folder, &up.config, plan.acknowledges)?;
    let seconds = plan.seconds;
    kvarden::run::run_in_real_world(configuration, None, async move {
        let ctrl_c = tokio::signal::ctrl_c();
        match seconds {
            Some(seconds) => {
                let _ = tokio::time::timeout(Duration::from_secs(seconds), ctrl_c).await;
            }
            None => {
                let _ = ctrl_c.await;
            }
        }
    })
    .map_err(DemoError::Daemon)?;
    narrator::where_everything_lies(plan, &up.config);
    Ok(())
}

fn configuration(path: &std::path::Path) -> Result<Configuration, DemoError> {
    let (configuration, problems) = kvarden_config::load(path);
    match configuration {
        Some(configuration) if problems.is_empty() => Ok(configuration),
        _ => Err(DemoError::Configuration(kvarden_config::render(&problems))),
    }
}

/// Site, broker, Modbus server and publisher on a runtime of their own, until the process ends.
fn serve(plan: &Plan, up: &mpsc::Sender<Up>) -> Result<(), DemoError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let any_port = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let now = jiff::Timestamp::now().as_millisecond();
        let faults = (0..FAULTS).map(|number| {
            let from = now + FIRST_FAULT_MS + number * FAULT_EVERY_MS;
            Scenario::between(from, from + FAULT_LASTS_MS, Fault::LoosePhase { every_s: 12 })
        });
        let live = Live::start(Site::new(plan.seed, now, Working::MidShift, faults.collect()), 1);
        let broker = Broker::start(any_port).await?;
        let modbus = ModbusServer::start(any_port, live.watch()).await?;
        let _publisher = Publisher::start(broker.address(), live.watch());
        let sources = Sources::Live { modbus: modbus.address(), broker: broker.address() };
        let config = write_configuration(&plan.folder.join("live"), sources, SETTINGS)?;
        // The other side waits for this and for nothing else; if it is gone, the process ends.
        let _ = up.send(Up { config, modbus: modbus.address(), broker: broker.address() });
        std::future::pending::<()>().await;
        Ok(())
    })
}
