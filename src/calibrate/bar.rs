//! A scale bar beside the scale in use.

use crate::flag::{Flag, Warning};
use crate::micrograph::ScaleBar;
use crate::settings::BarSettings;
use crate::units::Scale;

/// The warning for a picture whose bar and scale do not agree; `None` when they do.
///
/// The bar counts as wrong only beyond what its own uncertainty explains (twice its standard uncertainty).
pub fn contradiction(bar: &ScaleBar, bar_um: f64, scale: &Scale, settings: &BarSettings) -> Option<Warning> {
    /// Coverage factor for about 95 % (GUM 6.3.3).
    const COVERAGE: f64 = 2.0;
    let by_bar = bar_um / bar.length_px;
    let gap = by_bar / scale.um_per_px() - 1.0;
    let limit = settings.contradiction.max(COVERAGE * bar.length_u_px / bar.length_px);
    (limit < gap.abs()).then(|| {
        Warning::new(
            Flag::ScaleBarContradicts,
            format!(
                "the scale bar says {by_bar:.4} µm/px ({:.0} px for {bar_um} µm), the scale in use is {:.4} µm/px ({:+.1} %): check both",
                bar.length_px,
                scale.um_per_px(),
                100.0 * gap
            ),
        )
    })
}
