//! What is known of one picture -> its row.

use super::Tools;
use crate::flag::{Flag, Warning};
use crate::micrograph::Micrograph;
use crate::micrograph::quality::{picture_quality, quality_warnings};
use crate::series::SeriesRow;
use crate::table::{EndRow, ImageRow, Status};
use crate::tree::Label;
use std::cmp::Ordering;

/// The order of `images.csv`, whatever order its rows came in: by name; a picture listed twice has its result before the
/// row that cannot be used.
pub(super) fn table_order(a: &ImageRow, b: &ImageRow) -> Ordering {
    let by_name = a.series.image.cmp(&b.series.image);
    by_name.then((!a.is_done()).cmp(&!b.is_done())).then_with(|| a.error.cmp(&b.error))
}

/// The row of a picture that could not be read, or of a table row that cannot be used.
pub(super) fn failed_row(series: &SeriesRow, error: &str) -> ImageRow {
    ImageRow { series: series.clone(), status: Status::Failed, error: error.into(), ..ImageRow::default() }
}

/// What is known of a picture once its ends are.
pub(super) fn image_row(micrograph: &Micrograph, ends: &[EndRow], content_hash: String, tools: &Tools) -> ImageRow {
    let settings = &tools.settings;
    let count = |label| Some(ends.iter().filter(|e| e.label == label).count() as u64);
    let median_px = median(ends.iter().filter_map(|e| e.features.get("shaft_diameter_px")).collect());
    let quality = picture_quality(micrograph, &settings.quality);
    let strange = ends.iter().filter(|e| !tools.model.out_of_range(&e.features).is_empty()).count();
    let strange = (!ends.is_empty()).then(|| strange as f64 / ends.len() as f64);
    let mut warnings = micrograph.warnings.clone();
    warnings.extend(quality_warnings(&quality, median_px, &settings.quality));
    if let Some(share) = strange.filter(|s| settings.label.out_of_range_share < *s) {
        let text = format!("{:.0} % of the ends are unlike those the model learnt from", share * 100.0);
        warnings.push(Warning::new(Flag::OutOfRange, text));
    }
    ImageRow {
        um_per_px: micrograph.scale.map(|s| s.um_per_px()),
        u_um_per_px: micrograph.scale.and_then(|s| Some(s.relative_u? * s.um_per_px())),
        scale_source: micrograph.scale.map(|s| s.source),
        width_px: Some(micrograph.grey.width()),
        height_px: Some(micrograph.grey.height()),
        n_found: Some(ends.len() as u64),
        n_sheared: count(Label::Sheared),
        n_tensile: count(Label::Tensile),
        n_unclear: count(Label::Unclear),
        median_shaft_diameter_px: median_px,
        median_shaft_diameter_um: median_px.zip(micrograph.scale).map(|(d, s)| d * s.um_per_px()),
        burnt_in_boxes: Some(micrograph.burnt_in.len() as u64),
        sharpness: quality.sharpness,
        clipped_low: Some(quality.clipped_low),
        clipped_high: Some(quality.clipped_high),
        noise: Some(quality.noise),
        blockiness: Some(quality.blockiness),
        out_of_range_share: strange,
        warnings: ImageRow::join_warnings(&warnings),
        content_hash,
        ..ImageRow::default()
    }
    .tidied()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() % 2 {
        _ if values.is_empty() => None,
        1 => Some(values[middle]),
        _ => Some((values[middle - 1] + values[middle]) / 2.0),
    }
}
