//! Buffers that begin on a cache line.
//!
//! A vector of 64 bytes that straddles two lines is loaded and stored twice. An allocator hands out buffers at any
//! multiple of 16 bytes, so that every such access would straddle; aligned, the way from samples to spectrum takes a tenth
//! less time (`cargo bench --bench spectrum`).

use std::ops::{Deref, DerefMut};

use bytemuck::{Pod, Zeroable};

/// Floats in one cache line.
const FLOATS: usize = 16;

#[derive(Clone, Copy, Pod, Zeroable)]
#[repr(C, align(64))]
struct Line([f32; FLOATS]);

/// Zeroes at first, then what is written: so many values of a type that is made of floats.
pub(super) struct Aligned<T> {
    lines: Vec<Line>,
    length: usize,
    of: std::marker::PhantomData<T>,
}

impl<T: Pod> Aligned<T> {
    /// `length` zeroes.
    pub fn zeroes(length: usize) -> Self {
        let bytes = length * size_of::<T>();
        Aligned {
            lines: vec![Line([0.0; FLOATS]); bytes.div_ceil(size_of::<Line>())],
            length,
            of: std::marker::PhantomData,
        }
    }
}

impl<T: Pod> Deref for Aligned<T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &bytemuck::cast_slice(&self.lines)[..self.length]
    }
}

impl<T: Pod> DerefMut for Aligned<T> {
    fn deref_mut(&mut self) -> &mut [T] {
        &mut bytemuck::cast_slice_mut(&mut self.lines)[..self.length]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Sample;

    #[test]
    fn a_buffer_has_its_length_and_begins_on_a_line() {
        for length in [1, 7, 8, 9, 4096] {
            let mut buffer = Aligned::<Sample>::zeroes(length);
            assert_eq!(buffer.len(), length);
            assert_eq!(buffer.as_ptr() as usize % 64, 0);
            buffer[length - 1] = Sample::new(1.0, -1.0);
            assert_eq!(buffer[length - 1], Sample::new(1.0, -1.0));
            assert_eq!(Aligned::<f32>::zeroes(length).as_ptr() as usize % 64, 0);
        }
    }
}
