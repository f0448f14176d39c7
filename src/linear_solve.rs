//! Small systems of linear equations.

/// Solves `a x = b` by Gaussian elimination, the largest element of each column as pivot; `None` when `a` is singular.
pub(crate) fn solve<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    for k in 0..N {
        let pivot = (k..N).max_by(|x, y| a[*x][k].abs().total_cmp(&a[*y][k].abs()))?;
        if a[pivot][k].abs() <= f64::MIN_POSITIVE {
            return None;
        }
        a.swap(k, pivot);
        b.swap(k, pivot);
        for r in k + 1..N {
            let f = a[r][k] / a[k][k];
            for c in k..N {
                a[r][c] -= f * a[k][c];
            }
            b[r] -= f * b[k];
        }
    }
    let mut x = [0.0; N];
    for k in (0..N).rev() {
        let rest: f64 = (k + 1..N).map(|c| a[k][c] * x[c]).sum();
        x[k] = (b[k] - rest) / a[k][k];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first pivot is zero, so rows must change places: x + y = 3 and 2 y = 2 with the second row first.
    #[test]
    fn rows_change_places_where_a_pivot_is_zero() {
        assert_eq!(solve([[0.0, 2.0], [1.0, 1.0]], [2.0, 3.0]), Some([2.0, 1.0]));
    }

    #[test]
    fn a_singular_system_has_no_answer() {
        assert_eq!(solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0]), None);
    }
}
