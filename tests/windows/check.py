"""Compares the Windows program, run by wine, with the Linux program. tests/windows/run builds both and calls this.

    python3 tests/windows/check.py LINUX WINDOWS.exe [CHECK]…

Prints a line a check and exits with 1 where one fails.
"""

import json
import math
import os
import shutil
import subprocess
import sys
import threading
import time
import urllib.request

from bench import (
    KEYS, LINUX, PATIENCE, REST, ROOT, VERBATIM, WINDOWS, WORK, Server, Started, Terminal, answer, lines, quiet, resident, run, strays, until,
)

sys.path.insert(0, str(ROOT / "tests"))
from samples import compare


def decode():
    """Every sample gives the same bytes on both, as events for programs and for people, and as patterns."""
    return f"{compare(LINUX, WINDOWS)} runs byte-identical"


def findings(program, job):
    shown = {}
    for command in (["job", "show", job], ["locate", job], ["patterns", job]):
        shown[" ".join(command[:-1])] = answer(program, *command, status=None)
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
        run(program, "step", job, f"part {step} wiggled", "--kind", "isolate", "--part", "key-cable")
        same(findings(LINUX, job), findings(WINDOWS, job))
        stops += 1
    for program, pack in ((LINUX, "linux.tar.gz"), (WINDOWS, "windows.tar.gz")):
        run(program, "job", "pack", job, "--out", pack)
    run(LINUX, "job", "open", "windows.tar.gz", "--out", "from-windows")
    run(WINDOWS, "job", "open", "linux.tar.gz", "--out", "from-linux")
    packed = [findings(LINUX, "from-windows"), findings(WINDOWS, "from-linux")]
    same(*({key: found for key, found in one.items() if key != "job show"} for one in packed))
    return f"{stops} stops and a pack each way: equal words, numbers equal to six digits"


def alder(job):
    run(WINDOWS, "job", "new", job, "--set", "bench set", "--chassis", "alder")
    return job


def believed_repaired(job):
    """A job of a set that strayed for two minutes, and was then repaired, as its owner believes."""
    (WORK / f"{job}.log").write_bytes(b"".join(lines(ms, strays(ms)) for ms in range(1000, 121_000, 50)))
    (WORK / f"{job}.toml").write_text(
        'set = "bench set"\nchassis = "alder"\n[[stage]]\nstep = "as received"\n'
        f'[[stage.capture]]\nfile = "{job}.log"\nhands = "off"\n'
    )
    run(WINDOWS, "job", "build", f"{job}.toml", "--out", job)
    run(WINDOWS, "step", job, "key board cleaned", "--kind", "repair", "--part", "key-board")
    return job


def soak(job, port, *more, minutes=30):
    return Started("soak", job, "--port", port, "--minutes", minutes, "--cautions-read", "--json", *more)


def key1(stage):
    return next(path for path in stage["paths"] if path["line"] == "KEY1")


def last_stage(job):
    """The last stage, from the job as Linux reads it."""
    return answer(LINUX, "job", "show", job, status=None)["stages"][-1]


def raw(job):
    """The recordings of a job, the oldest first."""
    return sorted((WORK / job / "raw").glob("*.journal"))


def recorded(job, number, started):
    """Waits until the recording with this number has grown."""
    def grown():
        assert started.runs(), started.text()
        return len(raw(job)) >= number and raw(job)[number - 1].stat().st_size > 8000
    until(grown, lambda: f"nothing is recorded: {started.text()}")


