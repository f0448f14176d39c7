//! Tables and pictures -> the page, and the full pictures beside it.

use super::context::{Context, Links, SpecimenThumbnails};
use super::marks;
use super::page::page;
use super::reviewed::Reviewed;
use super::thumbnails::{self, Allowance};
use super::view_model::{Specimen, ViewModel};
use crate::knot::flagged::flagged;
use crate::results::Results;
use crate::settings::Settings;
use crate::table::{ImageRow, TableError, write_atomic};
use image::RgbImage;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

/// Why a report could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// A file could not be written.
    #[error(transparent)]
    Unwritable(#[from] TableError),
    /// The folder for full pictures could not be made.
    #[error("{folder}: cannot be made: {reason}")]
    Folder {
        /// Folder.
        folder: String,
        /// What the system said.
        reason: String,
    },
}

/// How the page is made.
#[derive(Debug, Clone, Default)]
pub struct ReportOptions {
    /// Title of the page; empty = a title made from the knots.
    pub title: String,
    /// Folder for full pictures, linked from the page; `None` = none are saved.
    pub assets: Option<PathBuf>,
    /// Settings in effect.
    pub settings: Settings,
}

/// What a written report holds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Written {
    /// Bytes of the page.
    pub bytes: usize,
    /// Pictures shown on the page.
    pub shown: usize,
    /// Pictures that could not be reached or read.
    pub unreachable: usize,
    /// Full pictures saved beside the page.
    pub saved: usize,
}

/// Makes the page of saved results as text, without full pictures beside it.
pub fn report(results: &Results, options: &ReportOptions) -> String {
    page(&context(results, options, BTreeMap::new()))
}

/// Writes the page to `out`, and full pictures where the options say so.
///
/// # Errors
/// When a file or folder cannot be written.
pub fn write_report(results: &Results, out: &Path, options: &ReportOptions) -> Result<Written, ReportError> {
    let links = match &options.assets {
        Some(folder) => save_pictures(results, folder, &relative(folder, out), options)?,
        None => overlays_beside(results, out),
    };
    let context = context(results, options, links);
    let text = page(&context);
    write_atomic(out, text.as_bytes())?;
    Ok(Written {
        bytes: text.len(),
        shown: context.thumbnails.iter().map(|a| a.pictures.len()).sum(),
        unreachable: context.thumbnails.iter().map(|a| a.unreachable.len()).sum(),
        saved: context.links.values().filter(|l| l.plain.is_some()).count(),
    })
}

fn context<'a>(results: &'a Results, options: &'a ReportOptions, links: BTreeMap<String, Links>) -> Context<'a> {
    let view = ViewModel::new(results);
    let reviewed = Reviewed::read(&results.folder);
    let allowance = Allowance::new(view.specimens.len(), &options.settings.report);
    let thumbnails =
        view.specimens.par_iter().map(|s| specimen_thumbnails(results, s, allowance, &options.settings)).collect();
    let flagged = flagged(&results.specimens, &results.knots, &results.images, &options.settings.face);
    let title = if options.title.is_empty() { default_title(&view) } else { options.title.clone() };
    Context { view, settings: &options.settings, title, allowance, thumbnails, links, flagged, reviewed }
}

fn default_title(view: &ViewModel<'_>) -> String {
    match view.knots.len() {
        0 => "Break faces".to_owned(),
        1 => "Break faces of one knot".to_owned(),
        n => format!("Break faces of {n} knots"),
    }
}

/// Small pictures and cut-outs of a specimen; each picture is read once and dropped.
fn specimen_thumbnails(
    results: &Results,
    specimen: &Specimen<'_>,
    allowance: Allowance,
    settings: &Settings,
) -> SpecimenThumbnails {
    let mut made = SpecimenThumbnails::default();
    let main = specimen.main_image().map(|i| i.series.image.as_str());
    let shown: Vec<_> =
        marks::LABELS.into_iter().flat_map(|label| thumbnails::typical(specimen, label, allowance)).collect();
    for image in &specimen.images {
        let image_name = image.series.image.as_str();
        let longest = if Some(image_name) == main { allowance.face_px } else { allowance.further_px };
        let ends: Vec<_> = shown.iter().filter(|e| e.image == image_name).collect();
        if longest == 0 && ends.is_empty() {
            continue;
        }
        let Some(whole) = picture(results, image, settings) else {
            made.unreachable.push(image_name.to_owned());
            continue;
        };
        let quality = settings.report.jpeg_quality.clamp(1, 100);
        if let Some(small) = thumbnails::small(&whole, longest, quality).filter(|_| longest > 0) {
            made.pictures.insert(image_name.to_owned(), small);
        }
        for end in ends {
            if let Some(cut) = thumbnails::cut_out(&whole, end, settings.report.crop_px.max(16), quality) {
                made.ends.insert((image_name.to_owned(), end.end), cut);
            }
        }
    }
    made
}

