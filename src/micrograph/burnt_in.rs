//! Captions, information bars and scale bars burnt into the picture: never fibre.

use super::Micrograph;
use crate::settings::BurntInSettings;
use crate::units::PxBox;

/// Boxes around everything that was written into the picture.
pub(super) fn find_burnt_in(_micrograph: &Micrograph, _settings: &BurntInSettings) -> Vec<PxBox> {
    Vec::new()
}
