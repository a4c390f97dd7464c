//! The frequency error, from the pilots of 8-VSB stations.

use std::time::Duration;

use super::{CheckProgress, Step, samples_in};
use crate::capture::dongle::{Begin, DongleError, FrequencyFigure, Receiver, Setting};
use crate::channels::{Channel, VSB_PILOT_OFFSET};
use crate::reading::pilot::{PilotOffset, PilotProbe, frequency_error};
use crate::units::Hertz;

/// How far off a cheap crystal may be, in parts per million (handbook: 20–100 without compensation, P).
const FARTHEST_PPM: f64 = 120.0;
/// Length of a visit, and visits to each pilot.
const VISIT: Duration = Duration::from_millis(20);
const VISITS: usize = 5;

/// Where a pilot should stand, and the tuning in which it is seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pilot: Hertz,
    setting: Setting,
}

impl Place {
    pub(super) fn of(channel: &Channel, setting: Setting) -> Place {
        Place {
            pilot: Hertz(channel.low.0 + VSB_PILOT_OFFSET.0),
            setting,
        }
    }
}

/// Listens at each place; `None` where no pilot is found, or `go_on` says no.
pub(super) fn frequency(
    receiver: &mut Receiver,
    places: &[Place],
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<Option<FrequencyFigure>, DongleError> {
    let mut found = Vec::new();
    for (done, place) in places.iter().enumerate() {
        let progress = CheckProgress {
            step: Step::Pilots,
            done,
            of: places.len(),
        };
        if !go_on(progress) {
            return Ok(None);
        }
        match listen(receiver, place) {
            Ok(pilot) => found.extend(pilot),
            Err(error) if error.ends_it() => return Err(error),
            Err(_) => {}
        }
    }
    Ok(frequency_error(&found).map(|error| FrequencyFigure {
        error_ppm: error.ppm,
        low_ppm: error.low_ppm,
        high_ppm: error.high_ppm,
        pilots: error.pilots,
    }))
}

fn listen(receiver: &mut Receiver, place: &Place) -> Result<Option<PilotOffset>, DongleError> {
    let rate_hz = f64::from(receiver.dongle().sample_rate);
    let expected_hz = place.pilot.0 - place.setting.centre.0.round();
    let search_hz = place.pilot.0 * FARTHEST_PPM * 1e-6;
    let Some(mut probe) = PilotProbe::new(rate_hz, expected_hz, search_hz) else {
        return Ok(None);
    };
    let samples = samples_in(receiver, VISIT);
    let mut spectrum = None;
    for _ in 0..VISITS {
        let capture = receiver.capture(place.setting, Begin::Good, samples)?;
        probe.push(&capture.samples());
        let visit = probe.finish();
        match &mut spectrum {
            None => spectrum = Some(visit),
            // Visits by one probe are alike.
            Some(spectrum) => {
                let _ = spectrum.combine(&visit);
            }
        }
    }
    Ok(spectrum
        .and_then(|spectrum| spectrum.find())
        .map(|pilot| PilotOffset {
            nominal_hz: place.pilot.0,
            offset_hz: pilot.offset_hz,
            standard_error_hz: pilot.baseband_standard_error_hz,
            // A dongle's samples are clocked by the crystal that tunes.
            baseband_hz: 0.0,
        }))
}
