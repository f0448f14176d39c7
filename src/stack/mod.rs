//! Focus series -> one all-in-focus picture with its height map and confidence map.
//!
//! Frames are taken one after another, twice: first to see how they lie on each other (shift, and a change of magnification
//! where the whole series shows one), then to be judged for focus and blended. Nothing is kept of a frame but sums, so memory
//! does not grow with the length of the series.

mod align;
mod blend;
mod breathing;
mod diagnostics;
mod error;
mod fit;
mod focus;
mod frame;
mod maps;
mod marks;
mod motion;
mod moved;
mod source;
mod survey;
mod tiles;

pub use error::StackError;
pub use frame::frames_of_folder;
pub use maps::MapError;
pub use motion::Move;
pub use source::read_to_show;
pub(crate) use source::series_hash;
pub use survey::FrameReport;

use crate::flag::{Flag, Warning};
use crate::micrograph::{Decoded, Micrograph, Reading, quality};
use crate::raster::Plane;
use crate::settings::{ReadSettings, StackSettings};
use crate::units::{PxBox, Scale};
use blend::Blend;
use focus::{Focus, Heights};
use frame::Frame;
use image::DynamicImage;
use marks::Stamps;
use moved::moved_back;
use std::path::{Path, PathBuf};

/// A merged series.
#[derive(Debug)]
pub struct StackResult {
    /// The merged picture, 16-bit when any frame was.
    pub merged: DynamicImage,
    /// The same for the further stages, with the scale of the first frame and all warnings.
    pub micrograph: Micrograph,
    /// Frame in which each pixel is sharpest, counted from 0 over the files given, `width × height`, row-major.
    pub height: Vec<f32>,
    /// How sure that is, 0..1; low where there is no texture.
    pub confidence: Vec<f32>,
    /// What became of every file, in order.
    pub frames: Vec<FrameReport>,
    /// Places with structure that is sharp in no frame.
    pub unfocused: Vec<PxBox>,
}

/// Merges the picture files of a folder, in the order of the numbers in their names.
///
/// # Errors
/// When the folder cannot be read, or holds too few or too many usable frames.
pub fn merge_folder(folder: &Path, settings: &StackSettings, read: &ReadSettings) -> Result<StackResult, StackError> {
    merge_folder_as(folder, settings, read.into())
}

/// As [`merge_folder`], as long as it is wanted.
///
/// # Errors
/// As [`merge_folder`], and when it is no longer wanted: then no further frame can be read.
pub(crate) fn merge_folder_as(
    folder: &Path,
    settings: &StackSettings,
    reading: Reading<'_>,
) -> Result<StackResult, StackError> {
    let files = frames_of_folder(folder)?;
    merge(&folder.display().to_string(), &files, (settings, reading), &mut |_, _| {})
}

/// Merges frame files in the order given; `place` names the series in messages, `on_frame` hears of every finished file
/// (number of it, number of all).
///
/// Files that cannot be read, are of another size, or agree with no other frame are left out and said.
///
/// # Errors
/// When there are too few or too many usable frames.
pub fn merge_files(
    place: &str,
    files: &[PathBuf],
    settings: &StackSettings,
    read: &ReadSettings,
    on_frame: &mut dyn FnMut(usize, usize),
) -> Result<StackResult, StackError> {
    merge(place, files, (settings, read.into()), on_frame)
}

