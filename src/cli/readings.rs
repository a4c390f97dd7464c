//! A take for people: what it is of, its channels, their structure, the receiver's health.

use gainsay::channels::{PathClass, Standard, Thresholds};
use gainsay::draw::Panel;
use gainsay::logbook::{Logbook, transfer};
use gainsay::reading::pilot::Agreement;
use gainsay::reading::scan::{ScanCheck, scan_check};
use gainsay::reading::{Health, NoiseSource, Reading, Take, TuningReading};

use serde::Serialize;

use super::table::{Set, edges_mhz, number, signed, table};

/// What the take is of.
pub fn heading(take: &Take, logbook: Option<&Logbook>) -> String {
    let mut text = match take.id {
        Some(id) => format!(
            "Take {id}: {} at {}, {}\n",
            take.antenna, take.spot, take.taken_at
        ),
        None => format!("{} at {}, {}\n", take.antenna, take.spot, take.taken_at),
    };
    text += &format!(
        "from {}; plan {}; {} MS/s, {:.0} ms a tuning; noise: {}\n",
        take.source,
        take.settings.plan,
        take.settings.sample_rate_hz / 1e6,
        take.settings.dwell_s * 1e3,
        take.terminated
            .as_deref()
            .map_or("no terminated take".into(), |name| format!(
                "terminated take {name}"
            )),
    );
    if let Some(logbook) = logbook {
        text += &format!("kept in {}\n", logbook.path().display());
    }
    if !take.note.is_empty() {
        text += &format!("note: {}\n", take.note);
    }
    text + "\n"
}

/// The table of channels, and what was found within them.
pub fn readings(take: &Take) -> String {
    let head = [
        ("channel", Set::Right),
        ("MHz", Set::Right),
        ("carries", Set::Left),
        ("power dBFS", Set::Right),
        ("noise dBFS", Set::Right),
        ("signal dBFS", Set::Right),
        ("C/N dB", Set::Right),
        ("margin dB", Set::Right),
        ("state", Set::Left),
        ("remarks", Set::Left),
    ];
    let channels = table(
        &head,
        take.readings.iter().map(|reading| {
            vec![
                reading.channel.to_string(),
                edges_mhz(reading.low_hz, reading.high_hz),
                reading
                    .identity
                    .as_ref()
                    .map_or_else(String::new, |identity| identity.to_string()),
                number(reading.power_dbfs(), 2),
                number(reading.noise_dbfs(), 2),
                signal(reading),
                number(reading.cn_db(), 1),
                number(reading.margin_db(), 1),
                reading.state.map_or("?".into(), |state| state.to_string()),
                remarks(reading),
            ]
        }),
    );
    channels + &within(take) + &frequency(take) + &spurs(take) + &linearity(take) + &scan(take)
}

/// What a television's scan found, where it was noted, against the measurement.
fn scan(take: &Take) -> String {
    let check = scan_check(std::slice::from_ref(take));
    check.map_or_else(String::new, |check| {
        format!("\n{}\n", check.sentences.join("\n"))
    })
}

/// The take as JSON has it, with what its scan count says where there is one.
pub fn as_json(take: &Take) -> impl Serialize + '_ {
    #[derive(Serialize)]
    struct Printed<T: Serialize> {
        #[serde(flatten)]
        take: T,
        #[serde(skip_serializing_if = "Option::is_none")]
        scan: Option<ScanCheck>,
    }
    Printed {
        take: transfer::as_json(take),
        scan: scan_check(std::slice::from_ref(take)),
    }
}

/// The signal's level, or its upper bound.
fn signal(reading: &Reading) -> String {
    match reading.signal_upper_dbfs() {
        Some(_) => format!("< {}", number(reading.signal_upper_dbfs(), 1)),
        None => number(reading.signal_dbfs(), 2),
    }
}

fn remarks(reading: &Reading) -> String {
    if reading.covered == 0.0 {
        return "not covered".into();
    }
    let mut remarks = Vec::new();
    let (weak, others): (Vec<&Health>, Vec<&Health>) = reading
        .health
        .iter()
        .partition(|health| matches!(health, Health::WeakDrive { .. }));
    remarks.extend(others.into_iter().map(Health::to_string));
    // One remark for all tunings: JSON has them one by one.
    match weak.as_slice() {
        [] => {}
        [one] => remarks.push(one.to_string()),
        several => remarks.push(format!(
            "weak drive at {} tunings: raise the gain",
            several.len()
        )),
    }
    if reading.noise_source == Some(NoiseSource::TerminatedElsewhere) {
        remarks.push("terminated take lacks these tunings: its others stand in".into());
    }
    remarks.join("; ")
}

