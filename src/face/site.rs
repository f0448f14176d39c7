//! Pictures of one place count once: a higher magnification is looked for inside a lower one by its content.
//!
//! Small grey copies and scales in, places out; then rows of ends in, doubles marked as not counted. The measure is the
//! zero-mean normalised cross-correlation (Lewis 1995, Fast template matching) at the known ratio of scales, from coarse to fine.
//! Pictures turned against each other are not found.

use super::Picture;
use crate::micrograph::GreyPlane;
use crate::settings::SiteSettings;
use crate::table::EndRow;
use crate::tree::Label;
use crate::units::Point;

/// A small grey copy of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Thumb {
    plane: Plane,
    /// Micrometres per pixel of the picture itself.
    um_per_px: f64,
    /// Picture pixels per pixel of the copy, at least 1.
    shrink: f64,
}

#[derive(Debug, Clone, PartialEq)]
struct Plane {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

/// The small copy of a picture, its longer side at most as the settings say.
pub fn small_copy(grey: &GreyPlane, settings: &SiteSettings) -> GreyPlane {
    let longer = f64::from(grey.width().max(grey.height()));
    let factor = (longer / f64::from(settings.thumb_px.max(1))).max(1.0);
    let small = Plane::of(grey).shrunk(factor);
    let values = small.values.iter().map(|v| (v * 65535.0).round() as u16).collect();
    // The number of values is width × height by construction.
    GreyPlane::new(small.width as u32, small.height as u32, values).unwrap_or_else(|| grey.clone())
}

impl Thumb {
    /// A [`small_copy`] with the width and scale of the picture it was made from; `None` without pixels or a scale.
    pub fn new(small: &GreyPlane, picture_width_px: u32, um_per_px: f64) -> Option<Self> {
        let usable = 0 < small.width() && 0 < small.height() && um_per_px.is_finite() && 0.0 < um_per_px;
        let shrink = f64::from(picture_width_px) / f64::from(small.width());
        usable.then(|| Self { plane: Plane::of(small), um_per_px, shrink: shrink.max(1.0) })
    }

    /// Micrometres per pixel of the copy.
    fn um_per_thumb_px(&self) -> f64 {
        self.um_per_px * self.shrink
    }
}

impl Plane {
    fn of(grey: &GreyPlane) -> Self {
        let values = grey.values().iter().map(|v| f32::from(*v) / 65535.0).collect();
        Self { width: grey.width() as usize, height: grey.height() as usize, values }
    }

    /// Averages over squares of `factor` ≥ 1 pixels a side.
    fn shrunk(&self, factor: f64) -> Self {
        let size = |n: usize| ((n as f64 / factor).floor() as usize).max(1);
        let (width, height) = (size(self.width), size(self.height));
        let span = |i: usize, n: usize| {
            let from = (i as f64 * factor).floor() as usize;
            (from.min(n - 1), ((((i + 1) as f64 * factor).ceil()) as usize).min(n).max(from.min(n - 1) + 1))
        };
        let mut values = Vec::with_capacity(width * height);
        for y in 0..height {
            let (y0, y1) = span(y, self.height);
            for x in 0..width {
                let (x0, x1) = span(x, self.width);
                let sum: f32 =
                    (y0..y1).map(|r| self.values[r * self.width + x0..r * self.width + x1].iter().sum::<f32>()).sum();
                values.push(sum / ((y1 - y0) * (x1 - x0)) as f32);
            }
        }
        Self { width, height, values }
    }

    /// Correlation of a patch with this plane, its top-left pixel laid on (x, y); 0 where either has no contrast.
    fn correlation(&self, patch: &Patch, x: usize, y: usize) -> f32 {
        let (mut sum, mut squares, mut cross) = (0.0f32, 0.0f32, 0.0f32);
        for row in 0..patch.height {
            let from = (y + row) * self.width + x;
            let here = &self.values[from..from + patch.width];
            for (a, b) in here.iter().zip(&patch.values[row * patch.width..]) {
                sum += a;
                squares += a * a;
                cross += a * b;
            }
        }
        let n = patch.values.len() as f32;
        let spread = (squares - sum * sum / n).max(0.0) * patch.squares;
        if spread <= f32::EPSILON { 0.0 } else { cross / spread.sqrt() }
    }
}

/// A patch with its mean taken off.
struct Patch {
    width: usize,
    height: usize,
    values: Vec<f32>,
    squares: f32,
}

impl Patch {
    fn new(plane: &Plane) -> Self {
        let mean = plane.values.iter().sum::<f32>() / plane.values.len() as f32;
        let values: Vec<f32> = plane.values.iter().map(|v| v - mean).collect();
        let squares = values.iter().map(|v| v * v).sum();
        Self { width: plane.width, height: plane.height, values, squares }
    }
}

/// Where a picture lies inside another of lower magnification.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// Where the centre of its top-left pixel lies in the other picture, px.
    pub corner: Point,
    /// Pixels of the other picture per pixel of this one, below 1.
    pub ratio: f64,
    /// Correlation, up to 1.
    pub correlation: f64,
}

