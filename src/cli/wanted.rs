//! The channels that a household wants: given once, kept in the logbook, and used from then on.

use gainsay::channels::{ChannelId, Plan};
use gainsay::logbook::Logbook;

use super::{Failure, output};

/// The channels wanted, and in words whose list it is.
pub struct Wanted {
    /// The list; `None` for every channel in which a take found a signal.
    pub channels: Option<Vec<ChannelId>>,
    /// Whose list it is, in words.
    pub whose: &'static str,
    /// What to keep in the logbook in the place of what is there, once it has served.
    keep: Option<Option<String>>,
}

impl Wanted {
    /// What `--want` says; else the list that was kept for this plan, where there is a logbook.
    pub fn of(
        choice: Option<&str>,
        logbook: Option<&Logbook>,
        plan: &str,
    ) -> Result<Wanted, Failure> {
        let every = Wanted {
            channels: None,
            whose: "every channel in which a take found a signal; give your own list with --want",
            keep: None,
        };
        match choice.map(str::trim) {
            Some(all) if all.eq_ignore_ascii_case("all") => {
                let keep = Some(None);
                Ok(Wanted { keep, ..every })
            }
            Some(choice) => {
                let channels = chosen(choice, plan)
                    .map_err(|problem| Failure::usage(format!("--want: {problem}")))?;
                Ok(Wanted {
                    channels: Some(channels),
                    whose: "your list, kept in the logbook",
                    keep: Some(Some(choice.to_owned())),
                })
            }
            None => Ok(match logbook {
                None => every,
                Some(logbook) => kept(logbook, plan)?.map_or(every, |channels| Wanted {
                    channels: Some(channels),
                    whose: "your list, from the logbook; change it with --want, forget it with --want all",
                    keep: None,
                }),
            }),
        }
    }

    /// Keeps the list, where it is a new one; a logbook that can only be read still serves.
    pub fn keep(&self, logbook: &mut Logbook, plan: &str) {
        let Some(list) = &self.keep else { return };
        if let Err(error) = logbook.set_setting(&key(plan), list.as_deref()) {
            output::remark(&format!(
                "the list of wanted channels was not kept: {error}"
            ));
        }
    }
}

/// The list kept for a plan, if there is one.
pub fn kept(logbook: &Logbook, plan: &str) -> Result<Option<Vec<ChannelId>>, Failure> {
    let Some(choice) = logbook.setting(&key(plan))? else {
        return Ok(None);
    };
    let channels = chosen(&choice, plan).map_err(|problem| {
        Failure::Failed(format!(
            "the list of wanted channels kept in the logbook can't be used: {problem}; give another with \
             gainsay spots --want"
        ))
    })?;
    Ok(Some(channels))
}

fn chosen(choice: &str, plan: &str) -> Result<Vec<ChannelId>, String> {
    let chosen = Plan::find(plan).and_then(|plan| plan.choose(choice));
    let channels = chosen.map_err(|error| error.to_string())?;
    Ok(channels.into_iter().map(|channel| channel.id).collect())
}

/// Under which key the logbook keeps the list of a plan.
fn key(plan: &str) -> String {
    format!("wanted {plan}")
}
