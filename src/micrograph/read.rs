//! Bytes of a picture file -> [`Micrograph`], under explicit limits.

use super::wanted::Wanted;
use super::{GreyPlane, Micrograph, ReadError, file::picture_bytes, integrity, tags, tiff_page};
use crate::cancel::Cancel;
use crate::flag::{Flag, Warning};
use crate::settings::ReadSettings;
use crate::units::Scale;
use image::{DynamicImage, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits};
use std::path::Path;

/// Reads a picture file; what it is is told from its content, never from its name.
///
/// # Errors
/// When the file cannot be opened, is no supported picture, is damaged, or is outside the size limits.
pub fn read_micrograph(path: &Path, settings: &ReadSettings) -> Result<Micrograph, ReadError> {
    let file = path.display().to_string();
    let bytes = picture_bytes(path, settings)?;
    decode_micrograph(&file, &bytes, settings)
}

/// Decodes a picture from the bytes of its file; `file` names it in messages.
///
/// Colours become grey by the weights of ITU-R BT.709; transparent places become black; 16-bit values are kept.
///
/// # Errors
/// As [`read_micrograph`].
pub fn decode_micrograph(file: &str, bytes: &[u8], settings: &ReadSettings) -> Result<Micrograph, ReadError> {
    Ok(decode_picture(file, bytes, settings.into())?.into_micrograph(settings.into()))
}

/// How a picture is read: under which limits, and until when.
#[derive(Clone, Copy)]
pub(crate) struct Reading<'a> {
    /// Limits.
    pub settings: &'a ReadSettings,
    /// Whether the picture is still wanted.
    pub cancel: Cancel<'a>,
}

impl<'a> From<&'a ReadSettings> for Reading<'a> {
    fn from(settings: &'a ReadSettings) -> Self {
        Self { settings, cancel: Cancel::default() }
    }
}

/// A decoded picture file before it is made grey.
pub(crate) struct Decoded {
    /// Pixels as the file holds them, upright.
    pub picture: DynamicImage,
    /// Scale by the file's tags.
    pub scale: Option<Scale>,
    /// What to know about the file.
    pub warnings: Vec<Warning>,
}

impl Decoded {
    /// Grey values, colours and burnt-in boxes; not all of these when the picture is no longer wanted.
    pub(crate) fn into_micrograph(self, reading: Reading<'_>) -> Micrograph {
        let mut micrograph = self.into_plain();
        let settings = &reading.settings.burnt_in;
        micrograph.burnt_in = super::burnt_in::find_burnt_in(&micrograph, settings, reading.cancel);
        micrograph
    }

    /// Grey values and colours alone, to be looked at: nothing is searched for.
    pub(crate) fn into_plain(self) -> Micrograph {
        let mut warnings = self.warnings;
        let (grey, rgb) = planes(self.picture, &mut warnings);
        Micrograph { grey, rgb, scale: self.scale, burnt_in: Vec::new(), warnings }
    }
}

/// Decodes a picture from the bytes of its file and keeps its pixels as they are.
///
/// # Errors
/// As [`read_micrograph`], and when it is no longer wanted.
pub(crate) fn decode_picture(file: &str, bytes: &[u8], reading: Reading<'_>) -> Result<Decoded, ReadError> {
    if bytes.is_empty() {
        return Err(ReadError::Empty { file: file.into() });
    }
    let Reading { settings, cancel } = reading;
    let source = Source { file, bytes, settings, cancel };
    let format = source.format()?;
    let mut warnings = Vec::new();
    let unpacked = settings.max_decode_mb.saturating_mul(1024 * 1024);
    integrity::check(bytes, format, unpacked, cancel).map_err(|e| source.damaged(format, &e))?;
    let picture = source.decode(format, &mut warnings)?;
    source.still_wanted()?;
    source.check_decoded(format, &picture)?;
    source.still_wanted()?;
    let scale = tags::scale_of(bytes, format, settings, &mut warnings);
    Ok(Decoded { picture, scale, warnings })
}

/// The file under work.
struct Source<'a> {
    file: &'a str,
    bytes: &'a [u8],
    settings: &'a ReadSettings,
    cancel: Cancel<'a>,
}

/// The name of a format in messages.
fn name(format: ImageFormat) -> &'static str {
    match format {
        ImageFormat::Png => "PNG",
        ImageFormat::Jpeg => "JPEG",
        ImageFormat::Tiff => "TIFF",
        ImageFormat::Bmp => "BMP",
        ImageFormat::WebP => "WebP",
        _ => "picture",
    }
}

