//! The floor plans of `gainsay spots`: from a ranking to a figure.

use std::path::Path;

use gainsay::draw::{
    self, Floor, FloorCell, FloorMap, FloorMark, FloorNext, FloorPanel, FloorPlan, Svg,
};
use gainsay::survey::map::{Area, Map, MapError, NextPlace, Point};
use gainsay::survey::spots::{Ranking, Spot};

use super::Failure;

/// Cells of a map, about.
const CELLS: usize = 1800;
/// From the standard deviation to half of the 95 % interval.
const TO_HALF: f64 = 1.96;
/// Heights that differ by more are worth a word, in metres.
const SAME_HEIGHT_M: f64 = 0.3;

/// What is shown of each spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shown {
    /// Its weakest wanted channel.
    Weakest,
    /// The wanted channel of this number in the ranking.
    Channel(usize),
}

/// A spot's figure: margin, whether it is a bound, standard uncertainty and half width in dB.
struct Figure {
    margin_db: f64,
    is_bound: bool,
    standard_db: f64,
    half_db: f64,
}

impl Shown {
    fn figure(self, ranking: &Ranking, spot: &Spot) -> Option<Figure> {
        let channel = match self {
            Shown::Weakest => spot.channel(&spot.weakest.as_ref()?.channel)?,
            Shown::Channel(index) => spot.channel(&ranking.wanted[index])?,
        };
        let margin_db = channel.margin_db?;
        Some(Figure {
            margin_db,
            is_bound: channel.is_bound,
            standard_db: channel.standard_uncertainty_db?,
            half_db: channel.high_db? - margin_db,
        })
    }

    fn mark(self, ranking: &Ranking, spot: &Spot, at: (f64, f64)) -> FloorMark {
        let figure = self.figure(ranking, spot);
        let state = match self {
            Shown::Weakest => spot
                .weakest
                .as_ref()
                .and_then(|one| spot.channel(&one.channel)),
            Shown::Channel(index) => spot.channel(&ranking.wanted[index]),
        };
        FloorMark {
            name: spot.name.clone(),
            at,
            state: state.and_then(|one| one.state),
            value_db: figure.as_ref().map(|one| one.margin_db),
            is_bound: figure.as_ref().is_some_and(|one| one.is_bound),
            half_db: figure.as_ref().map(|one| one.half_db),
        }
    }

    fn words(self, ranking: &Ranking) -> String {
        match self {
            Shown::Weakest if ranking.wanted.len() > 1 => "weakest wanted channel".into(),
            Shown::Weakest => format!("channel {}", ranking.wanted[0]),
            Shown::Channel(index) => format!("channel {}", ranking.wanted[index]),
        }
    }
}

/// The spots that have a position, with it.
fn placed(ranking: &Ranking) -> Vec<(&Spot, (f64, f64))> {
    let place = |spot: &'_ Spot| spot.position.map(|at| (at.x_m, at.y_m));
    ranking
        .spots
        .iter()
        .filter_map(|spot| Some((spot, place(spot)?)))
        .collect()
}

/// The names of the spots without a position, for a message.
fn unplaced(ranking: &Ranking) -> Vec<String> {
    let without = ranking.spots.iter().filter(|spot| spot.position.is_none());
    without.map(|spot| format!("{:?}", spot.name)).collect()
}

/// A map of the spots, and what comes of it.
pub struct Mapped {
    map: Map,
    area: Area,
    /// The most promising place.
    pub next: Option<NextPlace>,
    /// What to bear in mind.
    pub remarks: Vec<String>,
}

/// The map of what is shown, as far as positions allow.
///
/// # Errors
/// The reason in words: [`MapError`].
pub fn mapped(ranking: &Ranking, plan: &FloorPlan, shown: Shown) -> Result<Mapped, MapError> {
    let placed = placed(ranking);
    let figures = placed.iter().filter_map(|(spot, at)| {
        let figure = shown.figure(ranking, spot)?;
        Some((spot, at, figure))
    });
    let mut bounds = Vec::new();
    let mut points = Vec::new();
    for (spot, at, figure) in figures {
        if figure.is_bound {
            bounds.push(spot.name.clone());
        }
        points.push(Point {
            x_m: at.0,
            y_m: at.1,
            value_db: figure.margin_db,
            standard_uncertainty_db: figure.standard_db,
        });
    }
    let map = Map::fit(&points)?;
    let area = area(plan, placed.iter().map(|(_, at)| *at));
    let next = map.next_place(&area.cells(CELLS).0);
    let mut remarks = Vec::new();
    if !bounds.is_empty() {
        remarks.push(format!(
            "In the map the bound stands for the value where nothing was found ({} spot(s)): it is lower there than drawn.",
            bounds.len()
        ));
    }
    let heights = placed
        .iter()
        .filter_map(|(spot, _)| spot.position?.height_m);
    let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), height| {
        (height.min(low), height.max(high))
    });
    if high - low > SAME_HEIGHT_M {
        remarks.push(format!(
            "The spots lie {low:.1} to {high:.1} m above the floor: the map passes over that, as if all were at one height."
        ));
    }
    Ok(Mapped {
        map,
        area,
        next,
        remarks,
    })
}

