//! A place where a fibre seems to end.

use crate::micrograph::Micrograph;
use crate::network::strip_input::InitialEnd;
use crate::units::Point;

/// A place where a fibre seems to end, as detection tells it: axis and width are rough, made good by [`crate::measure`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Where the end is, px.
    pub tip: Point,
    /// Direction of the shaft out of the fibre, degrees.
    pub axis_deg: f64,
    /// Rough width of the shaft, px.
    pub width_px: f64,
    /// Confidence that a fibre ends here, 0..1.
    pub score: f64,
    /// The detection network's impression that the end looks sheared, 0..1.
    pub network_p_sheared: Option<f64>,
}

impl Candidate {
    /// The end as the networks of strips take it; `None` when it cannot be looked at: numbers that are not finite, a place
    /// off the picture, a width under a pixel or beyond the picture. `width_sigma` is the standard uncertainty of the
    /// logarithm of the width.
    pub(crate) fn initial_end(&self, micrograph: &Micrograph, width_sigma: f64) -> Option<InitialEnd> {
        let numbers = [self.tip.x, self.tip.y, self.axis_deg, self.width_px];
        let grey = &micrograph.grey;
        let longest = f64::from(grey.width().max(grey.height()));
        let usable = numbers.iter().all(|v| v.is_finite())
            && grey.width() > 0
            && grey.height() > 0
            && 1.0 <= self.width_px
            && self.width_px <= longest
            && grey.contains(self.tip);
        usable.then_some(InitialEnd { tip: self.tip, axis_deg: self.axis_deg, width_px: self.width_px, width_sigma })
    }
}
