//! Picture file -> [`Micrograph`]: decoding, orientation, scale, burnt-in text.

mod burnt_in;
mod error;
mod file;
mod integrity;
pub mod quality;
mod read;
mod scale_bar;
mod tags;
mod tiff_page;
mod wanted;

pub use error::ReadError;
pub use file::picture_bytes;
pub(crate) use file::{CHANGED_WHILE_READ, steady_bytes};
pub(crate) use read::{Decoded, Reading, decode_picture};
pub use read::{decode_micrograph, format_of, read_micrograph};
pub use scale_bar::{NoBar, ScaleBar, TakenFor, choose_scale_bar, find_scale_bar, scale_bar_at};

use crate::flag::Warning;
use crate::units::{Point, PxBox, Scale};

/// Grey values of a picture, `width × height`, row-major, 0 = black, 65535 = white, whatever the file's depth.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GreyPlane {
    width: u32,
    height: u32,
    values: Vec<u16>,
}

impl GreyPlane {
    /// A plane from its values, row-major; `None` when their number is not `width * height`.
    pub fn new(width: u32, height: u32, values: Vec<u16>) -> Option<Self> {
        (values.len() == width as usize * height as usize).then_some(Self { width, height, values })
    }

    /// A black plane.
    pub fn black(width: u32, height: u32) -> Self {
        Self { width, height, values: vec![0; width as usize * height as usize] }
    }

    /// Width in pixels.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> u32 {
        self.height
    }

    /// All values, row-major.
    pub fn values(&self) -> &[u16] {
        &self.values
    }

    /// Grey at a pixel, 0..1; places outside the picture take the nearest edge pixel.
    pub fn at(&self, x: i64, y: i64) -> f32 {
        let x = x.clamp(0, i64::from(self.width) - 1) as usize;
        let y = y.clamp(0, i64::from(self.height) - 1) as usize;
        f32::from(self.values[y * self.width as usize + x]) / 65535.0
    }

    /// Grey between pixels by bilinear interpolation, 0..1.
    pub fn bilinear(&self, p: Point) -> f32 {
        let size = (self.width as usize, self.height as usize);
        crate::raster::bilinear(size, (p.x, p.y), |i| [f32::from(self.values[i]) / 65535.0])[0]
    }

    /// Whether the point lies on the picture.
    pub fn contains(&self, p: Point) -> bool {
        -0.5 <= p.x && p.x < f64::from(self.width) - 0.5 && -0.5 <= p.y && p.y < f64::from(self.height) - 0.5
    }
}

/// One decoded picture with what is known about it.
#[derive(Debug, Clone)]
pub struct Micrograph {
    /// Grey values.
    pub grey: GreyPlane,
    /// 8-bit colour, when the picture has any.
    pub rgb: Option<image::RgbImage>,
    /// Scale, when known.
    pub scale: Option<Scale>,
    /// Burnt-in captions, information bars and scale bars: never fibre.
    pub burnt_in: Vec<PxBox>,
    /// What to know about this picture.
    pub warnings: Vec<Warning>,
}
