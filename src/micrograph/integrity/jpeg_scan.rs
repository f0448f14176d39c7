//! One scan of a JPEG: every block's codes, without making a pixel (ITU-T T.81, annexes F and G).

use super::bits::{Bits, Huffman, Tables};

/// Size and components of a picture.
pub(super) struct Frame {
    pub progressive: bool,
    /// Bits of a sample.
    pub depth: u32,
    pub components: Vec<Component>,
    /// Units of interleaved scans, across and down.
    pub units: (usize, usize),
}

/// One colour component.
pub(super) struct Component {
    id: u8,
    /// Its quantiser table.
    quantiser: usize,
    /// Blocks of a unit across and down.
    pub h: usize,
    pub v: usize,
    /// Blocks that hold picture, across and down.
    pub blocks: (usize, usize),
    /// Blocks of a row with those beyond the right edge.
    pub stride: usize,
    /// Which coefficients of each block are not zero so far; filled by scans of AC coefficients only.
    set: Vec<u64>,
}

impl Component {
    /// From its three bytes in the header: name, sampling across and down, quantiser table.
    pub(super) fn new([id, sampling, table]: [u8; 3]) -> Self {
        let (h, v, quantiser) = (usize::from(sampling >> 4), usize::from(sampling & 15), usize::from(table));
        Self { id, quantiser, h, v, blocks: (0, 0), stride: 0, set: Vec::new() }
    }
}

/// What a scan holds.
pub(super) struct Scan {
    pub components: Vec<ScanComponent>,
    /// First and last coefficient.
    band: (u32, u32),
    /// Whether it refines what an earlier scan began.
    refines: bool,
    /// Low bits that it leaves to later scans.
    shift: u32,
}

/// A component in a scan, with its tables.
#[derive(Clone, Copy)]
pub(super) struct ScanComponent {
    /// Its place in the frame.
    pub index: usize,
    dc: usize,
    ac: usize,
}

const NONSENSE: &str = "the header of a scan makes no sense";

impl Scan {
    /// Reads the header of a scan.
    pub(super) fn read(body: &[u8], frame: &Frame) -> Result<Self, String> {
        let n = usize::from(*body.first().ok_or(NONSENSE)?);
        let end = body.get(1 + 2 * n..4 + 2 * n).ok_or(NONSENSE)?;
        let component = |c: &[u8]| {
            let index = frame.components.iter().position(|f| f.id == c[0])?;
            Some(ScanComponent { index, dc: usize::from(c[1] >> 4 & 3), ac: usize::from(c[1] & 3) })
        };
        let components: Option<Vec<ScanComponent>> = body[1..1 + 2 * n].chunks_exact(2).map(component).collect();
        let components = components.filter(|c| !c.is_empty()).ok_or(NONSENSE)?;
        let band = if frame.progressive { (u32::from(end[0]), u32::from(end[1])) } else { (0, 63) };
        let one_band = band.0 == 0 && band.1 == 0 || 0 < band.0 && band.0 <= band.1 && components.len() == 1;
        if frame.progressive && (!one_band || 63 < band.1) {
            return Err(NONSENSE.into());
        }
        let shift = if frame.progressive { u32::from(end[2] & 15) } else { 0 };
        Ok(Self { components, band, refines: frame.progressive && end[2] >> 4 != 0, shift })
    }
}

/// Follows the data of a scan that begins at `at`; gives the place behind the marker that ends it, and the marker.
pub(super) fn follow(
    bytes: &[u8],
    at: usize,
    frame: &mut Frame,
    scan: &Scan,
    tables: &Tables,
) -> Result<(usize, u8), String> {
    let bits = Bits::new(bytes, at);
    let mut walk = Walk { bits, scan, tables, progressive: frame.progressive, depth: frame.depth, run: 0, dc: [0; 4] };
    let (across, down, single) = match scan.components[..] {
        [one] => (frame.components[one.index].blocks.0, frame.components[one.index].blocks.1, true),
        _ => (frame.units.0, frame.units.1, false),
    };
    let mut restarts = 0;
    for unit in 0..across * down {
        if 0 < tables.restart && 0 < unit && unit % tables.restart == 0 {
            let (_, marker) = walk.bits.finish()?;
            if marker != 0xd0 + restarts % 8 {
                return Err("a restart marker of it is missing or out of order".into());
            }
            restarts += 1;
            (walk.run, walk.dc) = (0, [0; 4]);
        }
        let (x, y) = (unit % across, unit / across);
        for part in &scan.components {
            let component = &mut frame.components[part.index];
            let (h, v) = if single { (1, 1) } else { (component.h, component.v) };
            for block in 0..h * v {
                let place = (y * v + block / h) * component.stride + x * h + block % h;
                let before = walk.bits.position();
                walk.block(*part, component, place)?;
                if MOST_EQUAL <= walk.bits.equal_bytes() && FEW_BITS < walk.bits.position() - before {
                    return Err(OVERWRITTEN.into());
                }
            }
        }
    }
    walk.bits.finish()
}

/// The state of a scan under way.
struct Walk<'a> {
    bits: Bits<'a>,
    scan: &'a Scan,
    tables: &'a Tables,
    progressive: bool,
    /// Bits of a sample.
    depth: u32,
    /// Blocks whose band has ended already.
    run: u32,
    /// The last DC coefficient of each component.
    dc: [i64; 4],
}