/// Pilots, flatness and echoes of the channels that show any.
fn within(take: &Take) -> String {
    let head = [
        ("channel", Set::Right),
        ("pilot dBFS", Set::Right),
        ("SNR dB", Set::Right),
        ("offset Hz", Set::Right),
        ("σ_sp dB", Set::Right),
        ("path", Set::Left),
        ("tilt dB", Set::Right),
        ("ripple dB", Set::Right),
        ("deepest dB", Set::Right),
        ("at MHz", Set::Right),
        ("echo", Set::Left),
    ];
    let rows: Vec<Vec<String>> = take
        .readings
        .iter()
        .filter(|reading| reading.pilot.is_some() || reading.shape.is_some())
        .map(|reading| {
            let (pilot, shape) = (reading.pilot, reading.shape);
            vec![
                reading.channel.to_string(),
                number(pilot.and_then(|pilot| pilot.dbfs()), 2),
                number(pilot.and_then(|pilot| pilot.snr_db), 1),
                pilot.map_or_else(String::new, |pilot| signed(pilot.offset_hz, 0)),
                number(shape.map(|shape| shape.sigma_sp_db), 2),
                shape.map_or_else(String::new, |shape| shape.class.to_string()),
                shape.map_or_else(String::new, |shape| signed(shape.tilt_db, 2)),
                number(shape.map(|shape| shape.ripple_db), 2),
                number(shape.map(|shape| shape.notch_db), 1),
                number(
                    shape.map(|shape| (reading.low_hz + shape.notch_hz) / 1e6),
                    2,
                ),
                echo(reading),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    format!("\nWithin the channels:\n{}", table(&head, rows))
}

fn echo(reading: &Reading) -> String {
    reading.echo.map_or_else(String::new, |echo| {
        format!(
            "{} dB, {:.2} µs apart",
            number(Some(echo.level_db), 1),
            echo.delay_s * 1e6
        )
    })
}

/// The receiver's frequency error, and the stations that stand elsewhere.
fn frequency(take: &Take) -> String {
    let Some(error) = &take.frequency_error else {
        return String::new();
    };
    let doubt = match error.agreement {
        Agreement::Majority => "",
        Agreement::Single => "; one alone may be off its place on purpose",
        Agreement::Contested => {
            "; the pilots disagree, and which stations are off their places can't be told"
        }
    };
    let mut text = format!(
        "\nThe receiver is {} ppm off ({} to {}, from {} pilot{}{doubt}).\n",
        signed(error.ppm, 2),
        signed(error.low_ppm, 2),
        signed(error.high_ppm, 2),
        error.pilots,
        if error.pilots == 1 { "" } else { "s" }
    );
    for station in &error.outlying {
        text += &format!(
            "Channel {} stands {} kHz off its place: {}.\n",
            station.channel,
            signed(station.residual_hz / 1e3, 2),
            station
                .deliberate
                .as_deref()
                .unwrap_or("no such offset is known")
        );
    }
    text
}

/// The narrow lines that were cut out.
fn spurs(take: &Take) -> String {
    let spurs = take.tunings.iter().flat_map(|tuning| &tuning.spurs);
    let lines: Vec<String> = spurs
        .map(|spur| {
            format!(
                "{:.4} MHz ({} dBFS, {:.0} dB above what is around)",
                spur.hz / 1e6,
                number(Some(spur.power_dbfs), 1),
                spur.excess_db
            )
        })
        .collect();
    if lines.is_empty() {
        return String::new();
    }
    format!("\nNarrow lines, cut out: {}.\n", lines.join(", "))
}

/// What a second pass at another gain showed.
fn linearity(take: &Take) -> String {
    let Some(check) = &take.gain_check else {
        return String::new();
    };
    let head = [
        ("channel", Set::Right),
        ("fell dB", Set::Right),
        ("±", Set::Right),
        ("received as it is", Set::Left),
    ];
    let rows = check.channels.iter().map(|fall| {
        vec![
            fall.channel.to_string(),
            if fall.at_least {
                format!("> {}", number(Some(fall.fell_db), 1))
            } else {
                number(Some(fall.fell_db), 2)
            },
            number(
                (!fall.at_least).then_some(2.0 * fall.standard_uncertainty_db),
                2,
            ),
            if fall.linear { "yes" } else { "no: overloaded" }.to_owned(),
        ]
    });
    format!(
        "\nWith the gain {} dB lower ({}):\n{}",
        number(Some(check.step_db), 2),
        if check.step_measured {
            "the median of what the channels fell by"
        } else {
            "by the gains set"
        },
        table(&head, rows)
    )
}

/// The receiver's health, tuning by tuning.
pub fn tunings(take: &Take) -> String {
    let head = [
        ("tuned to MHz", Set::Right),
        ("gain dB", Set::Right),
        ("drive steps rms", Set::Right),
        ("at the ends %", Set::Right),
        ("explained %", Set::Right),
        ("clipped", Set::Left),
        ("rounding % of noise", Set::Right),
        ("spike dBFS", Set::Right),
        ("image dB", Set::Right),
        ("lines cut", Set::Right),
    ];
    let percent = |share: f64| number(Some(share * 100.0), 3);
    let row = |tuning: &TuningReading| {
        let bound = if tuning.image_is_bound { "< " } else { "" };
        vec![
            number(Some(tuning.centre_hz / 1e6), 3),
            number(tuning.gain_db, 1),
            number(tuning.lsb_rms, 2),
            percent(tuning.end_fraction),
            percent(tuning.expected_end_fraction),
            if tuning.clipped { "clipped" } else { "" }.to_owned(),
            number(tuning.rounding_share.map(|share| share * 100.0), 0),
            number(tuning.spike_dbfs, 1),
            tuning
                .image_db
                .map_or_else(String::new, |db| format!("{bound}{}", number(Some(-db), 1))),
            tuning.spurs.len().to_string(),
        ]
    };
    format!("\n{}", table(&head, take.tunings.iter().map(row)))
}

/// What the margins and states rest on.
pub fn footing(take: &Take) -> String {
    let readings = take.readings.iter().filter(|one| one.covered > 0.0);
    let assumed = assumptions(readings.filter_map(|one| {
        Some(Assumption {
            standard: one.standard?,
            path: one.path,
            threshold_db: one.threshold_db,
            assumes: one.threshold_assumes(),
        })
    }));
    let head = "\nLevels are relative (0 dBFS is full scale), signal is power less noise.";
    match assumed {
        Some(assumed) => format!("{head} Thresholds assumed: {assumed}.\n"),
        None => format!("{head}\n"),
    }
}

/// A standard's threshold, and what it is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumption {
    /// The standard.
    pub standard: Standard,
    /// The class of path.
    pub path: Option<PathClass>,
    /// The C/N in dB; `None` where the standard has none.
    pub threshold_db: Option<f64>,
    /// What that assumes.
    pub assumes: Option<&'static str>,
}

/// Thresholds in words, each once; `None` where there is none.
pub fn assumptions(all: impl Iterator<Item = Assumption>) -> Option<String> {
    let mut all: Vec<Assumption> = all.collect();
    all.sort_by_key(|one| (one.standard, one.path.map(|path| path as u8)));
    let mut said: Vec<String> = Vec::new();
    for one in all {
        let text = one.to_string();
        if !said.contains(&text) {
            said.push(text);
        }
    }
    (!said.is_empty()).then(|| said.join(", "))
}

impl std::fmt::Display for Assumption {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let standard = self.standard;
        let Some((threshold_db, assumes)) = self.threshold_db.zip(self.assumes) else {
            return write!(
                f,
                "{standard} none (it depends on the station's mode: --threshold says one)"
            );
        };
        let built_in = Thresholds::default();
        let for_path = match self.path {
            Some(path) if assumes != Thresholds::GIVEN && built_in.vary(standard) => {
                format!(", {path} path")
            }
            _ => String::new(),
        };
        write!(f, "{standard} {threshold_db} dB ({assumes}{for_path})")
    }
}

/// A small spectrum of each channel, with what was found in it.
pub fn panels(take: &Take) -> Vec<Panel> {
    take.readings
        .iter()
        .filter(|reading| reading.covered > 0.0)
        .map(|reading| Panel {
            label: reading.channel.to_string(),
            state: reading.state,
            low_hz: reading.low_hz,
            high_hz: reading.high_hz,
            trace: trace(take, reading),
            notes: notes(reading),
        })
        .collect()
}

fn trace(take: &Take, reading: &Reading) -> Vec<(f64, f64)> {
    let Some(spectrum) = &take.spectrum else {
        return Vec::new();
    };
    let hz = |place: usize| spectrum.first_hz + place as f64 * spectrum.step_hz;
    spectrum
        .dbfs_per_mhz
        .iter()
        .enumerate()
        .map(|(place, level)| (hz(place), level.map_or(f64::NAN, f64::from)))
        .filter(|(hz, _)| (reading.low_hz..reading.high_hz).contains(hz))
        .collect()
}

fn notes(reading: &Reading) -> Vec<String> {
    let clipped = (reading.health.iter()).any(|health| matches!(health, Health::Clipped { .. }));
    let mut notes = Vec::new();
    if clipped {
        notes.push("clipped: no figure".to_owned());
    }
    if let Some(identity) = &reading.identity {
        let cn = reading.cn_db().map_or_else(String::new, |cn| {
            format!(", C/N {} dB", number(Some(cn), 1))
        });
        notes.push(format!("{identity}{cn}"));
    }
    if let (Some(margin), Some(threshold_db), Some(assumes)) = (
        reading.margin_db(),
        reading.threshold_db,
        reading.threshold_assumes(),
    ) {
        notes.push(format!(
            "margin {} dB over {threshold_db} dB ({assumes})",
            signed(margin, 1)
        ));
    }
    if let Some(shape) = reading.shape {
        notes.push(format!(
            "σ_sp {} dB: {}; tilt {} dB; ripple {} dB",
            number(Some(shape.sigma_sp_db), 1),
            shape.class,
            signed(shape.tilt_db, 1),
            number(Some(shape.ripple_db), 1)
        ));
    }
    if reading.echo.is_some() {
        notes.push(format!("echo: {}", echo(reading)));
    }
    notes
}
