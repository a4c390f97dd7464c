//! Strips of differences: a strip an antenna, channels along, all on one scale.

use super::DrawError;
use super::canvas::{Align, Canvas, GREY, GRID, INK, MUTED, SHADE};
use super::font::{Style, clean};
use super::mark::{self, A, B, Fill, Look, UNDECIDED, Way};
use super::merit::{HEADING, LEFT_PX, RIGHT_PX, TICK, bound};
use super::scale::{Scale, tick_label};
use crate::channels::ChannelId;
use crate::compare::{ChannelComparison, Verdict};

const NAME: Style = Style::bold(32.0);
const CHANNEL: Style = Style::bold(28.0);
/// Room for tick labels.
const PLOT_LEFT_PX: f64 = 124.0;
const STRIP_PX: f64 = 210.0;
/// A strip that stands alone is higher.
const ALONE_PX: f64 = 460.0;
/// Intervals widen the scale to so many times what the values need.
const WIDEST: f64 = 2.0;

/// One antenna's channels.
pub(super) struct Strip<'c> {
    pub(super) name: &'c str,
    pub(super) channels: &'c [ChannelComparison],
}

/// Draws strips below `top` and gives the place below.
pub(super) fn draw(
    canvas: &mut Canvas,
    heading: &str,
    strips: &[Strip],
    top: f64,
) -> Result<f64, DrawError> {
    let heading = HEADING.wrap(heading, RIGHT_PX - LEFT_PX, 2);
    let mut y = canvas.lines(&heading, HEADING, INK, LEFT_PX, top)? + 8.0;
    let channels = channels(strips);
    if channels.is_empty() {
        let said = "Nothing to draw: there are no channels.";
        return canvas.lines(&[said.into()], TICK, MUTED, LEFT_PX, y);
    }
    let slot_px = (RIGHT_PX - PLOT_LEFT_PX) / channels.len() as f64;
    let range = range(strips);
    let height = if strips.len() == 1 {
        ALONE_PX
    } else {
        STRIP_PX
    };
    for strip in strips {
        if !strip.name.is_empty() {
            let name = NAME.shorten(&clean(strip.name), RIGHT_PX - PLOT_LEFT_PX);
            y = canvas.lines(&[name], NAME, INK, PLOT_LEFT_PX, y + 4.0)?;
        }
        let across = Across {
            channels: &channels,
            slot_px,
            scale: Scale::new(range, (y + height - 16.0, y + 16.0)),
            ends: (y, y + height),
        };
        across.draw(canvas, strip)?;
        y += height + 12.0;
    }
    // As many channel numbers as there is room for.
    let widest = channels
        .iter()
        .map(|c| CHANNEL.width_px(&c.to_string()))
        .fold(0.0, f64::max);
    let every = ((widest + 14.0) / slot_px).ceil().max(1.0) as usize;
    for (n, channel) in channels.iter().enumerate().step_by(every) {
        let x = PLOT_LEFT_PX + (n as f64 + 0.5) * slot_px;
        let label = clean(&channel.to_string());
        canvas.text(&label, CHANNEL, INK, Align::Centre, (x, y + 36.0))?;
    }
    let word = (
        "channel",
        TICK,
        MUTED,
        Align::Right,
        (PLOT_LEFT_PX - 10.0, y + 36.0),
    );
    canvas.text(word.0, word.1, word.2, word.3, word.4)?;
    Ok(y + 46.0)
}

/// Every channel of any strip, ascending.
fn channels(strips: &[Strip]) -> Vec<ChannelId> {
    let mut all: Vec<&ChannelComparison> = Vec::new();
    for one in strips.iter().flat_map(|strip| strip.channels) {
        if !all.iter().any(|known| known.channel == one.channel) {
            all.push(one);
        }
    }
    all.sort_by(|one, two| one.low_hz.total_cmp(&two.low_hz));
    all.into_iter().map(|one| one.channel.clone()).collect()
}

