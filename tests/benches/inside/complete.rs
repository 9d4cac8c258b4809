//! What the complete computation of a reading of 60 values costs in the monitor: formulas, minute rows, heat of the windings,
//! terminations against each other, the way between two meters, diagnosis. A transformer with its whole nameplate, its meter and the
//! meter of one feeder.

use crate::figures::{Figures, RUNS, heading, line, short_or};
use crate::{formulas, panes};
use kvarden_core::input::Input;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::phases::Place;
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::EventTime;
use std::sync::Arc;
use std::time::Instant;

/// Readings that differ; they come again and again.
const DIFFERENT: usize = 97;
/// A time to begin with, a whole minute.
const BEGIN_MS: i64 = 1_789_999_980_000;
/// Values of a meter.
const VALUES: usize = 60;
/// A step of the study closes every ten seconds, a row every minute: a count over so many readings of each meter has ten of them.
const TEN_MINUTES: usize = 600;

/// 60 values: what [`crate::formulas`] gives, with temperatures for the highest orders.
fn quantities() -> Vec<Quantity> {
    let temperatures = [Measurand::Winding, Measurand::Termination]
        .into_iter()
        .flat_map(|what| Place::PHASES.map(|place| Quantity::at(what, place)))
        .chain([Quantity::whole(Measurand::Ambient)]);
    let mut all = formulas::quantities();
    all.truncate(VALUES - 7);
    all.extend(temperatures);
    all
}

fn config() -> String {
    let source = "mqtt = { topic = \"a\", map = \"map.toml\" }";
    format!(
        "[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n\
         [[transformer]]\nname = \"T2\"\nkva = 75\nprimary = {{ volts = 480, form = \"delta\" }}\n\
         secondary = {{ volts = 208, form = \"wye\" }}\nimpedance_percent = 4.5\nx_over_r = 1.2\ncooling = \"AA\"\n\
         rated_rise_c = 115\ninsulation_class_c = 220\nrated_ambient_c = 30\nneutral_rating_percent = 200\n\
         no_load_w = 310\nload_w = 2200\neddy_loss_percent = 7.5\nwinding = \"aluminium\"\n\
         [[feeder]]\nname = \"MP-3\"\nfed_by = \"T2\"\nrated_a = 100\n\
         [[meter]]\nname = \"T2 secondary\"\nmeasures = {{ transformer = \"T2\", side = \"secondary\" }}\n{source}\n\
         [[meter]]\nname = \"MP-3\"\nmeasures = {{ feeder = \"MP-3\" }}\n{}\n\
         [broker]\naddress = \"127.0.0.1:1883\"\n[tell]\nmqtt = false\n[store]\nfolder = \"data\"\n",
        source.replace("\"a\"", "\"b\"").replace("map.toml", "feeder.toml")
    )
}

/// Feeds both meters once a second.
struct Feed {
    monitor: Monitor,
    /// By meter: its readings.
    readings: [Vec<Vec<Sample>>; 2],
    second: usize,
    out: Vec<Output>,
}

impl Feed {
    fn new() -> Self {
        let of = [quantities(), formulas::quantities()];
        let read =
            |name: &std::path::Path| Ok(formulas::map(&of[usize::from(name.ends_with("feeder.toml"))]));
        let (configuration, problems) = kvarden_config::parse("kvarden.toml", &config(), &read);
        assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
        let plan = Plan::new(&configuration.expect("without a problem there is one").plant);
        let monitor = Monitor::new(Arc::new(plan.expect("it was checked")));
        let samples = |values: Vec<f64>| values.into_iter().map(Sample::new).collect();
        let readings = of.map(|of| formulas::readings(&of).into_iter().map(samples).collect());
        Self { monitor, readings, second: 0, out: Vec::with_capacity(64) }
    }

    fn next(&mut self) {
        let at = EventTime(BEGIN_MS + 1000 * self.second as i64);
        for (meter, readings) in (0..).map(MeterId).zip(&self.readings) {
            let values = &readings[self.second % DIFFERENT];
            self.monitor.observe(at, Input::Reading(Reading { meter, at, values }), &mut self.out);
        }
        self.second += 1;
        self.out.clear();
    }
}

pub(crate) fn run() {
    let seconds = short_or(20_000, 100_000);
    heading(&format!(
        "complete: all that is made of a reading of {VALUES} values, two meters of a transformer, ns a reading"
    ));
    let timed = |readings: usize, work: &mut dyn FnMut()| {
        let begun = Instant::now();
        work();
        begun.elapsed().as_secs_f64() * 1e9 / readings as f64
    };
    let values = formulas::readings(&quantities());
    let floor: Figures =
        (0..RUNS).map(|_| timed(seconds, &mut || panes::run(&values, seconds, &[60]))).collect();
    line("floor: each value into one pane of a minute", format!("{floor:.0} ns"));
    let mut feed = Feed::new();
    let whole: Figures =
        (0..RUNS).map(|_| timed(2 * seconds, &mut || (0..seconds).for_each(|_| feed.next()))).collect();
    line("Monitor::observe", format!("{whole:.0} ns, {:.1} ns a value", whole.median() / VALUES as f64));
    line("the complete computation against the floor", whole.over(&floor));
    let mut feed = Feed::new();
    (0..TEN_MINUTES).for_each(|_| feed.next());
    let most = (0..60).map(|_| allocation_counter::measure(|| feed.next()).count_total);
    let (mut quiet, mut all) = (0, 0);
    for count in most {
        (quiet, all) = (quiet + usize::from(count == 0), all + count);
    }
    line(
        "seconds of a minute, its row and study among them, that allocate nothing",
        format!("{quiet} of 60 ({all} allocations)"),
    );
}
