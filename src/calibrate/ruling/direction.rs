//! Grey plane -> directions across which the picture is ruled.

use crate::micrograph::GreyPlane;
use crate::micrograph::quality::noise_sd;
use crate::settings::RulingSettings;
use crate::units::axial_gap_deg;
use rayon::prelude::*;

/// Steps of the search over half a turn: whole degrees.
const STEPS: usize = 180;

/// Normals of the rulings, degrees in [0, 180), strongest first: at most two.
///
/// Every block of the picture is projected along every direction; across the lines the projection is at its roughest.
/// Blocks are small enough that a direction that is off by half a step does not smear the lines.
pub(super) fn directions(grey: &GreyPlane, settings: &RulingSettings) -> Vec<f64> {
    let areas = blocks(grey, settings);
    let noise = noise_sd(grey).powi(2);
    let strength: Vec<f64> = (0..STEPS)
        .into_par_iter()
        .map(|step| areas.iter().map(|area| roughness(grey, area, step as f64, noise)).sum())
        .collect();
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

/// Blocks of the picture, spread evenly over it when it has more pixels than are needed.
fn blocks(grey: &GreyPlane, settings: &RulingSettings) -> Vec<Area> {
    let block = settings.block_px.max(16);
    let (width, height) = (grey.width() as usize, grey.height() as usize);
    let mut areas = Vec::new();
    for y0 in (0..height).step_by(block) {
        for x0 in (0..width).step_by(block) {
            areas.push(Area { x0, y0, x1: (x0 + block).min(width), y1: (y0 + block).min(height) });
        }
    }
    let most = (settings.direction_px / (block * block)).max(1);
    let step = areas.len().div_ceil(most).max(1);
    areas.into_iter().step_by(step).collect()
}

struct Area {
    x0: usize,
    y0: usize,
    x1: usize,
    y1: usize,
}

/// One place of a projection: sums of weights, of their squares, and of weighted grey.
#[derive(Clone, Copy, Default)]
struct Bin {
    weight: f64,
    square: f64,
    grey: f64,
}

/// Sum of the squared steps of the projection onto a direction, less what noise of variance `noise` adds to it.
///
/// Every pixel is shared between the two nearest places, so that no direction profits from the pixel grid.
fn roughness(grey: &GreyPlane, area: &Area, deg: f64, noise: f64) -> f64 {
    /// Distance over which a step is taken, px: lines are softer than one pixel.
    const STEP: usize = 2;
    let (sin, cos) = deg.to_radians().sin_cos();
    let reach = (area.x1 - area.x0 + area.y1 - area.y0) as f64;
    let mut bins = vec![Bin::default(); 2 * reach as usize + 4];
    let width = grey.width() as usize;
    for y in area.y0..area.y1 {
        let row = &grey.values()[y * width + area.x0..y * width + area.x1];
        let start = (y - area.y0) as f64 * sin + reach;
        for (x, value) in row.iter().enumerate() {
            let t = x as f64 * cos + start;
            let (at, value) = (t as usize, f64::from(*value));
            let far = t - at as f64;
            for (bin, weight) in [(at, 1.0 - far), (at + 1, far)] {
                let bin = &mut bins[bin];
                bin.weight += weight;
                bin.square += weight * weight;
                bin.grey += weight * value;
            }
        }
    }
    // A place with few pixels holds noise only; a third of a side is enough to see a line.
    let least = (area.x1 - area.x0).min(area.y1 - area.y0) as f64 / 3.0;
    let mean = |b: &Bin| (least.max(1.0) <= b.weight).then(|| b.grey / b.weight / f64::from(u16::MAX));
    let spread = |b: &Bin| noise * b.square / (b.weight * b.weight);
    bins.windows(STEP + 1)
        .filter_map(|w| Some((mean(&w[0])? - mean(&w[STEP])?).powi(2) - spread(&w[0]) - spread(&w[STEP])))
        .sum()
}
