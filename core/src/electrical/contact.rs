//! Heat of connections as a thermographer judges it: classes of action, correction to full load, allowed temperature; and
//! terminations against their peers, each divided by the square of its own current.
//!
//! Rises are differences of temperature in kelvin. Every function gives nothing where an input is absent, not finite or
//! outside its valid range.

/// What a difference of temperature asks for.
///
/// Source: ANSI/NETA Table 100.18 (public extract of ATS-2003).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Action {
    /// Nothing.
    None,
    /// Maybe a fault: look into it.
    Possible,
    /// Likely a fault: mend when there is time.
    Probable,
    /// Keep watching until mended. Only over ambient air.
    Monitor,
    /// Serious: mend at once.
    Major,
}

impl Action {
    /// The key of the class.
    pub fn key(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Possible => "possible",
            Self::Probable => "probable",
            Self::Monitor => "monitor",
            Self::Major => "major",
        }
    }
}

/// Where each class ends. The table is in whole kelvin; between its rows the edges are common practice, no source.
const LIKE_PARTS: (f64, f64, f64) = (1.0, 4.0, 15.0);
const OVER_AMBIENT: (f64, f64, f64, f64) = (1.0, 11.0, 21.0, 40.0);

/// The class of a difference between like parts under like load, in kelvin; `None` if it is not a number.
///
/// Source: ANSI/NETA Table 100.18: 1–3 K, 4–15 K, more than 15 K.
pub fn like_parts(difference_k: f64) -> Option<Action> {
    let (some, probable, major) = LIKE_PARTS;
    Some(match difference_k {
        k if !k.is_finite() => return None,
        k if k < some => Action::None,
        k if k < probable => Action::Possible,
        k if k <= major => Action::Probable,
        _ => Action::Major,
    })
}

/// The class of a rise over ambient air, in kelvin; `None` if it is not a number.
///
/// Meant for a person with a camera: a sound lug at full load runs 30 to 50 K over the air, so fixed sensors are judged
/// by their peers. Source: ANSI/NETA Table 100.18: 1–10 K, 11–20 K, 21–40 K, more than 40 K.
pub fn over_ambient(rise_k: f64) -> Option<Action> {
    let (some, probable, monitor, major) = OVER_AMBIENT;
    Some(match rise_k {
        k if !k.is_finite() => return None,
        k if k < some => Action::None,
        k if k < probable => Action::Possible,
        k if k < monitor => Action::Probable,
        k if k <= major => Action::Monitor,
        _ => Action::Major,
    })
}

/// The exponents between which heat grows with current. Source: a public thermography tip.
pub const EXPONENTS: (f64, f64) = (1.6, 2.0);

/// More than this between two currents is no correction any more but a guess (common practice, no source).
pub const MOST_RATIO: f64 = 2.5;

/// A difference of temperature at another current: `ΔT·(I₂/I₁)^p`.
///
/// * `difference_k`: measured, in kelvin.
/// * `measured_a`, `other_a`: the current that it was measured at and the one it is wanted for, in amperes, at most
///   [`MOST_RATIO`] apart.
/// * `exponent`: between those of [`EXPONENTS`].
///
/// Source: public thermography tip ("Tmax corrected").
pub fn corrected_difference_k(
    difference_k: f64,
    measured_a: f64,
    other_a: f64,
    exponent: f64,
) -> Option<f64> {
    let ratio = other_a / measured_a;
    let fits = measured_a > 0.0 && other_a > 0.0 && (1.0 / MOST_RATIO..=MOST_RATIO).contains(&ratio);
    (fits && is_exponent(exponent)).then(|| difference_k * ratio.powf(exponent)).filter(|k| k.is_finite())
}

