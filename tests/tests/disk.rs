//! The real binary on a volume of 8 MB that is full: before the start, and while it runs. It polls, alerts from memory,
//! and recovers by itself.
//!
//! Needs the right to mount (root in CI, or a user namespace); where it lacks, the test says so loudly and ends.
//! Both were seen to fail without the store in memory (the end of the alarm was never told), and without the way back to the
//! disk. The start was seen to fail before an empty file left by the failed opening was taken away. That the reserve gives its
//! place was seen to fail without `give` in `Store::apply`.

use kvarden::status::Status;
use kvarden::store::RESERVE;
use kvarden_tests::faked_clock::environment;
use kvarden_tests::missing::not_tested;
use kvarden_tests::program::{PATIENCE, kvarden, signal, text};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Whether a volume can be mounted in a namespace of its own.
fn may_mount() -> bool {
    let probe = Command::new("unshare").args(["-m", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]).output();
    let may = probe.is_ok_and(|output| output.status.success());
    if !may {
        not_tested("this user may not mount a volume (unshare -m); run it as root to test full disks");
    }
    may
}

/// Bytes of the store: more than the volume has.
const BYTES: &str = "max_bytes = \"16 MiB\"";

/// So long a look at the room of the disk may take: once a minute, on a busy machine.
const A_LOOK: Duration = Duration::from_mins(3);

/// A daemon whose store lies on a volume of its own. Dropping it kills it.
struct Confined {
    child: Child,
    site: Site,
}

impl Confined {
    /// `before`: what is done on the volume of 8 MB (its path is `$1`) before the daemon starts.
    fn start(site: Site, before: &str) -> Self {
        Self::start_on(site, ("8m", before), &[])
    }

    /// On a volume of another size, and with more in its environment.
    fn start_on(site: Site, (size, before): (&str, &str), environment: &[(&str, String)]) -> Self {
        std::fs::create_dir_all(site.path("data")).expect("a folder can be made");
        let script =
            format!("mount -t tmpfs -o size={size} tmpfs \"$1\" && {{ {before}; }}; exec \"$2\" run \"$3\"");
        let log = File::options().append(true).create(true).open(site.path("kvarden.log")).expect("a log");
        let child = Command::new("unshare")
            .args(["-m", "sh", "-c", &script, "sh"])
            .arg(site.path("data"))
            .arg(kvarden())
            .arg(site.config())
            .envs(environment.iter().map(|(name, value)| (*name, value.as_str())))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("it was just tried");
        Self { child, site }
    }

    /// The volume, as it is seen from here.
    fn volume(&self) -> PathBuf {
        let data = self.site.path("data");
        let inner = data.strip_prefix("/").expect("a path from the root");
        PathBuf::from(format!("/proc/{}/root", self.child.id())).join(inner)
    }

    /// Leaves less free than what a person must be told of, and still enough for hours.
    fn nearly_fill(&self) {
        let mut junk = File::create(self.volume().join("junk")).expect("a name takes no room");
        std::io::copy(&mut std::io::repeat(7).take(60 << 20), &mut junk).expect("100 MB have room for it");
    }

    fn fill(&self) {
        let mut junk = File::create(self.volume().join("junk")).expect("a name takes no room");
        let full = std::io::copy(&mut std::io::repeat(7), &mut junk).expect_err("it has an end");
        assert_eq!(full.kind(), std::io::ErrorKind::StorageFull);
    }

    fn free(&self) {
        std::fs::remove_file(self.volume().join("junk")).expect("it was put there");
    }

    fn status(&mut self) -> Option<Status> {
        if let Ok(Some(status)) = self.child.try_wait() {
            panic!("the daemon ended with {status}:\n{}", self.log());
        }
        let pid = self.child.id().to_string();
        let mut command = Command::new("nsenter");
        command.args(["-t", &pid, "-m"]).arg(kvarden()).args(["status", "--json", "--config"]);
        let output = run_to_end(command.arg(self.site.config()));
        output.status.success().then(|| serde_json::from_slice(&output.stdout).expect("a status"))
    }

    fn wait_for(&mut self, what: &str, fits: impl Fn(&Status) -> bool) {
        wait_for(what, 2 * PATIENCE, || self.status().filter(|status| fits(status)));
    }

    fn told(&self, word: &str) -> usize {
        self.site.told_lines().iter().filter(|line| line.to_string().contains(word)).count()
    }

    fn log(&self) -> String {
        std::fs::read(self.site.path("kvarden.log")).map(|log| text(&log)).unwrap_or_default()
    }

    /// Ends it well, then looks at what it stored: the steps of alarms.
    fn stored_changes(mut self) -> i64 {
        let copy = self.site.path("copy.db");
        let pid = self.child.id().to_string();
        let mut command = Command::new("nsenter");
        command.args(["-t", &pid, "-m"]).arg(kvarden()).arg("backup").arg(self.site.config());
        let output = run_to_end(command.arg("--to").arg(&copy));
        assert!(output.status.success(), "{}", text(&output.stderr));
        signal("TERM", self.child.id());
        let status = wait_for("the daemon ends", PATIENCE, || self.child.try_wait().ok().flatten());
        assert!(status.success(), "{}", self.log());
        let log = self.log();
        assert!(!log.contains("panic"), "{log}");
        let db = rusqlite::Connection::open(copy).expect("the copy");
        let whole: String = db.query_row("PRAGMA integrity_check", (), |row| row.get(0)).expect("an answer");
        assert_eq!(whole, "ok");
        db.query_row("SELECT count(*) FROM change_ WHERE alarm LIKE '%current_a%'", (), |row| row.get(0))
            .expect("a count")
    }
}

