//! Planes of values and what is done with them: reading between pixels, smoothing, halving, parts, hulls, matching.
//!
//! One plane type for all stages. The library `image` decodes, encodes and converts pictures; where a function here has a
//! counterpart in `image` or `imageproc`, its file says why it stays.

mod blur;
mod components;
mod correlate;
mod hull;
mod plane;
mod pyramid;
mod resample;
mod sample;

pub use components::{Part, Run, parts, runs_of};
pub use correlate::{Match, Template};
pub use hull::{convex_hull, polygon_area};
pub use plane::{Plane, catmull_rom};
pub use pyramid::{collapse, laplacian, most_levels};
pub use sample::bilinear;

/// Index of a place outside 0..n after mirroring about the first and last place, which are not repeated.
fn mirror(i: isize, n: usize) -> usize {
    let last = n as isize - 1;
    if last == 0 {
        return 0;
    }
    let folded = i.rem_euclid(2 * last);
    (if last < folded { 2 * last - folded } else { folded }) as usize
}
