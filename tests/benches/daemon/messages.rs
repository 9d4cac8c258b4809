//! What an MQTT message costs the whole daemon, against a bare subscriber with a typed parse.

use crate::blaster::Blaster;
use crate::figures::{Figures, RUNS, heading, line, short_or};
use crate::plant;
use crate::process::{Watched, daemon, floor};
use kvarden::control::Request;
use rumqttc::{Client, Event, MqttOptions, Outgoing, Packet, QoS};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// Meters, each with a topic of its own; messages go round.
const METERS: usize = 400;
/// Messages prepared; they are sent again and again.
const PREPARED: usize = 20 * METERS;
/// How long a broker or a client may take to be ready.
const PATIENCE: Duration = Duration::from_secs(20);
/// Messages that may be on their way; with mosquitto's own 20 the waits between commits would be measured.
const IN_FLIGHT: u16 = 500;
/// The acknowledged sender rests after so many messages: some 5,000 a second, far more than a site has, and no flood.
const PIECE: usize = 50;
const PAUSE: Duration = Duration::from_millis(10);

/// Where a value stands in the payload, and what it is.
const MAP: &[(&str, &str)] = &[
    ("/v/l1n", "measurand = \"voltage_ln_v\", place = \"A\""),
    ("/v/l2n", "measurand = \"voltage_ln_v\", place = \"B\""),
    ("/v/l3n", "measurand = \"voltage_ln_v\", place = \"C\""),
    ("/v/l12", "measurand = \"voltage_ll_v\", place = \"AB\""),
    ("/v/l23", "measurand = \"voltage_ll_v\", place = \"BC\""),
    ("/v/l31", "measurand = \"voltage_ll_v\", place = \"CA\""),
    ("/i/l1", "measurand = \"current_a\", place = \"A\""),
    ("/i/l2", "measurand = \"current_a\", place = \"B\""),
    ("/i/l3", "measurand = \"current_a\", place = \"C\""),
    ("/i/n", "measurand = \"neutral_current_a\""),
    ("/p/l1", "measurand = \"power_w\", place = \"A\""),
    ("/p/l2", "measurand = \"power_w\", place = \"B\""),
    ("/p/l3", "measurand = \"power_w\", place = \"C\""),
    ("/p/tot", "measurand = \"power_w\""),
    ("/q/tot", "measurand = \"reactive_power_var\""),
    ("/pf", "measurand = \"power_factor\""),
    ("/f", "measurand = \"frequency_hz\""),
    ("/thd/v1", "measurand = \"voltage_thd_percent\", place = \"A\""),
    ("/thd/v2", "measurand = \"voltage_thd_percent\", place = \"B\""),
    ("/thd/v3", "measurand = \"voltage_thd_percent\", place = \"C\""),
    ("/temp/oil", "measurand = \"termination_c\", place = \"A\""),
    ("/temp/wind", "measurand = \"winding_c\", place = \"A\""),
    ("/temp/amb", "measurand = \"ambient_c\""),
];

/// Runs the section.
pub(crate) fn run() {
    let messages: Vec<(String, String)> = (0..PREPARED).map(|at| (topic(at % METERS), payload(at))).collect();
    from_blaster(&messages);
    from_mosquitto(&messages);
}

fn topic(meter: usize) -> String {
    format!("bench/{meter}/values")
}

/// Some 400 bytes, the shape of what metering gateways publish.
fn payload(at: usize) -> String {
    let (sin, cos) = (at as f64 * 0.001).sin_cos();
    format!(
        r#"{{"ts":{},"device":"feeder-{:04}","seq":{at},"v":{{"l1n":{:.2},"l2n":{:.2},"l3n":{:.2},"l12":208.13,"l23":208.92,"l31":207.86}},"i":{{"l1":{:.3},"l2":99.871,"l3":100.4,"n":3.21}},"p":{{"l1":11110.5,"l2":{:.1},"l3":11001.7,"tot":33092.3}},"q":{{"tot":4512.9}},"pf":0.9821,"f":{:.3},"thd":{{"v1":2.13,"v2":2.21,"v3":2.08}},"temp":{{"oil":41.5,"wind":72.3,"amb":18.9}},"ok":true,"e":1234567.891}}"#,
        1_790_000_000_000u64 + at as u64 * 1000,
        at % METERS,
        120.1 + sin,
        120.4 + cos,
        119.9 - sin,
        101.234 + sin,
        11_080.1 + cos,
        60.012 + sin / 100.0
    )
}

/// A site whose meters tell by MQTT, in a folder that goes with it.
fn site(port: u16) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let point = |(pointer, key): &(&str, &str)| {
        format!("[[point]]\npointer = \"{pointer}\"\n{}\n", key.replace(", ", "\n"))
    };
    let map: String = MAP.iter().map(point).collect();
    let source = |number: usize| format!("mqtt = {{ topic = \"{}\", map = \"map.toml\" }}", topic(number));
    let broker = format!("[broker]\naddress = \"127.0.0.1:{port}\"\n");
    let config = folder.path().join("kvarden.toml");
    std::fs::write(folder.path().join("map.toml"), map).expect("the folder is there");
    std::fs::write(&config, plant::config(METERS, ["10m", "1h"], source) + &broker)
        .expect("the folder is there");
    (folder, config)
}

