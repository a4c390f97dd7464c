//! Recordings: SigMF (metadata and data), a raw 8-bit file, or raw 8-bit samples from a stream.
//!
//! Bytes are read in blocks and turned into samples on the way; memory does not grow with the recording's length. Where
//! the metadata carries `core:sha512`, the hash is taken along and a mismatch is an error at the end.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha512};

use super::bytes::to_samples;
use super::sigmf::{Datatype, Metadata, check_frequency, check_sample_rate};
use super::{About, CaptureError, Sample, Source, Tuning};
use crate::units::{Decibels, Hertz};

/// Bytes that are read at a time.
const BLOCK_BYTES: usize = 128 * 1024;

/// Floating-point samples beyond this are no samples: full scale is 1, and whole numbers of 32 bits passed on unscaled reach
/// 2^31. Their squares, summed over a segment, stay far within `f32`.
const LARGEST_RAIL: f32 = 1e10;

/// A stretch of the data file: how many bytes to pass over before it, then how many samples it has.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    tuning: Tuning,
    skip_bytes: u64,
}

/// A recording, read once from start to end.
pub struct Recording {
    about: About,
    path: PathBuf,
    input: Box<dyn Read + Send>,
    datatype: Datatype,
    stretches: std::vec::IntoIter<Stretch>,
    /// Samples left in the current tuning; `None` where only the input's end tells.
    left: Option<u64>,
    bytes: Vec<u8>,
    /// What of `bytes` has been read and not handed out; all of it belongs to the current tuning.
    unread: std::ops::Range<usize>,
    samples_read: u64,
    hash: Option<(Sha512, String)>,
    trailing: bool,
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording")
            .field("about", &self.about)
            .finish_non_exhaustive()
    }
}

impl Recording {
    /// Whether `path` looks like half of a SigMF recording, by its ending.
    pub fn is_sigmf(path: &Path) -> bool {
        matches!(
            path.extension().and_then(OsStr::to_str),
            Some("sigmf-meta" | "sigmf-data")
        )
    }

    /// Opens a SigMF recording by its metadata or its data file.
    ///
    /// # Errors
    /// When either file is missing or unreadable, the metadata can't be used, or it doesn't fit the data's length.
    pub fn open(path: &Path) -> Result<Recording, CaptureError> {
        let meta_path = path.with_extension("sigmf-meta");
        let meta = Metadata::read(&meta_path)?;
        let field = |field: String, problem: String| CaptureError::Field {
            path: meta_path.display().to_string(),
            field,
            problem,
        };
        let data_path = match &meta.dataset {
            None => path.with_extension("sigmf-data"),
            Some(name)
                if Path::new(name).file_name() == Some(OsStr::new(name))
                    && !name.contains(char::is_control) =>
            {
                meta_path.with_file_name(name)
            }
            Some(name) => {
                return Err(field(
                    "core:dataset".into(),
                    format!("{name:?} must be a file's name, without folders"),
                ));
            }
        };
        let (file, length) = open_file(&data_path).map_err(|error| match &meta.dataset {
            Some(_) => field("core:dataset".into(), error.to_string()),
            None => error,
        })?;
        let width = meta.datatype.bytes() as u64;
        let headers: u64 = meta
            .segments
            .iter()
            .fold(0, |sum, segment| sum.saturating_add(segment.header_bytes));
        let overhead = headers.saturating_add(meta.trailing_bytes);
        let Some(payload) = length.checked_sub(overhead) else {
            return Err(field(
                "core:header_bytes".into(),
                format!(
                    "headers and trailer of {overhead} bytes are more than the data's {length}"
                ),
            ));
        };
        if !payload.is_multiple_of(width) {
            return Err(CaptureError::unreadable(
                &data_path,
                format!(
                    "{payload} bytes are no whole number of {width}-byte samples: it was cut short; copy it again"
                ),
            ));
        }
        let total = payload / width;
        let mut stretches = Vec::with_capacity(meta.segments.len());
        for (index, segment) in meta.segments.iter().enumerate() {
            let start = segment.start - meta.offset;
            if start >= total {
                return Err(field(
                    format!("captures[{index}].core:sample_start"),
                    format!(
                        "{} lies beyond the end of {}, which holds {total} samples: the data was cut short or the \
                         metadata is another recording's",
                        segment.start,
                        data_path.display()
                    ),
                ));
            }
            let end = meta
                .segments
                .get(index + 1)
                .map_or(total, |next| next.start - meta.offset)
                .min(total);
            let before = if index == 0 { start * width } else { 0 };
            stretches.push(Stretch {
                tuning: Tuning {
                    centre: Hertz(segment.frequency_hz.unwrap_or_default()),
                    gain: segment.gain_db.map(Decibels),
                    taken_at: segment.taken_at,
                    samples: Some(end - start),
                },
                skip_bytes: before + segment.header_bytes,
            });
        }
        let hash = meta.sha512.map(|expected| (Sha512::new(), expected));
        let about = About {
            name: meta_path.display().to_string(),
            sample_rate: Hertz(meta.sample_rate_hz),
            step: meta.datatype.step(),
            antenna: meta.antenna,
            hardware: meta.hardware,
        };
        Ok(Recording::new(
            about,
            data_path,
            Box::new(file),
            meta.datatype,
            stretches,
            hash,
        ))
    }

