//! Sentences the grammar accepts.
