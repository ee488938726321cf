"""Compares the Windows program, run by wine, with the Linux program. tests/windows/run builds both and calls this.

    python3 tests/windows/check.py LINUX WINDOWS.exe [CHECK]…

Prints a line a check and exits with 1 where one fails.
"""

import json
import math
import os
import pathlib
import pty
import shutil
import subprocess
import sys
import termios
import threading
import time
import tomllib
import tty
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
LINUX = [str(pathlib.Path(sys.argv[1]).resolve())]
WINDOWS = ["wine", str(pathlib.Path(sys.argv[2]).resolve())]
WORK = ROOT / "target/windows/work"
# A debug build under wine on a busy machine.
PATIENCE = 300


def run(program, *arguments, cwd=ROOT, status=0):
    """What a program printed on standard output, as bytes."""
    done = subprocess.run([*program, *arguments], cwd=cwd, capture_output=True, timeout=PATIENCE)
    if status is not None and done.returncode != status:
        told = done.stderr.decode(errors="replace")
        raise AssertionError(f"{arguments}: status {done.returncode}: {told}")
    return done.stdout


def samples():
    """The arguments that decode each sample."""
    for how in sorted(ROOT.glob("captures/*/how.toml")):
        for sample in tomllib.loads(how.read_text())["file"]:
            reading = []
            if "chassis" in sample:
                reading += ["--chassis", sample["chassis"]]
            for channel, signal in sample.get("wire", {}).items():
                reading += ["--wire", f"{channel}={signal}"]
            if "sample_rate_hz" in sample:
                reading += ["--sample-rate", str(sample["sample_rate_hz"])]
            yield (how.parent / sample["name"]).relative_to(ROOT).as_posix(), reading
    for journal in sorted(set(ROOT.glob("captures/**/*.journal")) - set(ROOT.glob("captures/**/steps.journal"))):
        yield journal.relative_to(ROOT).as_posix(), []


def decode():
    """Every sample gives the same bytes on both, as events for programs and for people, and as patterns."""
    equal, other = 0, []
    for file, reading in samples():
        for command in (["decode", file, "--json"], ["decode", file], ["patterns", file, "--json"]):
            arguments = [*command, *reading]
            both = [
                subprocess.run([*program, *arguments], cwd=ROOT, capture_output=True, timeout=PATIENCE)
                for program in (LINUX, WINDOWS)
            ]
            assert both[0].returncode == 0 and both[0].stdout, f"{arguments} gives nothing on Linux"
            if both[0].stdout == both[1].stdout and both[1].returncode == 0:
                equal += 1
            else:
                other.append(" ".join(arguments))
    assert equal + len(other) > 50, f"only {equal + len(other)} runs"
    assert not other, f"{equal} runs equal, these differ: {other}"
    return f"{equal} of {equal} runs byte-identical"


def findings(program, job):
    shown = {}
    for command in (["job", "show", job], ["locate", job], ["patterns", job]):
        shown[" ".join(command[:-1])] = json.loads(run(program, *command, "--json", cwd=WORK, status=None))
    return shown


def same(one, two, place=""):
    """Equal words, and numbers equal to six digits: another libm differs in the last of sixteen."""
    if isinstance(one, dict) and isinstance(two, dict):
        assert one.keys() == two.keys(), place
        for key in one:
            same(one[key], two[key], f"{place}.{key}")
    elif isinstance(one, list) and isinstance(two, list):
        assert len(one) == len(two), place
        for number, pair in enumerate(zip(one, two)):
            same(*pair, f"{place}[{number}]")
    elif isinstance(one, float) and isinstance(two, float):
        assert math.isclose(one, two, rel_tol=1e-6, abs_tol=1e-12), (place, one, two)
    else:
        assert one == two, (place, one, two)


def carried():
    """A job goes from Linux to Windows, is worked on there, and comes back; both find the same at each stop."""
    job = "carried"
    shutil.copytree(ROOT / "captures/jobs-0.1.0/built", WORK / job)
    stops = 0
    for step, program in enumerate((LINUX, WINDOWS, LINUX)):
        run(program, "step", job, f"part {step} wiggled", "--kind", "isolate", "--part", "key-cable", cwd=WORK)
        same(findings(LINUX, job), findings(WINDOWS, job))
        stops += 1
    for program, pack in ((LINUX, "linux.tar.gz"), (WINDOWS, "windows.tar.gz")):
        run(program, "job", "pack", job, "--out", pack, cwd=WORK)
    run(LINUX, "job", "open", "windows.tar.gz", "--out", "from-windows", cwd=WORK)
    run(WINDOWS, "job", "open", "linux.tar.gz", "--out", "from-linux", cwd=WORK)
    packed = [findings(LINUX, "from-windows"), findings(WINDOWS, "from-linux")]
    same(*({key: found for key, found in one.items() if key != "job show"} for one in packed))
    return f"{stops} stops and a pack each way: equal words, numbers equal to six digits"


