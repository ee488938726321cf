"""Real log lines whose statement is known, and how drain3 groups them: mining_logs.csv.

    python3 tests/reference/mining_logs.py FOLDER          writes FOLDER/mining_logs.csv

The lines are the test data of fail2ban, which Debian's package carries (fail2ban/tests/files/logs: lines that
administrators handed in, of 86 programs in version 1.0.2, each marked by `failJSON` as one that a rule must match). Which rule of the
program's filter a line matches is found by fail2ban's own engine; that is the truth. A rule can stand for several
statements of a program, so that nobody can reach 1, and most
programs have few lines. The lines are under the GPL and not copied into the project:
`tests/run` fetches the package.

The reference implementation is drain3 as in mining.py: once on the lines as they stand, once with all masks of the
example configuration that it is published with (identifiers, addresses, sequences, hexadecimal numbers, numbers,
commands).
"""

import json
import logging
import re
import sys
from pathlib import Path

from drain3 import TemplateMiner
from drain3.masking import MaskingInstruction
from drain3.template_miner_config import TemplateMinerConfig

PACKAGE = Path(__file__).resolve().parents[2] / "target/reference/fail2ban"
PYTHON = PACKAGE / "usr/lib/python3/dist-packages"
sys.path.insert(0, str(PYTHON))
logging.disable(logging.CRITICAL)

from fail2ban.client.filterreader import FilterReader  # noqa: E402
from fail2ban.server.filter import Filter  # noqa: E402
from fail2ban.tests.utils import setUpMyTime  # noqa: E402

LOGS = PYTHON / "fail2ban/tests/files/logs"
CONFIG = PACKAGE / "etc/fail2ban"

BEFORE, BEHIND = r"((?<=[^A-Za-z0-9])|^)", r"((?=[^A-Za-z0-9])|$)"
MASKS = [
    (BEFORE + r"(([0-9a-f]{2,}:){3,}([0-9a-f]{2,}))" + BEHIND, "ID"),
    (BEFORE + r"(\d{1,3}\.\d{1,3}\.\d{1,3}\.\d{1,3})" + BEHIND, "IP"),
    (BEFORE + r"([0-9a-f]{6,} ?){3,}" + BEHIND, "SEQ"),
    (BEFORE + r"([0-9A-F]{4} ?){4,}" + BEHIND, "SEQ"),
    (BEFORE + r"(0x[a-f0-9A-F]+)" + BEHIND, "HEX"),
    (BEFORE + r"([\-\+]?\d+)" + BEHIND, "NUM"),
    (r"(?<=executed cmd )(\".+?\")", "CMD"),
]


def miner(masked):
    config = TemplateMinerConfig()
    config.profiling_enabled = False
    if masked:
        config.masking_instructions = [MaskingInstruction(pattern, name) for pattern, name in MASKS]
    return TemplateMiner(config=config)


def read_filter(name, options):
    """A filter of the package with some options, set up as the package's own tests do."""
    made = Filter(None)
    made.returnRawHost = made.checkAllRegex = made.active = True
    made.checkFindTime = False
    reader = FilterReader(name, "jail", options, basedir=str(CONFIG), share_config={})
    reader.read()
    reader.getOptions({})
    for order in reader.convert():
        for value in order[3] if order[0] == "multi-set" else [order[3]]:
            match order[2]:
                case "prefregex":
                    made.prefRegex = value
                case "addfailregex":
                    made.addFailRegex(value)
                case "addignoreregex":
                    made.addIgnoreRegex(value)
                case "maxlines":
                    made.setMaxLines(value)
                case "datepattern":
                    made.setDatePattern(value)
    return made


def rule(filters, line):
    """The rule that the line matches, or None; rules over several lines say nothing of one."""
    for options, made in filters:
        if options.get("logtype") == "journal" or made.getMaxLines() > 1:
            continue
        found = [hit for hit in made.processLine(line) or [] if hit[1] is not None and not hit[3].get("nofail")]
        if len(found) == 1:
            return made.getFailRegex()[found[0][0]]
    return None


def lines_of(name):
    """Lines of one program that match a rule, each with the rule."""
    common, filters, expected, out = {}, [({}, read_filter(name, {}))], False, []
    for line in (LOGS / name).read_text(encoding="utf-8", errors="replace").split("\n"):
        line = line.rstrip("\r")
        told = re.match(r"^#+ ?(failJSON|(?:file|filter)Options|addFILE):(.+)$", line)
        if told:
            what, data = told.group(1), json.loads(told.group(2))
            if what == "fileOptions":
                common = data
            elif what == "filterOptions":
                all_options = [{**common, **one} for one in (data if isinstance(data, list) else [data])]
                filters = [
                    (one, read_filter(name, {k: v for k, v in one.items() if not k.startswith("test.")}))
                    for one in all_options
                ]
            elif what == "failJSON":
                expected = data.get("match", False)
        elif line.strip() and not line.startswith("#"):
            matched = rule(filters, line) if expected else None
            if matched is not None:
                out.append((matched, line))
            expected = False
    return out


def main(folder):
    setUpMyTime()
    names = sorted(path.name for path in LOGS.iterdir() if (CONFIG / f"filter.d/{path.name}.conf").exists())
    with open(Path(folder) / "mining_logs.csv", "w", encoding="utf-8") as table:
        table.write("# program, rule, drain3 group, drain3 group with masks, line (the rest)\n")
        for number, name in enumerate(names):
            plain, masked, rules = miner(False), miner(True), {}
            for matched, line in lines_of(name):
                truth = rules.setdefault(matched, len(rules))
                a = plain.add_log_message(line)["cluster_id"]
                b = masked.add_log_message(line)["cluster_id"]
                table.write(f"{number},{truth},{a},{b},{line}\n")


if __name__ == "__main__":
    main(sys.argv[1])
