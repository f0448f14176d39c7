//! A sheared fraction with its interval, and the verdict that it allows.

use crate::settings::FaceSettings;
use crate::stats::Interval;
use crate::table::FaceVerdict;

/// A fraction with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Fraction, 0..1.
    pub fraction: f64,
    /// 95 % interval.
    pub interval: Interval,
}

/// The verdict of an interval.
pub fn verdict(estimate: Option<Estimate>, labelled: u32, settings: &FaceSettings) -> FaceVerdict {
    let Some(Estimate { interval, .. }) = estimate else { return FaceVerdict::TooFew };
    if labelled < settings.fewest_ends || settings.widest_verdict < interval.width() {
        FaceVerdict::TooFew
    } else if settings.mostly_shear_above < interval.low {
        FaceVerdict::MostlyShear
    } else if interval.high < settings.mostly_tensile_below {
        FaceVerdict::MostlyTensile
    } else {
        FaceVerdict::Mixed
    }
}
