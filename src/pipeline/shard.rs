//! A run on several machines: which pictures are whose. The list of pictures is the same everywhere, so that nobody
//! needs to be asked.

use super::inputs::Inputs;
use crate::results::ShardUsed;
use std::str::FromStr;

/// One part of a list of pictures, written `2/8`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    index: u32,
    of: u32,
}

impl Shard {
    /// Most parts of a run: far above any cluster, and a list of them is still read by people.
    pub const MOST_PARTS: u32 = 10_000;

    /// Number of the part, from 1.
    pub fn index(self) -> u32 {
        self.index
    }

    /// Number of parts.
    pub fn of(self) -> u32 {
        self.of
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers = text.split_once('/').and_then(|(i, n)| Some((i.parse().ok()?, n.parse().ok()?)));
        match numbers {
            Some((_, of)) if Self::MOST_PARTS < of => Err(format!("at most {} parts are possible", Self::MOST_PARTS)),
            Some((index, of)) if 1 <= index && index <= of => Ok(Self { index, of }),
            _ => Err("expected I/N with 1 <= I <= N, e.g. 2/8".into()),
        }
    }
}

/// What a part knows of the whole list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// Which part.
    pub shard: Shard,
    /// Pictures of the whole list.
    pub pictures: usize,
    /// Digest of the whole list.
    pub listing: String,
}

impl Part {
    /// As `run.json` says it.
    pub(super) fn used(&self, tools: &str, notes: &[String]) -> ShardUsed {
        ShardUsed {
            index: self.shard.index,
            of: self.shard.of,
            pictures: self.pictures,
            listing: self.listing.clone(),
            tools: tools.into(),
            notes: notes.to_vec(),
        }
    }
}

impl Inputs {
    /// The pictures of one part: every `of`-th of the sorted list, so that parts are equally large and neighbours, which
    /// take alike long, are spread. Rows of a table that cannot be used go to the first part.
    #[must_use]
    pub fn shard(self, shard: Shard) -> Self {
        let part = Part { shard, pictures: self.jobs.len(), listing: self.listing() };
        let mine = |place: usize| place % shard.of as usize == shard.index as usize - 1;
        Self {
            jobs: self.jobs.into_iter().enumerate().filter(|(place, _)| mine(*place)).map(|(_, job)| job).collect(),
            problems: if shard.index == 1 { self.problems } else { Vec::new() },
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
    use crate::pipeline::PictureJob;
    use crate::series::SeriesRow;

    fn inputs(n: usize) -> Inputs {
        let job = |i| {
            let series = SeriesRow { image: format!("{i:03}.png"), ..SeriesRow::default() };
            PictureJob { path: series.image.clone().into(), series, ..PictureJob::default() }
        };
        Inputs { jobs: (0..n).map(job).collect(), ..Inputs::default() }
    }

    #[test]
    fn parts_are_written_as_people_write_them() {
        assert_eq!("2/8".parse(), Ok(Shard { index: 2, of: 8 }));
        for text in ["", "2", "0/8", "9/8", "2/0", "-1/2", "1/2/3", "a/b", "1 / 2"] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }

    #[test]
    fn parts_hold_every_picture_once_and_know_the_same_whole() {
        for (n, of) in [(0, 3), (1, 3), (10, 3), (12, 12), (7, 1)] {
            let parts: Vec<Inputs> = (1..=of).map(|index| inputs(n).shard(Shard { index, of })).collect();
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
