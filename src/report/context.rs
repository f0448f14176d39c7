//! What every section of the page may look at.

use super::art::{Allowance, Picture};
use super::reviewed::Reviewed;
use super::story::Story;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Pictures of one specimen.
#[derive(Debug, Clone, Default)]
pub(crate) struct SpecimenArt {
    /// Small pictures by image name.
    pub pictures: BTreeMap<String, Picture>,
    /// Cut-outs by image name and end number.
    pub ends: BTreeMap<(String, u32), Picture>,
    /// Image names whose file could not be reached or read.
    pub unreachable: Vec<String>,
}

/// Full pictures saved beside the page: links by image name.
#[derive(Debug, Clone, Default)]
pub(crate) struct Links {
    /// The picture as it is.
    pub plain: String,
    /// The picture with its ends marked, when there is one.
    pub marked: Option<String>,
}

/// What every section may look at.
pub(crate) struct Context<'a> {
    /// The tables in the order of telling.
    pub story: Story<'a>,
    /// Settings in effect.
    pub settings: &'a Settings,
    /// Title of the page.
    pub title: String,
    /// How much of each specimen is shown.
    pub allowance: Allowance,
    /// Pictures by position of the specimen in the story.
    pub art: Vec<SpecimenArt>,
    /// Full pictures beside the page, by image name.
    pub links: BTreeMap<String, Links>,
    /// Figures before and after hand labels, when there are any.
    pub reviewed: Reviewed,
}

impl Context<'_> {
    /// Whether single specimens get plots of their own.
    pub fn specimen_plots(&self) -> bool {
        self.story.specimens.len() <= self.settings.report.plot_specimens
    }
}