/// µs a message over several bursts; each is over when the process rests.
fn measure(process: &Watched, count: u64, mut burst: impl FnMut()) -> Figures {
    let runs = (0..=RUNS).map(|_| {
        let used = process.cpu();
        burst();
        process.rests();
        process.cpu().saturating_sub(used).as_secs_f64() * 1e6 / count as f64
    });
    // The first one makes tables, files and memory.
    runs.collect::<Vec<_>>().into_iter().skip(1).collect()
}

/// What the daemon took of what was sent: if it is less, the figure is worth nothing.
fn taken(folder: &Path, sent: u64) -> String {
    let answer = kvarden::control::ask(&folder.join("data"), &Request::Status);
    let status = answer.ok().and_then(|answer| answer.status);
    let Some(status) = status else { return "the daemon gave no status".to_owned() };
    let refused: u64 = status.meters.iter().map(|meter| meter.refused).sum();
    format!("{} of {sent}, {refused} refused, {} not kept", status.readings, status.not_kept)
}

fn from_blaster(messages: &[(String, String)]) {
    let count: u64 = short_or(20_000, 100_000);
    heading(&format!(
        "messages: {count} at QoS 0 from a scripted sender, 23 values each, processor time, µs a message"
    ));
    let mut blaster = Blaster::start(messages);
    let (folder, config) = site(blaster.port());
    let log = folder.path().join("log");
    let bare = Watched::start(floor(&["subscriber", &blaster.port().to_string(), "0"]), &log);
    blaster.wait_for_topics(1, PATIENCE);
    let bare_us = measure(&bare, count, || blaster.send(count));
    drop(bare);
    line("floor: bare subscriber, typed parse", format!("{bare_us:.2} µs"));
    let whole = Watched::start(daemon(&config), &log);
    blaster.wait_for_topics(METERS, PATIENCE);
    let whole_us = measure(&whole, count, || blaster.send(count));
    line("the whole daemon", format!("{whole_us:.2} µs; RSS {:.1} MiB", whole.rss_mib()));
    line("messages taken by the daemon", taken(folder.path(), count * (RUNS as u64 + 1)));
    line("the whole daemon against the floor", whole_us.over(&bare_us));
}

fn from_mosquitto(messages: &[(String, String)]) {
    let count: u64 = short_or(4_000, 8_000);
    heading(&format!("messages: {count} at QoS 1 from mosquitto, processor time, µs a message"));
    let port = kvarden_tests::wait::free_port();
    let (folder, config) = site(port);
    let Some(_broker) = mosquitto(port, folder.path()) else {
        line("SKIPPED: there is no mosquitto on this machine", "apt-get install mosquitto");
        return;
    };
    let log = folder.path().join("log");
    let bare = Watched::start(floor(&["subscriber", &port.to_string(), "1"]), &log);
    std::thread::sleep(Duration::from_secs(1));
    let bare_us = measure(&bare, count, || publish(port, messages, count));
    drop(bare);
    line("floor: bare subscriber, typed parse", format!("{bare_us:.2} µs"));
    let whole = Watched::start(daemon(&config), &log);
    std::thread::sleep(Duration::from_secs(2));
    let whole_us = measure(&whole, count, || publish(port, messages, count));
    line("the whole daemon", format!("{whole_us:.2} µs"));
    line("messages taken by the daemon", taken(folder.path(), count * (RUNS as u64 + 1)));
    line("the whole daemon against the floor", whole_us.over(&bare_us));
    print!("{}", whole.log());
}

struct Broker(Child);

impl Drop for Broker {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn mosquitto(port: u16, folder: &Path) -> Option<Broker> {
    let config = folder.join("mosquitto.conf");
    let settings = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\nmax_queued_messages 0\nmax_inflight_messages {IN_FLIGHT}\n"
    );
    std::fs::write(&config, settings).expect("the folder is there");
    // Debian keeps daemons where a plain user does not look.
    let start = |program: &str| {
        let mut command = Command::new(program);
        command.arg("-c").arg(&config).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        command.spawn().ok()
    };
    let child = start("mosquitto").or_else(|| start("/usr/sbin/mosquitto"))?;
    kvarden_tests::wait::wait_for("mosquitto listens", PATIENCE, || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok()
    });
    Some(Broker(child))
}

/// Publishes and returns when the broker has acknowledged all.
fn publish(port: u16, messages: &[(String, String)], count: u64) {
    let mut options = MqttOptions::new("bench-sender", "127.0.0.1", port);
    options.set_inflight(IN_FLIGHT);
    let (client, mut connection) = Client::new(options, 64);
    let own: Vec<(String, String)> = messages
        .iter()
        .cycle()
        .take(count as usize)
        .map(|(topic, text)| (topic.clone(), text.clone()))
        .collect();
    let sender = std::thread::spawn(move || {
        for (nth, (topic, text)) in own.into_iter().enumerate() {
            if nth % PIECE == 0 {
                std::thread::sleep(PAUSE);
            }
            client.publish(topic, QoS::AtLeastOnce, false, text).expect("the connection is served below");
        }
        client
    });
    let mut acknowledged = 0;
    for event in connection.iter() {
        match event.expect("the broker is there") {
            Event::Incoming(Packet::PubAck(_)) => acknowledged += 1,
            Event::Outgoing(Outgoing::Disconnect) => break,
            _ => {}
        }
        if acknowledged == count {
            break;
        }
    }
    drop(sender.join().expect("the sender only publishes"));
}