/// Bytes of one value in a row that only blocks of a few bits can make: flat places, which say nothing but "as before". A disk or
/// a transfer that loses a sector leaves hundreds of them.
const MOST_EQUAL: u64 = 64;
/// Bits of a block that are few: two bytes.
const FEW_BITS: u64 = 16;
const OVERWRITTEN: &str = "a piece of its data is one byte again and again";

/// Runs over the end of a block.
const TOO_LONG: &str = "a block of it holds more than a block can";

impl Walk<'_> {
    fn block(&mut self, part: ScanComponent, component: &mut Component, place: usize) -> Result<(), &'static str> {
        const MISSING: &str = "a Huffman table of it is missing";
        if self.scan.band.0 == 0 {
            if self.scan.refines {
                return self.bits.take(1).map(|_| ());
            }
            let dc = self.tables.dc[part.dc].as_ref().ok_or(MISSING)?;
            let size = self.bits.symbol(dc)?;
            let size = u32::from(size.min(16));
            let bits = self.bits.take(size)?;
            self.follow_dc(part, component.quantiser, (size, bits))?;
            if self.progressive {
                return Ok(());
            }
        }
        let ac = self.tables.ac[part.ac].as_ref().ok_or(MISSING)?;
        if !self.progressive {
            return self.sequential(ac);
        }
        if component.set.is_empty() {
            component.set = vec![0; component.stride * component.blocks.1.next_multiple_of(component.v)];
        }
        let set = component.set.get_mut(place).ok_or(TOO_LONG)?;
        if self.scan.refines { self.refine(ac, set) } else { self.first(ac, set) }
    }

    /// Adds the difference of a DC coefficient to the one before (ITU-T T.81, section F.1.2.1). It is eight times the mean of a
    /// block, so that it tells of damage once it is far beyond black or white; coders that fight ringing go a little beyond.
    fn follow_dc(
        &mut self,
        part: ScanComponent,
        quantiser: usize,
        (size, bits): (u32, u32),
    ) -> Result<(), &'static str> {
        let is_negative = 0 < size && bits >> (size - 1) == 0;
        let difference = if is_negative { i64::from(bits) + 1 - (1 << size) } else { i64::from(bits) };
        let Some(dc) = self.dc.get_mut(part.index) else { return Ok(()) };
        *dc = dc.saturating_add(difference);
        let step = self.tables.dc_steps.get(quantiser).copied().flatten().unwrap_or(1);
        let step = u64::from(step) << self.scan.shift;
        let black = 4_u64 << self.depth;
        match dc.unsigned_abs().saturating_mul(step) <= black + black / 4 + step {
            true => Ok(()),
            false => Err("a block of it is brighter than white or darker than black"),
        }
    }

    /// AC coefficients of a sequential block.
    fn sequential(&mut self, ac: &Huffman) -> Result<(), &'static str> {
        let mut k = 1;
        while k < 64 {
            let symbol = self.bits.symbol(ac)?;
            let (zeros, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
            match (zeros, size) {
                (15, 0) => k += 16,
                (_, 0) => return Ok(()),
                _ => {
                    k += zeros + 1;
                    self.bits.take(size)?;
                }
            }
            if 64 < k {
                return Err(TOO_LONG);
            }
        }
        Ok(())
    }

    /// First scan of a band.
    fn first(&mut self, ac: &Huffman, set: &mut u64) -> Result<(), &'static str> {
        if 0 < self.run {
            self.run -= 1;
            return Ok(());
        }
        let (mut k, last) = self.scan.band;
        while k <= last {
            let symbol = self.bits.symbol(ac)?;
            let (zeros, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
            match (zeros, size) {
                (15, 0) => k += 16,
                (_, 0) => {
                    self.run = (1 << zeros) - 1 + self.bits.take(zeros)?;
                    return Ok(());
                }
                _ => {
                    k += zeros;
                    if last < k {
                        return Err(TOO_LONG);
                    }
                    self.bits.take(size)?;
                    *set |= 1 << k;
                    k += 1;
                }
            }
        }
        Ok(())
    }

    /// A scan that adds one bit to the coefficients of a band.
    fn refine(&mut self, ac: &Huffman, set: &mut u64) -> Result<(), &'static str> {
        let (mut k, last) = self.scan.band;
        if self.run == 0 {
            while k <= last {
                let symbol = self.bits.symbol(ac)?;
                let (mut zeros, size) = (u32::from(symbol >> 4), symbol & 15);
                match (zeros, size) {
                    (15, 0) => {}
                    (_, 0) => {
                        self.run = (1 << zeros) + self.bits.take(zeros)?;
                        break;
                    }
                    (_, 1) => {
                        self.bits.take(1)?;
                    }
                    _ => return Err("its data holds a code that does not belong there"),
                }
                while k <= last {
                    if *set & 1 << k != 0 {
                        self.bits.take(1)?;
                    } else if zeros == 0 {
                        break;
                    } else {
                        zeros -= 1;
                    }
                    k += 1;
                }
                if size != 0 {
                    if last < k {
                        return Err(TOO_LONG);
                    }
                    *set |= 1 << k;
                }
                k += 1;
            }
        }
        if 0 < self.run {
            for _ in (k..=last).filter(|k| *set & 1 << k != 0) {
                self.bits.take(1)?;
            }
            self.run -= 1;
        }
        Ok(())
    }
}
