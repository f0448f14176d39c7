//! Ends of a face -> figures that tell one order of failure from another. No unit but the shaft diameter, no place in a picture.

use crate::face::end::End;
use crate::face::faces::Face;
use crate::robust::{median, quantile};
use crate::settings::HistorySettings;
use crate::stats::angle::directions;
use crate::tree::Label;
use std::collections::BTreeMap;

/// Number of [`FIGURES`].
pub const N_FIGURES: usize = 10;

/// Names of the figures, in the order of the model's weights.
pub const FIGURES: [&str; N_FIGURES] = [
    "sheared_log_odds",
    "sheared_spread",
    "tensile_spread",
    "label_distance",
    "label_separation",
    "largest_gap",
    "two_groups",
    "carrier_stagger",
    "cut_angle",
    "carrier_tensile_spread",
];

/// Quantiles between which the middle 80 % lie.
const MIDDLE: (f64, f64) = (0.1, 0.9);
/// Tips of one label in one picture from which their place along the line is known.
const FEWEST_OF_LABEL: usize = 4;
/// Ends of one label of a carrier from which its place is known, and such carriers from which they are compared.
const FEWEST_OF_CARRIER: usize = 3;
/// Share of the tips that each side of a gap, and each of two groups, must have: single tips are stragglers.
const LEAST_SIDE: f64 = 0.15;
/// Length of a mean direction below which the fibres of a picture have no common line.
const LEAST_RESULTANT: f64 = 0.5;

/// Figures of a face: means over its pictures, each by the ends behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// In the order of [`FIGURES`]; `None` where too few ends tell.
    pub values: [Option<f64>; N_FIGURES],
    /// Labelled ends.
    pub labelled: usize,
    /// Sheared among them.
    pub sheared: usize,
}

/// Where the labelled tips of one picture lie along the line, in shaft diameters.
struct Along {
    tips: Vec<Tip>,
}

#[derive(Clone, Copy)]
struct Tip {
    along: f64,
    label: Label,
    carrier: Option<u32>,
    cut_deg: Option<f64>,
}

/// A figure of one picture and the ends behind it.
type Weighed = Option<(f64, usize)>;

impl Figures {
    /// Figures of a face.
    ///
    /// # Errors
    /// Why its pictures do not show enough, in words.
    pub fn of(face: &Face, settings: &HistorySettings) -> Result<Self, String> {
        let labelled = face.all_ends().filter(|e| e.label != Label::Unclear).count();
        if labelled < settings.fewest_ends {
            let ends = if labelled == 1 { "end" } else { "ends" };
            return Err(format!("{labelled} labelled {ends}, fewer than the {} that it takes", settings.fewest_ends));
        }
        let pictures: Vec<Along> =
            face.ends.iter().filter_map(|ends| Along::of(ends, settings.fewest_ends_in_picture)).collect();
        if pictures.is_empty() {
            let fewest = settings.fewest_ends_in_picture;
            return Err(format!("no picture shows {fewest} labelled ends of one line together, only close views"));
        }
        let tips = || pictures.iter().flat_map(|p| &p.tips);
        let sheared = tips().filter(|t| t.label == Label::Sheared).count();
        let n = tips().count();
        let mut values = [None; N_FIGURES];
        values[0] = Some(((sheared as f64 + 1.0) / (n - sheared + 1) as f64).ln());
        let rest: Vec<[Weighed; N_FIGURES - 1]> = pictures.iter().map(Along::figures).collect();
        for (k, value) in values.iter_mut().skip(1).enumerate() {
            *value = mean(rest.iter().filter_map(|figures| figures[k]));
        }
        Ok(Self { values, labelled: n, sheared })
    }

    /// A figure by its name; lengths are logarithms of 1 + length in shaft diameters.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.values[FIGURES.iter().position(|f| *f == name)?]
    }
}

