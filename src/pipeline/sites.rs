//! Small copies of the pictures, kept beside their results, and from them the pictures that show one place.

use crate::face::Picture;
use crate::face::site::{self, SameSite, Thumb};
use crate::micrograph::GreyPlane;
use crate::settings::SiteSettings;
use crate::table::{EndRow, ImageRow, Status, TableError, write_atomic};
use std::path::{Path, PathBuf};

/// Where the small copy of a picture is kept in a folder of results.
pub(super) fn copy_path(folder: &Path, tools: &str, content: &str) -> PathBuf {
    super::folder::cached(folder, &super::cache::copy_key(tools, content)).with_extension("png")
}

/// Keeps the small copy of a picture.
pub(super) fn save(path: &Path, grey: &GreyPlane, settings: &SiteSettings) -> Result<(), TableError> {
    let small = site::small_copy(grey, settings);
    let bytes: Vec<u8> = small.values().iter().map(|v| (v >> 8) as u8).collect();
    let mut png = Vec::new();
    if let Some(picture) = image::GrayImage::from_raw(small.width(), small.height(), bytes) {
        // Writing into memory cannot fail for a picture of this kind; without the copy the picture is only not compared.
        let _ = picture.write_to(&mut std::io::Cursor::new(&mut png), image::ImageFormat::Png);
    }
    write_atomic(path, &png)
}

fn load(path: &Path) -> Option<GreyPlane> {
    let picture = image::load_from_memory(&std::fs::read(path).ok()?).ok()?.to_luma16();
    GreyPlane::new(picture.width(), picture.height(), picture.into_raw())
}

/// Marks ends that are seen in another picture of the same place; one line for each such pair of pictures. `copy` says
/// where the small copy of a picture is.
pub(super) fn count_once(
    ends: &mut [EndRow],
    images: &[ImageRow],
    copy: &dyn Fn(&ImageRow) -> PathBuf,
    settings: &SiteSettings,
) -> Vec<String> {
    let copies: Vec<PathBuf> = images.iter().filter(|i| i.status == Status::Done).map(copy).collect();
    let found = same_sites(&super::scores::pictures(images), &copies, settings);
    site::count_once(ends, &found, settings);
    found.iter().map(SameSite::line).collect()
}

/// Pictures of one specimen that show one place. `copies` stand in the order of `pictures`.
fn same_sites(pictures: &[Picture], copies: &[PathBuf], settings: &SiteSettings) -> Vec<SameSite> {
    let mut found = Vec::new();
    let mut specimens: Vec<&str> = pictures.iter().map(|p| p.series.specimen.as_str()).collect();
    specimens.sort_unstable();
    specimens.dedup();
    for specimen in specimens {
        let of: Vec<usize> = (0..pictures.len()).filter(|i| pictures[*i].series.specimen == specimen).collect();
        if of.len() < 2 {
            continue;
        }
        let group: Vec<Picture> = of.iter().map(|i| pictures[*i].clone()).collect();
        let thumbs: Vec<Option<Thumb>> = of
            .iter()
            .map(|i| Thumb::new(&load(copies.get(*i)?)?, pictures[*i].width_px, pictures[*i].um_per_px?))
            .collect();
        found.extend(site::same_sites(&group, &thumbs, settings));
    }
    found
}
