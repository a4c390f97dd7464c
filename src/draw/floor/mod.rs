//! A floor with spots on it: what can be received where, and how sure that is.

mod file;
mod ground;
mod labels;

use plotters::style::RGBColor;

pub use self::file::{FloorError, FloorImage, FloorPlan, Place};
use self::ground::View;
pub use self::ground::{FloorCell, FloorMap};
use self::labels::Taken;

use super::canvas::{Align, Canvas, GREY, GRID, INK, MUTED, VERMILION, figure};
use super::font::{Style, clean};
use super::legend::{self, Item, Sign};
use super::mark::{self, Arrow, Fill, Look, Shape, Way};
use super::scale::number;
use super::{DrawError, Svg};
use crate::reading::State;

const TITLE: Style = Style::bold(54.0);
const SUBTITLE: Style = Style::regular(34.0);
const HEADING: Style = Style::bold(36.0);
const NAME: Style = Style::bold(28.0);
const TEXT: Style = Style::regular(28.0);

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 1560.0;
/// A floor is drawn at most so high.
const MOST_PX: f64 = 1300.0;
/// The same for one of several.
const MOST_SMALL_PX: f64 = 420.0;
/// Spots that have no room for words are listed beneath, up to so many.
const LISTED: usize = 40;
/// The height of two lines of words beside a mark.
const TWO_LINES_PX: f64 = 72.0;
const ONE_LINE_PX: f64 = 36.0;

/// Marks of measured spots.
const SPOT: Look = Look {
    shape: Shape::Circle,
    colour: INK,
};
/// The place to try next.
const NEXT: Look = Look {
    shape: Shape::Diamond,
    colour: VERMILION,
};

/// A spot on the floor.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorMark {
    /// Its name.
    pub name: String,
    /// Where it is.
    pub at: Place,
    /// Its state, by the figure shown.
    pub state: Option<State>,
    /// The figure in dB.
    pub value_db: Option<f64>,
    /// Whether the figure is only an upper bound.
    pub is_bound: bool,
    /// Half the width of the figure's 95 % interval in dB.
    pub half_db: Option<f64>,
}

impl FloorMark {
    /// The figure in words: `9.0 ± 1.2 dB`, `≤ −20.1 dB`.
    fn figure(&self) -> String {
        let finite = |value: &f64| value.is_finite();
        match (self.value_db.filter(finite), self.half_db.filter(finite)) {
            (None, _) => "not measured".into(),
            (Some(value), _) if self.is_bound => format!("≤ {} dB", number(value, 1)),
            (Some(value), Some(half)) => format!("{} ± {} dB", number(value, 1), number(half, 1)),
            (Some(value), None) => format!("{} dB", number(value, 1)),
        }
    }

    fn is_placed(&self) -> bool {
        self.at.0.is_finite() && self.at.1.is_finite()
    }
}

/// A place to try next.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorNext {
    /// Where it is.
    pub at: Place,
    /// Why, in words.
    pub reason: String,
}

/// A floor with its spots.
#[derive(Debug, Clone, PartialEq)]
pub struct Floor<'a> {
    /// The figure's title.
    pub title: String,
    /// What the figures are.
    pub subtitle: String,
    /// The floor.
    pub plan: &'a FloorPlan,
    /// The spots, the most important first: where words have no room for all, these have them.
    pub marks: Vec<FloorMark>,
    /// A smooth map.
    pub map: Option<FloorMap>,
    /// A place to try next.
    pub next: Option<FloorNext>,
    /// Sentences beneath.
    pub notes: Vec<String>,
}

/// A floor of several, for one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorPanel {
    /// What stands above it.
    pub label: String,
    /// The spots.
    pub marks: Vec<FloorMark>,
}

