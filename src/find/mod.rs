//! [`Micrograph`] -> candidate fibre ends.
//!
//! A small network (see `network`) looks at smaller and smaller copies of the picture (`pyramid`), so that fibres of any
//! width appear 6 to 13 px wide in one of them; its maps become hits (`hit`), second hits on one end are merged (`peaks`),
//! and what surrounds a hit and a closer look at it ([`crate::measure`]) decide how far to believe it (`context`). Nothing
//! here measures: widths and axes are rough, made good by [`crate::measure`].

mod context;
mod hit;
mod near;
mod network;
mod peaks;
mod pyramid;

use crate::measure::{CloseLook, MeasuredEnd};
use crate::micrograph::Micrograph;
use crate::settings::{FindSettings, MeasureSettings};
use crate::units::Point;
use pyramid::Levels;

pub use context::CONTEXT_FEATURES;
pub use network::{Finder, FinderError};

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
    /// The finder's impression that the end looks sheared, 0..1.
    pub look_sheared: Option<f64>,
}

/// All candidate ends of a picture, strongest first. With a known scale only the sizes that fibres can have there are
/// searched, else all sizes.
pub fn find_ends(micrograph: &Micrograph, finder: &Finder, settings: &FindSettings) -> Vec<Candidate> {
    find_closely(&mut CloseLook::new(micrograph, &MeasureSettings::default()), finder, settings)
}

/// The same, with a look at the picture that measuring can go on with.
pub(crate) fn find_closely(look: &mut CloseLook<'_>, finder: &Finder, settings: &FindSettings) -> Vec<Candidate> {
    let hits = hits(look.micrograph(), finder, settings);
    let kept = context::keep(&hits, settings);
    let mut found = context::weigh(&kept, &describe(look, &kept, &hits), finder.context());
    found.retain(|c| c.score >= settings.min_score);
    peaks::merge(found, settings)
}

/// What the trees of `context` are trained on: each hit that may become a candidate (its score is still the network's own),
/// with its [`CONTEXT_FEATURES`].
pub fn describe_hits(
    micrograph: &Micrograph,
    finder: &Finder,
    settings: &FindSettings,
) -> Vec<(Candidate, [f64; CONTEXT_FEATURES.len()])> {
    let hits = hits(micrograph, finder, settings);
    let kept = context::keep(&hits, settings);
    let described = describe(&mut CloseLook::new(micrograph, &MeasureSettings::default()), &kept, &hits);
    kept.iter().map(|h| h.candidate).zip(described).collect()
}

/// Describes every kept hit by what surrounds it and by a closer look at it.
fn describe(look: &mut CloseLook<'_>, kept: &[hit::Hit], hits: &[hit::Hit]) -> Vec<[f64; CONTEXT_FEATURES.len()]> {
    let candidates: Vec<Candidate> = kept.iter().map(|h| h.candidate).collect();
    let glances = look.glance(&candidates);
    let grey = &look.micrograph().grey;
    context::describe(kept, hits, &glances, (grey.width(), grey.height()))
}

/// All hits in all copies, on the picture and outside burnt-in text.
fn hits(micrograph: &Micrograph, finder: &Finder, settings: &FindSettings) -> Vec<hit::Hit> {
    let mut hits = Vec::new();
    let mpx = f64::from(micrograph.grey.width()) * f64::from(micrograph.grey.height()) / 1e6;
    let mirrored = mpx <= settings.mirror_up_to_mpx;
    for level in Levels::of(micrograph, settings) {
        let before = hits.len();
        finder.look(&level, mirrored, |maps| hit::collect(maps, &level, settings, &mut hits));
        if micrograph.scale.is_some() && shows_all_fibres(&hits[before..], level.reduction, settings) {
            break;
        }
    }
    let tip = |h: &hit::Hit| h.candidate.tip;
    hits.retain(|h| micrograph.grey.contains(tip(h)) && !micrograph.burnt_in.iter().any(|b| b.contains(tip(h))));
    hits
}

/// Whether coarser copies, which show thicker fibres, can be left out: this copy has enough clear hits, and none so wide that
/// thicker fibres are to be expected beside them.
fn shows_all_fibres(hits: &[hit::Hit], reduction: f64, settings: &FindSettings) -> bool {
    let clear = hits.iter().filter(|h| 0.5 < h.candidate.score).count();
    let wide = |h: &hit::Hit| {
        settings.min_kept_hit <= h.candidate.score && settings.last_copy_px < h.candidate.width_px / reduction
    };
    settings.last_copy_hits <= clear && !hits.iter().any(wide)
}

/// Measured candidates that are ends: once widths and tips are measured, second hits on one end are dropped for good.
pub fn accept(micrograph: &Micrograph, measured: Vec<MeasuredEnd>, settings: &FindSettings) -> Vec<MeasuredEnd> {
    let as_candidate = |end: &MeasuredEnd| Candidate {
        tip: end.tip,
        axis_deg: end.axis_deg,
        width_px: end.features.get("shaft_diameter_px").unwrap_or(1.0),
        score: end.score,
        look_sheared: None,
    };
    let kept = peaks::merge(measured.iter().map(as_candidate).collect(), settings);
    let stays = |end: &MeasuredEnd| micrograph.grey.contains(end.tip) && kept.contains(&as_candidate(end));
    measured.into_iter().filter(stays).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hit(width_px: f64, score: f64) -> hit::Hit {
        let tip = Point::new(0.0, 0.0);
        let candidate = Candidate { tip, axis_deg: 0.0, width_px, score, look_sheared: None };
        hit::Hit { candidate, reduction: 2.0, smear: 0.1, tip_spread: 0.1, width_spread: 0.1, axis_spread: 0.0 }
    }

    #[test]
    fn coarser_copies_are_left_out_only_where_enough_ends_show_and_none_is_wide() {
        let settings = FindSettings::default();
        let thin = vec![hit(14.0, 0.9); settings.last_copy_hits];
        assert!(shows_all_fibres(&thin, 2.0, &settings));
        assert!(!shows_all_fibres(&thin[1..], 2.0, &settings), "too few");
        let wide = 2.0 * settings.last_copy_px + 1.0;
        assert!(!shows_all_fibres(&[&thin[..], &[hit(wide, 0.2)]].concat(), 2.0, &settings), "one may be thicker");
        assert!(shows_all_fibres(&[&thin[..], &[hit(wide, 0.1)]].concat(), 2.0, &settings), "too faint to be a hint");
    }
}
