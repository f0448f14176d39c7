//! Log odds of pairs -> groups, by average linkage: the two groups whose members speak most for each other join first.

/// Log odds of every pair of `n` things, kept as one triangle.
#[derive(Debug, Clone)]
pub struct Pairwise {
    n: usize,
    values: Vec<f32>,
}

impl Pairwise {
    /// No evidence on any pair of `n`.
    pub fn new(n: usize) -> Self {
        Self { n, values: vec![0.0; n * n.saturating_sub(1) / 2] }
    }

    fn index(&self, i: usize, j: usize) -> usize {
        let (i, j) = (i.min(j), i.max(j));
        i * (2 * self.n - i - 1) / 2 + j - i - 1
    }

    /// Sets a pair (i ≠ j).
    pub fn set(&mut self, i: usize, j: usize, log_odds: f64) {
        let index = self.index(i, j);
        self.values[index] = log_odds as f32;
    }

    fn get(&self, i: usize, j: usize) -> f32 {
        self.values[self.index(i, j)]
    }
}

/// When to join and what to keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rule {
    /// Groups join while their mean log odds are at least this.
    pub at_least: f64,
    /// Beyond so many groups…
    pub most_groups: Option<usize>,
    /// …they join while their mean log odds are at least this.
    pub at_least_beyond: f64,
    /// Smaller groups are dissolved.
    pub fewest_members: usize,
}

/// Group of each thing, from 1 in order of first members; `None` = in no group large enough.
///
/// Average linkage never lets a later join be stronger than an earlier one, so keeping the best partner of each group up to
/// date finds the same groups as looking at all pairs every time (Müllner 2011, arXiv:1109.2378).
pub fn average(mut pairs: Pairwise, rule: &Rule) -> Vec<Option<u32>> {
    let n = pairs.n;
    let mut members: Vec<Vec<usize>> = (0..n).map(|i| vec![i]).collect();
    let mut alive: Vec<usize> = (0..n).collect();
    let mut best: Vec<Option<(f32, usize)>> = (0..n).map(|i| best_partner(&pairs, &alive, i)).collect();
    while let Some((strength, i, j)) = strongest(&alive, &best) {
        let large = alive.iter().filter(|g| rule.fewest_members <= members[**g].len()).count();
        let needed = match rule.most_groups {
            Some(most) if most < large => rule.at_least_beyond,
            _ => rule.at_least,
        };
        if f64::from(strength) < needed {
            break;
        }
        let (a, b) = (members[i].len() as f32, members[j].len() as f32);
        alive.retain(|g| *g != j);
        for k in alive.iter().copied().filter(|k| *k != i) {
            let mean = (a * pairs.get(i, k) + b * pairs.get(j, k)) / (a + b);
            pairs.set(i, k, f64::from(mean));
        }
        let moved = std::mem::take(&mut members[j]);
        members[i].extend(moved);
        for k in alive.iter().copied() {
            let stale = k == i || best[k].is_some_and(|(_, partner)| partner == i || partner == j);
            if stale {
                best[k] = best_partner(&pairs, &alive, k);
            } else if best[k].is_none_or(|(s, partner)| s < pairs.get(k, i) || (s == pairs.get(k, i) && i < partner)) {
                best[k] = Some((pairs.get(k, i), i));
            }
        }
    }
    numbered(n, &alive, &members, rule.fewest_members)
}

fn best_partner(pairs: &Pairwise, alive: &[usize], i: usize) -> Option<(f32, usize)> {
    let mut best: Option<(f32, usize)> = None;
    for j in alive.iter().copied().filter(|j| *j != i) {
        let s = pairs.get(i, j);
        if best.is_none_or(|(b, _)| b < s) {
            best = Some((s, j));
        }
    }
    best
}

fn strongest(alive: &[usize], best: &[Option<(f32, usize)>]) -> Option<(f32, usize, usize)> {
    let mut found: Option<(f32, usize, usize)> = None;
    for i in alive.iter().copied() {
        if let Some((s, j)) = best[i]
            && found.is_none_or(|(b, _, _)| b < s)
        {
            found = Some((s, i.min(j), i.max(j)));
        }
    }
    found
}

fn numbered(n: usize, alive: &[usize], members: &[Vec<usize>], fewest: usize) -> Vec<Option<u32>> {
    let mut groups: Vec<&Vec<usize>> = alive.iter().map(|g| &members[*g]).filter(|m| fewest <= m.len()).collect();
    groups.sort_by_key(|m| m.iter().min().copied());
    let mut found = vec![None; n];
    for (number, group) in (1u32..).zip(groups) {
        group.iter().for_each(|i| found[*i] = Some(number));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    const RULE: Rule = Rule { at_least: 0.0, most_groups: None, at_least_beyond: -2.0, fewest_members: 2 };

    /// The obvious slow way: look at all pairs of groups every time.
    fn slow(n: usize, odds: &[Vec<f64>], at_least: f64) -> Vec<Vec<usize>> {
        let mut groups: Vec<Vec<usize>> = (0..n).map(|i| vec![i]).collect();
        loop {
            let mut best = (f64::NEG_INFINITY, 0, 0);
            for a in 0..groups.len() {
                for b in a + 1..groups.len() {
                    let sum: f64 = groups[a].iter().flat_map(|i| groups[b].iter().map(move |j| odds[*i][*j])).sum();
                    let mean = sum / (groups[a].len() * groups[b].len()) as f64;
                    if best.0 < mean {
                        best = (mean, a, b);
                    }
                }
            }
            if best.0 < at_least {
                groups.iter_mut().for_each(|g| g.sort_unstable());
                groups.sort();
                return groups;
            }
            let moved = groups.remove(best.2);
            groups[best.1].extend(moved);
        }
    }

    #[test]
    fn same_groups_as_the_slow_way() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        for n in 2..16 {
            let mut odds = vec![vec![0.0; n]; n];
            let mut pairs = Pairwise::new(n);
            for i in 0..n {
                for j in i + 1..n {
                    let v = f64::from(rng.random_range(-3.0f32..2.0));
                    (odds[i][j], odds[j][i]) = (v, v);
                    pairs.set(i, j, v);
                }
            }
            let found = average(pairs, &Rule { fewest_members: 1, ..RULE });
            let mut groups: Vec<Vec<usize>> = Vec::new();
            for g in 1..=n as u32 {
                let members: Vec<usize> = (0..n).filter(|i| found[*i] == Some(g)).collect();
                if !members.is_empty() {
                    groups.push(members);
                }
            }
            groups.sort();
            assert_eq!(groups, slow(n, &odds, 0.0), "n = {n}");
        }
    }

    #[test]
    fn a_known_number_of_carriers_joins_doubtful_groups() {
        let mut pairs = Pairwise::new(4);
        for (i, j, v) in [(0, 1, 3.0), (2, 3, 3.0), (0, 2, -1.0), (0, 3, -1.0), (1, 2, -1.0), (1, 3, -1.0)] {
            pairs.set(i, j, v);
        }
        assert_eq!(average(pairs.clone(), &RULE), [Some(1), Some(1), Some(2), Some(2)]);
        assert_eq!(average(pairs, &Rule { most_groups: Some(1), ..RULE }), [Some(1); 4]);
        assert!(average(Pairwise::new(0), &RULE).is_empty());
        assert_eq!(average(Pairwise::new(1), &RULE), [None]);
    }
}
