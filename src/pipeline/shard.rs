//! A part of a run on several machines, as it is asked for and as `run.json` names it.

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_written_as_people_write_them() {
        assert_eq!("2/8".parse(), Ok(Shard { index: 2, of: 8 }));
        for text in ["", "2", "0/8", "9/8", "2/0", "-1/2", "1/2/3", "a/b", "1 / 2"] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
