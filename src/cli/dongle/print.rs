//! Dongles and their figures, as table, CSV and JSON.

use gainsay::capture::dongle::{DongleFigures, Listed, Tuner};
use serde::Serialize;

use super::super::Failure;
use super::super::output::{self, Format};
use super::super::table::{Set, number, signed, table};

/// A dongle that is plugged in.
#[derive(Debug, Serialize)]
pub struct Entry {
    #[serde(flatten)]
    listed: Listed,
    /// Its tuner; nothing where it could not be opened.
    tuner: Option<&'static str>,
    /// Its gains in dB.
    gains_db: Vec<f64>,
}

impl Entry {
    pub fn new(listed: Listed, tuner: Option<Tuner>) -> Entry {
        Entry {
            listed,
            tuner: tuner.as_ref().map(|tuner| tuner.name),
            gains_db: tuner
                .iter()
                .flat_map(|tuner| tuner.gains.iter())
                .map(|gain| gain.0)
                .collect(),
        }
    }

    fn texts(&self) -> Vec<String> {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        vec![
            self.listed.index.to_string(),
            text(&self.listed.serial),
            self.listed.model.clone(),
            text(&self.listed.manufacturer),
            text(&self.listed.product),
            self.tuner.unwrap_or_default().into(),
        ]
    }

    fn gains(&self, separator: &str) -> String {
        let gains: Vec<String> = self.gains_db.iter().map(ToString::to_string).collect();
        gains.join(separator)
    }
}

pub fn list(entries: &[Entry], format: Format) -> Result<(), Failure> {
    match format {
        Format::Json => output::print_json(&entries),
        Format::Csv => {
            let head = [
                "index",
                "serial",
                "model",
                "manufacturer",
                "product",
                "tuner",
                "gains_db",
            ]
            .map(String::from)
            .to_vec();
            output::print_csv(std::iter::once(head).chain(entries.iter().map(|entry| {
                let mut row = entry.texts();
                row.push(entry.gains(" "));
                row
            })))
        }
        Format::Table => {
            let head = [
                ("#", Set::Right),
                ("serial", Set::Left),
                ("model", Set::Left),
                ("manufacturer", Set::Left),
                ("product", Set::Left),
                ("tuner", Set::Left),
                ("gains", Set::Right),
                ("lowest dB", Set::Right),
                ("highest dB", Set::Right),
            ];
            let rows = table(
                &head,
                entries.iter().map(|entry| {
                    let mut row = entry.texts();
                    row.push(entry.gains_db.len().to_string());
                    row.push(number(entry.gains_db.first().copied(), 1));
                    row.push(number(entry.gains_db.last().copied(), 1));
                    row
                }),
            );
            output::print(&rows)
        }
    }
}

pub fn figures(figures: &DongleFigures, format: Format) -> Result<(), Failure> {
    match format {
        Format::Json => output::print_json(figures),
        Format::Csv => output::print_csv(rows(figures)),
        Format::Table => output::print(&text(figures)),
    }
}

