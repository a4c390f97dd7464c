//! A floor plan in TOML: outline, walls, labels, and a picture to lie beneath.
//!
//! ```toml
//! width = 6.0                      # metres; x goes to the right
//! depth = 4.5                      # metres; y goes up, both from the lower left corner
//! outline = [[0, 0], [6, 0], [6, 4.5], [0, 4.5]]
//! holes = [[[2, 2], [3, 2], [3, 3], [2, 3]]]   # what is no floor: a shaft, a neighbour's room
//! walls = [[[2, 0], [2, 3]], [[4, 4.5], [4, 2], [5, 2]]]
//! image = "plan.png"               # PNG or JPEG, beside this file
//! metres_wide = 6.0                # what the picture's width is in metres
//! image_at = [0, 0]                # where its lower left corner lies
//!
//! [[label]]
//! text = "window"
//! at = [0.1, 4.4]
//! ```
//!
//! Every field may be left out; `extent = [left, lower, right, upper]` stands for `width` and `depth` where the corner isn't
//! 0, 0.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// No floor is longer than this, in metres.
const LONGEST_M: f64 = 10_000.0;
/// No plan's file is larger.
const MOST_BYTES: u64 = 1 << 20;
/// No picture's file is larger: it goes into the figure whole.
const MOST_IMAGE_BYTES: u64 = 8 << 20;
/// No picture has more pixels.
const MOST_PIXELS: u64 = 40_000_000;

/// What is wrong with a floor plan.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{path}: {problem}")]
pub struct FloorError {
    /// The file.
    pub path: String,
    /// What is wrong, with line and field where there are any, and what to do.
    pub problem: String,
}

/// A place in metres, right and up.
pub type Place = (f64, f64);

/// A floor to draw on, in metres: x to the right, y up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FloorPlan {
    /// Left, lower, right and upper end.
    pub extent: Option<[f64; 4]>,
    /// The edge of the floor, closed; empty where none is given.
    pub outline: Vec<Place>,
    /// What is no floor within it.
    pub holes: Vec<Vec<Place>>,
    /// Lines.
    pub walls: Vec<Vec<Place>>,
    /// Words and their places.
    pub labels: Vec<(String, Place)>,
    /// A picture beneath.
    pub image: Option<FloorImage>,
}

/// A picture of the floor.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorImage {
    /// `image/png` or `image/jpeg`.
    pub media_type: &'static str,
    /// The file's bytes.
    pub bytes: Vec<u8>,
    /// Its lower left corner.
    pub at: Place,
    /// Its width and height in metres.
    pub size_m: (f64, f64),
}

/// Two lengths; an array of another length is refused, which TOML's reader would cut.
#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(try_from = "Vec<f64>")]
struct Pair(f64, f64);

impl TryFrom<Vec<f64>> for Pair {
    type Error = String;

