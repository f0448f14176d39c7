//! Convex hull of points between pixels.
//!
//! `imageproc::geometry::convex_hull` gives whole pixels back; outlines here are known to a tenth of one.

/// Convex hull, corners in turn, by the monotone chain of Andrew (1979); the points are put in order.
pub fn convex_hull(points: &mut [[f64; 2]]) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let turn = |o: &[f64; 2], a: &[f64; 2], b: &[f64; 2]| (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    let mut hull: Vec<[f64; 2]> = Vec::new();
    for pass in 0..2 {
        let start = hull.len();
        let order: Vec<&[f64; 2]> = if pass == 0 { points.iter().collect() } else { points.iter().rev().collect() };
        for p in order {
            while hull.len() >= start + 2 && turn(&hull[hull.len() - 2], &hull[hull.len() - 1], p) <= 0.0 {
                hull.pop();
            }
            hull.push(*p);
        }
        hull.pop();
    }
    hull
}

/// Area within a polygon whose corners are given in turn (shoelace formula), in the square of the points' unit.
pub fn polygon_area(corners: &[[f64; 2]]) -> f64 {
    let n = corners.len();
    let twice = (0..n).map(|k| corners[k][0] * corners[(k + 1) % n][1] - corners[(k + 1) % n][0] * corners[k][1]);
    0.5 * twice.sum::<f64>().abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hull_as_scipy_gives_it() {
        // scipy.spatial.ConvexHull of these points: volume (area in the plane) 9.0, four corners.
        let mut points = [[0.0, 0.0], [3.0, 0.5], [1.0, 1.0], [3.0, 3.5], [2.0, 2.0], [0.0, 3.0]];
        let hull = convex_hull(&mut points);
        assert_eq!((hull.len(), polygon_area(&hull)), (4, 9.0));
        assert_eq!(polygon_area(&[]), 0.0);
    }
}
