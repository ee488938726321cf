//! The commands: each takes what was typed and prints a result.

mod answers;
pub mod args;
mod cautioned;
mod check;
mod compare;
mod daemon;
mod decode;
mod demo;
mod export;
mod job;
mod keycheck;
mod keycheck_live;
mod learn;
mod line;
mod live;
mod load;
mod locate;
mod new_protocol;
mod patterns;
mod ports;
mod protocol;
mod provoke;
mod readings;
mod report;
mod sections;
mod serve;
mod shell;
mod status;
mod stop;
mod table;

use crate::base::Result;
use crate::face::glossary;
use crate::face::out::{Out, Outcome};
use crate::timeline::Protocols;
use args::{Arguments, Command};

/// Runs one command.
///
/// # Errors
/// What the command gives; the kind decides the exit status.
pub fn run(arguments: Arguments) -> Result<Outcome> {
    let mut out = Out::new(arguments.common.json);
    let user = arguments.common.protocols.as_deref();
    let protocols = || Protocols::load(user);
    let outcome = match arguments.command {
        Command::Demo(options) => demo::run(&options, &protocols()?, &mut out),
        Command::Ports => ports::run(&mut out),
        Command::Watch(options) => live::watch(&options, &protocols()?, &mut out),
        Command::Decode(options) => decode::run(&options, &protocols()?, &mut out),
        Command::Patterns(options) => patterns::run(&options, &protocols()?, &mut out),
        Command::Compare(options) => compare::run(&options, &protocols()?, &mut out),
        Command::Job(options) => job::run(options.command, &protocols()?, &mut out),
        Command::Step(options) => job::step(&options, &protocols()?, &mut out),
        Command::Soak(options) => live::soak(&options, &protocols()?, &mut out),
        Command::Provoke(options) => provoke::run(&options, &protocols()?, &mut out),
        Command::Keycheck(options) => keycheck::run(&options, &protocols()?, &mut out),
        Command::Locate(options) => locate::run(&options, &protocols()?, &mut out),
        Command::Report(options) => report::run(&options, &protocols()?, &mut out),
        Command::Serve(options) => serve::run(&options, user, &mut out),
        Command::Export(options) => export::run(&options, &protocols()?, &mut out),
        Command::Protocol(options) => protocol::run(options.command, user, &mut out),
        Command::Words => out.line(glossary::text().trim_end()).map(|()| Outcome::Done),
        Command::Schema { command } => answers::schema(&command, &mut out),
        Command::Completions { shell } => shell::completions(shell, &mut out),
        Command::Man { folder } => shell::man(&folder, &mut out),
    }?;
    out.flush()?;
    Ok(outcome)
}
