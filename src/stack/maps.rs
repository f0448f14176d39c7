//! Merged series -> files: picture, height map, confidence map, and what their values mean.

use super::StackResult;
use image::DynamicImage;
use image::codecs::png::PngEncoder;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Format of `height.json`.
const SCHEMA: &str = "breakface-height/1.0";

/// Why the maps could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MapError {
    /// The folder or a file cannot be written.
    #[error("{file}: cannot be written: {reason}")]
    Unwritable {
        /// File.
        file: String,
        /// What the system or the encoder said.
        reason: String,
    },
}

impl StackResult {
    /// Writes `merged.png`, `height.png` (16-bit), `height.json` and `confidence.png` (8-bit) into a folder, each whole or
    /// not at all. `z_step_um` is the height between neighbouring frames, when known; returns the files.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, folder: &Path, z_step_um: Option<f64>) -> Result<Vec<PathBuf>, MapError> {
        let (width, height) = (self.merged.width(), self.merged.height());
        let last = self.frames.len().saturating_sub(1).max(1) as f32;
        let to_16 = |h: &f32| (h / last * 65535.0).round().clamp(0.0, 65535.0) as u16;
        let heights = image::ImageBuffer::from_raw(width, height, self.height.iter().map(to_16).collect::<Vec<u16>>());
        let to_8 = |c: &f32| (c * 255.0).round().clamp(0.0, 255.0) as u8;
        let sure = image::ImageBuffer::from_raw(width, height, self.confidence.iter().map(to_8).collect::<Vec<u8>>());
        let black = || DynamicImage::new_luma8(width, height);
        let frames_per_unit = f64::from(last) / 65535.0;
        let meaning = json!({
            "schema": SCHEMA,
            "picture": "height.png",
            "zero": "the first frame",
            "frames_per_unit": frames_per_unit,
            "um_per_unit": z_step_um.map(|z| z * frames_per_unit),
            "z_step_um": z_step_um,
            "frames": self.frames.iter().map(|f| json!({
                "file": Path::new(&f.file).file_name().unwrap_or_default().to_string_lossy(),
                "shift_x_px": f.moved.dx, "shift_y_px": f.moved.dy, "magnification": 1.0 + f.moved.grow,
                "agreement": f.agreement, "used_share": f.used_share, "left_out": f.left_out,
            })).collect::<Vec<_>>(),
            "confidence": "confidence.png: 0 = no texture to judge by, 255 = sure",
            "sharp_in_no_frame": self.unfocused.iter().map(|b| [b.x0, b.y0, b.x1, b.y1]).collect::<Vec<_>>(),
            "warnings": self.micrograph.warnings.iter()
                .map(|w| json!({"name": w.flag.name(), "text": w.text})).collect::<Vec<_>>(),
        });
        let text = format!("{meaning:#}\n").into_bytes();
        let files = [
            ("merged.png", png(&self.merged)),
            ("height.png", png(&heights.map_or_else(black, DynamicImage::ImageLuma16))),
            ("confidence.png", png(&sure.map_or_else(black, DynamicImage::ImageLuma8))),
            ("height.json", Ok(text)),
        ];
        files
            .into_iter()
            .map(|(name, bytes)| {
                let path = folder.join(name);
                let fail = |reason: String| MapError::Unwritable { file: path.display().to_string(), reason };
                let bytes = bytes.map_err(|e| fail(e.to_string()))?;
                let mut file = tempfile::NamedTempFile::new_in(folder).map_err(|e| fail(e.to_string()))?;
                file.write_all(&bytes).map_err(|e| fail(e.to_string()))?;
                file.persist(&path).map_err(|e| fail(e.to_string()))?;
                Ok(path)
            })
            .collect()
    }
}

fn png(picture: &DynamicImage) -> Result<Vec<u8>, image::ImageError> {
    let mut bytes = Vec::new();
    picture.write_with_encoder(PngEncoder::new(&mut bytes))?;
    Ok(bytes)
}
