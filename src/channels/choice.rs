//! Choosing channels by a short text: `7,9,20-23`.

use super::{Channel, ChannelId, Plan};

/// For each channel of `plan`, whether `text` names it; the error says what is wrong with the text.
pub(super) fn chosen(plan: &Plan, text: &str) -> Result<Vec<bool>, String> {
    let mut chosen = vec![false; plan.channels.len()];
    for part in text.split([',', ';']) {
        // Hyphen, the dashes, and the minus sign: what a text pasted from a page may hold.
        let part = part.replace(['-', '\u{2010}', '\u{2011}', '–', '—', '−'], " - ");
        let mut words = part.split_whitespace().peekable();
        while let Some(first) = words.next() {
            if first == "-" {
                return Err("a range needs a channel before its hyphen, as in 14-36".to_owned());
            }
            if words.next_if_eq(&"-").is_none() {
                mark_one(plan, first, &mut chosen)?;
                continue;
            }
            let last = words.next().filter(|word| *word != "-");
            let last =
                last.ok_or_else(|| format!("the range {first}- needs a channel after its hyphen"))?;
            if words.peek() == Some(&"-") {
                return Err(format!(
                    "{first}-{last}- is no range: a range has two ends, as in 14-36"
                ));
            }
            mark_range(plan, first, last, &mut chosen)?;
        }
    }
    if chosen.contains(&true) {
        Ok(chosen)
    } else {
        Err(format!("no channel is named; {}", has(plan)))
    }
}

fn has(plan: &Plan) -> String {
    format!("plan {} has {}", plan.name, plan.outline())
}

fn mark_one(plan: &Plan, word: &str, chosen: &mut [bool]) -> Result<(), String> {
    let wanted = ChannelId::from(word);
    match plan
        .channels
        .iter()
        .position(|channel| channel.id.matches(&wanted))
    {
        Some(index) => {
            chosen[index] = true;
            Ok(())
        }
        None => Err(format!("there is no channel {word}; {}", has(plan))),
    }
}

/// What orders names within a range: the letters before the number must be the same, then the number counts, then
/// what follows it, so that 9 < 9A < 10.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    prefix: String,
    number: u64,
    suffix: String,
}

impl Key {
    /// `None` for a name without a number.
    fn of(name: &str) -> Option<Key> {
        let name = name.to_lowercase();
        let start = name.find(|c: char| c.is_ascii_digit())?;
        let (prefix, rest) = name.split_at(start);
        let end = rest
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(rest.len());
        let (digits, suffix) = rest.split_at(end);
        // Too many digits: beyond every channel.
        let number = digits.parse().unwrap_or(u64::MAX);
        Some(Key {
            prefix: prefix.to_owned(),
            number,
            suffix: suffix.to_owned(),
        })
    }
}

fn mark_range(plan: &Plan, first: &str, last: &str, chosen: &mut [bool]) -> Result<(), String> {
    let (Some(mut low), Some(mut high)) = (Key::of(first), Key::of(last)) else {
        return Err(format!(
            "the range {first}-{last} needs a number at either end, as in 14-36"
        ));
    };
    if low.prefix != high.prefix {
        return Err(format!(
            "the range {first}-{last} needs the same letters before the number at either end"
        ));
    }
    let (mut low_word, mut high_word) = (first, last);
    if low > high {
        std::mem::swap(&mut low, &mut high);
        std::mem::swap(&mut low_word, &mut high_word);
    }
    let mut found: Vec<(Key, usize)> = plan
        .channels
        .iter()
        .enumerate()
        .filter_map(|(index, channel)| Some((Key::of(&channel.id.to_string())?, index)))
        .filter(|(key, _)| key.prefix == low.prefix && (&low..=&high).contains(&key))
        .collect();
    found.sort();
    let (Some((lowest, _)), Some((highest, _))) = (found.first(), found.last()) else {
        return Err(format!("no channel lies in {first}-{last}; {}", has(plan)));
    };
    let mut missing = Vec::new();
    let prefix = low.prefix.to_uppercase();
    if *lowest != low {
        let before = lowest.number.saturating_sub(1);
        let several = low.suffix.is_empty() && low.number < before;
        missing.push(if several {
            format!("{low_word}-{prefix}{before}")
        } else {
            low_word.to_owned()
        });
    }
    if *highest != high {
        let after = highest.number.saturating_add(1);
        let several = high.suffix.is_empty() && after < high.number;
        missing.push(if several {
            format!("{prefix}{after}-{high_word}")
        } else {
            high_word.to_owned()
        });
    }
    if !missing.is_empty() {
        return Err(format!(
            "in {first}-{last} there is no channel {}; {}",
            missing.join(" nor "),
            has(plan)
        ));
    }
    for (_, index) in found {
        chosen[index] = true;
    }
    Ok(())
}

