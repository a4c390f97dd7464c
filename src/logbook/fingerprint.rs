//! What makes a take this one and no other.

use sha2::{Digest, Sha256};

use crate::reading::{Estimate, Take};

/// SHA-256 over antenna, spot, time, source and what was read in each channel.
///
/// It covers the fields that a take had from the first version on and must never cover more: then a take exported by
/// an older program is recognised by a newer one, and so is one made of the same samples again. The note is left out,
/// since it may be changed afterwards, and so is what later versions get out of the same samples besides: pilots,
/// identities, shapes, the receiver's health.
pub(super) fn fingerprint(take: &Take) -> [u8; 32] {
    let mut hash = Sha256::new();
    for text in [
        &take.antenna,
        &take.spot,
        &take.taken_at.to_string(),
        &take.source,
    ] {
        put_text(&mut hash, text);
    }
    for reading in &take.readings {
        put_text(&mut hash, &reading.channel.to_string());
        for value in [reading.low_hz, reading.high_hz, reading.covered] {
            put_number(&mut hash, value);
        }
        for estimate in [reading.power, reading.noise, reading.signal] {
            match estimate {
                None => hash.update([0]),
                Some(Estimate {
                    value,
                    standard_error,
                    degrees_of_freedom,
                }) => {
                    hash.update([1]);
                    for value in [value, standard_error, degrees_of_freedom] {
                        put_number(&mut hash, value);
                    }
                }
            }
        }
    }
    hash.finalize().into()
}

/// The length goes first: "ab" and "c" are not "a" and "bc".
fn put_text(hash: &mut Sha256, text: &str) {
    hash.update((text.len() as u64).to_le_bytes());
    hash.update(text);
}

fn put_number(hash: &mut Sha256, value: f64) {
    // −0 is kept as 0.
    hash.update((value + 0.0).to_le_bytes());
}
