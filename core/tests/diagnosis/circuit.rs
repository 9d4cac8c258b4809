//! The circuit of the stories, by phasors: a stiff or sagging source behind the transformer's impedance, feeders with a cable, a contact
//! in each phase and a load to neutral. Solved here by Kirchhoff's laws; nothing of the program is asked.
#![allow(unreachable_pub, reason = "a module of one test binary")]

use num_complex::Complex64;

/// A feeder.
#[derive(Debug, Clone, Copy)]
pub struct Branch {
    /// Ohms of a contact in series, by phase.
    pub contact: [f64; 3],
    /// Ohms of the loads to neutral, by phase; infinite: none.
    pub load: [Complex64; 3],
}

impl Branch {
    /// Loads of so many amperes at 120 V and this power factor.
    pub fn drawing(amperes: [f64; 3], power_factor: f64) -> Self {
        let turn = Complex64::from_polar(1.0, power_factor.acos());
        Self { contact: [0.0; 3], load: amperes.map(|amperes| turn * 120.0 / amperes) }
    }

    pub fn with_contact(mut self, phase: usize, ohms: f64) -> Self {
        self.contact[phase] += ohms;
        self
    }
}

/// What a place shows.
#[derive(Debug, Clone, Copy)]
pub struct Shown {
    pub volts: [Complex64; 3],
    pub amperes: [Complex64; 3],
}

/// A cable of some 30 m and a transformer of 75 kVA and 4.5 %, ohms (common practice, no source).
const CABLE: Complex64 = Complex64::new(0.02, 0.008);
const UNIT: Complex64 = Complex64::new(0.012, 0.023);

/// The bus and the far end of every feeder, for the source's volts by phase (per unit of 120 V).
pub fn solve(source: [f64; 3], branches: &[Branch]) -> Vec<Shown> {
    let zero = Complex64::new(0.0, 0.0);
    let mut shown = vec![Shown { volts: [zero; 3], amperes: [zero; 3] }; 1 + branches.len()];
    for (phase, source) in source.into_iter().enumerate() {
        let open = Complex64::from_polar(120.0 * source, (-120.0 * phase as f64).to_radians());
        let ways: Vec<Complex64> = branches
            .iter()
            .map(|branch| 1.0 / (CABLE + branch.contact[phase] + branch.load[phase]))
            .collect();
        let bus = open / (1.0 + UNIT * ways.iter().sum::<Complex64>());
        shown[0].volts[phase] = bus;
        for (index, (branch, way)) in branches.iter().zip(&ways).enumerate() {
            let amperes = bus * way;
            shown[1 + index].amperes[phase] = amperes;
            shown[1 + index].volts[phase] = amperes * branch.load[phase];
            shown[0].amperes[phase] += amperes;
        }
    }
    shown
}

impl Shown {
    /// As a power meter gives it, with errors of so many per cent that change from second to second.
    pub fn read(&self, noise_percent: f64, seed: u64) -> Vec<f64> {
        let lines = [0, 1, 2].map(|k| self.volts[k] - self.volts[(k + 1) % 3]);
        let neutral: Complex64 = self.amperes.iter().sum();
        let watts = [0, 1, 2].map(|k| (self.volts[k] * self.amperes[k].conj()).re);
        let plain = self.volts.iter().chain(&lines).chain(&self.amperes).map(|phasor| phasor.norm());
        let all = plain.chain([neutral.norm()]).chain(watts);
        all.enumerate()
            .map(|(channel, value)| value * (1.0 + noise_percent / 100.0 * noise(seed, channel as u64)))
            .collect()
    }
}

/// Between −1 and 1, the same for the same numbers.
fn noise(seed: u64, channel: u64) -> f64 {
    let mut state = (seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ channel).wrapping_mul(0xD129_0D3B_3A2B_2A2D);
    state ^= state >> 29;
    state = state.wrapping_mul(0x94D0_49BB_1331_11EB);
    state ^= state >> 32;
    (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}
