//! The learned detector: loading its weights, and running it over a copy of the picture in overlapping tiles.

use std::path::Path;

use rten::Model;
use rten_tensor::prelude::*;
use rten_tensor::{NdTensor, NdTensorView};

use super::pyramid::Level;
use super::rescore::Rescorer;
use crate::runtime;

/// Planes of the network's answer, in order: see `scripts/detector/network.py`.
pub(super) const CHANNELS: usize = 7;
/// Planes that change sign in a mirror: dx and cos.
const MIRRORED_SIGN: [usize; 2] = [1, 3];
/// Pixels of the copy per cell of the answer.
pub(super) const STRIDE: usize = 2;
/// The network's unit of length, px of the copy.
pub(super) const UNIT: f64 = 8.0;
/// Sides of a tile must be multiples of this: the network halves four times.
const MULTIPLE: usize = 16;
/// Largest tile side and the rim that neighbouring tiles share, px. They bound memory (about 70 MB a worker); the rim
/// covers what the network sees around a cell, so that tiles do not change the answer by more than rounding.
const TILE: usize = 896;
const RIM: usize = 96;

static BUNDLED: &[u8] = include_bytes!("../../models/detector.onnx");

/// The learned detector: a small network run in this process.
pub struct Detector {
    model: Model,
    rescorer: Rescorer,
    own_trees: bool,
    digest: String,
}

/// Why a detector could not be loaded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DetectorError {
    /// The weights cannot be read.
    #[error("detector {name}: {reason}")]
    Unusable {
        /// File name, or `bundled`.
        name: String,
        /// What is wrong with it.
        reason: String,
    },
}

/// Answer of the network about one tile: `CHANNELS` planes of `width × height` cells, and which cells count.
pub(super) struct Maps<'a> {
    pub planes: NdTensorView<'a, f32, 3>,
    /// Cell (0, 0) lies at this pixel of the copy.
    pub left: usize,
    pub top: usize,
    /// Cells that this tile answers for: columns and rows, half open. The rest is rim.
    pub columns: std::ops::Range<usize>,
    pub rows: std::ops::Range<usize>,
}

