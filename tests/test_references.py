"""The references of the manual name every work and standard that a docstring names."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
LISTED = (ROOT / "armsim" / "manual" / "references.md").read_text()
CITED = re.compile(r"(?:\.\. \[\d+\]|Source:) ((?:.+\n?)+?)(?=\s*\n|\s*\.\. \[|\s*\"\"\"|$)")
STANDARD = re.compile(r"\b(?:ISO \d+(?:-\d+)?|JCGM \d+)")
AUTHOR = re.compile(r"(?:^|[:;,] |\. |and )([A-Z][a-z]{2,}(?: et al\.)?)(?=, [A-Z\"])")
YEAR = re.compile(r"\b(?:18|19|20)\d\d\b")


def cited() -> list[str]:
    """Every reference of a docstring, in one line."""
    out = []
    for path in sorted((ROOT / "armsim").rglob("*.py")):
        out += [" ".join(text.split()) for text in CITED.findall(path.read_text())]
    return out


def test_every_standard_is_listed() -> None:
    actual = {match for text in cited() for match in STANDARD.findall(text)}
    assert len(actual) > 8
    assert [item for item in sorted(actual) if item not in LISTED] == []


def test_every_first_author_is_listed() -> None:
    names = set()
    for text in cited():
        for part in re.split(r"; (?=[A-Z])|(?<=\d)[,.] and (?=[A-Z])", text):
            if YEAR.search(part) and (match := AUTHOR.search(part)):
                names.add(match[1].removesuffix(" et al."))
    assert len(names) > 45
    assert {"Love", "Kuntz", "Heydemann", "Abbe"} <= names
    assert [name for name in sorted(names) if name not in LISTED] == []


def test_users_read_references_without_remarks_on_how_they_were_quoted() -> None:
    """What was not compared with its document is listed for developers."""
    for path in (ROOT / "armsim").rglob("*"):
        if path.suffix in (".py", ".md", ".yaml", ".html", ".typ"):
            text = " ".join(path.read_text(encoding="utf-8").split())
            assert not re.search(r"(?:[Nn]umbers? |all |both |clause |[(,] ?)from memory", text), path
    assert "References not compared with the document" in (ROOT / "DEVELOPERS.md").read_text()
