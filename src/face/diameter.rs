//! Fibre diameter of a face with its uncertainty.

use super::faces::Face;
use crate::robust::{mad_sd, median};

/// Median fibre diameter of a face, µm, with its standard uncertainty; `None` when no end has a diameter in µm.
pub fn of_face(face: &Face) -> Option<(f64, Option<f64>)> {
    let diameters: Vec<f64> = face.all_ends().filter_map(|e| e.shaft_diameter_um).collect();
    let shared = [scale_relative_u(face), least_relative_u(face)].into_iter().flatten().reduce(f64::max);
    median_um(&diameters, shared)
}

/// Relative uncertainty that all diameters of a face share at most; `None` when no end has one.
///
/// Ends of a picture are read by one network and drawn towards one width, and pictures of a face look alike: part of their
/// error is the same for all. It is in the uncertainty of each end, so it is not more than the least of them.
fn least_relative_u(face: &Face) -> Option<f64> {
    let relative = face.all_ends().filter_map(|e| Some(e.shaft_diameter_u_um? / e.shaft_diameter_um?));
    relative.filter(|u| u.is_finite()).reduce(f64::min)
}

/// Relative uncertainty of the scale over the face, by ends; `None` when it is known for no picture.
///
/// Pictures of one face mostly share a calibration, so their uncertainties go together and do not average out.
fn scale_relative_u(face: &Face) -> Option<f64> {
    let known = face.pictures.iter().zip(&face.ends).filter_map(|(p, ends)| {
        let n = ends.iter().filter(|e| e.shaft_diameter_um.is_some()).count() as f64;
        p.scale_relative_u().map(|u| (n, u))
    });
    let (n, sum) = known.fold((0.0, 0.0), |(n, sum), (k, u)| (n + k, sum + k * u));
    (0.0 < n).then(|| sum / n)
}

/// Median of diameters in µm with its standard uncertainty; `None` for nothing.
///
/// The scatter of the fibres gives the median's standard error (1.2533 standard deviations over √n for normal values, the
/// standard deviation from the median distance to the median). What all ends have wrong together (the scale, the network)
/// does not average out, so its relative uncertainty adds to it whole, in squares (GUM, JCGM 100:2008, 5.1.6 and 5.2).
pub fn median_um(diameters: &[f64], shared_relative_u: Option<f64>) -> Option<(f64, Option<f64>)> {
    /// √(π/2): standard error of the median over that of the mean, normal values.
    const MEDIAN_OVER_MEAN: f64 = 1.253_314;
    let middle = median(diameters)?;
    let n = diameters.len() as f64;
    let scatter = (1.0 < n).then(|| mad_sd(diameters, middle)).flatten().map(|sd| MEDIAN_OVER_MEAN * sd / n.sqrt());
    let shared = shared_relative_u.map(|u| u * middle);
    let u = match (scatter, shared) {
        (None, None) => None,
        (a, b) => Some(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    };
    Some((middle, u))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_shared_does_not_average_out() {
        // By hand: median 18, median distance 1, so 1.253314 * 1.4826 / √5 = 0.83100; 2 % of 18 is 0.36; together 0.90563.
        let (d, u) = median_um(&[16.0, 17.0, 18.0, 19.0, 20.0], Some(0.02)).unwrap();
        assert!((d - 18.0).abs() < 1e-12 && (u.unwrap() - 0.905_63).abs() < 1e-4, "{d} {u:?}");
        let (_, u) = median_um(&[18.0; 400], Some(0.01)).unwrap();
        assert!((u.unwrap() - 0.18).abs() < 1e-12);
        assert_eq!(median_um(&[18.0], None), Some((18.0, None)));
        assert_eq!(median_um(&[], Some(0.01)), None);
    }
}