def server():
    """Soaks over a serial server: one of a quiet set, one whose server hangs up, one whose server comes back."""
    printing = Server(quiet)
    job = believed_repaired("quiet")
    sound = soak(job, printing.port, minutes=0.2)
    assert sound.ended() == 0, sound.text()
    told = json.loads("".join(sound.out))["soak"]
    assert told["verdict"] == "gone" and last_stage(job)["comparison"]["verdict"] == "gone", told
    job = believed_repaired("hung-up")
    cut = soak(job, printing.port, "--no-wait", minutes=0.2)
    cut.says("Listening")
    time.sleep(1)
    printing.switch_off()
    assert cut.ended() == 4 and "the port is gone" in cut.text(), cut.text()
    stage = last_stage(job)
    assert stage["comparison"]["verdict"] != "gone", stage
    assert key1(stage)["observed_s"] < 5, key1(stage)
    printing.switch_on()
    job = believed_repaired("back")
    patient = soak(job, printing.port, minutes=0.2)
    patient.says("Listening")
    time.sleep(1)
    printing.switch_off()
    patient.says("The serial server has hung up")
    time.sleep(5)
    printing.switch_on()
    patient.says("The serial server is back")
    assert patient.ended() == 0, patient.text()
    gap = next(blind for blind in key1(last_stage(job))["blind"] if blind["reason"] == "port_gone")
    assert gap["to_s"] - gap["from_s"] > 4, gap
    printing.end()
    gap = gap["to_s"] - gap["from_s"]
    return f"a quiet set is gone, a server that hangs up is told as gone, one that was away for {gap:.1f} s is blind time"


def port():
    """COM1 over a pseudo-terminal: a soak is killed and its recording is sound; another goes on; the port vanishes."""
    job = alder("com")
    printing = Terminal(strays)
    first = soak(job, "COM1", "--full", "--unattended")
    recorded(job, 1, first)
    # Who has the job can be read beside it.
    assert b"process" in (WORK / job / "job.lock").read_bytes()
    busy = subprocess.run([*WINDOWS, "step", job, "x", "--kind", "repair"], cwd=WORK, capture_output=True, timeout=PATIENCE)
    assert busy.returncode == 4 and b"the job is open in process" in busy.stderr, busy
    first.kill()
    second = soak(job, "COM1", "--full", "--unattended", "--no-wait")
    recorded(job, 2, second)
    time.sleep(8)
    printing.vanish()
    vanished = time.monotonic()
    status = second.ended()
    took = time.monotonic() - vanished
    assert status == 4 and "the port is gone" in second.text() and took < 10, (status, took, second.text())
    seen = key1(last_stage(job))["observed_s"]
    assert 0 < seen < 60, seen
    return f"killed, resumed, vanished: told as gone after {took:.1f} s, {seen:.1f} s observed"


def hands():
    """Commands at a set that is touched: watch, keycheck with two keys swapped, provoke ended by Ctrl-C."""
    printing = Server(strays)
    events = run(WINDOWS, "watch", "--port", printing.port, "--chassis", "alder", "--seconds", "8", "--cautions-read", "--json")
    kinds = [json.loads(line)["kind"] for line in events.splitlines()]
    assert kinds.count("press") >= 4, kinds
    held = [REST]
    printing.reads = lambda _ms: held[0]
    asked = ",".join(KEYS)
    job = alder("checked")
    check = Started("keycheck", job, "--port", printing.port, "--cautions-read", "--json", "--check", "--seconds", "10", "--keys", asked)
    swapped = {"KEY_VOLUMEUP": "KEY_MENU", "KEY_MENU": "KEY_VOLUMEUP"}
    for key in KEYS:
        check.says("Press", key)
        time.sleep(0.4)
        held[0] = KEYS[swapped.get(key, key)]
        time.sleep(0.5)
        held[0] = REST
    assert check.ended() == 1, check.text()
    table = json.loads("".join(check.out))["checks"][0]["table"]
    seen = {row["asked"]: row["seen"] for row in table}
    assert all(seen[key] == swapped.get(key, key) for key in KEYS), seen
    job = alder("provoked")
    provoking = Started("provoke", job, "--port", printing.port, "--with", "tap@key-cable", "--cautions-read")

    def blocks():
        assert provoking.runs(), provoking.text()
        shown = answer(LINUX, "job", "show", job, status=None).get("provocations") or [{"blocks": []}]
        return len(shown[0]["blocks"]) > 1
    until(blocks, provoking.text)
    provoking.interrupt()
    status = provoking.ended()
    shown = answer(LINUX, "job", "show", job, status=None)["provocations"][0]
    assert shown["blocks"][-1]["struck"] == "broken off", shown["blocks"]
    printing.end()
    return f"watch: {kinds.count('press')} presses; keycheck: the swapped keys; provoke: broken off by Ctrl-C in block " \
        f"{len(shown['blocks'])}, status {status}"