    fn try_from(lengths: Vec<f64>) -> Result<Pair, String> {
        match lengths[..] {
            [x, y] => Ok(Pair(x, y)),
            _ => Err(format!(
                "a place is [x, y], and this has {} numbers",
                lengths.len()
            )),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    width: Option<f64>,
    depth: Option<f64>,
    extent: Option<[f64; 4]>,
    #[serde(default)]
    outline: Vec<Pair>,
    #[serde(default)]
    holes: Vec<Vec<Pair>>,
    #[serde(default)]
    walls: Vec<Vec<Pair>>,
    #[serde(default)]
    label: Vec<Label>,
    image: Option<PathBuf>,
    metres_wide: Option<f64>,
    image_at: Option<Pair>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Label {
    text: String,
    at: Pair,
}

impl FloorPlan {
    /// Reads a plan, and its picture.
    ///
    /// # Errors
    /// [`FloorError`], which names the file, the line and the field.
    pub fn read(path: &Path) -> Result<FloorPlan, FloorError> {
        let error = |problem| FloorError {
            path: path.display().to_string(),
            problem,
        };
        let bytes = bytes(path, MOST_BYTES, "floor plan").map_err(error)?;
        let text = String::from_utf8(bytes)
            .map_err(|_| error("the floor plan is not UTF-8: save it as UTF-8".into()))?;
        FloorPlan::parse(&text, path.parent().unwrap_or(Path::new(""))).map_err(error)
    }

    /// The plan in `text`, its picture looked for in `folder`; an error says what is wrong.
    fn parse(text: &str, folder: &Path) -> Result<FloorPlan, String> {
        let file: File = toml::from_str(text).map_err(|error| on_line(text, &error))?;
        let mut plan = FloorPlan {
            extent: extent(&file)?,
            outline: places("outline", &file.outline, 3)?,
            holes: lines("holes", &file.holes, 3)?,
            walls: lines("walls", &file.walls, 2)?,
            ..FloorPlan::default()
        };
        if plan.outline.is_empty() && !plan.holes.is_empty() {
            return Err("holes need an outline to lie in: add outline = [[x, y], …]".into());
        }
        for label in &file.label {
            plan.labels
                .push((label.text.clone(), place("label.at", label.at)?));
        }
        plan.image = picture(&file, folder)?;
        Ok(plan)
    }

    /// Everything that the plan shows: left, lower, right and upper end; `None` where it shows nothing.
    pub fn ends_m(&self) -> Option<[f64; 4]> {
        let corners = self
            .extent
            .into_iter()
            .flat_map(|[l, b, r, t]| [(l, b), (r, t)]);
        let image = self.image.iter().flat_map(|image| {
            let (at, size) = (image.at, image.size_m);
            [at, (at.0 + size.0, at.1 + size.1)]
        });
        let lines = self.walls.iter().flatten().chain(&self.outline).copied();
        corners
            .chain(image)
            .chain(lines)
            .fold(None, |ends, (x, y)| {
                let [l, b, r, t] = ends.unwrap_or([x, y, x, y]);
                Some([l.min(x), b.min(y), r.max(x), t.max(y)])
            })
    }
}

/// The bytes of an ordinary file of this size at most.
fn bytes(path: &Path, most: u64, what: &str) -> Result<Vec<u8>, String> {
    let problem = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        _ => format!("the {what} can't be read: {error}"),
    };
    // Asked before opening, since opening a pipe would wait for its other end.
    let about = fs::metadata(path).map_err(problem)?;
    if !about.is_file() {
        return Err(format!(
            "this is no ordinary file: name the file of the {what}"
        ));
    }
    if about.len() > most {
        return Err(format!(
            "the file has {:.1} MiB, and a {what} may have {} MiB: make it smaller",
            about.len() as f64 / f64::from(1 << 20),
            most >> 20
        ));
    }
    fs::read(path).map_err(problem)
}

fn on_line(text: &str, error: &toml::de::Error) -> String {
    let message = error.message().trim().replace('\n', ", ");
    let Some(span) = error.span() else {
        return message;
    };
    let start = span.start.min(text.len());
    let line = text.as_bytes()[..start]
        .iter()
        .filter(|&&byte| byte == b'\n')
        .count();
    let shown: String = text
        .split('\n')
        .nth(line)
        .unwrap_or_default()
        .trim()
        .chars()
        .take(60)
        .collect();
    format!("line {} ({shown}): {message}", line + 1)
}

fn place(field: &str, Pair(x, y): Pair) -> Result<Place, String> {
    for value in [x, y] {
        if !(value.is_finite() && value.abs() <= LONGEST_M) {
            return Err(format!(
                "{field}: {value} is no length of a floor: give metres between −{LONGEST_M} and {LONGEST_M}"
            ));
        }
    }
    Ok((x, y))
}

fn places(field: &str, given: &[Pair], least: usize) -> Result<Vec<Place>, String> {
    if !given.is_empty() && given.len() < least {
        return Err(format!(
            "{field}: {} place(s) make no line here: give at least {least}, each as [x, y]",
            given.len()
        ));
    }
    given.iter().map(|&one| place(field, one)).collect()
}

fn lines(field: &str, given: &[Vec<Pair>], least: usize) -> Result<Vec<Vec<Place>>, String> {
    let line = |(index, line): (usize, &Vec<Pair>)| {
        places(&format!("{field}, number {}", index + 1), line, least)
    };
    given.iter().enumerate().map(line).collect()
}

fn extent(file: &File) -> Result<Option<[f64; 4]>, String> {
    let ends = match (file.extent, file.width, file.depth) {
        (Some(_), Some(_), _) | (Some(_), _, Some(_)) => {
            return Err("give extent, or width and depth, not both".into());
        }
        (Some(ends), None, None) => ends,
        (None, Some(width), Some(depth)) => [0.0, 0.0, width, depth],
        (None, None, None) => return Ok(None),
        (None, Some(_), None) => return Err("width needs a depth beside it".into()),
        (None, None, Some(_)) => return Err("depth needs a width beside it".into()),
    };
    place("extent", Pair(ends[0], ends[1]))?;
    place("extent", Pair(ends[2], ends[3]))?;
    if ends[0] >= ends[2] || ends[1] >= ends[3] {
        return Err(format!(
            "the floor has no size: it goes from {}, {} to {}, {} m",
            ends[0], ends[1], ends[2], ends[3]
        ));
    }
    Ok(Some(ends))
}

fn picture(file: &File, folder: &Path) -> Result<Option<FloorImage>, String> {
    let Some(name) = &file.image else {
        return match (file.metres_wide, file.image_at) {
            (None, None) => Ok(None),
            _ => Err("metres_wide and image_at go with an image: add image = \"plan.png\"".into()),
        };
    };
    let path = folder.join(name);
    let shown = path.display();
    let wide = file.metres_wide.ok_or(format!(
        "image = {name:?} needs metres_wide, the width of the whole picture in metres"
    ))?;
    if !(wide > 0.0 && wide <= LONGEST_M) {
        return Err(format!(
            "metres_wide: {wide} is no width of a picture in metres"
        ));
    }
    let bytes = bytes(&path, MOST_IMAGE_BYTES, "picture")
        .map_err(|problem| format!("image {shown}: {problem}"))?;
    let (media_type, width, height) = measure(&bytes).ok_or(format!(
        "image {shown}: neither a whole PNG nor a whole JPEG: save it as one of these"
    ))?;
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(format!(
            "image {shown}: {width} × {height} px are too many: make it smaller, 4000 px wide is plenty"
        ));
    }
    let at = place("image_at", file.image_at.unwrap_or_default())?;
    Ok(Some(FloorImage {
        media_type,
        bytes,
        at,
        size_m: (wide, wide * f64::from(height) / f64::from(width)),
    }))
}

/// Kind, width and height in px of a picture that has its beginning and its end.
fn measure(bytes: &[u8]) -> Option<(&'static str, u32, u32)> {
    let (kind, width, height) = png_size(bytes)
        .map(|(width, height)| ("image/png", width, height))
        .or_else(|| jpeg_size(bytes).map(|(width, height)| ("image/jpeg", width, height)))?;
    (width > 0 && height > 0).then_some((kind, width, height))
}

/// Width and height stand first in the first chunk, and the last chunk is IEND. Source: PNG specification, 11.2.1 and 5.6.
fn png_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let field = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    let whole = bytes.starts_with(b"\x89PNG\r\n\x1a\n")
        && bytes.get(12..16) == Some(b"IHDR")
        && bytes.windows(4).rev().take(64).any(|four| four == b"IEND");
    whole.then_some(())?;
    Some((field(16)?, field(20)?))
}

