//! The main file: opens it, lets each section's reader look, and puts the plant together.

use crate::broker::broker;
use crate::document::Document;
use crate::fault::Fault;
use crate::files::{Files, from_disk, is_open_to_all, reason};
use crate::keys::{
    BROKER, CIRCUIT, COMMAND, DIGEST, FEEDER, LIMIT, LINKS, MAIL, METER, PERSON, ROOT, ROTA, SITE, SOURCE,
    STATE, STORE, TELL, TRANSFORMER, WEBHOOK, WORK,
};
use crate::limit::{self, limit};
use crate::meter::{self, Maps, meter};
use crate::nameplate::transformer;
use crate::names::Names;
use crate::parallel;
use crate::people::person;
use crate::people_settings::Way;
use crate::problem::Problem;
use crate::rota::rota;
use crate::section::Section;
use crate::services::{digest, digest_default, digest_under, slug, store, store_default, tell, tell_default};
use crate::settings::Configuration;
use crate::site::{feeder, site};
use crate::supplies::{Known, circuit, peek_flags, settle, source, state};
use crate::telling::{check_reach, telling_default};
use crate::ways::{command, links, mail, webhook};
use crate::work::{MOST_WORKS, work};
use jiff::tz::TimeZone;
use kvarden_core::plant::Plant;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};

/// The most transformers, feeders or meters of one site: what one box can watch each second, with room to spare.
const MOST_THINGS: usize = 2000;
/// The most circuits: forty for each feeder.
const MOST_CIRCUITS: usize = 40 * MOST_THINGS;
/// The most people: more than a works has on its rotas.
const MOST_PEOPLE: usize = 100;

/// Reads a configuration and the files that it names. Paths in it are relative to its folder.
///
/// Gives a configuration only when there is no problem; the problems are all that there are, in the order of the files.
pub fn load(path: &Path) -> (Option<Configuration>, Vec<Problem>) {
    let name = path.display().to_string();
    match from_disk(path) {
        Ok(text) => read(&name, &text, &Files { text: &from_disk, is_open_to_all: &is_open_to_all }),
        Err(error) => {
            let help = "give the path of the configuration, for example kvarden.toml";
            (None, vec![Problem::unreadable(&name, &reason(&error), help)])
        }
    }
}

/// The folder of the store as a file names it, whatever else is wrong with the file: so that a running daemon can be asked
/// while its configuration is being changed. `None`: the file can't be read, or what it says of the folder is no text.
pub fn store_folder(path: &Path) -> Option<PathBuf> {
    let text = from_disk(path).ok()?;
    let (_, tree, _) = Document::open(&path.display().to_string(), &text);
    let base = path.parent().unwrap_or(Path::new(""));
    let Some(store) = tree.get_ref().get("store") else { return Some(store_default(base).0.folder) };
    match store.get_ref().as_table()?.get("folder") {
        Some(folder) => Some(base.join(folder.get_ref().as_str()?)),
        None => Some(store_default(base).0.folder),
    }
}

/// Reads a configuration from a text. `name` is the file's name as people know it; `files` gives the text of another
/// file, whose path is joined to the folder of `name`. Who may read the password file is not checked.
pub fn parse(
    name: &str,
    text: &str,
    files: &dyn Fn(&Path) -> io::Result<String>,
) -> (Option<Configuration>, Vec<Problem>) {
    read(name, text, &Files { text: files, is_open_to_all: &|_| false })
}

fn read(name: &str, text: &str, files: &Files<'_>) -> (Option<Configuration>, Vec<Problem>) {
    let (document, tree, syntax) = Document::open(name, text);
    let mut root = Section::open(&document, tree.get_ref(), 0..0, &ROOT);
    let configuration = configuration(&mut root, files);
    let problems = document.settle(syntax, root.close());
    (configuration.filter(|_| problems.is_empty()), problems)
}

