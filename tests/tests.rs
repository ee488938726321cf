//! What needs Rust alone, in one binary; a line on what belongs in each room. The other layers are binaries of their own:
//! `trials` takes long, `outside`, `page` and `root` need more than Rust.

mod analysis; // strays, patterns, rates, verdicts; checks against SciPy and papers
mod base; // time, keys, events, errors
mod blind; // what was not observed is never quiet
mod captures; // sample captures and the events beside them
mod daemon; // the bench daemon as a process: requests, ports, crashes, hostile clients
mod decode; // chassis files, shapes, ladders, binary records
mod face; // the program as a user runs it
mod house; // the rules of the house: arrows, lengths, doors
mod journal; // records, recovery, failing disks
mod learn; // shapes, keys and frames from unknown logs; drain3
mod live; // serial ports over pseudo-terminals
mod locate; // ladder faults, fault tree
mod remote; // infrared and CEC
mod signal; // edges, pulses, UART characters, levels
mod source; // capture files
#[allow(dead_code)] // each layer uses a part of it
mod support; // temporary jobs, pseudo-terminals, failing disks; asserts nothing
mod timeline; // jobs, steps, clock, index
