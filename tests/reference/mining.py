"""Lines of known origin, and how drain3 groups them: mining.csv.

    python3 tests/reference/mining.py FOLDER          writes FOLDER/mining.csv
    python3 tests/reference/mining.py time FILE       says how long drain3 takes for the lines of FILE

The reference implementation is drain3 (He, Zhu, Zheng, Lyu 2017) with its defaults (depth 4, similarity 0.4,
100 children), once on the lines as they stand and once with the masks that its own documentation gives as the
example (numbers, hexadecimal numbers). No log benchmark is in the package registries (looked for: drain3, logai,
loghub, logparser, log-ai-compressor), hence generated lines: 8 programs, each with statements of its own, of
which the statement that printed a line is the truth. Statements are written as programs print them, with fields
of different kinds; which fields and words is drawn with a fixed seed.
"""

import random
import sys
import time
from pathlib import Path

from drain3 import TemplateMiner
from drain3.masking import MaskingInstruction
from drain3.template_miner_config import TemplateMinerConfig

LINES = 600

FIELDS = {
    "int": lambda r: str(r.randrange(0, 5000)),
    "small": lambda r: str(r.randrange(0, 8)),
    "signed": lambda r: str(r.randrange(-60, 60)),
    "hex": lambda r: f"0x{r.randrange(0, 1 << 16):04x}",
    "barehex": lambda r: f"{r.randrange(0, 1 << 32):08x}",
    "sec": lambda r: f"{r.uniform(0, 90):.3f}",
    "word": lambda r: r.choice(["hdmi", "tuner", "usb", "panel", "audio", "kernel", "keypad", "remote", "net", "disk"]),
    "state": lambda r: r.choice(["on", "off"]),
    "press": lambda r: r.choice(["pressed", "released", "repeat"]),
    "key": lambda r: r.choice(["VOL+", "VOL-", "MENU", "OK", "CH+", "CH-", "INPUT", "POWER"]),
    "dev": lambda r: r.choice(["tty", "sda", "eth", "ch", "port"]) + str(r.randrange(0, 6)),
    "bytes": lambda r: " ".join(f"{r.randrange(0, 256):02x}" for _ in range(r.randrange(1, 6))),
    "ver": lambda r: f"{r.randrange(1, 5)}.{r.randrange(0, 20)}.{r.randrange(0, 9)}",
}

STATEMENTS = [
    "keypad: key {key} {press}",
    "kpd: scan line={dev} adc={hex} ok",
    "kpd: line {dev} idle at {int}",
    "adc: ch {small} value {int}",
    "adc: ch {small} value {int} debounced",
    "ir: rx code {hex} repeat {small}",
    "ir: noise, {int} edges in {sec} s",
    "ir: receiver {state}",
    "cec: rx {bytes}",
    "cec: bus free after {int} us",
    "audio: volume {small} -> {small}",
    "audio: route to {word}",
    "audio: mute {state}",
    "osd: set item={word} value={small}",
    "osd: hide",
    "osd: show {word} page {small}",
    "tuner: preset {small} locked at {int} kHz",
    "tuner: signal {signed} dBm snr {sec}",
    "tuner: no signal on {word}",
    "power: state={state} cause={word}",
    "power: rail {dev} {sec} V",
    "boot: firmware {ver} built for {word}",
    "boot ok",
    "mem: {int} kB free, {int} kB in cache",
    "thermal: zone{small} at {signed} C",
    "i2c: bus {small} addr {hex} nak",
    "i2c: transfer of {int} bytes to {hex} failed ({signed})",
    "dma: channel {small} buffer {barehex} done",
    "video: mode {int}x{int} at {sec} Hz",
    "video: plane {small} {state}",
    "hdmi: hot plug {state} on port {small}",
    "hdmi: edid checksum {hex} wrong, expected {hex}",
    "net: link {dev} {state} {int} mbps",
    "net: lease of {int} s from server {small}",
    "usb: device {dev} attached, class {barehex}",
    "fs: mounted {dev} in {sec} s",
    "sched: task {word} late by {int} us",
    "watchdog: kick {int}",
    "panic: assertion in {word} at line {int}",
    "config: {word}={int} saved",
]

STAMPS = [
    lambda t: f"[{t:.3f}] ",
    lambda t: f"[{t:12.6f}] ",
    lambda t: f"{t * 1000:.0f} ",
    lambda t: "",
]


def program(number):
    """Lines of one program and the statement of each."""
    r = random.Random(100 + number)
    chosen = r.sample(range(len(STATEMENTS)), 18)
    weights = [1.0 / (1 + i) for i in range(len(chosen))]
    stamp = STAMPS[number % len(STAMPS)]
    t = r.uniform(1, 50)
    out = []
    for _ in range(LINES):
        statement = r.choices(chosen, weights)[0]
        text = STATEMENTS[statement]
        while "{" in text:
            start = text.index("{")
            end = text.index("}")
            text = text[:start] + FIELDS[text[start + 1 : end]](r) + text[end + 1 :]
        t += r.expovariate(20)
        out.append((statement, stamp(t) + text))
    return out


def miner(masked):
    config = TemplateMinerConfig()
    config.profiling_enabled = False
    if masked:
        config.masking_instructions = [
            MaskingInstruction(r"((?<=[^A-Za-z0-9])|^)(0x[a-f0-9A-F]+)((?=[^A-Za-z0-9])|$)", "HEX"),
            MaskingInstruction(r"((?<=[^A-Za-z0-9])|^)([\-\+]?\d+)((?=[^A-Za-z0-9])|$)", "NUM"),
        ]
    return TemplateMiner(config=config)


def write(folder):
    with open(Path(folder) / "mining.csv", "w", encoding="ascii") as table:
        table.write("# program, true statement, drain3 group, drain3 group with masks, line (the rest)\n")
        for number in range(8):
            plain, masked = miner(False), miner(True)
            for statement, line in program(number):
                a = plain.add_log_message(line)["cluster_id"]
                b = masked.add_log_message(line)["cluster_id"]
                table.write(f"{number},{statement},{a},{b},{line}\n")


def stopwatch(file):
    lines = Path(file).read_text(encoding="utf-8", errors="replace").splitlines()
    for masked in (False, True):
        reference = miner(masked)
        start = time.process_time()
        for line in lines:
            reference.add_log_message(line)
        seconds = time.process_time() - start
        name = "masked" if masked else "plain"
        print(f"drain3 {name} {len(lines)} lines {seconds:.3f} s {len(lines) / seconds:.0f} lines/s")


if __name__ == "__main__":
    if sys.argv[1] == "time":
        stopwatch(sys.argv[2])
    else:
        write(sys.argv[1])
