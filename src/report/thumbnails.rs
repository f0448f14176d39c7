//! Thumbnails of the page: break faces made small, and single ends cut out upright.

use super::view_model::Specimen;
use crate::micrograph::decode_picture;
use crate::settings::{ReadSettings, ReportSettings};
use crate::table::EndRow;
use crate::tree::Label;
use crate::units::Point;
use base64::Engine as _;
use image::imageops;
use image::{Rgb, RgbImage};
use imageproc::geometric_transformations::{Border, Interpolation, Projection, warp_into};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use std::path::Path;

/// A small picture, embedded.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Thumbnail {
    /// `data:` address.
    pub address: String,
    /// Width, px.
    pub width: u32,
    /// Height, px.
    pub height: u32,
    /// Pixels of this picture per pixel of the original.
    pub factor: f64,
}

/// How much of each specimen is shown; smaller when there are many specimens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Allowance {
    /// Longest side of the break-face picture, px.
    pub face_px: u32,
    /// Longest side of the further pictures, px; 0 = none are shown.
    pub further_px: u32,
    /// Typical ends shown of each label.
    pub gallery: usize,
}

/// Steps from rich to sparse: (share of the largest face, further pictures, share of the largest gallery).
const STEPS: [(f64, bool, f64); 6] =
    [(1.0, true, 1.0), (0.8, true, 1.0), (0.65, true, 0.75), (0.5, false, 0.75), (0.4, false, 0.5), (0.3, false, 0.5)];

/// Bytes per pixel of a small JPEG micrograph as embedded text: 0.25 to 0.32 on rendered pictures at quality 80.
const BYTES_PER_PX: f64 = 0.32;

impl Allowance {
    /// Ends of a label that are shown: half as many unclear ones.
    pub fn of(&self, label: Label) -> usize {
        if label == Label::Unclear { self.gallery.div_ceil(2) } else { self.gallery }
    }

    /// The richest step that keeps `n` specimens within the page's limit; the sparsest when none does.
    pub fn new(n: usize, settings: &ReportSettings) -> Self {
        let step = |(face, further, gallery): (f64, bool, f64)| Self {
            face_px: (f64::from(settings.face_px) * face) as u32,
            further_px: if further { settings.face_px / 4 } else { 0 },
            gallery: ((settings.gallery as f64 * gallery).ceil() as usize).max(1),
        };
        let bytes = |a: &Self| {
            let crops = 3.0 * a.gallery as f64 * f64::from(settings.crop_px).powi(2);
            let further = 4.0 * f64::from(a.further_px).powi(2) * 0.75;
            (f64::from(a.face_px).powi(2) * 0.75 + crops + further) * BYTES_PER_PX
        };
        let room = settings.page_mb * 1e6 / n.max(1) as f64;
        STEPS.map(step).into_iter().find(|a| bytes(a) <= room).unwrap_or_else(|| step(STEPS[STEPS.len() - 1]))
    }
}

/// Reads a picture in colour; `None` when it cannot be reached or read, which the page shows as such. With `hash`, the
/// BLAKE3 of the file that was measured, also `None` when the file is another by now: marks would lie beside its ends.
pub(crate) fn read(path: &Path, hash: Option<&str>, settings: &ReadSettings) -> Option<RgbImage> {
    let bytes = crate::files::read_regular(path).ok()?;
    if hash.is_some_and(|h| blake3::hash(&bytes).to_hex().as_str() != h) {
        return None;
    }
    let micrograph = decode_picture(&path.display().to_string(), &bytes, settings.into()).ok()?.into_plain();
    micrograph.rgb.or_else(|| {
        let grey = &micrograph.grey;
        let bytes = grey.values().iter().flat_map(|v| [(v >> 8) as u8; 3]).collect();
        RgbImage::from_raw(grey.width(), grey.height(), bytes)
    })
}

