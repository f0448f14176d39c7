//! Pitches in several directions -> scale along x and along y.

use crate::settings::RulingSettings;

/// The pitch of one ruling in one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DirectedPitch {
    /// Direction across the lines, degrees.
    pub normal_deg: f64,
    /// Pitch, px.
    pub pitch_px: f64,
    /// Standard uncertainty of the pitch, px.
    pub pitch_u_px: f64,
    /// True pitch, µm.
    pub pitch_um: f64,
}

/// Scale along the rows and along the columns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anisotropy {
    /// µm per px along x.
    pub um_per_px_x: f64,
    /// µm per px along y.
    pub um_per_px_y: f64,
    /// x over y; 1 = square pixels.
    pub ratio: f64,
    /// Standard uncertainty of the ratio from the scatter of the lines.
    pub ratio_u: f64,
}

/// Scale along x and y from rulings in at least two directions; `None` when the directions do not part x from y
/// (one picture in one direction never does).
///
/// With pixels `sx` by `sy` µm, lines `pitch` px apart across the direction `a` are `P` µm apart when
/// `cos²a / sx² + sin²a / sy² = (pitch / P)²` (ours: the normal vector scales with the inverse); solved by least squares.
pub fn anisotropy(pitches: &[DirectedPitch], settings: &RulingSettings) -> Option<Anisotropy> {
    let rows: Vec<(f64, f64, f64, f64)> = pitches
        .iter()
        .map(|p| {
            let c = p.normal_deg.to_radians().cos().powi(2);
            let value = (p.pitch_px / p.pitch_um).powi(2);
            (c, 1.0 - c, value, 2.0 * value * p.pitch_u_px / p.pitch_px)
        })
        .collect();
    let most = rows.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
    let least = rows.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
    if rows.len() < 2 || most - least < settings.anisotropy_lever {
        return None;
    }
    let sum = |f: &dyn Fn(&(f64, f64, f64, f64)) -> f64| rows.iter().map(f).sum::<f64>();
    let (cc, ss, cs) = (sum(&|r| r.0 * r.0), sum(&|r| r.1 * r.1), sum(&|r| r.0 * r.1));
    let determinant = cc * ss - cs * cs;
    let (to_x, to_y): (Vec<f64>, Vec<f64>) =
        rows.iter().map(|r| ((r.0 * ss - r.1 * cs) / determinant, (r.1 * cc - r.0 * cs) / determinant)).unzip();
    let inverse = |to: &[f64]| to.iter().zip(&rows).map(|(w, r)| w * r.2).sum::<f64>();
    let (x, y) = (inverse(&to_x), inverse(&to_y));
    if !(0.0 < x && 0.0 < y) {
        return None;
    }
    let ratio = (y / x).sqrt();
    let relative: f64 = to_x
        .iter()
        .zip(&to_y)
        .zip(&rows)
        .map(|((wx, wy), r)| ((wy / y - wx / x) * r.3 / 2.0).powi(2))
        .sum::<f64>()
        .sqrt();
    Some(Anisotropy { um_per_px_x: x.sqrt().recip(), um_per_px_y: y.sqrt().recip(), ratio, ratio_u: ratio * relative })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pitch in px of a ruling of 10 µm seen with pixels of 0.5 by 0.4 µm: the shortest step from line to line that a
    /// search over all directions finds.
    fn seen(line_um_deg: f64) -> DirectedPitch {
        // A line through the origin and its neighbour, both given by points in µm and turned into px.
        let along = line_um_deg.to_radians();
        let to_px = |x: f64, y: f64| (x / 0.5, y / 0.4);
        let (dx, dy) = to_px(along.cos(), along.sin());
        let (px, py) = to_px(-10.0 * along.sin(), 10.0 * along.cos());
        let (nx, ny) = (-dy / dx.hypot(dy), dx / dx.hypot(dy));
        let normal_deg = ny.atan2(nx).to_degrees();
        DirectedPitch { normal_deg, pitch_px: (px * nx + py * ny).abs(), pitch_u_px: 0.001, pitch_um: 10.0 }
    }

    #[test]
    fn slanted_lines_give_both_scales() {
        let both = anisotropy(&[seen(20.0), seen(75.0), seen(130.0)], &RulingSettings::default()).expect("three");
        assert!((both.um_per_px_x - 0.5).abs() < 1e-9 && (both.um_per_px_y - 0.4).abs() < 1e-9, "{both:?}");
    }

    #[test]
    fn one_direction_does_not_part_x_from_y() {
        let settings = RulingSettings::default();
        assert_eq!(anisotropy(&[seen(0.0)], &settings), None);
        assert_eq!(anisotropy(&[seen(0.0), seen(5.0)], &settings), None);
    }

    #[test]
    fn upright_and_lying_lines_give_both_scales() {
        let upright = DirectedPitch { normal_deg: 0.0, pitch_px: 20.0, pitch_u_px: 0.002, pitch_um: 10.0 };
        let lying = DirectedPitch { normal_deg: 90.0, pitch_px: 25.0, pitch_u_px: 0.0025, pitch_um: 10.0 };
        let both = anisotropy(&[upright, lying], &RulingSettings::default()).expect("two directions");
        assert!((both.um_per_px_x - 0.5).abs() < 1e-12 && (both.um_per_px_y - 0.4).abs() < 1e-12);
        // Two independent relative uncertainties of 1e-4 (GUM 5.1.6).
        assert!((both.ratio_u / both.ratio - 1e-4 * 2.0_f64.sqrt()).abs() < 1e-9);
    }
}
