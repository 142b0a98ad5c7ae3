//! One room a device: everything here touches the world, and hands values to `core`.

pub mod app;
pub mod capture;
pub mod clock;
pub mod config;
pub mod data;
pub mod disk;
pub mod encrypt;
pub mod journal;
pub mod live;
pub mod memory;
pub mod model;
pub mod recognise;
pub mod script;
pub mod segment;
#[cfg(feature = "mic")]
mod sound;
pub mod speak;
pub mod wav;
