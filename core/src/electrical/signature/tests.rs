use super::*;

fn of(orders: impl IntoIterator<Item = (u8, f64)>, load_pu: Option<f64>) -> Signature {
    let current = Spectrum::whole(std::iter::once((1, 100.0)).chain(orders));
    signature(Seen { current: &current, voltage: None, load_pu }).unwrap()
}

/// Any place within the ranges of a habit, 0 their least and 1 their most.
fn within(habit: &Habit, place: f64) -> Vec<(u8, f64)> {
    let values = habit.orders.map(|(least, most)| least + place * (most - least));
    ORDERS.into_iter().zip(values).collect()
}

fn first(signature: &Signature) -> Pattern {
    signature.suspects[0].pattern
}

/// The handbook's table of common loads (common practice), whole: each row fits itself and leads to its pattern.
#[test]
fn each_load_of_the_table_leads_to_its_own_pattern() {
    for (index, habit) in HABITS.iter().enumerate() {
        for place in [0.25, 0.5, 0.75] {
            let got = of(within(habit, place), Some(0.6));
            assert!(got.habits[index] > 0.5, "{habit:?} at {place}: {got:?}");
            assert_ne!(got.finding(), Finding::FitsNothing, "{habit:?} at {place}: {got:?}");
            if let Some(pattern) = habit.pattern {
                assert_eq!(first(&got), pattern, "{habit:?} at {place}: {got:?}");
                assert!(got.suspects[0].likelihood > 0.6, "{habit:?} at {place}: {got:?}");
                assert!(
                    got.suspects[1].likelihood < got.suspects[0].likelihood,
                    "{habit:?} at {place}: {got:?}"
                );
            }
        }
    }
}

/// An ideal six-pulse converter (1/h, textbook) to the 49th order, and a twelve-pulse one, of which the orders 6k ± 1 with odd k cancel.
#[test]
fn ideal_converters_are_told_apart() {
    let ideal = |order: u8| (order, 100.0 / f64::from(order));
    let six = of((5..50).filter(|order| matches!(order % 6, 1 | 5)).map(ideal), Some(0.8));
    assert_eq!(first(&six), Pattern::SixPulse);
    assert!(six.likelihood(Pattern::TwelvePulse) < 0.1 && six.unexplained < 0.05, "{six:?}");
    let twelve = of((11..50).filter(|order| matches!(order % 12, 1 | 11)).map(ideal), Some(0.8));
    assert_eq!(first(&twelve), Pattern::TwelvePulse);
    assert!(twelve.likelihood(Pattern::SixPulse) < 0.1 && twelve.unexplained < 0.05, "{twelve:?}");
}

/// Half of the current each, order by order as the root of the sum of squares (their angles differ).
#[test]
fn a_mixture_names_both() {
    let mix = |one: usize, other: usize| {
        let pairs = within(&HABITS[one], 0.5).into_iter().zip(within(&HABITS[other], 0.5));
        of(pairs.map(|((order, left), (_, right))| (order, 0.5 * left.hypot(right))), Some(0.6))
    };
    for (one, other) in [(0, 4), (1, 7), (11, 4), (0, 7)] {
        let got = mix(one, other);
        for index in [one, other] {
            let pattern = HABITS[index].pattern.unwrap();
            assert!(got.likelihood(pattern) >= NAMED, "{one} with {other}: {pattern:?} of {got:?}");
        }
        assert_eq!(got.finding(), Finding::Suspects);
        assert!(
            got.likelihood(Pattern::Even) < 0.05 && got.likelihood(Pattern::Resonance) < NAMED,
            "{got:?}"
        );
    }
}

