//! Spots ranked by what can be received there.
