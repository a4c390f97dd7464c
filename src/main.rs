//! The `gainsay` command; see `gainsay --help`.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}
