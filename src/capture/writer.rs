//! Writes what a source hands out as a SigMF recording of unsigned 8-bit samples (`cu8`).
//!
//! A recording is two files, `NAME.sigmf-data` and `NAME.sigmf-meta`, with one capture segment a tuning. Both are written
//! under temporary names in the same folder and renamed when whole, the metadata last, so that a recording that can be
//! found is complete. Nothing is kept in memory but a block of samples and one entry a tuning.
//!
//! Where the antenna is known, the official `antenna` extension is declared and `antenna:model` holds its name. SigMF has
//! no field for a receiver's gain alone, so each segment's gain, where known, is in `gainsay:gain_db`, declared as an
//! optional extension.
//!
//! Source: SigMF specification 1.2.5 and its `antenna` extension 1.0.0.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde_json::{Map, Value, json};
use sha2::{Digest, Sha512};

use super::{About, CaptureError, Sample, Source, Tuning, bytes};

/// Version of the SigMF specification that the metadata follows.
const SIGMF_VERSION: &str = "1.2.5";
/// Samples written at a time.
const BLOCK: usize = 8192;

/// What to do where a recording of that name is there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IfThere {
    /// Leave it alone and fail.
    Refuse,
    /// Put the new one in its place, once it is whole.
    Replace,
}

/// What to say of a recording besides what its source says of itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Labels {
    /// What the recording is, in words.
    pub description: Option<String>,
    /// The antenna's name; the source's own where `None`.
    pub antenna: Option<String>,
    /// What made the recording; the source's own where `None`.
    pub hardware: Option<String>,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The samples' file.
    pub data: PathBuf,
    /// The metadata's file.
    pub meta: PathBuf,
    /// Tunings written.
    pub tunings: usize,
    /// Complex samples written.
    pub samples: u64,
    /// Samples that lay beyond full scale on a rail, and were clipped to it.
    pub clipped: u64,
}

/// Writes all tunings of `source` to `base` with `.sigmf-data` and `.sigmf-meta` added (one of these is taken off
/// first, so any of the three names will do).
///
/// Samples are rounded to 8 bits; from a source of 8 bits they come out unchanged.
///
/// # Errors
/// When the source fails, when a file can't be written, or when there is a recording of that name and `if_there` is
/// [`IfThere::Refuse`]. Nothing half written is left behind, and a recording that was there stays.
pub fn write_sigmf(
    source: &mut dyn Source,
    base: &Path,
    labels: &Labels,
    if_there: IfThere,
) -> Result<Written, CaptureError> {
    let mut recorder = Recorder::create(base, if_there)?;
    let mut samples = vec![Sample::default(); BLOCK];
    while let Some(tuning) = source.next_tuning()? {
        recorder.tuning(&tuning)?;
        loop {
            let count = source.read(&mut samples)?;
            if count == 0 {
                break;
            }
            recorder.samples(&samples[..count])?;
        }
    }
    recorder.finish(source.about(), labels)
}

/// A SigMF recording as it is written, tuning after tuning.
pub struct Recorder {
    partial_data: Partial,
    partial_meta: Partial,
    file: BufWriter<File>,
    hash: Sha512,
    captures: Vec<Value>,
    written: Written,
    gain_known: bool,
    block: Vec<u8>,
    /// How things stood where the present tuning began.
    before: Option<(Sha512, u64, u64)>,
}

impl Recorder {
    /// Begins a recording at `base`, as [`write_sigmf`] does.
    ///
    /// # Errors
    /// When a file can't be created, or there is a recording of that name and `if_there` is [`IfThere::Refuse`].
    pub fn create(base: &Path, if_there: IfThere) -> Result<Recorder, CaptureError> {
        let data = with_suffix(base, ".sigmf-data");
        let meta = with_suffix(base, ".sigmf-meta");
        if if_there == IfThere::Refuse {
            for path in [&data, &meta] {
                if path.exists() {
                    return Err(unwritable(
                        path,
                        "is there already: choose another name, or move it away",
                    ));
                }
            }
        }
        let (partial_data, partial_meta) = (Partial::beside(&data), Partial::beside(&meta));
        Ok(Recorder {
            file: create(&partial_data.path)?,
            partial_data,
            partial_meta,
            hash: Sha512::new(),
            captures: Vec::new(),
            written: Written {
                data,
                meta,
                tunings: 0,
                samples: 0,
                clipped: 0,
            },
            gain_known: false,
            block: vec![0; 2 * BLOCK],
            before: None,
        })
    }

