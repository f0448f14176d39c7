//! Bits of entropy-coded JPEG data, and the Huffman codes in them (ITU-T T.81, sections F.2.2 and C).

/// Reads bits, stuffed bytes left out, up to the next marker.
pub(super) struct Bits<'a> {
    bytes: &'a [u8],
    /// Next byte to take.
    at: usize,
    held: u64,
    n_held: u32,
    /// Bytes taken, stuffed ones left out.
    taken: u64,
    /// How many of the last bytes taken are equal, and their value.
    equal: (u64, u8),
}

/// What is wrong with the data.
pub(super) const TOO_SHORT: &str = "its data ends before the picture does";
const NO_SUCH_CODE: &str = "its data holds a code that does not exist";

impl<'a> Bits<'a> {
    pub(super) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at, held: 0, n_held: 0, taken: 0, equal: (0, 0) }
    }

    fn fill(&mut self) {
        while self.n_held <= 56 {
            let Some(byte) = self.bytes.get(self.at) else { return };
            if *byte == 0xff {
                // A stuffed zero follows a byte of ones; anything else is a marker.
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.held = self.held << 8 | u64::from(*byte);
            self.n_held += 8;
            self.taken += 1;
            self.equal = if self.equal.1 == *byte { (self.equal.0 + 1, *byte) } else { (1, *byte) };
        }
    }

    /// Bits used so far.
    pub(super) fn position(&self) -> u64 {
        8 * self.taken - u64::from(self.n_held)
    }

    /// How many of the bytes up to here are one value again and again.
    pub(super) fn equal_bytes(&self) -> u64 {
        self.equal.0
    }

    /// The next `n` ≤ 16 bits as a number.
    pub(super) fn take(&mut self, n: u32) -> Result<u32, &'static str> {
        if self.n_held < n {
            self.fill();
        }
        self.n_held = self.n_held.checked_sub(n).ok_or(TOO_SHORT)?;
        Ok((self.held >> self.n_held) as u32 & ((1 << n) - 1))
    }

    /// The next symbol.
    pub(super) fn symbol(&mut self, table: &Huffman) -> Result<u8, &'static str> {
        if self.n_held < 16 {
            self.fill();
        }
        // Behind the end the padding is ones, as the standard has it; a code that needs them does not fit.
        let ahead = match self.n_held.checked_sub(16) {
            Some(rest) => (self.held >> rest) as u16,
            None => {
                let missing = 16 - self.n_held;
                let kept = self.held & ((1 << self.n_held) - 1);
                (kept << missing) as u16 | ((1_u32 << missing) - 1) as u16
            }
        };
        let (length, symbol) = table.codes[usize::from(ahead)];
        if length == 0 {
            return Err(if self.n_held < 16 { TOO_SHORT } else { NO_SUCH_CODE });
        }
        self.n_held = self.n_held.checked_sub(u32::from(length)).ok_or(TOO_SHORT)?;
        Ok(symbol)
    }

    /// Ends a stretch of data: fewer than eight bits may be left, and a marker must follow. Gives the place behind the marker
    /// and the marker.
    pub(super) fn finish(&mut self) -> Result<(usize, u8), String> {
        self.fill();
        if 8 <= self.n_held {
            return Err("data is left over behind its last block".into());
        }
        let mut at = self.at;
        loop {
            match (self.bytes.get(at), self.bytes.get(at + 1)) {
                (Some(0xff), Some(0xff)) => at += 1,
                (Some(0xff), Some(marker)) => {
                    (self.at, self.held, self.n_held) = (at + 2, 0, 0);
                    return Ok((at + 2, *marker));
                }
                _ => return Err(TOO_SHORT.into()),
            }
        }
    }
}

/// A Huffman table, ready to be looked up by the next 16 bits.
#[derive(Clone)]
pub(super) struct Huffman {
    /// Length of the code, 0 = none, and its symbol.
    codes: Vec<(u8, u8)>,
}

impl Huffman {
    /// Builds the codes from the number of codes of each length and the symbols in order (ITU-T T.81, annex C).
    pub(super) fn new(counts: &[u8; 16], symbols: &[u8]) -> Result<Self, &'static str> {
        const BAD: &str = "a Huffman table of it makes no sense";
        let mut codes = vec![(0, 0); 1 << 16];
        let (mut code, mut symbols) = (0_usize, symbols.iter());
        for (length, count) in (1..=16).zip(counts) {
            let span = 1 << (16 - length);
            for _ in 0..*count {
                let symbol = *symbols.next().ok_or(BAD)?;
                let from = code * span;
                codes.get_mut(from..from + span).ok_or(BAD)?.fill((length as u8, symbol));
                code += 1;
            }
            code *= 2;
        }
        Ok(Self { codes })
    }
}

/// Tables that scans refer to, as the segments so far set them.
#[derive(Default)]
pub(super) struct Tables {
    /// Codes of DC coefficients.
    pub dc: [Option<Huffman>; 4],
    /// Codes of AC coefficients.
    pub ac: [Option<Huffman>; 4],
    /// Quantiser steps of DC coefficients.
    pub dc_steps: [Option<u16>; 4],
    /// Blocks between restart markers, in units of the scan; 0 = none.
    pub restart: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_those_of_the_standard() {
        // ITU-T T.81, table K.3 (luminance DC): category 0 = 00, 5 = 110, 11 = 111111110.
        let counts = [0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0];
        let table = Huffman::new(&counts, &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]).expect("the standard's table");
        // 00 110 111111110, then two bits of padding; the byte of ones is stuffed.
        let data = [0b0011_0111, 0b1111_1011, 0xff, 0xd9];
        let mut bits = Bits::new(&data, 0);
        assert_eq!([0; 3].map(|_: i32| bits.symbol(&table)), [Ok(0), Ok(5), Ok(11)]);
        assert_eq!(bits.finish(), Ok((4, 0xd9)));
        assert_eq!(Bits::new(&[0xff, 0, 0xff, 0xd9], 0).symbol(&table), Err(TOO_SHORT));
        assert_eq!(Bits::new(&[0xff, 0, 0xff, 0, 0xff, 0xd9], 0).symbol(&table), Err(NO_SUCH_CODE));
    }
}