def files():
    """Ctrl-C ends a soak in order; paths longer than 260; a file that is replaced while another program reads it."""
    printing = Server(strays)
    job = "/".join(("long-" * 20, "longer-" * 20, "longest-" * 20, "job"))
    (WORK / job).parent.mkdir(parents=True)
    alder(job)
    deep = len(str(WORK / job / "raw"))
    assert deep > 300
    soaked = soak(job, printing.port, "--full")
    recorded(job, 1, soaked)
    soaked.interrupt()
    assert soaked.ended() == 0, soaked.text()
    assert json.loads("".join(soaked.out))["soak"]["strays"] > 0
    run(WINDOWS, "report", job)
    run(WINDOWS, "job", "pack", job, "--out", f"{job}.tar.gz")
    run(WINDOWS, "job", "open", f"{job}.tar.gz", "--out", f"{job}-opened")
    same(*(answer(program, "locate", f"{job}-opened", status=None) for program in (LINUX, WINDOWS)))
    report = WORK / job / "report.html"
    text = report.read_bytes()
    assert VERBATIM not in text

    printing.end()
    short = alder("short")
    run(WINDOWS, "report", short)
    stands = WORK / short / "report.html"
    before = stands.stat().st_ino
    status, told = replaced(short, stands, release=False)
    assert status == 4 and "cannot write the report" in told and stands.stat().st_ino == before, (status, told)
    status, told = replaced(short, stands, release=True)
    assert status == 0 and stands.stat().st_ino != before, (status, told)
    assert not list(stands.parent.glob(".report*")), "a part is left"
    return f"a soak ended by Ctrl-C, status 0; {deep} characters of path; a report takes the place of one that is read once its reader " \
        "has ended, and the old one stands where it has not"


def replaced(job, stands, release):
    """Writes a report while another program has the old one open. The command interpreter opens it as that one's input."""
    waits = Server(quiet)
    reader = subprocess.Popen(
        ["wine", "cmd", "/c", f"{WINDOWS[1]} watch --port {waits.port} --chassis alder --cautions-read --no-wait < {job}\\report.html"],
        cwd=WORK, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )
    until(lambda: waits.stream, "the reader does not begin")
    writing = Started("report", job)
    if release:
        until(lambda: list(stands.parent.glob(".report*.part")) or not writing.runs(), "no new report")
        waits.end()
    status = writing.ended()
    waits.end()
    reader.wait(timeout=PATIENCE)
    return status, writing.text()


def demo():
    """The whole job on the simulated set: the same story as on Linux, over the serial server that is its transport here."""
    stories, seconds = [], 0
    for program, job in ((LINUX, "demo-linux"), (WINDOWS, "demo")):
        told = answer(program, "demo", "--out", job)
        seconds = told["seconds"]
        report = (WORK / job / "report.html").read_bytes()
        assert told["simulated"] and len(report) > 20_000 and VERBATIM not in report, told
        found = findings(program, job)
        stories.append((
            [(stage["step"], (stage["comparison"] or {}).get("verdict")) for stage in found["job show"]["stages"]],
            found["locate"]["locations"][0]["location"],
        ))
    assert stories[0] == stories[1], stories
    verdicts = [verdict for _, verdict in stories[1][0]]
    assert verdicts[-1] == "gone" and "reduced" in verdicts, verdicts
    return f"{len(verdicts)} stages in {seconds:.0f} s, as on Linux: {', '.join(map(str, verdicts))}; {stories[1][1]}"


def ask(address, token, path, body=None):
    request = urllib.request.Request(f"http://{address}{path}", None if body is None else json.dumps(body).encode(), {
        "Authorization": f"Bearer {token}", "Content-Type": "application/json"})
    return urllib.request.urlopen(request, timeout=60)


