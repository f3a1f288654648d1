"""Reference texts on keys, causes, effects and measures, generated from the declarations in the code."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from functools import cache
from pkgutil import resolve_name
from typing import Any, NamedTuple, get_args

from armsim.documents.from_spec import quantity_kinds
from armsim.documents.kinds import DOCUMENT_TYPES
from armsim.documents.schema import document_schema
from armsim.documents.units import DIMENSIONS
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.field_spec import DeclaredField, walk
from armsim.glossary import GLOSSARY, MEANING, Word
from armsim.model.assumptions import typical_value
from armsim.model.calibration_plan import Calibration
from armsim.model.datasheet import DataSheet
from armsim.model.effects import DECLARING_CLASSES, STATING_DOCUMENTS
from armsim.model.gears import TYPICAL_GEARS, TYPICAL_KEYS, TYPICAL_SOURCE
from armsim.model.motion import JointSpeed, Motion
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.sampling_plan import SamplingPlan

ASKED: tuple[tuple[str, type, str], ...] = (
    ("encoder", DataSheet, ""),
    ("scenario", Requirement, "requirement."),
    ("scenario", TaskLimits, "tasks.requirement."),
    ("scenario", SamplingPlan, "sampling."),
    ("scenario", Motion, "motion."),
    ("scenario", JointSpeed, "motion.joints.JOINT."),
    ("scenario", Calibration, "calibration."),
)
_STATISTICS, _MEASURES = "armsim.sampling.statistics", "armsim.sampling.measures"
FUNCTIONS = {
    "AP": f"{_STATISTICS}.pose_accuracy", "RP": f"{_STATISTICS}.pose_repeatability",
    "AD": f"{_MEASURES}.distance_measures", "RD": f"{_MEASURES}.distance_measures",
    "vAP": f"{_MEASURES}.direction_variation", "AT": f"{_STATISTICS}.pose_accuracy",
    "RT": f"{_STATISTICS}.pose_repeatability", "yield": f"{_STATISTICS}.clopper_pearson",
    "p95": f"{_STATISTICS}.quantile",
}  # fmt: skip
"""Words of the glossary that a function computes, by its full name: its docstring has the equation and the source. Only
these words import the kernels, which takes as long as all else."""
DOCUMENTS = {"ArmDocument", "EncoderDocument"}
GEAR_WORDS = ("transmission.type", "type", *TYPICAL_GEARS)
LIVES = {"unit": "stays with a built arm (accuracy)", "visit": "changes at every visit (repeatability)"}


RESULTS, CAUSES = "words of the results", "causes of error"
"""Headings of the words and of the causes in the index."""


class Entry(NamedTuple):
    """A declared key: its document, dotted path and field."""

    document: str
    path: str
    field: DeclaredField

    @property
    def words(self) -> tuple[str, ...]:
        """Words under which the key is found: its path, the last part of it, and its cause."""
        cause = self.field.key.cause
        return (self.path, self.path.rpartition(".")[2], *(() if cause is None else (cause.name,)))


def entries() -> Iterator[Entry]:
    """All declared keys."""
    for document, owner, before in (*DECLARING_CLASSES, *ASKED):
        for path, field in walk(owner, before):
            yield Entry(*STATING_DOCUMENTS.get(path, (document, path)), field)


class Shape(NamedTuple):
    """Key that structures a document and states no quantity: its dotted path and meaning."""

    document: str
    path: str
    meaning: str


@cache
def shapes() -> tuple[Shape, ...]:
    """All keys of the published schemas that are not declared in the model."""
    declared_paths = {(declared.document, declared.path) for declared in entries()}
    by_path: dict[tuple[str, str], Shape] = {}
    for kind in DOCUMENT_TYPES:
        for path, meaning in _properties(document_schema(kind)):
            inside = kind == "scenario" and path.startswith(("joints.", "groups.")) and path != "groups.joints"
            document, declared = ("joint", path.partition(".")[2]) if inside else (kind, path)
            if (document, declared) not in declared_paths:
                by_path.setdefault((document, declared), Shape(document, declared, meaning))
    return tuple(by_path.values())


def _properties(schema: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Dotted paths and meanings of all keys of a schema, without nested documents."""

    def walked(node: Any, before: str, visited: frozenset[str]) -> Iterator[tuple[str, str]]:
        if isinstance(node, list):
            for child in node:
                yield from walked(child, before, visited)
        if not isinstance(node, dict):
            return
        name = str(node.get("$ref", "")).rpartition("/")[2]
        if name and name not in visited and not (before and name in DOCUMENTS):
            yield from walked(schema["$defs"][name], before, visited | {name})
        if "distribution" in node.get("properties", {}) and {"limit", "std"} & set(node["properties"]):
            return  # a tolerance
        for key, child in node.get("properties", {}).items():
            yield before + key, str(child.get("description", ""))
            yield from walked(child, f"{before}{key}.", visited)
        for key in ("anyOf", "oneOf", "allOf", "items", "additionalProperties"):
            yield from walked(node.get(key), before, visited)

    yield from walked({key: child for key, child in schema.items() if key != "$defs"}, "", frozenset())


