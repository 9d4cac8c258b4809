//! Robust regression of a value on one or two others, with the uncertainty of each slope: what lies far off the plane
//! counts less, so a motor that starts between two meters' moments does not bend it.
//!
//! Huber's M-estimator by repeated weighting, with the scale from the median of the absolute residuals. Bounded in points
//! and rounds; the same points in the same order give the same bits.
//!
//! Source: P. J. Huber, "Robust Estimation of a Location Parameter", Ann. Math. Statist. 35 (1964) (from memory), and the
//! textbook form of its covariance for regression.

/// The most points that one regression takes: a day of five-minute means.
pub const MOST_POINTS: usize = 288;

/// Beyond so many times the scale a residual counts less. Source: Huber's constant for 95 % efficiency with normal errors.
pub const TUNING: f64 = 1.345;

/// The median of absolute residuals times this is the scale of normal errors. Source: 1/Φ⁻¹(0.75) (textbook).
const NORMAL: f64 = 1.482_602_218_505_602;

/// It comes to rest in some ten rounds; what has not by then is given as it stands.
const MOST_ROUNDS: usize = 100;
/// So little of a change, as a share of the residuals' scale, is rest.
const REST: f64 = 1e-10;

/// One point: the two that explain, and what is explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The two that explain.
    pub x: [f64; 2],
    /// What is explained.
    pub y: f64,
}

impl Point {
    /// Whether all of it are numbers.
    pub fn is_finite(&self) -> bool {
        self.x[0].is_finite() && self.x[1].is_finite() && self.y.is_finite()
    }
}

/// What explains: one or both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The first alone.
    First,
    /// Both.
    Both,
}

/// A plane (or line) through points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// Where both that explain are zero.
    pub intercept: f64,
    /// Change of `y` for one unit of each; zero for one that was not asked for.
    pub slopes: [f64; 2],
    /// Standard error of each slope.
    pub errors: [f64; 2],
    /// Scale of the residuals: their standard deviation if they are normal.
    pub scale: f64,
    /// Correlation of the plane with the points, each counted by its weight: 0 to 1.
    pub correlation: f64,
}

/// So little of its own spread left, after what the other explains, and one can't be told from the other: 5 % of the
/// variance (common practice, no source).
const APART: f64 = 0.05;

/// Fits a plane. `None`: too few points for what is asked, one that is not a number, or no telling apart what explains.
/// Takes the first [`MOST_POINTS`].
pub fn fit(points: &[Point], by: By) -> Option<Plane> {
    let points = &points[..points.len().min(MOST_POINTS)];
    let unknowns = if by == By::Both { 3 } else { 2 };
    if points.len() <= unknowns || points.iter().any(|point| !point.is_finite()) {
        return None;
    }
    let mut weights = [1.0; MOST_POINTS];
    let mut residuals = [0.0; MOST_POINTS];
    let (weights, residuals) = (&mut weights[..points.len()], &mut residuals[..points.len()]);
    let mut plane = weighted(points, weights, by)?;
    // What is exact but for rounding has no scale to weigh by.
    let least = 1e-12 * points.iter().map(|point| point.y.abs()).fold(0.0, f64::max);
    let mut scale = 0.0;
    for _ in 0..MOST_ROUNDS {
        scale = spread(points, &plane, residuals);
        if scale <= least {
            scale = 0.0;
            break;
        }
        for (weight, point) in weights.iter_mut().zip(points) {
            let far = plane.residual(point).abs() / (TUNING * scale);
            *weight = if far > 1.0 { 1.0 / far } else { 1.0 };
        }
        let next = weighted(points, weights, by)?;
        let moved =
            points.iter().map(|point| (next.at(point.x) - plane.at(point.x)).abs()).fold(0.0, f64::max);
        plane = next;
        if moved <= REST * scale {
            break;
        }
    }
    let errors = errors(points, &plane, scale, by)?;
    let correlation = correlation(points, weights, &plane)?;
    let plane = Plane { errors, scale, correlation, ..plane };
    plane.is_finite().then_some(plane)
}

impl Plane {
    /// The plane's value.
    pub fn at(&self, x: [f64; 2]) -> f64 {
        self.intercept + self.slopes[0] * x[0] + self.slopes[1] * x[1]
    }

    fn residual(&self, point: &Point) -> f64 {
        point.y - self.at(point.x)
    }

