//! The detection network with the trees that rescore its detections: loading, checking, running.

use std::path::Path;

use super::pyramid::Level;
use super::rescore::Rescorer;
use crate::fitted::Fitted;
use crate::network::model::{self, Network};
use crate::network::tiles::{self, GreyCopy, Maps};
use crate::network::{NetworkError, StripNetworks};

static BUNDLED: &[u8] = include_bytes!("../../models/detector.onnx");

/// The learned detector: a small network run in this process, and trees that rescore what it detects.
pub struct Detector {
    network: Network,
    rescorer: Rescorer,
    own_trees: bool,
    digest: String,
}

impl Detector {
    /// The detector that is compiled in.
    ///
    /// # Errors
    /// When the bundled files are unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, NetworkError> {
        Self::from_bytes("bundled detector", BUNDLED.to_vec(), Rescorer::bundled()?)
    }

    /// A detector from an ONNX file made by `scripts/detector/train.py`, with the trees of `NAME.rescore.json` beside
    /// `NAME.onnx` (made by `scripts/detector/rescore.py` from detections of that network), or the bundled trees without one.
    ///
    /// # Errors
    /// When a file cannot be read, is not such a network, is not safe to run, or holds no such trees.
    pub fn from_file(path: &Path) -> Result<Self, NetworkError> {
        let bytes = model::read_file(path)?;
        let beside = ["rescore.json", "context.json"].map(|name| path.with_extension(name));
        let trees = beside.iter().find(|p| p.is_file()).unwrap_or(&beside[0]);
        let own_trees = trees.is_file();
        let name = |path: &Path| path.display().to_string();
        let rescorer =
            if own_trees { Rescorer::named(&name(trees), &model::read_file(trees)?)? } else { Rescorer::bundled()? };
        Ok(Self { own_trees, ..Self::from_bytes(&name(path), bytes, rescorer)? })
    }

    fn from_bytes(name: &str, bytes: Vec<u8>, rescorer: Rescorer) -> Result<Self, NetworkError> {
        // What every picture needs besides is loaded now, before pictures are shared out among threads.
        let (network, strips) = std::thread::scope(|scope| {
            let strips = scope.spawn(StripNetworks::bundled);
            (Network::load(name, bytes, tiles::CONTRACT), strips.join())
        });
        let network = network?;
        strips.unwrap_or_else(|_| StripNetworks::bundled())?;
        let both = [network.digest(), rescorer.hash()].concat();
        let digest = blake3::hash(&both).to_hex().to_string();
        Fitted::bundled().map_err(NetworkError::bundled)?;
        Ok(Self { network, rescorer, own_trees: true, digest })
    }

    /// Whether the trees that rescore its detections were made for this network: false for a file without
    /// `NAME.rescore.json` beside it, which gets the bundled ones.
    pub fn has_own_trees(&self) -> bool {
        self.own_trees
    }

    /// Digest of network and trees, hexadecimal.
    pub fn digest(&self) -> &str {
        &self.digest
    }

    /// Shows a copy of the picture to the network and hands on its maps, tile by tile; with `mirrored` each tile twice.
    ///
    /// # Errors
    /// When the network fails on a tile, or what takes the answers wants no more.
    pub(super) fn run(
        &self,
        level: &Level,
        mirrored: bool,
        take: impl FnMut(&Maps<'_>) -> Result<(), NetworkError>,
    ) -> Result<(), NetworkError> {
        let copy = GreyCopy { width: level.width, height: level.height, values: &level.values };
        tiles::each_tile(&self.network, copy, mirrored, take)
    }

    /// The trees that rescore its detections.
    pub(super) fn rescorer(&self) -> &Rescorer {
        &self.rescorer
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::tiles::{CHANNELS, STRIDE};
    use rten_tensor::NdTensor;

    #[test]
    fn a_file_that_is_no_network_is_refused() {
        let rescorer = Rescorer::bundled().expect("bundled");
        let reason =
            Detector::from_bytes("junk.onnx", b"not a network".to_vec(), rescorer).err().map(|e| e.to_string());
        assert!(reason.is_some_and(|r| r.starts_with("network junk.onnx: ")));
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
        let maps = tiles::maps(&detector.network, input).expect("runs");
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
