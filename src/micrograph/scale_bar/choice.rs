//! Strokes that could be a scale bar -> the one that is, or the reason why none is taken.
//!
//! A picture may hold a dozen drawn strokes, and a wrong one would set a wrong scale without a word. So a stroke is taken where it
//! is the only one, or the only one with a length written beside it, and a person says which it is everywhere else.

use super::bar::ScaleBar;
use super::caption::Caption;
use crate::settings::BarSettings;
use crate::units::{Point, PxBox};

/// Why a stroke is taken for the scale bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum TakenFor {
    /// The picture shows no other stroke like it.
    BeingAlone,
    /// Of so many strokes it alone has a length written beside it.
    ItsCaption(usize),
    /// A person said where it is.
    ItsPlace,
}

/// Why no stroke is taken for the scale bar.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoBar {
    /// Nothing looks like one.
    #[error("no scale bar is seen")]
    Missing,
    /// It is not certain which stroke is it, or whether the only one is: the likeliest first.
    #[error("which stroke is the scale bar is not certain; seen: {}", places(.0))]
    Doubtful(Vec<ScaleBar>),
    /// No stroke is near the place that was given; the nearest, when there is any.
    #[error("no scale bar is seen at x {}, y {}{}", .at.x, .at.y, nearest.as_ref().map(|b| format!("; the nearest is {}", place(b))).unwrap_or_default())]
    NotThere {
        /// Place that was given.
        at: Point,
        /// Nearest stroke.
        nearest: Option<ScaleBar>,
    },
}

fn place(bar: &ScaleBar) -> String {
    let middle = middle(bar);
    format!("{:.0} px at {:.0},{:.0}", bar.length_px, middle.x, middle.y)
}

fn places(bars: &[ScaleBar]) -> String {
    /// Strokes that are named; a crowded picture has dozens.
    const NAMED: usize = 5;
    let mut named: Vec<String> = bars.iter().take(NAMED).map(place).collect();
    if NAMED < bars.len() {
        named.push(format!("and {} more", bars.len() - NAMED));
    }
    named.join("; ")
}

/// The middle of a bar, px.
fn middle(bar: &ScaleBar) -> Point {
    let PxBox { x0, y0, x1, y1 } = bar.area;
    Point::new(f64::from(x0 + x1 - 1) / 2.0, f64::from(y0 + y1 - 1) / 2.0)
}

/// A stroke that could be the scale bar, with what stands around it.
pub(super) struct Candidate {
    pub bar: ScaleBar,
    pub caption: Caption,
    /// As [`super::stroke::Stroke::corner`].
    pub corner: f64,
    /// As [`super::stroke::Stroke::runs_on`].
    pub runs_on: f64,
}

impl Candidate {
    /// Whether it ends where it ends.
    fn ends(&self, settings: &BarSettings) -> bool {
        self.corner <= settings.most_corner && self.runs_on <= settings.most_runs_on
    }

    /// Whether a length is written beside it. Strokes of a single row occur in letters, which have letters beside them.
    fn is_captioned(&self, settings: &BarSettings) -> bool {
        let PxBox { x0, y0, x1, y1 } = self.bar.area;
        let rows = if self.bar.upright { x1 - x0 } else { y1 - y0 };
        1 < rows && self.ends(settings) && self.caption.names_length(settings)
    }
}

/// The scale bar among the strokes of a picture.
pub(super) fn choose(found: Vec<Candidate>, settings: &BarSettings) -> Result<(ScaleBar, TakenFor), NoBar> {
    let marks = marks(found, settings);
    let Some(first) = marks.first() else { return Err(NoBar::Missing) };
    if let [only] = &marks[..] {
        if only.ends(settings) {
            return Ok((only.bar, TakenFor::BeingAlone));
        }
    } else if first.is_captioned(settings) {
        // Bars of one length give one scale, whichever is meant.
        let alike = |c: &Candidate| (c.bar.length_px / first.bar.length_px - 1.0).abs() <= settings.contradiction;
        if marks.iter().filter(|c| c.is_captioned(settings)).all(alike) {
            return Ok((first.bar, TakenFor::ItsCaption(marks.len())));
        }
    }
    Err(NoBar::Doubtful(marks.into_iter().map(|c| c.bar).collect()))
}

