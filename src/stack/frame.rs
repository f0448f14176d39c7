//! Frame files in order, and one frame as planes.

use super::error::StackError;
use crate::flag::Warning;
use crate::micrograph::{Decoded, GreyPlane, ReadError, Reading, decode_picture, picture_bytes};
use crate::raster::Plane;
use crate::units::{PxBox, Scale};
use image::DynamicImage;
use std::cmp::Ordering;
use std::path::{Path, PathBuf};

/// One frame: a grey plane, or red, green and blue.
pub(super) struct Frame {
    pub channels: Vec<Plane>,
    /// Whether the file has more than 8 bits.
    pub deep: bool,
    pub scale: Option<Scale>,
    pub warnings: Vec<Warning>,
}

/// Weights of red, green and blue in grey (ITU-R BT.709).
const TO_GREY: [f32; 3] = [0.2126, 0.7152, 0.0722];

impl Frame {
    /// Reads one frame.
    pub(super) fn read(path: &Path, reading: Reading<'_>) -> Result<Self, ReadError> {
        let file = path.display().to_string();
        let bytes = picture_bytes(path, reading.settings)?;
        let Decoded { picture, scale, warnings } = decode_picture(&file, &bytes, reading)?;
        let deep = picture.color().bytes_per_pixel() / picture.color().channel_count() > 1;
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let plane = |values: Vec<f32>| Plane { width, height, values };
        let channels = if picture.color().has_color() {
            split(picture, deep).into_iter().map(plane).collect()
        } else if deep {
            vec![plane(picture.into_luma16().iter().map(|v| f32::from(*v) / 65535.0).collect())]
        } else {
            vec![plane(picture.into_luma8().iter().map(|v| f32::from(*v) / 255.0).collect())]
        };
        Ok(Self { channels, deep, scale, warnings })
    }

    /// Boxes around what is burnt into a frame.
    pub(super) fn marks(path: &Path, reading: Reading<'_>) -> Result<Vec<PxBox>, ReadError> {
        let bytes = picture_bytes(path, reading.settings)?;
        Ok(decode_picture(&path.display().to_string(), &bytes, reading)?.into_micrograph(reading).burnt_in)
    }

    pub(super) fn size(&self) -> (usize, usize) {
        self.channels.first().map_or((0, 0), |c| (c.width, c.height))
    }

    /// Grey 0..1.
    pub(super) fn grey(&self) -> Plane {
        let (width, height) = self.size();
        match &self.channels[..] {
            [r, g, b] => {
                let values = r.values.iter().zip(&g.values).zip(&b.values);
                let grey = values.map(|((r, g), b)| TO_GREY[0] * r + TO_GREY[1] * g + TO_GREY[2] * b).collect();
                Plane { width, height, values: grey }
            }
            [grey, ..] => grey.clone(),
            [] => Plane::zeros(width, height),
        }
    }
}

fn split(picture: DynamicImage, deep: bool) -> [Vec<f32>; 3] {
    if deep {
        let rgb = picture.into_rgb16();
        [0, 1, 2].map(|c| rgb.pixels().map(|p| f32::from(p.0[c]) / 65535.0).collect())
    } else {
        let rgb = picture.into_rgb8();
        [0, 1, 2].map(|c| rgb.pixels().map(|p| f32::from(p.0[c]) / 255.0).collect())
    }
}

/// Grey plane in the program's 16-bit values.
pub(super) fn to_grey_plane(plane: &Plane) -> GreyPlane {
    let values = plane.values.iter().map(|v| to_u16(*v)).collect();
    let (width, height) = (plane.width as u32, plane.height as u32);
    GreyPlane::new(width, height, values).unwrap_or_else(|| GreyPlane::black(width, height))
}

pub(super) fn to_u16(value: f32) -> u16 {
    (value.clamp(0.0, 1.0) * 65535.0).round() as u16
}

/// Channels as a picture of 8 or 16 bits.
pub(super) fn to_picture(channels: &[Plane], deep: bool) -> DynamicImage {
    let (width, height) = channels.first().map_or((0, 0), |c| (c.width as u32, c.height as u32));
    let n = channels.len();
    let pixels = width as usize * height as usize;
    let interleaved = (0..pixels * n).map(|i| channels[i % n].values[i / n].clamp(0.0, 1.0));
    // The buffers hold one value per pixel and channel by construction.
    let black = || DynamicImage::new_luma8(width, height);
    if deep {
        let values: Vec<u16> = interleaved.map(to_u16).collect();
        match n {
            3 => image::ImageBuffer::from_raw(width, height, values).map_or_else(black, DynamicImage::ImageRgb16),
            _ => image::ImageBuffer::from_raw(width, height, values).map_or_else(black, DynamicImage::ImageLuma16),
        }
    } else {
        let values: Vec<u8> = interleaved.map(|v| (v * 255.0).round() as u8).collect();
        match n {
            3 => image::ImageBuffer::from_raw(width, height, values).map_or_else(black, DynamicImage::ImageRgb8),
            _ => image::ImageBuffer::from_raw(width, height, values).map_or_else(black, DynamicImage::ImageLuma8),
        }
    }
}

/// File names that say "picture".
const EXTENSIONS: [&str; 9] = ["png", "jpg", "jpeg", "jpe", "jfif", "tif", "tiff", "bmp", "webp"];

/// The picture files of a folder in the order of their numbers (`f2` before `f10`).
///
/// # Errors
/// When the folder cannot be read.
pub fn frames_of_folder(folder: &Path) -> Result<Vec<PathBuf>, StackError> {
    let fail = |e: std::io::Error| StackError::Folder { folder: folder.display().to_string(), reason: e.to_string() };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        let extension = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
        if !hidden && path.is_file() && extension.is_some_and(|e| EXTENSIONS.contains(&e.as_str())) {
            files.push(path);
        }
    }
    files.sort_by(|a, b| by_number(&a.to_string_lossy(), &b.to_string_lossy()));
    Ok(files)
}

/// Order of names in which runs of digits count as numbers.
fn by_number(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let (Some(first_a), Some(first_b)) = (a.chars().next(), b.chars().next()) else { return a.cmp(b) };
        if first_a.is_ascii_digit() && first_b.is_ascii_digit() {
            let (number_a, rest_a) = split_number(a);
            let (number_b, rest_b) = split_number(b);
            let order = number_a.len().cmp(&number_b.len()).then(number_a.cmp(number_b));
            if order != Ordering::Equal {
                return order;
            }
            (a, b) = (rest_a, rest_b);
        } else if first_a == first_b {
            (a, b) = (&a[first_a.len_utf8()..], &b[first_b.len_utf8()..]);
        } else {
            return first_a.cmp(&first_b);
        }
    }
}

/// The leading number without its zeros, and what follows.
fn split_number(text: &str) -> (&str, &str) {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    (text[..end].trim_start_matches('0'), &text[end..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_sort_by_their_numbers() {
        let mut names = ["z10.png", "z9.png", "z010b.png", "z1.png", "a2.png", "z.png"];
        names.sort_by(|a, b| by_number(a, b));
        assert_eq!(names, ["a2.png", "z.png", "z1.png", "z9.png", "z10.png", "z010b.png"]);
    }
}
