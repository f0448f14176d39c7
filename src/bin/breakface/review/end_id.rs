//! How ends are named over the wire.

use breakface::labels::EndRef;

/// An end over the wire: `3.12` is end 12 of picture 3, `3.+1` the first end added to it. Never a path.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct EndId {
    /// Number of the picture in the run, from 0.
    pub picture: usize,
    /// End within it.
    pub end: EndRef,
}

impl EndId {
    /// Reads an id.
    pub fn parse(text: &str) -> Option<Self> {
        let (picture, end) = text.split_once('.')?;
        if !picture.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        Some(Self { picture: picture.parse().ok()?, end: EndRef::from_text(end)? })
    }

    /// As sent over the wire.
    pub fn text(self) -> String {
        format!("{}.{}", self.picture, self.end.text())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_numbers_and_nothing_else() {
        let id = EndId::parse("3.12").unwrap();
        assert_eq!((id.picture, id.end, id.text().as_str()), (3, EndRef::Found(12), "3.12"));
        assert_eq!(EndId::parse("0.+2").unwrap().end, EndRef::Added(2));
        for bad in ["", ".", "3", "..", "3.", ".3", "../3", "3.-1", "3.1.2", "+3.1", "99999999999999999999.1", "3.++1"]
        {
            assert_eq!(EndId::parse(bad), None, "{bad}");
        }
    }
}