    /// Begins a tuning.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn tuning(&mut self, tuning: &Tuning) -> Result<(), CaptureError> {
        let mut capture = Map::new();
        capture.insert("core:sample_start".into(), json!(self.written.samples));
        capture.insert("core:frequency".into(), json!(tuning.centre.0));
        if let Some(taken_at) = tuning.taken_at {
            capture.insert("core:datetime".into(), json!(taken_at.to_string()));
        }
        if let Some(gain) = tuning.gain {
            capture.insert("gainsay:gain_db".into(), json!(gain.0));
            self.gain_known = true;
        }
        self.captures.push(Value::Object(capture));
        self.written.tunings += 1;
        self.before = Some((
            self.hash.clone(),
            self.written.samples,
            self.written.clipped,
        ));
        Ok(())
    }

    /// Adds samples to the tuning.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn samples(&mut self, samples: &[Sample]) -> Result<(), CaptureError> {
        for samples in samples.chunks(BLOCK) {
            let block = &mut self.block[..2 * samples.len()];
            bytes::from_samples(samples, block);
            self.written.samples += samples.len() as u64;
            let clipped = samples.iter().filter(|x| beyond(x.re) || beyond(x.im));
            self.written.clipped += clipped.count() as u64;
            self.hash.update(&*block);
            self.file
                .write_all(block)
                .map_err(|error| cannot_write(&self.partial_data, &error))?;
        }
        Ok(())
    }

    /// Drops the tuning begun last, which failed.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn drop_tuning(&mut self) -> Result<(), CaptureError> {
        let Some((hash, samples, clipped)) = self.before.take() else {
            return Ok(());
        };
        self.hash = hash;
        self.written.samples = samples;
        self.written.clipped = clipped;
        self.written.tunings -= 1;
        self.captures.pop();
        let to = 2 * samples;
        self.file
            .seek(SeekFrom::Start(to))
            .and_then(|_| self.file.get_ref().set_len(to))
            .map_err(|error| cannot_write(&self.partial_data, &error))
    }

    /// Ends the recording: now it stands under its name.
    ///
    /// # Errors
    /// When a file can't be written.
    pub fn finish(self, about: &About, labels: &Labels) -> Result<Written, CaptureError> {
        let Recorder {
            partial_data,
            partial_meta,
            file,
            hash,
            captures,
            written,
            gain_known,
            ..
        } = self;
        file.into_inner()
            .map_err(std::io::IntoInnerError::into_error)
            .and_then(|file| file.sync_all())
            .map_err(|error| cannot_write(&partial_data, &error))?;
        let digest: String = hash
            .finalize()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        let text = metadata(about, labels, captures, &digest, gain_known);
        let mut file = create(&partial_meta.path)?;
        serde_json::to_writer_pretty(&mut file, &text)
            .map_err(std::io::Error::from)
            .and_then(|()| file.write_all(b"\n"))
            .and_then(|()| {
                file.into_inner()
                    .map_err(std::io::IntoInnerError::into_error)
            })
            .and_then(|file| file.sync_all())
            .map_err(|error| cannot_write(&partial_meta, &error))?;
        partial_data.rename(&written.data)?;
        partial_meta.rename(&written.meta)?;
        Ok(written)
    }
}

fn cannot_write(partial: &Partial, error: &std::io::Error) -> CaptureError {
    unwritable(&partial.path, &format!("can't be written: {error}"))
}

/// A source whose samples are recorded as they are read.
pub struct Recorded<'r> {
    /// Where they come from.
    pub source: &'r mut dyn Source,
    /// Where they are recorded.
    pub recorder: &'r mut Recorder,
}

