//! Hum: tones of a sound or vibration channel at multiples of the line frequency, compared at like volts and like load; and
//! the average sound levels that units are built for.

use serde::{Deserialize, Serialize};

/// The multiples of the line frequency that a core's hum is made of, and the first, which a healthy one hardly has.
pub const MULTIPLES: [u8; 4] = [1, 2, 4, 6];

/// What a tone at a multiple of the line frequency says. Source: common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// Twice the line frequency and its even multiples: a core's own.
    Own,
    /// An odd multiple: points to dc or half-wave load.
    DcBias,
}

/// What a tone at this multiple of the line frequency says; `None` for none.
pub fn tone(multiple: u8) -> Option<Tone> {
    match multiple {
        0 => None,
        even if even.is_multiple_of(2) => Some(Tone::Own),
        _ => Some(Tone::DcBias),
    }
}

/// Average sound level in dB(A) that a dry unit of low voltage is built for, by its kVA; `None` above 1000 kVA.
///
/// Source: NEMA ST 20 (from memory).
pub fn average_sound_level_dba(kva: f64) -> Option<f64> {
    let row = AVERAGE_SOUND.iter().find(|(most, _)| kva <= *most);
    row.filter(|_| kva > 0.0).map(|(_, level)| *level)
}

const AVERAGE_SOUND: [(f64, f64); 7] =
    [(9.0, 40.0), (50.0, 45.0), (150.0, 50.0), (300.0, 55.0), (500.0, 60.0), (700.0, 62.0), (1000.0, 64.0)];

/// Volts are alike within this many per cent, loads within so many: a core's hum follows volts steeply and load mildly
/// (common practice, no source).
pub const ALIKE: (f64, f64) = (1.0, 20.0);
/// Volts from 90 to 112 % of nominal, loads from 0 to 120 %.
const VOLTS_FROM: f64 = 90.0;
const CELLS: (usize, usize) = (22, 6);
/// So many values of one cell are learned from, an hour of them; later ones are compared (common practice, no source).
const LEARNED_FROM: u32 = 360;

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Cell {
    sum: f64,
    count: u32,
}

/// What a tone usually is at like volts and load: the mean of the first values of each cell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LikeForLike {
    cells: Vec<Cell>,
}

impl Default for LikeForLike {
    fn default() -> Self {
        Self { cells: vec![Cell::default(); CELLS.0 * CELLS.1] }
    }
}

impl LikeForLike {
    fn cell(&mut self, volts_percent: f64, load_percent: f64) -> Option<&mut Cell> {
        let volts = (volts_percent - VOLTS_FROM) / ALIKE.0;
        let load = load_percent / ALIKE.1;
        let inside = (0.0..CELLS.0 as f64).contains(&volts) && (0.0..CELLS.1 as f64).contains(&load);
        if inside { self.cells.get_mut(volts as usize * CELLS.1 + load as usize) } else { None }
    }

    /// Takes a tone's level at volts and load in per cent of nominal and rated. Gives by how much it differs from what it was
    /// at like volts and load, in its own unit; `None` while that is still being learned, and outside what is compared.
    pub fn compare(&mut self, volts_percent: f64, load_percent: f64, level: f64) -> Option<f64> {
        if !level.is_finite() {
            return None;
        }
        let cell = self.cell(volts_percent, load_percent)?;
        if cell.count < LEARNED_FROM {
            cell.sum += level;
            cell.count += 1;
            return None;
        }
        let excess = level - cell.sum / f64::from(cell.count);
        excess.is_finite().then_some(excess)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// NEMA ST 20 as a whole (from memory): up to this kVA, this average level.
    #[test]
    fn the_whole_table_of_average_sound_levels() {
        let table = [
            (9.0, 40.0),
            (50.0, 45.0),
            (150.0, 50.0),
            (300.0, 55.0),
            (500.0, 60.0),
            (700.0, 62.0),
            (1000.0, 64.0),
        ];
        let mut below = 0.0;
        for (kva, level) in table {
            assert_eq!(average_sound_level_dba(kva), Some(level));
            assert_eq!(average_sound_level_dba(below + 0.1), Some(level));
            below = kva;
        }
        assert_eq!((average_sound_level_dba(1000.1), average_sound_level_dba(0.0)), (None, None));
        assert_eq!(average_sound_level_dba(f64::NAN), None);
    }

    #[test]
    fn odd_multiples_point_to_dc() {
        assert_eq!(
            MULTIPLES.map(tone),
            [Some(Tone::DcBias), Some(Tone::Own), Some(Tone::Own), Some(Tone::Own)]
        );
        assert_eq!((tone(0), tone(3)), (None, Some(Tone::DcBias)));
    }

    // Seen to fail when all volts were one cell.
    #[test]
    fn a_tone_is_compared_at_like_volts_and_load_alone() {
        let mut usual = LikeForLike::default();
        let hum = |volts: f64, load: f64| 50.0 + 2.0 * (volts - 100.0) + 0.02 * load;
        for _ in 0..LEARNED_FROM {
            for (volts, load) in [(100.5, 30.0), (102.5, 30.0), (100.5, 90.0)] {
                assert_eq!(usual.compare(volts, load, hum(volts, load)), None, "still learned");
            }
        }
        assert!(usual.compare(102.5, 30.0, hum(102.5, 30.0)).unwrap().abs() < 1e-9);
        assert!((usual.compare(100.5, 90.0, hum(100.5, 90.0) + 6.0).unwrap() - 6.0).abs() < 1e-9);
        assert_eq!(usual.compare(105.5, 30.0, 60.0), None, "never heard at such volts");
        assert_eq!(usual.compare(70.0, 30.0, 60.0), None, "no volts at which it is compared");
    }

    proptest! {
        #[test]
        fn never_a_number_that_is_none(volts in prop::num::f64::ANY, load in prop::num::f64::ANY, level in prop::num::f64::ANY) {
            let mut usual = LikeForLike::default();
            for _ in 0..=LEARNED_FROM {
                prop_assert!(usual.compare(volts, load, level).is_none_or(f64::is_finite));
            }
            prop_assert!(average_sound_level_dba(volts).is_none_or(f64::is_finite));
        }
    }
}