impl Source<'_> {
    fn format(&self) -> Result<ImageFormat, ReadError> {
        format_of(self.bytes).ok_or_else(|| ReadError::NotAPicture { file: self.file.into() })
    }

    fn still_wanted(&self) -> Result<(), ReadError> {
        self.cancel.check().map_err(|_| ReadError::Stopped { file: self.file.into() })
    }

    fn damaged(&self, format: ImageFormat, reason: &str) -> ReadError {
        ReadError::Damaged { file: self.file.into(), format: name(format), reason: reason.into() }
    }

    fn decode(&self, format: ImageFormat, warnings: &mut Vec<Warning>) -> Result<DynamicImage, ReadError> {
        let mut reader = ImageReader::with_format(Wanted::new(self.bytes, self.cancel), format);
        let mut limits = Limits::no_limits();
        limits.max_alloc = Some(self.settings.max_decode_mb * 1024 * 1024);
        reader.limits(limits);
        if format == ImageFormat::Tiff {
            let page = tiff_page::look(self.bytes).map_err(|e| self.damaged(format, &e))?;
            self.check_size(page.width, page.height)?;
            if page.more_pages {
                warnings.push(Warning::new(Flag::FirstPage, "the TIFF has several pages; only the first is used"));
            }
            if page.is_palette {
                let limit = self.settings.max_decode_mb as usize * 1024 * 1024;
                return tiff_page::decode_palette(self.bytes, limit).map_err(|e| self.damaged(format, &e));
            }
        }
        if is_animated(self.bytes, format) {
            warnings.push(Warning::new(Flag::FirstPage, "the picture is a film; only the first frame is used"));
        }
        let mut decoder = reader.into_decoder().map_err(|e| self.explain(format, e, (0, 0)))?;
        let size = decoder.dimensions();
        self.check_size(size.0, size.1)?;
        if decoder.total_bytes() > self.settings.max_decode_mb * 1024 * 1024 {
            return Err(self.too_large(size.0, size.1, self.memory_limit()));
        }
        // A damaged orientation tag is no reason to lose the picture.
        let orientation = decoder.orientation().unwrap_or(image::metadata::Orientation::NoTransforms);
        let mut picture = DynamicImage::from_decoder(decoder).map_err(|e| self.explain(format, e, size))?;
        picture.apply_orientation(orientation);
        Ok(picture)
    }

    /// What tells of damage only once there are pixels.
    fn check_decoded(&self, format: ImageFormat, picture: &DynamicImage) -> Result<(), ReadError> {
        let again = |bytes: &[u8]| Source { bytes, ..*self }.decode(format, &mut Vec::new()).is_ok();
        integrity::check_after(self.bytes, format, again).map_err(|e| self.damaged(format, &e))?;
        // TIFF may hold JPEG strips, whose data is not followed.
        let missing = match format {
            ImageFormat::Jpeg | ImageFormat::Tiff => integrity::missing_rows(picture),
            _ => 0,
        };
        match missing {
            0 => Ok(()),
            n => {
                Err(self.damaged(format, &format!("its last {n} rows are the flat grey that stands for missing data")))
            }
        }
    }

    fn check_size(&self, width: u32, height: u32) -> Result<(), ReadError> {
        let least = self.settings.min_side_px;
        if width.min(height) < least {
            return Err(ReadError::TooSmall { file: self.file.into(), width, height, least });
        }
        let most = self.settings.max_side_px;
        if most < width.max(height) {
            return Err(self.too_large(width, height, format!("{most} px on a side")));
        }
        Ok(())
    }

    fn memory_limit(&self) -> String {
        format!("{} MB decoded", self.settings.max_decode_mb)
    }

    fn too_large(&self, width: u32, height: u32, limit: String) -> ReadError {
        ReadError::TooLarge { file: self.file.into(), width, height, limit }
    }

    fn explain(&self, format: ImageFormat, error: ImageError, (width, height): (u32, u32)) -> ReadError {
        match error {
            ImageError::Limits(_) => self.too_large(width, height, self.memory_limit()),
            ImageError::Unsupported(e) => ReadError::Unsupported {
                file: self.file.into(),
                format: name(format),
                reason: one_line(&e.to_string()),
            },
            other => self.damaged(format, &one_line(&other.to_string())),
        }
    }
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Whether a file holds several frames: PNG with an `acTL` chunk before its data (PNG, third edition, section 11.3.6.1), WebP
/// with the animation bit (RFC 9649, section 2.7).
fn is_animated(bytes: &[u8], format: ImageFormat) -> bool {
    match format {
        ImageFormat::Png => {
            let kinds = bytes.windows(4);
            kinds.take_while(|w| *w != b"IDAT").any(|w| w == b"acTL")
        }
        ImageFormat::WebP => bytes.get(12..16) == Some(b"VP8X") && bytes.get(20).is_some_and(|flags| flags & 2 != 0),
        _ => false,
    }
}

/// The picture format that the first bytes of a file show; `None` = none that is read here.
pub fn format_of(bytes: &[u8]) -> Option<ImageFormat> {
    // BigTIFF differs from TIFF in one byte of its start.
    if bytes.starts_with(b"II\x2b\0") || bytes.starts_with(b"MM\0\x2b") {
        return Some(ImageFormat::Tiff);
    }
    image::guess_format(bytes).ok().filter(|f| {
        matches!(f, ImageFormat::Png | ImageFormat::Jpeg | ImageFormat::Tiff | ImageFormat::Bmp | ImageFormat::WebP)
    })
}

