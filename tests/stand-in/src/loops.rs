//! Samples prepared once and kept in files: making them takes longer than playing them may.
//!
//! A file holds one or more *parts* of equal length, each of which is played over and over: a head of [`HEAD`] bytes
//! with JSON, then the parts one after another, I and Q as 16-bit integers in the machine's own order, at such a scale
//! that their root mean square is [`RMS`]. A file appears whole or not at all, so processes can share a folder.

use std::fs::{self, File};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, Write};
use std::os::unix::fs::FileExt;
use std::path::Path;

use gainsay::capture::Sample;
use num_complex::Complex;
use serde::{Deserialize, Serialize};

const HEAD: u64 = 4096;
const RMS: f64 = 1000.0;
/// Bytes a sample.
const SAMPLE: u64 = 4;

/// What a file says of its contents.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Samples in each part.
    pub length: u64,
    pub parts: Vec<PartHead>,
    /// Turns a sample and amplitude of steady carriers, which need no samples.
    pub carriers: Vec<(f64, f64)>,
}

/// What a file says of one part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartHead {
    /// The transmitter's place in the scene; nothing of noise.
    pub transmitter: usize,
    /// Turns that a part's carrier makes in a sample: it runs on from one repetition to the next.
    pub carrier_turns: f64,
    /// What a count of 1 stands for.
    pub scale: f64,
}

/// A file of loops, open for playing.
pub struct Loops {
    file: File,
    pub head: Head,
}

/// A file's name for whatever its contents depend on.
pub fn name(kind: &str, depends_on: impl Hash) -> String {
    let mut hasher = DefaultHasher::new();
    depends_on.hash(&mut hasher);
    format!("{kind}-{:016x}.iq", hasher.finish())
}

impl Loops {
    /// The file of this name in `folder`; made by `make` where there is none.
    pub fn open(
        folder: &Path,
        name: &str,
        make: impl FnOnce(&mut Writer) -> io::Result<Head>,
    ) -> io::Result<Loops> {
        let path = folder.join(name);
        if !path.exists() {
            fs::create_dir_all(folder)?;
            let thread = std::thread::current().id();
            let partial = folder.join(format!("{name}.{}-{thread:?}", std::process::id()));
            let mut writer = Writer {
                file: io::BufWriter::new(File::create(&partial)?),
            };
            writer.file.write_all(&[0; HEAD as usize])?;
            let head = serde_json::to_vec(&make(&mut writer)?)?;
            let file = writer.file.into_inner()?;
            if head.len() > HEAD as usize {
                return Err(io::Error::other("too many parts in one tuning"));
            }
            file.write_all_at(&head, 0)?;
            fs::rename(&partial, &path)?;
        }
        let file = File::open(&path)?;
        let mut head = vec![0; HEAD as usize];
        file.read_exact_at(&mut head, 0)?;
        let end = head
            .iter()
            .position(|&byte| byte == 0)
            .unwrap_or(head.len());
        let head = serde_json::from_slice(&head[..end])?;
        Ok(Loops { file, head })
    }

    /// Adds a part's samples from `index` on to `into`, each times an amplitude that runs in a straight line over it.
    pub fn add(
        &self,
        part: usize,
        index: u64,
        (begins, ends): (f32, f32),
        raw: &mut Vec<i16>,
        into: &mut [Sample],
    ) -> io::Result<()> {
        let Head { length, parts, .. } = &self.head;
        let PartHead {
            carrier_turns,
            scale,
            ..
        } = parts[part];
        let step = (ends - begins) / into.len().max(1) as f32;
        let mut done = 0;
        while done < into.len() {
            let at = (index + done as u64) % length;
            let lap = (index + done as u64) / length;
            let take = (into.len() - done).min((length - at) as usize);
            raw.resize(2 * take, 0);
            let offset = HEAD + (part as u64 * length + at) * SAMPLE;
            self.file
                .read_exact_at(bytemuck::cast_slice_mut(raw), offset)?;
            // Whole turns are taken off before they are multiplied: laps are many.
            let turns = (carrier_turns * *length as f64).fract() * lap as f64;
            let turn = Complex::cis(std::f64::consts::TAU * turns.fract()) * scale;
            let turn = Sample::new(turn.re as f32, turn.im as f32);
            let pairs = raw.chunks_exact(2);
            for (n, (sum, pair)) in into[done..done + take].iter_mut().zip(pairs).enumerate() {
                let x = Sample::new(f32::from(pair[0]), f32::from(pair[1]));
                *sum += x * turn * (begins + step * (done + n) as f32);
            }
            done += take;
        }
        Ok(())
    }
}

/// Writes parts one after another.
pub struct Writer {
    file: io::BufWriter<File>,
}

impl Writer {
    /// What a count of 1 stands for in a part of which these are the samples, or the first of them.
    pub fn scale(samples: &[Sample]) -> f64 {
        let sum: f64 = samples.iter().map(|x| f64::from(x.norm_sqr())).sum();
        (sum / samples.len().max(1) as f64).sqrt().max(1e-30) / RMS
    }

    /// Adds samples to the file.
    pub fn add(&mut self, samples: &[Sample], scale: f64) -> io::Result<()> {
        let factor = (1.0 / scale) as f32;
        let counts: Vec<[i16; 2]> = samples
            .iter()
            .map(|x| {
                [
                    (x.re * factor).round() as i16,
                    (x.im * factor).round() as i16,
                ]
            })
            .collect();
        self.file.write_all(bytemuck::cast_slice(&counts))
    }
}
