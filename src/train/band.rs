//! The band of probabilities without a verdict: wide enough for few errors, never so wide that it swallows a class.

use crate::table::tidy;
use crate::tree::model::UnclearBand;

/// An end that the trees had not seen, with what both witnesses together say of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// Probability of sheared.
    pub p: f64,
    /// Whether it was sheared.
    pub sheared: bool,
    /// How much it counts.
    pub weight: f64,
    /// Whether the witnesses contradict each other: unclear whatever the band.
    pub contradict: bool,
}

impl Judged {
    /// Distance of the probability from the nearer certainty, 0..0.5.
    fn doubt(&self) -> f64 {
        self.p.min(1.0 - self.p)
    }

    fn is_wrong(&self) -> bool {
        (0.5 <= self.p) != self.sheared
    }
}

/// What the band may cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandLimits {
    /// Largest share of either class that may be unclear, contradictions included, 0..1.
    pub max_unclear: f64,
    /// Error among ends with a verdict that needs no wider band, 0..1.
    pub accepted_error: f64,
}

/// The band around a half. The least certain ends become unclear, until the error among the rest is at most
/// `accepted_error`, or `max_unclear` of either class are unclear.
pub fn choose_band(ends: &[Judged], limits: BandLimits) -> UnclearBand {
    let mut open: Vec<&Judged> = ends.iter().filter(|e| !e.contradict).collect();
    open.sort_by(|a, b| b.doubt().total_cmp(&a.doubt()).then(a.sheared.cmp(&b.sheared)));
    let weight =
        |part: &[&Judged], class: bool| -> f64 { part.iter().filter(|e| e.sheared == class).map(|e| e.weight).sum() };
    let all: Vec<&Judged> = ends.iter().collect();
    let totals = [false, true].map(|class| weight(&all, class));
    let mut unclear = [0, 1].map(|class| totals[class] - weight(&open, class == 1));
    let mut kept: f64 = open.iter().map(|e| e.weight).sum();
    let mut wrong: f64 = open.iter().filter(|e| e.is_wrong()).map(|e| e.weight).sum();
    let (mut low, mut at) = (0.5, 0);
    while at < open.len() && limits.accepted_error * kept < wrong {
        // Equal probabilities cannot be told apart: they become unclear together or not at all.
        let edge = open[at].doubt();
        let next = at + open[at..].iter().take_while(|e| e.doubt() == edge).count();
        let step = &open[at..next];
        let after = [0, 1].map(|class| unclear[class] + weight(step, class == 1));
        if (0..2).any(|class| limits.max_unclear * totals[class] < after[class]) {
            break;
        }
        unclear = after;
        kept -= step.iter().map(|e| e.weight).sum::<f64>();
        wrong -= step.iter().filter(|e| e.is_wrong()).map(|e| e.weight).sum::<f64>();
        low = open.get(next).map_or(edge / 2.0, |e| f64::midpoint(edge, e.doubt()));
        at = next;
    }
    band(low)
}

/// Narrows a band until either class keeps its coverage among the final model's own probabilities, which may be spread
/// otherwise than those of the folds' models; its new limits lie in gaps between them.
pub fn settle_band(chosen: UnclearBand, own: &[Judged], limits: BandLimits) -> UnclearBand {
    let mut doubts: Vec<f64> = own.iter().filter(|e| !e.contradict).map(Judged::doubt).collect();
    doubts.sort_by(f64::total_cmp);
    doubts.dedup();
    let first = doubts.partition_point(|d| *d < chosen.low);
    let Some(covered) = (first..doubts.len()).find(|&i| is_covered(own, doubts[i], limits.max_unclear)) else {
        let most = doubts.last().copied().filter(|d| chosen.low <= *d);
        return most.map_or(chosen, |d| band(f64::midpoint(d, 0.5)));
    };
    if covered == first { chosen } else { band(f64::midpoint(doubts[covered - 1], doubts[covered])) }
}

