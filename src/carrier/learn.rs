//! Pairs whose carriers are known -> weights of the evidence: logistic regression by Newton's steps.

use super::pairs::{Evidence, N_EVIDENCE};
use crate::linear_solve::solve;

/// One pair of ends whose carriers are known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownPair {
    /// Evidence on the pair.
    pub evidence: Evidence,
    /// Whether they share a carrier.
    pub same: bool,
    /// How much the pair counts; pictures with many ends should not drown the others.
    pub weight: f64,
}

/// Newton's steps; it settles in about ten.
const STEPS: usize = 40;
const N: usize = N_EVIDENCE + 1;

/// Weights (bias first) that best explain the pairs, drawn towards zero by `ridge` so that evidence which never varies gets none;
/// `None` when the pairs are all of one kind.
pub fn fit(pairs: &[KnownPair], ridge: f64) -> Option<[f64; N]> {
    if pairs.iter().all(|p| p.same) || pairs.iter().all(|p| !p.same) {
        return None;
    }
    let mut w = [0.0; N];
    for _ in 0..STEPS {
        let mut gradient = [0.0; N];
        let mut hessian = [[0.0; N]; N];
        for k in 1..N {
            gradient[k] = -ridge * w[k];
        }
        for (k, row) in hessian.iter_mut().enumerate() {
            row[k] = ridge;
        }
        for pair in pairs {
            let mut x = [1.0; N];
            x[1..].copy_from_slice(&pair.evidence);
            let logit: f64 = w.iter().zip(&x).map(|(a, b)| a * b).sum();
            let p = statrs::function::logistic::logistic(logit);
            let (miss, curve) = (pair.weight * (f64::from(u8::from(pair.same)) - p), pair.weight * p * (1.0 - p));
            for a in 0..N {
                gradient[a] += miss * x[a];
                for b in 0..N {
                    hessian[a][b] += curve * x[a] * x[b];
                }
            }
        }
        let step = solve(hessian, gradient)?;
        w.iter_mut().zip(step).for_each(|(w, s)| *w += s);
    }
    w.iter().all(|v| v.is_finite()).then_some(w)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn log_odds_of_a_two_by_two_table() {
        // With one yes/no evidence the fit is the table's own log odds: ln(10/30) without, ln(40/20) with.
        let pair = |with: bool, same: bool, weight: f64| {
            let mut evidence = [0.0; N_EVIDENCE];
            evidence[3] = f64::from(u8::from(with));
            KnownPair { evidence, same, weight }
        };
        let pairs =
            [pair(false, true, 10.0), pair(false, false, 30.0), pair(true, true, 40.0), pair(true, false, 20.0)];
        let w = fit(&pairs, 1e-9).unwrap();
        assert!((w[0] - (1.0f64 / 3.0).ln()).abs() < 1e-6, "{w:?}");
        assert!((w[0] + w[4] - 2.0f64.ln()).abs() < 1e-6, "{w:?}");
        assert!(w[1].abs() < 1e-6);
        assert_eq!(fit(&pairs[..1], 1e-9), None);
    }
}
