//! Help, version, and the exit status of asking wrongly.

use crate::program::Place;

const COMMANDS: [&[&str]; 16] = [
    &["demo"],
    &["take"],
    &["trial"],
    &["turn"],
    &["compare"],
    &["channels"],
    &["dongle"],
    &["dongle", "check"],
    &["log"],
    &["log", "show"],
    &["log", "export"],
    &["log", "import"],
    &["log", "note"],
    &["log", "delete"],
    &["log", "restore"],
    &["log", "purge"],
];

#[test]
fn every_command_shows_an_example_of_itself() {
    let place = Place::new();
    for command in COMMANDS {
        let help = place.text(command.iter().copied().chain(["--help"]));
        let example = help
            .lines()
            .skip_while(|line| !line.starts_with("Example"))
            .nth(1)
            .unwrap_or_else(|| panic!("no example in {help}"));
        let start = format!("gainsay {}", command.join(" "));
        assert!(example.trim().starts_with(&start), "{example}");
    }
}

#[test]
fn the_examples_are_understood() {
    // Every example's first command is run as it stands: what it names is missing, but nothing in it is wrong usage.
    let place = Place::new();
    for command in COMMANDS.iter().filter(|command| **command != ["demo"]) {
        let help = place.text(command.iter().copied().chain(["--help"]));
        let example: String = help
            .lines()
            .skip_while(|line| !line.starts_with("Example"))
            .skip(1)
            .scan(true, |goes_on, line| {
                let now = *goes_on;
                *goes_on = line.ends_with('\\');
                now.then(|| format!("{} ", line.trim_end_matches('\\')))
            })
            .collect();
        let mut words = Vec::new();
        for (index, quoted) in example.split('"').enumerate() {
            match index % 2 {
                0 => words.extend(quoted.split_whitespace()),
                _ => words.push(quoted),
            }
        }
        let output = place.run(&words[1..]).output().expect("it runs");
        assert_ne!(output.status.code(), Some(2), "{words:?}: {output:?}");
    }
}

#[test]
fn help_covers_every_command() {
    let place = Place::new();
    let help = place.text(["--help"]);
    for command in COMMANDS {
        assert!(help.contains(&format!("\n  {}", command[0])), "{command:?}");
    }
    assert!(place.text(["--version"]).starts_with("gainsay "));
}

#[test]
fn wrong_usage_is_one_line_that_says_what_and_status_2() {
    let place = Place::with_takes();
    for (arguments, says) in [
        (&["tke"][..], &["tke", "take"][..]),
        (&["take", "--form", "x"], &["--form", "--from"]),
        (&["take", "--from", "x"], &["--antenna", "--spot"]),
        (&["compare", "loop"], &["<B>"]),
        (
            &["channels", "--format", "xml"],
            &["xml", "table, csv, json"],
        ),
        (&["channels", "--channels", "7"], &["--plan"]),
        (&["channels", "--plan", "uss"], &["uss", "did you mean us"]),
        (&["channels", "--plan", "us", "--channels", "99"], &["99"]),
        (&["channels", "--plan", "us", "--channels", "9-"], &["9-"]),
        (
            &["compare", "loop", "ears", "--mating", "much"],
            &["much", "--mating"],
        ),
        (
            &["compare", "loop", "ears", "--apart", "soon"],
            &["soon", "--apart"],
        ),
        (
            &["compare", "loop", "ears", "--explain", "99"],
            &["99", "20, 21, 22, 23"],
        ),
        (
            &["compare", "loop", "ears", "--rate", "fast"],
            &["fast", "2.4M"],
        ),
        (
            &["compare", "loop", "ears", "--terminated", "x.bin"],
            &["--terminated"],
        ),
        (&["log", "show", "first"], &["first", "<ID>"]),
        (&["log", "export", "--format", "table"], &["csv or json"]),
        (&["log", "import", "takes.txt"], &["takes.txt"]),
        (&["log", "delete", "1"], &["--yes"]),
    ] {
        place.refuses(2, arguments, says);
    }
}
