//! One test binary; a line on what belongs in each room.

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
mod page; // the bench page and the report in a browser
mod remote; // infrared and CEC
mod rewriting; // one capture, saved in every way that a bench saves one
mod signal; // edges, pulses, UART characters, levels
mod source; // capture files
mod support; // temporary jobs, pseudo-terminals, failing disks; asserts nothing
mod timeline; // jobs, steps, clock, index
