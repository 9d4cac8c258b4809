//! The least that rolling windows can cost: each value into one open pane a window, closed panes into a ring.

use std::hint::black_box;

const RING: usize = 60;

#[derive(Clone, Copy)]
struct Pane {
    count: u32,
    sum: f64,
    squares: f64,
    low: f64,
    high: f64,
}

const EMPTY: Pane = Pane { count: 0, sum: 0.0, squares: 0.0, low: f64::MAX, high: f64::MIN };

struct Window {
    size: u32,
    open: Pane,
    ring: [Pane; RING],
    at: usize,
}

/// Pushes each reading's values into one window for each of `sizes` (panes of so many readings) a series.
pub(crate) fn run(readings: &[Vec<f64>], rounds: usize, sizes: &[u32]) {
    let series = readings.first().map_or(0, Vec::len);
    let window = |size: &u32| Window { size: *size, open: EMPTY, ring: [EMPTY; RING], at: 0 };
    let mut windows: Vec<Vec<Window>> = (0..series).map(|_| sizes.iter().map(window).collect()).collect();
    for reading in readings.iter().cycle().take(rounds) {
        for (windows, value) in windows.iter_mut().zip(black_box(reading)) {
            for window in windows {
                push(window, *value);
            }
        }
    }
    for window in windows.iter().flatten() {
        black_box(&window.ring);
    }
}

fn push(window: &mut Window, value: f64) {
    let pane = &mut window.open;
    pane.count += 1;
    pane.sum += value;
    pane.squares += value * value;
    pane.low = pane.low.min(value);
    pane.high = pane.high.max(value);
    if pane.count == window.size {
        window.ring[window.at] = *pane;
        window.at = (window.at + 1) % RING;
        *pane = EMPTY;
    }
}