fn mean(of_pictures: impl Iterator<Item = (f64, usize)>) -> Option<f64> {
    let (sum, n) = of_pictures.fold((0.0, 0.0), |(sum, n), (value, ends)| (sum + value * ends as f64, n + ends as f64));
    (0.0 < n).then(|| sum / n)
}

impl Along {
    /// `None` when a picture shows too few labelled ends, or ends without a common line or diameter.
    fn of(ends: &[&End], fewest: usize) -> Option<Self> {
        let labelled: Vec<&&End> = ends.iter().filter(|e| e.label != Label::Unclear).collect();
        if labelled.len() < fewest {
            return None;
        }
        let line = directions(&labelled.iter().map(|e| e.axis_deg).collect::<Vec<_>>())?;
        let axis_deg = line.mean_deg.filter(|_| LEAST_RESULTANT <= line.resultant)?;
        let diameter = median(&labelled.iter().filter_map(|e| e.shaft_diameter_px).collect::<Vec<_>>());
        let diameter = diameter.filter(|d| 0.0 < *d)?;
        let (sin, cos) = axis_deg.to_radians().sin_cos();
        let tip = |e: &&&End| Tip {
            along: (cos * e.x_px + sin * e.y_px) / diameter,
            label: e.label,
            carrier: e.carrier,
            cut_deg: e.cut_angle_deg,
        };
        Some(Self { tips: labelled.iter().map(tip).collect() })
    }

    /// All figures of a picture but the first, in the order of [`FIGURES`].
    fn figures(&self) -> [Weighed; N_FIGURES - 1] {
        let (sheared, tensile) = (self.places(Label::Sheared), self.places(Label::Tensile));
        let n = self.tips.len();
        let both = sheared.len().min(tensile.len());
        let known = both >= FEWEST_OF_LABEL;
        let mut all: Vec<f64> = self.tips.iter().map(|t| t.along).collect();
        all.sort_by(f64::total_cmp);
        let cuts: Vec<f64> =
            self.tips.iter().filter(|t| t.label == Label::Sheared).filter_map(|t| Some(t.cut_deg?.abs())).collect();
        [
            length(&sheared).map(|l| (l.ln_1p(), sheared.len())),
            length(&tensile).map(|l| (l.ln_1p(), tensile.len())),
            distance(&sheared, &tensile).filter(|_| known).map(|d| (d.ln_1p(), both)),
            separation(&sheared, &tensile).filter(|_| known).map(|s| (s, both)),
            largest_gap(&all).map(|g| (g.ln_1p(), n)),
            two_groups(&all).map(|s| (s, n)),
            self.stagger(),
            median(&cuts).filter(|_| FEWEST_OF_LABEL <= cuts.len()).map(|deg| (deg, cuts.len())),
            self.carrier_tensile_spread(),
        ]
    }

    fn places(&self, label: Label) -> Vec<f64> {
        self.tips.iter().filter(|t| t.label == label).map(|t| t.along).collect()
    }

    /// Places of the ends of one label by carrier, carriers with enough of them.
    fn by_carrier(&self, label: Label) -> Vec<Vec<f64>> {
        let mut found: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
        for tip in self.tips.iter().filter(|t| t.label == label) {
            if let Some(carrier) = tip.carrier {
                found.entry(carrier).or_default().push(tip.along);
            }
        }
        found.into_values().filter(|places| FEWEST_OF_CARRIER <= places.len()).collect()
    }

    /// How far apart the cuts of the carriers lie along the line, against how far the ends of one carrier do: logarithm of the
    /// ratio of the lengths.
    fn stagger(&self) -> Weighed {
        let carriers = self.by_carrier(Label::Sheared);
        let middles: Vec<f64> = carriers.iter().filter_map(|c| median(c)).collect();
        if middles.len() < FEWEST_OF_CARRIER {
            return None;
        }
        let between = length(&middles).unwrap_or(0.0);
        let within = median(&carriers.iter().map(|c| length(c).unwrap_or(0.0)).collect::<Vec<_>>())?;
        Some((1.0 + between) / (1.0 + within)).map(|r| (r.ln(), carriers.iter().map(Vec::len).sum()))
    }