/// The floor within its outline, else the rectangle around plan or spots.
fn area(plan: &FloorPlan, places: impl Iterator<Item = (f64, f64)>) -> Area {
    let around = places.fold(plan.ends_m(), |ends, (x, y)| {
        let [l, b, r, t] = ends.unwrap_or([x, y, x, y]);
        Some([l.min(x), b.min(y), r.max(x), t.max(y)])
    });
    let outlines = if plan.outline.is_empty() {
        Vec::new()
    } else {
        plan.holes.iter().chain([&plan.outline]).cloned().collect()
    };
    Area {
        ends_m: around.unwrap_or([0.0; 4]),
        outlines,
    }
}

/// Spots that lie outside the plan's outline.
pub fn outside(ranking: &Ranking, plan: &FloorPlan) -> Vec<String> {
    if plan.outline.is_empty() {
        return Vec::new();
    }
    let area = area(plan, std::iter::empty());
    let placed = placed(ranking).into_iter();
    placed
        .filter(|(_, at)| !area.holds(*at))
        .map(|(spot, _)| spot.name.clone())
        .collect()
}

/// Reads the floor plan, if one is named.
pub fn plan(path: Option<&Path>) -> Result<FloorPlan, Failure> {
    path.map_or_else(
        || Ok(FloorPlan::default()),
        |path| FloorPlan::read(path).map_err(Failure::from),
    )
}

/// Draws one floor, with the map where there is one; small floors of all wanted channels where `each` is asked for.
pub fn figure(
    ranking: &Ranking,
    plan: &FloorPlan,
    shown: Shown,
    mapped: &Result<Mapped, MapError>,
    each: bool,
) -> Result<Svg, Failure> {
    let placed = placed(ranking);
    if placed.is_empty() {
        return Err(Failure::Failed(format!(
            "no spot has a position, so there is nothing to draw: take with --at X,Y at {}",
            unplaced(ranking).join(", ")
        )));
    }
    let marks = |shown: Shown| {
        placed
            .iter()
            .map(|(spot, at)| shown.mark(ranking, spot, *at))
            .collect()
    };
    if each {
        let panel = |(index, channel): (usize, &gainsay::channels::ChannelId)| FloorPanel {
            label: format!("channel {channel}"),
            marks: marks(Shown::Channel(index)),
        };
        let panels: Vec<FloorPanel> = ranking.wanted.iter().enumerate().map(panel).collect();
        let title = format!("{}: each wanted channel", ranking.antenna);
        return Ok(draw::floors(&title, plan, &panels)?);
    }
    let mut notes: Vec<String> = ranking.meaning.iter().take(2).cloned().collect();
    let absent = unplaced(ranking);
    if !absent.is_empty() {
        notes.push(format!(
            "Not drawn, for want of a position: {}.",
            absent.join(", ")
        ));
    }
    let (map, next) = match mapped {
        Ok(mapped) => {
            notes.extend(mapped.remarks.iter().cloned());
            let next = mapped.next.as_ref().map(|next| FloorNext {
                at: (next.x_m, next.y_m),
                reason: next.reason.clone(),
            });
            (Some(squares(mapped)), next)
        }
        Err(error) => {
            notes.push(format!("No map: {error}."));
            (None, None)
        }
    };
    let floor = Floor {
        title: format!("{}: {}", ranking.antenna, shown.words(ranking)),
        subtitle: format!(
            "Margin above the threshold: median over the takes at a spot; ± is the {:.0} % interval",
            ranking.confidence * 100.0
        ),
        plan,
        marks: marks(shown),
        map,
        next,
        notes,
    };
    Ok(draw::floor(&floor)?)
}

fn squares(mapped: &Mapped) -> FloorMap {
    let (places, cell_m) = mapped.area.cells(CELLS);
    let cells = mapped.map.at(&places).into_iter().zip(places);
    FloorMap {
        cells: cells
            .map(|(one, at)| FloorCell {
                at,
                value_db: one.mean_db,
                half_db: TO_HALF * one.standard_deviation_db,
            })
            .collect(),
        cell_m,
    }
}
