"""Both programs, and sets for them to listen to: on COM1, and behind a serial server."""

import json
import os
import pathlib
import pty
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tty

ROOT = pathlib.Path(__file__).resolve().parents[2]
LINUX = [str(pathlib.Path(sys.argv[1]).resolve())]
WINDOWS = ["wine", str(pathlib.Path(sys.argv[2]).resolve())]
WORK = ROOT / "target/windows/work"
# A program under wine on a busy machine.
PATIENCE = 300

# An alder's readings at rest and with Volume down held: the divider rule, floor(1024 * 1800 / 11800).
REST, VOLUME_DOWN = 0x3FF, 0x09C
KEYS = {"KEY_VOLUMEDOWN": 0x09C, "KEY_VOLUMEUP": 0x11F, "KEY_MENU": 0x2EB}
# How Windows spells a path to itself; people never see it.
VERBATIM = b"\\\\?\\"


def until(true, what):
    """Waits for something to be so; gives it."""
    begun = time.monotonic()
    while not (value := true()):
        assert time.monotonic() - begun < PATIENCE, what() if callable(what) else what
        time.sleep(0.2)
    return value


def run(program, *arguments, cwd=WORK, status=0, **options):
    """What a program printed on standard output, as bytes."""
    done = subprocess.run([*program, *map(str, arguments)], cwd=cwd, capture_output=True, timeout=PATIENCE, **options)
    told = done.stderr.decode(errors="replace")
    if status is not None and done.returncode != status:
        raise AssertionError(f"{arguments}: status {done.returncode}: {told}")
    assert VERBATIM not in done.stdout + done.stderr, f"{arguments}: {done.stdout} {told}"
    return done.stdout


def answer(program, *arguments, **options):
    """The same of a command that answers in JSON."""
    return json.loads(run(program, *arguments, "--json", **options))


class Started:
    """The Windows program, running; what it says is kept."""

    def __init__(self, *arguments, **options):
        self.process = subprocess.Popen(
            [*WINDOWS, *map(str, arguments)], cwd=WORK, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options,
        )
        self.out, self.told = [], []
        self.readers = [
            threading.Thread(target=self.keep, args=way, daemon=True)
            for way in ((self.process.stdout, self.out), (self.process.stderr, self.told))
        ]
        for reader in self.readers:
            reader.start()

    @staticmethod
    def keep(pipe, into):
        for line in pipe:
            into.append(line.decode(errors="replace"))

    def runs(self):
        return self.process.poll() is None

    def says(self, *words):
        """Waits until it says these words in one line on standard error."""
        def said():
            over = not self.runs()
            if any(all(word in line for word in words) for line in self.told):
                return True
            assert not over, f"ended without {words}: {self.text()}"
            return False
        until(said, lambda: f"{words} not said: {self.text()}")

    def text(self):
        return "".join(self.told)

    def ended(self):
        """The exit status, once it has ended by itself."""
        until(lambda: not self.runs(), lambda: f"does not end: {self.text()}")
        for reader in self.readers:
            reader.join()
        assert VERBATIM.decode() not in self.text() + "".join(self.out), self.text()
        return self.process.returncode

    def interrupt(self):
        """Ctrl-C: wine makes one of this signal."""
        self.process.send_signal(signal.SIGINT)

    def kill(self):
        self.process.kill()
        self.process.wait()


def lines(ms, counts):
    """What the set prints in one round."""
    clock = f"[{ms // 1000}.{ms % 1000:03d}] keyscan:"
    return f"{clock} line=KEY1 adc=0x{counts:03x}\r\n{clock} line=KEY2 adc=0x{REST:03x}\r\n".encode()


def strays(ms):
    """Volume down is pressed for 0.15 s each 1.2 s."""
    return VOLUME_DOWN if ms % 1200 < 150 else REST


def quiet(_ms):
    return REST


class Set(threading.Thread):
    """A set that prints both lines each 50 ms by its own clock; what nobody takes is gone, as on a real line."""

    def __init__(self, reads):
        super().__init__(daemon=True)
        self.reads, self.speaks = reads, True

    def run(self):
        begun, ms = time.monotonic(), 1000
        while self.speaks:
            self.offer(lines(ms, self.reads(ms)))
            ms += 50
            time.sleep(max(0, begun + (ms - 1000) / 1000 - time.monotonic()))

    def silence(self):
        self.speaks = False
        self.join()


class Server(Set):
    """A set behind a serial server."""

    def __init__(self, reads):
        super().__init__(reads)
        self.stream, self.listener = None, None
        self.number = 0
        self.switch_on()
        self.start()

    @property
    def port(self):
        return f"tcp:127.0.0.1:{self.number}"

    def switch_on(self):
        self.listener = socket.create_server(("127.0.0.1", self.number))
        self.number = self.listener.getsockname()[1]
        self.listener.setblocking(False)

    def switch_off(self):
        listener, self.listener = self.listener, None
        listener.close()
        if self.stream:
            self.stream.shutdown(socket.SHUT_RDWR)

    def offer(self, printed):
        try:
            if not self.stream and self.listener:
                self.stream = self.listener.accept()[0]
            if self.stream:
                self.stream.sendall(printed)
        except BlockingIOError:
            pass
        except OSError:
            stream, self.stream = self.stream, None
            if stream:
                stream.close()

    def end(self):
        self.silence()
        for one in (self.stream, self.listener):
            if one:
                one.close()
        self.stream, self.listener = None, None


class Terminal(Set):
    """A set on COM1: a pseudo-terminal that wine takes for a serial port."""

    def __init__(self, reads):
        super().__init__(reads)
        self.near, self.far = pty.openpty()
        tty.setraw(self.far)
        subprocess.run(
            ["wine", "reg", "add", r"HKLM\Software\Wine\Ports", "/v", "COM1", "/d", os.ttyname(self.far), "/f"],
            check=True, capture_output=True, timeout=PATIENCE,
        )
        # The ports are made when the system starts.
        resident.end()
        resident.begin()
        os.set_blocking(self.near, False)
        self.start()

    def offer(self, printed):
        try:
            os.write(self.near, printed)
        except BlockingIOError:
            pass

    def vanish(self):
        self.silence()
        os.close(self.near)
        os.close(self.far)


class Resident:
    """An idle program that keeps wine's services running: without one, each command starts them and waits for their end."""

    def begin(self):
        # Services keep what the command that started them writes to: none of ours may be that one.
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(["wine", "cmd"], stdin=subprocess.PIPE, **quiet)
        subprocess.run(["wine", "cmd", "/c", "ver"], check=True, timeout=PATIENCE, **quiet)

    def end(self):
        self.process.stdin.close()
        self.process.wait(timeout=PATIENCE)
        subprocess.run([wineserver(), "-w"], check=True, timeout=PATIENCE)

    @staticmethod
    def kill():
        """Ends all that wine still runs, also what a failed check has left."""
        subprocess.run([wineserver(), "-k"], check=True, timeout=PATIENCE)


resident = Resident()


def wineserver():
    names = [shutil.which(name) or "" for name in ("wineserver", "wineserver64")]
    for folder in ("/usr/lib/wine", "/usr/lib/x86_64-linux-gnu/wine"):
        names += [f"{folder}/{name}" for name in ("wineserver64", "wineserver")]
    return next(name for name in names if pathlib.Path(name).is_file())