    /// Length over which the tensile ends of one carrier lie.
    fn carrier_tensile_spread(&self) -> Weighed {
        let carriers = self.by_carrier(Label::Tensile);
        let lengths: Vec<f64> = carriers.iter().filter_map(|c| Some(quantile(c, 1.0)? - quantile(c, 0.0)?)).collect();
        median(&lengths).map(|l| (l.ln_1p(), carriers.iter().map(Vec::len).sum()))
    }
}

/// Length that holds the middle 80 % of the places; `None` for too few.
fn length(places: &[f64]) -> Option<f64> {
    if places.len() < FEWEST_OF_CARRIER {
        return None;
    }
    Some(quantile(places, MIDDLE.1)? - quantile(places, MIDDLE.0)?)
}

fn distance(a: &[f64], b: &[f64]) -> Option<f64> {
    Some((median(a)? - median(b)?).abs())
}

/// How far two sets of places lie apart, 0 = mixed, 1 = one wholly before the other: |2 A − 1|, A the share of pairs in which the
/// first lies behind (the area under the receiver operating characteristic; Hanley and McNeil 1982).
fn separation(a: &[f64], b: &[f64]) -> Option<f64> {
    let pairs = (a.len() * b.len()) as f64;
    let behind: f64 = a
        .iter()
        .flat_map(|x| {
            b.iter().map(move |y| {
                if x > y {
                    1.0
                } else if x < y {
                    0.0
                } else {
                    0.5
                }
            })
        })
        .sum();
    (0.0 < pairs).then(|| (2.0 * behind / pairs - 1.0).abs())
}

/// Places at which both sides have their least share of the sorted tips: number of tips before the split.
fn splits(n: usize) -> std::ops::RangeInclusive<usize> {
    let least = ((LEAST_SIDE * n as f64).ceil() as usize).max(2);
    least..=n.saturating_sub(least)
}

/// Longest stretch of line without a tip between two groups of tips.
fn largest_gap(sorted: &[f64]) -> Option<f64> {
    splits(sorted.len()).map(|k| sorted[k] - sorted[k - 1]).reduce(f64::max)
}

/// Share of the spread of the tips that two groups explain, at the best split (Otsu 1979).
fn two_groups(sorted: &[f64]) -> Option<f64> {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let all = mean(sorted);
    let total: f64 = sorted.iter().map(|v| (v - all).powi(2)).sum();
    let between = splits(sorted.len())
        .map(|k| {
            let (a, b) = sorted.split_at(k);
            a.len() as f64 * (mean(a) - all).powi(2) + b.len() as f64 * (mean(b) - all).powi(2)
        })
        .reduce(f64::max)?;
    (0.0 < total).then(|| between / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_groups_and_their_gap() {
        // By hand: 0 1 2 and 10 11 12: means 1 and 11 about 6, 6 · 25 of 6 · 25 + 4 is between.
        let places = [0.0, 1.0, 2.0, 10.0, 11.0, 12.0];
        assert_eq!(largest_gap(&places), Some(8.0));
        assert!((two_groups(&places).unwrap() - 150.0 / 154.0).abs() < 1e-12);
        assert_eq!(largest_gap(&[0.0, 1.0]), None);
        assert_eq!(two_groups(&[3.0; 9]), None);
    }

    #[test]
    fn separation_is_the_area_under_the_curve() {
        // scikit-learn 1.8 roc_auc_score([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8]) = 0.75, its documented example.
        assert!((separation(&[0.35, 0.8], &[0.1, 0.4]).unwrap() - 0.5).abs() < 1e-12);
        assert_eq!(separation(&[1.0, 2.0], &[3.0, 4.0]), Some(1.0));
        assert_eq!(separation(&[1.0, 1.0], &[1.0]), Some(0.0));
        assert_eq!(separation(&[], &[1.0]), None);
    }
}
