//! What every other module may use: time, chance, how figures are written, labels, placements and cautions.

pub mod caution;
pub mod figure;
pub mod labels;
pub mod placement;
pub mod rng;
pub mod time;
