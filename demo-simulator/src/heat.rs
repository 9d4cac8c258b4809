//! Where the losses go: windings, terminations and feeder lugs as warm bodies, stepped through time a second at a
//! time. Still air takes heat with the 1.25th power of the rise, which drives its stream, so a steady rise goes like load
//! to the 1.6; the stream of fans does not, and takes heat in proportion to the rise, which then goes like load squared.

/// Longest step of the integration in seconds; far below the shortest time constant here (a lug's, minutes).
const STEP_S: f64 = 1.0;

/// A body of one temperature.
#[derive(Debug, Clone, Copy)]
pub struct Body {
    /// Joules per kelvin.
    pub capacity: f64,
    /// Watts given to the air at a rise of one kelvin; at a rise of R: `cooling · R^1.25`.
    pub cooling: f64,
    /// Present temperature, °C.
    pub celsius: f64,
}

impl Body {
    /// A body that has risen by `rise_k` when `watts` have flowed for long, and whose first temperature moves
    /// with about `time_constant_s`.
    pub fn rated(watts: f64, rise_k: f64, time_constant_s: f64, celsius: f64) -> Self {
        Self { capacity: time_constant_s * watts / rise_k, cooling: watts / convection(rise_k), celsius }
    }

    /// Watts that it gives to air of this temperature; negative if the air is warmer.
    pub fn gives(&self, ambient_c: f64) -> f64 {
        self.cooling * convection(self.celsius - ambient_c)
    }

    /// Watts that fans take from it: in proportion to its rise.
    fn gives_to_fans(&self, fans: Fans, ambient_c: f64) -> f64 {
        let at_rated = self.cooling * convection(fans.rated_rise_k);
        fans.times * at_rated * (self.celsius - ambient_c) / fans.rated_rise_k
    }

    /// Warms or cools for a short time with this net power.
    fn take(&mut self, watts: f64, seconds: f64) {
        self.celsius += watts * seconds / self.capacity;
    }
}

/// `rise^1.25`, with the sign of the rise.
fn convection(rise_k: f64) -> f64 {
    rise_k * rise_k.abs().sqrt().sqrt()
}

/// Fans that blow on windings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fans {
    /// At the rated rise they take so many times what still air takes.
    pub times: f64,
    /// Rated rise of the windings, K.
    pub rated_rise_k: f64,
}

/// The air at the windings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// °C.
    pub celsius: f64,
    /// Share of the cooling that is left: 1 with free vents.
    pub vents: f64,
    /// Fans, while they run.
    pub fans: Option<Fans>,
}

/// Watts that become heat now.
#[derive(Debug, Clone, Default)]
pub struct Losses {
    /// In each winding.
    pub windings: [f64; 3],
    /// In the secondary terminations A, B, C and N.
    pub terminations: [f64; 4],
    /// In each feeder's lugs A, B and C.
    pub lugs: Vec<[f64; 3]>,
}

/// The warm parts of one transformer.
#[derive(Debug, Clone)]
pub struct Heat {
    /// Windings A, B, C.
    pub windings: [Body; 3],
    /// Terminations A, B, C, N.
    pub terminations: [Body; 4],
    /// Lugs of each feeder.
    pub lugs: Vec<[Body; 3]>,
    /// Heat conducted between a feeder's lug and the termination of its phase, watts per kelvin.
    pub conduction: f64,
}

impl Heat {
    /// Lets `seconds` pass with constant losses.
    pub fn pass(&mut self, losses: &Losses, air: Air, seconds: f64) {
        let steps = (seconds / STEP_S).ceil().max(1.0);
        let step = seconds / steps;
        for _ in 0..steps as u64 {
            self.step(losses, air, step);
        }
    }

