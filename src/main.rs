//! Arguments in, exit status out.

use std::process::ExitCode;

use clap::Parser;
use straykey::face::cli;
use straykey::face::cli::args::{Arguments, Command};
use straykey::face::out::{self, Outcome};

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let json = std::env::args_os().take_while(|word| word != "--").any(|word| word == "--json");
            return ExitCode::from(out::misused(&error, json));
        }
    };
    let json = arguments.common.json;
    if !matches!(arguments.command, Command::Serve(_)) {
        // The daemon has a log of its own.
        out::start_log(arguments.common.verbose);
    }
    match cli::run(arguments) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::Found) => ExitCode::from(1),
        // Whoever read our output has seen enough: not a failure.
        Err(error) if out::is_closed(&error) => ExitCode::SUCCESS,
        Err(error) => {
            out::complain(&error, json);
            ExitCode::from(error.exit_status())
        }
    }
}
