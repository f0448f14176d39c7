//! Detections -> candidates: what surrounds a detection in its picture decides how much to believe it.
//!
//! The network sees about a hundred pixels of one copy. Whether a detection is an end also shows in what it cannot see: whether
//! another copy saw the same end, how wide the other fibres of the picture are, whether a stronger detection lies close by; and
//! in the detection's own strip, upright and at its own scale, as the regression network sees it. How many ends a picture
//! has and how sure the network is throughout it are not asked: trees that knew did no better on pictures of the kind they
//! had learnt from, and worse on any other. Boosted trees (`models/rescore.json`, made by `scripts/detector/rescore.py`) turn
//! that into the chance that the detection is a gradable end.

use serde::Deserialize;

use super::decode::{Detection, logit, sigmoid};
use super::network::UNIT;
use super::spatial_index::SpatialIndex;
use super::{Candidate, DetectorError};
use crate::measure::StripEvidence;
use crate::renamed;
use crate::settings::DetectSettings;
use crate::units::direction_gap_deg;

pub(super) static BUNDLED: &[u8] = include_bytes!("../../models/rescore.json");

/// What the trees ask about a detection, in the order of `describe_detections`' answer. Lengths are in widths of the detection.
pub const RESCORE_FEATURES: [&str; 30] = [
    "network_logit",
    "width_in_level",
    "peak_flatness",
    "tip_spread",
    "width_spread",
    "axis_spread",
    "appearance_certainty",
    "duplicates_same_level",
    "score_other_level",
    "other_level_width_gap",
    "other_level_axis_gap",
    "other_level_distance",
    "stronger_distance",
    "stronger_logit_gap",
    "stronger_axis_gap",
    "stronger_along",
    "stronger_across",
    "width_against_picture",
    "local_density",
    "weak_neighbours",
    "border_distance",
    "width_px",
    "strip_end",
    "strip_clear",
    "strip_appearance_certainty",
    "strip_width_shift",
    "strip_width_spread",
    "strip_tip_shift",
    "strip_turn",
    "strip_end_gap",
];

/// Format of the file, and its name in version 0.1.0.
const SCHEMA: &str = "breakface-rescore/1";
const SCHEMA_0_1: &str = "breakface-context/1";

/// Farthest that a neighbour is looked for, widths; also the value when there is none.
const FAR: f64 = 6.0;

/// The trees, as read from their file.
pub(super) struct Rescorer {
    trees: Vec<Tree>,
    base: f64,
    /// BLAKE3 of the file.
    hash: [u8; 32],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    schema: String,
    features: Vec<String>,
    base: f64,
    trees: Vec<Tree>,
}

/// One tree as parallel arrays; `feature` −1 marks a leaf.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Tree {
    feature: Vec<i16>,
    threshold: Vec<f64>,
    left: Vec<u16>,
    right: Vec<u16>,
    value: Vec<f64>,
}

impl Rescorer {
    /// The trees that are compiled in.
    pub fn bundled() -> Result<Self, DetectorError> {
        Self::named("models/rescore.json", BUNDLED)
    }

    /// The trees in a file of this name.
    pub fn named(name: &str, bytes: &[u8]) -> Result<Self, DetectorError> {
        Self::from_bytes(bytes).map_err(|reason| DetectorError::Unusable { name: name.to_owned(), reason })
    }

    /// What tells these trees from others.
    pub fn hash(&self) -> [u8; 32] {
        self.hash
    }

    fn from_bytes(bytes: &[u8]) -> Result<Self, String> {
        let file: File = serde_json::from_slice(bytes).map_err(|e| e.to_string())?;
        if ![SCHEMA, SCHEMA_0_1].contains(&file.schema.as_str()) {
            return Err(format!("schema {} is not {SCHEMA}", file.schema));
        }
        if !file.features.iter().map(|f| renamed::current(renamed::RESCORE_FEATURES, f)).eq(RESCORE_FEATURES) {
            return Err(
                "asks for other features than this version makes: make the trees anew (scripts/detector/rescore.py)"
                    .to_owned(),
            );
        }
        if !file.trees.iter().all(Tree::is_sound) {
            return Err("holds a tree whose branches lead nowhere".to_owned());
        }
        Ok(Self { trees: file.trees, base: file.base, hash: *blake3::hash(bytes).as_bytes() })
    }

