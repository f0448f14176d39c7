//! One picture with what the strips of its ends have answered, so that nothing is asked twice.

use std::sync::LazyLock;

use super::model::{Contract, Network, NetworkError};
use super::planes::Planes;
use super::regression;
use super::segmentation::{self, Segmentation};
use super::strip_input::{InitialEnd, PER_WIDTH, answers};
use crate::cancel::Cancel;
use crate::micrograph::Micrograph;

const PLAIN: [&[u8]; 2] =
    [include_bytes!("../../models/regression.onnx"), include_bytes!("../../models/segmentation.onnx")];
const FORMS: [&[u8]; 2] =
    [include_bytes!("../../models/forms_regression.onnx"), include_bytes!("../../models/forms_segmentation.onnx")];

static BUNDLED: LazyLock<Result<StripNetworks, NetworkError>> = LazyLock::new(StripNetworks::load);

/// Levels of the picture are made for strips up to this many times wider than their ends were told.
const WIDER: f64 = 2.0;

/// Which networks are asked about a strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Expert {
    /// Those that measure whole fibres with caps and cuts best, since they were shown nothing else.
    Plain,
    /// Those that know all forms of ends, drawn out and divided ones too, and tell which one it is.
    Forms,
}

/// The networks of one expert.
struct Pair {
    regression: Network,
    segmentation: Network,
}

impl Pair {
    fn load(name: &str, [regression, segmentation]: [&[u8]; 2], contract: Contract) -> Result<Self, NetworkError> {
        Ok(Self {
            regression: Network::load(&format!("bundled {name}regression"), regression.to_vec(), contract)?,
            segmentation: Network::load(
                &format!("bundled {name}segmentation"),
                segmentation.to_vec(),
                segmentation::CONTRACT,
            )?,
        })
    }
}

/// The networks of strips, compiled in.
pub(crate) struct StripNetworks {
    plain: Pair,
    forms: Pair,
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
            plain: Pair::load("", PLAIN, regression::CONTRACT)?,
            forms: Pair::load("forms_", FORMS, regression::FORMS_CONTRACT)?,
        })
    }

    fn of(&self, expert: Expert) -> &Pair {
        match expert {
            Expert::Plain => &self.plain,
            Expert::Forms => &self.forms,
        }
    }

    /// Digest of the weights and of the numbers fitted with them: what they are changes what is measured.
    pub(crate) fn digest() -> String {
        let mut hasher = blake3::Hasher::new();
        for bytes in PLAIN.into_iter().chain(FORMS).chain([crate::fitted::FILE]) {
            hasher.update(bytes);
        }
        hasher.finalize().to_hex().to_string()
    }
}

/// One picture and the answers of the strip networks about its ends: detection and measuring ask about the same strips.
pub struct StripCache<'a> {
    micrograph: &'a Micrograph,
    planes: Planes<'a>,
    regressed: Vec<(Expert, InitialEnd, Vec<f32>)>,
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

    /// Numbers of an expert's regression network for each end, in their order.
    ///
    /// # Errors
    /// When the network cannot be used or fails.
    pub(crate) fn regress(&mut self, expert: Expert, ends: &[InitialEnd]) -> Result<Vec<Vec<f32>>, NetworkError> {
        let widest = ends.iter().map(|e| e.width_px).fold(0.0, f64::max);
        self.planes.deepen(WIDER * widest / PER_WIDTH);
        let mut new: Vec<InitialEnd> = Vec::new();
        for end in ends {
            if self.known(expert, end).is_none() && !new.contains(end) {
                new.push(*end);
            }
        }
        let network = &StripNetworks::bundled()?.of(expert).regression;
        let answers = answers(network, &self.planes, &new, self.cancel)?;
        self.regressed.extend(new.into_iter().zip(answers).map(|(end, numbers)| (expert, end, numbers)));
        Ok(ends.iter().filter_map(|end| self.known(expert, end).cloned()).collect())
    }

    fn known(&self, expert: Expert, end: &InitialEnd) -> Option<&Vec<f32>> {
        self.regressed.iter().find(|(by, known, _)| *by == expert && known == end).map(|(_, _, numbers)| numbers)
    }

    /// Which samples of each end's strip are own fibre, in their order.
    ///
    /// # Errors
    /// When the network cannot be used or fails.
    pub(crate) fn segment(&self, expert: Expert, ends: &[InitialEnd]) -> Result<Vec<Segmentation>, NetworkError> {
        let network = &StripNetworks::bundled()?.of(expert).segmentation;
        let answers = answers(network, &self.planes, ends, self.cancel)?;
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
        assert_answers(&networks.plain.regression, include_str!("../../tests/reference/regression.json"));
        assert_answers(&networks.plain.segmentation, include_str!("../../tests/reference/segmentation.json"));
        assert_answers(&networks.forms.regression, include_str!("../../tests/reference/forms_regression.json"));
        assert_answers(&networks.forms.segmentation, include_str!("../../tests/reference/forms_segmentation.json"));
    }
}