def words() -> list[str]:
    """Everything that can be explained."""
    keys = [word for entry in entries() for word in entry.words]
    shaped = [word for shape in shapes() for word in (shape.path, shape.path.rpartition(".")[2])]
    return sorted(dict.fromkeys([*keys, *shaped, *MEANING, *GEAR_WORDS, *TOLERANCE_WORDS, "causes", *DOCUMENT_TYPES]))


class Group(NamedTuple):
    """Words that are listed together: those of the results, the causes, or the keys below a key of a document.

    Parameters
    ----------
    document : str
        Kind of document; empty for words and causes.
    parent : str
        Dotted path of the key that the keys belong to, or the heading of words and causes.
    meaning : str
        Short meaning of the parent.
    words : dict of str to str
        Short meaning of every word or key.
    """

    document: str
    parent: str
    meaning: str
    words: dict[str, str]


@cache
def index() -> tuple[Group, ...]:
    """All that can be explained, by groups: words of the results, causes of error, and the keys of every document.

    Returns
    -------
    tuple of Group
        Keys that belong to a key of their document follow it as a group of their own.
    """
    causes: dict[str, str] = {}
    meanings: dict[tuple[str, str], str] = {(shape.document, shape.path): shape.meaning for shape in shapes()}
    for entry in entries():
        meanings[entry.document, entry.path] = entry.field.key.meaning
        if entry.field.key.cause is not None:
            causes.setdefault(entry.field.key.cause.name, f"{short(entry.field.key.meaning)}: {entry.field.key.effect}")
    keys: dict[tuple[str, str], dict[str, str]] = {}
    for document, path in sorted(meanings):
        parent, _, name = path.rpartition(".")
        keys.setdefault((document, parent), {})[name] = short(meanings[document, path])
    groups = (
        Group(document, parent, short(meanings.get((document, parent), "")), names)
        for (document, parent), names in keys.items()
    )
    return (
        Group("", RESULTS, "", {word: short(meaning) for word, meaning in MEANING.items()}),
        Group("", CAUSES, "", {name: short(causes[name]) for name in sorted(causes)}),
        *groups,
    )


SHORT = 90
"""Characters of a short meaning, where a phrase ends within them."""


def short(meaning: str) -> str:
    """The first phrase of a meaning, and as many further ones as are short."""
    phrases = re.split(r"(?=; |: | \(|, )", meaning.rstrip("."))
    text = phrases[0]
    for phrase in phrases[1:]:
        if len(text) + len(phrase) > SHORT or phrase.startswith("; "):
            break
        text += phrase
    text = re.split(r" \((?!.*\))", text)[0]  # no bracket left open
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def listed(word: str) -> tuple[Group, ...]:
    """Groups of a name: the causes, a document, or a key that has keys of its own; equal ones once."""
    groups = {
        tuple(group.words.items()): group
        for group in sorted(index(), key=lambda group: -len(group.parent))
        if (word == group.document and not group.parent)
        or (group.document and word in (group.parent, group.parent.rpartition(".")[2]))
        or (not group.document and word in (group.parent, group.parent.split()[0]))
    }
    return tuple(reversed(groups.values()))