impl Source for Recorded<'_> {
    fn about(&self) -> &About {
        self.source.about()
    }

    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError> {
        let tuning = self.source.next_tuning()?;
        if let Some(tuning) = &tuning {
            self.recorder.tuning(tuning)?;
        }
        Ok(tuning)
    }

    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError> {
        match self.source.read(into) {
            Ok(count) => {
                self.recorder.samples(&into[..count])?;
                Ok(count)
            }
            Err(error) => {
                self.recorder.drop_tuning()?;
                Err(error)
            }
        }
    }
}

/// Beyond what the outermost bytes stand for, by more than rounding.
fn beyond(rail: f32) -> bool {
    rail.abs() > 1.0 + 0.5 / 127.5
}

fn metadata(
    about: &About,
    labels: &Labels,
    captures: Vec<Value>,
    digest: &str,
    gain_known: bool,
) -> Value {
    let mut global = Map::new();
    let mut extensions = Vec::new();
    global.insert("core:datatype".into(), json!("cu8"));
    global.insert("core:sample_rate".into(), json!(about.sample_rate.0));
    global.insert("core:version".into(), json!(SIGMF_VERSION));
    global.insert("core:num_channels".into(), json!(1));
    global.insert("core:sha512".into(), json!(digest));
    global.insert(
        "core:recorder".into(),
        json!(concat!("gainsay ", env!("CARGO_PKG_VERSION"))),
    );
    if let Some(description) = &labels.description {
        global.insert("core:description".into(), json!(description));
    }
    if let Some(hardware) = labels.hardware.as_ref().or(about.hardware.as_ref()) {
        global.insert("core:hw".into(), json!(hardware));
    }
    if let Some(antenna) = labels.antenna.as_ref().or(about.antenna.as_ref()) {
        global.insert("antenna:model".into(), json!(antenna));
        extensions.push(json!({ "name": "antenna", "version": "1.0.0", "optional": true }));
    }
    if gain_known {
        extensions.push(json!({ "name": "gainsay", "version": "1.0.0", "optional": true }));
    }
    if !extensions.is_empty() {
        global.insert("core:extensions".into(), Value::Array(extensions));
    }
    json!({ "global": global, "captures": captures, "annotations": [] })
}

/// A file that is taken away again unless it is renamed to its final name.
struct Partial {
    path: PathBuf,
}

impl Partial {
    fn beside(path: &Path) -> Self {
        // The process's number keeps two recordings under way apart.
        Partial {
            path: with_suffix(path, &format!(".{}.partial", std::process::id())),
        }
    }

    fn rename(self, to: &Path) -> Result<(), CaptureError> {
        std::fs::rename(&self.path, to)
            .map_err(|error| unwritable(to, &format!("can't be put in place: {error}")))
    }
}

impl Drop for Partial {
    fn drop(&mut self) {
        // After a rename there is nothing left to remove, and where removing fails there is nothing to be done.
        let _ = std::fs::remove_file(&self.path);
    }
}

fn create(path: &Path) -> Result<BufWriter<File>, CaptureError> {
    let file = File::create(path)
        .map_err(|error| unwritable(path, &format!("can't be created: {error}")))?;
    Ok(BufWriter::new(file))
}

fn unwritable(path: &Path, problem: &str) -> CaptureError {
    CaptureError::Unwritable {
        path: path.display().to_string(),
        problem: problem.to_owned(),
    }
}

/// `base` without a SigMF suffix, then `suffix`; a name such as `take.2` keeps its dot.
fn with_suffix(base: &Path, suffix: &str) -> PathBuf {
    let mut name = base.as_os_str().to_owned();
    if suffix.starts_with(".sigmf")
        && matches!(
            base.extension().and_then(|e| e.to_str()),
            Some("sigmf-data" | "sigmf-meta")
        )
    {
        name = base.with_extension("").into_os_string();
    }
    name.push(suffix);
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_may_come_with_or_without_its_suffix() {
        for name in ["a/take.2", "a/take.2.sigmf-meta", "a/take.2.sigmf-data"] {
            assert_eq!(
                with_suffix(Path::new(name), ".sigmf-data"),
                Path::new("a/take.2.sigmf-data")
            );
        }
    }
}