fn configuration(root: &mut Section<'_>, files: &Files<'_>) -> Option<Configuration> {
    let name = Path::new(root.document().name());
    let base = name.parent().unwrap_or(Path::new("")).to_owned();
    let file = name.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let has_broker = root.has("broker");

    if !root.has("site") {
        let help = "add [site], and under it a name and a timezone such as \"America/Denver\"";
        root.missing("there is no [site]: its time zone says when a day begins".to_owned(), help.to_owned());
    }
    let site = root.table("site", &SITE, site).flatten();
    let slug = slug(site.as_ref().map_or("", |site| &site.name));
    let sources = Names::scan(root, "source");
    let transformers = Names::scan(root, "transformer");
    let feeders = Names::scan(root, "feeder");
    let meters = Names::scan(root, "meter");
    let states = Names::scan(root, "state");
    Names::scan(root, "circuit");
    feeders.part_from(&transformers, root);
    sources.part_from(&transformers, root);
    sources.part_from(&feeders, root);

    let flags = peek_flags(root);
    let known = Known {
        sources: &sources,
        transformers: &transformers,
        feeders: &feeders,
        states: &states,
        flags: &flags,
    };
    let named_sources = root.tables("source", &SOURCE, source);
    let mut fed = (Vec::new(), Vec::new());
    let mut beside = Vec::new();
    let plates =
        root.tables("transformer", &TRANSFORMER, |s| transformer(s, &known, (&mut fed.0, &mut beside)));
    parallel::check(root, &plates, &beside);
    let mut read_feeders = root.tables("feeder", &FEEDER, |s| feeder(s, &known, &mut fed.1));
    settle(root, &plates, &mut read_feeders, &fed);
    let circuits = root.tables("circuit", &CIRCUIT, |s| circuit(s, &feeders));
    let maps = Maps {
        files,
        base: base.clone(),
        registers: BTreeMap::new(),
        json: BTreeMap::new(),
        models: BTreeSet::new(),
    };
    let mut context = meter::Context { transformers, feeders, has_broker, maps };
    let read_meters = root.tables("meter", &METER, |s| meter(s, &mut context));
    let meters_alone: Vec<_> =
        read_meters.iter().map(|read| read.as_ref().map(|(meter, _)| meter.clone())).collect();
    let read_states = root.tables("state", &STATE, |s| state(s, &meters, &meters_alone));
    let mut context = limit::Context {
        transformers: &context.transformers,
        feeders: &context.feeders,
        meters: &meters,
        file: &file,
        seen: Vec::new(),
    };
    let limits = root.tables("limit", &LIMIT, |s| limit(s, &mut context));
    let zone = site.as_ref().and_then(|site| TimeZone::get(&site.timezone).ok()).unwrap_or(TimeZone::UTC);
    let things = (context.transformers, context.feeders);
    let works = root.tables("work", &WORK, |s| work(s, things, &zone));
    at_most(root, "work", works.len(), MOST_WORKS);
    at_least_one(root, "transformer", plates.len(), "its nameplate is what its loading is judged by");
    at_least_one(root, "meter", read_meters.len(), "without values nothing can be judged");
    at_most(root, "feeder", read_feeders.len(), MOST_THINGS);
    at_most(root, "source", named_sources.len(), MOST_THINGS);
    at_most(root, "state", read_states.len(), MOST_THINGS);
    at_most(root, "circuit", circuits.len(), MOST_CIRCUITS);

    let broker = root.table("broker", &BROKER, |s| broker(s, &slug, &base, files));
    let open: Vec<Way> = Way::ALL.into_iter().filter(|way| root.has(way.key())).collect();
    let tell = root.table("tell", &TELL, |s| tell(s, &slug, has_broker, &base, &open));
    let mail = root.table("mail", &MAIL, |s| mail(s, &base, files));
    let webhook = root.table("webhook", &WEBHOOK, |s| webhook(s, &base, files));
    let command = root.table("command", &COMMAND, command);
    let links = root.table("links", &LINKS, links);
    let names = Names::scan(root, "person");
    let people = root.tables("person", &PERSON, |s| person(s, &open));
    at_most(root, "person", people.len(), MOST_PEOPLE);
    let rota = root.table("rota", &ROTA, |s| rota(s, &names));
    let store = root.table("store", &STORE, |s| store(s, &base));
    let digest = root.table("digest", &DIGEST, digest);

    let site = site?;
    let plates: Vec<_> = plates.into_iter().collect::<Option<_>>()?;
    let read_meters: Vec<_> = read_meters.into_iter().collect::<Option<_>>()?;
    let (meters, meter_sources): (Vec<_>, Vec<_>) = read_meters.into_iter().unzip();
    let (tell, telling) = tell?.unwrap_or_else(|| (tell_default(&slug, has_broker), telling_default(&open)));
    let people: Vec<_> = people.into_iter().collect::<Option<_>>()?;
    let rota = rota?;
    check_reach(root, &people, rota.as_ref(), &telling, &open);
    let (store, recording) = store?.unwrap_or_else(|| store_default(&base));
    let mut channels = vec!["log".to_owned()];
    channels.extend(tell.mqtt.then(|| "mqtt".to_owned()));
    channels.extend(tell.file.as_ref().map(|_| "file".to_owned()));
    channels.extend(open.iter().map(|way| way.key().to_owned()));
    let plant = Plant {
        site: site.name,
        transformers: plates,
        feeders: read_feeders.into_iter().collect::<Option<_>>()?,
        circuits: circuits.into_iter().collect::<Option<_>>()?,
        sources: named_sources.into_iter().collect::<Option<_>>()?,
        states: read_states.into_iter().collect::<Option<_>>()?,
        meters,
        limits: limits.into_iter().collect::<Option<_>>()?,
        works: works.into_iter().collect::<Option<_>>()?,
        channels,
        recording,
    };
    let digest = digest_under(&store, digest?.unwrap_or_else(digest_default));
    let (timezone, shows, language) = (site.timezone, site.shows, site.language);
    Some(Configuration {
        plant,
        timezone,
        sources: meter_sources,
        broker: broker?,
        tell,
        mail: mail?,
        webhook: webhook?,
        command: command?,
        links: links?,
        people,
        rota,
        telling,
        store,
        digest,
        shows,
        language,
    })
}

fn at_least_one(root: &mut Section<'_>, key: &str, count: usize, why: &str) {
    if count == 0 {
        root.missing(format!("there is no [[{key}]]: {why}"), format!("add a [[{key}]] with its name"));
    }
    at_most(root, key, count, MOST_THINGS);
}

fn at_most(root: &mut Section<'_>, key: &str, count: usize, most: usize) {
    if count > most {
        let help = format!("use at most {most} of them; split the site into two configurations");
        root.fault(key, Fault::new(format!("{count} of [[{key}]] are too many"), "these", help));
    }
}
