//! Ends that are missed: one class may be found more often than the other, which shifts the fraction.
//!
//! With recalls R of the two classes, a fraction f shows as f R_s / (f R_s + (1 − f) R_t): the odds are multiplied by the ratio of
//! the recalls (Horvitz and Thompson 1952 turned round). Nothing in a picture tells the ratio, so what is known of it is a range.

use super::estimate::Estimate;
use crate::settings::FaceSettings;
use crate::stats::{Interval, Z95};

/// Fraction whose odds are divided by a ratio of recalls (sheared over tensile).
pub fn corrected(fraction: f64, recall_ratio: f64) -> f64 {
    let weighted = fraction / recall_ratio;
    weighted / (weighted + 1.0 - fraction)
}

/// The smallest and the largest fraction that the range of the recall ratio allows (Manski 1989: what the data say without
/// further assumption), of a fraction known exactly.
pub fn bounds(fraction: f64, settings: &FaceSettings) -> Interval {
    let ratio = 1.0 + settings.recall_ratio_range;
    Interval { low: corrected(fraction, ratio), high: corrected(fraction, 1.0 / ratio) }
}

/// An estimate whose interval also holds the unknown ratio of recalls.
///
/// The logarithm of the ratio is taken to be anywhere in its range alike, which gives it a standard uncertainty of the half
/// width over √3 (GUM, JCGM 100:2008, 4.3.7); at a fraction f it moves the fraction by f (1 − f) times that. The two
/// uncertainties add in squares, on each side by itself.
pub fn widened(estimate: Estimate, settings: &FaceSettings) -> Estimate {
    let Estimate { fraction, interval } = estimate;
    let shift = Z95 * fraction * (1.0 - fraction) * (1.0 + settings.recall_ratio_range).ln() / 3f64.sqrt();
    let low = fraction - (fraction - interval.low).hypot(shift);
    let high = fraction + (interval.high - fraction).hypot(shift);
    Estimate { fraction, interval: Interval { low, high }.clipped() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_go_with_the_ratio_of_recalls() {
        // By hand: 69 of 100 sheared and 82 of 100 tensile ends found of a face that is half sheared.
        let seen = 69.0 / (69.0 + 82.0);
        assert!((corrected(seen, 69.0 / 82.0) - 0.5).abs() < 1e-12);
        assert_eq!(corrected(0.0, 0.8), 0.0);
        assert_eq!(corrected(1.0, 0.8), 1.0);
    }

    #[test]
    fn bounds_hold_the_fraction_and_widening_stays_within_nought_and_one() {
        let settings = FaceSettings::default();
        for fraction in [0.0, 0.02, 0.3, 0.5, 0.97, 1.0] {
            let b = bounds(fraction, &settings);
            assert!(b.contains(fraction));
            let e = Estimate { fraction, interval: Interval { low: fraction, high: fraction } };
            let w = widened(e, &settings).interval;
            assert!(w.contains(fraction) && 0.0 <= w.low && w.high <= 1.0);
            // The standard uncertainty of a rectangle times 1.96 lies just outside the rectangle.
            assert!(w.low <= b.low + 1e-3 && b.high - 1e-3 <= w.high, "{fraction}: {w:?} {b:?}");
        }
    }
}