/// The handbook (common practice): a steady second order above 1 % of rated points to direct flux or half-wave load.
#[test]
fn even_orders_tell_by_their_amperes() {
    let half_wave = |second: f64| [(2, second), (4, second / 3.0), (5, 1.5), (7, 0.8)];
    assert_eq!(first(&of(half_wave(4.0), Some(0.8))), Pattern::Even);
    let light = of(half_wave(4.0), Some(0.1));
    assert!(light.likelihood(Pattern::Even) < 0.05, "0.4 % of rated is nothing: {light:?}");
    assert!(of(half_wave(4.0), None).likelihood(Pattern::Even) > 0.9);
    let beside_drives = of([(2, 3.0), (4, 1.0), (5, 35.0), (7, 15.0), (11, 7.0), (13, 5.0)], Some(0.7));
    assert!(
        beside_drives.likelihood(Pattern::Even) > 0.9,
        "they are not hidden by much larger ones: {beside_drives:?}"
    );
    assert!(beside_drives.likelihood(Pattern::SixPulse) > 0.9, "{beside_drives:?}");
}

#[test]
fn one_order_that_stands_out_at_low_load_is_a_resonance() {
    let peak = [(3, 2.0), (5, 4.0), (7, 18.0), (11, 1.5), (13, 1.0)];
    let low = of(peak, Some(0.2));
    assert_eq!((first(&low), low.suspects[0].order), (Pattern::Resonance, 7));
    assert!(of(peak, Some(0.9)).likelihood(Pattern::Resonance) < 0.05, "at full load the load damps it");
    assert!(of(peak, None).likelihood(Pattern::Resonance) < low.likelihood(Pattern::Resonance));
    let current = Spectrum::whole(std::iter::once((1, 100.0)).chain(peak));
    let with = |seventh| {
        let voltage = Spectrum::whole([(1, 277.0), (7, seventh)]);
        let seen = Seen { current: &current, voltage: Some(&voltage), load_pu: Some(0.2) };
        signature(seen).unwrap().likelihood(Pattern::Resonance)
    };
    assert!(with(11.0) > 0.9 && with(0.5) < 0.05, "the voltage must show it too");
}

// Seen to fail when a habit counted whatever lay outside its six orders.
#[test]
fn what_fits_nothing_says_so() {
    let odd_peaks = of([(3, 1.0), (5, 2.0), (7, 1.0), (17, 9.0), (29, 12.0), (31, 11.0)], Some(1.0));
    assert_eq!(odd_peaks.finding(), Finding::FitsNothing, "{odd_peaks:?}");
    assert!(odd_peaks.unexplained > 0.5);
    let flat = of((2..50).map(|order| (order, 4.0)), Some(1.0));
    assert!(flat.suspects.iter().all(|suspect| suspect.likelihood < 0.7), "{flat:?}");
    assert_eq!(of([(5, 1.0), (7, 0.6)], Some(0.8)).finding(), Finding::Slight);
}

#[test]
fn without_its_orders_a_spectrum_points_to_nobody() {
    let ask = |current: &Spectrum| signature(Seen { current, voltage: None, load_pu: None }).map(|_| ());
    assert_eq!(ask(&Spectrum::EMPTY), Err(Lacking::Fundamental));
    assert_eq!(ask(&Spectrum::given([(1, 100.0), (3, 5.0)])), Err(Lacking::Order(5)));
    assert_eq!(ask(&Spectrum::given([(1, 100.0), (3, 5.0), (5, 5.0), (7, 1.0)])), Err(Lacking::Reach(7)));
}

/// Graded: a little more of an order moves a likelihood a little.
#[test]
fn likelihoods_have_no_cliffs() {
    let mut before: Option<Signature> = None;
    for step in 0..=400 {
        let fifth = f64::from(step) * 0.1;
        let got = of(
            [(3, 8.0), (5, fifth), (7, 0.4 * fifth), (9, 2.0), (11, 0.2 * fifth), (13, 0.15 * fifth)],
            Some(0.5),
        );
        for suspect in got.suspects {
            assert!((0.0..=1.0).contains(&suspect.likelihood), "{got:?}");
            let change =
                before.map_or(0.0, |before| (before.likelihood(suspect.pattern) - suspect.likelihood).abs());
            assert!(change < 0.15, "{fifth}: {change} of {suspect:?}");
        }
        before = Some(got);
    }
    assert_eq!(before.map(|last| first(&last)), Some(Pattern::SixPulse));
}