/// Draws a floor to scale, each spot by the mark of its state, with its figure beside it.
///
/// # Errors
/// [`DrawError::Render`] only. Spots whose position is not finite are not drawn.
pub fn floor(floor: &Floor) -> Result<Svg, DrawError> {
    let marks: Vec<&FloorMark> = floor.marks.iter().filter(|mark| mark.is_placed()).collect();
    let next = floor.next.iter().map(|next| next.at);
    let ends = ground::ends(floor.plan, marks.iter().map(|mark| mark.at).chain(next));
    let mut drawn_view = None;
    let title = clean(&floor.title);
    let svg = figure(&title, |canvas| {
        let (height, view) = draw(canvas, &title, floor, &marks, ends)?;
        drawn_view = Some(view);
        Ok((height, description(floor)))
    })?;
    match drawn_view {
        Some(view) => Ok(Svg(ground::put_picture(
            &svg.0,
            floor.plan.image.as_ref(),
            &view,
        ))),
        None => Ok(svg),
    }
}

fn draw(
    canvas: &mut Canvas,
    title: &str,
    floor: &Floor,
    marks: &[&FloorMark],
    ends: [f64; 4],
) -> Result<(f64, View), DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let mut y = canvas.lines(&TITLE.wrap(title, width, 3), TITLE, INK, LEFT_PX, 34.0)?;
    canvas.heading_ends(y);
    let subtitle = SUBTITLE.wrap(&clean(&floor.subtitle), width, 3);
    y = canvas.lines(&subtitle, SUBTITLE, INK, LEFT_PX, y + 10.0)? + 20.0;
    let view = View::fit(ends, (LEFT_PX, RIGHT_PX), y, MOST_PX);
    let frame = view.frame();
    if let Some(map) = &floor.map {
        map.draw(canvas, &view)?;
    }
    ground::keep_place(canvas)?;
    ground::lines(canvas, floor.plan, &view, 4)?;
    let [left, top, right, bottom] = frame;
    canvas.outline(
        &[(left, top), (right, top), (right, bottom), (left, bottom)],
        GRID,
        2,
    )?;
    let radius = if marks.len() > 60 { 9.0 } else { 15.0 };
    let mut taken = Taken::new(frame);
    let around = |(x, y): (f64, f64), r: f64| [x - r, y - r, x + r, y + r];
    for mark in marks {
        taken.add(around(view.px(mark.at), radius + 4.0));
    }
    if let Some(next) = &floor.next {
        let place = view.px(next.at);
        taken.add(around(place, 24.0));
        if let Some(there) =
            taken.beside(place, 20.0, (NAME.width_px("try here") + 12.0, ONE_LINE_PX))
        {
            ground::plate(canvas, &there)?;
            let at = ((there[0] + there[2]) / 2.0, (there[1] + there[3]) / 2.0);
            canvas.text_centred("try here", NAME, VERMILION, Align::Centre, at)?;
        }
    }
    let unplaced = label(canvas, marks, &view, radius, &mut taken)?;
    ground::words(canvas, floor.plan, &view, &mut taken)?;
    for mark in marks {
        symbol(canvas, view.px(mark.at), radius, mark)?;
    }
    if let Some(next) = &floor.next {
        mark::draw(canvas, view.px(next.at), 18.0, NEXT, Fill::Hollow)?;
    }
    y = ground::scale_bar(canvas, &view, LEFT_PX, bottom + 16.0)?;
    y = legend::draw(
        canvas,
        &items(floor, marks),
        TEXT,
        (LEFT_PX, RIGHT_PX),
        y + 8.0,
    )? + 14.0;
    if let Some(map) = &floor.map {
        let words = "Colour: expected value between the spots; it fades where that is not known";
        y = map.scale(canvas, words, LEFT_PX, y)? + 10.0;
    }
    y = list(canvas, &unplaced, marks.len(), y)?;
    for note in notes(floor) {
        y = canvas.lines(&TEXT.wrap(&clean(&note), width, 4), TEXT, INK, LEFT_PX, y)? + 6.0;
    }
    Ok((y + 24.0, view))
}