/// The temperature in °C that a part may have at its present current: `T_ambient + ΔT_rated·(I/I_rated)^p`.
///
/// Above rated current there is no allowed one. Source: public thermography tip ("Tmax corrected").
pub fn allowed_temperature_c(
    ambient_c: f64,
    rated_rise_k: f64,
    amperes: f64,
    rated_a: f64,
    exponent: f64,
) -> Option<f64> {
    let ratio = amperes / rated_a;
    let fits = rated_a > 0.0 && (0.0..=1.0).contains(&ratio) && rated_rise_k > 0.0;
    let allowed = ambient_c + rated_rise_k * ratio.powf(exponent);
    (fits && is_exponent(exponent) && allowed.is_finite()).then_some(allowed)
}

fn is_exponent(exponent: f64) -> bool {
    (EXPONENTS.0..=EXPONENTS.1).contains(&exponent)
}

/// Below this share of rated current a termination is too cool for a verdict.
///
/// Source: infrared surveys want some 40 % of rated load (a public article after NETA MTS 2019); the same for fixed sensors
/// is common practice.
pub const LEAST_LOAD: f64 = 0.4;

/// The rise of one termination as it would be at rated current, in kelvin: `rise/(I/I_rated)²`.
///
/// * `rise_k`: over the air around it.
/// * `lagged_square`: the mean of `(I/I_rated)²` of its own current as its mass sees it, see [`lagged`].
///
/// `None` below [`LEAST_LOAD`]. Source: Joule's law; a sound joint's resistance and cooling are taken as constant (common
/// practice).
pub fn rise_at_rated_k(rise_k: f64, lagged_square: f64) -> Option<f64> {
    let full = rise_k / lagged_square;
    (lagged_square >= LEAST_LOAD * LEAST_LOAD && full.is_finite()).then_some(full)
}

/// How far each termination stands over its peers, in kelvin at rated current. `full` are their rises from
/// [`rise_at_rated_k`]; one that is absent is left out, and one that stands alone has no peer.
///
/// Each is compared with the lower middle of the others, so that one hot one shows in its own excess and in no other, and a
/// second hot one does not hide the first. Source: common practice on ANSI/NETA Table 100.18 (like parts, like load).
pub fn over_peers_k<const N: usize>(full: [Option<f64>; N]) -> [Option<f64>; N] {
    std::array::from_fn(|own| {
        let mut others = [f64::INFINITY; N];
        let mut count = 0;
        for (index, value) in full.iter().enumerate() {
            if let (true, Some(value)) = (index != own, value.filter(|value| value.is_finite())) {
                others[count] = value;
                count += 1;
            }
        }
        let others = &mut others[..count];
        others.sort_by(f64::total_cmp);
        let middle = others.get(count.saturating_sub(1) / 2)?;
        full[own].map(|value| value - middle).filter(|excess| excess.is_finite())
    })
}

/// What the excess of sound parts would be by their unequal loads alone, in kelvin at rated current: still air takes more of
/// a warmer body, so a rise goes rather with the power 1.6 of the current than with its square ([`EXPONENTS`]), and a part with
/// little load looks hotter than its peers once both are divided by the square. Never below zero.
///
/// `rises`: rise over the air in kelvin and the lagged square of the load of each part; the sound part's rise at rated current
/// is taken from the lower middle of all, so that a hot one hardly counts.
pub fn by_unequal_load_k<const N: usize>(rises: [Option<(f64, f64)>; N]) -> [f64; N] {
    let (low, high) = (EXPONENTS.0 / 2.0, 1.0 - EXPONENTS.0 / 2.0);
    let mut at_rated = [f64::INFINITY; N];
    let mut count = 0;
    for (rise, square) in rises.into_iter().flatten() {
        at_rated[count] = rise / square.powf(low);
        count += 1;
    }
    let known = &mut at_rated[..count];
    known.sort_by(f64::total_cmp);
    let Some(sound) = known.get(count.saturating_sub(1) / 2).copied() else { return [0.0; N] };
    let full = rises.map(|rise| rise.map(|(_, square)| sound / square.powf(high)));
    over_peers_k(full).map(|excess| excess.unwrap_or(0.0).max(0.0))
}

