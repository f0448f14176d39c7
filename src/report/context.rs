//! What every section of the page may look at.

use super::reviewed::Reviewed;
use super::thumbnails::{Allowance, Thumbnail};
use super::view_model::ViewModel;
use crate::knot::flagged::Flagged;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Thumbnails of one specimen.
#[derive(Debug, Clone, Default)]
pub(crate) struct SpecimenThumbnails {
    /// Whole pictures by image name.
    pub pictures: BTreeMap<String, Thumbnail>,
    /// Cut-outs by image name and end number.
    pub ends: BTreeMap<(String, u32), Thumbnail>,
    /// Image names whose file could not be reached or read.
    pub unreachable: Vec<String>,
}

/// Full pictures beside the page.
#[derive(Debug, Clone, Default)]
pub(crate) struct Links {
    /// The picture as it is, when it was saved.
    pub plain: Option<String>,
    /// The picture with its ends marked, when there is one.
    pub marked: Option<String>,
}

/// What every section may look at.
pub(crate) struct Context<'a> {
    /// The tables in the order of the page.
    pub view: ViewModel<'a>,
    /// Settings in effect.
    pub settings: &'a Settings,
    /// Title of the page.
    pub title: String,
    /// How much of each specimen is shown.
    pub allowance: Allowance,
    /// Thumbnails by position of the specimen in the view model.
    pub thumbnails: Vec<SpecimenThumbnails>,
    /// Full pictures beside the page, by image name.
    pub links: BTreeMap<String, Links>,
    /// Every flag with the figures behind it.
    pub flagged: Vec<Flagged>,
    /// Figures before and after hand labels, when there are any.
    pub reviewed: Reviewed,
}

impl Context<'_> {
    /// Whether single specimens get plots of their own.
    pub fn specimen_plots(&self) -> bool {
        self.view.specimens.len() <= self.settings.report.plot_specimens
    }
}
