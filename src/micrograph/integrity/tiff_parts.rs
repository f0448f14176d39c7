//! Where the strips or tiles of a TIFF page lie, and how many bytes their pixels take (TIFF 6.0, sections 3, 8 and 15).

use std::io::Cursor;
use tiff::decoder::Decoder;
use tiff::tags::{PhotometricInterpretation, Tag};

/// Bytes that a coder may leave behind its end mark: padding to a whole word.
pub(super) const PADDING: u64 = 4;

/// Strips or tiles of a page.
pub(super) struct Parts {
    /// Offset and length of each in the file.
    pub places: Vec<(usize, usize)>,
    layout: Option<Layout>,
}

/// How pixels are shared out among parts.
struct Layout {
    /// Rows of the picture.
    height: u64,
    /// Bytes of a row of a part.
    row_bytes: u64,
    /// Rows of a full part.
    rows: u64,
    is_tiled: bool,
}

impl Parts {
    /// Of the first page; `None` when its tags make no sense.
    pub(super) fn of(decoder: &mut Decoder<Cursor<&[u8]>>) -> Option<Self> {
        let mut list = |tag| decoder.get_tag_u64_vec(tag).ok();
        let offsets = list(Tag::StripOffsets).or_else(|| list(Tag::TileOffsets))?;
        let lengths = list(Tag::StripByteCounts).or_else(|| list(Tag::TileByteCounts))?;
        let pairs = offsets.into_iter().zip(lengths);
        let places = pairs.filter_map(|(at, length)| Some((usize::try_from(at).ok()?, usize::try_from(length).ok()?)));
        Some(Self { places: places.collect(), layout: Layout::of(decoder) })
    }

    /// Bytes that a part unpacks to: those of its pixels, and those of a full part, since the last strip may be filled up.
    pub(super) fn unpacked(&self, index: usize) -> Option<[u64; 2]> {
        let layout = self.layout.as_ref()?;
        let full = layout.row_bytes.checked_mul(layout.rows)?;
        if layout.is_tiled {
            return Some([full, full]);
        }
        let before = index as u64 % layout.height.div_ceil(layout.rows) * layout.rows;
        Some([layout.row_bytes * layout.rows.min(layout.height - before), full])
    }
}

impl Layout {
    /// `None` where the size of a part is not told by its pixels alone (colours stored more coarsely), or by nothing.
    fn of(decoder: &mut Decoder<Cursor<&[u8]>>) -> Option<Self> {
        let (width, height) = decoder.dimensions().ok()?;
        let mut number = |tag| decoder.find_tag_unsigned::<u32>(tag).ok().flatten();
        if number(Tag::PhotometricInterpretation) == Some(PhotometricInterpretation::YCbCr.to_u16().into()) {
            return None;
        }
        let tile = number(Tag::TileWidth).zip(number(Tag::TileLength));
        let (across, rows) = tile.unwrap_or((width, number(Tag::RowsPerStrip).unwrap_or(height).min(height)));
        let samples = u64::from(number(Tag::SamplesPerPixel).unwrap_or(1));
        let is_planar = number(Tag::PlanarConfiguration) == Some(2);
        let bits = decoder.find_tag_unsigned_vec::<u64>(Tag::BitsPerSample).ok()?.unwrap_or(vec![1]);
        let bits = match bits[..] {
            [first, ..] if bits.iter().all(|b| *b == first) => first,
            _ => return None,
        };
        let row_bits = u64::from(across).checked_mul(bits)?.checked_mul(if is_planar { 1 } else { samples })?;
        let layout = Self {
            height: height.into(),
            row_bytes: row_bits.div_ceil(8),
            rows: rows.into(),
            is_tiled: tile.is_some(),
        };
        (0 < layout.rows && 0 < layout.height).then_some(layout)
    }
}
