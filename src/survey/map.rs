//! A smooth map of a level over a floor, from the places where it was measured.
