//! A C program, compiled against librtlsdr's own header and linked to the system's librtlsdr, finds the stand-in in its
//! place, calls every function of the header, and gets what the header promises.

#[path = "../../stand_in_support/mod.rs"]
mod stand_in_support;

use std::path::Path;
use std::process::Command;

use stand_in_support::StandIn;

#[test]
fn a_program_linked_to_librtlsdr_runs_on_the_stand_in() {
    if !Path::new("/usr/include/rtl-sdr.h").exists() {
        assert!(std::env::var_os("CI").is_none(), "librtlsdr-dev is missing");
        println!("passed over: there is no rtl-sdr.h (Debian: librtlsdr-dev)");
        return;
    }
    let stand_in = StandIn::new("pace = 'fast'\n[[device]]\nserial = 'C1'\nantenna = 'tape loop'");
    let program = stand_in.path("program");
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/program.c");
    let compiled = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-o"])
        .arg(&program)
        .args([source, "-lrtlsdr"])
        .status()
        .expect("a C compiler");
    assert!(compiled.success());
    let output = Command::new(&program)
        .envs(stand_in.environment())
        // Every symbol that the program wants must be there from the start.
        .env("LD_BIND_NOW", "1")
        .output()
        .expect("the program");
    let printed = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "{}\n{printed}{errors}",
        output.status
    );
    let expected = "\
count 1
name Generic RTL2832U OEM
strings 0 Realtek RTL2838UHIDIR C1
index 0 -3 -1
open 0
again 0 C1
xtal 0 28800000 28800000
set xtal 0 -2
eeprom -3 -3
tuner 1
gains 29 29 0..496
manual 0
gain 0 207
if gain 0
bandwidth 0
agc 0
test mode 0
rate 0 1024000
bad rate -22
correction 0 -7
frequency 0 507000000
direct 0 0
offset -2 0
bias 0 0
reset 0
sync 0 4096
cancel 0
async 0, 1 as long
cancel 0
wait 0
idle -2
close 0
";
    assert_eq!(printed, expected, "{errors}");
    assert_eq!(stand_in.logged("tuned"), ["507000000"]);
    assert_eq!(stand_in.logged("stop"), ["0", "0"]);
}
