//! Harmonic figures of random spectra against numpy.

use kvarden_core::electrical::distortion::{self, Orders};
use kvarden_core::electrical::loss::{self, Loss};
use kvarden_core::electrical::spectrum::Spectrum;
use kvarden_tests::modbus_server::{part, python};
use kvarden_tests::program::text;
use kvarden_tests::wait::{Chance, run_to_end};
use std::fmt::Write;
use std::path::Path;

const SPECTRA: usize = 2000;
const SEED: u64 = 20_261_126;

/// Of all kinds: smooth and wild ones, short lists, orders missing here and there.
fn spectrum(chance: &mut Chance) -> Spectrum {
    let reach = if chance.below(4) == 0 { 5 + chance.below(20) as u8 } else { Spectrum::HIGHEST };
    let (fundamental, wild) = (1.0 + 400.0 * chance.share(), chance.below(2) == 0);
    let missing = chance.below(3) * 15;
    let mut spectrum = Spectrum::EMPTY;
    for order in 1..=reach {
        let fall = if wild { 1.0 } else { 1.0 / f64::from(order) };
        let value = if order == 1 { fundamental } else { 0.8 * fundamental * fall * chance.share() };
        // One in a thousand, or some more, is not given.
        if chance.below(1000) >= missing {
            spectrum.set(order, Some(value));
        }
    }
    spectrum
}

fn row(spectrum: &Spectrum, wrong_by: f64) -> String {
    let cell = |value: Option<f64>| value.map(|value| format!("{value:?}")).unwrap_or_default();
    let mut row = String::new();
    for order in 1..=Spectrum::HIGHEST {
        let _ = write!(row, "{},", cell(spectrum.get(order)));
    }
    let figures = [
        distortion::percent(spectrum, Orders::All, 0.0).ok(),
        loss::loss_factor(spectrum, Loss::Eddy, 0.0).ok().map(|factor| factor * wrong_by),
        loss::loss_factor(spectrum, Loss::OtherStray, 0.0).ok(),
        loss::k_factor(spectrum, 100.0).ok(),
        loss::european_factor(spectrum, 0.1, 1.7).ok(),
    ];
    row + &figures.map(cell).join(",")
}

fn write(path: &Path, spectra: &[Spectrum], wrong_by: f64) {
    let orders: Vec<String> = (1..=50).map(|order| format!("o{order}")).collect();
    let mut csv = format!("{},thd,f_hl,f_hl_str,k,european\n", orders.join(","));
    for spectrum in spectra {
        let _ = writeln!(csv, "{}", row(spectrum, wrong_by));
    }
    std::fs::write(path, csv).expect("a file can be written");
}

#[test]
fn spectra_of_all_kinds_come_out_as_numpy_has_them() {
    let chance = &mut Chance(SEED);
    let spectra: Vec<Spectrum> = (0..SPECTRA).map(|_| spectrum(chance)).collect();
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let path = folder.path().join("spectra.csv");
    // The second time one figure is wrong by a hundred-thousandth: that must be seen.
    for (wrong_by, agrees) in [(1.0, true), (1.000_01, false)] {
        write(&path, &spectra, wrong_by);
        let output = run_to_end(python("numpy").arg(part("harmonics.py")).arg(&path));
        let said = format!("seed {SEED}\n{}{}", text(&output.stdout), text(&output.stderr));
        assert_eq!(output.status.success(), agrees, "{said}");
        assert!(agrees || said.contains("f_hl differs"), "{said}");
    }
}