    /// Whether a data file is there, is a file, may be read and is not empty.
    ///
    /// # Errors
    /// Where it is not so, in words.
    pub fn check(path: &Path) -> Result<(), CaptureError> {
        open_file(path).map(|_| ())
    }

    /// Opens a raw file of unsigned 8-bit I and Q at one tuning.
    ///
    /// # Errors
    /// When the file is missing, unreadable, empty or ends within a sample, or rate or frequency can't be.
    pub fn raw(path: &Path, sample_rate: Hertz, tuned: Hertz) -> Result<Recording, CaptureError> {
        let (file, length) = open_file(path)?;
        if !length.is_multiple_of(2) {
            return Err(CaptureError::unreadable(
                path,
                format!(
                    "{length} bytes are no whole number of 2-byte samples: it was cut short; copy it again"
                ),
            ));
        }
        Recording::untitled(path, Box::new(file), sample_rate, tuned, Some(length / 2))
    }

    /// Reads raw unsigned 8-bit I and Q from a stream until its end.
    ///
    /// # Errors
    /// When rate or frequency can't be.
    pub fn stream(
        name: &str,
        input: Box<dyn Read + Send>,
        sample_rate: Hertz,
        tuned: Hertz,
    ) -> Result<Recording, CaptureError> {
        Recording::untitled(Path::new(name), input, sample_rate, tuned, None)
    }

    fn untitled(
        path: &Path,
        input: Box<dyn Read + Send>,
        sample_rate: Hertz,
        tuned: Hertz,
        samples: Option<u64>,
    ) -> Result<Recording, CaptureError> {
        let name = path.display().to_string();
        let field = |field: &str, problem| CaptureError::Field {
            path: name.clone(),
            field: field.into(),
            problem,
        };
        check_sample_rate(sample_rate.0).map_err(|problem| field("--rate", problem))?;
        check_frequency(tuned.0).map_err(|problem| field("--tuned", problem))?;
        let datatype = Datatype::Cu8;
        let about = About {
            name: name.clone(),
            sample_rate,
            step: datatype.step(),
            antenna: None,
            hardware: None,
        };
        let tuning = Tuning {
            centre: tuned,
            gain: None,
            taken_at: None,
            samples,
        };
        let stretches = vec![Stretch {
            tuning,
            skip_bytes: 0,
        }];
        Ok(Recording::new(
            about,
            path.to_owned(),
            input,
            datatype,
            stretches,
            None,
        ))
    }

    fn new(
        about: About,
        path: PathBuf,
        input: Box<dyn Read + Send>,
        datatype: Datatype,
        stretches: Vec<Stretch>,
        hash: Option<(Sha512, String)>,
    ) -> Recording {
        Recording {
            about,
            path,
            input,
            datatype,
            stretches: stretches.into_iter(),
            left: Some(0),
            bytes: vec![0; BLOCK_BYTES],
            unread: 0..0,
            samples_read: 0,
            hash,
            trailing: true,
        }
    }

    /// Samples from here to the end over all tunings, where they are known.
    pub fn samples(&self) -> Option<u64> {
        self.stretches
            .as_slice()
            .iter()
            .map(|stretch| stretch.tuning.samples)
            .sum()
    }

    /// Reads once, behind what is unread, at most up to `bytes[end]`; 0 at the input's end.
    fn fill(&mut self, end: usize) -> Result<usize, CaptureError> {
        let from = self.unread.end;
        let got = loop {
            match self.input.read(&mut self.bytes[from..end]) {
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                other => break other.map_err(|error| CaptureError::io(&self.path, &error))?,
            }
        };
        if let Some((hash, _)) = &mut self.hash {
            hash.update(&self.bytes[from..from + got]);
        }
        Ok(got)
    }

    /// Drops what is unread, and `count` bytes behind it.
    fn pass_over(&mut self, mut count: u64) -> Result<(), CaptureError> {
        self.unread = 0..0;
        while count > 0 {
            let end = count.min(BLOCK_BYTES as u64) as usize;
            match self.fill(end)? {
                0 => return Err(self.ended_early()),
                got => count -= got as u64,
            }
        }
        Ok(())
    }

    /// Drops what is unread, and everything behind it.
    fn pass_over_all(&mut self) -> Result<(), CaptureError> {
        self.unread = 0..0;
        while self.fill(BLOCK_BYTES)? > 0 {}
        Ok(())
    }

    fn ended_early(&self) -> CaptureError {
        CaptureError::unreadable(
            &self.path,
            format!(
                "ended early, after {} samples: it was cut short while being read",
                self.samples_read
            ),
        )
    }

