//! Bundles of elements that share the load equally: strength of the whole, and of what is left when some are cut.
//!
//! Idealised for a braid: a cut carrier loads its neighbours more than the rest, and the braid kinks.

use statrs::function::gamma::gamma;

/// Largest bundle for which the alternating sums of the recursion keep their digits.
pub const MOST_ELEMENTS: u32 = 24;

/// Points of the numerical integration over load.
const STEPS: usize = 2000;
/// Integration ends at this many times the scale of an element: nothing survives there for m ≥ 1.
const FAR: f64 = 8.0;

/// Mean strength per element of `n` elements with Weibull modulus `m`, in units of the elements' scale σ₀, exactly by Daniels'
/// recursion; `None` for no elements, more than [`MOST_ELEMENTS`], or a modulus below 1.
///
/// Source: Daniels 1945, Proceedings of the Royal Society A 183:405.
pub fn mean_strength(n: u32, m: f64) -> Option<f64> {
    moments(n, m).map(|(mean, _)| mean)
}

/// Standard deviation of the strength per element, as [`mean_strength`].
pub fn sd_strength(n: u32, m: f64) -> Option<f64> {
    moments(n, m).map(|(_, sd)| sd)
}

fn moments(n: u32, m: f64) -> Option<(f64, f64)> {
    if n == 0 || n > MOST_ELEMENTS || !m.is_finite() || m < 1.0 {
        return None;
    }
    let far = if m < 2.0 { FAR * 4.0 } else { FAR };
    let step = far / STEPS as f64;
    // Simpson's rule on ∫ (1 − G) dx and ∫ 2x (1 − G) dx.
    let (mut mean, mut square) = (0.0, 0.0);
    for i in 0..=STEPS {
        let x = i as f64 * step;
        let weight = if i == 0 || i == STEPS {
            1.0
        } else if i % 2 == 1 {
            4.0
        } else {
            2.0
        };
        let survives = 1.0 - fails(n, x, m);
        mean += weight * survives;
        square += weight * 2.0 * x * survives;
    }
    let (mean, square) = (mean * step / 3.0, square * step / 3.0);
    Some((mean, (square - mean * mean).max(0.0).sqrt()))
}

/// Probability that `n` elements fail at the load x per element.
///
/// For a fixed total load L = n x let P_j be the probability that j elements cannot carry it:
/// P_j = Σₖ (−1)^(k+1) C(j,k) F(L/j)^k P_(j−k), with P_0 = 1.
fn fails(n: u32, x: f64, m: f64) -> f64 {
    let load = f64::from(n) * x;
    let mut p = vec![1.0; n as usize + 1];
    for j in 1..=n as usize {
        let f = -(-(load / j as f64).powf(m)).exp_m1();
        let (mut sum, mut term, mut sign) = (0.0, 1.0, 1.0);
        for k in 1..=j {
            term *= f * (j - k + 1) as f64 / k as f64;
            sum += sign * term * p[j - k];
            sign = -sign;
        }
        p[j] = sum.clamp(0.0, 1.0);
    }
    p[n as usize]
}

/// Strength per element of a bundle of very many elements, in units of σ₀: (m e)^(−1/m) (Daniels 1945; Coleman 1958).
pub fn large_bundle(m: f64) -> f64 {
    (m * std::f64::consts::E).powf(-1.0 / m)
}

/// Mean strength of one element in units of σ₀: Γ(1 + 1/m).
pub fn element_mean(m: f64) -> f64 {
    gamma(1.0 + 1.0 / m)
}

/// Share of the uncut load that `n − cut` of `n` carriers can hold: (n − cut)/n; `None` when more are cut than there are.
pub fn plain_capacity(n: u32, cut: u32) -> Option<f64> {
    (n > 0 && cut <= n).then(|| f64::from(n - cut) / f64::from(n))
}

/// Share of the uncut mean load that the rest holds when `cut` of `n` carriers are cut, by equal load sharing with carrier
/// modulus `m`. `None` as for [`mean_strength`].
pub fn bundle_capacity(n: u32, cut: u32, m: f64) -> Option<f64> {
    let left = n.checked_sub(cut)?;
    let whole = mean_strength(n, m)? * f64::from(n);
    if left == 0 {
        return Some(0.0);
    }
    Some(mean_strength(left, m)? * f64::from(left) / whole)
}

