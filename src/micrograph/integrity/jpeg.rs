//! JPEG: its segments from start to end, each scan followed to its last block (ITU-T T.81, annexes B, F and G).

use super::bits::{Huffman, TOO_SHORT, Tables};
use super::jpeg_scan::{Component, Frame, Scan, follow};
use crate::cancel::Cancel;

/// Most scans of a picture, as the decoder has it; coders make about ten. Each scan of next to no data goes over all blocks.
const MOST_SCANS: usize = 100;

/// Follows the whole file; one line when something of it is damaged. Kinds of JPEG that the decoder refuses anyway
/// (lossless, hierarchical, arithmetic) pass.
pub(super) fn check(bytes: &[u8], cancel: Cancel<'_>) -> Result<(), String> {
    let mut tables = Tables::default();
    let mut frame: Option<Frame> = None;
    let (mut scanned, mut scans) = (0_u32, 0);
    let mut at = 2;
    let mut marker = next_marker(bytes, &mut at)?;
    loop {
        match marker {
            0xd9 => return ended(frame.as_ref(), scanned),
            0x01 | 0xd0..=0xd8 => {}
            0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf | 0xdc => return Ok(()),
            _ => {
                let body = segment(bytes, &mut at)?;
                match marker {
                    0xc4 => read_huffman(body, &mut tables)?,
                    0xdb => read_steps(body, &mut tables)?,
                    0xdd => tables.restart = usize::from(number(body, 0)?),
                    0xc0..=0xc2 => frame = Some(read_frame(body, marker == 0xc2)?),
                    0xda => {
                        scans += 1;
                        if MOST_SCANS < scans {
                            return Err(format!("it has more than {MOST_SCANS} scans"));
                        }
                        cancel.check().map_err(|e| e.to_string())?;
                        let frame = frame.as_mut().ok_or("its data comes before its header")?;
                        let scan = Scan::read(body, frame)?;
                        scan.components.iter().for_each(|c| scanned |= 1 << c.index.min(31));
                        (at, marker) = follow(bytes, at, frame, &scan, &tables)?;
                        continue;
                    }
                    _ => {}
                }
            }
        }
        marker = next_marker(bytes, &mut at)?;
    }
}

/// At the end every component must have been there.
fn ended(frame: Option<&Frame>, scanned: u32) -> Result<(), String> {
    let Some(frame) = frame else { return Err("it holds no picture".into()) };
    match (0..frame.components.len()).all(|i| scanned & 1 << i != 0) {
        true => Ok(()),
        false => Err(TOO_SHORT.into()),
    }
}

/// The next marker; between segments there may be fill bytes only.
fn next_marker(bytes: &[u8], at: &mut usize) -> Result<u8, String> {
    if *bytes.get(*at).ok_or("no end of picture")? != 0xff {
        return Err("there is something between its segments".into());
    }
    while bytes.get(*at) == Some(&0xff) {
        *at += 1;
    }
    let marker = *bytes.get(*at).ok_or("no end of picture")?;
    *at += 1;
    Ok(marker)
}

/// The content of a segment; `at` moves behind it.
fn segment<'a>(bytes: &'a [u8], at: &mut usize) -> Result<&'a [u8], String> {
    let length = usize::from(number(bytes, *at).map_err(|_| "no end of picture")?);
    let body = bytes.get(*at + 2..*at + length.max(2)).ok_or("no end of picture")?;
    *at += length.max(2);
    Ok(body)
}

/// Two bytes as a number.
fn number(bytes: &[u8], at: usize) -> Result<u16, String> {
    match bytes.get(at..at + 2) {
        Some(b) => Ok(u16::from_be_bytes([b[0], b[1]])),
        None => Err("a segment of it is too short".into()),
    }
}

fn read_huffman(mut body: &[u8], tables: &mut Tables) -> Result<(), String> {
    while let Some((head, rest)) = body.split_first() {
        let counts: &[u8; 16] = rest.first_chunk().ok_or("a Huffman table of it is cut short")?;
        let n: usize = counts.iter().map(|c| usize::from(*c)).sum();
        let symbols = rest.get(16..16 + n).ok_or("a Huffman table of it is cut short")?;
        let class = if head >> 4 == 0 { &mut tables.dc } else { &mut tables.ac };
        let place = class.get_mut(usize::from(head & 15)).ok_or("a Huffman table of it makes no sense")?;
        *place = Some(Huffman::new(counts, symbols)?);
        body = &rest[16 + n..];
    }
    Ok(())
}

/// Quantiser steps (ITU-T T.81, section B.2.4.1), the first of each table: that of the DC coefficient.
fn read_steps(mut body: &[u8], tables: &mut Tables) -> Result<(), String> {
    const BAD: &str = "a quantiser table of it makes no sense";
    while let Some((head, rest)) = body.split_first() {
        let is_wide = head >> 4 != 0;
        let step = if is_wide { number(rest, 0)? } else { u16::from(*rest.first().ok_or(BAD)?) };
        *tables.dc_steps.get_mut(usize::from(head & 15)).ok_or(BAD)? = Some(step);
        body = rest.get(if is_wide { 128 } else { 64 }..).ok_or(BAD)?;
    }
    Ok(())
}

fn read_frame(body: &[u8], progressive: bool) -> Result<Frame, String> {
    let (height, width) = (usize::from(number(body, 1)?), usize::from(number(body, 3)?));
    let parts = body.get(6..).unwrap_or_default().chunks_exact(3);
    let mut components: Vec<Component> = parts.map(|c| Component::new([c[0], c[1], c[2]])).collect();
    let sampled = components.iter().all(|c| (1..=4).contains(&c.h) && (1..=4).contains(&c.v));
    if components.is_empty() || 4 < components.len() || !sampled || width == 0 || height == 0 {
        return Err("its header makes no sense".into());
    }
    let depth = u32::from(*body.first().unwrap_or(&8)).min(16);
    let (h, v) = components.iter().fold((1, 1), |(h, v), c| (h.max(c.h), v.max(c.v)));
    let units = (width.div_ceil(8 * h), height.div_ceil(8 * v));
    for c in &mut components {
        c.blocks = ((width * c.h).div_ceil(8 * h), (height * c.v).div_ceil(8 * v));
        c.stride = units.0 * c.h;
    }
    Ok(Frame { progressive, depth, components, units })
}