impl Detector {
    /// The detector that is compiled in.
    ///
    /// # Errors
    /// When the bundled weights are unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, DetectorError> {
        Self::from_bytes("bundled", BUNDLED.to_vec(), Rescorer::bundled()?)
    }

    /// A detector from an ONNX file made by `scripts/detector/train.py`, with the trees of `NAME.rescore.json` beside
    /// `NAME.onnx` (made by `scripts/detector/rescore.py` from detections of that network), or the bundled trees without one.
    ///
    /// # Errors
    /// When a file cannot be read, is not such a network, or holds no such trees.
    pub fn from_file(path: &Path) -> Result<Self, DetectorError> {
        let read = |path: &Path| {
            let unusable = |e: std::io::Error| DetectorError::Unusable { name: text(path), reason: e.to_string() };
            std::fs::read(path).map_err(unusable)
        };
        let bytes = read(path)?;
        let beside = ["rescore.json", "context.json"].map(|name| path.with_extension(name));
        let trees = beside.iter().find(|p| p.is_file()).unwrap_or(&beside[0]);
        let own_trees = trees.is_file();
        let rescorer = if own_trees { Rescorer::named(&text(trees), &read(trees)?)? } else { Rescorer::bundled()? };
        Ok(Self { own_trees, ..Self::from_bytes(&text(path), bytes, rescorer)? })
    }

    fn from_bytes(name: &str, bytes: Vec<u8>, rescorer: Rescorer) -> Result<Self, DetectorError> {
        let unusable = |reason: String| DetectorError::Unusable { name: name.to_owned(), reason };
        let both = [*blake3::hash(&bytes).as_bytes(), rescorer.hash()].concat();
        let digest = blake3::hash(&both).to_hex().to_string();
        let model = Model::load(bytes).map_err(|e| unusable(e.to_string()))?;
        let detector = Self { model, rescorer, own_trees: true, digest };
        // One small look proves that shapes fit before the first picture is opened.
        detector.run(NdTensor::zeros([1, 1, 64, 64])).map_err(&unusable)?;
        if !crate::measure::load_networks() {
            return Err(unusable("the networks that look closer at its detections cannot be loaded".to_owned()));
        }
        Ok(detector)
    }

    /// Whether the trees that weigh its detections were made for this network: false for a file without `NAME.rescore.json`
    /// beside it, which gets the bundled ones.
    pub fn has_own_trees(&self) -> bool {
        self.own_trees
    }

    /// Digest of the weights, hexadecimal.
    pub fn digest(&self) -> &str {
        &self.digest
    }

    /// Shows a copy of the picture to the network and hands on the answer, tile by tile. With `mirrored`, each tile is shown
    /// a second time left for right and both answers are averaged: steadier, at twice the time.
    pub(super) fn run_tiled(&self, level: &Level, mirrored: bool, mut take: impl FnMut(&Maps<'_>)) {
        for (y0, y1) in tiles(level.height) {
            for (x0, x1) in tiles(level.width) {
                let (w, h) = ((x1 - x0).next_multiple_of(MULTIPLE), (y1 - y0).next_multiple_of(MULTIPLE));
                let input = NdTensor::from_data([1, 1, h, w], tile(level, (x0, y0), (w, h)));
                // Shapes were proven when the network was loaded; a failed run finds nothing.
                let mirror =
                    mirrored.then(|| NdTensor::from_fn([1, 1, h, w], |[_, _, y, x]| input[[0, 0, y, w - 1 - x]]));
                let Ok(mut answer) = self.run(input) else { continue };
                if let Some(Ok(other)) = mirror.map(|m| self.run(m)) {
                    blend_mirrored(&mut answer, &other);
                }
                let answered = |start: usize, end: usize, whole: usize| {
                    let first = if start == 0 { 0 } else { RIM / 2 / STRIDE };
                    let last =
                        if end == whole { (end - start).div_ceil(STRIDE) } else { (end - start - RIM / 2) / STRIDE };
                    first..last
                };
                take(&Maps {
                    planes: answer.view(),
                    left: x0,
                    top: y0,
                    columns: answered(x0, x1, level.width),
                    rows: answered(y0, y1, level.height),
                });
            }
        }
    }

    /// The trees that weigh candidates by what surrounds them.
    pub(super) fn rescorer(&self) -> &Rescorer {
        &self.rescorer
    }

    fn run(&self, input: NdTensor<f32, 4>) -> Result<NdTensor<f32, 3>, String> {
        let [_, _, h, w] = input.shape();
        let value = runtime::run_alone(&self.model, input.into())?;
        let maps: NdTensor<f32, 4> =
            value.try_into().map_err(|_| "answers with something else than numbers".to_owned())?;
        if maps.shape() != [1, CHANNELS, h / STRIDE, w / STRIDE] {
            return Err(format!("answers with shape {:?}", maps.shape()));
        }
        Ok(maps.into_shape([CHANNELS, h / STRIDE, w / STRIDE]))
    }
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

/// Part of a copy, row-major; beyond its right and lower side the last column and row go on.
fn tile(level: &Level, (x0, y0): (usize, usize), (w, h): (usize, usize)) -> Vec<f32> {
    let mut values = Vec::with_capacity(w * h);
    for y in y0..y0 + h {
        let row = &level.values[y.min(level.height - 1) * level.width..][..level.width];
        let inside = &row[x0..(x0 + w).min(level.width)];
        values.extend_from_slice(inside);
        values.extend(std::iter::repeat_n(row[level.width - 1], w - inside.len()));
    }
    values
}

/// Averages an answer with that to the mirrored tile, cell by cell: x components change sign.
fn blend_mirrored(answer: &mut NdTensor<f32, 3>, other: &NdTensor<f32, 3>) {
    let [channels, rows, columns] = answer.shape();
    for c in 0..channels {
        let sign = if MIRRORED_SIGN.contains(&c) { -1.0 } else { 1.0 };
        for y in 0..rows {
            for x in 0..columns {
                let value = &mut answer[[c, y, x]];
                *value = (*value + sign * other[[c, y, columns - 1 - x]]) / 2.0;
            }
        }
    }
}

/// Cuts a length into overlapping pieces of at most [`TILE`].
fn tiles(length: usize) -> Vec<(usize, usize)> {
    let mut pieces = Vec::new();
    let mut start = 0;
    loop {
        let end = (start + TILE).min(length);
        pieces.push((start, end));
        if end == length {
            return pieces;
        }
        start = end - RIM;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_cover_and_overlap() {
        assert_eq!(tiles(800), [(0, 800)]);
        let pieces = tiles(3000);
        assert_eq!(pieces.first().map(|p| p.0), Some(0));
        assert_eq!(pieces.last().map(|p| p.1), Some(3000));
        assert!(pieces.windows(2).all(|p| p[0].1 - p[1].0 == RIM));
    }

    #[test]
    fn a_file_that_is_no_network_is_refused() {
        let rescorer = Rescorer::bundled().expect("bundled");
        let reason =
            Detector::from_bytes("junk.onnx", b"not a network".to_vec(), rescorer).err().map(|e| e.to_string());
        assert!(reason.is_some_and(|r| r.starts_with("detector junk.onnx: ")));
    }

    #[test]
    fn a_network_brings_its_own_trees() {
        let folder = tempfile::tempdir().expect("a folder");
        let network = folder.path().join("own.onnx");
        std::fs::write(&network, BUNDLED).expect("written");
        let bundled = Detector::bundled().expect("bundled");
        let borrowing = Detector::from_file(&network).expect("usable");
        assert!(bundled.has_own_trees() && !borrowing.has_own_trees());
        assert_eq!(borrowing.digest(), bundled.digest());
        let trees = folder.path().join("own.rescore.json");
        std::fs::write(&trees, "{}").expect("written");
        let reason = Detector::from_file(&network).err().map(|e| e.to_string());
        assert!(reason.is_some_and(|r| r.contains("own.rescore.json")), "names the file");
        let text = String::from_utf8(super::super::rescore::BUNDLED.to_vec()).expect("text");
        std::fs::write(&trees, format!("{text}\n")).expect("written");
        let own = Detector::from_file(&network).expect("usable");
        assert!(own.has_own_trees());
        assert_ne!(own.digest(), bundled.digest(), "other trees, other results");
    }

    /// Values from onnxruntime (version in the file; `scripts/reference/detector.py`), to 1e-4.
    #[test]
    fn the_runtime_answers_as_onnxruntime_does() {
        let bundled = Detector::bundled().expect("bundled");
        answers_as_told(&bundled, include_str!("../../tests/reference/detector.json"));
        let models = Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
        let quick = Detector::from_file(&models.join("quick.onnx")).expect("usable, with its trees");
        answers_as_told(&quick, include_str!("../../tests/reference/quick.json"));
    }

    fn answers_as_told(detector: &Detector, file: &str) {
        let reference: serde_json::Value = serde_json::from_str(file).expect("JSON");
        let whole = |name: &str| reference[name].as_u64().expect("number") as usize;
        let (side, every) = (whole("side"), whole("every"));
        let input = NdTensor::from_fn([1, 1, side, side], |[_, _, y, x]| {
            let bar = y.abs_diff(48) < 5 && x < 60;
            ((x * 7 + y * 13) % 17) as f32 / 32.0 - 0.25 + if bar { 2.0 } else { 0.0 }
        });
        let maps = detector.run(input).expect("runs");
        let values = reference["values"].as_array().expect("list");
        let mut told = values.iter().map(|v| v.as_f64().expect("number"));
        for c in 0..CHANNELS {
            for y in (0..side / STRIDE).step_by(every) {
                for x in (0..side / STRIDE).step_by(every) {
                    let (own, theirs) = (f64::from(maps[[c, y, x]]), told.next().expect("as many"));
                    assert!(
                        (own - theirs).abs() < 1e-4 * theirs.abs().max(1.0),
                        "plane {c} ({x}, {y}): {own} {theirs}"
                    );
                }
            }
        }
        assert_eq!(told.next(), None);
    }
}
