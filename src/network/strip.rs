//! Straightened strips: the picture resampled along a centre line.
//!
//! Planes + centreline -> rows along the shaft (u, out of the fibre), columns across it (v, towards (-sin axis, cos axis)).

use super::planes::{Colour, Planes};
use crate::units::Point;

/// A centre line: a straight axis through an origin, with a bend behind it.
///
/// At the distance `x` along the axis the line lies `offset(x)` beside it; ahead of `straight_from` it goes on straight.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Centreline {
    /// Where `x = 0`, px.
    pub(crate) origin: Point,
    /// Direction of the straight axis out of the fibre, degrees.
    pub(crate) axis_deg: f64,
    /// Offset beside the axis as a polynomial of `x / unit`, in px.
    pub(crate) bend: [f64; 4],
    /// Unit of length of the polynomial, px.
    pub(crate) unit: f64,
    /// From here outwards the line is straight, px.
    pub(crate) straight_from: f64,
}

impl Centreline {
    /// A straight centreline.
    pub(crate) fn straight(origin: Point, axis_deg: f64) -> Self {
        Self { origin, axis_deg, bend: [0.0; 4], unit: 1.0, straight_from: 0.0 }
    }

    /// Offset and slope at `x`.
    pub(crate) fn offset(&self, x: f64) -> (f64, f64) {
        let b = &self.bend;
        let t = x.min(self.straight_from) / self.unit;
        let value = b[0] + t * (b[1] + t * (b[2] + t * b[3]));
        let slope = (b[1] + t * (2.0 * b[2] + t * 3.0 * b[3])) / self.unit;
        (value + slope * (x - x.min(self.straight_from)), slope)
    }

    /// Point of the line at `x` and its direction there, degrees.
    fn at(&self, x: f64) -> (Point, f64) {
        let (offset, slope) = self.offset(x);
        (
            self.origin.towards(self.axis_deg, x).towards(self.axis_deg + 90.0, offset),
            self.axis_deg + slope.atan().to_degrees(),
        )
    }

    /// Points at equal distances `step` along the line, `behind` of them behind the origin and `ahead` before it.
    fn rows(&self, step: f64, behind: usize, ahead: usize) -> Vec<(Point, f64)> {
        let mut rows = Vec::with_capacity(behind + ahead + 1);
        let mut x = 0.0;
        for _ in 0..behind {
            x -= step / self.offset(x).1.hypot(1.0);
            rows.push(self.at(x));
        }
        rows.reverse();
        rows.push(self.at(0.0));
        x = 0.0;
        for _ in 0..ahead {
            x += step / self.offset(x).1.hypot(1.0);
            rows.push(self.at(x));
        }
        rows
    }
}

/// How a strip is laid out.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Layout {
    /// Distance of samples along and across, px.
    pub(crate) step: f64,
    /// Rows behind the origin.
    pub(crate) behind: usize,
    /// Rows ahead of the origin.
    pub(crate) ahead: usize,
    /// Columns on either side of the centre line.
    pub(crate) half: usize,
}

/// A straightened strip.
pub(crate) struct Strip {
    /// How it was laid out.
    pub(crate) layout: Layout,
    /// Centre and direction of each row.
    rows: Vec<(Point, f64)>,
    /// Samples, row-major.
    values: Vec<Colour>,
    /// Whether the picture shows a sample.
    shown: Vec<bool>,
}

impl Strip {
    /// Samples a strip.
    pub(crate) fn sample(planes: &Planes, centreline: &Centreline, layout: Layout) -> Self {
        let rows = centreline.rows(layout.step, layout.behind, layout.ahead);
        let mut values = Vec::with_capacity(rows.len() * (2 * layout.half + 1));
        let mut shown = Vec::with_capacity(values.capacity());
        let sampler = planes.sampler(layout.step);
        for (centre, deg) in &rows {
            let (sin, cos) = (deg + 90.0).to_radians().sin_cos();
            for j in 0..=2 * layout.half {
                let v = (j as f64 - layout.half as f64) * layout.step;
                let p = Point::new(centre.x + cos * v, centre.y + sin * v);
                values.push(sampler.at(p));
                shown.push(planes.shows(p));
            }
        }
        Self { layout, rows, values, shown }
    }

