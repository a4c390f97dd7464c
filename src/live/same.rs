//! One gain for all tunings of a channel.

use crate::capture::dongle::Setting;
use crate::capture::tuning::USABLE;
use crate::channels::Channel;
use crate::units::Decibels;

/// Brings all tunings that have a part in a channel to the lowest gain among them: a channel's power is a sum over them,
/// which gains that differ would spoil. Where a tuning has a part in two channels, these share their gain.
pub fn same_in_channels(
    mut plan: Vec<Setting>,
    channels: &[Channel],
    rate_hz: f64,
) -> Vec<Setting> {
    let reach_hz = USABLE / 2.0 * rate_hz;
    // Tunings are tiled, so what they answer for is less than they see; a hundredth of a channel is no part.
    let part = |setting: &Setting, channel: &Channel| {
        let low_hz = channel.low.0.max(setting.centre.0 - reach_hz);
        let high_hz = channel.high.0.min(setting.centre.0 + reach_hz);
        high_hz - low_hz > SHARE * channel.width().0
    };
    let parts: Vec<Vec<usize>> = channels
        .iter()
        .map(|channel| {
            (0..plan.len())
                .filter(|&place| part(&plan[place], channel))
                .collect()
        })
        .collect();
    loop {
        let mut changed = false;
        for places in &parts {
            let lowest = places
                .iter()
                .map(|&place| plan[place].gain.0)
                .fold(f64::INFINITY, f64::min);
            for &place in places {
                if plan[place].gain.0 > lowest {
                    plan[place].gain = Decibels(lowest);
                    changed = true;
                }
            }
        }
        if !changed {
            return plan;
        }
    }
}

/// A tuning has a part in a channel where it sees more than this share of it beyond what belongs to its neighbours.
const SHARE: f64 = 0.2;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channels::Plan;
    use crate::units::Hertz;

    #[test]
    fn a_channels_tunings_share_the_lowest_gain_and_other_channels_keep_theirs() {
        let channels = Plan::find("us").unwrap().choose("20,22").unwrap();
        let plan = [
            (507.0, 30.0),
            (509.0, 20.0),
            (511.0, 40.0),
            (519.0, 49.6),
            (521.0, 48.0),
            (523.0, 49.6),
        ];
        let plan = plan.map(|(mhz, gain)| Setting {
            centre: Hertz::from_mhz(mhz),
            gain: Decibels(gain),
        });
        let gains: Vec<f64> = same_in_channels(plan.to_vec(), &channels, 2.4e6)
            .iter()
            .map(|setting| setting.gain.0)
            .collect();
        assert_eq!(gains, [20.0, 20.0, 20.0, 48.0, 48.0, 48.0]);
    }
}