impl Placement {
    /// A place of the higher magnification in the lower.
    pub fn map(&self, p: Point) -> Point {
        Point::new(self.corner.x + p.x * self.ratio, self.corner.y + p.y * self.ratio)
    }
}

/// Pixels of a patch in the first, coarse search: enough to tell places apart, few enough to try them all.
const COARSE_PX: f64 = 1600.0;
/// Steps searched around a place when the search gets finer by a factor of two.
const REFINE: i64 = 2;

/// Looks for `inner` (higher magnification) inside `outer`; `None` when their scales are too close, the patch would be too
/// small, or no place stands out.
pub fn place(inner: &Thumb, outer: &Thumb, settings: &SiteSettings) -> Option<Placement> {
    let factor = outer.um_per_thumb_px() / inner.um_per_thumb_px();
    if outer.um_per_px < settings.least_ratio * inner.um_per_px {
        return None;
    }
    // Both at the resolution of the coarser copy.
    let (patch, field, field_shrink) = if 1.0 <= factor {
        (inner.plane.shrunk(factor), outer.plane.clone(), outer.shrink)
    } else {
        (inner.plane.clone(), outer.plane.shrunk(1.0 / factor), outer.shrink / factor)
    };
    let fits = patch.width <= field.width && patch.height <= field.height;
    if !fits || (patch.width.min(patch.height) as u32) < settings.least_patch_px {
        return None;
    }
    let coarsest = ((patch.width * patch.height) as f64 / COARSE_PX).sqrt().max(1.0);
    let (mut x, mut y, correlation) = search_all(&field.shrunk(coarsest), &patch.shrunk(coarsest), settings)?;
    let mut coarse = coarsest;
    while 1.0 < coarse {
        let finer = (coarse / 2.0).max(1.0);
        let scale = coarse / finer;
        (x, y) = refine(&field.shrunk(finer), &patch.shrunk(finer), x as f64 * scale, y as f64 * scale);
        coarse = finer;
    }
    let ratio = inner.um_per_px / outer.um_per_px;
    // Top-left corners coincide; the centre of a pixel lies half its size inside.
    let corner = |v: usize| v as f64 * field_shrink - 0.5 + ratio / 2.0;
    Some(Placement { corner: Point::new(corner(x), corner(y)), ratio, correlation: f64::from(correlation) })
}

/// Best place of all, when it is good enough and stands out from every place more than half a patch away.
fn search_all(field: &Plane, patch: &Plane, settings: &SiteSettings) -> Option<(usize, usize, f32)> {
    if field.width < patch.width || field.height < patch.height {
        return None;
    }
    let template = Patch::new(patch);
    let mut all = Vec::new();
    for y in 0..=field.height - patch.height {
        for x in 0..=field.width - patch.width {
            all.push((field.correlation(&template, x, y), x, y));
        }
    }
    let best = all.iter().copied().reduce(|a, b| if a.0 < b.0 { b } else { a })?;
    let apart =
        |p: &&(f32, usize, usize)| patch.width < 2 * p.1.abs_diff(best.1) || patch.height < 2 * p.2.abs_diff(best.2);
    let second = all.iter().filter(apart).map(|p| p.0).fold(0.0, f32::max);
    let stands_out =
        settings.least_correlation <= f64::from(best.0) && settings.least_lead <= f64::from(best.0 - second);
    stands_out.then_some((best.1, best.2, best.0))
}

fn refine(field: &Plane, patch: &Plane, x: f64, y: f64) -> (usize, usize) {
    let template = Patch::new(patch);
    let most = |n: usize, m: usize| n.saturating_sub(m) as i64;
    let mut best = (f32::MIN, 0, 0);
    for dy in -REFINE..=REFINE {
        for dx in -REFINE..=REFINE {
            let px = (x.round() as i64 + dx).clamp(0, most(field.width, patch.width)) as usize;
            let py = (y.round() as i64 + dy).clamp(0, most(field.height, patch.height)) as usize;
            if px + patch.width <= field.width && py + patch.height <= field.height {
                let c = field.correlation(&template, px, py);
                if best.0 < c {
                    best = (c, px, py);
                }
            }
        }
    }
    (best.1, best.2)
}

