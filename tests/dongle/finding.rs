//! Which dongles there are, and opening the one that is meant.

use super::child::{Pass, list, passes, two_at_once};
use super::stand_in_support::StandIn;

const TWO: &str = "pace = 'fast'\n[[device]]\nserial = 'NORTH'\n[[device]]\nserial = 'SOUTH'";

#[test]
fn dongles_are_listed_with_serials_tuners_and_gains() {
    let found = list(&StandIn::new(TWO));
    let serials: Vec<_> = found
        .iter()
        .map(|dongle| dongle.serial.as_deref())
        .collect();
    assert_eq!(serials, [Some("NORTH"), Some("SOUTH")]);
    for dongle in &found {
        assert_eq!(dongle.product.as_deref(), Some("RTL2838UHIDIR"));
        assert_eq!(dongle.tuner, Ok(("R820T".to_owned(), 29)));
    }
    assert!(list(&StandIn::new("")).is_empty());
}

#[test]
fn a_dongle_is_opened_by_its_serial_or_its_place() {
    for (choice, serial) in [("SOUTH", "SOUTH"), ("#0", "NORTH")] {
        let stand_in = StandIn::new(TWO);
        let pass = Pass {
            choice: Some(choice.into()),
            ..Pass::over(&[500.0])
        };
        let passed = passes(&pass, &stand_in);
        assert_eq!(passed.errors(), [""; 0]);
        assert_eq!(passed.tunings[0].samples, 24_000);
        let started: Vec<String> = stand_in
            .log()
            .lines()
            .filter(|line| line.contains(" start "))
            .map(str::to_owned)
            .collect();
        assert!(
            started.len() == 1 && started[0].contains(serial),
            "{started:?}"
        );
    }
}

#[test]
fn what_can_not_be_opened_is_told_with_what_to_do() {
    let said = |plugged: &str, choice: Option<&str>| {
        let pass = Pass {
            choice: choice.map(str::to_owned),
            ..Pass::over(&[500.0])
        };
        let passed = passes(&pass, &StandIn::new(&format!("pace = 'fast'\n{plugged}")));
        assert!(passed.tunings.is_empty());
        passed.error.expect("an error")
    };
    let two = TWO.split_once('\n').unwrap().1;
    assert_eq!(
        said("", None),
        "no dongle is plugged in: plug one in; where one is, try another port, without a hub between"
    );
    assert_eq!(
        said(two, None),
        "several dongles are plugged in (#0: serial NORTH, #1: serial SOUTH): name one with --dongle SERIAL"
    );
    assert_eq!(
        said(two, Some("EAST")),
        "no dongle has the serial number EAST; plugged in: #0: serial NORTH, #1: serial SOUTH"
    );
    assert_eq!(
        said(two, Some("#2")),
        "there is no dongle #2; plugged in: #0: serial NORTH, #1: serial SOUTH"
    );
    let with = |kind: &str| format!("[[device]]\n[[device.fault]]\nkind = '{kind}'");
    let busy = said(&with("busy"), None);
    assert!(
        busy.starts_with("dongle 00000001: another program has it: close that;"),
        "{busy}"
    );
    // Its strings can't be read either, so it has no serial.
    let denied = said(&with("denied"), None);
    assert!(
        denied.starts_with(
            "dongle #0: may not be opened by this user: install the driver's udev rules"
        ),
        "{denied}"
    );
}

#[test]
fn an_odd_gain_table_is_told_and_nothing_panics() {
    for returned in [0, -5, 28, 33, 300, i32::MAX] {
        let stand_in = StandIn::new(&format!(
            "pace = 'fast'\n[[device]]\ngains_returned = {returned}"
        ));
        let error = list(&stand_in)[0].tuner.clone();
        let passed = passes(&Pass::over(&[500.0]), &stand_in);
        if (1..=256).contains(&returned) {
            // As many as are told are taken, where they make sense.
            assert!(error.is_ok() || passed.error.is_some(), "{error:?}");
            continue;
        }
        let expected = format!(
            "dongle 00000001: the driver's gain table can't be used (it says that there are {returned} gains): plug the \
             dongle out and in again"
        );
        assert_eq!(error, Err(expected.clone()));
        assert_eq!(passed.error, Some(expected));
    }
}

#[test]
fn a_sample_rate_that_is_refused_is_told_with_those_that_are_not() {
    for sample_rate in [0, 225_000, 300_001, 900_000, 3_200_001, u32::MAX] {
        let pass = Pass {
            sample_rate,
            ..Pass::over(&[500.0])
        };
        let passed = passes(&pass, &StandIn::new("pace = 'fast'\n[[device]]"));
        let expected = format!(
            "dongle 00000001: refuses {sample_rate} samples a second: it takes 225001 to 300000 and 900001 to 3200000; \
             2.4M is the usual"
        );
        assert_eq!(passed.error, Some(expected));
    }
}

#[test]
fn two_dongles_are_read_at_once() {
    let pass = Pass::over(&[500.0, 530.0]);
    let stand_in = StandIn::new(TWO);
    let both = two_at_once(&pass, ["NORTH", "SOUTH"], &stand_in);
    for passed in &both {
        assert_eq!(passed.errors(), [""; 0]);
        assert_eq!(passed.tunings.len(), 2);
    }
    assert_eq!(stand_in.logged("tuned").len(), 4);
}
