//! The list of pictures to work on, and its parts: the list is the same on every machine, so that nobody needs to be asked
//! whose a picture is.

use super::shard::{Part, Shard};
use crate::flag::Warning;
use crate::series::{GivenScale, RowProblem, SeriesRow};
use std::path::PathBuf;

/// One picture to work on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PictureJob {
    /// Where the file is.
    pub path: PathBuf,
    /// What is known about it; `image` names it in all tables.
    pub series: SeriesRow,
    /// The scale that its table gives.
    pub scale: GivenScale,
    /// Table and row that list it; `None` = found in a folder.
    pub listed: Option<(String, u64)>,
    /// What to know about its row of the series table.
    pub warnings: Vec<Warning>,
}

/// Everything that the inputs hold.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Inputs {
    /// Pictures, sorted by name.
    pub jobs: Vec<PictureJob>,
    /// Rows of series tables that cannot be used.
    pub problems: Vec<RowProblem>,
    /// One line each: how the inputs were understood, and what was left out.
    pub notes: Vec<String>,
    /// Which part of a larger list this is; `None` = all of it.
    pub part: Option<Part>,
}

impl Inputs {
    /// The pictures of one part: every `of`-th of the sorted list, so that parts are equally large and neighbours, which
    /// take alike long, are spread. Rows of a table that cannot be used go to the first part.
    #[must_use]
    pub fn shard(self, shard: Shard) -> Self {
        let part = Part { shard, pictures: self.jobs.len(), listing: self.listing() };
        let mine = |place: usize| place % shard.of() as usize == shard.index() as usize - 1;
        Self {
            jobs: self.jobs.into_iter().enumerate().filter(|(place, _)| mine(*place)).map(|(_, job)| job).collect(),
            problems: if shard.index() == 1 { self.problems } else { Vec::new() },
            notes: self.notes,
            part: Some(part),
        }
    }

    /// Digest of the names of all pictures and of what the tables say of them.
    fn listing(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        for job in &self.jobs {
            // The derived form names every field and quotes every text: unlike rows never look alike.
            let row = format!("{:?} {:?}", job.series, job.scale);
            hasher.update(&(row.len() as u64).to_le_bytes());
            hasher.update(row.as_bytes());
        }
        for problem in &self.problems {
            hasher.update(format!("{:?}", problem.series).as_bytes());
        }
        hasher.finalize().to_hex().to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn inputs(n: usize) -> Inputs {
        let job = |i| {
            let series = SeriesRow { image: format!("{i:03}.png"), ..SeriesRow::default() };
            PictureJob { path: series.image.clone().into(), series, ..PictureJob::default() }
        };
        Inputs { jobs: (0..n).map(job).collect(), ..Inputs::default() }
    }

    #[test]
    fn parts_hold_every_picture_once_and_know_the_same_whole() {
        for (n, of) in [(0, 3), (1, 3), (10, 3), (12, 12), (7, 1)] {
            let parts: Vec<Inputs> =
                (1..=of).map(|index| inputs(n).shard(format!("{index}/{of}").parse().unwrap())).collect();
            let mut names: Vec<String> =
                parts.iter().flat_map(|p| p.jobs.iter().map(|j| j.series.image.clone())).collect();
            names.sort();
            let all: Vec<String> = inputs(n).jobs.into_iter().map(|j| j.series.image).collect();
            assert_eq!(names, all);
            let listings = parts.iter().map(|p| p.part.as_ref().unwrap());
            assert!(listings.into_iter().all(|p| p.pictures == n && p.listing == inputs(n).listing()));
        }
        assert_ne!(inputs(3).listing(), inputs(4).listing());
    }
}
