//! Ends that are missed: one class may be found more often than the other, which shifts the fraction.
//!
//! With recalls R of the two classes, a fraction f shows as f R_s / (f R_s + (1 − f) R_t): the odds are multiplied by the ratio of
//! the recalls. Where the series table says how many fibres there are, its controls tell the ratio: all fibres of a scissor cut
//! are sheared, all of a straight pull tensile, so the shares of them that were labelled are the recalls. Together with what was
//! measured on training sets (`models/recall.json`) they weigh every end by its inverse recall (Horvitz and Thompson 1952,
//! Journal of the American Statistical Association 47:663). Cut ends lie flush and hide each other where the whole face is in
//! the picture, so the ratio holds for such pictures alone. Otherwise nothing tells it, and its range widens the interval.

use super::end::End;
use super::estimate::Estimate;
use super::faces::Face;
use super::{diameter, expected};
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::stats::moderated::{Variance, moderated, pooled};
use crate::stats::sample::{mean, variance};
use crate::stats::{Interval, Z95};
use crate::tree::Label;
use serde::Deserialize;
use std::sync::LazyLock;

const FILE: &[u8] = include_bytes!("../../models/recall.json");
const SCHEMA: &str = "breakface-recall/1";

/// Least part of the usual share of the expected ends that a picture of a whole face shows.
const LEAST_OF_WHOLE: f64 = 0.5;

static BUNDLED: LazyLock<Result<Measured, String>> = LazyLock::new(|| Measured::from_json(FILE));

/// Recalls measured on training sets.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Measured {
    schema: String,
    /// Share of the sheared ends in pictures that were labelled.
    sheared: f64,
    /// Share of the tensile ends.
    tensile: f64,
    /// Standard deviation of the logarithm of their ratio from one kind of picture to another.
    ratio_sd: f64,
    /// Standard deviation of the logarithm of a recall from picture to picture.
    picture_sd: f64,
}

impl Measured {
    fn from_json(bytes: &[u8]) -> Result<Self, String> {
        let found: Self = serde_json::from_slice(bytes).map_err(|e| format!("models/recall.json: {e}"))?;
        if found.schema != SCHEMA {
            return Err(format!("models/recall.json: schema {} is not {SCHEMA}", found.schema));
        }
        let positive = [found.sheared, found.tensile, found.ratio_sd, found.picture_sd].iter().all(|v| 0.0 < *v);
        if positive { Ok(found) } else { Err("models/recall.json: a number is not positive".into()) }
    }
}

/// What is known of the ratio of the recalls of sheared and tensile ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RecallRatio {
    /// Nothing but its range.
    Within(f64),
    /// Its logarithm and the standard uncertainty of that.
    Known {
        /// Natural logarithm of the recall of sheared ends over that of tensile ends.
        ln: f64,
        /// Standard uncertainty.
        u: f64,
        /// Share of the expected ends that a picture of a whole face of this run shows labelled.
        share: f64,
    },
}

impl RecallRatio {
    /// From the controls of a run whose fibres are told, joined by their uncertainties with what training sets showed; else its
    /// range.
    pub fn of_run(faces: &[Face], settings: &FaceSettings) -> Self {
        let bound = Self::Within(settings.recall_ratio_range);
        let shares = |kind: Kind| -> Vec<f64> {
            faces.iter().filter(|f| f.kind() == Some(kind)).filter_map(|f| ln_share(f, settings)).collect()
        };
        let (cut, pull) = (shares(Kind::Cut), shares(Kind::Pull));
        // A model file that cannot be read is a fault of the build, found by its test.
        let (Some((cut_mean, pull_mean)), Ok(measured)) = (mean(&cut).zip(mean(&pull)), &*BUNDLED) else {
            return bound;
        };
        let own: Vec<Variance> = [&cut, &pull]
            .into_iter()
            .filter_map(|s| Some(Variance { value: variance(s)?, df: s.len() as f64 - 1.0 }))
            .collect();
        let prior = Variance { value: measured.picture_sd.powi(2), df: settings.recall_prior_df };
        let spread = moderated(pooled(&own).unwrap_or(Variance { value: 0.0, df: 0.0 }), prior).value;
        let seen = (cut_mean - pull_mean, spread * (1.0 / cut.len() as f64 + 1.0 / pull.len() as f64));
        let (ln, variance) = joined(seen, ((measured.sheared / measured.tensile).ln(), measured.ratio_sd.powi(2)));
        Self::Known { ln, u: variance.sqrt(), share: ((cut_mean + pull_mean) / 2.0).exp() }
    }

    /// The ratio for a face: that of the run for the ends in pictures of the whole face, which show at least half of the usual
    /// share of the expected ends; the range for those in other pictures.
    pub fn of_face(self, face: &Face, settings: &FaceSettings) -> Self {
        let Self::Known { ln, u, share } = self else { return self };
        let bound = Self::Within(settings.recall_ratio_range);
        let Some(of_side) = expected_of_side(face, settings) else { return bound };
        let labelled: Vec<f64> = face.ends.iter().map(|ends| labelled(ends) as f64).collect();
        let whole: f64 = labelled.iter().filter(|n| LEAST_OF_WHOLE * share * of_side <= **n).sum();
        let part = whole / labelled.iter().sum::<f64>();
        if part.is_nan() || part <= 0.0 {
            return bound;
        }
        let unknown = (1.0 - part) * range_u(settings.recall_ratio_range);
        Self::Known { ln: part * ln, u: (part * u).hypot(unknown), share }
    }