fn merge(
    place: &str,
    files: &[PathBuf],
    (settings, reading): (&StackSettings, Reading<'_>),
    on_frame: &mut dyn FnMut(usize, usize),
) -> Result<StackResult, StackError> {
    if settings.max_frames < files.len() {
        return Err(StackError::TooMany { place: place.into(), found: files.len(), most: settings.max_frames });
    }
    let (mut frames, steps, marks) = survey::survey(files, settings, reading);
    survey::set_moves(&mut frames, &steps, settings);
    let mut merging: Option<Merging> = None;
    for (i, (file, report)) in files.iter().zip(&mut frames).enumerate() {
        if report.left_out.is_empty() {
            match Frame::read(file, reading) {
                Ok(frame) => Merging::take(&mut merging, frame, report.moved, i, settings),
                Err(e) => report.left_out = e.to_string(),
            }
        }
        on_frame(i + 1, files.len());
    }
    let used = frames.iter().filter(|f| f.left_out.is_empty()).count();
    let Some(merging) = merging.filter(|_| 2 <= used) else {
        let why = frames.iter().find(|f| !f.left_out.is_empty());
        let because = why.map_or_else(String::new, |f| format!(" ({})", left_out_line(f)));
        return Err(StackError::TooFew { place: place.into(), found: used, because });
    };
    let stamps = stamps(files, &frames, &marks, reading);
    Ok(Merging { stamps, ..merging }.finish(frames, settings, reading.settings))
}

/// What is burnt into the first used frame, where a frame was moved; without moves all marks lie on each other.
fn stamps(files: &[PathBuf], frames: &[FrameReport], marks: &[PxBox], reading: Reading<'_>) -> Option<Stamps> {
    let is_moved = frames.iter().any(|f| f.moved != Move::default());
    let first = frames.iter().position(|f| f.left_out.is_empty()).filter(|_| is_moved && !marks.is_empty())?;
    Stamps::of(Frame::read(&files[first], reading).ok()?.channels, marks)
}

/// Sums over the frames so far.
struct Merging {
    blend: Blend,
    focus: Focus,
    curves: Vec<Vec<f32>>,
    deep: bool,
    noise_sd: f64,
    scale: Option<Scale>,
    warnings: Vec<Warning>,
    /// Place of every used frame among the files.
    places: Vec<usize>,
    stamps: Option<Stamps>,
}

/// Reading faults name their file already.
fn left_out_line(frame: &FrameReport) -> String {
    match frame.left_out.starts_with(&frame.file) {
        true => frame.left_out.clone(),
        false => format!("{}: {}", frame.file, frame.left_out),
    }
}

impl Merging {
    /// Blends a frame in, moved back to lie on the first one; scale and warnings are those of the first.
    fn take(merging: &mut Option<Self>, mut frame: Frame, moved: Move, place: usize, settings: &StackSettings) {
        let size = frame.size();
        let merging = merging.get_or_insert_with(|| Self {
            blend: Blend::new(size.0, size.1, frame.channels.len(), settings),
            focus: Focus::new(size.0, size.1),
            curves: Vec::new(),
            deep: false,
            noise_sd: f64::INFINITY,
            scale: frame.scale,
            warnings: std::mem::take(&mut frame.warnings),
            places: Vec::new(),
            stamps: None,
        });
        if moved != Move::default() {
            frame.channels.iter_mut().for_each(|c| *c = moved_back(c, moved));
        }
        let grey = frame.grey();
        merging.blend_in(&frame, grey, place, settings);
    }

    fn blend_in(&mut self, frame: &Frame, grey: Plane, place: usize, settings: &StackSettings) {
        let noise_sd = quality::noise_sd(&frame::to_grey_plane(&grey));
        self.noise_sd = self.noise_sd.min(noise_sd);
        self.deep |= frame.deep;
        let measure = self.blend.add(frame, grey, noise_sd, settings);
        self.curves.push(diagnostics::tile_means(&measure.plane));
        self.focus.add(&measure.plane, measure.noise);
        self.places.push(place);
    }

    fn finish(self, mut frames: Vec<FrameReport>, settings: &StackSettings, read: &ReadSettings) -> StackResult {
        let mut channels = self.blend.finish();
        self.stamps.iter().for_each(|stamps| stamps.lay_over(&mut channels));
        let heights = self.focus.finish(settings.texture_over_noise, settings.fill_weight);
        let mut warnings = self.warnings;
        let shares = used_shares(&heights, self.places.len(), settings);
        for (place, share) in self.places.iter().zip(&shares) {
            frames[*place].used_share = *share;
        }
        let merged = frame::to_picture(&channels, self.deep);
        let merged_frame = Frame { channels, deep: self.deep, scale: None, warnings: Vec::new() };
        let unfocused = diagnostics::unfocused(&merged_frame.grey(), self.noise_sd, settings);
        let findings = Findings { frames: &frames, shares: &shares, places: &self.places, settings };
        warnings.extend(findings.about_frames());
        warnings.extend(findings.about_ends());
        if diagnostics::order_quality(&self.curves) < settings.order_share {
            let text = "the frames seem to be out of order; name them by their height, or give them in order of height";
            warnings.push(Warning::new(Flag::StackOrder, text));
        }
        if settings.unfocused_share < unfocused.share {
            let text = format!("{:.0} % of what the picture shows is sharp in no frame", 100.0 * unfocused.share);
            warnings.push(Warning::new(Flag::StackUnfocused, text));
        }
        let decoded = Decoded { picture: merged.clone(), scale: self.scale, warnings };
        let height = heights.height.values.iter().map(|h| place_of(*h, &self.places)).collect();
        StackResult {
            micrograph: decoded.into_micrograph(read.into()),
            merged,
            height,
            confidence: heights.confidence.values,
            frames,
            unfocused: unfocused.tiles,
        }
    }
}

/// Height counted over the used frames -> counted over the files, between the two nearest.
fn place_of(height: f32, places: &[usize]) -> f32 {
    let last = places.len() - 1;
    let below = (height.max(0.0) as usize).min(last);
    let (a, b) = (places[below] as f32, places[(below + 1).min(last)] as f32);
    a + (b - a) * (height - below as f32).clamp(0.0, 1.0)
}

/// Share of the seen places that are sharpest in each used frame.
fn used_shares(heights: &Heights, n: usize, settings: &StackSettings) -> Vec<f64> {
    let mut counts = vec![0_usize; n];
    for (index, confidence) in heights.index.iter().zip(&heights.confidence.values) {
        if settings.seen_confidence as f32 <= *confidence {
            counts[usize::from(*index)] += 1;
        }
    }
    let all: usize = counts.iter().sum();
    counts.into_iter().map(|c| c as f64 / all.max(1) as f64).collect()
}

/// What there is to say about the frames of a series.
struct Findings<'a> {
    frames: &'a [FrameReport],
    shares: &'a [f64],
    places: &'a [usize],
    settings: &'a StackSettings,
}

