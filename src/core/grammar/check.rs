//! What can be wrong with a grammar that reads well: phrases that collide or can never match.
