//! Bytes that can be read as long as somebody wants them: a decoder that reads on and on is broken off by its own input.

use crate::cancel::Cancel;
use std::io::{BufRead, Cursor, Error, Read, Result, Seek, SeekFrom, Write};

/// The bytes of a picture file for a decoder.
pub(super) struct Wanted<'a> {
    bytes: Cursor<&'a [u8]>,
    cancel: Cancel<'a>,
}

impl<'a> Wanted<'a> {
    /// Bytes from their start.
    pub(super) fn new(bytes: &'a [u8], cancel: Cancel<'a>) -> Self {
        Self { bytes: Cursor::new(bytes), cancel }
    }
}

impl Read for Wanted<'_> {
    fn read(&mut self, into: &mut [u8]) -> Result<usize> {
        self.cancel.check().map_err(Error::other)?;
        self.bytes.read(into)
    }
}

impl BufRead for Wanted<'_> {
    fn fill_buf(&mut self) -> Result<&[u8]> {
        self.cancel.check().map_err(Error::other)?;
        self.bytes.fill_buf()
    }

    fn consume(&mut self, n: usize) {
        self.bytes.consume(n);
    }
}

impl Seek for Wanted<'_> {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        self.bytes.seek(to)
    }
}

/// Where unpacked data goes that only has to be counted: nowhere, up to a limit.
pub(super) struct Counted<'a> {
    left: u64,
    cancel: Cancel<'a>,
}

impl<'a> Counted<'a> {
    /// Takes so many bytes at most.
    pub(super) fn new(most: u64, cancel: Cancel<'a>) -> Self {
        Self { left: most, cancel }
    }
}

impl Write for Counted<'_> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        self.cancel.check().map_err(Error::other)?;
        let too_much = || Error::other("it holds more than a picture may");
        self.left = self.left.checked_sub(bytes.len() as u64).ok_or_else(too_much)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<()> {
        Ok(())
    }
}