fn notes(floor: &Floor) -> Vec<String> {
    let next = floor
        .next
        .iter()
        .map(|next| format!("Try next: {}.", next.reason));
    let nothing = floor
        .marks
        .is_empty()
        .then(|| "Nothing to draw: no spot has a position.".to_owned());
    next.chain(floor.notes.iter().cloned())
        .chain(nothing)
        .collect()
}

/// Writes name and figure beside each mark where there is room, else the figure, else a number. Gives those that have no more
/// than a number, with it, and those that have nothing, with 0.
fn label<'m>(
    canvas: &mut Canvas,
    marks: &[&'m FloorMark],
    view: &View,
    radius: f64,
    taken: &mut Taken,
) -> Result<Vec<(usize, &'m FloorMark)>, DrawError> {
    let (mut unplaced, mut number) = (Vec::new(), 1);
    for mark in marks {
        let place = view.px(mark.at);
        let (name, figure) = (NAME.shorten(&clean(&mark.name), 330.0), mark.figure());
        let width = NAME.width_px(&name).max(TEXT.width_px(&figure)) + 12.0;
        if let Some(there) = taken.beside(place, radius, (width, TWO_LINES_PX)) {
            ground::plate(canvas, &there)?;
            let x = there[0] + 6.0;
            canvas.text(&name, NAME, INK, Align::Left, (x, there[1] + 28.0))?;
            canvas.text(&figure, TEXT, INK, Align::Left, (x, there[1] + 62.0))?;
            continue;
        }
        let words = number.to_string();
        let size = (NAME.width_px(&words) + 8.0, ONE_LINE_PX - 2.0);
        let room = number <= LISTED;
        match taken.beside(place, radius - 4.0, size).filter(|_| room) {
            Some(there) => {
                ground::plate(canvas, &there)?;
                let at = ((there[0] + there[2]) / 2.0, (there[1] + there[3]) / 2.0);
                canvas.text_centred(&words, NAME, INK, Align::Centre, at)?;
                unplaced.push((number, *mark));
                number += 1;
            }
            None => unplaced.push((0, *mark)),
        }
    }
    Ok(unplaced)
}

/// The spots whose words stand here in two columns. Gives the place below.
fn list(
    canvas: &mut Canvas,
    unplaced: &[(usize, &FloorMark)],
    all: usize,
    top: f64,
) -> Result<f64, DrawError> {
    let numbered: Vec<_> = unplaced.iter().filter(|(number, _)| *number > 0).collect();
    let column_px = (RIGHT_PX - LEFT_PX) / 2.0;
    let mut y = top;
    for pair in numbered.chunks(2) {
        for (column, (number, mark)) in pair.iter().enumerate() {
            let (x, figure) = (LEFT_PX + column as f64 * column_px, mark.figure());
            let room = column_px - 110.0 - TEXT.width_px(&figure);
            canvas.text(&number.to_string(), NAME, INK, Align::Left, (x, y + 28.0))?;
            let name = TEXT.shorten(&clean(&mark.name), room);
            canvas.text(&name, TEXT, INK, Align::Left, (x + 56.0, y + 28.0))?;
            let place = (x + column_px - 40.0, y + 28.0);
            canvas.text(&figure, TEXT, INK, Align::Right, place)?;
        }
        y += 38.0;
    }
    let silent = unplaced.len() - numbered.len();
    if silent > 0 {
        let words = format!(
            "{silent} of {all} spots have no room for their figures here: the table has them."
        );
        y = canvas.lines(&[words], TEXT, MUTED, LEFT_PX, y + 4.0)? + 6.0;
    }
    Ok(y + 6.0)
}

