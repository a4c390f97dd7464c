//! Progress of long work on standard error, and stopping it with Ctrl-C.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use gainsay::reading::survey::Progress;
use gainsay::units::Hertz;
use indicatif::{ProgressBar, ProgressStyle};

/// A line that says how far the work is; nothing where standard error is no terminal.
pub struct Line {
    bar: ProgressBar,
    /// The tuning that the message names.
    centre: Option<Hertz>,
}

impl Line {
    /// Starts a line. `samples` is how many there will be, where that is known.
    pub fn start(what: &str, samples: Option<u64>) -> Line {
        let bar = match samples {
            Some(samples) => {
                ProgressBar::new(samples).with_style(style("{msg} {bar:24} {percent:>3} %"))
            }
            None => ProgressBar::new_spinner().with_style(style("{msg} {spinner}")),
        };
        bar.set_message(what.to_owned());
        bar.enable_steady_tick(Duration::from_millis(200));
        Line { bar, centre: None }
    }

    /// Says how far a pass is.
    pub fn show(&mut self, what: &str, progress: Progress) {
        self.bar.set_position(progress.samples);
        if self.centre.replace(progress.centre) != Some(progress.centre) {
            let mhz = progress.centre.mhz();
            self.bar.set_message(format!("{what}, {mhz:.1} MHz"));
        }
    }

    /// Says how far other work is.
    pub fn advance(&self, what: &str, steps: u64) {
        self.bar.set_message(what.to_owned());
        self.bar.set_position(steps);
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

/// Whether Ctrl-C was pressed since [`Stop::watch`]; a second press ends the program at once.
#[derive(Clone)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Starts watching.
    pub fn watch() -> Stop {
        let flag = Arc::new(AtomicBool::new(false));
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            let _ =
                signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&flag));
            let _ = signal_hook::flag::register(signal, Arc::clone(&flag));
        }
        Stop(flag)
    }

    /// Whether to stop.
    pub fn asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