def daemon():
    """The daemon: page, event stream, log, and the commands that reach it through its named pipe."""
    printing = Server(strays)
    bench = WORK / "bench"
    (bench / "jobs").mkdir(parents=True)
    job = alder("bench/jobs/served")
    (bench / "serve.toml").write_text(
        'jobs = "jobs"\nlisten = "127.0.0.1:0"\nsocket = "s"\ntoken_file = "token"\n[log]\nfile = "daemon.log"\njson = true\n'
        f'[[port]]\nname = "left"\ndevice = "{printing.port}"\nchassis = "alder"\n'
    )
    way = os.environ | {"STRAYKEY_SOCKET": str(bench / "s")}
    served = Started("serve", "--config", "bench/serve.toml", "--json", env=way)
    try:
        until(lambda: served.out or not served.runs(), served.text)
        first = json.loads(served.out[0])
        address, token = first["address"], (bench / "token").read_text().strip()
        page = ask(address, token, "/").read()
        status = json.loads(ask(address, token, "/api/v1/status").read())
        assert b"<html" in page and status["ports"] == 1 and status["memory_bytes"] > 0, status
        ask(address, token, "/api/v1/jobs/served/cautions", {"read": True})
        stream = ask(address, token, "/api/v1/stream?job=served")
        ask(address, token, "/api/v1/ports/left/open", {"job": "served", "hands": "on"})
        heard = []
        reader = threading.Thread(target=lambda: heard.extend(iter(stream.readline, b"")), daemon=True)
        reader.start()
        until(lambda: b"press" in b"".join(heard), lambda: b"".join(heard[-20:]))
        # While the daemon records into the job, it answers in the commands' place.
        step = ("step", job, "key board unplugged", "--kind", "isolate", "--part", "key-board")
        refused = subprocess.run([*WINDOWS, *step], cwd=WORK, capture_output=True, timeout=PATIENCE, env=way)
        assert refused.returncode != 0 and b"is being recorded from left" in refused.stderr, refused
        assert answer(WINDOWS, "job", "show", job, env=way)["live"][0]["port"] == "left"
        soaked = answer(WINDOWS, "soak", job, "--port", printing.port, "--minutes", "0.2", "--full", env=way)["soak"]
        assert soaked["strays"] > 3, soaked
        begun = [json.loads(line).get("capture") for line in (bench / "daemon.log").read_text().splitlines()]
        assert any(capture and capture.endswith("soak") for capture in begun), begun
        ask(address, token, "/api/v1/jobs/served/report", {})
        report = ask(address, token, "/api/v1/jobs/served/report").read()
        assert b"<html" in report and VERBATIM not in report + page
    finally:
        if served.runs():
            served.interrupt()
    status = served.ended()
    log = (bench / "daemon.log").read_text()
    assert status == 0 and "served" in log and VERBATIM.decode() not in log, (status, log)
    printing.end()
    return f"page {len(page)} bytes, {b''.join(heard).count(b'data:')} messages on the stream, {len(log.splitlines())} lines of log, " \
        f"asked through the pipe; its soak: {soaked['strays']} strays; ended by Ctrl-C"


def simulated():
    """The daemon's own demo."""
    served = Started("serve", "--demo", "--out", "served", "--listen", "127.0.0.1:0", "--json")
    try:
        until(lambda: served.out or not served.runs(), served.text)
        address, token = json.loads(served.out[0])["address"], (WORK / "served/token").read_text().strip()
        ask(address, token, "/api/v1/ports/demo/open", {"job": "demo", "hands": "on"})
        heard = until(
            lambda: json.loads(ask(address, token, "/api/v1/ports").read())["ports"][0]["bytes"], "the simulated set says nothing")
    finally:
        served.interrupt()
    assert served.ended() == 0, served.text()
    return f"{heard} bytes of the simulated set"


def main():
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir(parents=True)
    wanted = sys.argv[3:]
    failed = 0
    resident.begin()
    for check in (decode, carried, server, port, hands, files, demo, daemon, simulated):
        if wanted and check.__name__ not in wanted:
            continue
        begun = time.monotonic()
        try:
            said = "ok      " + check.__name__ + ": " + check()
        except Exception as error:  # each check is tried, whatever another met
            failed += 1
            said = f"FAILED  {check.__name__}: {type(error).__name__}: {error}"
        print(f"{said} ({time.monotonic() - begun:.0f} s)", flush=True)
    resident.kill()
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
