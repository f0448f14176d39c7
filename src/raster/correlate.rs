//! Template matching: zero-mean normalised cross-correlation (Lewis 1995, Fast template matching).
//!
//! `imageproc::template_matching` does not take means off, so that a bright place matches anything, and takes 8-bit greys.

use super::Plane;

/// A plane with its mean taken off, to be looked for in others.
#[derive(Debug, Clone)]
pub struct Template {
    plane: Plane,
    squares: f32,
}

/// How well a template fits at its best place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Column on which the template's first column lies.
    pub x: usize,
    /// Row on which its first row lies.
    pub y: usize,
    /// Correlation there, −1..1.
    pub correlation: f32,
}

impl Template {
    /// Takes the mean off; a plane without pixels matches nothing.
    pub fn new(plane: &Plane) -> Self {
        let mean = plane.values.iter().sum::<f32>() / plane.values.len().max(1) as f32;
        let plane = plane.map(|v| v - mean);
        let squares = plane.values.iter().map(|v| v * v).sum();
        Self { plane, squares }
    }

    /// Width, px.
    pub fn width(&self) -> usize {
        self.plane.width
    }

    /// Height, px.
    pub fn height(&self) -> usize {
        self.plane.height
    }

    /// Correlation with the part of `field` whose top-left pixel is (x, y); 0 where either has no contrast. The template must
    /// lie inside.
    pub fn correlation(&self, field: &Plane, x: usize, y: usize) -> f32 {
        let (mut sum, mut squares, mut cross) = (0.0f32, 0.0f32, 0.0f32);
        for row in 0..self.plane.height {
            let here = &field.row(y + row)[x..x + self.plane.width];
            for (a, b) in here.iter().zip(self.plane.row(row)) {
                sum += a;
                squares += a * a;
                cross += a * b;
            }
        }
        let n = self.plane.values.len() as f32;
        let spread = (squares - sum * sum / n).max(0.0) * self.squares;
        if spread <= f32::EPSILON { 0.0 } else { cross / spread.sqrt() }
    }

    /// The best place in the columns and rows given, the first of equals; `None` where the template does not fit.
    pub fn best(
        &self,
        field: &Plane,
        columns: std::ops::RangeInclusive<usize>,
        rows: std::ops::RangeInclusive<usize>,
    ) -> Option<Match> {
        let (most_x, most_y) = (field.width.checked_sub(self.width())?, field.height.checked_sub(self.height())?);
        let mut best: Option<Match> = None;
        for y in *rows.start()..=(*rows.end()).min(most_y) {
            for x in *columns.start()..=(*columns.end()).min(most_x) {
                let correlation = self.correlation(field, x, y);
                if best.is_none_or(|b| b.correlation < correlation) {
                    best = Some(Match { x, y, correlation });
                }
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_piece_is_found_where_it_was_cut() {
        let values = (0..40 * 30).map(|i| ((i % 40) as f32 * 0.7).sin() * ((i / 40) as f32 * 0.4).cos()).collect();
        let field = Plane { width: 40, height: 30, values };
        let piece =
            Plane { width: 9, height: 7, values: (0..63).map(|i| 2.0 * field.row(11 + i / 9)[5 + i % 9]).collect() };
        let found = Template::new(&piece).best(&field, 0..=40, 0..=30).expect("fits");
        assert_eq!((found.x, found.y), (5, 11));
        assert!((found.correlation - 1.0).abs() < 1e-5, "contrast does not count");
        assert_eq!(Template::new(&field).best(&piece, 0..=9, 0..=9), None);
    }
}
