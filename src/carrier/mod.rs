//! Measured ends of one picture -> carriers.
//!
//! Two ends belong together the more, the closer their tips lie across the line, the more alike their shafts run, the fewer
//! other ends and the narrower the gaps between them, the better each lies in the other's cut plane, and the more alike
//! their dye. These add up to the log odds of a pair ([`pairs`]); groups grow as long as the mean log odds between them
//! favour it ([`linkage`]). Labels play no part: grouping by label would make carriers look more alike inside than they are.

// What grouping looks at.
mod input;

// Shafts -> what speaks for and against each pair.
pub mod pairs;

// Evidence -> log odds.
mod weights;

// Log odds of pairs -> groups.
pub mod linkage;

// Pairs of known carriers -> weights.
pub mod learn;

// Ends -> carriers.
mod group;

// Straight edges -> the plane that cut them.
pub mod cut_plane;

// An end against the others of its carrier.
mod company;

pub use company::set_features;
pub use group::{group, group_inputs};
pub use input::{CarrierInput, View, edge_direction_deg};
pub use weights::PairWeights;
