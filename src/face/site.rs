//! Pictures of one place count once: a higher magnification is looked for inside a lower one by its content.
//!
//! Small grey copies and scales in, places out; then rows of ends in, doubles marked as not counted. The measure is the
//! zero-mean normalised cross-correlation (Lewis 1995, Fast template matching) at the known ratio of scales, from coarse to fine.
//! Pictures turned against each other are not found.

use super::end::{self, End, Ends};
use crate::micrograph::GreyPlane;
use crate::settings::SiteSettings;
use crate::table::{EndRow, ImageRow};
use crate::tree::Label;
use crate::units::{Point, pair_off};
use std::collections::BTreeMap;

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
        let across: Vec<(usize, usize)> = (0..width).map(|x| span(x, self.width)).collect();
        let mut values = Vec::with_capacity(width * height);
        let mut line = vec![0.0f32; self.width];
        for y in 0..height {
            let (y0, y1) = span(y, self.height);
            line.fill(0.0);
            for row in self.values[y0 * self.width..y1 * self.width].chunks_exact(self.width) {
                line.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
            }
            let mean = |&(x0, x1): &(usize, usize)| line[x0..x1].iter().sum::<f32>() / ((y1 - y0) * (x1 - x0)) as f32;
            values.extend(across.iter().map(mean));
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

/// Pictures whose copies are held at one time while pictures are compared: twice as many.
const AT_ONCE: usize = 16;

/// Pictures of one specimen that show one place: found by content, or of one `site` by the table. Pictures whose sites or sides are
/// given and differ are not compared. `thumbs` stand in the order of `pictures`, `None` where there is no scale.
pub fn same_sites(pictures: &[ImageRow], thumbs: &[Option<Thumb>], settings: &SiteSettings) -> Vec<SameSite> {
    same_sites_of(pictures, &|i| thumbs.get(i).cloned().flatten(), settings)
}

/// As [`same_sites`], with small copies that are asked for when they are needed, by position of their picture, so that only a few
/// are held.
pub fn same_sites_of(
    pictures: &[ImageRow],
    thumb: &dyn Fn(usize) -> Option<Thumb>,
    settings: &SiteSettings,
) -> Vec<SameSite> {
    let mut found: Vec<(usize, usize, Option<Placement>)> = Vec::new();
    let block = |at: usize| at..pictures.len().min(at + AT_ONCE);
    for first in (0..pictures.len()).step_by(AT_ONCE) {
        for second in (first..pictures.len()).step_by(AT_ONCE) {
            let mut held: BTreeMap<usize, Option<Thumb>> = BTreeMap::new();
            for i in block(first) {
                for j in block(second).filter(|j| i < *j) {
                    let (a, b) = (&pictures[i], &pictures[j]);
                    if !may_be_one_place(a, b) {
                        continue;
                    }
                    let (inner, outer) = finer_first(pictures, i, j);
                    let placement = if scales_differ(&pictures[inner], &pictures[outer], settings) {
                        for k in [inner, outer] {
                            held.entry(k).or_insert_with(|| thumb(k));
                        }
                        let copies = held[&inner].as_ref().zip(held[&outer].as_ref());
                        copies.and_then(|(p, q)| place(p, q, settings))
                    } else {
                        None
                    };
                    if placement.is_some() || (a.series.site.is_some() && a.series.site == b.series.site) {
                        found.push((i, j, placement));
                    }
                }
            }
        }
    }
    found.sort_by_key(|(i, j, _)| (*i, *j));
    let site = |(i, j, placement): (usize, usize, Option<Placement>)| {
        let (inner, outer) = finer_first(pictures, i, j);
        SameSite {
            specimen: pictures[i].series.specimen.clone(),
            inner: pictures[inner].series.image.clone(),
            outer: pictures[outer].series.image.clone(),
            placement,
        }
    };
    found.into_iter().map(site).collect()
}

/// Whether what the table says leaves it open that two pictures show one place.
fn may_be_one_place(a: &ImageRow, b: &ImageRow) -> bool {
    let differ = |a: &Option<String>, b: &Option<String>| matches!((a, b), (Some(a), Some(b)) if a != b);
    let (s, t) = (&a.series, &b.series);
    s.specimen == t.specimen && !differ(&s.site, &t.site) && !differ(&s.side, &t.side)
}

/// Two positions, that of the higher magnification first.
fn finer_first(pictures: &[ImageRow], i: usize, j: usize) -> (usize, usize) {
    let scale = |k: usize| pictures[k].um_per_px.unwrap_or(f64::MAX);
    if scale(i) <= scale(j) { (i, j) } else { (j, i) }
}

/// Whether one may be looked for inside the other; when not, their copies need not be read.
fn scales_differ(inner: &ImageRow, outer: &ImageRow, settings: &SiteSettings) -> bool {
    inner.um_per_px.zip(outer.um_per_px).is_some_and(|(i, o)| settings.least_ratio * i <= o)
}

/// Marks rows of ends that are seen elsewhere as not counted: [`count_ends_once`] on a table.
pub fn count_once(rows: &mut [EndRow], sites: &[SameSite], settings: &SiteSettings) {
    if sites.is_empty() {
        return;
    }
    let mut ends = end::by_picture(rows);
    count_ends_once(&mut ends, sites, settings);
    let mut counted: BTreeMap<&str, std::slice::Iter<End>> =
        ends.iter().map(|(image, of)| (image.as_str(), of.iter())).collect();
    for row in rows {
        if let Some(end) = counted.get_mut(row.image.as_str()).and_then(Iterator::next) {
            row.counted = end.counted;
        }
    }
}

/// Marks ends that are seen elsewhere as not counted.
///
/// Where the place is known, an end of the lower magnification that is also an end of the higher one is left to the higher (unless
/// only the lower tells what it is). Where only the table says so, the picture with more labelled ends counts, the other does not.
pub fn count_ends_once(ends: &mut Ends, sites: &[SameSite], settings: &SiteSettings) {
    for site in sites {
        match site.placement {
            Some(placement) => drop_doubles(ends, site, &placement, settings),
            None => drop_picture(ends, site),
        }
    }
}

/// The ends of a picture; none when it has none.
fn of<'a>(ends: &'a Ends, image: &str) -> &'a [End] {
    ends.get(image).map_or(&[], Vec::as_slice)
}