/// One figure a row.
fn rows(figures: &DongleFigures) -> Vec<Vec<String>> {
    let mut rows = vec![
        ["serial", "figure", "at", "value", "standard_error"]
            .map(String::from)
            .to_vec(),
    ];
    let mut add = |figure: &str, at: String, value: Option<f64>, error: Option<f64>| {
        let text = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
        rows.push(vec![
            figures.serial.clone(),
            figure.into(),
            at,
            text(value),
            text(error),
        ]);
    };
    if let Some(frequency) = figures.frequency {
        add("error_ppm", String::new(), Some(frequency.error_ppm), None);
        add("low_ppm", String::new(), Some(frequency.low_ppm), None);
        add("high_ppm", String::new(), Some(frequency.high_ppm), None);
        add("pilots", String::new(), Some(frequency.pilots as f64), None);
    }
    if let Some(retuning) = figures.retuning {
        let at = retuning.sample_rate_hz.to_string();
        let count = |count: u64| Some(count as f64);
        add(
            "stale_samples",
            at.clone(),
            count(retuning.stale_samples),
            None,
        );
        let settling = retuning.settling_samples.and_then(count);
        add("settling_samples", at.clone(), settling, None);
        add(
            "resolution_samples",
            at.clone(),
            count(retuning.resolution_samples),
            None,
        );
        add(
            "transfers",
            at.clone(),
            Some(f64::from(retuning.transfers)),
            None,
        );
        add(
            "transfer_bytes",
            at.clone(),
            Some(f64::from(retuning.transfer_bytes)),
            None,
        );
        add("trials", at.clone(), Some(retuning.trials as f64), None);
        add("call_s", at, Some(retuning.call_s), None);
    }
    for step in &figures.gain_steps {
        let at = format!("{} to {}", step.from_db, step.to_db);
        add("step_db", at, step.step_db, step.standard_error_db);
    }
    for lost in &figures.lost {
        let at = lost.sample_rate_hz.to_string();
        add("lost_share", at.clone(), lost.share, None);
        add("lost_resolution", at, Some(lost.resolution), None);
    }
    rows
}

fn text(figures: &DongleFigures) -> String {
    let mut text = format!(
        "Dongle {}, tuner {}, {}\n\n",
        figures.serial, figures.tuner, figures.measured_at
    );
    text += &match figures.frequency {
        Some(frequency) => format!(
            "Frequency error: {} ppm (95 %: {} to {}), from {} pilots\n",
            signed(frequency.error_ppm, 2),
            signed(frequency.low_ppm, 2),
            signed(frequency.high_ppm, 2),
            frequency.pilots
        ),
        None => "Frequency error: not measured: no pilot was found\n".into(),
    };
    text += &match figures.retuning {
        Some(retuning) => format!(
            "After tuning: at most {} stale samples, {}; counted to {} samples, {} trials; the call itself takes {:.1} ms\n",
            retuning.stale_samples,
            match retuning.settling_samples {
                Some(settling) => format!("then at most {settling} that are settling"),
                None => "settling not measured: no two channels differ enough".into(),
            },
            retuning.resolution_samples,
            retuning.trials,
            retuning.call_s * 1e3
        ),
        None => "After tuning: not measured: no two channels or gains differ enough, or this computer was too busy\n".into(),
    };
    if !figures.gain_steps.is_empty() {
        text += "\n";
        text += &gain_steps(figures);
    }
    if !figures.lost.is_empty() {
        text += "\n";
        text += &lost(figures);
    }
    text
}

fn gain_steps(figures: &DongleFigures) -> String {
    let head = [
        ("gain dB", Set::Right),
        ("to dB", Set::Right),
        ("true step dB", Set::Right),
        ("± dB", Set::Right),
        ("at MHz", Set::Right),
        ("", Set::Left),
    ];
    table(
        &head,
        figures.gain_steps.iter().map(|step| {
            vec![
                number(Some(step.from_db), 1),
                number(Some(step.to_db), 1),
                number(step.step_db, 2),
                number(step.standard_error_db, 2),
                number(Some(step.centre_hz / 1e6), 3),
                match step.step_db {
                    Some(_) => String::new(),
                    None => "too weak, or clipped".into(),
                },
            ]
        }),
    )
}

fn lost(figures: &DongleFigures) -> String {
    let head = [
        ("MS/s", Set::Right),
        ("lost %", Set::Right),
        ("seen from %", Set::Right),
        ("", Set::Left),
    ];
    table(
        &head,
        figures.lost.iter().map(|lost| {
            vec![
                number(Some(lost.sample_rate_hz / 1e6), 3),
                number(lost.share.map(|share| share * 100.0), 2),
                number(Some(lost.resolution * 100.0), 2),
                match lost.share {
                    Some(_) => String::new(),
                    None => "refused by the dongle".into(),
                },
            ]
        }),
    )
}