/// Two pictures of one place.
#[derive(Debug, Clone, PartialEq)]
pub struct SameSite {
    /// Specimen code.
    pub specimen: String,
    /// Picture of higher magnification.
    pub inner: String,
    /// Picture of lower magnification.
    pub outer: String,
    /// Where it lies; `None` when only the table says that they show one place.
    pub placement: Option<Placement>,
}

impl SameSite {
    /// One line for people.
    pub fn line(&self) -> String {
        let how = match self.placement {
            Some(p) => format!("found inside it (correlation {:.2})", p.correlation),
            None => "of the same site by the series table".into(),
        };
        format!("{}: {} shows a place of {}, {how}: its ends were counted once", self.specimen, self.inner, self.outer)
    }
}

/// Pictures of one specimen that show one place: found by content, or of one `site` by the table. Pictures whose sites or sides are
/// given and differ are not compared. `thumbs` stand in the order of `pictures`, `None` where there is no scale.
pub fn same_sites(pictures: &[Picture], thumbs: &[Option<Thumb>], settings: &SiteSettings) -> Vec<SameSite> {
    let differ = |a: &Option<String>, b: &Option<String>| matches!((a, b), (Some(a), Some(b)) if a != b);
    let mut found = Vec::new();
    for (i, a) in pictures.iter().enumerate() {
        for (j, b) in pictures.iter().enumerate().skip(i + 1) {
            let (s, t) = (&a.series, &b.series);
            if s.specimen != t.specimen || differ(&s.site, &t.site) || differ(&s.side, &t.side) {
                continue;
            }
            let finer_first = a.um_per_px.unwrap_or(f64::MAX) <= b.um_per_px.unwrap_or(f64::MAX);
            let (inner, outer) = if finer_first { (i, j) } else { (j, i) };
            let thumb = |k: usize| thumbs.get(k).and_then(Option::as_ref);
            let placement = thumb(inner).zip(thumb(outer)).and_then(|(p, q)| place(p, q, settings));
            if placement.is_some() || (s.site.is_some() && s.site == t.site) {
                found.push(SameSite {
                    specimen: s.specimen.clone(),
                    inner: pictures[inner].series.image.clone(),
                    outer: pictures[outer].series.image.clone(),
                    placement,
                });
            }
        }
    }
    found
}

/// Marks ends that are seen elsewhere as not counted.
///
/// Where the place is known, an end of the lower magnification that is also an end of the higher one is left to the higher (unless
/// only the lower tells what it is). Where only the table says so, the picture with more labelled ends counts, the other does not.
pub fn count_once(ends: &mut [EndRow], sites: &[SameSite], settings: &SiteSettings) {
    for site in sites {
        match site.placement {
            Some(placement) => drop_doubles(ends, site, &placement, settings),
            None => drop_picture(ends, site),
        }
    }
}

fn drop_picture(ends: &mut [EndRow], site: &SameSite) {
    let labelled =
        |image: &str| ends.iter().filter(|e| e.image == image && e.counted && e.label != Label::Unclear).count();
    let dropped = if labelled(&site.outer) < labelled(&site.inner) { &site.outer } else { &site.inner };
    ends.iter_mut().filter(|e| e.image == *dropped).for_each(|e| e.counted = false);
}

fn drop_doubles(ends: &mut [EndRow], site: &SameSite, placement: &Placement, settings: &SiteSettings) {
    let of = |image: &str| -> Vec<usize> {
        (0..ends.len()).filter(|i| ends[*i].image == image && ends[*i].counted).collect()
    };
    let (inner, outer) = (of(&site.inner), of(&site.outer));
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for i in &inner {
        let at = placement.map(Point::new(ends[*i].x_px, ends[*i].y_px));
        let diameter = ends[*i].features.get("shaft_diameter_px").unwrap_or(0.0) * placement.ratio;
        for o in &outer {
            let distance = at.distance(Point::new(ends[*o].x_px, ends[*o].y_px));
            if distance <= settings.same_end_d * diameter {
                pairs.push((distance, *i, *o));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut taken = Vec::new();
    for (_, i, o) in pairs {
        if taken.contains(&i) || taken.contains(&o) {
            continue;
        }
        taken.extend([i, o]);
        let only_outer_tells = ends[i].label == Label::Unclear && ends[o].label != Label::Unclear;
        ends[if only_outer_tells { i } else { o }].counted = false;
    }
}