    /// Number of rows.
    pub(crate) fn n_u(&self) -> usize {
        self.rows.len()
    }

    /// Number of columns.
    pub(crate) fn n_v(&self) -> usize {
        2 * self.layout.half + 1
    }

    /// Sample of row `i`, column `j`.
    pub(crate) fn value(&self, i: usize, j: usize) -> Colour {
        self.values[i * self.n_v() + j]
    }

    /// Whether the picture shows the sample of row `i`, column `j`.
    pub(crate) fn shown(&self, i: usize, j: usize) -> bool {
        self.shown[i * self.n_v() + j]
    }

    /// Distance of a row from the origin along the line, px; negative behind it.
    pub(crate) fn u(&self, i: usize) -> f64 {
        (i as f64 - self.layout.behind as f64) * self.layout.step
    }

    /// Row nearest to the distance `u`, kept inside the strip.
    pub(crate) fn row(&self, u: f64) -> usize {
        ((u / self.layout.step).round() + self.layout.behind as f64).clamp(0.0, (self.n_u() - 1) as f64) as usize
    }

    /// Column nearest to the distance `v`, kept inside the strip.
    pub(crate) fn column(&self, v: f64) -> usize {
        ((v / self.layout.step).round() + self.layout.half as f64).clamp(0.0, (self.n_v() - 1) as f64) as usize
    }

    /// Place in the picture of a point of the strip, at `u` and `v` in px.
    pub(crate) fn place(&self, u: f64, v: f64) -> Point {
        let i = (u / self.layout.step + self.layout.behind as f64).clamp(0.0, (self.n_u() - 1) as f64);
        let i0 = (i as usize).min(self.n_u() - 1);
        let (centre, deg) = self.rows[i0];
        centre.towards(deg, (i - i0 as f64) * self.layout.step).towards(deg + 90.0, v)
    }

    /// Centre and direction of a row.
    pub(crate) fn line(&self, i: usize) -> (Point, f64) {
        self.rows[i]
    }

    /// Distances `(u, v)` of a place of the picture along and across the straight part ahead of the origin, px.
    pub(crate) fn locate(&self, p: Point) -> (f64, f64) {
        let (centre, deg) = self.rows[self.layout.behind];
        let (sin, cos) = deg.to_radians().sin_cos();
        let (dx, dy) = (p.x - centre.x, p.y - centre.y);
        (dx * cos + dy * sin, dy * cos - dx * sin)
    }

    /// Change of colour across the strip at every sample: the difference of the means of `reach` columns on either
    /// side, after averaging `2 * along + 1` rows. Row-major like the samples.
    pub(crate) fn across_steps(&self, along: usize, reach: usize) -> Vec<Colour> {
        let (n_u, n_v) = (self.n_u(), self.n_v());
        let averaged = self.averaged_along(along);
        let mut out = vec![[0.0; 3]; n_u * n_v];
        for i in 0..n_u {
            let row = &averaged[i * n_v..(i + 1) * n_v];
            for j in reach..n_v.saturating_sub(reach) {
                let mut step = [0.0; 3];
                for m in 1..=reach {
                    for (k, s) in step.iter_mut().enumerate() {
                        *s += row[j + m][k] - row[j - m][k];
                    }
                }
                out[i * n_v + j] = step.map(|s| s / reach as f32);
            }
        }
        out
    }

    /// Samples averaged over `2 * along + 1` rows, row-major.
    pub(crate) fn averaged_along(&self, along: usize) -> Vec<Colour> {
        let (n_u, n_v) = (self.n_u(), self.n_v());
        let mut out = vec![[0.0; 3]; n_u * n_v];
        for i in 0..n_u {
            let (a, b) = (i.saturating_sub(along), (i + along).min(n_u - 1));
            let n = (b - a + 1) as f32;
            for j in 0..n_v {
                let mut sum = [0.0; 3];
                for ii in a..=b {
                    let value = self.value(ii, j);
                    for k in 0..3 {
                        sum[k] += value[k];
                    }
                }
                out[i * n_v + j] = sum.map(|s| s / n);
            }
        }
        out
    }
}
