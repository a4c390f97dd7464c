//! What to bear in mind with a ranking, and with each of its spots.

use super::cell::Margin;
use super::meaning::{counted, db, names};
use super::table::by_spot;
use super::{Options, Ranking, Spot, SpreadBasis};
use crate::channels::ChannelId;
use crate::reading::Take;
use crate::statistics::median;

/// Takes of one spot further apart than this are hardly one spot.
const ONE_SPOT_M: f64 = 1.0;
/// Noise figures that differ by more than this between spots are worth a word.
const NOISE_DB: f64 = 1.0;

/// The remarks on the whole; each spot's own are put into it.
pub(super) fn of(ranking: &Ranking, takes: &[Take], options: &Options) -> Vec<String> {
    let mut remarks = Vec::new();
    remarks.extend(assumed(ranking, options));
    remarks.extend(left_out(ranking));
    remarks.extend(revisits(ranking, takes));
    remarks.extend(noise(ranking, takes));
    remarks.extend(far_apart(takes));
    remarks
}

/// A spot's own remarks.
pub(super) fn of_spot(spot: &Spot) -> Vec<String> {
    let mut remarks = Vec::new();
    if spot.weak {
        remarks.push("weak: spread assumed".into());
    }
    let own: Vec<String> = spot
        .channels
        .iter()
        .filter(|one| one.own_spread)
        .map(|one| one.channel.to_string())
        .collect();
    if !own.is_empty() {
        remarks.push(format!(
            "spreads far more than other spots on {}",
            names(&own)
        ));
    }
    let absent = spot.channels.iter().filter_map(|one| {
        let reason = one.reason.as_ref()?;
        Some(format!("{} not measured: {reason}", one.channel))
    });
    remarks.extend(absent.take(2));
    if spot.not_measured > 2 {
        remarks.push(format!("{} more not measured", spot.not_measured - 2));
    }
    remarks
}

fn assumed(ranking: &Ranking, options: &Options) -> Option<String> {
    let assumed: Vec<String> = ranking
        .spreads
        .iter()
        .filter(|one| one.basis == SpreadBasis::Assumed)
        .map(|one| one.channel.to_string())
        .collect();
    if assumed.is_empty() {
        return None;
    }
    let on = if assumed.len() == ranking.spreads.len() {
        String::new()
    } else {
        format!(" on {}", names(&assumed))
    };
    Some(format!(
        "Weak{on}: too few spots have several takes, so that a spread of {} from place to place is assumed, which is no \
         measurement. Take each spot several times, a few centimetres apart: five is good.",
        db(options.spread_db)
    ))
}

fn left_out(ranking: &Ranking) -> Vec<String> {
    let sentence = |one: &super::LeftOut| {
        format!(
            "Channel {} is left out of the ranking: {}.",
            one.channel, one.reason
        )
    };
    ranking.left_out.iter().map(sentence).collect()
}

/// One stay at a spot: takes with none at another spot between them.
struct Visit<'t> {
    spot: &'t str,
    takes: Vec<&'t Take>,
}

fn visits(takes: &[Take]) -> Vec<Visit<'_>> {
    let mut ordered: Vec<&Take> = takes.iter().collect();
    ordered.sort_by_key(|take| take.taken_at);
    let mut visits: Vec<Visit> = Vec::new();
    for take in ordered {
        match visits.last_mut().filter(|visit| visit.spot == take.spot) {
            Some(visit) => visit.takes.push(take),
            None => visits.push(Visit {
                spot: &take.spot,
                takes: vec![take],
            }),
        }
    }
    visits
}

