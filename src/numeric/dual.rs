//! Numbers that carry their derivatives by `N` parameters along (forward differentiation).
//!
//! A function written once over such numbers gives its value and its exact gradient. Source: A. Griewank, A. Walther,
//! Evaluating Derivatives, 2nd ed., SIAM 2008, chapter 3.

use std::ops::{Add, Div, Mul, Sub};

/// A value with its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const N: usize> {
    /// The value.
    pub value: f64,
    /// Its derivatives by the parameters.
    pub by: [f64; N],
}

impl<const N: usize> Dual<N> {
    /// A number that depends on no parameter.
    #[must_use]
    pub const fn constant(value: f64) -> Self {
        Self { value, by: [0.0; N] }
    }

    /// Parameter number `index` itself.
    #[must_use]
    pub const fn parameter(value: f64, index: usize) -> Self {
        let mut by = [0.0; N];
        by[index] = 1.0;
        Self { value, by }
    }

    /// The value `f` of a function of this number, with its derivative `slope`.
    #[must_use]
    pub fn chain(self, f: f64, slope: f64) -> Self {
        Self { value: f, by: self.by.map(|d| slope * d) }
    }

    /// Exponential; the argument is held where squares stay finite.
    #[must_use]
    pub fn exp(self) -> Self {
        let f = self.value.clamp(-200.0, 200.0).exp();
        self.chain(f, f)
    }

    /// Natural logarithm.
    #[must_use]
    pub fn ln(self) -> Self {
        self.chain(self.value.ln(), self.value.recip())
    }

    /// Square root; its derivative at zero is taken as zero.
    #[must_use]
    pub fn sqrt(self) -> Self {
        let f = self.value.max(0.0).sqrt();
        self.chain(f, if f > 0.0 { 0.5 / f } else { 0.0 })
    }

    /// 1 / self.
    #[must_use]
    pub fn recip(self) -> Self {
        let f = self.value.recip();
        self.chain(f, -f * f)
    }
}

impl<const N: usize> Add for Dual<N> {
    type Output = Self;

    fn add(mut self, other: Self) -> Self {
        self.value += other.value;
        for (a, b) in self.by.iter_mut().zip(&other.by) {
            *a += b;
        }
        self
    }
}

impl<const N: usize> Sub for Dual<N> {
    type Output = Self;

    fn sub(mut self, other: Self) -> Self {
        self.value -= other.value;
        for (a, b) in self.by.iter_mut().zip(&other.by) {
            *a -= b;
        }
        self
    }
}

impl<const N: usize> Mul for Dual<N> {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        let mut by = [0.0; N];
        for (d, (a, b)) in by.iter_mut().zip(self.by.iter().zip(&other.by)) {
            *d = a * other.value + b * self.value;
        }
        Self { value: self.value * other.value, by }
    }
}

impl<const N: usize> Div for Dual<N> {
    type Output = Self;

    #[expect(clippy::suspicious_arithmetic_impl, reason = "a quotient is the product with the reciprocal")]
    fn div(self, other: Self) -> Self {
        self * other.recip()
    }
}

impl<const N: usize> Add<f64> for Dual<N> {
    type Output = Self;

    fn add(mut self, other: f64) -> Self {
        self.value += other;
        self
    }
}

impl<const N: usize> Sub<f64> for Dual<N> {
    type Output = Self;

    fn sub(mut self, other: f64) -> Self {
        self.value -= other;
        self
    }
}

impl<const N: usize> Mul<f64> for Dual<N> {
    type Output = Self;

    fn mul(self, other: f64) -> Self {
        self.chain(self.value * other, other)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_are_those_of_difference_quotients() {
        let f = |p: [f64; 2]| {
            let (a, b) = (Dual::<2>::parameter(p[0], 0), Dual::<2>::parameter(p[1], 1));
            (a.exp() * b - 2.0) / (a * a + b.sqrt()) + b.ln() * 3.0 - a.recip()
        };
        let p = [0.7, 2.3];
        let exact = f(p);
        for i in 0..2 {
            let (mut up, mut down) = (p, p);
            up[i] += 1e-6;
            down[i] -= 1e-6;
            let slope = (f(up).value - f(down).value) / 2e-6;
            assert!((slope - exact.by[i]).abs() < 1e-8, "{i}: {slope} {}", exact.by[i]);
        }
    }
}