def explanation(word: str) -> list[str]:
    """Paragraphs on every word of the glossary, key or cause of a name; none if nothing has that name."""
    defined = [_defined(entry) for entry in GLOSSARY if word.lower() == entry.word.lower()]
    declared_paths = {entry.path for entry in entries()}
    shaped = [
        f"{shape.path}, of the {shape.document}: {shape.meaning[:1].lower()}{shape.meaning[1:].rstrip('.')}"
        for shape in shapes()
        if word in (shape.path, shape.path.rpartition(".")[2]) and shape.path not in declared_paths
    ]
    gears = [_gears()] if word in GEAR_WORDS else []
    gears += [TOLERANCE] if word in TOLERANCE_WORDS else []
    declared = sorted(
        (entry for entry in entries() if word in entry.words), key=lambda entry: not entry.field.key.physics
    )
    tables = ["\n".join(lines(group)) for group in listed(word)]
    return [*defined, *gears, *map(_paragraph, declared), *shaped, *tables]  # what has an equation first


def overview() -> Iterator[str]:
    """Lines of the index: the words of the results, and the lists that a name prints, each with its meaning."""
    first, causes, *groups = index()
    yield from lines(first)
    top = [group for group in groups if not group.parent]
    names = [
        ("causes", f"{len(causes.words)} causes of error"),
        *((g.document, KIND_MEANINGS[g.document]) for g in top),
    ]
    yield from ("", "lists: `armsim explain NAME` prints its keys or causes, each with its meaning")
    width = max(len(name) for name, _ in names)
    yield from (f"  {name:{width}}  {meaning}" for name, meaning in names)
    for group in top:
        parts = [part for part in groups if part.document == group.document and part.parent and "." not in part.parent]
        yield from ("", f"keys of the {group.document} that have keys of their own") if parts else ()
        width = max((len(part.parent) for part in parts), default=0)
        yield from (f"  {part.parent:{width}}  {part.meaning}" for part in parts)


KIND_MEANINGS = {
    "arm": "document of an arm: kinematics, masses, tolerances of links",
    "encoder": "document of a position sensor: its data sheet",
    "joint": "settings of a joint in a scenario: sensor, mounting, gear, bearing",
    "scenario": "document of a study: arm, joints, requirement, tasks",
    "specification": "requirement and tasks that several scenarios share",
    "catalogue": "document of the sensors and mountings to choose from, with prices",
}
"""Short meanings of the documents."""


def lines(group: Group) -> list[str]:
    """A group as lines: its heading, and every word with its short meaning."""
    title = f"keys of {group.parent}, of the {group.document}" if group.parent else f"keys of the {group.document}"
    width = max(map(len, group.words))
    heading = title if group.document else group.parent
    return [heading, *(f"  {word:{width}}  {meaning}" for word, meaning in group.words.items())]


TOLERANCE_WORDS = ("tolerance", "mean", "limit", "std", "distribution")
TOLERANCE = """tolerance, the value of many keys: how a quantity differs from arm to arm, or from visit to visit
  "15 um": uniform within +-15 um, the same as {limit: 15 um}
  {limit: 15 um, distribution: uniform | triangular | arcsine | fixed}: within +-15 um, so distributed; fixed: 15 um
  {std: 8 um, distribution: normal | rayleigh}: by its standard deviation (rayleigh: of each of two directions)
  {mean: 8 K, limit: 2 K}: the same about a mean, 6 K to 10 K; {mean: 8 K, limit: 0 K} is 8 K on every arm
  of a magnitude (eccentricity, tilt) the absolute value of the draw counts; its direction is drawn separately"""


