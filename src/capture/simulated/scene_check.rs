//! Whether the values of a scene can be played; each message names the field, the value and what is expected.

use super::Antenna;
use super::scene::{Point, Scene, Sent, Spot, Transmitter};
use crate::capture::CaptureError;

impl Scene {
    /// Checks every value; called by [`Scene::parse`], and again before a scene changed by hand is played.
    ///
    /// # Errors
    /// [`CaptureError::Field`] naming the first field that is out of range, its value and the range.
    pub fn check(&self) -> Result<(), CaptureError> {
        if !self.invented {
            return Err(self.fault(
                "invented",
                "is false, but scenes are invented: set it to true".to_owned(),
            ));
        }
        self.check_dongle()?;
        self.unique(
            "transmitter",
            self.transmitters.iter().map(|t| t.name.as_str()),
        )?;
        self.unique("antenna", self.antennas.iter().map(|a| a.name.as_str()))?;
        self.unique("spot", self.spots.iter().map(|s| s.name.as_str()))?;
        self.transmitters
            .iter()
            .try_for_each(|transmitter| self.check_transmitter(transmitter))?;
        self.antennas
            .iter()
            .try_for_each(|antenna| self.check_antenna(antenna))?;
        self.spots.iter().try_for_each(|spot| self.check_spot(spot))
    }

    fn check_dongle(&self) -> Result<(), CaptureError> {
        let dongle = &self.dongle;
        let within = |field: &str, value, low, high| {
            self.within(&format!("dongle: {field}"), value, low, high)
        };
        within(
            "sample_rate_hz",
            f64::from(dongle.sample_rate_hz),
            200e3,
            20e6,
        )?;
        within("gain_db", dongle.gain_db, -50.0, 100.0)?;
        within(
            "noise_dbfs_per_mhz",
            dongle.noise_dbfs_per_mhz,
            -200.0,
            20.0,
        )?;
        within(
            "frequency_error_ppm",
            dongle.frequency_error_ppm,
            -500.0,
            500.0,
        )?;
        within(
            "image_rejection_db",
            dongle.image_rejection_db.unwrap_or(0.0),
            0.0,
            200.0,
        )?;
        within("centre_spike", dongle.centre_spike.0, -1.0, 1.0)?;
        within("centre_spike", dongle.centre_spike.1, -1.0, 1.0)?;
        within(
            "gain_drift_db_per_minute",
            dongle.gain_drift_db_per_minute,
            -20.0,
            20.0,
        )?;
        let rate_mhz = f64::from(dongle.sample_rate_hz) / 1e6;
        let half_power = dongle.half_power_mhz.unwrap_or(rate_mhz / 2.0);
        within("half_power_mhz", half_power, rate_mhz / 100.0, rate_mhz)?;
        within(
            "flat_mhz",
            dongle.flat_mhz.unwrap_or(rate_mhz / 3.0),
            0.0,
            0.99 * half_power,
        )?;
        for spur in &dongle.spurs {
            within("spur: frequency_mhz", spur.frequency_mhz, 1.0, 10_000.0)?;
            within("spur: level_dbfs", spur.level_dbfs, -200.0, 20.0)?;
        }
        Ok(())
    }

