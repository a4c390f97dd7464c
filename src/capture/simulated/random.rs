//! Random numbers by seed, purpose and stream, so that nothing that happens in one place shifts what happens in another.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What random numbers are for; numbers for one purpose are independent of those for another.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    /// Symbols of a transmitter; the stream is the transmitter's place in the scene.
    Data = 1,
    /// Fading of a transmitter.
    Fading = 2,
    /// The receiver's noise; the stream is the tuning's place in the take.
    Noise = 3,
    /// How well a connector was pushed home; one number a take.
    Mating = 4,
    /// The waves that come back from the room; the stream is the transmitter's place in the scene.
    Standing = 5,
}

/// The generator for `purpose` and `stream` under `seed`.
pub(super) fn generator(seed: u64, purpose: Purpose, stream: u64) -> ChaCha8Rng {
    let mut key = [0u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    key[8] = purpose as u8;
    let mut random = ChaCha8Rng::from_seed(key);
    random.set_stream(stream);
    random
}