    /// Reads what lies behind the last capture and compares the hash.
    fn finish(&mut self) -> Result<(), CaptureError> {
        if !std::mem::take(&mut self.trailing) {
            return Ok(());
        }
        if self.samples_read == 0 {
            return Err(CaptureError::unreadable(
                &self.path,
                "holds no samples; nothing was recorded",
            ));
        }
        if self.hash.is_some() {
            self.pass_over_all()?;
        }
        if let Some((hash, expected)) = self.hash.take() {
            let found: String = hash
                .finalize()
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect();
            if !found.eq_ignore_ascii_case(expected.trim()) {
                return Err(CaptureError::Field {
                    path: self.about.name.clone(),
                    field: "core:sha512".into(),
                    problem: format!(
                        "is not the hash of {}: the data was cut short or changed since; copy it again, or remove the \
                         field if the change was meant",
                        self.path.display()
                    ),
                });
            }
        }
        Ok(())
    }
}

impl Source for Recording {
    fn about(&self) -> &About {
        &self.about
    }

    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError> {
        // What the caller left of the current tuning is passed over.
        match self.left {
            Some(left) => {
                let width = self.datatype.bytes() as u64;
                self.pass_over(left * width - self.unread.len() as u64)?;
            }
            None => self.pass_over_all()?,
        }
        self.left = Some(0);
        let Some(stretch) = self.stretches.next() else {
            self.finish()?;
            return Ok(None);
        };
        self.pass_over(stretch.skip_bytes)?;
        self.left = stretch.tuning.samples;
        Ok(Some(stretch.tuning))
    }

    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError> {
        let width = self.datatype.bytes();
        let left = self.left.unwrap_or(u64::MAX);
        let wanted = left.min(into.len() as u64) as usize;
        if wanted == 0 {
            return Ok(0);
        }
        if self.unread.len() < width {
            // A sample that is still incomplete goes to the front; at most this tuning's bytes follow it.
            self.bytes.copy_within(self.unread.clone(), 0);
            self.unread = 0..self.unread.len();
            let end = left.saturating_mul(width as u64).min(BLOCK_BYTES as u64) as usize;
            while self.unread.len() < width {
                match self.fill(end)? {
                    0 if self.left.is_some() => return Err(self.ended_early()),
                    0 if self.unread.is_empty() => {
                        self.left = Some(0);
                        return Ok(0);
                    }
                    0 => {
                        return Err(CaptureError::unreadable(
                            &self.path,
                            format!(
                                "ended within a sample, after {} whole ones: the number of bytes must be even",
                                self.samples_read
                            ),
                        ));
                    }
                    got => self.unread.end += got,
                }
            }
        }
        let count = wanted.min(self.unread.len() / width);
        let used = self.unread.start..self.unread.start + count * width;
        convert(self.datatype, &self.bytes[used.clone()], &mut into[..count]);
        if self.datatype == Datatype::Cf32Le
            && let Some(index) = into[..count]
                .iter()
                .position(|x| !(x.re.abs() <= LARGEST_RAIL && x.im.abs() <= LARGEST_RAIL))
        {
            return Err(CaptureError::unreadable(
                &self.path,
                format!(
                    "sample {} is {}, which is no finite number of any scale (full scale is 1); record it again",
                    self.samples_read + index as u64,
                    into[index]
                ),
            ));
        }
        self.unread.start = used.end;
        self.samples_read += count as u64;
        if let Some(left) = &mut self.left {
            *left -= count as u64;
        }
        Ok(count)
    }
}

/// Opens a data file and tells its length in bytes, which is not 0.
fn open_file(path: &Path) -> Result<(File, u64), CaptureError> {
    let about = fs::metadata(path).map_err(|error| CaptureError::io(path, &error))?;
    if about.is_dir() {
        return Err(CaptureError::unreadable(
            path,
            "is a folder; name the recording in it",
        ));
    }
    if about.len() == 0 {
        return Err(CaptureError::unreadable(
            path,
            "is empty; nothing was recorded",
        ));
    }
    let file = File::open(path).map_err(|error| CaptureError::io(path, &error))?;
    Ok((file, about.len()))
}

/// Turns the bytes of whole samples into samples; `into` has one place for each.
fn convert(datatype: Datatype, bytes: &[u8], into: &mut [Sample]) {
    match datatype {
        Datatype::Cu8 => to_samples(bytes, into),
        Datatype::Ci8 => {
            const SCALE: f32 = 1.0 / 127.5;
            for (x, b) in into.iter_mut().zip(bytes.as_chunks::<2>().0) {
                let rail = |byte: u8| (f32::from(byte.cast_signed()) + 0.5) * SCALE;
                *x = Sample::new(rail(b[0]), rail(b[1]));
            }
        }
        Datatype::Ci16Le => {
            const SCALE: f32 = 1.0 / 32768.0;
            for (x, b) in into.iter_mut().zip(bytes.as_chunks::<4>().0) {
                let rail = |low, high| f32::from(i16::from_le_bytes([low, high])) * SCALE;
                *x = Sample::new(rail(b[0], b[1]), rail(b[2], b[3]));
            }
        }
        Datatype::Cf32Le => {
            for (x, b) in into.iter_mut().zip(bytes.as_chunks::<8>().0) {
                let rail = |at: usize| f32::from_le_bytes([b[at], b[at + 1], b[at + 2], b[at + 3]]);
                *x = Sample::new(rail(0), rail(4));
            }
        }
    }
}
