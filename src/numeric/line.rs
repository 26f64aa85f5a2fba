//! Linear least squares for a few columns by Householder QR.

use nalgebra::{DMatrix, DVector};

/// Coefficients, inverse of the normal matrix (multiply by the residual variance to get the covariance) and the
/// residual standard deviation of `y` against the columns of `rows`.
///
/// Source: G. H. Golub, C. F. Van Loan, Matrix Computations, section 5.3. `None` if there are fewer rows than columns
/// or the columns are dependent to 1e-10 of their size. With as many rows as columns the deviation is 0.
#[must_use]
pub fn least_squares<const K: usize>(rows: &[[f64; K]], y: &[f64]) -> Option<([f64; K], DMatrix<f64>, f64)> {
    let n = rows.len();
    if n < K || y.len() != n {
        return None;
    }
    let a = DMatrix::from_fn(n, K, |i, j| rows[i][j]);
    let mut b = DVector::from_column_slice(y);
    let qr = a.qr();
    qr.q_tr_mul(&mut b);
    let r = qr.r();
    let largest = (0..K).fold(0.0_f64, |m, j| m.max(r[(j, j)].abs()));
    if !(largest.is_finite() && (0..K).all(|j| r[(j, j)].abs() > 1e-10 * largest)) {
        return None;
    }
    let solution = r.solve_upper_triangular(&b.rows(0, K).into_owned())?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(K, K))?;
    let covariance = &inverse * inverse.transpose();
    let rest = b.rows(K, n - K).norm_squared();
    let scale = if n > K { (rest / (n - K) as f64).sqrt() } else { 0.0 };
    let mut c = [0.0; K];
    c.copy_from_slice(solution.as_slice());
    c.iter().all(|v| v.is_finite()).then_some((c, covariance, scale))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_comes_back_with_its_scatter() {
        let rows: Vec<[f64; 3]> = (0..7).map(f64::from).map(|x| [1.0, x, x * x]).collect();
        let y: Vec<f64> = rows.iter().map(|r| 2.0 - r[1] + 0.5 * r[2]).collect();
        let (c, _, s) = least_squares(&rows, &y).unwrap();
        assert!((c[0] - 2.0).abs() < 1e-12 && (c[1] + 1.0).abs() < 1e-12 && (c[2] - 0.5).abs() < 1e-12);
        assert!(s < 1e-12);
    }

    #[test]
    fn dependent_columns_have_no_answer() {
        assert!(least_squares(&[[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], &[1.0, 2.0, 3.0]).is_none());
    }
}
