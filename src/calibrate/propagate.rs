//! Uncertainty of the scale carried into lengths.

use crate::units::Scale;

/// A length in µm with its standard uncertainty, from pixels and scale.
///
/// Relative uncertainties of the reading and of the scale are independent and add in squares (GUM, JCGM 100:2008,
/// 5.1.6). The uncertainty is `None` when neither is known; one that is not known counts as nothing, so the figure is
/// then a lower bound.
pub fn diameter_um(length_px: f64, u_px: Option<f64>, scale: &Scale) -> (f64, Option<f64>) {
    let length = length_px * scale.um_per_px();
    if u_px.is_none() && scale.relative_u.is_none() || length_px <= 0.0 {
        return (length, None);
    }
    let reading = u_px.unwrap_or(0.0) / length_px;
    (length, Some(length * reading.hypot(scale.relative_u.unwrap_or(0.0))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::ScaleSource;

    #[test]
    fn relative_uncertainties_add_in_squares() {
        // 40 px ± 0.4 px at 0.45 µm/px ± 1 %: 18 µm, 1 % and 1 % make 1.414 % (GUM 5.1.6, by hand).
        let mut scale = Scale::new(0.45, ScaleSource::Calibration).expect("positive");
        assert_eq!(diameter_um(40.0, None, &scale), (18.0, None));
        scale.relative_u = Some(0.01);
        let (d, u) = diameter_um(40.0, Some(0.4), &scale);
        assert!((d - 18.0).abs() < 1e-12 && (u.expect("both known") - 0.254_558).abs() < 1e-6);
    }
}
