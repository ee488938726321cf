//! The bench daemon as a process of its own, on pseudo-terminals, asked over real sockets.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod hostile;
mod keycheck;
mod life;
mod ports;
mod provoke;
mod units;
mod work;