    /// Chance that a detection so described is a gradable end, 0..1.
    fn chance(&self, features: &[f64; RESCORE_FEATURES.len()]) -> f64 {
        sigmoid(self.base + self.trees.iter().map(|t| t.value_of(features)).sum::<f64>())
    }
}

impl Tree {
    /// Whether every branch leads to a later node, so that each walk ends.
    fn is_sound(&self) -> bool {
        let n = self.feature.len();
        let whole = [self.threshold.len(), self.left.len(), self.right.len(), self.value.len()].iter().all(|&l| l == n);
        whole
            && n > 0
            && (0..n).all(|i| {
                self.feature[i] < 0
                    || ((self.feature[i] as usize) < RESCORE_FEATURES.len()
                        && [self.left[i], self.right[i]].iter().all(|&c| usize::from(c) > i && usize::from(c) < n))
            })
    }

    fn value_of(&self, features: &[f64; RESCORE_FEATURES.len()]) -> f64 {
        let mut at = 0;
        while self.feature[at] >= 0 {
            let low = features[self.feature[at] as usize] <= self.threshold[at];
            at = usize::from(if low { self.left[at] } else { self.right[at] });
        }
        self.value[at]
    }
}

/// The kept detections with the chance that each is an end as their score.
pub(super) fn rescore(
    kept: &[Detection],
    described: &[[f64; RESCORE_FEATURES.len()]],
    rescorer: &Rescorer,
) -> Vec<Candidate> {
    kept.iter()
        .zip(described)
        .map(|(detection, f)| Candidate { score: rescorer.chance(f), ..detection.candidate })
        .collect()
}

/// Describes every kept detection by what surrounds it and what a closer look says of it. `detections` are all detections of the picture,
/// `evidence` the closer looks in the order of `kept`, `size` the picture's width and height, px.
pub(super) fn describe(
    kept: &[Detection],
    detections: &[Detection],
    evidence: &[StripEvidence],
    size: (u32, u32),
) -> Vec<[f64; RESCORE_FEATURES.len()]> {
    let (all, some) = (SpatialIndex::new(detections), SpatialIndex::new(kept));
    let typical = typical_width(kept);
    // What a closer look says of the picture's surest detections: some pictures are hard throughout.
    let mut ends: Vec<f64> = evidence.iter().map(|g| g.end).collect();
    ends.sort_by(f64::total_cmp);
    let picture_end = ends.get(ends.len() * 3 / 4).copied().unwrap_or(0.0);
    kept.iter()
        .zip(evidence)
        .map(|(detection, evidence)| {
            let c = &detection.candidate;
            let w = c.width_px;
            let gap = |o: &Detection| c.tip.distance(o.candidate.tip) / w.max(o.candidate.width_px);
            let axis_gap = |o: &Detection| direction_gap_deg(c.axis_deg, o.candidate.axis_deg) / 180.0;
            let others = |reach: f64| all.within(c.tip, reach * w).filter(|o| *o != detection);
            let doubles = others(1.0).filter(|o| o.reduction == detection.reduction && gap(o) < 0.75);
            let elsewhere = others(2.0)
                .filter(|o| o.reduction != detection.reduction && gap(o) < 0.75)
                .max_by(|a, b| a.candidate.score.total_cmp(&b.candidate.score));
            let stronger = some
                .within(c.tip, FAR * w)
                .filter(|o| o.candidate.score > c.score)
                .min_by(|a, b| c.tip.distance(a.candidate.tip).total_cmp(&c.tip.distance(b.candidate.tip)));
            let (along, across) = stronger.map_or((0.0, 0.0), |o| {
                let (u, v) = super::peaks::along_across(c.tip, c.axis_deg, o.candidate.tip);
                (u / w, v.abs() / w)
            });
            let local_density =
                some.within(c.tip, 4.0 * w).filter(|o| *o != detection).map(|o| o.candidate.score).sum::<f64>();
            let weak_neighbours = others(2.0).filter(|o| gap(o) >= 0.5).map(|o| o.candidate.score).sum::<f64>();
            let far = [c.tip.x, c.tip.y, f64::from(size.0) - 1.0 - c.tip.x, f64::from(size.1) - 1.0 - c.tip.y];
            [
                logit(c.score),
                (w / detection.reduction / UNIT).log2(),
                detection.peak_flatness,
                detection.tip_spread,
                detection.width_spread,
                detection.axis_spread,
                c.network_p_sheared.map_or(0.0, |p| (2.0 * p - 1.0).abs()),
                doubles.map(|o| o.candidate.score).sum(),
                elsewhere.map_or(0.0, |o| o.candidate.score),
                elsewhere.map_or(1.0, |o| (o.candidate.width_px / w).log2()),
                elsewhere.map_or(1.0, axis_gap),
                elsewhere.map_or(1.0, gap),
                stronger.map_or(FAR, |o| c.tip.distance(o.candidate.tip) / w),
                stronger.map_or(0.0, |o| logit(o.candidate.score) - logit(c.score)),
                stronger.map_or(1.0, axis_gap),
                along,
                across,
                (w / typical).log2(),
                local_density,
                weak_neighbours,
                far.into_iter().fold(FAR * w, f64::min) / w,
                w.log2(),
                evidence.end,
                evidence.clear,
                evidence.look.abs(),
                evidence.width[0],
                evidence.width[1],
                evidence.tip_shift,
                evidence.turn_deg,
                evidence.end - picture_end,
            ]
        })
        .collect()
}

