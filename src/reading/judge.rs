//! A reading judged: the threshold of its standard on its path, what that assumes, and the state that follows.

use super::{NoiseSource, Reading, State, Take};
use crate::channels::{PathClass, Thresholds};

impl Reading {
    /// Sets threshold, path and state by these thresholds, from what was measured and the standard.
    pub(super) fn judge(&mut self, thresholds: &Thresholds) {
        let path = self.shape.map_or(PathClass::Gaussian, |shape| shape.class);
        let threshold = self
            .standard
            .and_then(|standard| thresholds.get(standard, path));
        self.path = threshold.map(|_| path);
        self.threshold_db = threshold.map(|threshold| threshold.cn_db);
        let pilot_found = self.pilot.is_some_and(|pilot| pilot.found);
        self.state = match (self.found, self.cn_db(), self.threshold_db) {
            // Too little for the channel's power, but a station all the same.
            (false, ..) if pilot_found => Some(State::Trace),
            // Where noise can't be told from signal, an empty channel can't be told from a full one.
            (false, ..) if self.noise_source == Some(NoiseSource::QuietestStretch) => None,
            (false, ..) if self.noise.is_none() => None,
            (false, ..) => Some(State::Vacant),
            (true, Some(cn), Some(threshold)) => Some(State::from_margin(cn - threshold)),
            // No television, or of a kind whose threshold depends on the station's mode.
            (true, ..) => None,
        };
    }

    /// What the threshold assumes, in words: the mode of [`Standard::threshold`](crate::channels::Standard::threshold)
    /// where it is that figure, else that the user gave it; `None` without a threshold.
    pub fn threshold_assumes(&self) -> Option<&'static str> {
        let built_in = self.standard?.threshold(self.path?);
        self.threshold_db.map(|cn_db| {
            built_in
                .filter(|threshold| threshold.cn_db == cn_db)
                .map_or(Thresholds::GIVEN, |threshold| threshold.assumes)
        })
    }
}

impl Take {
    /// Judges the readings anew against the thresholds that the user gave; those of other standards keep theirs, and so
    /// does what was not measured.
    pub fn judge_anew(&mut self, thresholds: &Thresholds) {
        for reading in &mut self.readings {
            let given = (reading.standard).is_some_and(|standard| thresholds.has_given(standard));
            if given && reading.power.is_some() {
                reading.judge(thresholds);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channels::{Plan, Standard};
    use crate::reading::evaluate::uncovered;
    use crate::reading::{Estimate, Identity};

    /// A DVB-T2 or ATSC 3.0 channel at this C/N, judged by the built-in thresholds.
    fn reading(standard: Standard, cn_db: f64) -> Reading {
        let channel = Plan::find("europe")
            .unwrap()
            .choose("30")
            .unwrap()
            .remove(0);
        let estimate = |value| {
            Some(Estimate {
                value,
                standard_error: 0.001,
                degrees_of_freedom: f64::INFINITY,
            })
        };
        let signal = 10f64.powf(cn_db / 10.0);
        let mut reading = Reading {
            covered: 1.0,
            power: estimate(1.0 + signal),
            noise: estimate(1.0),
            noise_source: Some(NoiseSource::Terminated),
            signal: estimate(signal),
            found: true,
            standard: Some(standard),
            ..uncovered(&channel)
        };
        reading.judge(&Thresholds::default());
        reading
    }

    fn take(readings: Vec<Reading>) -> Take {
        Take {
            id: None,
            antenna: "A".into(),
            spot: "B".into(),
            taken_at: jiff::Timestamp::UNIX_EPOCH,
            source: String::new(),
            terminated: None,
            settings: crate::reading::Settings {
                plan: "europe".into(),
                sample_rate_hz: 2.4e6,
                dwell_s: 0.02,
                gains_db: Vec::new(),
            },
            note: String::new(),
            position: None,
            bearing: None,
            scan_count: None,
            readings,
            frequency_error: None,
            tunings: Vec::new(),
            gain_check: None,
            spectrum: None,
        }
    }

    #[test]
    fn a_kept_reading_judged_anew_has_the_margin_and_state_of_the_threshold_given() {
        let mut kept = take(vec![
            reading(Standard::DvbT2, 19.0),
            reading(Standard::DvbT, 19.0),
            reading(Standard::Atsc3, 19.0),
            Reading {
                identity: Some(Identity::Unidentified),
                standard: None,
                ..reading(Standard::DvbT2, 19.0)
            },
        ]);
        kept.readings[3].judge(&Thresholds::default());
        let before = kept.clone();
        // 19.0 dB less 17.8, 16.7 and none: the handbook's figures for a Gaussian path.
        let states = |take: &Take| {
            take.readings
                .iter()
                .map(|one| one.state)
                .collect::<Vec<_>>()
        };
        assert_eq!(
            states(&kept),
            [Some(State::Brink), Some(State::Brink), None, None]
        );
        let mut thresholds = Thresholds::default();
        for text in ["dvb-t2=22", "atsc3=12"] {
            thresholds.set(text).unwrap();
        }
        kept.judge_anew(&thresholds);
        assert_eq!(
            states(&kept),
            [
                Some(State::Trace),
                Some(State::Brink),
                Some(State::Firm),
                None
            ]
        );
        let margins: Vec<_> = kept.readings.iter().map(Reading::margin_db).collect();
        for (margin, expected) in margins.iter().zip([-3.0, 2.3, 7.0]) {
            assert!((margin.unwrap() - expected).abs() < 1e-9, "{margins:?}");
        }
        let assumes: Vec<_> = (kept.readings.iter())
            .map(Reading::threshold_assumes)
            .collect();
        assert_eq!(
            assumes,
            [
                Some("given by the user"),
                Some("64-QAM 2/3"),
                Some("given by the user"),
                None
            ]
        );
        assert_eq!(kept.readings[1], before.readings[1]);
        // Without any threshold given, nothing changes.
        let mut same = before.clone();
        same.judge_anew(&Thresholds::default());
        assert_eq!(same, before);
    }
}