class Set:
    """A set that prints on COM1."""

    def __init__(self):
        self.near, far = pty.openpty()
        tty.setraw(far)
        name = os.ttyname(far)
        self.far = far
        self.speaks = True
        settings = termios.tcgetattr(far)
        termios.tcsetattr(far, termios.TCSANOW, settings)
        subprocess.run(
            ["wine", "reg", "add", r"HKLM\Software\Wine\Ports", "/v", "COM1", "/d", name, "/f"],
            check=True, capture_output=True, timeout=PATIENCE,
        )
        server = next(path for path in map(pathlib.Path, servers()) if path.is_file())
        # The ports are made when the server starts.
        subprocess.run([server, "-w"], check=True, timeout=PATIENCE)
        os.set_blocking(self.near, False)
        self.thread = threading.Thread(target=self.speak, daemon=True)
        self.thread.start()

    def speak(self):
        begun = time.monotonic()
        beat = 0
        while self.speaks:
            ms = beat * 50
            stray = ms % 1200 < 150
            text = "".join(
                f"[{ms // 1000}.{ms % 1000:03d}] keyscan: line={line} adc=0x{counts:03x}\r\n"
                for line, counts in (("KEY1", 0x085 if stray else 0x3FF), ("KEY2", 0x3FF))
            )
            try:
                os.write(self.near, text.encode())
            except BlockingIOError:
                pass
            except OSError:
                return
            beat += 1
            time.sleep(max(0, begun + beat * 0.05 - time.monotonic()))

    def vanish(self):
        self.speaks = False
        self.thread.join()
        os.close(self.near)
        os.close(self.far)


def servers():
    yield from (shutil.which(name) or "" for name in ("wineserver", "wineserver64"))
    for folder in ("/usr/lib/wine", "/usr/lib/x86_64-linux-gnu/wine"):
        yield from (f"{folder}/{name}" for name in ("wineserver64", "wineserver"))


def marks(job):
    """The marks of the last capture, from the job as Linux reads it."""
    shown = json.loads(run(LINUX, "job", "show", job, "--json", cwd=WORK, status=None))
    return shown["stages"][-1]


def port():
    """COM1 over a pseudo-terminal: a soak is killed and its recording is sound; another goes on; the port vanishes."""
    job = "com"
    run(WINDOWS, "job", "new", job, "--set", "bench set", "--chassis", "alder", cwd=WORK)
    printing = Set()
    arguments = ["soak", job, "--port", "COM1", "--minutes", "30", "--cautions-read", "--full", "--unattended"]
    soak = subprocess.Popen([*WINDOWS, *arguments], cwd=WORK, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    raw = WORK / job / "raw"
    until(lambda: any(path.stat().st_size > 8000 for path in raw.glob("*soak*")), "nothing is recorded")
    # Who has the job can be read beside it.
    assert b"process" in (WORK / job / "job.lock").read_bytes()
    busy = subprocess.run(
        [*WINDOWS, "step", job, "x", "--kind", "repair"], cwd=WORK, capture_output=True, timeout=PATIENCE
    )
    assert busy.returncode == 4 and b"the job is open in process" in busy.stderr, busy
    soak.kill()
    soak.wait()
    until(lambda: resumed(job, arguments), "the second soak records nothing")
    second = resumed.soak
    time.sleep(8)
    printing.vanish()
    told = second.communicate(timeout=PATIENCE)[1].decode(errors="replace")
    assert second.returncode == 4, (second.returncode, told)
    last = marks(job)
    text = json.dumps(last)
    assert "port_gone" in text, text
    seen = [path["observed_s"] for path in last["paths"] if path.get("observed_s")]
    assert seen and max(seen) < 120, seen
    return f"killed, resumed, vanished: status {second.returncode}, blind as port_gone, {max(seen):.1f} s observed"


def resumed(job, arguments):
    if not hasattr(resumed, "soak"):
        resumed.soak = subprocess.Popen(
            [*WINDOWS, *arguments, "--no-wait"], cwd=WORK, stderr=subprocess.PIPE, stdout=subprocess.PIPE
        )
    assert resumed.soak.poll() is None, resumed.soak.communicate()
    found = sorted((WORK / job / "raw").glob("*soak*"))
    return len(found) > 1 and found[-1].stat().st_size > 8000


def demo():
    """The whole job on the simulated set, and the daemon with the page."""
    told = json.loads(run(WINDOWS, "demo", "--out", "demo", "--json", cwd=WORK))
    report = (WORK / "demo/report.html").read_bytes()
    assert told["simulated"] and len(report) > 20_000, told
    served = subprocess.Popen(
        [*WINDOWS, "serve", "--demo", "--out", "served", "--listen", "127.0.0.1:4199", "--json"],
        cwd=WORK, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )
    try:
        first = json.loads(served.stdout.readline())
        assert "\\\\?\\" not in json.dumps(first), first
        token = (WORK / "served/token").read_text().strip()
        request = urllib.request.Request(
            "http://127.0.0.1:4199/api/v1/status", headers={"Authorization": f"Bearer {token}"}
        )
        status = json.loads(urllib.request.urlopen(request, timeout=60).read())
        page = urllib.request.urlopen("http://127.0.0.1:4199/", timeout=60).read()
        assert b"<html" in page and status["ports"] == 1 and status["memory_bytes"] > 0, status
    finally:
        served.kill()
        served.wait()
    return f"demo in {told['seconds']:.0f} s, page {len(page)} bytes, daemon {status['memory_bytes'] >> 20} MB"


def until(true, what):
    begun = time.monotonic()
    while not true():
        assert time.monotonic() - begun < PATIENCE, what
        time.sleep(0.5)


def main():
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir(parents=True)
    wanted = sys.argv[3:]
    failed = 0
    for check in (decode, carried, port, demo):
        if wanted and check.__name__ not in wanted:
            continue
        begun = time.monotonic()
        try:
            said = "ok      " + check.__name__ + ": " + check()
        except Exception as error:  # each check is tried, whatever another met
            failed += 1
            said = f"FAILED  {check.__name__}: {type(error).__name__}: {error}"
        print(f"{said} ({time.monotonic() - begun:.0f} s)", flush=True)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
