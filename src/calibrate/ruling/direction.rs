//! Grey plane -> directions across which the picture is ruled.

use crate::micrograph::GreyPlane;
use crate::settings::RulingSettings;
use crate::units::axial_gap_deg;

/// Steps of the search over half a turn: whole degrees.
const STEPS: usize = 180;

/// Normals of the rulings, degrees in [0, 180), strongest first: at most two.
///
/// Every block of the picture is projected along every direction; across the lines the projection is at its roughest.
/// Blocks are small enough that a direction that is off by half a step does not smear the lines.
pub(super) fn directions(grey: &GreyPlane, settings: &RulingSettings) -> Vec<f64> {
    let mut strength = vec![0.0; STEPS];
    let block = settings.block_px.max(16);
    let (width, height) = (grey.width() as usize, grey.height() as usize);
    for (step, value) in strength.iter_mut().enumerate() {
        for y0 in (0..height).step_by(block) {
            for x0 in (0..width).step_by(block) {
                let area = Area { x0, y0, x1: (x0 + block).min(width), y1: (y0 + block).min(height) };
                *value += roughness(grey, &area, step as f64, settings.block_row_step.max(1));
            }
        }
    }
    let mut sorted = strength.clone();
    sorted.sort_by(f64::total_cmp);
    let floor = sorted[STEPS / 2];
    let mut found: Vec<(f64, f64)> = Vec::new();
    let mut order: Vec<usize> = (0..STEPS).collect();
    order.sort_by(|a, b| strength[*b].total_cmp(&strength[*a]));
    for step in order {
        let over = strength[step] - floor;
        let is_peak =
            strength[step] >= strength[(step + 1) % STEPS] && strength[step] >= strength[(step + STEPS - 1) % STEPS];
        let strongest = found.first().map_or(over, |f| f.1);
        if !is_peak || over <= 0.0 || over < settings.second_direction_share * strongest {
            continue;
        }
        if found.iter().all(|f| settings.direction_gap_deg <= axial_gap_deg(f.0, step as f64)) {
            found.push((vertex(&strength, step), over));
        }
        if found.len() == 2 {
            break;
        }
    }
    found.into_iter().map(|f| f.0).collect()
}

/// Top of the parabola through a peak and its neighbours, degrees.
fn vertex(strength: &[f64], step: usize) -> f64 {
    let (a, b, c) = (strength[(step + STEPS - 1) % STEPS], strength[step], strength[(step + 1) % STEPS]);
    let bend = a - 2.0 * b + c;
    let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (step as f64 + shift).rem_euclid(180.0)
}

struct Area {
    x0: usize,
    y0: usize,
    x1: usize,
    y1: usize,
}

/// Sum of the squared steps between neighbouring means of the projection onto a direction.
fn roughness(grey: &GreyPlane, area: &Area, deg: f64, row_step: usize) -> f64 {
    let (sin, cos) = deg.to_radians().sin_cos();
    let reach = (area.x1 - area.x0 + area.y1 - area.y0) as f64;
    let mut bins = vec![(0.0_f64, 0.0_f64); 2 * reach as usize + 3];
    let width = grey.width() as usize;
    for y in (area.y0..area.y1).step_by(row_step) {
        let row = &grey.values()[y * width..(y + 1) * width];
        for (x, value) in row.iter().enumerate().take(area.x1).skip(area.x0) {
            let t = (x - area.x0) as f64 * cos + (y - area.y0) as f64 * sin + reach;
            let bin = &mut bins[t as usize];
            bin.0 += f64::from(*value);
            bin.1 += 1.0;
        }
    }
    // A bin with few pixels holds noise only; a third of a side is enough to see a line.
    let least = (area.x1 - area.x0).min(area.y1 - area.y0) as f64 / (3 * row_step) as f64;
    let means: Vec<Option<f64>> =
        bins.iter().map(|(sum, n)| (least.max(1.0) <= *n).then(|| sum / n / f64::from(u16::MAX))).collect();
    means.windows(2).filter_map(|pair| Some((pair[0]? - pair[1]?).powi(2))).sum()
}