impl Findings<'_> {
    fn about_frames(&self) -> Vec<Warning> {
        let mut warnings = Vec::new();
        for frame in self.frames.iter().filter(|f| !f.left_out.is_empty()) {
            warnings.push(Warning::new(Flag::StackFrameLeftOut, format!("frame left out: {}", left_out_line(frame))));
        }
        let unused: Vec<String> = self
            .frames
            .iter()
            .filter(|f| f.left_out.is_empty() && f.used_share < self.settings.unused_share)
            .map(|f| Path::new(&f.file).file_name().unwrap_or_default().to_string_lossy().into_owned())
            .collect();
        if !unused.is_empty() {
            let text = format!("never the sharpest anywhere: {}", unused.join(", "));
            warnings.push(Warning::new(Flag::StackUnusedFrames, text));
        }
        warnings
    }

    fn about_ends(&self) -> Vec<Warning> {
        let limit = self.settings.short_series_factor / self.places.len() as f64;
        let ends = [(0, "first"), (self.places.len() - 1, "last")];
        ends.into_iter()
            .filter(|(i, _)| limit < self.shares[*i])
            .map(|(i, word)| {
                let text = format!(
                    "{:.0} % of what is in focus is sharpest in the {word} frame: the series seems too short there",
                    100.0 * self.shares[i]
                );
                Warning::new(Flag::StackTooShort, text)
            })
            .collect()
    }
}
