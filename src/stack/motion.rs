//! How one frame lies against another.

use crate::settings::StackSettings;

/// Where a pixel of one frame lies in another: `middle + (1 + grow) (p - middle) + (dx, dy)`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Move {
    /// Shift, px of the full picture.
    pub dx: f64,
    /// Shift, px of the full picture.
    pub dy: f64,
    /// Change of magnification, relative; 0 = none.
    pub grow: f64,
}

impl Move {
    /// First this move, then `next`.
    pub(super) fn then(self, next: Self) -> Self {
        let zoom = 1.0 + next.grow;
        Self { dx: zoom * self.dx + next.dx, dy: zoom * self.dy + next.dy, grow: (1.0 + self.grow) * zoom - 1.0 }
    }
}

/// A move as estimated, with the variance of each of its parts.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Estimate {
    pub by: Move,
    /// Variances of shift in x, shift in y and growth.
    pub variance: [f64; 3],
}

impl Estimate {
    /// First this one, then `next`. Blur that changes with focus errs alike from frame to frame, so standard deviations add and
    /// not variances: else a long series would pass off many small errors of one sign as a certain change of magnification.
    pub(super) fn then(self, next: Self) -> Self {
        let variance = [0, 1, 2].map(|i| (self.variance[i].sqrt() + next.variance[i].sqrt()).powi(2));
        Self { by: self.by.then(next.by), variance }
    }

    /// The shift where it is beyond chance, in each direction by itself; the growth as it is.
    pub(super) fn certain(self, settings: &StackSettings) -> Move {
        let keep = |value: f64, i: usize| {
            if settings.certain_sd * self.variance[i].sqrt() < value.abs() { value } else { 0.0 }
        };
        Move { dx: keep(self.by.dx, 0), dy: keep(self.by.dy, 1), grow: self.by.grow }
    }
}