/// Channels in short, in the order given; at most a line of it.
pub(super) fn outline(channels: &[Channel]) -> String {
    const LONGEST: usize = 100;
    let mut text = String::new();
    let mut rest = channels;
    while let Some(first) = rest.first() {
        let run = run_length(rest);
        let item = match run {
            1 => first.id.to_string(),
            _ => format!("{}-{}", first.id, rest[run - 1].id),
        };
        if !text.is_empty() {
            text.push_str(", ");
        }
        if text.chars().count() + item.chars().count() > LONGEST {
            text.push('…');
            break;
        }
        text.push_str(&item);
        rest = &rest[run..];
    }
    text
}

/// How many channels from the first on are numbered one by one upwards; at least 1 where there is one.
fn run_length(channels: &[Channel]) -> usize {
    let follows = |pair: &[Channel]| match (&pair[0].id, &pair[1].id) {
        (ChannelId::Number(a), ChannelId::Number(b)) => u32::from(*b) == u32::from(*a) + 1,
        _ => false,
    };
    1 + channels.windows(2).take_while(|pair| follows(pair)).count()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::channels::PlanError;

    fn names(plan: &str, choice: &str) -> String {
        let plan = Plan::find(plan).unwrap();
        match plan.choose(choice) {
            Ok(channels) => channels
                .iter()
                .map(|c| c.id.to_string())
                .collect::<Vec<_>>()
                .join(" "),
            Err(error) => panic!("{error}"),
        }
    }

    fn problem(plan: &str, choice: &str) -> String {
        match Plan::find(plan).unwrap().choose(choice) {
            Err(PlanError::Choice { problem, .. }) => problem,
            other => panic!("{choice:?} gave {other:?}"),
        }
    }

    #[test]
    fn a_choice_is_ascending_and_without_duplicates_however_it_is_written() {
        assert_eq!(names("us", "7,9,20-23"), "7 9 20 21 22 23");
        assert_eq!(names("us", "23-20, 9 ,7"), "7 9 20 21 22 23");
        assert_eq!(names("us", " 20 - 22 , 21,21 , 22–23"), "20 21 22 23");
        assert_eq!(names("us", "9 7 20"), "7 9 20");
        assert_eq!(names("us", "9,,7,"), "7 9");
        assert_eq!(names("us", "014"), "14");
        assert_eq!(names("us", "5-5"), "5");
        assert_eq!(Plan::find("us").unwrap().choose("14-36").unwrap().len(), 23);
    }

    #[test]
    fn a_range_passes_over_gaps_and_takes_named_channels_in_their_place() {
        assert_eq!(names("brazil", "35-39"), "35 36 38 39");
        assert_eq!(names("europe", "11-22"), "11 12 21 22");
        assert_eq!(names("australia", "8-10"), "8 9 9A 10");
        assert_eq!(names("australia", "9a-10"), "9A 10");
        assert_eq!(names("australia", "10-9A, 6"), "6 9A 10");
        // 9A comes after 9, so a range that ends with 9 leaves it out.
        assert_eq!(names("australia", "8-9"), "8 9");
    }

    #[test]
    fn a_channel_that_does_not_exist_is_named_and_what_exists_is_said() {
        assert_eq!(
            problem("us", "37"),
            "there is no channel 37; plan us has 2-36"
        );
        assert_eq!(
            problem("australia", "9B"),
            "there is no channel 9B; plan australia has 6-9, 9A, 10-12, 28-51"
        );
        assert_eq!(
            problem("us", "14-60"),
            "in 14-60 there is no channel 37-60; plan us has 2-36"
        );
        assert_eq!(
            problem("us", "60-14"),
            "in 60-14 there is no channel 37-60; plan us has 2-36"
        );
        assert_eq!(
            problem("us", "14-37"),
            "in 14-37 there is no channel 37; plan us has 2-36"
        );
        assert_eq!(
            problem("us", "0-60"),
            "in 0-60 there is no channel 0-1 nor 37-60; plan us has 2-36"
        );
        assert_eq!(
            problem("us", "61-70"),
            "no channel lies in 61-70; plan us has 2-36"
        );
        assert_eq!(
            problem("brazil", "36-37"),
            "in 36-37 there is no channel 37; plan brazil has 7-36, 38-51"
        );
        assert_eq!(
            problem("australia", "9B-12"),
            "in 9B-12 there is no channel 9B; plan australia has 6-9, 9A, 10-12, 28-51"
        );
        assert_eq!(
            problem("us", "14-99999999999999999999999"),
            "in 14-99999999999999999999999 there is no channel 37-99999999999999999999999; plan us has 2-36"
        );
    }

    #[test]
    fn a_choice_that_cannot_be_understood_says_why() {
        assert_eq!(problem("us", ""), "no channel is named; plan us has 2-36");
        assert_eq!(
            problem("us", " , "),
            "no channel is named; plan us has 2-36"
        );
        assert_eq!(
            problem("us", "-14"),
            "a range needs a channel before its hyphen, as in 14-36"
        );
        assert_eq!(
            problem("us", "14-"),
            "the range 14- needs a channel after its hyphen"
        );
        assert_eq!(
            problem("us", "14--36"),
            "the range 14- needs a channel after its hyphen"
        );
        assert_eq!(
            problem("us", "14-20-36"),
            "14-20- is no range: a range has two ends, as in 14-36"
        );
        assert_eq!(
            problem("us", "a-b"),
            "the range a-b needs a number at either end, as in 14-36"
        );
        assert_eq!(
            problem("us", "s14-36"),
            "the range s14-36 needs the same letters before the number at either end"
        );
        let error = Plan::find("us")
            .unwrap()
            .choose("7\n!")
            .unwrap_err()
            .to_string();
        assert_eq!(
            error,
            r#"channels "7\n!": there is no channel !; plan us has 2-36"#
        );
    }

    proptest! {
        #[test]
        fn choosing_never_panics_and_keeps_its_promises(
            index in 0usize..8,
            text in prop_oneof![any::<String>(), "[0-9aA ,;–-]{0,24}", "([0-9]{1,2}[-, ]){0,6}[0-9]{1,2}A?"],
        ) {
            let plan = &Plan::embedded()[index];
            if let Ok(channels) = plan.choose(&text) {
                prop_assert!(!channels.is_empty());
                prop_assert!(channels.windows(2).all(|pair| pair[0].high <= pair[1].low));
                prop_assert!(channels.iter().all(|channel| plan.channels.contains(channel)));
            }
        }

        #[test]
        fn every_channel_can_be_chosen_by_the_name_it_is_shown_with(index in 0usize..8, pick in any::<prop::sample::Index>()) {
            let plan = &Plan::embedded()[index];
            let channel = &plan.channels[pick.index(plan.channels.len())];
            prop_assert_eq!(plan.choose(&channel.id.to_string()).unwrap(), vec![channel.clone()]);
        }

        #[test]
        fn the_outline_of_a_plan_chooses_all_of_it(index in 0usize..8) {
            let plan = &Plan::embedded()[index];
            prop_assert_eq!(plan.choose(&plan.outline()).unwrap(), plan.channels.clone());
        }
    }
}