/// The most that a sound termination rises over the air at rated current, in kelvin.
///
/// Source: IEC 61439-1 Table 6, terminals for external insulated conductors (from memory).
pub const SOUND_RISE_K: f64 = 70.0;

/// How far each termination stands at least over its peers, in kelvin at rated current, where nobody measures the air around
/// them: what no air and no sound rise of up to [`SOUND_RISE_K`] explains. For a peer `j`,
/// `(T_i − T_j − max(0, q_i − q_j)·70 K)/q_i` with `q` the lagged squares of [`rise_at_rated_k`].
///
/// `None` below [`LEAST_LOAD`] and for one that stands alone; the choice of the peer is that of [`over_peers_k`], and with like
/// currents the figure is the same.
pub fn over_peers_without_air_k<const N: usize>(
    temperatures_c: [Option<f64>; N],
    lagged_squares: [Option<f64>; N],
) -> [Option<f64>; N] {
    let known = |index: usize| {
        let (hot, square) = (temperatures_c[index]?, lagged_squares[index]?);
        (hot.is_finite() && square.is_finite()).then_some((hot, square))
    };
    std::array::from_fn(|own| {
        let (hot, square) = known(own).filter(|(_, square)| *square >= LEAST_LOAD * LEAST_LOAD)?;
        let mut over = [f64::NEG_INFINITY; N];
        let mut count = 0;
        for (other, other_square) in (0..N).filter(|index| *index != own).filter_map(known) {
            over[count] = hot - other - SOUND_RISE_K * (square - other_square).max(0.0);
            count += 1;
        }
        let over = &mut over[..count];
        over.sort_by(|one, other| other.total_cmp(one));
        over.get(count.saturating_sub(1) / 2).map(|over| over / square).filter(|excess| excess.is_finite())
    })
}

