//! Random damage: whatever happens to the file, it opens with all that can be read, or there is a named error.
//!
//! `KVARDEN_DAMAGE` sets how often (1,000 without it), `KVARDEN_SEED` makes a run again with the same chances.
//! Seen to fail before rows were checked to be of the right kind, and before tables were looked through after a salvage.

use super::salvage::{CHANGES, MINUTES, filled};
use super::*;
use std::fs;

/// splitmix64.
struct Chance(u64);

impl Chance {
    fn below(&mut self, most: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) % most.max(1) as u64) as usize
    }
}

fn number_from(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|error| panic!("{name}={text}: {error}")))
}

/// Harms a file in one of the ways in which disks and people do.
fn harm(bytes: &mut Vec<u8>, chance: &mut Chance) -> &'static str {
    let at = chance.below(bytes.len());
    let end = |length: usize| (at + length).min(bytes.len());
    match chance.below(7) {
        0..=2 => {
            for _ in 0..=chance.below(8) {
                let at = chance.below(bytes.len());
                bytes[at] ^= 1 << chance.below(8);
            }
            "bits"
        }
        3 => {
            let end = end(1 + chance.below(300));
            bytes[at..end].iter_mut().for_each(|byte| *byte = chance.below(256) as u8);
            "bytes"
        }
        4 => {
            let page = at / 4096 * 4096;
            bytes[page..page + 4096].fill(0);
            "a page"
        }
        5 => {
            bytes.truncate(at);
            "the end"
        }
        _ => {
            let (one, two) = (at / 4096, chance.below(bytes.len() / 4096));
            for index in 0..4096 {
                bytes.swap(one * 4096 + index, two * 4096 + index);
            }
            "two pages"
        }
    }
}

/// All that the daemon and people ask for. An error has a name; a panic or an endless loop would end the test.
fn read_all(store: &Store) -> Result<(usize, usize, usize)> {
    let ever = (EventTime(i64::MIN), EventTime(i64::MAX));
    let changes = store.changes(ever.0, ever.1)?.len();
    let days = store.days("site")?.len();
    store.revisions(ever.0, ever.1)?;
    store.open_alerts()?;
    store.told_alerts()?;
    store.live_alarms()?;
    store.next_letter("mqtt", NOW)?;
    store.waiting("mqtt")?;
    store.refused()?;
    store.levels()?;
    let _ = store.precious("T2")?;
    let _ = store.whole_tail();
    let _ = store.recording("r");
    let _ = store.tens("T2 secondary", ever.0, ever.1);
    let minutes = store.minutes("T2 secondary", EventTime(0), ever.1)?;
    Ok((changes, days, minutes.iter().map(|run| run.rows.len()).sum()))
}

#[test]
fn whatever_happens_to_the_file_it_opens_with_what_can_be_read_or_says_why_not() {
    let times = number_from("KVARDEN_DAMAGE").unwrap_or(1000);
    let seed = number_from("KVARDEN_SEED").unwrap_or_else(|| {
        std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or(1, |since| since.as_nanos() as u64)
    });
    println!("{times} times, KVARDEN_SEED={seed}");
    let good = filled(folder().path());
    let (mut salvaged, mut whole, mut refused, mut most_kept) = (0, 0, 0, 0);
    for time in 0..times {
        let mut chance = Chance(seed.wrapping_add(time.wrapping_mul(0x1_0000_0001)));
        let mut bytes = good.clone();
        let what = harm(&mut bytes, &mut chance);
        let said = || format!("time {time} of KVARDEN_SEED={seed}, harm to {what}");
        let folder = folder();
        let path = folder.path().join(DATABASE);
        fs::write(folder.path().join(LOCK), b"").unwrap();
        fs::write(&path, &bytes).unwrap();
        let opened = match Store::open(folder.path(), Options::default(), NOW) {
            Ok(opened) => opened,
            Err(Error::Newer { .. }) => {
                assert_eq!(fs::read(&path).unwrap(), bytes, "{}", said());
                refused += 1;
                continue;
            }
            Err(error) => panic!("{}: {error}", said()),
        };
        let read = read_all(&opened.store);
        match (opened.salvage, read) {
            (Some(salvage), Ok((changes, days, minutes))) => {
                salvaged += 1;
                assert_eq!(fs::read(salvage.set_aside.clone().unwrap()).unwrap(), bytes, "{}", said());
                let claims = |table: &str, rows: usize, all: usize| {
                    let told = salvage.lost.iter().any(|lost| lost == table || lost == "unknown");
                    assert!(rows == all || told, "{}: {rows} of {all} in {table}: {salvage}", said());
                };
                // A row whose text is torn is carried over and then passed over when it is read.
                if what != "bits" && what != "bytes" {
                    claims("change_", changes, CHANGES);
                    claims("day", days, 10);
                    // Rows of minutes that changed places with rows of tens look like tens.
                    if what != "two pages" {
                        claims("minute", minutes, MINUTES);
                    }
                }
                most_kept = most_kept.max(changes + minutes + days);
            }
            (None, Ok((changes, days, minutes))) => {
                whole += 1;
                // Damage within rows is theirs alone.
                // Two tables of like rows that changed places are two whole tables: no check can see that.
                if what == "two pages" {
                    continue;
                }
                let kept = [(changes, CHANGES), (days, 10), (minutes, MINUTES)];
                assert!(kept.iter().all(|(rows, all)| rows * 10 >= all * 8), "{}: {kept:?}", said());
            }
            (_, Err(error)) => {
                refused += 1;
                assert!(!matches!(error, Error::Sqlite { .. }), "{}: {error}", said());
            }
        }
    }
    println!("{salvaged} salvaged, {whole} whole but for some rows, {refused} named errors");
    assert!(salvaged * 5 > times && whole * 20 > times, "the harm is no mixture");
    assert!(most_kept > CHANGES, "salvage keeps nearly everything at its best");
}
