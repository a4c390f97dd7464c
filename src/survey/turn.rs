//! A rotation: from takes at bearings to a pattern and its figures.
