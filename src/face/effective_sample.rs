//! How much the ends of a face tell: ends of one carrier mostly share their fate, so they count for fewer than they are many.
//!
//! Let a face be pooled from pictures i with nᵢ of n labelled ends, wᵢ = nᵢ / n, in clusters (carriers) of n_ic ends, ρ the
//! intra-carrier correlation. A picture's own variance, over p(1 − p), has a part between carriers,
//! bᵢ = ρ gᵢ Σ_c (n_ic / nᵢ)², and a part within them, (1 − ρ) / nᵢ: two-stage sampling (Cochran 1977, chapter 10).
//! gᵢ = 1 − fᵢ (1 − h) is the finite-population factor: fᵢ is the share of the braid's carriers (a usual number where none is
//! told) in the picture and h the share of the spread that stays because what is seen of a carrier is not all of it.
//!
//! The carriers of a braid come back in every picture of its face. As far as pictures show the same carriers, the parts between
//! carriers do not average out but add linearly: the variance is
//! Σ wᵢ² (1 − ρ) / nᵢ + (1 − r) Σ wᵢ² bᵢ + r (Σ wᵢ √bᵢ)², r the overlap of the pictures ([`run_overlap`]).

use super::end::End;
use super::faces::Face;
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::stats::clustered::{Cluster, anova};
use crate::table::ImageRow;
use crate::tree::Label;
use std::collections::BTreeMap;

/// Labelled ends of one picture by carrier; ungrouped ends count as carriers of the usual size.
pub fn clusters(ends: &[&End]) -> (Vec<Cluster>, Cluster) {
    let mut grouped: BTreeMap<u32, Cluster> = BTreeMap::new();
    let mut rest = Cluster::new(0.0, 0.0);
    for end in ends.iter().filter(|e| e.label != Label::Unclear) {
        let cluster = match end.carrier {
            Some(carrier) => grouped.entry(carrier).or_insert(Cluster::new(0.0, 0.0)),
            None => &mut rest,
        };
        cluster.size += 1.0;
        cluster.successes += f64::from(u8::from(end.label == Label::Sheared));
    }
    (grouped.into_values().collect(), rest)
}

/// Intra-carrier correlation of the run: analysis of variance over the knot specimens, each its own stratum, made good for
/// carriers that are not grouped perfectly, and drawn towards the prior when there are few carriers.
pub fn run_rho(faces: &[Face], settings: &FaceSettings) -> f64 {
    let strata: Vec<Vec<Cluster>> =
        knots(faces).map(|f| f.ends.iter().flat_map(|ends| clusters(ends).0).collect()).collect();
    let (rho, df) =
        anova(&strata).map_or((0.0, 0.0), |a| ((a.rho / settings.grouping_keeps_rho).clamp(0.0, 1.0), a.between_df));
    (rho * df + settings.prior_rho * settings.prior_rho_df) / (df + settings.prior_rho_df).max(f64::MIN_POSITIVE)
}

fn knots<'a, 'b>(faces: &'a [Face<'b>]) -> impl Iterator<Item = &'a Face<'b>> {
    faces.iter().filter(|f| !matches!(f.kind(), Some(Kind::Cut | Kind::Pull)))
}

/// How far pictures of one face show the same carriers, 0 = drawn apart, 1 = the same ones; over the knots of the run.
///
/// By moments: two pictures of a face differ by E(pᵢ − pⱼ)² = p(1 − p) (bᵢ + bⱼ + within − 2 r √(bᵢ bⱼ)). Drawn towards 1, the
/// cautious end, while few pictures can be compared. Pictures that the table says to show carriers of their own
/// (`overlap` = `no`) take no part.
pub fn run_overlap(faces: &[Face], rho: f64, settings: &FaceSettings) -> f64 {
    let (mut expected, mut found, mut shared, mut df) = (0.0, 0.0, 0.0, 0.0);
    for face in knots(faces) {
        let parts: Vec<PicturePart> = parts(face, rho, settings);
        let parts: Vec<&PicturePart> = parts.iter().filter(|p| p.overlaps && FEWEST_TO_COMPARE <= p.n).collect();
        let n: f64 = parts.iter().map(|p| p.n).sum();
        let p = parts.iter().map(|p| p.sheared).sum::<f64>() / n;
        let spread = p * (1.0 - p);
        if parts.len() < 2 || spread <= 0.0 {
            continue;
        }
        for (i, a) in parts.iter().enumerate() {
            for b in &parts[i + 1..] {
                expected += spread * (a.between + b.between + a.within + b.within);
                found += (a.sheared / a.n - b.sheared / b.n).powi(2);
                shared += 2.0 * spread * (a.between * b.between).sqrt();
            }
        }
        df += parts.len() as f64 - 1.0;
    }
    let overlap = if 0.0 < shared { ((expected - found) / shared).clamp(0.0, 1.0) } else { 1.0 };
    (overlap * df + settings.prior_overlap_df) / (df + settings.prior_overlap_df).max(f64::MIN_POSITIVE)
}

/// Labelled ends of a picture below which its fraction says nothing about overlap: one carrier's worth.
const FEWEST_TO_COMPARE: f64 = 5.0;