/// The next value of a running mean with a time constant: `(before − now)·e^(−Δt/τ) + now`, exact for any `Δt` in which
/// `now` stands still. `dt` and `tau` in the same unit, above zero; else the mean stays.
///
/// Source: the step response of a body with one time constant (textbook).
pub fn lagged(before: f64, now: f64, dt: f64, tau: f64) -> f64 {
    if dt > 0.0 && tau > 0.0 { (before - now) * (-dt / tau).exp() + now } else { before }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// ANSI/NETA Table 100.18 as a whole, in its own whole kelvin (public extract of ATS-2003).
    #[test]
    fn the_whole_published_table() {
        let like = |range: std::ops::RangeInclusive<i32>, action| {
            range
                .for_each(|k| assert_eq!(like_parts(f64::from(k)), Some(action), "{k} K between like parts"));
        };
        let air = |range: std::ops::RangeInclusive<i32>, action| {
            range.for_each(|k| assert_eq!(over_ambient(f64::from(k)), Some(action), "{k} K over air"));
        };
        like(-20..=0, Action::None);
        like(1..=3, Action::Possible);
        like(4..=15, Action::Probable);
        like(16..=200, Action::Major);
        air(-20..=0, Action::None);
        air(1..=10, Action::Possible);
        air(11..=20, Action::Probable);
        air(21..=40, Action::Monitor);
        air(41..=200, Action::Major);
    }

    /// Our edges between the rows of the table (common practice, no source).
    #[test]
    fn edges_between_the_rows() {
        assert_eq!(like_parts(0.99), Some(Action::None));
        assert_eq!(like_parts(3.99), Some(Action::Possible));
        assert_eq!(like_parts(15.0), Some(Action::Probable));
        assert_eq!(like_parts(15.01), Some(Action::Major));
        assert_eq!(over_ambient(10.99), Some(Action::Possible));
        assert_eq!(over_ambient(20.99), Some(Action::Probable));
        assert_eq!(over_ambient(40.0), Some(Action::Monitor));
        assert_eq!(over_ambient(40.01), Some(Action::Major));
        assert_eq!(like_parts(f64::NAN), None);
        assert_eq!(over_ambient(f64::INFINITY), None);
    }

    #[test]
    fn a_correction_stays_within_what_is_known_to_hold() {
        assert_eq!(corrected_difference_k(6.0, 0.0, 100.0, 2.0), None, "no current");
        assert_eq!(corrected_difference_k(6.0, 39.0, 100.0, 2.0), None, "more than 2.5 apart");
        assert_eq!(corrected_difference_k(6.0, 50.0, 100.0, 1.5), None, "no exponent of heat");
        assert_eq!(allowed_temperature_c(28.0, 50.0, 101.0, 100.0, 2.0), None, "above rated");
        assert_eq!(allowed_temperature_c(28.0, 50.0, 10.0, 0.0, 2.0), None, "no rating");
    }

    #[test]
    fn one_hot_lug_shows_in_its_own_excess_and_in_no_other() {
        // 30 K each at full load, the second 24 K more; at 60, 100 and 80 % of rated current.
        let full = [(0.6, 30.0), (1.0, 54.0), (0.8, 30.0)]
            .map(|(load, k): (f64, f64)| rise_at_rated_k(k * load * load, load * load));
        let excess = over_peers_k(full).map(|k| k.expect("all are loaded"));
        assert!((excess[1] - 24.0).abs() < 1e-9 && excess[0].abs() < 1e-9 && excess[2].abs() < 1e-9);
    }

    /// Rises by a body that still air cools with the 1.25th power of its rise: 30 K at rated current, 42.9 and 9.9 K at 125 and 50 %
    /// of it (worked: `30·1.25^1.6`, `30·0.5^1.6`).
    #[test]
    fn sound_lugs_under_unequal_load_have_an_excess_by_their_load_alone() {
        let rises = [(42.87, 1.5625), (9.896, 0.25), (9.896, 0.25)].map(Some);
        let excess =
            over_peers_k(rises.map(|part| part.and_then(|(rise, square)| rise_at_rated_k(rise, square))));
        let by_load = by_unequal_load_k(rises);
        for (excess, by_load) in excess.into_iter().zip(by_load) {
            let excess = excess.expect("all are loaded");
            assert!((excess.max(0.0) - by_load).abs() < 0.05, "{excess} {by_load}");
        }
        assert!(by_load[1] > 10.0, "{by_load:?}");
        let like = by_unequal_load_k([Some((30.0, 0.5)); 3]);
        assert!(like.iter().all(|by_load| by_load.abs() < 1e-12), "like load: {like:?}");
    }

    /// Without anybody who measures the air: the same figure with like currents, and less, never more, with unlike ones.
    #[test]
    fn without_air_a_hot_lug_still_shows_in_its_own_excess_and_in_no_other() {
        // 20 °C about them, 30 K each at full load, the second 24 K more; all at 80 % of rated current.
        let hot = [39.2, 54.56, 39.2];
        let excess = over_peers_without_air_k(hot.map(Some), [Some(0.64); 3]).map(|k| k.expect("all"));
        assert!((excess[1] - 24.0).abs() < 1e-9 && excess[0].abs() < 1e-9 && excess[2].abs() < 1e-9);
        // The others at half of that current: the lug may owe 70 K times the difference of the squares to its load.
        let unlike = over_peers_without_air_k([24.8, 54.56, 24.8].map(Some), [0.16, 0.64, 0.16].map(Some));
        assert!((unlike[1].expect("loaded") - (54.56 - 24.8 - 70.0 * 0.48) / 0.64).abs() < 1e-9);
        assert_eq!(over_peers_without_air_k([Some(90.0), None, None], [Some(0.5); 3]), [None; 3], "no peer");
        assert_eq!(
            over_peers_without_air_k([Some(90.0), Some(30.0)], [Some(0.15), Some(0.5)])[0],
            None,
            "no load"
        );
    }

    #[test]
    fn two_hot_lugs_do_not_hide_each_other() {
        let excess = over_peers_k([Some(54.0), Some(60.0), Some(30.0)]).map(|k| k.expect("all"));
        assert!((excess[0] - 24.0).abs() < 1e-9 && (excess[1] - 30.0).abs() < 1e-9, "{excess:?}");
    }

    #[test]
    fn without_load_or_peers_there_is_no_verdict() {
        assert_eq!(rise_at_rated_k(5.0, 0.39 * 0.39), None);
        assert!(rise_at_rated_k(5.0, 0.41 * 0.41).is_some());
        assert_eq!(rise_at_rated_k(5.0, 0.0), None);
        assert_eq!(over_peers_k([Some(50.0), None, None]), [None; 3]);
        assert_eq!(over_peers_k([None, None, None]), [None; 3]);
        assert_eq!(over_peers_k([Some(50.0), Some(45.0), None])[2], None, "absent in, absent out");
    }

    fn any() -> impl Strategy<Value = f64> {
        prop::num::f64::ANY
    }

    proptest! {
        #[test]
        fn no_number_that_is_none_comes_out(a in any(), b in any(), c in any(), d in any(), p in any()) {
            let outs = [
                corrected_difference_k(a, b, c, p),
                corrected_difference_k(a, b, c, 2.0),
                allowed_temperature_c(a, b, c, d, p),
                allowed_temperature_c(a, b, c, d, 1.6),
                rise_at_rated_k(a, b),
            ];
            let peers = over_peers_k([Some(a), Some(b), Some(c), None]);
            let without_air = over_peers_without_air_k([Some(a), Some(b), None], [Some(c), Some(d), Some(p)]);
            for out in outs.into_iter().chain(peers).chain(without_air).flatten() {
                prop_assert!(out.is_finite());
            }
        }

        /// Twice the heat everywhere is twice every excess; what all have alike is no excess.
        #[test]
        fn excess_scales_and_ignores_what_is_common(
            full in prop::array::uniform4(0.0..200.0f64), factor in 0.1..10.0f64, common in -50.0..50.0f64,
        ) {
            let plain = over_peers_k(full.map(Some));
            let scaled = over_peers_k(full.map(|k| Some(k * factor)));
            let moved = over_peers_k(full.map(|k| Some(k + common)));
            for ((plain, scaled), moved) in plain.into_iter().zip(scaled).zip(moved) {
                let (plain, scaled, moved) = (plain.unwrap(), scaled.unwrap(), moved.unwrap());
                prop_assert!((plain * factor - scaled).abs() < 1e-9 * (1.0 + scaled.abs()));
                prop_assert!((plain - moved).abs() < 1e-9 * (1.0 + plain.abs()));
            }
        }

        /// Sound lugs in any air at any currents show no excess, though nobody measures the air.
        #[test]
        fn sound_lugs_show_no_excess_without_air(
            air in -30.0..60.0f64, rise in 0.0..SOUND_RISE_K, squares in prop::array::uniform4(0.0..1.5f64),
        ) {
            let hot = squares.map(|square| Some(air + rise * square));
            for excess in over_peers_without_air_k(hot, squares.map(Some)).into_iter().flatten() {
                prop_assert!(excess < 1e-9, "{excess}");
            }
        }

        /// There and back again is the same difference; and the running mean never leaves what it was fed.
        #[test]
        fn corrections_undo_each_other(k in -50.0..50.0f64, one in 40.0..100.0f64, other in 40.0..100.0f64) {
            let there = corrected_difference_k(k, one, other, 1.8).unwrap();
            let back = corrected_difference_k(there, other, one, 1.8).unwrap();
            prop_assert!((back - k).abs() < 1e-9);
            let mean = lagged(one, other, k.abs(), 30.0);
            prop_assert!(mean >= one.min(other) - 1e-9 && mean <= one.max(other) + 1e-9);
        }
    }
}
