//! What is known of an end before its edges are placed, and what all ends of a picture are measured with.

use crate::fitted::Fitted;
use crate::network::planes::Planes;
use crate::network::regression::{Regression, StripEvidence};
use crate::network::segmentation::Segmentation;
use crate::network::strip_input::InitialEnd;
use crate::settings::MeasureSettings;

/// What all ends of a picture are measured with.
#[derive(Clone, Copy)]
pub(super) struct Context<'a> {
    /// The picture at halving sizes.
    pub(super) planes: &'a Planes<'a>,
    /// Settings.
    pub(super) settings: &'a MeasureSettings,
    /// Numbers fitted on training pictures.
    pub(super) fitted: &'a Fitted,
}

/// What the networks say of one end.
pub(super) struct EndEvidence {
    /// The end as it was told to the networks.
    pub(super) initial: InitialEnd,
    /// What the regression network reads there.
    pub(super) regression: Regression,
    /// What the strip says of the end as a whole.
    pub(super) strip: StripEvidence,
    /// All numbers of the regression network for the strip.
    pub(super) answer: Vec<f32>,
    /// Which pixels are own fibre.
    pub(super) segmentation: Segmentation,
}
