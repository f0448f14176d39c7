//! Scale from open metadata: TIFF resolution tags, OME-XML, EXIF, PNG pixel dimensions.
//!
//! A print or screen default (72, 96, 300 dpi …) is not a calibration and is turned down.

use crate::flag::{Flag, Warning};
use crate::settings::ReadSettings;
use crate::units::{Scale, ScaleSource};
use image::ImageFormat;
use std::io::Cursor;
use tiff::decoder::Decoder;
use tiff::tags::Tag;

/// Micrometres in an inch, exactly.
const UM_PER_INCH: f64 = 25_400.0;
const UM_PER_CM: f64 = 10_000.0;
const UM_PER_M: f64 = 1_000_000.0;

/// The scale that the metadata of a picture file gives, if any.
pub(super) fn scale_of(
    bytes: &[u8],
    format: ImageFormat,
    settings: &ReadSettings,
    warnings: &mut Vec<Warning>,
) -> Option<Scale> {
    let found = match format {
        ImageFormat::Tiff => from_tiff(bytes, warnings),
        ImageFormat::Png => from_exif(bytes).or_else(|| from_png(bytes)),
        ImageFormat::Jpeg | ImageFormat::WebP => from_exif(bytes),
        _ => None,
    };
    let found = found?;
    // Resolutions that are too coarse are print defaults, which have their own words below.
    let [least, most] = settings.plausible_um_per_px;
    if found.um_per_px < least || most < found.um_per_px && !found.is_resolution {
        let um = found.um_per_px;
        let text = format!("the file says {um:e} µm per px, which no microscope gives; not used as scale");
        warnings.push(Warning::new(Flag::ImplausibleScale, text));
        return None;
    }
    if found.is_resolution && settings.print_um_per_px_min <= found.um_per_px {
        let dpi = UM_PER_INCH / found.um_per_px;
        let text =
            format!("the file says {dpi:.0} dpi, a print or screen default and no calibration; not used as scale");
        warnings.push(Warning::new(Flag::PrintResolution, text));
        return None;
    }
    Scale::new(found.um_per_px, found.source)
}

struct Found {
    um_per_px: f64,
    source: ScaleSource,
    /// From a tag that programs fill with print defaults.
    is_resolution: bool,
}

/// Micrometres per pixel from pixels per unit; unit 2 = inch, 3 = centimetre (TIFF 6.0, EXIF 2.32).
fn per_pixel(pixels_per_unit: f64, unit: u32) -> Option<f64> {
    let um = match unit {
        2 => UM_PER_INCH,
        3 => UM_PER_CM,
        _ => return None,
    };
    Some(um / pixels_per_unit).filter(|v| v.is_finite() && *v > 0.0)
}

fn from_tiff(bytes: &[u8], warnings: &mut Vec<Warning>) -> Option<Found> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).ok()?;
    let description = decoder.get_tag_ascii_string(Tag::ImageDescription).unwrap_or_default();
    if let Some(um_per_px) = from_ome(&description, warnings) {
        return Some(Found { um_per_px, source: ScaleSource::Ome, is_resolution: false });
    }
    let x = decoder.find_tag(Tag::XResolution).ok().flatten().and_then(rational)?;
    let y = decoder.find_tag(Tag::YResolution).ok().flatten().and_then(rational);
    say_anisotropy(y.map(|y| x / y), warnings);
    let unit = decoder.find_tag_unsigned::<u32>(Tag::ResolutionUnit).ok().flatten().unwrap_or(2);
    if unit == 1 {
        // Without a unit of its own, the description may name one in the way of a widespread image program: `unit=um`.
        let named = description.lines().find_map(|l| l.trim().strip_prefix("unit=")).and_then(um_per_unit)?;
        return Some(Found { um_per_px: named / x, source: ScaleSource::TiffResolution, is_resolution: false });
    }
    let um_per_px = per_pixel(x, unit)?;
    Some(Found { um_per_px, source: ScaleSource::TiffResolution, is_resolution: true })
}

fn rational(value: tiff::decoder::ifd::Value) -> Option<f64> {
    use tiff::decoder::ifd::Value;
    let number = match value {
        Value::Rational(n, d) => f64::from(n) / f64::from(d),
        Value::List(list) => return list.into_iter().next().and_then(rational),
        Value::Float(v) => f64::from(v),
        Value::Double(v) => v,
        _ => return None,
    };
    Some(number).filter(|v| v.is_finite() && *v > 0.0)
}

