//! Serial ports of this computer, and of serial servers (`tcp:HOST:PORT`): stable names, exclusive open, arrival times, and what "unplugged" looks like.
//!
//! [`list`] names the ports of this machine; [`SerialPort::open`] takes one of them for itself and is a
//! [`ByteSource`](crate::source::ByteSource) from then on. A thread reads the port the moment bytes are there and
//! hands them over through a bounded [queue](QUEUE_BYTES), because the kernel keeps 4 KiB at most and
//! throws even those away when a port is unplugged. When the consumer is so slow that the queue fills, the
//! newest bytes are dropped, counted, and a mark in the right place of the stream tells how many.
//!
//! Nothing is written to the port, unless somebody uses [`Console`] on purpose. The control lines (DTR, RTS) are left as the driver sets them on
//! opening, unless [`PortSpec::dtr`] says otherwise: on many USB adapters opening alone toggles them, which
//! may reset what is attached.
//!
//! What the adapter or its driver loses is marked where the system writes it down (`losses`); breaks and damaged
//! characters are marked within the bytes (`faults`). Where the system does neither, the recording says so.

mod binding;
mod clocks;
mod console;
mod faults;
mod find;
mod holder;
mod identity;
mod list;
mod losses;
mod open;
mod port;
mod queue;
mod spec;
mod wire;

pub use binding::Binding;
pub use console::{Console, LARGEST_COMMAND};
pub use find::{Judge, RATES, Try, find};
pub use identity::System;
pub use list::{PortInfo, Usb, list, list_under};
pub use port::SerialPort;
pub use queue::{Nudge, QUEUE_BYTES};
pub use spec::{Parity, PortSpec};
