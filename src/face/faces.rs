//! Rows of pictures and their ends -> faces: what counts of each specimen.

use super::end::{End, Ends};
use crate::series::Kind;
use crate::table::ImageRow;
use std::collections::BTreeMap;

/// The pictures of one specimen and their counted ends.
#[derive(Debug, Clone, Default)]
pub struct Face<'a> {
    /// Specimen code.
    pub specimen: &'a str,
    /// Pictures, in order of the series.
    pub pictures: Vec<&'a ImageRow>,
    /// Counted ends of each picture, in the same order.
    pub ends: Vec<Vec<&'a End>>,
    /// Ends that are not counted, because a picture does not count or they are seen elsewhere.
    pub left_out: usize,
}

impl Face<'_> {
    /// Kind of the specimen: the first that is given.
    pub fn kind(&self) -> Option<Kind> {
        self.pictures.iter().find_map(|p| p.series.kind)
    }

    /// All counted ends.
    pub fn all_ends(&self) -> impl Iterator<Item = &End> {
        self.ends.iter().flatten().copied()
    }

    /// The same face, of the pictures of one side only.
    pub fn of_side(&self, side: &str) -> Self {
        let kept: Vec<usize> =
            (0..self.pictures.len()).filter(|i| self.pictures[*i].series.side.as_deref() == Some(side)).collect();
        Self {
            specimen: self.specimen,
            pictures: kept.iter().map(|i| self.pictures[*i]).collect(),
            ends: kept.iter().map(|i| self.ends[*i].clone()).collect(),
            left_out: 0,
        }
    }
}

/// Pictures and counted ends by specimen, by code.
pub(super) fn faces<'a>(ends: &'a Ends, pictures: &'a [ImageRow]) -> Vec<Face<'a>> {
    let mut faces: BTreeMap<&str, Face> = BTreeMap::new();
    for picture in pictures.iter().filter(|p| p.is_done()) {
        let face = faces.entry(&picture.series.specimen).or_default();
        face.specimen = &picture.series.specimen;
        let all = ends.get(&picture.series.image).map_or(&[][..], Vec::as_slice);
        let counted: Vec<&End> = all.iter().filter(|e| e.counted && picture.series.counted).collect();
        face.left_out += all.len() - counted.len();
        if picture.series.counted {
            face.pictures.push(picture);
            face.ends.push(counted);
        }
    }
    faces.into_values().collect()
}
