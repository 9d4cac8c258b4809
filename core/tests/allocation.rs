//! A quiet second allocates nothing: once every meter was heard and every buffer has its size, the readings of all
//! meters go through the monitor without one allocation, also those that wait for their order at the door.

#[path = "cannery/mod.rs"]
mod cannery;

use allocation_counter::measure;
use cannery::{AIR, Hall, MP3, T2, at};
use kvarden_core::input::Input;
use kvarden_core::reading::{MeterId, Reading, Sample};

// Seen to fail when the door made a new buffer for each reading that waits.
#[test]
fn a_quiet_second_allocates_nothing() {
    let mut hall = Hall::new();
    hall.run(905);
    let mut out = Vec::with_capacity(64);
    // Thirty seconds inside one minute (MP-3 ends its minutes 3 s late), with steps of the grid and of windows.
    for second in 905..935 {
        hall.second = second;
        let values: Vec<Vec<Sample>> = (T2..=AIR).map(|meter| hall.values(meter)).collect();
        let now = at(second);
        let counted = measure(|| {
            hall.monitor.advance(now, &mut out);
            for (meter, values) in values.iter().enumerate() {
                let every = if meter <= MP3 { 1 } else { 10 };
                if meter != AIR && second % every == 0 {
                    let reading = Reading { meter: MeterId(meter as u32), at: now, values };
                    hall.monitor.observe(now, Input::Reading(reading), &mut out);
                }
            }
        });
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
}

#[test]
fn messages_that_arrive_out_of_order_allocate_nothing_either() {
    let mut hall = Hall::new();
    hall.run(905);
    let values = hall.values(MP3);
    let mut out = Vec::with_capacity(64);
    let swap = |second: i64| if second % 2 == 0 { second + 1 } else { second - 1 };
    // The door has its largest size after the first pairs.
    for second in 906..934 {
        let now = at(second + 1);
        let reading = Reading { meter: MeterId(MP3 as u32), at: at(swap(second)), values: &values };
        let counted = measure(|| hall.monitor.observe(now, Input::Reading(reading), &mut out));
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
}
