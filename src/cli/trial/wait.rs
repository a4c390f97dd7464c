//! Waiting until an antenna is connected: for Enter, for a time, or for `gainsay trial --go` in another terminal.

use std::io::{self, IsTerminal, Write};
use std::path::Path;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use gainsay::logbook::Logbook;
use jiff::Timestamp;

use crate::cli::Failure;
use crate::cli::progress::{Line, Stop};

/// How often a waiting trial looks whether it may go on.
const LOOKS: Duration = Duration::from_millis(150);
/// How long `trial --go` waits for a trial to take it up.
const TAKEN_UP: Duration = Duration::from_secs(3);
/// Where the logbook has what `trial --go` asks and the trial answers.
const GO: &str = "trial-go";
const ASKED: &str = "asked ";
const TAKEN: &str = "taken ";
const EARLY: &str = "early ";

/// What tells a trial to go on.
pub enum Pace {
    /// Enter on standard input, or `trial --go`.
    Enter(Keyboard),
    /// A time.
    After(Duration),
    /// `trial --go` alone.
    Go,
}

/// How a wait ended.
pub enum Waited {
    /// The antenna is on.
    GoOn,
    /// Ctrl-C.
    Stopped,
    /// Nobody is there to say so.
    InputEnded,
}

/// Writes to standard error; whoever doesn't read it misses it.
pub fn say(text: &str) {
    let mut err = io::stderr().lock();
    let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
}

/// Lines from standard input, read by a thread of their own so that waiting for them can be broken off.
pub struct Keyboard {
    lines: Receiver<String>,
    /// Whether somebody types them.
    typed: bool,
}

impl Keyboard {
    /// Starts to read.
    pub fn new() -> Keyboard {
        let (lines, heard) = mpsc::channel();
        thread::spawn(move || {
            for line in io::stdin().lines() {
                let Ok(line) = line else { return };
                if lines.send(line).is_err() {
                    return;
                }
            }
        });
        Keyboard {
            lines: heard,
            typed: io::stdin().is_terminal(),
        }
    }

    /// Forgets what was typed before it was asked for: Enter pressed twice would go on before the plug is swapped. What
    /// comes through a pipe was written for what will be asked.
    fn forget(&self) {
        if self.typed {
            while self.lines.try_recv().is_ok() {}
        }
    }
}

impl Pace {
    /// Waits until what `prompt` asks for is done.
    pub fn wait(
        &self,
        prompt: &str,
        logbook: &mut Logbook,
        stop: &Stop,
    ) -> Result<Waited, Failure> {
        refuse_early(logbook)?;
        match self {
            Pace::Enter(keyboard) => {
                keyboard.forget();
                say(&format!("{prompt}, then press Enter. "));
                let waited = wait_for_enter(keyboard, logbook, stop);
                say("\n");
                waited
            }
            Pace::After(time) => {
                say(&format!(
                    "{prompt}: going on in {} s.\n",
                    time.as_secs_f64()
                ));
                Ok(count_down(prompt, *time, stop))
            }
            Pace::Go => {
                say(&format!("{prompt}, then run `gainsay trial --go`.\n"));
                loop {
                    if stop.asked() {
                        return Ok(Waited::Stopped);
                    }
                    if may_go(logbook)? {
                        return Ok(Waited::GoOn);
                    }
                    thread::sleep(LOOKS);
                }
            }
        }
    }

    /// Asks for one of several letters; `None` where nobody is asked, or nobody answers.
    pub fn ask(&self, question: &str, letters: &str, stop: &Stop) -> Option<char> {
        let Pace::Enter(keyboard) = self else {
            return None;
        };
        keyboard.forget();
        say(&format!("{question} "));
        loop {
            if stop.asked() {
                return None;
            }
            match keyboard.lines.recv_timeout(LOOKS) {
                Ok(line) => {
                    let letter = line.trim().to_lowercase().chars().next();
                    if let Some(letter) = letter.filter(|letter| letters.contains(*letter)) {
                        return Some(letter);
                    }
                    let choice: Vec<String> = letters.chars().map(String::from).collect();
                    say(&format!("Answer {}. ", choice.join(" or ")));
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return None,
            }
        }
    }
}

fn wait_for_enter(
    keyboard: &Keyboard,
    logbook: &mut Logbook,
    stop: &Stop,
) -> Result<Waited, Failure> {
    loop {
        if stop.asked() {
            return Ok(Waited::Stopped);
        }
        match keyboard.lines.recv_timeout(LOOKS) {
            Ok(_) => return Ok(Waited::GoOn),
            Err(RecvTimeoutError::Disconnected) => return Ok(Waited::InputEnded),
            Err(RecvTimeoutError::Timeout) if may_go(logbook)? => return Ok(Waited::GoOn),
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

fn count_down(prompt: &str, time: Duration, stop: &Stop) -> Waited {
    let line = Line::start(prompt, None);
    let begun = Instant::now();
    while let Some(left) = time
        .checked_sub(begun.elapsed())
        .filter(|left| !left.is_zero())
    {
        if stop.asked() {
            return Waited::Stopped;
        }
        line.advance(&format!("{prompt}: {} s", left.as_secs() + 1), 0);
        thread::sleep(left.min(LOOKS));
    }
    if stop.asked() {
        Waited::Stopped
    } else {
        Waited::GoOn
    }
}

/// Whether `trial --go` was run since this wait began; answers it.
fn may_go(logbook: &mut Logbook) -> Result<bool, Failure> {
    answer(logbook, TAKEN)
}

/// Whoever said go before being asked did not mean this wait.
fn refuse_early(logbook: &mut Logbook) -> Result<(), Failure> {
    answer(logbook, EARLY).map(|_| ())
}

fn answer(logbook: &mut Logbook, word: &str) -> Result<bool, Failure> {
    let Some(value) = logbook.setting(GO)? else {
        return Ok(false);
    };
    let Some(which) = value.strip_prefix(ASKED) else {
        return Ok(false);
    };
    logbook.set_setting(GO, Some(&format!("{word}{which}")))?;
    Ok(true)
}

/// `gainsay trial --go`: tells the trial that waits to go on, and waits until it has heard.
pub fn go(path: &Path) -> Result<(), Failure> {
    let mut logbook = Logbook::open_existing(path)?;
    let which = format!("{} {}", Timestamp::now(), std::process::id());
    logbook.set_setting(GO, Some(&format!("{ASKED}{which}")))?;
    let begun = Instant::now();
    while begun.elapsed() < TAKEN_UP {
        thread::sleep(LOOKS / 3);
        let value = logbook.setting(GO)?.unwrap_or_default();
        if value == format!("{TAKEN}{which}") {
            logbook.set_setting(GO, None)?;
            say("gainsay: the trial goes on\n");
            return Ok(());
        }
        if value == format!("{EARLY}{which}") {
            break;
        }
    }
    logbook.set_setting(GO, None)?;
    Err(Failure::Failed(format!(
        "no trial is waiting with {}: say go when it asks for an antenna, and give the same --log",
        path.display()
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_typed_before_it_was_asked_for_is_forgotten_and_what_comes_through_a_pipe_is_not() {
        for typed in [true, false] {
            let (sender, lines) = mpsc::channel();
            let keyboard = Keyboard { lines, typed };
            sender.send(String::new()).unwrap();
            keyboard.forget();
            assert_eq!(keyboard.lines.try_recv().is_ok(), !typed);
        }
    }
}