/// The picture made small, embedded.
pub(crate) fn small(picture: &RgbImage, longest: u32, quality: u8) -> Option<Thumbnail> {
    let (width, height) = picture.dimensions();
    let factor = (f64::from(longest) / f64::from(width.max(height))).min(1.0);
    let side = |s: u32| ((f64::from(s) * factor).round() as u32).max(1);
    if factor < 1.0 {
        embed(&imageops::thumbnail(picture, side(width), side(height)), quality, factor)
    } else {
        embed(picture, quality, factor)
    }
}

fn embed(picture: &RgbImage, quality: u8, factor: f64) -> Option<Thumbnail> {
    let (width, height) = picture.dimensions();
    let text = base64::engine::general_purpose::STANDARD.encode(jpeg(picture, quality).ok()?);
    Some(Thumbnail { address: format!("data:image/jpeg;base64,{text}"), width, height, factor })
}

/// Why a picture cannot be encoded.
#[derive(Debug, thiserror::Error)]
pub enum JpegError {
    /// JPEG has no such sides (ITU-T T.81, table B.2).
    #[error("JPEG has sides of at most 65 535 px, the picture with its legend is {width} x {height} px")]
    TooLarge {
        /// Columns.
        width: u32,
        /// Rows.
        height: u32,
    },
    /// The encoder gave up.
    #[error(transparent)]
    Encoder(#[from] jpeg_encoder::EncodingError),
}

/// The picture as JPEG bytes.
pub(crate) fn jpeg(picture: &RgbImage, quality: u8) -> Result<Vec<u8>, JpegError> {
    let (columns, rows) = picture.dimensions();
    let (Ok(width), Ok(height)) = (u16::try_from(columns), u16::try_from(rows)) else {
        return Err(JpegError::TooLarge { width: columns, height: rows });
    };
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, quality);
    // Thin coloured lines must keep their colour: no plane is stored smaller than the others.
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    encoder.encode(picture.as_raw(), width, height, ColorType::Rgb)?;
    Ok(bytes)
}

/// Part of the fibre that a cut-out shows, in diameters: half its width, above the tip.
const HALF_WIDTH_D: f64 = 3.0;
const ABOVE_D: f64 = 1.8;
/// Grey of places outside the picture.
const OUTSIDE: Rgb<u8> = Rgb([205; 3]);
/// Places taken along each side of a pixel of a cut-out: averaging keeps thick fibres free of moiré.
const OVERSAMPLING: u32 = 2;

/// One end cut out with its axis pointing up, embedded; places outside the picture are filled evenly.
pub(crate) fn cut_out(picture: &RgbImage, end: &EndRow, side: u32, quality: u8) -> Option<Thumbnail> {
    let diameter = end.features.get("shaft_diameter_px").filter(|d| *d > 1.0)?;
    let fine = side * OVERSAMPLING;
    let step = 2.0 * HALF_WIDTH_D * diameter / f64::from(fine);
    let origin = Point::new(0.0, 0.0);
    let (axis, normal) = (origin.towards(end.axis_deg, 1.0), origin.towards(end.axis_deg + 90.0, 1.0));
    // Place of the middle of the first pixel of the cut-out: above the tip and to its left.
    let (up, left) = (ABOVE_D * diameter - 0.5 * step, 0.5 * step - HALF_WIDTH_D * diameter);
    let from_cut_out = [
        normal.x * step,
        -axis.x * step,
        end.x_px + up * axis.x + left * normal.x,
        normal.y * step,
        -axis.y * step,
        end.y_px + up * axis.y + left * normal.y,
        0.0,
        0.0,
        1.0,
    ];
    let to_cut_out = Projection::from_matrix(from_cut_out.map(|v| v as f32))?.invert();
    let mut made = RgbImage::new(fine, fine);
    warp_into(picture, to_cut_out, Interpolation::Bilinear, Border::Constant(OUTSIDE), &mut made);
    embed(&imageops::thumbnail(&made, side, side), quality, 1.0 / (step * f64::from(OVERSAMPLING)))
}