/// Least and greatest value; intervals and bounds widen it, but a wild one must not flatten the rest.
fn range(strips: &[Strip]) -> (f64, f64) {
    let all = || strips.iter().flat_map(|strip| strip.channels);
    let finite = |db: &f64| db.is_finite();
    let (mut low, mut high) = (0.0f64, 0.0f64);
    for db in all().filter_map(|one| one.difference_db).filter(finite) {
        (low, high) = (low.min(db), high.max(db));
    }
    let span = (high - low).max(3.0);
    let (least, most) = (low - span * (WIDEST - 1.0), high + span * (WIDEST - 1.0));
    for db in all()
        .flat_map(|one| [one.low_db, one.high_db])
        .flatten()
        .filter(finite)
    {
        (low, high) = (low.min(db.max(least)), high.max(db.min(most)));
    }
    (low.min(-1.0), high.max(1.0))
}

struct Across<'s> {
    channels: &'s [ChannelId],
    slot_px: f64,
    scale: Scale,
    ends: (f64, f64),
}

impl Across<'_> {
    fn draw(&self, canvas: &mut Canvas, strip: &Strip) -> Result<(), DrawError> {
        let (top, bottom) = self.ends;
        for n in (1..self.channels.len()).step_by(2) {
            let x = PLOT_LEFT_PX + n as f64 * self.slot_px;
            canvas.rectangle((x, top), (x + self.slot_px, bottom), SHADE)?;
        }
        let ticks = self
            .scale
            .ticks((bottom, top), ((bottom - top) / 52.0) as usize);
        for &tick in &ticks {
            let y = self.scale.px(tick);
            canvas.line((PLOT_LEFT_PX, y), (RIGHT_PX, y), GRID, 2)?;
            let place = (PLOT_LEFT_PX - 10.0, y);
            canvas.text_centred(&tick_label(tick, &ticks), TICK, MUTED, Align::Right, place)?;
        }
        let zero = self.scale.px(0.0);
        canvas.line((PLOT_LEFT_PX, zero), (RIGHT_PX, zero), INK, 3)?;
        for one in strip.channels {
            if let Some(n) = self
                .channels
                .iter()
                .position(|channel| *channel == one.channel)
            {
                let x = PLOT_LEFT_PX + (n as f64 + 0.5) * self.slot_px;
                self.channel(canvas, one, x)?;
            }
        }
        Ok(())
    }

    fn channel(
        &self,
        canvas: &mut Canvas,
        one: &ChannelComparison,
        x: f64,
    ) -> Result<(), DrawError> {
        let (top, bottom) = self.ends;
        let radius = (0.26 * self.slot_px).clamp(7.0, 13.0).round();
        let (look, fill) = look(one.verdict);
        let px = |db: f64| self.scale.px(db).clamp(top + 4.0, bottom - 4.0);
        if one.verdict == Verdict::NotComparable {
            let zero = px(0.0);
            return canvas.line((x - radius, zero), (x + radius, zero), GREY, 8);
        }
        match (one.difference_db, one.low_db, one.high_db) {
            (Some(db), low, high) => {
                if let (Some(low), Some(high)) = (low, high) {
                    canvas.line((x, px(low)), (x, px(high)), look.colour, 4)?;
                    // An end beyond the scale has no cap.
                    for end in [low, high] {
                        let y = self.scale.px(end);
                        if (top..=bottom).contains(&y) {
                            canvas.line((x - radius, y), (x + radius, y), look.colour, 4)?;
                        }
                    }
                }
                mark::draw(canvas, (x, px(db)), radius, look, fill)
            }
            (None, Some(low), _) => bound(canvas, (x, px(low)), Way::Up, radius, look.colour),
            (None, None, Some(high)) => {
                bound(canvas, (x, px(high)), Way::Down, radius, look.colour)
            }
            (None, None, None) => Ok(()),
        }
    }
}

fn look(verdict: Verdict) -> (Look, Fill) {
    match verdict {
        Verdict::A => (A, Fill::Full),
        Verdict::B => (B, Fill::Full),
        Verdict::Undecided | Verdict::NotComparable => (UNDECIDED, Fill::Hollow),
    }
}
