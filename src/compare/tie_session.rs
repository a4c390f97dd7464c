//! Sessions: takes that were made on one occasion, without long breaks.

use jiff::{SignedDuration, Timestamp};

use crate::reading::Take;

/// Takes of three antennas (A, B, the tie) made on one occasion.
pub(super) struct Session {
    pub from: Timestamp,
    pub to: Timestamp,
    takes: [Vec<Take>; 3],
}

impl Session {
    /// Whether the antenna at this place has takes in it.
    pub fn has(&self, place: usize) -> bool {
        !self.takes[place].is_empty()
    }

    /// Its takes in the order of time.
    pub fn takes(&self, place: usize) -> &[Take] {
        &self.takes[place]
    }

    /// The day or days.
    pub fn when(&self) -> String {
        let (from, to) = (day(self.from), day(self.to));
        if from == to {
            from
        } else {
            format!("{from} to {to}")
        }
    }
}

/// The sessions in the order of time: a new one begins where no take of any antenna was made for longer than `longest_break`.
pub(super) fn sessions(antennas: [&[Take]; 3], longest_break: SignedDuration) -> Vec<Session> {
    let mut all: Vec<(usize, &Take)> = (antennas.iter().enumerate())
        .flat_map(|(place, takes)| takes.iter().map(move |take| (place, take)))
        .collect();
    all.sort_by_key(|(_, take)| take.taken_at);
    let mut sessions: Vec<Session> = Vec::new();
    for (place, take) in all {
        let at = take.taken_at;
        match sessions.last_mut() {
            Some(session) if at.duration_since(session.to) <= longest_break => {
                session.to = at;
                session.takes[place].push(take.clone());
            }
            _ => {
                let mut session = Session {
                    from: at,
                    to: at,
                    takes: Default::default(),
                };
                session.takes[place].push(take.clone());
                sessions.push(session);
            }
        }
    }
    sessions
}

/// The day of a time, by Coordinated Universal Time, as the logbook shows it.
pub(super) fn day(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d").to_string()
}

/// The days of takes, each once, in the order of time; of many, the first and the last.
pub(super) fn days(takes: &[Take]) -> String {
    let mut days: Vec<String> = takes.iter().map(|take| day(take.taken_at)).collect();
    days.sort();
    days.dedup();
    match days.as_slice() {
        [first, .., last] if days.len() > 5 => {
            format!("{} days from {first} to {last}", days.len())
        }
        _ => days.join(", "),
    }
}
