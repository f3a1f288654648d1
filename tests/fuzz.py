"""Spoils documents at random and looks at what the commands make of them: python tests/fuzz.py --seed N

Every case must end within ten seconds, with exit code 0 to 3 and without a traceback, and what it writes holds finite
numbers only. Not a part of the tests: it takes minutes. Fails with the cases that broke, kept in a folder.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import multiprocessing
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from pathlib import Path
from typing import Any, NoReturn

ROOT = Path(__file__).parent.parent
HANG = 60
"""Processor time of a check that is taken for one without end: it takes a tenth of a second. [s]"""
CHECKS, RUNS = 2000, 100
VALUES = (
    "0", "-1", "1e-300", "1e300", "1e20 mm", "-5 um", "5", ".nan", ".inf", "-0.0", "0x14", "0512", "1_0", "1:30", "~",
    "true", "''", "'='", "[]", "{}", "[[[[]]]]", "*a", "&a 5", "!!python/object:os.system x", "ten um", "10 arc sec",
    "1 %*m", "100 %", "101 %", "-1 %", "1e-9 %", "360 deg", "1e6 deg", "400 bit", "0 bit", "1e15 N*m/rad", "0 K",
    "5000 K", "1e9", "10000000", "1000000000000", '"$\\\\frac{$"', '"\\0"', '"\\e[31m"', '"\\uFFFE"', '"\\u202E"',
    "'<b>&amp;'", "'{{ 7 * 7 }}'", "'=1+1'", "'-'", "'_x'", "接着", "'\U0001f916'", "'a\u0301'", "../nothing.yaml", "/dev/zero",
    ".", "arm.yaml", "{limit: 1 mm}", "{std: 1 mm, distribution: uniform}", "{limit: 1 mm, std: 1 mm}", "uniform",
    "motor", "output", "both", "prismatic", "revolute", "urdf", "modified-dh", "sobol", "9" * 400, "x" * 5000, "1" + " " * 3000 + "m",
)  # fmt: skip
"""What takes the place of a value."""


def documents() -> list[Path]:
    """Whole documents of the project, and the small scenarios first."""
    lessons = sorted((ROOT / "scenarios" / "lessons").glob("*.yaml"))
    return [*lessons, *sorted((ROOT / "configs").rglob("*.yaml")), *sorted((ROOT / "scenarios").glob("*.yaml"))]


def spoil(text: str, chance: random.Random) -> str:
    """A document with one to four faults, of which not all need be faults."""
    for _ in range(chance.choice((1, 1, 1, 2, 3, 4))):
        lines = text.splitlines(keepends=True) or ["\n"]
        at = chance.randrange(len(lines))
        way = chance.randrange(24)
        if way >= 12:  # a number made larger, smaller or another kind, in its place: often a good document
            actual = list(re.finditer(r"(?<![\w.])-?\d+(?:\.\d+)?", lines[at]))
            if actual:
                target = chance.choice(actual)
                factor = chance.choice((0.0, -1.0, 1e-9, 1e-3, 0.1, 0.5, 2.0, 3.7, 10.0, 1e3, 1e6, 1e9))
                put = (
                    f"{float(target[0]) * factor:.10g}"
                    if "." in target[0] or factor < 1
                    else str(int(target[0]) * int(factor))
                )
                lines[at] = lines[at][: target.start()] + put + lines[at][target.end() :]
        elif way == 0:
            del lines[at]
        elif way == 1:
            lines.insert(at, lines[chance.randrange(len(lines))])
        elif way == 2:
            other = chance.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif way == 3:
            lines[at] = chance.choice(("  ", "\t", "- ", "# ", "? ", "<<: ", "<<: *a\n", "&a ")) + lines[at]
        elif way in (4, 5, 6, 7) and ":" in lines[at]:
            key, _, others = lines[at].partition(":")
            parts = others.rstrip("\n").split(",")
            spot = chance.randrange(len(parts))
            inner, colon, _ = parts[spot].partition(":") if ":" in parts[spot] else ("", "", "")
            tail = "".join(c for c in parts[spot] if c in "]}")
            parts[spot] = f"{inner}{colon} {chance.choice(VALUES)}{tail}"
            lines[at] = f"{key}:{','.join(parts)}\n"
        elif way == 8 and ":" in lines[at]:
            key, _, others = lines[at].partition(":")
            lines[at] = f"{key}{chance.choice(('s', '_', ' ', 'x y'))}:{others}"
        elif way == 9:
            digits = [n for n, c in enumerate(lines[at]) if c.isdigit()]
            if digits:
                spot = chance.choice(digits)
                put = chance.choice(("0", "9", "99999", "-", ".", "e9", "e-9", ""))
                lines[at] = lines[at][:spot] + put + lines[at][spot + 1 :]
        elif way == 10:
            spot = chance.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:spot] + chance.choice("\0\x07\x1b\t:{}[]&*!|>'\"%@`#,?-é線") + lines[at][spot:]
        else:
            first = chance.randrange(len(lines))
            del lines[first : first + chance.randrange(1, 4)]
        text = "".join(lines)
    return text


def _late(signum: int, frame: object) -> NoReturn:
    raise TimeoutError


def _finite(name: str) -> NoReturn:
    raise ValueError(f"{name} in a result")


def case(arguments: tuple[str, int, int, str]) -> tuple[str, str, str]:
    """One case: what it was, how it ended, what broke it (nothing where all is well)."""
    what, seed, number, folder = arguments
    from armsim.cli.check import check
    from armsim.cli.run import run
    from armsim.errors import InputError, RunError

    warnings.simplefilter("ignore")
    chance = random.Random(f"{seed} {what} {number}")
    some = documents()
    source = chance.choice(some if what == "check" else some[:40])
    # in a copy of the project's folders, so that references lead where they should
    place = Path(tempfile.mkdtemp(prefix="armsim-fuzz-"))
    for folder in ("configs", "scenarios"):
        shutil.copytree(ROOT / folder, place / folder)
    file = place / source.relative_to(ROOT)
    text = spoil(file.read_text(encoding="utf-8"), chance)
    file.write_text(text, encoding="utf-8", errors="surrogatepass")
    ended, broke, out = "0", "", io.StringIO()
    signal.signal(signal.SIGVTALRM, _late)
    signal.setitimer(signal.ITIMER_VIRTUAL, HANG if what == "check" else 6 * HANG)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
            if what == "check":
                check([file])
            else:
                run(file, out=place / "r", units=8, visits=2, workers=1)
    except InputError as error:
        ended = "2"
        message = "\n".join(str(problem) for problem in error.problems)
        if any(ord(c) < 32 for c in message.replace("\n", "")) or not all(p.file for p in error.problems):
            broke = f"a message that is none: {message[:300]!r}"
    except RunError as error:
        ended, broke = "3", "" if str(error) else "an error without words"
    except TimeoutError:
        ended, broke = "hang", f"more than {HANG} s"
    except BaseException as error:
        code = getattr(error, "exit_code", None)
        ended = str(code) if code in (0, 1, 2, 3) else type(error).__name__
        broke = "" if code in (0, 1, 2, 3) else traceback.format_exc()
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    if what == "run" and not broke and ended in ("0", "1"):
        try:
            json.loads((place / "r" / "results.json").read_bytes(), parse_constant=_finite)
        except (OSError, ValueError) as error:
            broke = f"{error}"
    elif ended in ("2", "3") and (place / "r").exists():
        broke = "something was written"
    if broke:
        Path(folder, f"{what}-{seed}-{number}.yaml").write_text(text, encoding="utf-8", errors="surrogatepass")
    shutil.rmtree(place, ignore_errors=True)
    return f"{what} {number} ({source.name})", ended, broke


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--checks", type=int, default=CHECKS)
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    arguments = parser.parse_args()
    folder = tempfile.mkdtemp(prefix="armsim-fuzz-kept-")
    cases: list[tuple[str, int, int, Any]] = [("check", arguments.seed, n, folder) for n in range(arguments.checks)]
    cases += [("run", arguments.seed, n, folder) for n in range(arguments.runs)]
    ends: Counter[str] = Counter()
    broken = 0
    with multiprocessing.get_context("spawn").Pool(arguments.workers) as pool:
        for name, ended, broke in pool.imap_unordered(case, cases, chunksize=4):
            ends[f"{name.split()[0]} ended {ended}"] += 1
            if broke:
                broken += 1
                print(f"{name}: {ended}: {broke}", flush=True)
    print(f"seed {arguments.seed}: {len(cases)} cases, {broken} broke; {dict(sorted(ends.items()))}")
    if broken:
        print(f"their documents are in {folder}")
        sys.exit(1)
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
