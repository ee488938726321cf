"""Infrared frames by an encoder that is not ours: PyPI infrared-protocols 10.7.0 (MIT), pure Python.

Usage: python3 infrared.py OUT     (OUT is a file, or a folder that gets infrared.csv)
Rows: format,address,command,toggle,lengths
      lengths: marks and spaces in microseconds, mark first, of a key held for one repeat; toggle empty where
      the format has none

The package declares Python 3.14 or newer. The modules used here need only typing.override, which is a mark
for type checkers and does nothing when run; older interpreters get one. It is fetched into a folder of its
own, without regard to what it declares, so that it cannot disturb other packages.
"""

import os
import subprocess
import sys
import tempfile
import typing

PACKAGE = "infrared-protocols==10.7.0"
OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "infrared.csv")


def codes(address_bits, command_bits, count=8):
    """The ends of both ranges, then a fixed pseudo-random walk (MMIX constants)."""
    yield 0, 0
    yield (1 << address_bits) - 1, (1 << command_bits) - 1
    state = 20261125
    for _ in range(count - 2):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        yield state >> 40 & (1 << address_bits) - 1, state >> 24 & (1 << command_bits) - 1


def reverse(byte):
    return int(f"{byte:08b}"[::-1], 2)


def rows():
    from infrared_protocols.commands.jvc import JvcCommand
    from infrared_protocols.commands.kaseikyo import KaseikyoCommand
    from infrared_protocols.commands.nec import NECCommand
    from infrared_protocols.commands.rc5 import RC5Command
    from infrared_protocols.commands.rc6 import RC6Command
    from infrared_protocols.commands.samsung import Samsung32Command
    from infrared_protocols.commands.sharp import SharpCommand
    from infrared_protocols.commands.sony import SonyCommand

    once = {"repeat_count": 1}
    for a, c in codes(8, 8):
        yield "nec", a, c, "", NECCommand(address=a, command=c, **once)
    for a, c in codes(16, 8):
        plain = a < 256 or a >> 8 ^ a & 0xFF == 0xFF  # one byte means the plain form
        yield "nec" if plain else "nec-16", a & 0xFF if plain else a, c, "", NECCommand(address=a, command=c, **once)
    for a, c in codes(8, 8):
        yield "nec-4500", a, c, "", Samsung32Command(address=a, command=c, **once)
    for i, (a, c) in enumerate(codes(5, 7, 16)):
        yield "rc-5x" if c > 63 else "rc-5", a, c, i % 2, RC5Command(address=a, command=c, toggle=i % 2, **once)
    for i, (a, c) in enumerate(codes(8, 8)):
        yield "rc-6-0", a, c, i % 2, RC6Command(address=a, command=c, toggle=i % 2, **once)
    for bits in (5, 8, 13):
        for a, c in codes(bits, 7):
            yield f"sirc-{7 + bits}", a, c, "", SonyCommand(address=a, address_bits=bits, command=c, **once)
    for a, c in codes(8, 8):
        yield "jvc", a, c, "", JvcCommand(data=reverse(a) << 8 | reverse(c), **once)
    # Maker's code 0x2002, whose check byte is the exclusive or of the three before it.
    for a, c in codes(12, 8):
        data = bytes([(a >> 8) << 4, a & 0xFF, c])
        check = lambda b: bytes([b[2] ^ b[3] ^ b[4]])
        genre, second = a >> 8, a & 0xFF
        yield "aeha-48", 0x2002 << 12 | genre << 8 | second, c, "", KaseikyoCommand(
            address=0x2002, data=data, error_correction=check, modulation=37000, full_frame_repeat=True, **once)
    for a, c in codes(5, 8):
        yield "sharp-15", a, c, "", SharpCommand(address=a, command=c, extension=1)


def main():
    if not hasattr(typing, "override"):
        typing.override = lambda function: function
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps",
             "--ignore-requires-python", "--target", folder, PACKAGE],
            check=True,
        )
        sys.path.insert(0, folder)
        with open(OUT, "w", encoding="ascii", newline="\n") as out:
            out.write(f"# {PACKAGE}\n")
            for name, address, command, toggle, frame in rows():
                lengths = [abs(length) for length in frame.get_raw_timings()]
                # A last space is the quiet after the frame.
                lengths = lengths[: len(lengths) - 1 + len(lengths) % 2]
                out.write(f"{name},{address},{command},{toggle},{' '.join(map(str, lengths))}\n")


main()