    fn step(&mut self, losses: &Losses, air: Air, seconds: f64) {
        let ambient_c = air.celsius;
        for (body, watts) in self.windings.iter_mut().zip(losses.windings) {
            let gives = match air.fans {
                Some(fans) => body.gives_to_fans(fans, ambient_c),
                None => body.gives(ambient_c),
            };
            body.take(watts - air.vents * gives, seconds);
        }
        let mut inflow = losses.terminations;
        for (lugs, watts) in self.lugs.iter_mut().zip(&losses.lugs) {
            for phase in 0..3 {
                let conducted = self.conduction * (lugs[phase].celsius - self.terminations[phase].celsius);
                inflow[phase] += conducted;
                let net = watts[phase] - conducted - lugs[phase].gives(ambient_c);
                lugs[phase].take(net, seconds);
            }
        }
        for (body, watts) in self.terminations.iter_mut().zip(inflow) {
            body.take(watts - body.gives(ambient_c), seconds);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heat() -> Heat {
        let winding = Body::rated(600.0, 110.0, 2700.0, 25.0);
        let lug = Body { capacity: 150.0, cooling: 0.05, celsius: 25.0 };
        let termination = Body::rated(9.0, 32.0, 1500.0, 25.0);
        Heat { windings: [winding; 3], terminations: [termination; 4], lugs: vec![[lug; 3]], conduction: 0.6 }
    }

    const STILL: Air = Air { celsius: 25.0, vents: 1.0, fans: None };

    fn losses(load: f64) -> Losses {
        let square = load * load;
        Losses {
            windings: [600.0 * square; 3],
            terminations: [9.0 * square; 4],
            lugs: vec![[2.0 * square; 3]],
        }
    }

    fn steady(load: f64, vents: f64) -> f64 {
        let mut heat = heat();
        heat.pass(&losses(load), Air { vents, ..STILL }, 12.0 * 3600.0);
        heat.windings[0].celsius - 25.0
    }

    #[test]
    fn the_steady_rise_goes_like_load_to_the_1_6() {
        let (full, half) = (steady(1.0, 1.0), steady(0.5, 1.0));
        assert!((full - 110.0).abs() < 0.5, "rated rise {full}");
        let exponent = (full / half).ln() / 2.0_f64.ln();
        assert!((exponent - 1.6).abs() < 0.02, "exponent {exponent}");
    }

    #[test]
    fn before_fans_the_steady_rise_goes_like_load_squared() {
        let fans = Some(Fans { times: 16.0 / 9.0, rated_rise_k: 110.0 });
        let steady = |load: f64| {
            let mut heat = heat();
            heat.pass(&losses(load), Air { fans, ..STILL }, 12.0 * 3600.0);
            heat.windings[0].celsius - 25.0
        };
        assert!((steady(4.0 / 3.0) - 110.0).abs() < 0.5, "{}", steady(4.0 / 3.0));
        assert!((steady(1.0) / steady(0.5) - 4.0).abs() < 0.02);
    }

    #[test]
    fn losses_are_either_stored_or_given_to_the_air() {
        let mut heat = heat();
        let losses = losses(0.8);
        let stored = |heat: &Heat| {
            let bodies = heat.windings.iter().chain(&heat.terminations).chain(heat.lugs.iter().flatten());
            bodies.map(|b| b.capacity * b.celsius).sum::<f64>()
        };
        let before = stored(&heat);
        let mut given = 0.0;
        for _ in 0..3600 {
            let bodies = heat.windings.iter().chain(&heat.terminations).chain(heat.lugs.iter().flatten());
            given += bodies.map(|b| b.gives(25.0)).sum::<f64>();
            heat.pass(&losses, STILL, 1.0);
        }
        let made: f64 = losses.windings.iter().chain(&losses.terminations).chain(&losses.lugs[0]).sum();
        let gained = stored(&heat) - before;
        assert!((made * 3600.0 - given - gained).abs() < 1e-3 * made * 3600.0);
        assert!(gained > 1e5, "the bodies have warmed: {gained} J");
    }

    #[test]
    fn half_the_vents_give_three_quarters_more_rise() {
        let more = steady(0.7, 0.5) / steady(0.7, 1.0);
        assert!((more - 2.0_f64.powf(0.8)).abs() < 0.03, "{more}");
    }

    #[test]
    fn a_spark_in_a_lug_warms_the_termination_of_its_phase_only() {
        let mut heat = heat();
        heat.pass(&losses(0.5), STILL, 6.0 * 3600.0);
        let before = heat.terminations.map(|b| b.celsius);
        let mut spark = losses(0.5);
        spark.lugs[0][1] += 600.0;
        heat.pass(&spark, STILL, 5.0);
        heat.pass(&losses(0.5), STILL, 60.0);
        let after = heat.terminations.map(|b| b.celsius);
        assert!(after[1] - before[1] > 1.0, "{before:?} {after:?}");
        assert!((after[0] - before[0]).abs() < 0.1, "{before:?} {after:?}");
    }
}
