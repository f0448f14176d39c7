//! Picture -> runs of one colour in each row, or in each column.
//!
//! A run goes on as long as the next pixel lies near the mean of all before it, in every channel. Means are compared as whole
//! numbers, with sums instead of quotients: every pixel of the picture passes here twice.

use crate::micrograph::Micrograph;
use crate::settings::BarSettings;

/// Pixels of a row that are of one colour.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Run {
    /// First pixel.
    pub x0: i64,
    /// Last pixel.
    pub x1: i64,
    /// Mean colour, 0..255.
    pub colour: [f32; 3],
}

/// Columns that are read together: one reading of memory brings so many.
const TOGETHER: usize = 16;
/// Parts of a step of brightness in which the tolerance is counted.
const PARTS: i64 = 256;

/// Hands on the runs of every row that are long enough for a bar, from top to bottom; `turned` exchanges rows and columns.
pub(super) fn each_row(micrograph: &Micrograph, turned: bool, settings: &BarSettings, take: impl FnMut(i64, &[Run])) {
    let size = (micrograph.grey.width() as usize, micrograph.grey.height() as usize);
    match &micrograph.rgb {
        Some(rgb) => of_rows::<u8, 3>(Pixels { values: rgb.as_raw(), size, one: 1 }, turned, settings, take),
        // Steps of 16-bit grey: 257 make one of 8 bits.
        None => of_rows::<u16, 1>(Pixels { values: micrograph.grey.values(), size, one: 257 }, turned, settings, take),
    }
}

#[derive(Clone, Copy)]
struct Pixels<'a, T> {
    /// Row-major, channels side by side.
    values: &'a [T],
    size: (usize, usize),
    /// Steps that make one step of 8-bit brightness.
    one: i64,
}

fn of_rows<T: Copy + Into<i64>, const C: usize>(
    pixels: Pixels<'_, T>,
    turned: bool,
    settings: &BarSettings,
    mut take: impl FnMut(i64, &[Run]),
) {
    let (width, height) = pixels.size;
    let mut runs = Vec::new();
    if !turned {
        for (y, row) in pixels.values.chunks_exact((C * width).max(1)).enumerate() {
            of_row::<T, C>(row, pixels.one, settings, &mut runs);
            take(y as i64, &runs);
        }
        return;
    }
    let mut columns: Vec<Vec<T>> = (0..TOGETHER).map(|_| Vec::with_capacity(C * height)).collect();
    for first in (0..width).step_by(TOGETHER) {
        columns.iter_mut().for_each(Vec::clear);
        for row in pixels.values.chunks_exact(C * width) {
            let own = &row[C * first..(C * (first + TOGETHER)).min(row.len())];
            own.chunks_exact(C).zip(&mut columns).for_each(|(pixel, column)| column.extend_from_slice(pixel));
        }
        for (k, column) in columns.iter().take(width - first).enumerate() {
            of_row::<T, C>(column, pixels.one, settings, &mut runs);
            take((first + k) as i64, &runs);
        }
    }
}

fn of_row<T: Copy + Into<i64>, const C: usize>(row: &[T], one: i64, settings: &BarSettings, runs: &mut Vec<Run>) {
    let tolerance = (settings.colour_tolerance * (one * PARTS) as f64).round() as i64;
    let least = i64::from(settings.min_px);
    runs.clear();
    let (mut start, mut length, mut sums) = (0, 0, [0; C]);
    let mut end = |start: i64, length: i64, sums: [i64; C]| {
        if least <= length {
            let mean = |sum: i64| (sum as f64 / (length * one) as f64) as f32;
            let colour = std::array::from_fn(|c| mean(sums[c.min(C - 1)]));
            runs.push(Run { x0: start, x1: start + length - 1, colour });
        }
    };
    for pixel in row.chunks_exact(C) {
        let mut near = true;
        for c in 0..C {
            near &= PARTS * (length * pixel[c].into() - sums[c]).abs() <= tolerance * length;
        }
        if !near {
            end(start, length, sums);
            (start, length, sums) = (start + length, 0, [0; C]);
        }
        for c in 0..C {
            sums[c] += pixel[c].into();
        }
        length += 1;
    }
    end(start, length, sums);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> BarSettings {
        BarSettings { min_px: 3, colour_tolerance: 30.0, ..BarSettings::default() }
    }

    #[test]
    fn a_run_ends_where_the_colour_leaves_its_mean() {
        let mut runs = Vec::new();
        of_row::<u8, 1>(&[10, 20, 30, 90, 90, 10, 10, 10], 1, &settings(), &mut runs);
        // 90 and 90 are too few; 50 would still be within 30 of the mean 20.
        assert_eq!(runs, [run(0, 2, 20.0), run(5, 7, 10.0)]);
        of_row::<u8, 1>(&[10, 20, 30, 50, 50], 1, &settings(), &mut runs);
        assert_eq!(runs, [run(0, 4, 32.0)]);
    }

    fn run(x0: i64, x1: i64, grey: f32) -> Run {
        Run { x0, x1, colour: [grey; 3] }
    }

    #[test]
    fn columns_are_read_as_rows_are() {
        let values: Vec<u8> = (0..20 * 30).map(|k| ((k * k) % 251 / 60) as u8 * 60).collect();
        let mut upright = Vec::new();
        of_rows::<u8, 1>(Pixels { values: &values, size: (20, 30), one: 1 }, true, &settings(), |y, runs| {
            upright.push((y, runs.to_vec()));
        });
        let turned: Vec<u8> = (0..20 * 30).map(|k| values[k % 30 * 20 + k / 30]).collect();
        let mut level = Vec::new();
        of_rows::<u8, 1>(Pixels { values: &turned, size: (30, 20), one: 1 }, false, &settings(), |y, runs| {
            level.push((y, runs.to_vec()));
        });
        assert_eq!(upright, level);
    }
}
