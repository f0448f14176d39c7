//! A frame without the marks that are burnt into it: a scale bar stands still while the picture moves.

use crate::raster::Plane;
use crate::units::PxBox;

/// What is burnt into the first frame, to be laid over the merged picture: where frames were moved, their marks were moved too.
pub(super) struct Stamps {
    channels: Vec<Plane>,
    marks: Vec<PxBox>,
}

impl Stamps {
    /// Of the channels of the first frame; `None` where nothing is burnt in.
    pub(super) fn of(channels: Vec<Plane>, marks: &[PxBox]) -> Option<Self> {
        let pixels = channels.first()?.values.len();
        let is_some = !marks.is_empty() && !is_most(marks.iter().map(|m| area(*m)).sum(), pixels);
        is_some.then(|| Self { channels, marks: marks.to_vec() })
    }

    /// Lays them over the channels of the merged picture.
    pub(super) fn lay_over(&self, merged: &mut [Plane]) {
        for (to, from) in merged.iter_mut().zip(&self.channels) {
            for mark in &self.marks {
                let columns = inside(mark.x0, mark.x1, RIM_PX, to.width);
                for y in inside(mark.y0, mark.y1, RIM_PX, to.height) {
                    let row = y * to.width;
                    let place = row + columns.start..row + columns.end;
                    to.values[place.clone()].copy_from_slice(&from.values[place]);
                }
            }
        }
    }
}

fn area(mark: PxBox) -> usize {
    (mark.x1.saturating_sub(mark.x0) as usize).saturating_mul(mark.y1.saturating_sub(mark.y0) as usize)
}

fn is_most(marked: usize, pixels: usize) -> bool {
    MOST_MARKED * pixels as f64 <= marked as f64
}

/// A plane of which some places do not count.
pub(super) struct Seen {
    /// Values times how far they count.
    values: Plane,
    /// How far each pixel counts, 0..1; `None` = all do.
    counts: Option<Plane>,
}

/// Pixels around a mark that show something of it: edges of letters are smooth, and packed pictures smear them.
const RIM_PX: u32 = 4;
/// Largest share of a picture that marks may take; where more is found, it is the picture.
const MOST_MARKED: f64 = 0.5;
/// How far the places that a pixel was made of must count.
const WHOLE: f32 = 0.98;

impl Seen {
    /// A plane without what lies in the boxes.
    pub(super) fn new(plane: &Plane, marks: &[PxBox]) -> Self {
        let all = || Self { values: plane.clone(), counts: None };
        if marks.is_empty() {
            return all();
        }
        let mut counts = Plane { values: vec![1.0; plane.values.len()], ..Plane::zeros(plane.width, plane.height) };
        for mark in marks {
            let columns = inside(mark.x0, mark.x1, RIM_PX, plane.width);
            for y in inside(mark.y0, mark.y1, RIM_PX, plane.height) {
                counts.values[y * plane.width..][columns.clone()].fill(0.0);
            }
        }
        if is_most(counts.values.iter().filter(|c| **c == 0.0).count(), plane.values.len()) {
            return all();
        }
        Self { values: times(plane, &counts), counts: Some(counts) }
    }

    /// Half the size.
    pub(super) fn reduce(&self) -> Self {
        Self { values: self.values.reduce(), counts: self.counts.as_ref().map(Plane::reduce) }
    }

    /// Smoothed over what counts (Knutsson and Westin 1993, normalised convolution).
    pub(super) fn smoothed(&self, sd: f64) -> Plane {
        let values = self.values.smoothed(sd);
        match &self.counts {
            None => values,
            Some(counts) => divided(values, &counts.smoothed(sd)),
        }
    }

    /// 1 where a pixel is made of what counts, else 0; `None` = everywhere.
    pub(super) fn counting(&self) -> Option<Plane> {
        let counts = self.counts.as_ref()?;
        let values = counts.values.iter().map(|c| f32::from(u8::from(WHOLE < *c))).collect();
        Some(Plane { values, ..Plane::zeros(counts.width, counts.height) })
    }

    pub(super) fn longest(&self) -> usize {
        self.values.width.max(self.values.height)
    }

    pub(super) fn shortest(&self) -> usize {
        self.values.width.min(self.values.height)
    }
}

/// Pixels of one side of a box with its rim, within the picture.
fn inside(from: u32, to: u32, rim: u32, side: usize) -> std::ops::Range<usize> {
    let end = (to.saturating_add(rim) as usize).min(side);
    (from.saturating_sub(rim) as usize).min(end)..end
}

fn times(a: &Plane, b: &Plane) -> Plane {
    let values = a.values.iter().zip(&b.values).map(|(p, q)| p * q).collect();
    Plane { values, ..Plane::zeros(a.width, a.height) }
}

fn divided(mut a: Plane, b: &Plane) -> Plane {
    const NOTHING: f32 = 1e-4;
    a.values.iter_mut().zip(&b.values).for_each(|(p, q)| *p = if NOTHING < *q { *p / q } else { 0.0 });
    a
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_mark_covers_leaves_no_trace_around_it() {
        let plain = Plane { width: 60, height: 40, values: (0..2400).map(|i| (i % 60) as f32 / 60.0).collect() };
        let mut marked = plain.clone();
        (20..24).for_each(|y| marked.values[y * 60 + 20..y * 60 + 40].fill(1.0));
        let mark = PxBox { x0: 20, y0: 20, x1: 40, y1: 24 };
        let seen = Seen::new(&marked, &[mark]);
        assert_eq!(seen.smoothed(2.0).values, Seen::new(&plain, &[mark]).smoothed(2.0).values);
        let counting = seen.counting().expect("some places do not count");
        assert_eq!((counting.row(22)[30], counting.row(5)[30], counting.row(22)[10]), (0.0, 1.0, 1.0));
        // What was moved with its frame comes back to its place, and nothing else does.
        let mut merged = [Plane { values: vec![0.25; 2400], ..Plane::zeros(60, 40) }];
        Stamps::of(vec![marked.clone()], &[mark]).expect("a mark").lay_over(&mut merged);
        assert_eq!((merged[0].row(22)[30], merged[0].row(5)[30], merged[0].row(22)[10]), (1.0, 0.25, 0.25));
        let whole = PxBox { x0: 0, y0: 0, x1: 60, y1: 40 };
        assert!(Stamps::of(vec![marked.clone()], &[whole]).is_none());
        assert!(Seen::new(&marked, &[whole]).counting().is_none(), "a mark as large as the picture is the picture");
    }
}
