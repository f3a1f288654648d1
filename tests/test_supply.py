"""What the project stands on: licences that allow it, lowest versions that are stated, no network at run time."""

import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from support import ROOT

PERMISSIVE = (
    "mit", "bsd", "apache", "psf", "python software foundation", "isc", "zlib", "hpnd", "matplotlib", "0bsd",
    "unlicense", "mit-cmu", "cc0", "boost", "redistribution and use in source and binary forms",
)  # fmt: skip
"""Licences that ask for no more than to be named."""
WEAK = ("mpl", "mozilla public", "lgpl", "lesser general public")
"""Licences that ask for their own files to stay open; fit to be used from a library."""
LESSONS = ROOT / "scenarios" / "lessons"

OFFLINE = """
import socket, sys
def refuse(*given, **named):
    raise AssertionError("a socket was asked for")
class Refused(socket.socket):
    def __init__(self, *given, **named):
        refuse()
socket.socket = Refused
socket.create_connection = socket.getaddrinfo = refuse
sys.argv = ["armsim", *sys.argv[1:]]
from armsim.cli.main import main
main()
"""


def closure() -> dict[str, str]:
    """Every package that is installed with the project itself, extras aside, and what it says of its licence."""
    waiting, out = ["armsim"], dict[str, str]()
    while waiting:
        name = waiting.pop()
        if name in out:
            continue
        try:
            about = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue  # for another system
        classifiers = [c.rpartition("::")[2] for c in about.get_all("Classifier") or [] if c.startswith("License")]
        stated_value = [about.get("License-Expression") or "", *classifiers, (about.get("License") or "")[:300]]
        files = [
            file for file in metadata.files(name) or [] if re.match(r"(?i)licen[sc]e|copying", Path(str(file)).name)
        ]
        stated_value += [Path(str(file.locate())).read_text(errors="replace")[:300] for file in files[:1]]
        out[name] = " ".join(stated_value).lower()
        for line in metadata.requires(name) or []:
            needed = Requirement(line)
            if needed.marker is None or needed.marker.evaluate({"extra": ""}):
                waiting.append(needed.name)
    out.pop("armsim")
    return out


def test_licences_allow_it() -> None:
    licences = closure()
    assert len(licences) > 20
    fitting = re.compile(rf"\b({'|'.join(map(re.escape, (*PERMISSIVE, *WEAK)))})")
    for name, text in licences.items():  # one of several licences is enough
        assert fitting.search(text), f"{name}: {text[:120]!r}"


def test_every_dependency_states_its_lowest_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = dict(project["optional-dependencies"])
    for line in extras.pop("lint"):  # pinned: a new release may ask for other code
        assert [bound.operator for bound in Requirement(line).specifier] == ["=="], line
    for line in (line for group in (project["dependencies"], *extras.values()) for line in group):
        assert ">=" in [bound.operator for bound in Requirement(line).specifier], line
    lowest = subprocess.run(
        [sys.executable, ROOT / ".ci" / "lowest"], capture_output=True, text=True, check=True
    ).stdout
    assert len(lowest.splitlines()) == len(project["dependencies"])


@pytest.mark.parametrize(
    "command",
    [
        ["run", LESSONS / "eccentricity.yaml", "--units", 20, "--visits", 2],
        ["check", ROOT / "scenarios" / "bonding-cell.yaml"],
        ["compare", LESSONS / "eccentricity.yaml", LESSONS / "eccentricity-correction.yaml", "--units", 20],
        ["schema", "results"],
    ],
    ids=lambda command: command[0],
)
def test_no_network_at_run_time(tmp_path: Path, command: list[object]) -> None:
    """With sockets refused every command does its work, pages and PDF included."""
    out = ["--out", tmp_path / "r"] if command[0] in ("run", "compare") else []
    arguments = [str(part) for part in (*command, *out)]
    if not all(Path(part).exists() for part in arguments if part.endswith(".yaml")):
        pytest.fail(f"no such scenario: {arguments}")
    process = subprocess.run([sys.executable, "-c", OFFLINE, *arguments], capture_output=True, text=True, check=False)
    assert process.returncode in (0, 1, 4), process.stderr
    assert "a socket was asked for" not in process.stderr
    if out:
        assert (tmp_path / "r" / "report.pdf").exists()


def test_a_refused_socket_is_seen() -> None:
    """The refusal works: a cluster needs a socket."""
    arguments = ["run", str(LESSONS / "eccentricity.yaml"), "--cluster", "tcp://127.0.0.1:9"]
    process = subprocess.run([sys.executable, "-c", OFFLINE, *arguments], capture_output=True, text=True, check=False)
    assert process.returncode == 3
    assert "a socket was asked for" in process.stderr
