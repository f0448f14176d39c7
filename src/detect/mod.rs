//! [`Micrograph`] -> candidate fibre ends.
//!
//! A small network (see `network`) looks at smaller and smaller copies of the picture (`pyramid`), so that fibres of any
//! width appear 6 to 13 px wide in one of them; its maps become detections (`decode`), second detections on one end are merged (`peaks`),
//! and what surrounds a detection and a closer look at it ([`crate::measure`]) decide how far to believe it (`rescore`). Nothing
//! here measures: widths and axes are rough, made good by [`crate::measure`].

mod decode;
mod network;
mod peaks;
mod pyramid;
mod rescore;
mod spatial_index;

use crate::measure::{MeasuredEnd, StripCache};
use crate::micrograph::Micrograph;
use crate::settings::{DetectSettings, MeasureSettings};
use crate::units::Point;
use pyramid::Levels;

pub use network::{Detector, DetectorError};
pub use rescore::RESCORE_FEATURES;

/// A place where a fibre seems to end.
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
    /// The detector's impression that the end looks sheared, 0..1.
    pub network_p_sheared: Option<f64>,
}

/// All candidate ends of a picture, strongest first. With a known scale only the sizes that fibres can have there are
/// searched, else all sizes.
pub fn detect_ends(micrograph: &Micrograph, detector: &Detector, settings: &DetectSettings) -> Vec<Candidate> {
    detect_cached(&mut StripCache::new(micrograph, &MeasureSettings::default()), detector, settings)
}

/// The same, with a look at the picture that measuring can go on with.
pub(crate) fn detect_cached(
    look: &mut StripCache<'_>,
    detector: &Detector,
    settings: &DetectSettings,
) -> Vec<Candidate> {
    let detections = detections(look.micrograph(), detector, settings);
    let kept = rescore::keep(&detections, settings);
    let mut found = rescore::rescore(&kept, &describe(look, &kept, &detections), detector.rescorer());
    found.retain(|c| c.score >= settings.min_score);
    peaks::merge(found, settings)
}

/// What the trees of `rescore` are trained on: each detection that may become a candidate (its score is still the network's own),
/// with its [`RESCORE_FEATURES`].
pub fn describe_detections(
    micrograph: &Micrograph,
    detector: &Detector,
    settings: &DetectSettings,
) -> Vec<(Candidate, [f64; RESCORE_FEATURES.len()])> {
    let detections = detections(micrograph, detector, settings);
    let kept = rescore::keep(&detections, settings);
    let described = describe(&mut StripCache::new(micrograph, &MeasureSettings::default()), &kept, &detections);
    kept.iter().map(|h| h.candidate).zip(described).collect()
}

/// Describes every kept detection by what surrounds it and by a closer look at it.
fn describe(
    look: &mut StripCache<'_>,
    kept: &[decode::Detection],
    detections: &[decode::Detection],
) -> Vec<[f64; RESCORE_FEATURES.len()]> {
    let candidates: Vec<Candidate> = kept.iter().map(|h| h.candidate).collect();
    let evidence = look.evidence(&candidates);
    let grey = &look.micrograph().grey;
    rescore::describe(kept, detections, &evidence, (grey.width(), grey.height()))
}

/// All detections in all copies, on the picture and outside burnt-in text.
fn detections(micrograph: &Micrograph, detector: &Detector, settings: &DetectSettings) -> Vec<decode::Detection> {
    let mut detections = Vec::new();
    let mpx = f64::from(micrograph.grey.width()) * f64::from(micrograph.grey.height()) / 1e6;
    let mirrored = mpx <= settings.mirror_up_to_mpx;
    for level in Levels::of(micrograph, settings) {
        let before = detections.len();
        detector.run_tiled(&level, mirrored, |maps| decode::collect(maps, &level, settings, &mut detections));
        if micrograph.scale.is_some() && shows_all_fibres(&detections[before..], level.reduction, settings) {
            break;
        }
    }
    let tip = |h: &decode::Detection| h.candidate.tip;
    detections.retain(|h| micrograph.grey.contains(tip(h)) && !micrograph.burnt_in.iter().any(|b| b.contains(tip(h))));
    detections
}

/// Whether coarser copies, which show thicker fibres, can be left out: this copy has enough clear detections, and none so wide that
/// thicker fibres are to be expected beside them.
fn shows_all_fibres(detections: &[decode::Detection], reduction: f64, settings: &DetectSettings) -> bool {
    let clear = detections.iter().filter(|h| 0.5 < h.candidate.score).count();
    let wide = |h: &decode::Detection| {
        settings.min_kept_detection <= h.candidate.score && settings.last_level_px < h.candidate.width_px / reduction
    };
    settings.last_level_detections <= clear && !detections.iter().any(wide)
}

/// Measured candidates that are ends: once widths and tips are measured, second detections on one end are dropped for good.
pub fn accept(micrograph: &Micrograph, measured: Vec<MeasuredEnd>, settings: &DetectSettings) -> Vec<MeasuredEnd> {
    let as_candidate = |end: &MeasuredEnd| Candidate {
        tip: end.tip,
        axis_deg: end.axis_deg,
        width_px: end.features.get("shaft_diameter_px").unwrap_or(1.0),
        score: end.score,
        network_p_sheared: None,
    };
    let kept = peaks::merge(measured.iter().map(as_candidate).collect(), settings);
    let stays = |end: &MeasuredEnd| micrograph.grey.contains(end.tip) && kept.contains(&as_candidate(end));
    measured.into_iter().filter(stays).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn detection(width_px: f64, score: f64) -> decode::Detection {
        let tip = Point::new(0.0, 0.0);
        let candidate = Candidate { tip, axis_deg: 0.0, width_px, score, network_p_sheared: None };
        decode::Detection {
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