fn drop_picture(ends: &mut Ends, site: &SameSite) {
    let labelled = |image: &str| of(ends, image).iter().filter(|e| e.counted && e.label != Label::Unclear).count();
    let dropped = if labelled(&site.outer) < labelled(&site.inner) { &site.outer } else { &site.inner };
    ends.get_mut(dropped).into_iter().flatten().for_each(|e| e.counted = false);
}

fn drop_doubles(ends: &mut Ends, site: &SameSite, placement: &Placement, settings: &SiteSettings) {
    let counted = |image: &str| -> Vec<(usize, End)> {
        of(ends, image).iter().copied().enumerate().filter(|(_, e)| e.counted).collect()
    };
    let (inner, outer) = (counted(&site.inner), counted(&site.outer));
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, fine) in &inner {
        let at = placement.map(Point::new(fine.x_px, fine.y_px));
        let diameter = fine.shaft_diameter_px.unwrap_or(0.0) * placement.ratio;
        for (o, coarse) in &outer {
            let distance = at.distance(Point::new(coarse.x_px, coarse.y_px));
            if distance <= settings.same_end_d * diameter {
                pairs.push((distance, *i, *o));
            }
        }
    }
    for (i, o) in pair_off(pairs) {
        let tells = |image: &str, at: usize| of(ends, image)[at].label != Label::Unclear;
        let (image, at) = match !tells(&site.inner, i) && tells(&site.outer, o) {
            true => (&site.inner, i),
            false => (&site.outer, o),
        };
        if let Some(end) = ends.get_mut(image).and_then(|e| e.get_mut(at)) {
            end.counted = false;
        }
    }
}