/// How well spots repeated that were visited again, or that none was.
fn revisits(ranking: &Ranking, takes: &[Take]) -> Vec<String> {
    if ranking.spots.len() < 2 {
        return Vec::new();
    }
    let visits = visits(takes);
    let mut sentences = Vec::new();
    for spot in &ranking.spots {
        let mut here = visits.iter().filter(|visit| visit.spot == spot.name);
        let (Some(first), Some(last)) = (here.next(), here.next_back()) else {
            continue;
        };
        let changes: Vec<(f64, &ChannelId)> = ranking
            .wanted
            .iter()
            .filter_map(|channel| Some((level(last, channel)? - level(first, channel)?, channel)))
            .collect();
        let sizes: Vec<f64> = changes.iter().map(|(change, _)| change.abs()).collect();
        let largest = changes
            .iter()
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        if let (Some(usual), Some((most, channel))) = (median(&sizes), largest) {
            let apart = last.takes[0]
                .taken_at
                .duration_since(first.takes[0].taken_at);
            sentences.push(format!(
                "{} was visited again after {}: the wanted channels differ by {} in the middle, at most by {} (channel {channel}).",
                spot.name,
                minutes(apart.as_secs_f64() / 60.0),
                db(usual),
                db(*most)
            ));
        }
    }
    if sentences.len() > 3 {
        let rest = sentences.len() - 3;
        sentences.truncate(3);
        sentences.push(format!(
            "{} more were visited again.",
            counted(rest, "spot")
        ));
    }
    if sentences.is_empty() {
        sentences.push(
            "No spot was visited again, so what drifted between the first spot and the last isn't known: end with a take \
             where you began."
                .into(),
        );
    }
    sentences
}

/// Median margin of a visit.
fn level(visit: &Visit, channel: &ChannelId) -> Option<f64> {
    let readings = visit.takes.iter().flat_map(|take| &take.readings);
    let margins: Vec<f64> = readings
        .filter(|reading| reading.channel.matches(channel))
        .filter_map(|reading| Margin::of(reading).ok())
        .filter(|margin| !margin.is_bound)
        .map(|margin| margin.db)
        .collect();
    median(&margins)
}

fn minutes(minutes: f64) -> String {
    if minutes < 90.0 {
        format!("{minutes:.0} min")
    } else if minutes < 48.0 * 60.0 {
        format!("{:.1} h", minutes / 60.0)
    } else {
        format!("{:.0} days", minutes / 60.0 / 24.0)
    }
}

/// Spots between whose takes the receiver's noise differs.
fn noise(ranking: &Ranking, takes: &[Take]) -> Option<String> {
    let spots = by_spot(takes);
    let floors = spots.iter().filter_map(|(spot, takes)| {
        let floors: Vec<f64> = takes
            .iter()
            .filter_map(|take| floor(take, &ranking.wanted))
            .collect();
        median(&floors).map(|floor| (floor, *spot))
    });
    let floors: Vec<(f64, &str)> = floors.collect();
    let lowest = floors.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let highest = floors.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let apart = highest.0 - lowest.0;
    (apart > NOISE_DB).then(|| {
        format!(
            "The noise was {} higher at {} than at {} (gain allowed for where it is known): margins are C/N and are compared \
             all the same, but part of the difference may be the receiver's or the household's noise, not the place.",
            db(apart),
            highest.1,
            lowest.1
        )
    })
}

/// Median noise over the wanted channels, in dB against full scale, less the gain.
fn floor(take: &Take, wanted: &[ChannelId]) -> Option<f64> {
    let floors: Vec<f64> = take
        .readings
        .iter()
        .filter(|reading| wanted.iter().any(|one| one.matches(&reading.channel)))
        .filter_map(|reading| {
            let centre = (reading.low_hz + reading.high_hz) / 2.0;
            let apart = |tuning: &(f64, f64)| (tuning.0 - centre).abs();
            let gains = take.settings.gains_db.iter();
            let nearest = gains.min_by(|a, b| apart(a).total_cmp(&apart(b)));
            Some(reading.noise_dbfs()? - nearest.map_or(0.0, |tuning| tuning.1))
        })
        .collect();
    median(&floors)
}

fn far_apart(takes: &[Take]) -> Vec<String> {
    let mut sentences = Vec::new();
    for (spot, takes) in by_spot(takes) {
        let positions: Vec<_> = takes.iter().filter_map(|take| take.position).collect();
        let farthest = positions
            .iter()
            .flat_map(|one| {
                let apart = |other: &crate::reading::Position| {
                    (one.x_m - other.x_m).hypot(one.y_m - other.y_m)
                };
                positions.iter().map(apart)
            })
            .fold(0.0, f64::max);
        if farthest > ONE_SPOT_M {
            sentences.push(format!(
                "Takes at {spot} lie up to {farthest:.1} m apart: their spread is then that of several places."
            ));
        }
    }
    sentences
}
