//! Stroke -> what it does beyond its ends: a scale bar ends there, while frames turn corners and dashes go on.

use super::stroke::{BESIDE_PX, Canvas, Stroke, gap};
use crate::settings::BarSettings;

/// Where the prolongation of a stroke begins: beyond its ticks, px.
const BEYOND_PX: i64 = 8;

impl Stroke {
    /// How far a narrow stroke of the same colour runs on up or down from an end, over the length: the longest of all four. The
    /// side of a frame turns a corner one way; a tick is short, and what it reaches on both sides counts half.
    pub(super) fn corner(&self, canvas: &Canvas, settings: &BarSettings) -> f64 {
        /// Ticks may stand a little beside the end of a stroke, px.
        const NEAR_PX: i64 = 3;
        let length = self.x1 - self.x0 + 1;
        let own = |x: i64, y: i64| gap(canvas.at(x, y), self.colour) < settings.contrast;
        let run = |x: i64, from: i64, step: i64| {
            // Close to the stroke its own blur lies beside a tick.
            let narrow = |k: i64, y: i64| k <= NEAR_PX || !(own(x - BEYOND_PX, y) || own(x + BEYOND_PX, y));
            let goes_on = |k: &i64| {
                let y = from + k * step;
                (0..canvas.height).contains(&y) && own(x, y) && narrow(*k, y)
            };
            (1..=length).take_while(goes_on).count()
        };
        let columns = [self.x0, self.x1].into_iter().flat_map(|end| end - NEAR_PX..=end + NEAR_PX);
        let inside = columns.filter(|x| (0..canvas.width).contains(x));
        let reach = |x: i64| {
            let (up, down) = (run(x, self.y0, -1), run(x, self.y1, 1));
            up.max(down) as f64 - up.min(down) as f64 / 2.0
        };
        inside.map(reach).fold(0.0, f64::max) / length as f64
    }

    /// Share of the stroke's own length beyond an end that stands out above and below as it does, at the end where it is more:
    /// dashes, letters beside it, the rest of a bar in two colours.
    pub(super) fn runs_on(&self, canvas: &Canvas, settings: &BarSettings) -> f64 {
        let (middle, length) = ((self.y0 + self.y1) / 2, self.x1 - self.x0 + 1);
        let stands_out = |x: &i64| {
            let here = canvas.at(*x, middle);
            let beside = [self.y0 - BESIDE_PX, self.y1 + BESIDE_PX].map(|y| gap(canvas.at(*x, y), here));
            beside.iter().all(|g| settings.contrast <= *g)
        };
        let share = |from: i64, to: i64| {
            let seen = from.max(0)..to.min(canvas.width);
            let count = seen.clone().filter(stands_out).count();
            count as f64 / seen.count().max(1) as f64
        };
        let left = share(self.x0 - BEYOND_PX - length, self.x0 - BEYOND_PX);
        left.max(share(self.x1 + BEYOND_PX + 1, self.x1 + BEYOND_PX + 1 + length))
    }
}