impl Drop for Confined {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn polls(status: &Status) -> u64 {
    status.meters.iter().map(|meter| meter.readings).sum()
}

#[test]
fn a_volume_that_fills_while_it_runs_costs_no_alert_and_it_recovers() {
    if !may_mount() {
        return;
    }
    let (site, load) = polled_feeder(BYTES);
    let mut daemon = Confined::start(site, "true");
    daemon.wait_for("it polls", |status| polls(status) > 10);
    daemon.fill();
    load.set_high(true);
    wait_for("the alert is told on the full volume", 2 * PATIENCE, || {
        (daemon.told("current_a.A") > 0).then_some(())
    });
    // The reserve gives its place first, so that it is on the disk; what comes after it finds none.
    let reserve = daemon.volume().join(RESERVE);
    assert!(!reserve.exists(), "the reserve has given its place");
    daemon.fill();
    let before = daemon.site.told_lines().len();
    load.set_high(false);
    wait_for("its end is told as well", 2 * PATIENCE, || {
        (daemon.site.told_lines().len() > before).then_some(())
    });
    let seen = daemon.status().map_or(0, |status| polls(&status));
    daemon.wait_for("polling goes on", |status| polls(status) > seen + 10);

    daemon.free();
    daemon.wait_for("the store works again", |status| status.store_works);
    wait_for("the reserve is there again", 4 * PATIENCE, || reserve.exists().then_some(()));
    assert!(daemon.stored_changes() >= 2, "what was told from memory is on the disk");
}

#[test]
fn a_volume_that_is_full_before_the_start_is_started_on_and_it_recovers() {
    if !may_mount() {
        return;
    }
    let (site, load) = polled_feeder(BYTES);
    let fill = "head -c 20000000 /dev/zero > \"$1/junk\" 2>/dev/null; true";
    let mut daemon = Confined::start(site, fill);
    daemon.wait_for("it polls", |status| polls(status) > 10);
    let notices = daemon.status().expect("it answered just now").store_notices.join(" ");
    assert!(notices.contains("in memory only"), "{notices}");
    load.set_high(true);
    wait_for("the alert is told", 2 * PATIENCE, || (daemon.told("current_a.A") > 0).then_some(()));
    daemon.free();
    daemon.wait_for("the store works again", |status| status.store_works && status.store_notices.len() < 2);
    load.set_high(false);
    let told = daemon.site.told_lines().len();
    wait_for("its end is told", 2 * PATIENCE, || (daemon.site.told_lines().len() > told).then_some(()));
    assert!(daemon.stored_changes() >= 1, "what was told from memory is on the disk");
}

/// The alarm of the disk: from core's book to a person, with what to look at.
// Seen to fail when the look at the store in `every_second` asked whether the clock is trusted.
#[test]
fn a_disk_that_is_nearly_full_is_an_alarm_until_there_is_room_also_while_time_is_a_guess() {
    if !may_mount() {
        return;
    }
    let (site, load) = polled_feeder(BYTES);
    let hand = site.path("wall-clock");
    let since = SystemTime::now().duration_since(UNIX_EPOCH).expect("the machine of a test has a clock");
    std::fs::write(&hand, format!("-{}d", since.as_secs() / 86_400 - 1)).expect("the folder can be written");
    let mut daemon = Confined::start_on(site, ("100m", "true"), &environment(&hand));
    daemon.wait_for("it polls", |status| polls(status) > 10);
    wait_for("the clock is told of", PATIENCE, || (daemon.told("not to be trusted") > 0).then_some(()));
    let of_disk = |status: &Status| status.alerts.iter().any(|alert| alert.alert.contains("disk"));
    assert!(!daemon.status().is_some_and(|status| of_disk(&status)), "there is room");

    daemon.nearly_fill();
    wait_for("the disk is told of", A_LOOK, || {
        (daemon.told("disk of the store nearly full") > 0).then_some(())
    });
    daemon.wait_for("it stands in the book", of_disk);
    let lines = daemon.site.told_lines();
    let told = lines.iter().map(ToString::to_string).find(|line| line.contains("nearly full"));
    let told = told.expect("it was just there");
    assert!(told.contains("Look at free space on the disk of the store's folder"), "{told}");
    daemon.free();
    wait_for("its end is told", A_LOOK, || (daemon.told("with room again") > 0).then_some(()));

    // Full altogether: the store fails, and nobody waits for the next look to hear why.
    let before = daemon.told("disk of the store nearly full");
    daemon.fill();
    load.set_high(true);
    wait_for("the alert is told", 2 * PATIENCE, || (daemon.told("current_a.A") > 0).then_some(()));
    wait_for("and the disk", A_LOOK, || {
        (daemon.told("disk of the store nearly full") > before).then_some(())
    });
    daemon.free();
    wait_for("there is room again", A_LOOK, || (daemon.told("with room again") > 1).then_some(()));
}