/// Typical ends of a label: well seen, near the label's medians, from different carriers first.
pub(crate) fn typical<'a>(specimen: &Specimen<'a>, label: Label, allowance: Allowance) -> Vec<&'a EndRow> {
    let mut ends: Vec<&EndRow> = specimen.ends.iter().copied().filter(|e| e.label == label).collect();
    let oddness = oddness(specimen, &ends);
    let mut order: Vec<usize> = (0..ends.len()).collect();
    order.sort_by(|&a, &b| oddness[a].total_cmp(&oddness[b]).then(a.cmp(&b)));
    ends = order.iter().map(|&i| ends[i]).collect();
    // The first end of each carrier comes before second ends of any; otherwise the order stays.
    let mut seen = std::collections::BTreeSet::new();
    let (mut ends, repeats): (Vec<&EndRow>, Vec<&EndRow>) =
        ends.into_iter().partition(|e| e.carrier.is_none() || seen.insert((e.image.as_str(), e.carrier)));
    ends.extend(repeats);
    ends.truncate(allowance.of(label));
    ends
}

/// How far each end lies from the medians of bulb ratio, flatness and diameter, in spreads, plus what it lacks in quality
/// and, twice, what its picture lacks in pixels per fibre: a page is looked at, and thin fibres show nothing.
fn oddness(specimen: &Specimen<'_>, ends: &[&EndRow]) -> Vec<f64> {
    let fibre = |e: &EndRow| {
        let image = specimen.images.iter().find(|i| i.series.image == e.image);
        image.and_then(|i| i.median_shaft_diameter_px).unwrap_or(0.0)
    };
    let largest = ends.iter().map(|e| fibre(e)).fold(f64::MIN_POSITIVE, f64::max);
    let mut total: Vec<f64> = ends.iter().map(|e| 3.0 - e.quality - 2.0 * fibre(e) / largest).collect();
    for name in ["bulb_ratio", "flatness", "shaft_diameter_um"] {
        let value = |e: &EndRow| if name == "shaft_diameter_um" { e.shaft_diameter_um } else { e.features.get(name) };
        let mut values: Vec<f64> = ends.iter().filter_map(|e| value(e)).collect();
        values.sort_by(f64::total_cmp);
        let at = |share: f64| values.get(((values.len().max(1) - 1) as f64 * share) as usize).copied();
        let (Some(low), Some(middle), Some(high)) = (at(0.25), at(0.5), at(0.75)) else { continue };
        let spread = (high - low).max(f64::EPSILON);
        for (t, e) in total.iter_mut().zip(ends) {
            *t += value(e).map_or(1.0, |v| (v - middle).abs() / spread);
        }
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_specimens_get_less_each_and_stay_within_the_limit() {
        let settings = ReportSettings::default();
        let (few, many) = (Allowance::new(5, &settings), Allowance::new(200, &settings));
        assert_eq!(few.face_px, settings.face_px);
        assert!(many.face_px < few.face_px && many.gallery < few.gallery && many.further_px == 0);
    }

    #[test]
    fn an_end_is_cut_out_upright() {
        // A white fibre along +x that ends at x = 60: upright, white lies below the middle of the cut-out and black above.
        let picture = RgbImage::from_fn(100, 81, |x, y| {
            let fibre = x <= 60 && (35..=45).contains(&y);
            Rgb([if fibre { 255 } else { 0 }; 3])
        });
        let mut features = crate::measure::FeatureRow::default();
        features.set("shaft_diameter_px", Some(11.0));
        let end = EndRow {
            image: "a".into(),
            specimen: "s".into(),
            end: 1,
            x_px: 60.5,
            y_px: 40.0,
            label: Label::Sheared,
            quality: 1.0,
            counted: true,
            features,
            ..EndRow::default()
        };
        let made = cut_out(&picture, &end, 60, 95).expect("a cut-out");
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(made.address.trim_start_matches("data:image/jpeg;base64,"))
            .expect("base64");
        let back = image::load_from_memory(&bytes).expect("JPEG").to_luma8();
        assert!(back.get_pixel(30, 40).0[0] > 200, "shaft below the tip");
        assert!(back.get_pixel(30, 8).0[0] < 50, "nothing above the tip");
        assert!(back.get_pixel(10, 40).0[0] < 50 && back.get_pixel(50, 40).0[0] < 50, "ground beside the shaft");
    }
}