/// The stroke nearest to a place, at most so far from it.
pub(super) fn at(found: Vec<Candidate>, at: Point, near_px: f64) -> Result<(ScaleBar, TakenFor), NoBar> {
    let distance = |bar: &ScaleBar| {
        let PxBox { x0, y0, x1, y1 } = bar.area;
        let outside = |v: f64, from: u32, to: u32| (f64::from(from) - v).max(v - f64::from(to - 1)).max(0.0);
        outside(at.x, x0, x1).hypot(outside(at.y, y0, y1))
    };
    let bars = found.into_iter().map(|c| c.bar);
    // Of strokes that hold the place the most bar-like.
    let rank = |a: &ScaleBar, b: &ScaleBar| distance(a).total_cmp(&distance(b)).then(b.score.total_cmp(&a.score));
    let nearest = bars.min_by(rank);
    match nearest {
        Some(bar) if distance(&bar) <= near_px => Ok((bar, TakenFor::ItsPlace)),
        nearest => Err(NoBar::NotThere { at, nearest }),
    }
}

/// Strokes that are rows of one mark (the rim of a thick bar) become one, the most bar-like, and ticks of a bar are none; the
/// likeliest mark first.
fn marks(mut found: Vec<Candidate>, settings: &BarSettings) -> Vec<Candidate> {
    found.sort_by(|a, b| b.bar.score.total_cmp(&a.bar.score));
    let mut marks: Vec<Candidate> = Vec::new();
    for candidate in found {
        match marks.iter_mut().find(|mark| is_one_mark(&mark.bar, &candidate.bar)) {
            Some(mark) if mark.caption.letters < candidate.caption.letters => mark.caption = candidate.caption,
            Some(_) => {}
            None => marks.push(candidate),
        }
    }
    let bars: Vec<ScaleBar> = marks.iter().map(|m| m.bar).collect();
    marks.retain(|mark| !bars.iter().any(|bar| is_tick(&mark.bar, bar)));
    marks.sort_by_key(|c| (!c.is_captioned(settings), !c.ends(settings)));
    marks
}

/// Whether a mark stands across another one's end, its middle on it.
fn is_tick(mark: &ScaleBar, bar: &ScaleBar) -> bool {
    let (across, along) = (middle(mark), middle(bar));
    let (off, beside) = match bar.upright {
        false => (across.y - along.y, across.x),
        true => (across.x - along.x, across.y),
    };
    let near = f64::from(RIM_PX);
    let at_end = [bar.left_px, bar.right_px].iter().any(|end| (beside - end).abs() <= near);
    mark.upright != bar.upright && mark.length_px < bar.length_px && bar.ticks && off.abs() <= near && at_end
}

/// Ends of the rows of one mark differ by the blur of its rim, px.
const RIM_PX: u32 = 4;

fn is_one_mark(a: &ScaleBar, b: &ScaleBar) -> bool {
    let near = |p: u32, q: u32| p.abs_diff(q) <= RIM_PX;
    let grown = PxBox {
        x0: a.area.x0.saturating_sub(RIM_PX),
        y0: a.area.y0.saturating_sub(RIM_PX),
        x1: a.area.x1 + RIM_PX,
        y1: a.area.y1 + RIM_PX,
    };
    let ends = match a.upright {
        false => near(a.area.x0, b.area.x0) && near(a.area.x1, b.area.x1),
        true => near(a.area.y0, b.area.y0) && near(a.area.y1, b.area.y1),
    };
    a.upright == b.upright && ends && grown.meets(&b.area)
}
