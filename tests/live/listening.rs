//! `listen` with the real recogniser.