    fn is_finite(&self) -> bool {
        let [[one, two], [three, four]] = [self.slopes, self.errors];
        [self.intercept, self.scale, self.correlation, one, two, three, four].into_iter().all(f64::is_finite)
    }
}

/// Weighted sums around the weighted means: of both that explain with each other, and with what is explained.
struct Sums {
    weight: f64,
    mean: ([f64; 2], f64),
    /// xx, xz, zz.
    own: [f64; 3],
    /// xy, zy, yy.
    with: [f64; 3],
}

impl Sums {
    fn of(points: &[Point], weights: &[f64]) -> Self {
        let each = || points.iter().zip(weights);
        let weight: f64 = weights.iter().sum();
        let mean = |value: fn(&Point) -> f64| each().map(|(point, w)| w * value(point)).sum::<f64>() / weight;
        let mean = ([mean(|point| point.x[0]), mean(|point| point.x[1])], mean(|point| point.y));
        let (mut own, mut with) = ([0.0; 3], [0.0; 3]);
        for (point, w) in each() {
            let (x, z, y) = (point.x[0] - mean.0[0], point.x[1] - mean.0[1], point.y - mean.1);
            for (sum, value) in own.iter_mut().zip([x * x, x * z, z * z]) {
                *sum += w * value;
            }
            for (sum, value) in with.iter_mut().zip([x * y, z * y, y * y]) {
                *sum += w * value;
            }
        }
        Self { weight, mean, own, with }
    }

    /// The inverse of the sums of what explains; `None` where it can't be told apart or stands still.
    fn inverse(&self, by: By) -> Option<[f64; 3]> {
        let [xx, xz, zz] = self.own;
        let moves = |square: f64, mean: f64| square > 1e-18 * self.weight * (1.0 + mean * mean);
        if !moves(xx, self.mean.0[0]) {
            return None;
        }
        if by == By::First {
            return Some([1.0 / xx, 0.0, 0.0]);
        }
        let determinant = xx * zz - xz * xz;
        let apart = moves(zz, self.mean.0[1]) && determinant >= APART * xx * zz;
        apart.then(|| [zz / determinant, -xz / determinant, xx / determinant])
    }
}

/// Least squares with weights.
fn weighted(points: &[Point], weights: &[f64], by: By) -> Option<Plane> {
    let sums = Sums::of(points, weights);
    let [a, b, d] = sums.inverse(by)?;
    let [xy, zy, _] = sums.with;
    let slopes = [a * xy + b * zy, b * xy + d * zy];
    let intercept = sums.mean.1 - slopes[0] * sums.mean.0[0] - slopes[1] * sums.mean.0[1];
    Some(Plane { intercept, slopes, errors: [0.0; 2], scale: 0.0, correlation: 0.0 })
}

/// The scale of the residuals: median of their sizes, made that of normal errors.
fn spread(points: &[Point], plane: &Plane, sizes: &mut [f64]) -> f64 {
    for (size, point) in sizes.iter_mut().zip(points) {
        *size = plane.residual(point).abs();
    }
    median(sizes) * NORMAL
}

/// The middle of values, which it sorts; of an even count the mean of the two middle ones. Not a number without any.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => f64::NAN,
        count if count % 2 == 0 => f64::midpoint(values[half - 1], values[half]),
        _ => values[half],
    }
}

/// Huber's covariance: `s²·[Σψ²/(n−p)]/[Σψ′/n]²·(XᵀX)⁻¹`, with ψ in units of the scale.
fn errors(points: &[Point], plane: &Plane, scale: f64, by: By) -> Option<[f64; 2]> {
    if scale <= 0.0 {
        return Some([0.0; 2]);
    }
    let count = points.len() as f64;
    let unknowns = if by == By::Both { 3.0 } else { 2.0 };
    let (mut squares, mut inside) = (0.0, 0.0);
    for point in points {
        let size = plane.residual(point).abs() / scale;
        squares += size.min(TUNING).powi(2);
        inside += f64::from(u8::from(size <= TUNING));
    }
    let factor = scale * scale * (squares / (count - unknowns)) / (inside / count).powi(2);
    let ones = [1.0; MOST_POINTS];
    let [a, _, d] = Sums::of(points, &ones[..points.len()]).inverse(by)?;
    Some([(factor * a).sqrt(), (factor * d).sqrt()])
}

