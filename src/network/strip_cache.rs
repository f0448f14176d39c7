//! One picture with what the strips of its ends have answered, so that nothing is asked twice.

use std::sync::LazyLock;

use super::model::{Network, NetworkError};
use super::planes::Planes;
use super::regression;
use super::segmentation::{self, Segmentation};
use super::strip_input::{InitialEnd, PER_WIDTH, answers};
use crate::cancel::Cancel;
use crate::micrograph::Micrograph;

const REGRESSION: &[u8] = include_bytes!("../../models/regression.onnx");
const SEGMENTATION: &[u8] = include_bytes!("../../models/segmentation.onnx");

static BUNDLED: LazyLock<Result<StripNetworks, NetworkError>> = LazyLock::new(StripNetworks::load);

/// Levels of the picture are made for strips up to this many times wider than their ends were told.
const WIDER: f64 = 2.0;

/// The networks of strips, compiled in.
pub(crate) struct StripNetworks {
    pub(super) regression: Network,
    pub(super) segmentation: Network,
}

impl StripNetworks {
    /// The bundled networks, loaded when first asked for.
    ///
    /// To be asked for once before pictures are shared out among threads: a thread that loads them may be lent to another
    /// picture meanwhile, which would wait for them for ever.
    ///
    /// # Errors
    /// When they cannot be used, which is a fault of the build.
    pub(crate) fn bundled() -> Result<&'static Self, NetworkError> {
        BUNDLED.as_ref().map_err(Clone::clone)
    }

    fn load() -> Result<Self, NetworkError> {
        Ok(Self {
            regression: Network::load("bundled regression", REGRESSION.to_vec(), regression::CONTRACT)?,
            segmentation: Network::load("bundled segmentation", SEGMENTATION.to_vec(), segmentation::CONTRACT)?,
        })
    }

    /// Digest of the weights and of the numbers fitted with them: what they are changes what is measured.
    pub(crate) fn digest() -> String {
        let mut hasher = blake3::Hasher::new();
        for bytes in [REGRESSION, SEGMENTATION, crate::fitted::FILE] {
            hasher.update(bytes);
        }
        hasher.finalize().to_hex().to_string()
    }
}

/// One picture and the answers of the strip networks about its ends: detection and measuring ask about the same strips.
pub struct StripCache<'a> {
    micrograph: &'a Micrograph,
    planes: Planes<'a>,
    regressed: Vec<(InitialEnd, Vec<f32>)>,
    cancel: Cancel<'a>,
}

impl<'a> StripCache<'a> {
    /// A picture about which nothing has been asked.
    pub fn new(micrograph: &'a Micrograph) -> Self {
        Self { micrograph, planes: Planes::new(micrograph), regressed: Vec::new(), cancel: Cancel::default() }
    }

    /// The same, which fails once its picture is no longer wanted.
    pub(crate) fn until(self, cancel: Cancel<'a>) -> Self {
        Self { cancel, ..self }
    }

    /// # Errors
    /// When the picture is no longer wanted.
    pub(crate) fn still_wanted(&self) -> Result<(), NetworkError> {
        Ok(self.cancel.check()?)
    }

    /// The picture.
    pub fn micrograph(&self) -> &'a Micrograph {
        self.micrograph
    }

    /// The picture at the sizes that were needed so far.
    pub(crate) fn planes(&self) -> &Planes<'a> {
        &self.planes
    }

    /// Makes the sizes of the picture that a sampling distance needs.
    pub(crate) fn deepen(&mut self, coarsest_px: f64) {
        self.planes.deepen(coarsest_px);
    }

    /// Numbers of the regression network for each end, in their order.
    ///
    /// # Errors
    /// When the network cannot be used or fails.
    pub(crate) fn regress(&mut self, ends: &[InitialEnd]) -> Result<Vec<Vec<f32>>, NetworkError> {
        let widest = ends.iter().map(|e| e.width_px).fold(0.0, f64::max);
        self.planes.deepen(WIDER * widest / PER_WIDTH);
        let mut new: Vec<InitialEnd> = Vec::new();
        for end in ends {
            if self.known(end).is_none() && !new.contains(end) {
                new.push(*end);
            }
        }
        let answers = answers(&StripNetworks::bundled()?.regression, &self.planes, &new, self.cancel)?;
        self.regressed.extend(new.into_iter().zip(answers));
        Ok(ends.iter().filter_map(|end| self.known(end).cloned()).collect())
    }

    fn known(&self, end: &InitialEnd) -> Option<&Vec<f32>> {
        self.regressed.iter().find(|(known, _)| known == end).map(|(_, numbers)| numbers)
    }

    /// Which samples of each end's strip are own fibre, in their order.
    ///
    /// # Errors
    /// When the network cannot be used or fails.
    pub(crate) fn segment(&self, ends: &[InitialEnd]) -> Result<Vec<Segmentation>, NetworkError> {
        let answers = answers(&StripNetworks::bundled()?.segmentation, &self.planes, ends, self.cancel)?;
        let colour = self.planes.channels() > 1;
        Ok(ends.iter().zip(answers).map(|(end, logits)| Segmentation::of(*end, colour, logits)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::strip_input::assert_answers;

    #[test]
    fn the_runtime_answers_as_onnxruntime_does() {
        let networks = StripNetworks::bundled().expect("bundled");
        assert_answers(&networks.regression, include_str!("../../tests/reference/regression.json"));
        assert_answers(&networks.segmentation, include_str!("../../tests/reference/segmentation.json"));
    }
}
