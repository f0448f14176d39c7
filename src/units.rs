//! Points, angles and scales.
//!
//! The one convention of the whole project: the centre of the top-left pixel is (0, 0), x points right, y points down;
//! a direction is `atan2(dy, dx)` in that frame, in degrees, in (−180, 180]; 0 points along +x, 90 points down the picture.

use crate::tabular::words;
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

/// A place in a picture, in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Point {
    /// Pixels to the right of the centre of the left column.
    pub x: f64,
    /// Pixels below the centre of the top row.
    pub y: f64,
}

impl Point {
    /// A point from its coordinates in pixels.
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// The point `distance` px away in the direction `deg`.
    pub fn towards(self, deg: f64, distance: f64) -> Self {
        let (sin, cos) = deg.to_radians().sin_cos();
        Self::new(self.x + cos * distance, self.y + sin * distance)
    }

    /// Distance to another point, px.
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// Members of two lists that belong together: of all (distance, place in the first list, place in the second) that may be pairs
/// the nearest first, each member once; in that order.
pub fn pair_off(mut near: Vec<(f64, usize, usize)>) -> Vec<(usize, usize)> {
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let (mut first, mut second) = (BTreeSet::new(), BTreeSet::new());
    let pairs = near.into_iter().map(|(_, i, j)| (i, j));
    pairs.filter(|(i, j)| !first.contains(i) && !second.contains(j) && first.insert(*i) && second.insert(*j)).collect()
}

/// A box of pixels: left and top included, right and bottom excluded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PxBox {
    /// First column.
    pub x0: u32,
    /// First row.
    pub y0: u32,
    /// One past the last column.
    pub x1: u32,
    /// One past the last row.
    pub y1: u32,
}

impl PxBox {
    /// Whether the pixel that holds the point lies in the box.
    pub fn contains(&self, p: Point) -> bool {
        f64::from(self.x0) - 0.5 <= p.x
            && p.x < f64::from(self.x1) - 0.5
            && f64::from(self.y0) - 0.5 <= p.y
            && p.y < f64::from(self.y1) - 0.5
    }

    /// The smallest box around two.
    pub fn union(&self, other: &Self) -> Self {
        Self {
            x0: self.x0.min(other.x0),
            y0: self.y0.min(other.y0),
            x1: self.x1.max(other.x1),
            y1: self.y1.max(other.y1),
        }
    }

    /// Whether all of another box lies in this one.
    pub fn covers(&self, other: &Self) -> bool {
        self.x0 <= other.x0 && self.y0 <= other.y0 && other.x1 <= self.x1 && other.y1 <= self.y1
    }

    /// Whether the two have a pixel in common.
    pub fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }
}

/// Folds a direction into (−180, 180].
pub fn wrap_deg(deg: f64) -> f64 {
    let folded = (deg + 180.0).rem_euclid(360.0) - 180.0;
    if folded <= -180.0 { 180.0 } else { folded }
}

/// Smallest turn between two directions, in [0, 180].
pub fn direction_gap_deg(a: f64, b: f64) -> f64 {
    wrap_deg(a - b).abs()
}

/// Smallest turn between two undirected lines, in [0, 90].
pub fn axial_gap_deg(a: f64, b: f64) -> f64 {
    let gap = direction_gap_deg(a, b);
    gap.min(180.0 - gap)
}

words! {
    /// Where a picture's scale came from.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    #[non_exhaustive]
    pub enum ScaleSource {
        /// The `um_per_px` column of the series table.
        Series = "series",
        /// One scale given for the whole run.
        Run = "run",
        /// A named calibration of the lab.
        Calibration = "calibration",
        /// TIFF resolution tags.
        TiffResolution = "tiff",
        /// OME-TIFF PhysicalSizeX.
        Ome = "ome",
        /// EXIF resolution tags.
        Exif = "exif",
        /// Physical pixel dimensions of a PNG.
        PngPixels = "png",
        /// A burnt-in scale bar whose length was given.
        ScaleBar = "scale_bar",
        /// Fibres of known diameter: a stand-in.
        Fibre = "fibre",
    }
}

/// Micrometres per pixel within [`Scale::PLAUSIBLE`], with where it came from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    um_per_px: f64,
    /// Standard uncertainty of the scale, relative (0.01 = 1 %); `None` when unknown.
    pub relative_u: Option<f64>,
    /// Where it came from.
    pub source: ScaleSource,
}

impl Scale {
    /// Scales that a microscope or camera can have, µm per px: from 0.01 nm, finer than any electron microscope samples, to
    /// 1 mm, at which a fibre of 40 µm is a twenty-fifth of a pixel.
    pub const PLAUSIBLE: RangeInclusive<f64> = 1e-5..=1e3;

    /// A scale, or `None` when no microscope has it.
    pub fn new(um_per_px: f64, source: ScaleSource) -> Option<Self> {
        Self::PLAUSIBLE.contains(&um_per_px).then_some(Self { um_per_px, relative_u: None, source })
    }

    /// Micrometres per pixel.
    pub fn um_per_px(&self) -> f64 {
        self.um_per_px
    }
}
