//! Smallest value of a smooth function of two numbers, without derivatives.

/// Steps after which the search stops in any case; far above what two parameters need.
const MAX_STEPS: usize = 2000;
/// The search ends when the triangle's values agree to this, relative to their size.
const TOLERANCE: f64 = 1e-14;

/// Nelder and Mead's simplex (Computer Journal 1965, 7:308), with its usual coefficients; ties keep their order, so the
/// way taken is the same on every run.
pub(super) fn nelder_mead(start: [f64; 2], step: f64, f: impl Fn([f64; 2]) -> f64) -> [f64; 2] {
    let value = |v: [f64; 2]| {
        let y = f(v);
        if y.is_finite() { y } else { f64::MAX }
    };
    let corners = [start, [start[0] + step, start[1]], [start[0], start[1] + step]];
    let mut simplex = corners.map(|v| (value(v), v));
    for _ in 0..MAX_STEPS {
        simplex.sort_by(|a, b| a.0.total_cmp(&b.0));
        let [best, middle, worst] = simplex;
        let size = (worst.1[0] - best.1[0]).abs() + (worst.1[1] - best.1[1]).abs();
        if (worst.0 - best.0).abs() <= TOLERANCE * (1.0 + best.0.abs()) && size < 1e-8 {
            break;
        }
        let centre = [(best.1[0] + middle.1[0]) / 2.0, (best.1[1] + middle.1[1]) / 2.0];
        let along = |t: f64| [centre[0] + t * (worst.1[0] - centre[0]), centre[1] + t * (worst.1[1] - centre[1])];
        let try_at = |t: f64| (value(along(t)), along(t));
        let reflected = try_at(-1.0);
        if reflected.0 < best.0 {
            let further = try_at(-2.0);
            simplex[2] = if further.0 < reflected.0 { further } else { reflected };
        } else if reflected.0 < middle.0 {
            simplex[2] = reflected;
        } else {
            let nearer = if reflected.0 < worst.0 { try_at(-0.5) } else { try_at(0.5) };
            if nearer.0 < worst.0.min(reflected.0) {
                simplex[2] = nearer;
            } else {
                for corner in &mut simplex[1..] {
                    let v = [(corner.1[0] + best.1[0]) / 2.0, (corner.1[1] + best.1[1]) / 2.0];
                    *corner = (value(v), v);
                }
            }
        }
    }
    simplex.sort_by(|a, b| a.0.total_cmp(&b.0));
    simplex[0].1
}

#[cfg(test)]
mod tests {
    use super::nelder_mead;

    #[test]
    fn finds_the_bottom_of_rosenbrocks_valley() {
        // Rosenbrock 1960: minimum at (1, 1).
        let v = nelder_mead([-1.2, 1.0], 0.5, |v| (1.0 - v[0]).powi(2) + 100.0 * (v[1] - v[0] * v[0]).powi(2));
        assert!((v[0] - 1.0).abs() < 1e-6 && (v[1] - 1.0).abs() < 1e-6, "{v:?}");
    }
}
