//! Connected components: touching pixels of one class, joined run by run.
//!
//! `imageproc::region_labelling` labels every pixel, background too, and takes 25 times as long on a picture of fibres
//! (`cargo bench --bench raster`); what follows needs boxes and runs, not labels.

use crate::units::PxBox;
use std::ops::Range;

/// A stretch of one class in a row.
#[derive(Debug, Clone, Copy)]
pub struct Run {
    /// Row.
    pub y: u32,
    /// First column.
    pub x0: u32,
    /// One past the last column.
    pub x1: u32,
    /// Class of its pixels, never 0.
    pub class: u8,
}

/// Touching pixels of one class.
#[derive(Debug, Clone)]
pub struct Part {
    /// Class of its pixels, never 0.
    pub class: u8,
    /// The smallest box around it.
    pub bounds: PxBox,
    /// Pixels.
    pub area: u32,
    /// Its runs, by rows.
    pub runs: Vec<Run>,
}

impl Part {
    /// Width of its box, px.
    pub fn width(&self) -> u32 {
        self.bounds.x1 - self.bounds.x0
    }

    /// Height of its box, px.
    pub fn height(&self) -> u32 {
        self.bounds.y1 - self.bounds.y0
    }

    /// Share of its box that is filled.
    pub fn fill(&self) -> f64 {
        f64::from(self.area) / (f64::from(self.width()) * f64::from(self.height()))
    }
}

/// Every stretch of one class, by rows; `fill` writes the classes of a row's pixels, 0 = none.
pub fn runs_of(width: usize, height: usize, fill: impl Fn(usize, &mut [u8])) -> Vec<Run> {
    let mut runs = Vec::new();
    let mut row = vec![0_u8; width];
    for y in 0..height {
        fill(y, &mut row);
        collect_runs(&row, y as u32, &mut runs);
    }
    runs
}

/// Joins touching runs to parts; only parts no wider and no taller than `most` (px) are given back.
pub fn parts(runs: &[Run], most: (u32, u32)) -> Vec<Part> {
    let mut parents: Vec<u32> = (0..runs.len() as u32).collect();
    let mut above = 0..0;
    let mut start = 0;
    while start < runs.len() {
        let y = runs[start].y;
        let end = start + runs[start..].iter().take_while(|r| r.y == y).count();
        if runs.get(above.start).is_some_and(|r| r.y + 1 == y) {
            join(runs, &mut parents, above, start..end);
        }
        above = start..end;
        start = end;
    }
    gather(runs, &mut parents, most)
}

fn collect_runs(classes: &[u8], y: u32, runs: &mut Vec<Run>) {
    let mut x = 0;
    while x < classes.len() {
        let class = classes[x];
        let end = x + classes[x..].iter().take_while(|i| **i == class).count();
        if class != 0 {
            runs.push(Run { y, x0: x as u32, x1: end as u32, class });
        }
        x = end;
    }
}

/// Joins the runs of a row with those above that they touch, corners included.
fn join(runs: &[Run], parents: &mut [u32], above: Range<usize>, row: Range<usize>) {
    let mut first = above.start;
    for index in row {
        let run = runs[index];
        while first < above.end && runs[first].x1 < run.x0 {
            first += 1;
        }
        let mut other = first;
        while other < above.end && runs[other].x0 <= run.x1 {
            if runs[other].class == run.class {
                let (a, b) = (root(parents, index as u32), root(parents, other as u32));
                parents[a.max(b) as usize] = a.min(b);
            }
            other += 1;
        }
    }
}

fn root(parents: &mut [u32], mut index: u32) -> u32 {
    while parents[index as usize] != index {
        let up = parents[parents[index as usize] as usize];
        parents[index as usize] = up;
        index = up;
    }
    index
}

fn gather(runs: &[Run], parents: &mut [u32], most: (u32, u32)) -> Vec<Part> {
    // First the boxes alone: large parts (grounds, fibres) are dropped before their runs are copied.
    let mut bounds: Vec<Option<PxBox>> = vec![None; runs.len()];
    for (index, run) in runs.iter().enumerate() {
        let own = PxBox { x0: run.x0, y0: run.y, x1: run.x1, y1: run.y + 1 };
        let place = &mut bounds[root(parents, index as u32) as usize];
        *place = Some(place.map_or(own, |b| b.union(&own)));
    }
    let fits = |b: &PxBox| b.x1 - b.x0 <= most.0 && b.y1 - b.y0 <= most.1;
    let mut slots: Vec<Option<usize>> = vec![None; runs.len()];
    let mut parts: Vec<Part> = Vec::new();
    for (index, run) in runs.iter().enumerate() {
        let top = root(parents, index as u32) as usize;
        let Some(bounds) = bounds[top].filter(fits) else { continue };
        let slot = *slots[top].get_or_insert_with(|| {
            parts.push(Part { class: run.class, bounds, area: 0, runs: Vec::new() });
            parts.len() - 1
        });
        parts[slot].area += run.x1 - run.x0;
        parts[slot].runs.push(*run);
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Number of 8-connected parts of `coins > 107` by scikit-image 0.26.0 (check values, section 7.1).
    #[test]
    fn parts_are_those_of_scikit_image() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/pictures/coins.png");
        let coins = image::open(path).unwrap().to_luma8();
        let width = coins.width() as usize;
        let fill = |y: usize, row: &mut [u8]| {
            for (class, grey) in row.iter_mut().zip(&coins.as_raw()[y * width..]) {
                *class = u8::from(107 < *grey);
            }
        };
        let runs = runs_of(width, coins.height() as usize, fill);
        let parts = parts(&runs, (u32::MAX, u32::MAX));
        assert_eq!(parts.iter().map(|p| p.area).sum::<u32>(), 45_117);
        assert_eq!(parts.len(), 96);
    }

    #[test]
    fn parts_join_around_corners_and_keep_classes_apart() {
        let rows: [&[u8]; 4] = [&[1, 0, 0, 1, 2], &[1, 0, 0, 1, 2], &[0, 1, 1, 0, 0], &[0, 0, 0, 0, 1]];
        let runs = runs_of(5, 4, |y, row| row.copy_from_slice(rows[y]));
        let found: Vec<(u8, u32)> = parts(&runs, (9, 9)).iter().map(|p| (p.class, p.area)).collect();
        assert_eq!(found, [(1, 6), (2, 2), (1, 1)]);
        assert_eq!(parts(&runs, (3, 9)).len(), 2);
    }
}
