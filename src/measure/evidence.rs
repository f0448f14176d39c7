//! What is known of an end before its edges are placed, and what all ends of a picture are measured with.

use crate::fitted::Fitted;
use crate::network::planes::Planes;
use crate::network::regression::Regression;
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
    /// What the expert's regression network reads there.
    pub(super) regression: Regression,
    /// Logit of the chance that the end looks sheared.
    pub(super) look: f64,
    /// All numbers of the network that knows the forms.
    pub(super) form: Vec<f32>,
    /// Which pixels are own fibre.
    pub(super) segmentation: Segmentation,
}