/// How far x and y may differ before it is said: the 1 % to which widths are to be measured.
const SQUARE_WITHIN: f64 = 0.01;

fn say_anisotropy(ratio: Option<f64>, warnings: &mut Vec<Warning>) {
    if let Some(ratio) = ratio.filter(|r| SQUARE_WITHIN < (r - 1.0).abs()) {
        let text =
            format!("the scales along x and y differ by {:.1} %; that along x is used", (ratio - 1.0).abs() * 100.0);
        warnings.push(Warning::new(Flag::PixelsNotSquare, text));
    }
}

/// `PhysicalSizeX` of the first `Pixels` element of OME-XML, in µm; the unit defaults to µm (OME schema 2016-06).
fn from_ome(description: &str, warnings: &mut Vec<Warning>) -> Option<f64> {
    if !description.contains("<OME") && !description.contains(":OME") {
        return None;
    }
    let mut reader = quick_xml::Reader::from_str(description);
    loop {
        use quick_xml::events::Event;
        match reader.read_event().ok()? {
            Event::Start(e) | Event::Empty(e) if e.local_name().as_ref() == "Pixels" => {
                let attribute = |name: &str| {
                    let found = e.attributes().flatten().find(|a| a.key.local_name().as_ref() == name)?;
                    Some(found.value.into_owned())
                };
                let size = |axis: &str| {
                    let value: f64 = attribute(&format!("PhysicalSize{axis}"))?.trim().parse().ok()?;
                    let unit = attribute(&format!("PhysicalSize{axis}Unit")).unwrap_or_else(|| "µm".into());
                    Some(value * um_per_unit(&unit)?).filter(|v| v.is_finite() && *v > 0.0)
                };
                let x = size("X")?;
                say_anisotropy(size("Y").map(|y| y / x), warnings);
                return Some(x);
            }
            Event::Eof => return None,
            _ => {}
        }
    }
}

/// Micrometres in a named unit of length; `None` for pixels, reference frames and unknown words.
fn um_per_unit(unit: &str) -> Option<f64> {
    let unit = unit.trim().replace("&#181;", "µ").replace("\\u00B5", "µ");
    Some(match unit.as_str() {
        "µm" | "μm" | "um" | "micron" | "microns" | "micrometer" | "micrometre" => 1.0,
        "nm" | "nanometer" | "nanometre" => 1e-3,
        "pm" => 1e-6,
        "\u{c5}" | "\u{212b}" | "angstrom" => 1e-4,
        "mm" | "millimeter" | "millimetre" => 1e3,
        "cm" | "centimeter" | "centimetre" => UM_PER_CM,
        "dm" => 1e5,
        "m" | "meter" | "metre" => UM_PER_M,
        "in" | "inch" => UM_PER_INCH,
        _ => return None,
    })
}

/// EXIF resolution tags. The focal-plane tags are at the sensor and need the magnification: not used.
fn from_exif(bytes: &[u8]) -> Option<Found> {
    use exif::{In, Value};
    let exif = exif::Reader::new().read_from_container(&mut Cursor::new(bytes)).ok()?;
    let x = match &exif.get_field(exif::Tag::XResolution, In::PRIMARY)?.value {
        Value::Rational(v) => v.first()?.to_f64(),
        _ => return None,
    };
    let unit = exif.get_field(exif::Tag::ResolutionUnit, In::PRIMARY).and_then(|f| f.value.get_uint(0)).unwrap_or(2);
    Some(Found { um_per_px: per_pixel(x, unit)?, source: ScaleSource::Exif, is_resolution: true })
}

/// `pHYs` of a PNG: pixels per metre when its unit is 1 (PNG specification, 11.3.4.3).
fn from_png(bytes: &[u8]) -> Option<Found> {
    let mut at = 8;
    loop {
        let length = u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?) as usize;
        match bytes.get(at + 4..at + 8)? {
            b"pHYs" => {
                let data = bytes.get(at + 8..at + 17)?;
                let per_metre = f64::from(u32::from_be_bytes(data[..4].try_into().ok()?));
                let um_per_px = Some(UM_PER_M / per_metre).filter(|v| data[8] == 1 && v.is_finite() && *v > 0.0)?;
                return Some(Found { um_per_px, source: ScaleSource::PngPixels, is_resolution: true });
            }
            b"IDAT" | b"IEND" => return None,
            _ => at = at.checked_add(length)?.checked_add(12)?,
        }
    }
}
