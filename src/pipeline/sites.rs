//! Small copies of the pictures, kept beside their results, and from them the pictures that show one place.

use crate::face::Ends;
use crate::face::site::{self, SameSite, Thumb};
use crate::micrograph::GreyPlane;
use crate::settings::SiteSettings;
use crate::table::ImageRow;
use image::codecs::png::PngEncoder;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Where the small copy of a picture is kept in a folder of results.
pub(super) fn copy_path(folder: &Path, tools: &str, content: &str) -> PathBuf {
    super::folder::cached(folder, &super::cache::copy_key(tools, content)).with_extension("png")
}

/// The small copy of a picture that is kept, as PNG.
pub(super) fn small_copy(grey: &GreyPlane, settings: &SiteSettings) -> Vec<u8> {
    let small = site::small_copy(grey, settings);
    let bytes: Vec<u8> = small.values().iter().map(|v| (v >> 8) as u8).collect();
    let mut png = Vec::new();
    if let Some(picture) = image::GrayImage::from_raw(small.width(), small.height(), bytes) {
        // Writing into memory cannot fail for a picture of this kind; without the copy the picture is only not compared.
        let _ = picture.write_with_encoder(PngEncoder::new(&mut png));
    }
    png
}

fn load(path: &Path) -> Option<GreyPlane> {
    let picture = image::load_from_memory(&crate::files::read_regular(path).ok()?).ok()?.to_luma16();
    GreyPlane::new(picture.width(), picture.height(), picture.into_raw())
}

/// Marks ends that are seen in another picture of the same place; one line for each such pair of pictures. `copy` says where
/// the small copy of each picture is.
pub(super) fn count_once(
    ends: &mut Ends,
    images: &[ImageRow],
    copy: &dyn Fn(usize) -> PathBuf,
    settings: &SiteSettings,
) -> Vec<String> {
    let found = same_sites(images, copy, settings);
    site::count_ends_once(ends, &found, settings);
    found.iter().map(SameSite::line).collect()
}

/// Pictures of one specimen that show one place. A picture that does not count has nothing to count once.
fn same_sites(images: &[ImageRow], copy: &dyn Fn(usize) -> PathBuf, settings: &SiteSettings) -> Vec<SameSite> {
    let mut specimens: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, image) in images.iter().enumerate().filter(|(_, i)| i.is_done()) {
        specimens.entry(&image.series.specimen).or_default().push(i);
    }
    let mut found = Vec::new();
    for of in specimens.into_values().filter(|of| 1 < of.len()) {
        let group: Vec<ImageRow> = of.iter().map(|i| images[*i].clone()).collect();
        let thumb = |k: usize| {
            let picture = &group[k];
            Thumb::new(&load(&copy(of[k]))?, picture.width_px?, picture.um_per_px?)
        };
        found.extend(site::same_sites_of(&group, &thumb, settings));
    }
    found
}
