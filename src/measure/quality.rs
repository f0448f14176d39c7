//! Quality of an end and why it cannot be graded.
//!
//! Features -> quality 0..1 and reasons. The limits follow what a person can still judge; each is a setting.

use super::measured::MeasuredEnd;
use crate::flag::Reason;
use crate::settings::MeasureSettings;

/// Sets quality and reasons of an end from its features.
pub(super) fn judge(end: &mut MeasuredEnd, settings: &MeasureSettings) {
    let get = |name: &str| end.features.get(name);
    let mut reasons = Vec::new();
    let width = get("shaft_diameter_px").unwrap_or(0.0);
    let blur = get("edge_blur_d").unwrap_or(f64::INFINITY);
    let visible = get("visible_share").unwrap_or(0.0);
    let contrast = get("contrast").unwrap_or(0.0);
    let border = get("border_distance").unwrap_or(0.0);
    let support = get("shaft_support").unwrap_or(0.0);
    // Too thin beyond doubt: a width at the limit is no reason to keep silent.
    if width + get("shaft_diameter_u_px").unwrap_or(0.0) < settings.min_shaft_px {
        reasons.push(Reason::TooFewPixels);
    }
    if settings.max_blur < blur && settings.max_blur_px < get("edge_blur_px").unwrap_or(f64::INFINITY) {
        reasons.push(Reason::OutOfFocus);
    }
    if visible < settings.min_visible {
        reasons.push(Reason::Hidden);
    }
    if contrast < settings.min_contrast {
        reasons.push(Reason::LowContrast);
    }
    if border < settings.min_border || settings.max_masked < get("masked_share").unwrap_or(0.0) {
        reasons.push(Reason::AtFrameEdge);
    }
    if support < settings.min_support {
        reasons.push(Reason::NoShaft);
    }
    // Each part falls from 1 to 0 between a comfortable value and none at all; the worst decides.
    let part = |value: f64, good: f64| (value / good).clamp(0.0, 1.0);
    end.quality = part(width, 2.0 * settings.min_shaft_px)
        .min(part(2.0 * settings.max_blur - blur, settings.max_blur))
        .min(part(visible, 1.0))
        .min(part(contrast, 2.0 * settings.min_contrast))
        .min(part(support, 2.0 * settings.min_support));
    end.not_gradable = reasons;
}