/// Carriers of `n` whose loss would leave the share `efficiency` of the load, by equal load sharing, between whole carriers by
/// straight lines; 0 at or above the uncut load. `None` as for [`mean_strength`].
pub fn carriers_lost(n: u32, efficiency: f64, m: f64) -> Option<f64> {
    let capacity: Vec<f64> = (0..=n).map(|cut| bundle_capacity(n, cut, m)).collect::<Option<_>>()?;
    if efficiency >= 1.0 {
        return Some(0.0);
    }
    let cut = capacity.windows(2).position(|pair| pair[1] <= efficiency)?;
    Some(cut as f64 + (capacity[cut] - efficiency) / (capacity[cut] - capacity[cut + 1]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() < tolerance, "{found} instead of {expected}");
    }

    #[test]
    fn daniels_recursion() {
        // Check values 5: exact recursion, agreeing with 200 000 simulated bundles.
        for (n, values) in [
            (1, [0.91817, 0.95135, 0.97350]),
            (2, [0.80495, 0.88773, 0.94034]),
            (4, [0.73020, 0.83295, 0.90846]),
            (8, [0.68157, 0.79395, 0.88042]),
        ] {
            for (m, expected) in [5.0, 10.0, 20.0].into_iter().zip(values) {
                near(mean_strength(n, m).unwrap(), expected, 1.1e-5);
            }
        }
        for (m, sd) in [(5.0, 0.09063), (10.0, 0.06908), (20.0, 0.04823)] {
            near(sd_strength(8, m).unwrap(), sd, 1.1e-5);
        }
    }

    #[test]
    fn recursion_against_simulated_bundles() {
        // Independent check: strength of a bundle = max over i of (n − i) x₍ᵢ₎ / n for sorted element strengths.
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        for (n, m) in [(12u32, 4.0f64), (16, 10.0), (24, 3.0)] {
            let trials = 20_000;
            let (mut sum, mut squares) = (0.0, 0.0);
            for _ in 0..trials {
                let mut x: Vec<f64> = (0..n).map(|_| (-(1.0 - rng.random::<f64>()).ln()).powf(1.0 / m)).collect();
                x.sort_by(f64::total_cmp);
                let s =
                    x.iter().enumerate().map(|(i, v)| (f64::from(n) - i as f64) * v).fold(0.0, f64::max) / f64::from(n);
                sum += s;
                squares += s * s;
            }
            let mean = sum / f64::from(trials);
            let se = ((squares / f64::from(trials) - mean * mean) / f64::from(trials)).sqrt();
            near(mean_strength(n, m).unwrap(), mean, 4.0 * se);
        }
    }

    #[test]
    fn large_bundles() {
        // Check values 5: σ_b/σ₀ and the efficiency over the mean fibre.
        for (m, strength, efficiency) in [
            (2.0, 0.428882, 0.483941),
            (5.0, 0.593399, 0.646286),
            (10.0, 0.718738, 0.755492),
            (50.0, 0.906431, 0.916657),
        ] {
            near(large_bundle(m), strength, 1e-6);
            near(large_bundle(m) / element_mean(m), efficiency, 1e-6);
        }
    }

    #[test]
    fn capacity_of_eight_carriers() {
        // Check values 5: residual capacity, k of 8 carriers cut.
        let rows = [
            (5.0, [1.0, 0.8850, 0.7695, 0.6531, 0.5357, 0.4167, 0.2953, 0.1684]),
            (10.0, [1.0, 0.8820, 0.7636, 0.6445, 0.5246, 0.4033, 0.2795, 0.1498]),
            (20.0, [1.0, 0.8798, 0.7592, 0.6380, 0.5159, 0.3925, 0.2670, 0.1382]),
        ];
        for (m, capacities) in rows {
            for (cut, expected) in capacities.into_iter().enumerate() {
                near(bundle_capacity(8, cut as u32, m).unwrap(), expected, 6e-5);
            }
        }
        near(plain_capacity(8, 3).unwrap(), 0.625, 1e-12);
        near(carriers_lost(8, 0.6445, 10.0).unwrap(), 3.0, 1e-3);
        near(carriers_lost(8, 1.2, 10.0).unwrap(), 0.0, 1e-12);
        near(carriers_lost(8, 0.0, 10.0).unwrap(), 8.0, 1e-9);
    }

    #[test]
    fn degenerate() {
        assert_eq!(mean_strength(0, 5.0), None);
        assert_eq!(mean_strength(99, 5.0), None);
        assert_eq!(mean_strength(8, 0.5), None);
        assert_eq!(plain_capacity(4, 5), None);
        assert_eq!(bundle_capacity(4, 5, 5.0), None);
        assert_eq!(bundle_capacity(4, 4, 5.0), Some(0.0));
    }
}
