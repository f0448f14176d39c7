//! Two groups compared by re-dealing their members.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

use super::sample::mean;

/// How far to enumerate, and what to do beyond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dealing {
    /// All ways of dealing are tried up to this many; beyond, so many are drawn.
    pub most: u32,
    /// Seed of the draws.
    pub seed: u64,
}

/// p-values of a difference of means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeansTest {
    /// Mean of the first less mean of the second.
    pub difference: f64,
    /// Share of deals with a difference at least as large.
    pub p_greater: f64,
    /// Share of deals with a difference at least as far from zero.
    pub p_two_sided: f64,
    /// Whether every deal was tried.
    pub exact: bool,
}

/// Tolerance in comparing sums that differ only by rounding, relative to the largest value.
const ROUNDING: f64 = 1e-9;

/// Permutation test of the difference of two means (Efron and Tibshirani 1993, chapter 15); drawn p-values count the
/// observed deal as one of the draws. `None` when a group is empty.
pub fn means(a: &[f64], b: &[f64], how: Dealing) -> Option<MeansTest> {
    let difference = mean(a)? - mean(b)?;
    let all: Vec<f64> = a.iter().chain(b).copied().collect();
    let total: f64 = all.iter().sum();
    let (na, nb) = (a.len() as f64, b.len() as f64);
    let slack = ROUNDING * all.iter().fold(1e-300, |m: f64, v| m.max(v.abs()));
    let (mut greater, mut two_sided, mut deals) = (0u64, 0u64, 0u64);
    let mut count = |sum_a: f64| {
        let d = sum_a / na - (total - sum_a) / nb;
        deals += 1;
        greater += u64::from(d >= difference - slack);
        two_sided += u64::from(d.abs() >= difference.abs() - slack);
    };
    let exact = ways(all.len(), a.len()) <= f64::from(how.most);
    if exact {
        each_choice(all.len(), a.len(), |chosen| count(chosen.iter().map(|i| all[*i]).sum()));
    } else {
        let mut rng = ChaCha8Rng::seed_from_u64(how.seed);
        let mut dealt = all.clone();
        count(a.iter().sum());
        for _ in 0..how.most {
            dealt.shuffle(&mut rng);
            count(dealt[..a.len()].iter().sum());
        }
    }
    let share = |k: u64| k as f64 / deals as f64;
    Some(MeansTest { difference, p_greater: share(greater), p_two_sided: share(two_sided), exact })
}

/// Number of ways to choose `k` of `n`.
fn ways(n: usize, k: usize) -> f64 {
    (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product()
}

/// Every choice of `k` of `n`, in dictionary order.
fn each_choice(n: usize, k: usize, mut visit: impl FnMut(&[usize])) {
    let mut chosen: Vec<usize> = (0..k).collect();
    loop {
        visit(&chosen);
        let Some(i) = (0..k).rev().find(|i| chosen[*i] < n - k + i) else { return };
        chosen[i] += 1;
        for j in i + 1..k {
            chosen[j] = chosen[j - 1] + 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TREATED: [f64; 7] = [94.0, 197.0, 16.0, 38.0, 99.0, 141.0, 23.0];
    const CONTROL: [f64; 9] = [52.0, 104.0, 146.0, 10.0, 51.0, 30.0, 40.0, 27.0, 46.0];

    #[test]
    fn mouse_data_exactly() {
        // Mouse survival data of Efron and Tibshirani 1993 (Table 2.1); counts by full enumeration (check values 4.5).
        let t = means(&TREATED, &CONTROL, Dealing { most: 20_000, seed: 1 }).unwrap();
        assert!(t.exact);
        assert!((t.p_greater - 1613.0 / 11440.0).abs() < 1e-12, "{t:?}");
        assert!((t.p_two_sided - 0.278322).abs() < 1e-6, "{t:?}");
    }

    #[test]
    fn drawn_deals_come_close() {
        let t = means(&TREATED, &CONTROL, Dealing { most: 10_000, seed: 1 }).unwrap();
        assert!(!t.exact && (t.p_two_sided - 0.278322).abs() < 0.02, "{t:?}");
        assert_eq!(means(&TREATED, &CONTROL, Dealing { most: 10_000, seed: 1 }).unwrap(), t);
    }

    #[test]
    fn edges() {
        assert_eq!(means(&[], &[1.0], Dealing { most: 10, seed: 1 }), None);
        let same = means(&[0.5; 3], &[0.5; 3], Dealing { most: 100, seed: 1 }).unwrap();
        assert_eq!((same.difference, same.p_two_sided), (0.0, 1.0));
        // Three against three, wholly apart: the smallest p there is, 2 / 20.
        let apart = means(&[0.9, 0.8, 0.7], &[0.1, 0.2, 0.3], Dealing { most: 100, seed: 1 }).unwrap();
        assert!((apart.p_two_sided - 0.1).abs() < 1e-12);
    }
}