fn correlation(points: &[Point], weights: &[f64], plane: &Plane) -> Option<f64> {
    let whole = Sums::of(points, weights).with[2];
    let rest: f64 = points.iter().zip(weights).map(|(point, w)| w * plane.residual(point).powi(2)).sum();
    (whole > 0.0).then(|| (1.0 - rest / whole).clamp(0.0, 1.0).sqrt())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Points of one plane without noise.
    pub(crate) fn plane(points: usize) -> Vec<Point> {
        // Two that explain and do not move alike.
        let x = |index: usize| [20.0 + (index * 37 % 160) as f64, (index * 53 % 71) as f64];
        (0..points)
            .map(|index| Point { x: x(index), y: 0.2 + 0.5 * x(index)[0] - 0.3 * x(index)[1] })
            .collect()
    }

    #[test]
    fn an_exact_plane_is_found_exactly() {
        let found = fit(&plane(60), By::Both).unwrap();
        assert!((found.slopes[0] - 0.5).abs() < 1e-12 && (found.slopes[1] + 0.3).abs() < 1e-12);
        assert!((found.intercept - 0.2).abs() < 1e-9 && found.correlation > 0.999_999);
        assert!(found.errors.iter().all(|error| *error < 1e-9));
    }

    // Seen to fail with plain least squares, which wild points at one end bend.
    #[test]
    fn wild_points_bend_it_little() {
        let mut points = plane(60);
        for (index, point) in points.iter_mut().enumerate() {
            let wild = point.x[0] > 150.0 && index % 2 == 0;
            point.y += if wild { 40.0 } else { [0.1, -0.2, 0.05, -0.1, 0.15][index % 5] };
        }
        let found = fit(&points, By::Both).unwrap();
        assert!((found.slopes[0] - 0.5).abs() < 0.01 && (found.slopes[1] + 0.3).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn what_cannot_be_told_apart_or_stands_still_gives_nothing() {
        let alike: Vec<Point> =
            (0..60).map(|i| f64::from(i % 20)).map(|x| Point { x: [x, 2.0 * x], y: x }).collect();
        assert_eq!(fit(&alike, By::Both), None);
        assert!(fit(&alike, By::First).is_some());
        let still = [Point { x: [5.0, 1.0], y: 2.0 }; 40];
        assert_eq!(fit(&still, By::First), None);
        assert_eq!(fit(&plane(3), By::Both), None, "as many points as unknowns");
        assert_eq!(fit(&[], By::First), None);
    }

    fn point() -> impl Strategy<Value = Point> {
        (0.0..200.0f64, 0.0..60.0f64, -1.0..1.0f64).prop_map(|(own, neutral, noise)| Point {
            x: [own, neutral],
            y: 0.1 + 0.002 * own + 0.001 * neutral + 0.02 * noise,
        })
    }

    proptest! {
        #[test]
        fn nothing_but_numbers_comes_out(values in prop::collection::vec(prop::array::uniform3(prop::num::f64::ANY), 0..40)) {
            let points: Vec<Point> = values.iter().map(|[x, z, y]| Point { x: [*x, *z], y: *y }).collect();
            for found in [fit(&points, By::Both), fit(&points, By::First)].into_iter().flatten() {
                prop_assert!(found.is_finite());
            }
        }

        /// Volts twice as large are slopes twice as large; amperes twice as large are slopes half as large; a meter that shows a
        /// volt more moves the intercept alone.
        #[test]
        fn slopes_follow_the_units(points in prop::collection::vec(point(), 30..120), factor in 0.5..20.0f64) {
            let plain = fit(&points, By::Both);
            prop_assume!(plain.is_some());
            let plain = plain.unwrap();
            let with = |change: &dyn Fn(&Point) -> Point| {
                fit(&points.iter().map(change).collect::<Vec<_>>(), By::Both).unwrap()
            };
            let louder = with(&|point| Point { y: point.y * factor, ..*point });
            let wider = with(&|point| Point { x: point.x.map(|x| x * factor), ..*point });
            let moved = with(&|point| Point { y: point.y + 1.0, ..*point });
            for index in 0..2 {
                let near = |got: f64, want: f64| (got - want).abs() < 1e-6 * (1e-3 + want.abs());
                prop_assert!(near(louder.slopes[index], plain.slopes[index] * factor));
                prop_assert!(near(wider.slopes[index], plain.slopes[index] / factor));
                prop_assert!(near(moved.slopes[index], plain.slopes[index]));
                prop_assert!(near(louder.errors[index], plain.errors[index] * factor));
            }
        }
    }
}