/// Height and width stand in the frame header: the markers FFC0 to FFCF without C4, C8 and CC. Source: ITU-T T.81, table B.1
/// and B.2.2.
fn jpeg_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let whole = bytes.starts_with(&[0xFF, 0xD8])
        && bytes
            .windows(2)
            .rev()
            .take(64)
            .any(|two| two == [0xFF, 0xD9]);
    whole.then_some(())?;
    let pair = |at: usize| {
        Some(u32::from(u16::from_be_bytes(
            bytes.get(at..at + 2)?.try_into().ok()?,
        )))
    };
    let mut at = 2;
    loop {
        let marker = *bytes.get(at + 1).filter(|_| bytes.get(at) == Some(&0xFF))?;
        match marker {
            0xFF => at += 1,
            0xC4 | 0xC8 | 0xCC => at += 2 + pair(at + 2)? as usize,
            0xC0..=0xCF => return Some((pair(at + 7)?, pair(at + 5)?)),
            _ => at += 2 + pair(at + 2)? as usize,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(text: &str) -> String {
        FloorPlan::parse(text, Path::new("/nowhere")).unwrap_err()
    }

    #[test]
    fn a_plan_is_read_with_all_its_parts() {
        let text = "extent = [-1, 0, 5, 4.5]\noutline = [[0, 0], [5, 0], [5, 4]]\nwalls = [[[2, 0], [2, 3]]]\n\
                    [[label]]\ntext = \"window\"\nat = [-1, 4]\n";
        let plan = FloorPlan::parse(text, Path::new("")).unwrap();
        assert_eq!(plan.ends_m(), Some([-1.0, 0.0, 5.0, 4.5]));
        assert_eq!((plan.outline.len(), plan.walls.len()), (3, 1));
        assert_eq!(plan.labels, [("window".to_owned(), (-1.0, 4.0))]);
        assert_eq!(FloorPlan::parse("", Path::new("")).unwrap().ends_m(), None);
    }

    #[test]
    fn what_is_wrong_is_said_with_line_and_field() {
        for (text, says) in [
            ("width = 3\ndepht = 4\n", ["line 2", "depht"]),
            ("width = \"wide\"\n", ["line 1", "wide"]),
            ("width = 3\n", ["width", "depth"]),
            ("width = -3\ndepth = 2\n", ["no size", "-3"]),
            ("outline = [[0, 0], [1, 1]]\n", ["outline", "at least 3"]),
            (
                "walls = [[[0, 0], [1, 1]], [[2, 2]]]\n",
                ["walls, number 2", "at least 2"],
            ),
            ("outline = [[0, 0], [1, 1], [nan, 2]]\n", ["outline", "NaN"]),
            (
                "outline = [[0, 0], [1, 1], [1, 2, 3]]\n",
                ["line 1", "3 numbers"],
            ),
            ("image = \"plan.png\"\n", ["plan.png", "metres_wide"]),
            (
                "image = \"plan.png\"\nmetres_wide = 5\n",
                ["plan.png", "no such file"],
            ),
            ("metres_wide = 5\n", ["metres_wide", "image ="]),
            ("width = 3\nwidth = 4\n", ["line 2", "duplicate"]),
        ] {
            let message = refusal(text);
            assert!(
                says.iter().all(|word| message.contains(word)),
                "{text}: {message}"
            );
        }
    }

    #[test]
    fn a_picture_is_measured_or_refused() {
        let folder = tempfile::tempdir().unwrap();
        let png = resvg::tiny_skia::Pixmap::new(40, 30)
            .unwrap()
            .encode_png()
            .unwrap();
        fs::write(folder.path().join("plan.png"), &png).unwrap();
        fs::write(folder.path().join("cut.png"), &png[..png.len() - 12]).unwrap();
        fs::write(folder.path().join("text.png"), "no picture").unwrap();
        let of = |name: &str| {
            let text = format!("image = \"{name}\"\nmetres_wide = 8\nimage_at = [1, -1]\n");
            FloorPlan::parse(&text, folder.path())
        };
        let plan = of("plan.png").unwrap();
        let image = plan.image.as_ref().unwrap();
        assert_eq!((image.size_m, image.media_type), ((8.0, 6.0), "image/png"));
        assert_eq!(plan.ends_m(), Some([1.0, -1.0, 9.0, 5.0]));
        for name in ["cut.png", "text.png"] {
            let message = of(name).unwrap_err();
            assert!(
                message.contains(name) && message.contains("PNG"),
                "{message}"
            );
        }
        let large = fs::File::create(folder.path().join("large.png")).unwrap();
        large.set_len(MOST_IMAGE_BYTES + 1).unwrap();
        assert!(of("large.png").unwrap_err().contains("8 MiB"));
    }

    #[test]
    fn a_jpeg_s_size_stands_in_its_frame_header() {
        // Start, an application segment, a frame of 48 lines by 64, end.
        let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 4, 1, 2];
        bytes.extend([
            0xFF, 0xC0, 0, 11, 8, 0, 48, 0, 64, 1, 1, 0x11, 0, 0xFF, 0xD9,
        ]);
        assert_eq!(measure(&bytes), Some(("image/jpeg", 64, 48)));
        assert_eq!(measure(&bytes[..12]), None);
    }
}
