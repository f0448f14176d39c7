//! Linear density and density of a fibre -> its diameter; diameters by picture -> which scales are not plausible.

use crate::robust::{MAD_TO_SD, mad, median};
use crate::settings::FibreSettings;
use crate::units::{Scale, ScaleSource};

/// Diameter of a round, solid fibre in µm, from its linear density in dtex and its density in g/cm³:
/// `d = sqrt(4 T / (π ρ))` (definition of linear density; 1 dtex = 1 g per 10 km = 10⁻⁷ kg/m).
///
/// `None` when one of them is not positive.
pub fn fibre_diameter_um(linear_density_dtex: f64, density_g_cm3: f64) -> Option<f64> {
    if !(0.0 < linear_density_dtex && 0.0 < density_g_cm3) {
        return None;
    }
    let kg_per_m = linear_density_dtex * 1e-7;
    let kg_per_m3 = density_g_cm3 * 1e3;
    let metres = (4.0 * kg_per_m / (std::f64::consts::PI * kg_per_m3)).sqrt();
    Some(metres * 1e6).filter(|d| d.is_finite())
}

/// The fibres of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureDiameter {
    /// Picture.
    pub image: String,
    /// Shaft diameters of its measured ends, px.
    pub diameters_px: Vec<f64>,
    /// Its scale, µm per px, when known.
    pub um_per_px: Option<f64>,
}

/// What the fibres say about the scale of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Plausibility {
    /// Picture.
    pub image: String,
    /// Measured ends.
    pub n_ends: usize,
    /// Median diameter, px; `None` with too few ends.
    pub diameter_px: Option<f64>,
    /// Median diameter, µm; `None` also without a scale.
    pub diameter_um: Option<f64>,
    /// Why the scale is doubtful; empty = plausible or not judged.
    pub doubt: String,
}

/// Judges the scale of every picture by its fibres: against the expected diameter, when given, and against the series.
pub fn judge_diameters(
    pictures: &[PictureDiameter],
    expected_um: Option<f64>,
    settings: &FibreSettings,
) -> Vec<Plausibility> {
    let mut rows: Vec<Plausibility> = pictures
        .iter()
        .map(|p| {
            let enough = settings.min_ends <= p.diameters_px.len();
            let diameter_px = median(&p.diameters_px).filter(|_| enough);
            Plausibility {
                image: p.image.clone(),
                n_ends: p.diameters_px.len(),
                diameter_px,
                diameter_um: diameter_px.and_then(|d| Some(d * p.um_per_px?)),
                doubt: String::new(),
            }
        })
        .collect();
    // Ratios matter, so the series is judged by logarithms: twice and half are equally wrong.
    let logs: Vec<f64> = rows.iter().filter_map(|r| r.diameter_um).filter(|d| 0.0 < *d).map(f64::ln).collect();
    let middle = median(&logs);
    let spread = middle.and_then(|m| mad(&logs, m));
    for row in &mut rows {
        let Some(diameter) = row.diameter_um.filter(|d| 0.0 < *d) else { continue };
        row.doubt = doubt(diameter, expected_um, middle.zip(spread), settings).unwrap_or_default();
    }
    rows
}

fn doubt(
    diameter: f64,
    expected_um: Option<f64>,
    series: Option<(f64, f64)>,
    settings: &FibreSettings,
) -> Option<String> {
    if let Some(expected) = expected_um
        && settings.expected_gap < (diameter / expected - 1.0).abs()
    {
        return Some(format!(
            "fibres measure {diameter:.1} µm, expected {expected:.1} µm ({:+.0} %): check the scale of this picture",
            100.0 * (diameter / expected - 1.0)
        ));
    }
    let (middle, spread) = series?;
    let gap = (diameter.ln() - middle).abs();
    let limit = (settings.robust_sd * MAD_TO_SD * spread).max(settings.series_gap.ln_1p());
    (limit < gap).then(|| {
        format!(
            "fibres measure {diameter:.1} µm, those of the other pictures {:.1} µm: check the scale of this picture",
            middle.exp()
        )
    })
}

/// A stand-in scale from fibres of known diameter, when there is nothing better. It makes every diameter equal to the
/// expected one on average, so diameters measured with it say nothing about the fibre.
///
/// The uncertainty combines the scatter of the picture's fibres with the spread of a lot (GUM, 5.1.6).
pub fn stand_in_scale(diameters_px: &[f64], expected_um: f64, settings: &FibreSettings) -> Option<Scale> {
    if diameters_px.len() < settings.min_ends {
        return None;
    }
    let middle = median(diameters_px).filter(|m| 0.0 < *m)?;
    let n = diameters_px.len() as f64;
    let mean = diameters_px.iter().sum::<f64>() / n;
    let sd = (diameters_px.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
    let mut scale = Scale::new(expected_um / middle, ScaleSource::Fibre)?;
    scale.relative_u = Some((sd / n.sqrt() / middle).hypot(settings.lot_u));
    Some(scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn diameters_of_known_fibres() {
        // d = √(4 T / (π ρ)), computed apart: (dtex, g/cm³, µm).
        let table = [
            (2.468, 0.97, 18.0),
            (2.2, 0.97, 16.99),
            (1.0, 0.97, 11.46),
            (1.0, 1.14, 10.57),
            (1.0, 1.38, 9.605),
            (6.0, 1.14, 25.89),
            (5.5, 1.38, 22.53),
            (220.0, 0.97, 169.9),
            (3.058 * 10.0 / 9.0, 2.56, 13.0),
        ];
        for (dtex, density, expected) in table {
            let d = fibre_diameter_um(dtex, density).expect("positive");
            assert!((d / expected - 1.0).abs() < 5e-4, "{dtex} dtex: {d} µm, expected {expected}");
        }
        assert_eq!(fibre_diameter_um(0.0, 0.97), None);
        assert_eq!(fibre_diameter_um(1.0, -1.0), None);
    }

    #[test]
    fn the_picture_with_the_wrong_objective_stands_out() {
        let picture = |name: &str, um_per_px: f64| PictureDiameter {
            image: name.into(),
            diameters_px: vec![17.6 / 0.45, 18.0 / 0.45, 18.3 / 0.45],
            um_per_px: Some(um_per_px),
        };
        let series = [picture("a", 0.45), picture("b", 0.455), picture("c", 0.9), picture("d", 0.447)];
        let rows = judge_diameters(&series, None, &FibreSettings::default());
        let doubtful: Vec<&str> = rows.iter().filter(|r| !r.doubt.is_empty()).map(|r| r.image.as_str()).collect();
        assert_eq!(doubtful, ["c"]);
        let rows = judge_diameters(&series, Some(36.0), &FibreSettings::default());
        // Three contradict the expected diameter, and the fourth the rest of its series.
        assert_eq!(rows.iter().filter(|r| !r.doubt.is_empty()).count(), 4, "expected twice the width");
    }

    #[test]
    fn stand_in_scale_carries_the_spread_of_the_lot() {
        let scale = stand_in_scale(&[40.0, 40.0, 40.0], 18.0, &FibreSettings::default()).expect("three fibres");
        assert_eq!(scale.um_per_px(), 0.45);
        assert_eq!(scale.relative_u, Some(0.05));
        assert_eq!(stand_in_scale(&[40.0], 18.0, &FibreSettings::default()), None);
    }
}
