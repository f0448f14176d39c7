//! How much the ends of a face tell: ends of one carrier mostly share their fate, so they are worth fewer than they are many.
//!
//! Let a face be pooled from pictures i with nᵢ of n labelled ends, wᵢ = nᵢ / n, in clusters (carriers) of n_ic ends, ρ the
//! intra-carrier correlation. Then the variance of the pooled fraction p is
//! p(1 − p) Σ wᵢ² [ρ gᵢ Σ_c (n_ic / nᵢ)² + (1 − ρ) / nᵢ]: two-stage sampling, pictures drawn apart (Cochran 1977, chapter 10).
//! gᵢ = 1 − fᵢ (1 − h) is the finite-population factor: fᵢ is the share of the braid's carriers (a usual number where none is
//! told) in the picture and h the share of
//! the spread that stays because what is seen of a carrier is not all of it. With one picture of a braid without known carriers
//! this is n over Kish's design effect.

use super::{End, Face};
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::stats::clustered::{Cluster, anova};
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

/// Intra-carrier correlation of the run: analysis of variance over the knot specimens, each its own stratum, drawn towards the
/// prior when there are few carriers.
pub fn run_rho(faces: &[Face], settings: &FaceSettings) -> f64 {
    let strata: Vec<Vec<Cluster>> = faces
        .iter()
        .filter(|f| !matches!(f.kind(), Some(Kind::Cut | Kind::Pull)))
        .map(|f| f.ends.iter().flat_map(|ends| clusters(ends).0).collect())
        .collect();
    let (rho, df) = anova(&strata).map_or((0.0, 0.0), |a| (a.rho.clamp(0.0, 1.0), a.between_df));
    (rho * df + settings.prior_rho * settings.prior_rho_df) / (df + settings.prior_rho_df).max(f64::MIN_POSITIVE)
}

/// What the ends of a face are worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worth {
    /// Labelled ends.
    pub n: f64,
    /// Sheared among them.
    pub sheared: f64,
    /// Ends that would tell as much if they were independent; at most `n`.
    pub n_effective: f64,
    /// Clusters that the ends come in.
    pub clusters: f64,
}

impl Worth {
    /// Times more ends it takes than if they were independent.
    pub fn design_effect(&self) -> f64 {
        self.n / self.n_effective
    }

    /// Share of sheared ends.
    pub fn fraction(&self) -> f64 {
        self.sheared / self.n
    }
}

/// Worth of a face's ends; `None` without labelled ends.
pub fn worth(face: &Face, rho: f64, settings: &FaceSettings) -> Option<Worth> {
    let pictures: Vec<(Vec<Cluster>, Cluster)> = face.ends.iter().map(|e| clusters(e)).collect();
    let size_of = |(grouped, rest): &(Vec<Cluster>, Cluster)| grouped.iter().map(|c| c.size).sum::<f64>() + rest.size;
    let n: f64 = pictures.iter().map(size_of).sum();
    if n == 0.0 {
        return None;
    }
    let grouped = || pictures.iter().flat_map(|(g, _)| g);
    let n_groups = grouped().count() as f64;
    let usual = if 0.0 < n_groups { grouped().map(|c| c.size).sum::<f64>() / n_groups } else { settings.carrier_size };
    let told = face.pictures.iter().find_map(|p| p.series.carriers).map(f64::from);
    let braid = told.unwrap_or(settings.braid_carriers);
    let (mut variance, mut n_clusters, mut sheared) = (0.0, 0.0, 0.0);
    for picture in pictures.iter().filter(|p| 0.0 < size_of(p)) {
        let (grouped, rest) = picture;
        let n_i = size_of(picture);
        let squares = grouped.iter().map(|c| c.size * c.size).sum::<f64>() + rest.size * usual.min(rest.size);
        let seen = grouped.len() as f64 + rest.size / usual;
        let share_seen = (seen / braid).min(1.0);
        let left = 1.0 - share_seen * (1.0 - settings.hidden_share);
        variance += (n_i / n).powi(2) * (rho * left * squares / (n_i * n_i) + (1.0 - rho) / n_i);
        n_clusters += seen;
        sheared += grouped.iter().map(|c| c.successes).sum::<f64>() + rest.successes;
    }
    Some(Worth { n, sheared, n_effective: (1.0 / variance).clamp(1.0, n.max(1.0)), clusters: n_clusters })
}
