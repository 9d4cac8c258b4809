//! Complex numbers and three-by-three systems: just what the circuit needs, and nothing shared with the
//! program under test.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// A complex number; a phasor where it stands for a voltage or current (r.m.s. magnitude, fundamental).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[must_use]
pub struct Complex {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Complex {
    /// Nothing.
    pub const ZERO: Self = Self { re: 0.0, im: 0.0 };
    /// The turn of nothing.
    pub const ONE: Self = Self { re: 1.0, im: 0.0 };

    /// From its two parts.
    pub const fn new(re: f64, im: f64) -> Self {
        Self { re, im }
    }

    /// From a magnitude and an angle in degrees, positive leading.
    pub fn polar(magnitude: f64, degrees: f64) -> Self {
        let (sin, cos) = degrees.to_radians().sin_cos();
        Self { re: magnitude * cos, im: magnitude * sin }
    }

    /// The magnitude.
    pub fn abs(self) -> f64 {
        self.abs_squared().sqrt()
    }

    /// The magnitude squared.
    pub fn abs_squared(self) -> f64 {
        self.re * self.re + self.im * self.im
    }

    /// The complex conjugate.
    pub fn conj(self) -> Self {
        Self { re: self.re, im: -self.im }
    }

    /// One over it. Of zero: not finite.
    pub fn inverse(self) -> Self {
        let square = self.abs_squared();
        Self { re: self.re / square, im: -self.im / square }
    }

    /// Multiplied by a real number.
    pub fn times(self, factor: f64) -> Self {
        Self { re: self.re * factor, im: self.im * factor }
    }
}

impl Add for Complex {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }
}

impl AddAssign for Complex {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Complex {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Neg for Complex {
    type Output = Self;
    fn neg(self) -> Self {
        Self { re: -self.re, im: -self.im }
    }
}

impl Mul for Complex {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

impl Div for Complex {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let square = other.abs_squared();
        (self * other.conj()).times(1.0 / square)
    }
}

/// One value for each of phases A, B and C.
pub type Abc = [Complex; 3];
/// A three-by-three matrix over the phases, by rows.
pub type Matrix = [[Complex; 3]; 3];

/// The matrix times the vector.
pub fn apply(matrix: &Matrix, vector: &Abc) -> Abc {
    matrix.map(|row| row[0] * vector[0] + row[1] * vector[1] + row[2] * vector[2])
}

/// Solves `matrix · x = right` by elimination with row exchange. A singular matrix gives values that are not
/// finite; the networks here never build one.
pub fn solve(mut matrix: Matrix, mut right: Abc) -> Abc {
    for column in 0..3 {
        let best = (column..3)
            .max_by(|&a, &b| matrix[a][column].abs_squared().total_cmp(&matrix[b][column].abs_squared()))
            .unwrap_or(column);
        matrix.swap(column, best);
        right.swap(column, best);
        let pivot = matrix[column][column].inverse();
        for row in column + 1..3 {
            let factor = matrix[row][column] * pivot;
            let above = matrix[column];
            for (value, above) in matrix[row].iter_mut().zip(above).skip(column) {
                *value = *value - factor * above;
            }
            right[row] = right[row] - factor * right[column];
        }
    }
    let z = right[2] / matrix[2][2];
    let y = (right[1] - matrix[1][2] * z) / matrix[1][1];
    let x = (right[0] - matrix[0][1] * y - matrix[0][2] * z) / matrix[0][0];
    [x, y, z]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_solved_system_gives_back_its_right_side() {
        let c = Complex::new;
        let matrix = [
            [c(0.0, 1.0), c(2.0, 0.0), c(-1.0, 0.5)],
            [c(3.0, 0.0), c(0.1, -1.0), c(0.0, 2.0)],
            [c(1.0, 1.0), c(4.0, 0.0), c(5.0, -3.0)],
        ];
        let right = [c(1.0, 2.0), c(-3.0, 0.0), c(0.5, 0.5)];
        let back = apply(&matrix, &solve(matrix, right));
        for (a, b) in back.iter().zip(&right) {
            assert!((*a - *b).abs() < 1e-12, "{a:?} is not {b:?}");
        }
    }
}