    /// The ratio, where it is known.
    pub fn ratio(self) -> Option<f64> {
        match self {
            Self::Known { ln, .. } => Some(ln.exp()),
            Self::Within(_) => None,
        }
    }

    /// An estimate that stands for all ends instead of the labelled ones: weighed by inverse recalls where they are known; its
    /// interval also holds what is not known of their ratio.
    ///
    /// A ratio of which nothing but the range is known is taken to lie anywhere in it alike, which gives its logarithm a
    /// standard uncertainty of the half width over √3 (GUM, JCGM 100:2008, 4.3.7); at a fraction f it moves the fraction by
    /// f (1 − f) times that. The two uncertainties add in squares, on each side by itself.
    pub fn of_all_ends(self, estimate: Estimate) -> Estimate {
        let (ln, u) = match self {
            Self::Known { ln, u, .. } => (ln, u),
            Self::Within(range) => (0.0, range_u(range)),
        };
        let weighed = |f: f64| corrected(f, ln.exp());
        let fraction = weighed(estimate.fraction);
        let shift = Z95 * fraction * (1.0 - fraction) * u;
        let low = fraction - (fraction - weighed(estimate.interval.low)).hypot(shift);
        let high = fraction + (weighed(estimate.interval.high) - fraction).hypot(shift);
        Estimate { fraction, interval: Interval { low, high }.clipped() }
    }
}

/// Two estimates of one value, (value, variance), each by its inverse variance.
fn joined(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    let (wa, wb) = (1.0 / a.1, 1.0 / b.1);
    ((wa * a.0 + wb * b.0) / (wa + wb), 1.0 / (wa + wb))
}

/// Standard uncertainty of the logarithm of a ratio that lies anywhere within a range alike.
fn range_u(range: f64) -> f64 {
    range.ln_1p() / 3f64.sqrt()
}

/// Logarithm of the share of a control's expected ends that its fullest picture shows labelled; `None` where the table does not
/// say how many there are.
fn ln_share(face: &Face, settings: &FaceSettings) -> Option<f64> {
    let most = face.ends.iter().map(|ends| labelled(ends)).max().filter(|n| 0 < *n)?;
    Some((most as f64 / expected_of_side(face, settings)?).ln())
}

fn expected_of_side(face: &Face, settings: &FaceSettings) -> Option<f64> {
    let measured_um = diameter::of_face(face).map(|(d, _)| d);
    Some(expected::ends(face, measured_um, settings)? / expected::sides(face) as f64)
}

fn labelled(ends: &[&End]) -> usize {
    ends.iter().filter(|e| e.label != Label::Unclear).count()
}

/// Fraction whose odds are divided by a ratio of recalls (sheared over tensile).
pub fn corrected(fraction: f64, recall_ratio: f64) -> f64 {
    let weighted = fraction / recall_ratio;
    weighted / (weighted + (1.0 - fraction))
}

/// The smallest and the largest fraction that the range of the recall ratio allows (Manski 1989: what the data say without
/// further assumption), of a fraction known exactly.
pub fn bounds(fraction: f64, settings: &FaceSettings) -> Interval {
    let ratio = 1.0 + settings.recall_ratio_range;
    Interval { low: corrected(fraction, ratio), high: corrected(fraction, 1.0 / ratio) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_go_with_the_ratio_of_recalls() {
        // By hand: 69 of 100 sheared and 82 of 100 tensile ends found of a face that is half sheared. The Horvitz-Thompson
        // ratio estimate is (69 / .69) / (69 / .69 + 82 / .82) = 1/2.
        let seen = 69.0 / (69.0 + 82.0);
        assert!((corrected(seen, 69.0 / 82.0) - 0.5).abs() < 1e-12);
        assert_eq!(corrected(0.0, 0.8), 0.0);
        assert_eq!(corrected(1.0, 0.8), 1.0);
    }

    #[test]
    fn bounds_hold_the_fraction_and_widening_stays_within_nought_and_one() {
        let settings = FaceSettings::default();
        let bound = RecallRatio::Within(settings.recall_ratio_range);
        for fraction in [0.0, 0.02, 0.3, 0.5, 0.97, 1.0] {
            let b = bounds(fraction, &settings);
            assert!(b.contains(fraction));
            let e = Estimate { fraction, interval: Interval { low: fraction, high: fraction } };
            let w = bound.of_all_ends(e).interval;
            assert!(w.contains(fraction) && 0.0 <= w.low && w.high <= 1.0);
            // The standard uncertainty of a rectangle times 1.96 lies just outside the rectangle.
            assert!(w.low <= b.low + 1e-3 && b.high - 1e-3 <= w.high, "{fraction}: {w:?} {b:?}");
        }
    }

    #[test]
    fn estimates_join_by_inverse_variance() {
        // By hand: weights 1/4 and 1/1 of the values 1 and 3: 2.6, variance 0.8.
        let (value, variance) = joined((1.0, 4.0), (3.0, 1.0));
        assert!((value - 2.6).abs() < 1e-12 && (variance - 0.8).abs() < 1e-12);
    }

    #[test]
    fn the_bundled_recalls_can_be_read_and_others_are_refused() {
        assert!(BUNDLED.is_ok(), "{:?}", *BUNDLED);
        let other = String::from_utf8_lossy(FILE).replace("recall/1", "recall/2");
        assert!(Measured::from_json(other.as_bytes()).is_err_and(|e| e.contains("recall/2")));
    }
}
