//! How long `watch` takes from the last byte of a line on the port to the event on its output.
//!
//! `cargo run --release --example watch_latency -- [LINES]`: a pseudo-terminal, the release program on its other
//! end, lines at irregular moments, each a key going down or up. Prints percentiles. Linux only; build the program
//! first (`cargo build --release`).

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let count: usize = std::env::args().nth(1).map_or(Ok(1000), |text| text.parse())?;
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let name = ptsname(&master, Vec::new())?.into_string()?;
    let keep = OpenOptions::new().read(true).write(true).open(&name)?;
    let mut settings = tcgetattr(&keep)?;
    settings.make_raw();
    tcsetattr(&keep, OptionalActions::Now, &settings)?;
    let mut set = File::from(master);
    let program = std::env::current_exe()?.with_file_name("../straykey");
    let mut child = Command::new(program)
        .args(["watch", "--port", &name, "--chassis", "linux-input", "--json", "--cautions-read"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()?;
    let mut events = BufReader::new(child.stdout.take().ok_or("no output")?);
    std::thread::sleep(Duration::from_millis(1000));
    let mut delays = Vec::with_capacity(count);
    let mut line = String::new();
    for i in 0..count {
        // Between 1 and 40 ms apart: in and out of step with every time-out in the program.
        std::thread::sleep(Duration::from_micros(1000 + (i as u64 * 7919) % 39_000));
        let (second, micro, down) = (100 + i / 20, (i % 20) * 50_000, i % 2 == 0);
        let word = if down { "DOWN" } else { "UP" };
        let text = format!("[{second:8}.{micro:06}] EV_KEY       KEY_VOLUMEUP         {word:<20}\n");
        let begin = Instant::now();
        set.write_all(text.as_bytes())?;
        line.clear();
        events.read_line(&mut line)?;
        delays.push(begin.elapsed());
        if !line.contains("KEY_VOLUMEUP") {
            return Err(format!("unexpected: {line}").into());
        }
    }
    child.kill()?;
    child.wait()?;
    delays.sort();
    let at = |share: f64| delays[((delays.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    writeln!(
        std::io::stdout(),
        "{count} lines: median {:.3} ms, 95 % {:.3} ms, 99 % {:.3} ms, slowest {:.3} ms",
        at(0.5),
        at(0.95),
        at(0.99),
        at(1.0)
    )?;
    Ok(())
}
