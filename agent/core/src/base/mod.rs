//! What every other module may use: time, chance, the writing of figures, errors in files, labels, placements and
//! cautions.

pub mod caution;
pub mod figure;
pub mod labels;
pub mod placement;
pub mod rng;
pub mod time;
pub mod toml;
