//! Whether fibres of a plausible size are seen at the scale of a picture; where not, which scale would fit.

use super::Tools;
use super::picture::classify_strips;
use crate::cancel::Cancel;
use crate::flag::{Flag, Warning};
use crate::micrograph::Micrograph;
use crate::network::StripCache;
use crate::results::StageSeconds;
use crate::robust::median;
use crate::table::EndRow;
use crate::tree::Label;

/// A warning when next to nothing was found at the scale of a picture, and without a scale fibres are found whose size does not
/// go with it. Looks a second time, so only where fewer ends were found than make a verdict, and as long as it is wanted.
/// Times are added to `seconds`.
pub(super) fn doubt(
    micrograph: &mut Micrograph,
    ends: &[&EndRow],
    (tools, cancel): (&Tools, Cancel<'_>),
    seconds: &mut StageSeconds,
) -> Option<Warning> {
    let face = &tools.settings.face;
    if face.fewest_ends as usize <= gradable(ends.iter().copied()).len() {
        return None;
    }
    let scale = micrograph.scale.take()?;
    let seen = classify_strips(&mut StripCache::new(micrograph).until(cancel), None, tools, seconds);
    micrograph.scale = Some(scale);
    // The picture was worked on once already: a network that fails now says nothing about the scale.
    let seen = seen.ok()?;
    let widths = gradable(seen.iter().map(|e| &e.row));
    let width_px = median(&widths).filter(|_| face.fewest_for_diameter <= widths.len())?;
    let [thin_um, thick_um] = tools.settings.detect.fibre_um;
    let (um_per_px, width_um) = (scale.um_per_px(), width_px * scale.um_per_px());
    if (thin_um..=thick_um).contains(&width_um) {
        return None;
    }
    let text = format!(
        "no fibre of {thin_um} to {thick_um} µm fits its scale of {um_per_px} µm/px: {} ends of fibres about {width_px:.1} px thick are \
         seen, which would be {width_um:.1} µm; a scale of {:.3} to {:.3} µm/px would fit",
        widths.len(),
        thin_um / width_px,
        thick_um / width_px
    );
    Some(Warning::new(Flag::ScaleUnfit, text))
}

/// Diameters of the ends that could be graded, px.
fn gradable<'a>(ends: impl Iterator<Item = &'a EndRow>) -> Vec<f64> {
    ends.filter(|e| e.label != Label::Unclear).filter_map(|e| e.features.get("shaft_diameter_px")).collect()
}