/// Whether at most so much of either class is unclear when all doubts from `from` on are.
fn is_covered(own: &[Judged], from: f64, max_unclear: f64) -> bool {
    [true, false].into_iter().all(|class| {
        let of = |keep: &dyn Fn(&Judged) -> bool| -> f64 {
            own.iter().filter(|e| e.sheared == class && keep(e)).map(|e| e.weight).sum()
        };
        of(&|e| e.contradict || from <= e.doubt()) <= max_unclear * of(&|_| true)
    })
}

fn band(low: f64) -> UnclearBand {
    UnclearBand { low: tidy(low), high: tidy(1.0 - low) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tree::Label;

    fn end(p: f64, sheared: bool) -> Judged {
        Judged { p, sheared, weight: 1.0, contradict: false }
    }

    fn limits(max_unclear: f64, accepted_error: f64) -> BandLimits {
        BandLimits { max_unclear, accepted_error }
    }

    /// Share of a class without a verdict.
    fn unclear(ends: &[Judged], band: UnclearBand, class: bool) -> f64 {
        let of: Vec<&Judged> = ends.iter().filter(|e| e.sheared == class).collect();
        let none = of.iter().filter(|e| e.contradict || band.label(e.p) == Label::Unclear).count();
        none as f64 / of.len() as f64
    }

    #[test]
    fn the_band_takes_the_least_certain_ends_and_stops_in_time() {
        // Five ends of each class: a tensile one at 0.55 and a sheared one at 0.3 are wrong, the rest right and certain.
        let mut ends = vec![end(0.55, false), end(0.3, true)];
        ends.extend((0..8).map(|i| end(if i < 4 { 0.95 } else { 0.05 }, i < 4)));
        let band = choose_band(&ends, limits(0.2, 0.0));
        assert_eq!((band.low, band.high), (0.175, 0.825));
        // A tenth of five ends is none at all.
        assert_eq!(choose_band(&ends, limits(0.1, 0.0)).low, 0.5);
        // One error in four is accepted: nothing needs to be unclear.
        assert_eq!(choose_band(&ends, limits(1.0, 0.25)).low, 0.5);
    }

    #[test]
    fn equal_probabilities_stay_together_and_contradictions_count() {
        let ends: Vec<Judged> = (0..10).map(|i| end(0.6, i < 6)).collect();
        assert_eq!(choose_band(&ends, limits(0.1, 0.0)).low, 0.5);
        // One of ten sheared ends is unclear by contradiction already: no room for the next.
        let mut ends: Vec<Judged> = (0..20).map(|i| end(if i < 10 { 0.9 } else { 0.1 }, i < 10)).collect();
        ends[0].contradict = true;
        ends[1].p = 0.4;
        assert_eq!(choose_band(&ends, limits(0.1, 0.0)).low, 0.5);
        assert!(choose_band(&ends, limits(0.2, 0.0)).low < 0.4);
    }

    // Folds spread probabilities from 0 to 1; the final model says 0.3 of nearly every sheared end. The band of the folds
    // would leave them all unclear.
    #[test]
    fn a_settled_band_never_swallows_a_class() {
        let chosen = UnclearBand { low: 0.2, high: 0.8 };
        let own: Vec<Judged> = (0..40).map(|i| end(if i < 20 { 0.7 } else { 0.05 }, i < 20)).collect();
        assert_eq!(unclear(&own, chosen, true), 1.0);
        let band = settle_band(chosen, &own, limits(0.1, 0.0));
        assert_eq!(unclear(&own, band, true), 0.0);
        assert!(band.low < 0.5 && 0.3 < band.low);
        assert_eq!(settle_band(chosen, &[], limits(0.1, 0.0)).low, 0.2);
        // A band that leaves both classes their verdicts stays.
        let own: Vec<Judged> = (0..40).map(|i| end(if i < 20 { 0.9 } else { 0.05 }, i < 20)).collect();
        assert_eq!(settle_band(chosen, &own, limits(0.1, 0.0)), chosen);
    }
}
