//! Picture -> candidates: all copies searched, detections described and rescored, second ones on one end dropped.

use super::candidate::Candidate;
use super::decode::{self, Detection};
use super::describe::{self, Description};
use super::detector::Detector;
use super::pyramid::Levels;
use super::rescore;
use super::suppress;
use crate::fitted::Fitted;
use crate::network::regression::StripEvidence;
use crate::network::{Expert, NetworkError, StripCache};
use crate::settings::DetectSettings;

/// All candidate ends of a picture, strongest first. With a known scale only the sizes that fibres can have there are
/// searched, else all sizes.
///
/// # Errors
/// When a network fails on the picture.
pub fn detect_ends(
    strips: &mut StripCache<'_>,
    detector: &Detector,
    settings: &DetectSettings,
) -> Result<Vec<Candidate>, NetworkError> {
    let described = describe_detections(strips, detector, settings)?;
    let mut found = rescore::rescore(&described, detector.rescorer());
    found.retain(|c| c.score >= settings.min_score);
    Ok(suppress::merge(found, settings))
}

/// What the rescoring trees are trained on: each detection that may become a candidate (its score is still the network's own),
/// with its description.
///
/// # Errors
/// When a network fails on the picture.
pub fn describe_detections(
    strips: &mut StripCache<'_>,
    detector: &Detector,
    settings: &DetectSettings,
) -> Result<Vec<(Candidate, Description)>, NetworkError> {
    let micrograph = strips.micrograph();
    let detections = detections(strips, detector, settings)?;
    let kept = suppress::keep(&detections, settings);
    let evidence = evidence(strips, &kept)?;
    let size = (micrograph.grey.width(), micrograph.grey.height());
    let described = describe::describe(&kept, &detections, &evidence, size);
    Ok(kept.iter().map(|d| d.candidate).zip(described).collect())
}

/// What the strip of each detection says of it; nothing where it has no strip.
fn evidence(strips: &mut StripCache<'_>, kept: &[Detection]) -> Result<Vec<StripEvidence>, NetworkError> {
    let sigma = Fitted::bundled().map_err(NetworkError::bundled)?.initial_width_sigma;
    let micrograph = strips.micrograph();
    let ends: Vec<_> = kept.iter().map(|d| d.candidate.initial_end(micrograph, sigma)).collect();
    let shown: Vec<_> = ends.iter().flatten().copied().collect();
    let mut answers = strips.regress(Expert::Forms, &shown)?.into_iter();
    let of = |numbers: Vec<f32>| StripEvidence::of(&numbers);
    Ok(ends.iter().map(|end| end.and_then(|_| answers.next()).map(of).unwrap_or_default()).collect())
}

/// All detections in all copies, on the picture and outside burnt-in text.
fn detections(
    strips: &StripCache<'_>,
    detector: &Detector,
    settings: &DetectSettings,
) -> Result<Vec<Detection>, NetworkError> {
    let micrograph = strips.micrograph();
    let mut detections = Vec::new();
    let mpx = f64::from(micrograph.grey.width()) * f64::from(micrograph.grey.height()) / 1e6;
    let mirrored = mpx <= settings.mirror_up_to_mpx;
    strips.still_wanted()?;
    for level in Levels::of(micrograph, settings) {
        strips.still_wanted()?;
        let before = detections.len();
        detector.run(&level, mirrored, |maps| {
            decode::collect(maps, &level, settings, &mut detections);
            strips.still_wanted()
        })?;
        if micrograph.scale.is_some() && shows_all_fibres(&detections[before..], level.reduction, settings) {
            break;
        }
    }
    let tip = |d: &Detection| d.candidate.tip;
    detections.retain(|d| micrograph.grey.contains(tip(d)) && !micrograph.burnt_in.iter().any(|b| b.contains(tip(d))));
    Ok(detections)
}

/// Whether coarser copies, which show thicker fibres, can be left out: this copy has enough clear detections, and none so wide that
/// thicker fibres are to be expected beside them.
fn shows_all_fibres(detections: &[Detection], reduction: f64, settings: &DetectSettings) -> bool {
    let clear = detections.iter().filter(|h| 0.5 < h.candidate.score).count();
    let wide = |h: &Detection| {
        settings.min_kept_detection <= h.candidate.score && settings.last_level_px < h.candidate.width_px / reduction
    };
    settings.last_level_detections <= clear && !detections.iter().any(wide)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Point;

    fn detection(width_px: f64, score: f64) -> Detection {
        let tip = Point::new(0.0, 0.0);
        let candidate = Candidate { tip, axis_deg: 0.0, width_px, score, network_p_sheared: None };
        Detection {
            candidate,
            reduction: 2.0,
            peak_flatness: 0.1,
            tip_spread: 0.1,
            width_spread: 0.1,
            axis_spread: 0.0,
        }
    }

    #[test]
    fn coarser_copies_are_left_out_only_where_enough_ends_show_and_none_is_wide() {
        let settings = DetectSettings::default();
        let thin = vec![detection(14.0, 0.9); settings.last_level_detections];
        assert!(shows_all_fibres(&thin, 2.0, &settings));
        assert!(!shows_all_fibres(&thin[1..], 2.0, &settings), "too few");
        let wide = 2.0 * settings.last_level_px + 1.0;
        assert!(
            !shows_all_fibres(&[&thin[..], &[detection(wide, 0.2)]].concat(), 2.0, &settings),
            "one may be thicker"
        );
        assert!(
            shows_all_fibres(&[&thin[..], &[detection(wide, 0.1)]].concat(), 2.0, &settings),
            "too faint to be a hint"
        );
    }
}
