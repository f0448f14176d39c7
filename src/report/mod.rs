//! Results -> overlays, plots and one self-contained page.
//!
//! The page is made from saved tables, and from pictures where they can be reached: the original, or the overlay of the run.
//! Nothing here computes a result: what the tables do not hold is not on the page.

mod answer;
mod answer_load;
mod context;
mod face_picture;
mod gallery;
mod marks;
pub mod overlay;
mod page;
mod phrasing;
mod plot_capacity;
mod plot_carriers;
mod plot_control;
mod plot_ruler;
mod plot_shape;
mod plot_tips;
mod reviewed;
mod section_answer;
mod section_controls;
mod section_knot;
mod section_load;
mod section_method;
mod section_specimen;
mod sentence;
mod terminal;
mod thumbnails;
mod unseen;
mod view_model;
mod viewer;
mod warnings;
mod write;

pub use answer::answer;
pub use phrasing::counted;
pub use plot_control::control_chart_svg;
pub use terminal::terminal;
pub use write::{ReportError, ReportOptions, Written, report, write_report};