/// Grey plane and, where the picture has any colour, its 8-bit colours.
fn planes(picture: DynamicImage, warnings: &mut Vec<Warning>) -> (GreyPlane, Option<image::RgbImage>) {
    let (width, height) = (picture.width(), picture.height());
    let picture = flatten(picture, warnings);
    let (mut values, rgb) = match picture {
        DynamicImage::ImageLuma8(grey) => (grey.as_raw().iter().map(|v| u16::from(*v) * 257).collect(), None),
        DynamicImage::ImageLuma16(grey) => (grey.into_raw(), None),
        DynamicImage::ImageRgb8(rgb) => {
            let values = rgb.pixels().map(|p| grey_of(p.0.map(|v| u16::from(v) * 257))).collect();
            (values, has_colour(&rgb).then_some(rgb))
        }
        DynamicImage::ImageRgb16(rgb) => {
            let values = rgb.pixels().map(|p| grey_of(p.0)).collect();
            let small = DynamicImage::ImageRgb16(rgb).to_rgb8();
            (values, has_colour(&small).then_some(small))
        }
        other => (other.to_luma16().into_raw(), None),
    };
    widen_shallow(&mut values, warnings);
    // The number of values is that of the pixels by construction of the buffers above.
    let grey = GreyPlane::new(width, height, values).unwrap_or_else(|| GreyPlane::black(width, height));
    (grey, rgb)
}

/// Transparent places over black; floats to their own range.
fn flatten(picture: DynamicImage, warnings: &mut Vec<Warning>) -> DynamicImage {
    let is_float = matches!(picture, DynamicImage::ImageRgb32F(_) | DynamicImage::ImageRgba32F(_));
    let has_alpha = picture.color().has_alpha();
    if is_float {
        warnings
            .push(Warning::new(Flag::FloatPicture, "grey values are fractions; 0 is taken as black and 1 as white"));
        return DynamicImage::ImageRgb16(picture.to_rgb16());
    }
    if !has_alpha {
        return picture;
    }
    let deep = picture.color().bytes_per_pixel() / picture.color().channel_count() > 1;
    let coloured = picture.color().has_color();
    let mut rgba = picture.to_rgba16();
    let opaque = rgba.pixels().all(|p| p.0[3] == u16::MAX);
    if !opaque {
        warnings.push(Warning::new(Flag::Transparent, "transparent places of the picture were taken as black"));
        for pixel in rgba.pixels_mut() {
            let [r, g, b, a] = pixel.0.map(u32::from);
            let over_black = |v: u32| ((v * a + 32_767) / 65_535) as u16;
            pixel.0 = [over_black(r), over_black(g), over_black(b), u16::MAX];
        }
    }
    let flat = DynamicImage::ImageRgba16(rgba);
    match (coloured, deep) {
        (true, true) => DynamicImage::ImageRgb16(flat.to_rgb16()),
        (true, false) => DynamicImage::ImageRgb8(flat.to_rgb8()),
        (false, true) => DynamicImage::ImageLuma16(flat.to_luma16()),
        (false, false) => DynamicImage::ImageLuma8(flat.to_luma8()),
    }
}

/// Grey of an RGB pixel: luma weights of ITU-R BT.709, in ten-thousandths.
fn grey_of([r, g, b]: [u16; 3]) -> u16 {
    ((u32::from(r) * 2126 + u32::from(g) * 7152 + u32::from(b) * 722 + 5000) / 10_000) as u16
}

/// Whether an RGB picture is more than grey saved as RGB.
fn has_colour(rgb: &image::RgbImage) -> bool {
    rgb.pixels().any(|p| p.0[0] != p.0[1] || p.0[1] != p.0[2])
}

/// Cameras of 10, 12 or 14 bits save into 16-bit files without stretching; such pictures would look black.
fn widen_shallow(values: &mut [u16], warnings: &mut Vec<Warning>) {
    let most = values.iter().copied().max().unwrap_or(0);
    // Real 8-bit pictures were multiplied by 257 above, so that any white point of theirs is far beyond 14 bits or black.
    let multiple_of_257 = values.iter().take(4096).all(|v| v % 257 == 0);
    let Some(shift) = [(1024, 6), (4096, 4), (16_384, 2)].iter().find(|(top, _)| most < *top).map(|(_, s)| *s) else {
        return;
    };
    if most == 0 || multiple_of_257 {
        return;
    }
    values.iter_mut().for_each(|v| *v <<= shift);
    let bits = 16 - shift;
    warnings.push(Warning::new(
        Flag::ShallowGrey,
        format!("the 16-bit picture uses {bits} bits; its greys were stretched"),
    ));
}