def _gears() -> str:
    """Types of gears with their typical values."""
    lines = [
        f"transmission.type, of the joint: typical values of what is not stated, by the type of gear; {TYPICAL_SOURCE}"
    ]
    for name, gear in TYPICAL_GEARS.items():
        values = "; ".join(f"{key}: {typical_value(gear, key)}" for key in TYPICAL_KEYS)
        lines.append(f"  {name}: {values}")
    lines.append("  a key stated beside the type replaces its typical value; typical values are listed as assumed")
    return "\n".join(lines)


def _defined(entry: Word) -> str:
    """A word of the glossary, with the equation of the function that computes it."""
    lines = [f"{entry.word}: {entry.text}"]
    if entry.word in FUNCTIONS:
        function = resolve_name(FUNCTIONS[entry.word])
        summary, _, sections = (inspect.getdoc(function) or "").partition("\nParameters\n")
        lines += ["", *(f"  {line}".rstrip() for line in summary.strip().splitlines())]
        references = sections.partition("\nReferences\n----------\n")[2]
        lines += ["", *(f"  {line}" for line in references.splitlines())] if references else []
        lines.append(f"  in the code: {FUNCTIONS[entry.word]}")
    return "\n".join(lines)


def _paragraph(entry: Entry) -> str:
    key = entry.field.key
    lines = [f"{entry.path}, of the {entry.document}: {key.meaning}", f"  value: {_accepted(entry.field)}"]
    if key.cause is not None:
        through = " or ".join(cause.name for cause in key.cause.through)
        through = f", as part of {through}" if through else ""
        lines += [f"  cause of error: {key.cause}{through}; {key.effect}; {LIVES[key.cause.life]}"]
    if key.needs:
        lines.append(f"  needs: {', '.join(key.needs)} of the encoder")
    if key.physics is not None:
        text, _, sections = (inspect.getdoc(key.physics) or "").partition("\nParameters\n")
        references = sections.partition("\nReferences\n----------\n")[2]
        name = f"{key.physics.__module__}.{key.physics.__name__}"
        lines += ["", *(f"  {line}".rstrip() for line in text.strip().splitlines()), ""]
        lines += [f"  {line}" for line in references.splitlines()] + [f"  in the code: {name}"]
    return "\n".join(lines)


def _accepted(field: DeclaredField) -> str:
    """Kind of quantity, units and bounds."""
    key = field.key
    if key.kind == "number":
        return key.accepted
    if key.kind == "count":
        return f"a whole number from {key.least:.0f} to {key.most:.10g}"
    if key.kind not in ("word", "flag", "choice", "list", "part"):
        units = ", ".join(unit for kind in quantity_kinds(key) for unit in DIMENSIONS[kind][1])
        form = "a tolerance, " if field.type in (Distribution, Magnitude) else ""
        form = f"{form}mean: where it is not about zero, " if form and not (key.centred or key.visit) else form
        return f"{form}{key.kind} ({units})"
    if key.kind == "choice":
        return " | ".join(map(str, key.choices or get_args(field.type)))
    return {"flag": "true or false", "list": "a list", "part": "keys of its own"}.get(key.kind, "a word")


def effects_table() -> str:
    """Table of effects in Markdown; keys of one cause and source share a row."""
    rows: dict[tuple[str, str, str, str], list[str]] = {}
    for entry in entries():
        key = entry.field.key
        if key.cause is not None:
            row = (key.cause.heading, key.effect, key.cause.life, key.source)
            rows.setdefault(row, []).append(f"{entry.document} `{entry.path}`")
    lines = ["| cause | effect | key | life | source |", "| --- | --- | --- | --- | --- |"]
    for (cause, effect, life, source), keys in rows.items():
        lines.append(f"| {cause} | {effect} | {', '.join(keys)} | {life} | {source} |")
    return "\n".join(lines)