/// The mark of a state: filled, half filled, hollow; an arrow down for nothing found, a dash for not measured.
fn symbol(
    canvas: &mut Canvas,
    (x, y): (f64, f64),
    radius: f64,
    spot: &FloorMark,
) -> Result<(), DrawError> {
    match spot.state {
        Some(State::Vacant) => {
            canvas.disc((x, y), radius + 3.0, super::canvas::WHITE)?;
            let arrow = Arrow::new(Way::Down, 2.0 * radius);
            mark::bound(canvas, (x, y - radius), 0.8 * radius, arrow, INK)
        }
        Some(state) => mark::draw(canvas, (x, y), radius, SPOT, Fill::of(Some(state))),
        None => {
            canvas.disc((x, y), radius + 1.0, super::canvas::WHITE)?;
            canvas.circle((x, y), radius, GREY, 2)?;
            canvas.line((x - 0.6 * radius, y), (x + 0.6 * radius, y), GREY, 4)
        }
    }
}

/// What the marks mean, as far as they are there.
fn items(floor: &Floor, marks: &[&FloorMark]) -> Vec<Item> {
    let mut items = states(marks);
    if floor.next.is_some() {
        items.push(Item::new(
            Sign::Mark(NEXT, Fill::Hollow),
            "place to try next",
        ));
    }
    items
}

fn states(marks: &[&FloorMark]) -> Vec<Item> {
    let has = |state: Option<State>| marks.iter().any(|mark| mark.state == state);
    let spot = |state, words| Item::new(Sign::Mark(SPOT, Fill::of(Some(state))), words);
    let arrow = |colour: RGBColor| Sign::Bound(Way::Down, colour);
    [
        (
            Some(State::Firm),
            spot(State::Firm, "firm (3 dB or more above the threshold)"),
        ),
        (
            Some(State::Brink),
            spot(State::Brink, "brink (less than 3 dB above)"),
        ),
        (Some(State::Trace), spot(State::Trace, "trace (below)")),
        (
            Some(State::Vacant),
            Item::new(arrow(INK), "vacant (nothing found; at most so much)"),
        ),
        (None, Item::new(Sign::Nothing, "not measured")),
    ]
    .into_iter()
    .filter(|(state, _)| has(*state))
    .map(|(_, item)| item)
    .collect()
}

fn description(floor: &Floor) -> String {
    let mut said = vec![format!("{}. {}.", floor.title, floor.subtitle)];
    for mark in &floor.marks {
        let state = mark.state.map_or("", State::word);
        said.push(format!(
            "{} at {}, {} m: {}{}{state}.",
            mark.name,
            number(mark.at.0, 2),
            number(mark.at.1, 2),
            mark.figure(),
            if state.is_empty() { "" } else { ", " }
        ));
    }
    if let Some(map) = &floor.map {
        let (low, high) = map.range();
        said.push(format!(
            "A map between the spots goes from {} to {} dB.",
            number(low, 1),
            number(high, 1)
        ));
    }
    if let Some(next) = &floor.next {
        said.push(format!(
            "Place to try next: {}, {} m.",
            number(next.at.0, 2),
            number(next.at.1, 2)
        ));
    }
    said.extend(notes(floor));
    said.join(" ")
}

/// Draws a small floor for each channel, marks only, all at one scale; the plan's lines without words and picture.
///
/// # Errors
/// [`DrawError::Render`] only.
pub fn floors(title: &str, plan: &FloorPlan, panels: &[FloorPanel]) -> Result<Svg, DrawError> {
    let title = clean(title);
    figure(&title, |canvas| {
        Ok((
            draw_small(canvas, &title, plan, panels)?,
            describe_small(&title, panels),
        ))
    })
}

