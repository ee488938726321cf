"""Whether another build gives the same bytes for every sample capture, as events for programs and for people, and as patterns.

    python3 tests/samples.py PROGRAM OTHER…     OTHER is a command: `qemu-aarch64 target/…/straykey`

Prints a line; exit status 1 where one differs.
"""

import pathlib
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parents[1]
# An emulated program on a busy machine.
PATIENCE = 300


def samples():
    """The samples, with the arguments that decode each."""
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


def compare(program, other):
    """How many runs there were, after all of them gave equal bytes."""
    equal, differ = 0, []
    for file, reading in samples():
        for command in (["decode", file, "--json"], ["decode", file], ["patterns", file, "--json"]):
            arguments = [*command, *reading]
            one, two = (
                subprocess.run([*words, *arguments], cwd=ROOT, capture_output=True, timeout=PATIENCE)
                for words in (program, other)
            )
            assert one.returncode == 0 and one.stdout, f"{arguments} gives nothing here"
            if one.stdout == two.stdout and two.returncode == 0:
                equal += 1
            else:
                differ.append(" ".join(arguments))
    assert equal + len(differ) > 50, f"only {equal + len(differ)} runs"
    assert not differ, f"{equal} runs equal, these differ: {differ}"
    return equal


if __name__ == "__main__":
    try:
        print(f"{compare(sys.argv[1:2], sys.argv[2:])} runs, all with equal bytes")
    except AssertionError as error:
        sys.exit(f"tests/samples.py: {error}")