/// What all faces of a run share about how their ends hang together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dependence {
    /// Intra-carrier correlation.
    pub rho: f64,
    /// How far pictures of one face show the same carriers.
    pub overlap: f64,
}

impl Dependence {
    /// Estimated from the faces of a run.
    pub fn of_run(faces: &[Face], settings: &FaceSettings) -> Self {
        let rho = run_rho(faces, settings);
        Self { rho, overlap: run_overlap(faces, rho, settings) }
    }
}

/// What the ends of a face count for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EffectiveSample {
    /// Labelled ends.
    pub n: f64,
    /// Sheared among them.
    pub sheared: f64,
    /// Ends that would tell as much if they were independent; at most `n`.
    pub n_effective: f64,
}

impl EffectiveSample {
    /// Times more ends it takes than if they were independent.
    pub fn design_effect(&self) -> f64 {
        self.n / self.n_effective
    }

    /// Share of sheared ends.
    pub fn fraction(&self) -> f64 {
        self.sheared / self.n
    }
}

/// One picture's part in the variance of a face, over p(1 − p).
struct PicturePart {
    n: f64,
    sheared: f64,
    between: f64,
    within: f64,
    /// Whether its carriers may be in other pictures, too.
    overlaps: bool,
}

/// Whether the series table says that this picture shows carriers that no other picture of its face shows
/// (column `overlap` = `no`).
pub fn shows_own_carriers(picture: &ImageRow) -> bool {
    let says_no = |(name, value): &(String, String)| name.trim().eq_ignore_ascii_case("overlap") && is_no(value);
    picture.series.extra.iter().any(says_no)
}

fn is_no(value: &str) -> bool {
    ["no", "n", "0", "false"].contains(&value.trim().to_ascii_lowercase().as_str())
}

/// The parts of all pictures with labelled ends.
fn parts(face: &Face, rho: f64, settings: &FaceSettings) -> Vec<PicturePart> {
    let pictures: Vec<(Vec<Cluster>, Cluster)> = face.ends.iter().map(|e| clusters(e)).collect();
    let grouped = || pictures.iter().flat_map(|(g, _)| g);
    let n_groups = grouped().count() as f64;
    let usual = if 0.0 < n_groups { grouped().map(|c| c.size).sum::<f64>() / n_groups } else { settings.carrier_size };
    let told = face.pictures.iter().find_map(|p| p.series.carriers).map(f64::from);
    let braid = told.unwrap_or(settings.braid_carriers);
    let carriers_in = |(grouped, rest): &(Vec<Cluster>, Cluster)| grouped.len() as f64 + rest.size / usual;
    let own = |picture: &ImageRow| shows_own_carriers(picture);
    // Pictures of carriers of their own show that much of the braid together.
    let apart: f64 = face.pictures.iter().zip(&pictures).filter(|(p, _)| own(p)).map(|(_, c)| carriers_in(c)).sum();
    face.pictures
        .iter()
        .zip(&pictures)
        .filter_map(|(picture, clusters)| {
            let (grouped, rest) = clusters;
            let n = grouped.iter().map(|c| c.size).sum::<f64>() + rest.size;
            let squares = grouped.iter().map(|c| c.size * c.size).sum::<f64>() + rest.size * usual.min(rest.size);
            // A braid has no more carriers than it has, however many groups were made of them.
            let concentration = (squares / (n * n)).max(told.map_or(0.0, |t| 1.0 / t));
            let carriers = if own(picture) { apart } else { carriers_in(clusters) };
            let share_seen = (carriers / braid).min(1.0);
            let left = 1.0 - share_seen * (1.0 - settings.hidden_share);
            (0.0 < n).then(|| PicturePart {
                n,
                sheared: grouped.iter().map(|c| c.successes).sum::<f64>() + rest.successes,
                between: rho * left * concentration,
                within: (1.0 - rho) / n,
                overlaps: !own(picture),
            })
        })
        .collect()
}

/// Effective sample of a face's ends; `None` without labelled ends.
pub fn effective_sample(face: &Face, dependence: Dependence, settings: &FaceSettings) -> Option<EffectiveSample> {
    let parts = parts(face, dependence.rho, settings);
    let n: f64 = parts.iter().map(|p| p.n).sum();
    if n == 0.0 {
        return None;
    }
    let weight = |p: &PicturePart| p.n / n;
    let sum = |value: &dyn Fn(&PicturePart) -> f64| parts.iter().map(value).sum::<f64>();
    let within = sum(&|p| weight(p).powi(2) * p.within);
    let apart = sum(&|p| weight(p).powi(2) * p.between);
    let own = sum(&|p| if p.overlaps { 0.0 } else { weight(p).powi(2) * p.between });
    let together = sum(&|p| if p.overlaps { weight(p) * p.between.sqrt() } else { 0.0 }).powi(2) + own;
    let variance = within + (1.0 - dependence.overlap) * apart + dependence.overlap * together;
    let sheared = parts.iter().map(|p| p.sheared).sum();
    Some(EffectiveSample { n, sheared, n_effective: (1.0 / variance).clamp(1.0, n.max(1.0)) })
}