fn draw_small(
    canvas: &mut Canvas,
    title: &str,
    plan: &FloorPlan,
    panels: &[FloorPanel],
) -> Result<f64, DrawError> {
    const GAP_PX: f64 = 36.0;
    let width = RIGHT_PX - LEFT_PX;
    let mut y = canvas.lines(&TITLE.wrap(title, width, 3), TITLE, INK, LEFT_PX, 34.0)? + 10.0;
    let says =
        "Margin above the threshold in dB: median over the takes at a spot; ± is the 95 % interval";
    y = canvas.lines(&TEXT.wrap(says, width, 2), TEXT, INK, LEFT_PX, y)? + 6.0;
    let all: Vec<&FloorMark> = panels
        .iter()
        .flat_map(|panel| &panel.marks)
        .filter(|mark| mark.is_placed())
        .collect();
    let ends = ground::ends(plan, all.iter().map(|mark| mark.at));
    y = legend::draw(canvas, &states(&all), TEXT, (LEFT_PX, RIGHT_PX), y)? + 20.0;
    let columns = match panels.len() {
        0..=1 => 1,
        2..=4 => 2,
        _ => 3,
    };
    let column_px = (width - GAP_PX * (columns as f64 - 1.0)) / columns as f64;
    let spots = panels
        .iter()
        .map(|panel| panel.marks.len())
        .max()
        .unwrap_or(0);
    let radius = if spots > 60 { 5.0 } else { 11.0 };
    for row in panels.chunks(columns) {
        let mut lowest = y;
        for (n, panel) in row.iter().enumerate() {
            let left = LEFT_PX + n as f64 * (column_px + GAP_PX);
            let words = summary(panel);
            let label = HEADING.shorten(
                &clean(&panel.label),
                column_px - TEXT.width_px(&words) - 20.0,
            );
            canvas.text(&label, HEADING, INK, Align::Left, (left, y + 36.0))?;
            canvas.text(
                &words,
                TEXT,
                INK,
                Align::Right,
                (left + column_px, y + 36.0),
            )?;
            let view = View::fit(ends, (left, left + column_px), y + 54.0, MOST_SMALL_PX);
            let [left, top, right, bottom] = view.frame();
            canvas.outline(
                &[(left, top), (right, top), (right, bottom), (left, bottom)],
                GRID,
                2,
            )?;
            ground::lines(canvas, plan, &view, 2)?;
            let marks = || panel.marks.iter().filter(|mark| mark.is_placed());
            let mut taken = Taken::new([left, top, right, bottom]);
            for mark in marks() {
                let (x, y) = view.px(mark.at);
                taken.add([x - radius, y - radius, x + radius, y + radius]);
                symbol(canvas, (x, y), radius, mark)?;
            }
            for mark in marks() {
                let words = mark.figure().replace(" dB", "");
                let size = (TEXT.width_px(&words) + 8.0, ONE_LINE_PX);
                // The table has those for which there is no room.
                if let Some(there) = taken.beside(view.px(mark.at), radius - 4.0, size) {
                    ground::plate(canvas, &there)?;
                    let place = (there[0] + 4.0, there[1] + 28.0);
                    canvas.text(&words, TEXT, INK, Align::Left, place)?;
                }
            }
            lowest = bottom;
        }
        y = lowest + 24.0;
    }
    if !all.is_empty() {
        let view = View::fit(ends, (LEFT_PX, LEFT_PX + column_px), y, MOST_SMALL_PX);
        y = ground::scale_bar(canvas, &view, LEFT_PX, y)?;
    } else {
        let words = "Nothing to draw: no spot has a position.";
        y = canvas.lines(&[words.into()], TEXT, INK, LEFT_PX, y)?;
    }
    Ok(y + 24.0)
}

/// How many of the spots are firm.
fn summary(panel: &FloorPanel) -> String {
    let firm = panel
        .marks
        .iter()
        .filter(|mark| mark.state == Some(State::Firm))
        .count();
    format!("{firm} of {} firm", panel.marks.len())
}

fn describe_small(title: &str, panels: &[FloorPanel]) -> String {
    let mut said = vec![format!("{title}.")];
    for panel in panels {
        let spots: Vec<String> = panel
            .marks
            .iter()
            .map(|mark| {
                format!(
                    "{} {}",
                    mark.name,
                    mark.state.map_or("not measured", State::word)
                )
            })
            .collect();
        said.push(format!("{}: {}.", panel.label, spots.join(", ")));
    }
    said.join(" ")
}

#[cfg(test)]
mod tests;
