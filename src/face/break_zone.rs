//! Break zone: the length of line over which the fibres broke.

use super::carriers;
use super::end::End;
use super::faces::Face;
use crate::settings::FaceSettings;

/// Length along the line that holds the middle 80 % of the tips, µm, of the picture with the most ends; `None` without a scale
/// or with too few ends. A picture sees no more than its field, so this is a lower bound for long breaks.
pub fn length_um(face: &Face, settings: &FaceSettings) -> Option<f64> {
    let scaled = |i: usize| -> Option<(&Vec<&End>, f64)> { Some((&face.ends[i], face.pictures[i].um_per_px?)) };
    let (ends, um_per_px) = (0..face.pictures.len())
        .filter_map(scaled)
        .filter(|(ends, _)| settings.fewest_for_zone <= ends.len())
        .fold(None, |best: Option<(&Vec<&End>, f64)>, next| match best {
            Some(b) if next.0.len() <= b.0.len() => Some(b),
            _ => Some(next),
        })?;
    Some(carriers::spread_along(ends)? * um_per_px)
}