    fn check_transmitter(&self, transmitter: &Transmitter) -> Result<(), CaptureError> {
        let at = |field: &str| format!("transmitter {:?}: {field}", transmitter.name);
        let within = |field: &str, value, low, high| self.within(&at(field), value, low, high);
        within("low_mhz", transmitter.low_mhz, 1.0, 10_000.0)?;
        within("power_dbfs", transmitter.power_dbfs, -200.0, 20.0)?;
        within("bearing_deg", transmitter.bearing_deg, -360.0, 360.0)?;
        within(
            "frequency_offset_hz",
            transmitter.frequency_offset_hz,
            -500e3,
            500e3,
        )?;
        match (
            transmitter.standard,
            transmitter.guard,
            transmitter.width_mhz,
        ) {
            (Sent::Vsb8, None, 6) | (Sent::Ofdm2k | Sent::Ofdm8k, Some(_), 6..=8) => {}
            (Sent::Vsb8, Some(_), _) => {
                return Err(self.fault(
                    &at("guard"),
                    "8-VSB has no guard interval: take it out".to_owned(),
                ));
            }
            (Sent::Ofdm2k | Sent::Ofdm8k, None, _) => {
                let problem = "is missing: OFDM needs \"1/4\", \"1/8\", \"1/16\" or \"1/32\"";
                return Err(self.fault(&at("guard"), problem.to_owned()));
            }
            (standard, _, width) => {
                let expected = if standard == Sent::Vsb8 {
                    "8-VSB is 6 MHz wide"
                } else {
                    "OFDM is 6, 7 or 8 MHz wide"
                };
                return Err(self.fault(&at("width_mhz"), format!("{width} can't be: {expected}")));
            }
        }
        for echo in &transmitter.echoes {
            within("echo: delay_us", echo.delay_us, 0.0, 500.0)?;
            within("echo: level_db", echo.level_db, -100.0, 20.0)?;
            within("echo: phase_deg", echo.phase_deg, -360.0, 360.0)?;
        }
        if let Some(fading) = &transmitter.fading {
            within("fading: sigma_db", fading.sigma_db, 0.0, 20.0)?;
            within("fading: correlation_s", fading.correlation_s, 0.05, 1e6)?;
        }
        if let Some(other) = self
            .transmitters
            .iter()
            .find(|other| other.channel == transmitter.channel)
        {
            let edges = |t: &Transmitter| (t.low_mhz, t.width_mhz);
            if edges(other) != edges(transmitter) {
                let problem = format!(
                    "channel {} has other edges at {:?}",
                    transmitter.channel, other.name
                );
                return Err(self.fault(&at("low_mhz"), problem));
            }
        }
        Ok(())
    }

    fn check_antenna(&self, antenna: &Antenna) -> Result<(), CaptureError> {
        let at = |field: &str| format!("antenna {:?}: {field}", antenna.name);
        self.curve(&at("gain"), &antenna.gain, 0.0, 10_000.0)?;
        self.curve(&at("pattern"), &antenna.pattern, 0.0, 359.999_999)?;
        self.within(&at("look_deg"), antenna.look_deg, -360.0, 360.0)?;
        self.within(&at("mating_sigma_db"), antenna.mating_sigma_db, 0.0, 10.0)
    }

    fn check_spot(&self, spot: &Spot) -> Result<(), CaptureError> {
        let at = |field: &str| format!("spot {:?}: {field}", spot.name);
        self.within(&at("offset_db"), spot.offset_db, -100.0, 100.0)?;
        for length_m in spot.position_m.map_or(vec![], |(x, y)| vec![x, y]) {
            self.within(&at("position_m"), length_m, -1e4, 1e4)?;
        }
        if let Some(scattered_db) = spot.scattered_db {
            self.within(&at("scattered_db"), scattered_db, -100.0, 20.0)?;
        }
        for (channel, offset_db) in &spot.channel_offsets_db {
            self.within(
                &at(&format!("channel_offsets_db: channel {channel}")),
                *offset_db,
                -100.0,
                100.0,
            )?;
            if !self
                .transmitters
                .iter()
                .any(|transmitter| transmitter.channel == *channel)
            {
                let problem = format!("channel {channel} has no transmitter in this scene");
                return Err(self.fault(&at("channel_offsets_db"), problem));
            }
        }
        Ok(())
    }

    fn within(&self, field: &str, value: f64, low: f64, high: f64) -> Result<(), CaptureError> {
        if (low..=high).contains(&value) {
            return Ok(());
        }
        Err(self.fault(field, format!("is {value}, but must be {low} to {high}")))
    }

    fn curve(
        &self,
        field: &str,
        points: &[Point],
        low: f64,
        high: f64,
    ) -> Result<(), CaptureError> {
        for point in points {
            self.within(field, point.0, low, high)?;
            self.within(field, point.1, -100.0, 100.0)?;
        }
        match points.windows(2).find(|pair| pair[0].0 >= pair[1].0) {
            None => Ok(()),
            Some(pair) => {
                let problem = format!(
                    "points must ascend, but {} comes before {}",
                    pair[0].0, pair[1].0
                );
                Err(self.fault(field, problem))
            }
        }
    }

    fn unique<'a>(
        &self,
        kind: &str,
        names: impl Iterator<Item = &'a str>,
    ) -> Result<(), CaptureError> {
        let mut seen = std::collections::BTreeSet::new();
        for name in names {
            if name.trim().is_empty() {
                return Err(self.fault(kind, "a name is empty: give each one a name".to_owned()));
            }
            if !seen.insert(name) {
                return Err(self.fault(
                    kind,
                    format!("{name:?} is there twice: give each one its own name"),
                ));
            }
        }
        Ok(())
    }
}