/// Median width of a picture's kept detections, px. Every detection counts as much as the network believes it.
fn typical_width(kept: &[Detection]) -> f64 {
    let mut widths: Vec<(f64, f64)> = kept.iter().map(|h| (h.candidate.width_px, h.candidate.score.powi(2))).collect();
    widths.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let total = widths.iter().map(|w| w.1).sum::<f64>();
    let mut sum = 0.0;
    let median = widths.iter().find(|w| {
        sum += w.1;
        sum >= total / 2.0
    });
    median.map_or(1.0, |w| w.0)
}

/// Drops weaker detections on the end of a stronger one; only detections of at least `min_kept_detection` stay.
pub(super) fn keep(detections: &[Detection], settings: &DetectSettings) -> Vec<Detection> {
    let strong = detections.iter().filter(|h| h.candidate.score >= settings.min_kept_detection).copied().collect();
    super::peaks::keep_strongest(strong, |h: &Detection| h.candidate, settings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Point;

    fn detection(x: f64, y: f64, score: f64, reduction: f64) -> Detection {
        let candidate =
            Candidate { tip: Point::new(x, y), axis_deg: 0.0, width_px: 10.0, score, network_p_sheared: Some(0.5) };
        Detection { candidate, reduction, peak_flatness: 0.1, tip_spread: 0.0, width_spread: 0.0, axis_spread: 0.0 }
    }

    fn feature(row: &[f64; RESCORE_FEATURES.len()], name: &str) -> f64 {
        row[RESCORE_FEATURES.iter().position(|f| *f == name).expect("named")]
    }

    #[test]
    fn neighbours_are_told_in_widths() {
        let detections =
            [detection(100.0, 100.0, 0.5, 1.0), detection(130.0, 100.0, 0.9, 1.0), detection(101.0, 100.0, 0.3, 2.0)];
        let rows = describe(&detections[..2], &detections, &[StripEvidence::default(); 2], (400, 300));
        assert_eq!(feature(&rows[0], "stronger_distance"), 3.0);
        assert_eq!(feature(&rows[0], "stronger_along"), 3.0);
        assert_eq!(feature(&rows[0], "score_other_level"), 0.3);
        assert_eq!(feature(&rows[1], "stronger_distance"), FAR);
        assert!(feature(&rows[1], "width_against_picture").abs() < 1e-9);
    }

    #[test]
    fn branches_that_lead_nowhere_are_refused() {
        let circle = Tree { feature: vec![0], threshold: vec![0.0], left: vec![0], right: vec![0], value: vec![0.0] };
        assert!(!circle.is_sound());
        assert!(Rescorer::from_bytes(b"{}").is_err());
        assert!(Rescorer::bundled().is_ok());
    }
}