/// The file that was measured.
fn original(results: &Results, image: &ImageRow, settings: &Settings) -> Option<RgbImage> {
    let path = results.picture_path(&image.series.image)?;
    // A focus series is a folder; its merged picture is seen in the overlay.
    let hash = Some(image.content_hash.as_str()).filter(|h| !h.is_empty());
    thumbnails::read(&path, hash, &settings.read)
}

/// The picture itself or, where it cannot be reached, its overlay without the strip below.
fn picture(results: &Results, image: &ImageRow, settings: &Settings) -> Option<RgbImage> {
    let image_name = image.series.image.as_str();
    original(results, image, settings).or_else(|| {
        let overlay = thumbnails::read(&results.overlay(image_name)?, None, &settings.read)?;
        let height = image.height_px.unwrap_or(u32::MAX);
        let (width, whole) = overlay.dimensions();
        Some(image::imageops::crop_imm(&overlay, 0, 0, width, whole.min(height)).to_image())
    })
}

/// Links to the overlays of the run, where they lie beside or below the page: then both move together.
fn overlays_beside(results: &Results, out: &Path) -> BTreeMap<String, Links> {
    let folder = relative(&results.folder, out);
    if folder.starts_with("..") {
        return BTreeMap::new();
    }
    let links = results.images.iter().filter_map(|image| {
        let path = results.overlay(&image.series.image)?;
        let below = path.strip_prefix(&results.folder).ok()?;
        let parts: Vec<_> = below.components().map(|c| c.as_os_str().to_string_lossy()).collect();
        let marked = Some(format!("{folder}{}", parts.join("/")));
        Some((image.series.image.clone(), Links { plain: None, marked }))
    });
    links.collect()
}

/// Saves every picture in full, and its overlay when there is one; names are our own, so no name from a table becomes a path.
fn save_pictures(
    results: &Results,
    folder: &Path,
    link: &str,
    options: &ReportOptions,
) -> Result<BTreeMap<String, Links>, ReportError> {
    std::fs::create_dir_all(folder)
        .map_err(|e| ReportError::Folder { folder: folder.display().to_string(), reason: e.to_string() })?;
    let saved: Result<Vec<_>, ReportError> = results
        .images
        .par_iter()
        .enumerate()
        .map(|(i, image)| {
            let image_name = image.series.image.as_str();
            let Some(picture) = original(results, image, &options.settings) else { return Ok(None) };
            let Ok(bytes) = thumbnails::jpeg(&picture, FULL_QUALITY) else { return Ok(None) };
            let file = format!("picture-{:04}.jpg", i + 1);
            write_atomic(&folder.join(&file), &bytes)?;
            let overlay =
                results.overlay(image_name).and_then(|path| Some((crate::files::read_regular(&path).ok()?, path)));
            let marked = match overlay {
                Some((bytes, path)) => {
                    let kind = path.extension().unwrap_or_default().to_string_lossy();
                    let file = format!("picture-{:04}-marked.{kind}", i + 1);
                    write_atomic(&folder.join(&file), &bytes)?;
                    Some(format!("{link}{file}"))
                }
                None => None,
            };
            Ok(Some((image_name.to_owned(), Links { plain: Some(format!("{link}{file}")), marked })))
        })
        .collect();
    Ok(saved?.into_iter().flatten().collect())
}

/// JPEG quality of full pictures: no loss that an eye could see.
const FULL_QUALITY: u8 = 92;

/// The folder as seen from the page, `/` at the end; a folder that does not lie beside or below the page is given in full.
fn relative(folder: &Path, out: &Path) -> String {
    let base = out.parent().unwrap_or(Path::new(""));
    let (folder, base) = (absolute(folder), absolute(base));
    let shared = folder.components().zip(base.components()).take_while(|(a, b)| a == b).count();
    let up = base.components().count() - shared;
    let down = folder.components().skip(shared).filter_map(|c| match c {
        Component::Normal(part) => Some(part.to_string_lossy().into_owned()),
        _ => None,
    });
    std::iter::repeat_n("..".to_owned(), up).chain(down).map(|part| part + "/").collect()
}

fn absolute(path: &Path) -> PathBuf {
    let path = if path.as_os_str().is_empty() { Path::new(".") } else { path };
    std::fs::canonicalize(path).or_else(|_| std::path::absolute(path)).unwrap_or_else(|_| path.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_from_the_page_to_the_folder() {
        assert_eq!(relative(Path::new("a/pictures"), Path::new("a/report.html")), "pictures/");
        assert_eq!(relative(Path::new("b/pictures"), Path::new("a/report.html")), "../b/pictures/");
        assert_eq!(relative(Path::new("."), Path::new("report.html")), "");
    }
}
