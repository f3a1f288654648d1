"""Grammar of values: a subset of YAML, from a file or the command line, bounded in size, depth and aliases.

Events come from the C parser, which marks each with its line and column; the tree made of them stops at the first
bound that is passed, so that a hostile text costs no more than a benign one of its size.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import yaml

from armsim.documents.files import unprintable_character
from armsim.errors import InputError, Problem
from armsim.sources import KeyPath

MOST_VALUES = 100_000
"""Values, with every alias counted as often as it is used."""
MOST_LEVELS = 40
"""Levels of nesting, and of merges within merges."""
MOST_MERGES = 1000
"""Mappings merged by ``<<`` in a file: each is compared with the keys already present."""

Locations = dict[KeyPath, tuple[int, int]]
"""Line and column of every key path, from 1."""
Fault = Callable[[int, int, str, str, str], InputError]
"""Factory of an error: line, column, what was found, what is accepted, key."""

_PLAIN = re.compile(r"^[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?$|^[-+]?\.(inf|Inf|INF)$|^\.(nan|NaN|NAN)$", re.ASCII)
"""YAML 1.1 would read 1:30 as ninety, 0x14 as twenty and 1_0 as ten."""
_OCTAL = re.compile(r"^[-+]?0\d", re.ASCII)
"""YAML 1.1 would read 0512 as 330, YAML 1.2 as 512."""
EXPONENT = re.compile(r"^[+-]?[0-9]+(\.[0-9]*)?[eE][+-]?[0-9]+$")
"""Plain text that is read as a number, as in YAML 1.2; a writer by YAML 1.1 must quote it."""
_SCALARS = {"null", "bool", "int", "float", "str", "timestamp"}
_TAG = "tag:yaml.org,2002:"
_TEXT, _SEQUENCE, _MAPPING, _MERGE = f"{_TAG}str", f"{_TAG}seq", f"{_TAG}map", f"{_TAG}merge"


def read_text(text: str, fault: Fault) -> tuple[Any, Locations]:
    """Parse a text into plain values, with line and column of every key; None for an empty text.

    Raises
    ------
    InputError
        Not YAML, a tag or notation that is not accepted, or a bound exceeded.
    """
    try:
        root = _Composer(text, fault).root()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        if "nesting depth" in str(error.problem):  # the parser looks some brackets ahead
            raise _too_deep(fault, line, column) from error
        accepted = "'key: value', indented by spaces"
        raise fault(line, column, f"not YAML: {error.problem}", accepted, "") from error
    except yaml.YAMLError as error:  # a character that YAML does not allow
        offset = getattr(error, "position", 0) or 0
        finding = str(error).splitlines()[0].strip().rstrip(":")
        raise fault(text.count("\n", 0, offset) + 1, 1, f"not YAML: {finding}", "a YAML file", "") from error
    if root is None:
        return None, {}
    builder = _Builder(fault)
    return builder.build(root, ()), builder.locations


def read_value(text: str, key: str) -> Any:
    """Parse a value given outside a file, such as that of an option ``key``, like one in a file.

    Raises
    ------
    InputError
        As `read_text`.
    """

    def fault(line: int, column: int, finding: str, accepted: str, inner_key: str) -> InputError:
        if finding.startswith("not YAML"):
            finding = f"{text[:60]!r} is {finding}"
            accepted = "a value as in a file: 20 um, 7, [1 mm, 2 mm], {limit: 5 um}"
        full_key = f"{key}.{inner_key}" if inner_key else key
        return InputError(Problem("command line", 0, 0, full_key, finding, accepted))

    return read_text(text, fault)[0]


def _too_deep(fault: Fault, line: int, column: int) -> InputError:
    return fault(line, column, "nested too deeply, or an alias within itself", f"at most {MOST_LEVELS} levels", "")


def _too_many(fault: Fault, line: int, column: int, path: KeyPath) -> InputError:
    return fault(line, column, "too many values", f"at most {MOST_VALUES}, aliases counted", _dotted(path))


def _dotted(path: KeyPath) -> str:
    return ".".join(map(str, path))


class _Node(NamedTuple):
    """A value as written: text, nodes of a sequence, or pairs of nodes of a mapping."""

    tag: str
    value: Any
    line: int
    column: int
    plain: bool = False


class _Composer:
    """Builds nodes from parser events: an alias repeats its node, a plain scalar gets the tag of its text."""

    def __init__(self, text: str, fault: Fault) -> None:
        self.events: Iterator[Any] = iter(yaml.parse(text, Loader=yaml.CSafeLoader))
        self.fault = fault
        self.anchors: dict[str, _Node] = {}
        self.values = 0
        self.path: list[str | int] = []

    def root(self) -> _Node | None:
        next(self.events)  # the stream begins
        if not isinstance(next(self.events), yaml.DocumentStartEvent):
            return None
        self.values += 1
        out = self.node(next(self.events), 0)
        next(self.events)  # the document ends
        event = next(self.events)
        if not isinstance(event, yaml.StreamEndEvent):
            line, column = event.start_mark.line + 1, event.start_mark.column + 1
            raise self.fault(line, column, "not YAML: another document", "one document in a file", "")
        return out

    def node(self, event: Any, depth: int) -> _Node:
        """Node that begins with an event."""
        mark = event.start_mark
        line, column = mark.line + 1, mark.column + 1
        if self.values > MOST_VALUES:
            raise _too_many(self.fault, line, column, tuple(self.path))
        anchor = event.anchor
        if isinstance(event, yaml.AliasEvent):
            if anchor not in self.anchors:
                raise self.fault(line, column, f"not YAML: undefined alias {anchor!r}", "an anchor above", "")
            return self.anchors[anchor]
        if anchor is not None and anchor in self.anchors:
            raise self.fault(line, column, f"not YAML: a second anchor {anchor!r}", "each anchor once", "")
        tag = None if event.tag == "!" else event.tag
        if isinstance(event, yaml.ScalarEvent):
            if tag is None:
                tag = _implicit(event.value) if event.implicit[0] else _TEXT
            out = _Node(tag, event.value, line, column, not event.style)
            if anchor is not None:
                self.anchors[anchor] = out
            return out
        if depth >= MOST_LEVELS:
            raise _too_deep(self.fault, line, column)
        content: list[Any] = []
        mapping = isinstance(event, yaml.MappingStartEvent)
        out = _Node(tag or (_MAPPING if mapping else _SEQUENCE), content, line, column)
        if anchor is not None:
            self.anchors[anchor] = out
        (self.pairs if mapping else self.entries)(content, depth + 1)
        return out

    def entries(self, content: list[_Node], depth: int) -> None:
        self.path.append(0)
        for number, event in enumerate(self.events):
            if isinstance(event, yaml.SequenceEndEvent):
                break
            self.path[-1] = number
            self.values += 1
            content.append(self.node(event, depth))
        self.path.pop()

    def pairs(self, content: list[tuple[_Node, _Node]], depth: int) -> None:
        self.path.append("")
        for event in self.events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key = self.node(event, depth)
            self.path[-1] = key.value if isinstance(key.value, str) else ""
            self.values += 1
            content.append((key, self.node(next(self.events), depth)))
        self.path.pop()


def _implicit(text: str) -> str:
    """Tag of a plain scalar without one."""
    for tag, pattern in yaml.CSafeLoader.yaml_implicit_resolvers.get(text[:1], ()):
        if pattern.match(text):
            return str(tag)
    return _TEXT


class _Builder:
    """Builder of plain values from nodes, which records their lines and columns."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        self.locations: Locations = {}
        self.values = 0
        self.merges = 0
        self.merging = 0
        self.scalars = yaml.constructor.SafeConstructor()

    def build(self, node: _Node, path: KeyPath) -> Any:
        line, column = node.line, node.column
        self.locations.setdefault(path, (line, column))
        self.values += 1
        if self.values > MOST_VALUES:
            raise _too_many(self.fault, line, column, path)
        if len(path) > MOST_LEVELS:
            raise _too_deep(self.fault, line, column)
        if isinstance(node.value, list):
            if node.tag == _MAPPING:
                return self._mapping(node, path)
            if node.tag == _SEQUENCE:
                return [self.build(child, (*path, i)) for i, child in enumerate(node.value)]
        kind = node.tag.rpartition(":")[2]
        if isinstance(node.value, list) or kind not in _SCALARS:
            raise self.fault(line, column, f"tag {node.tag!r}", "plain values without tags", _dotted(path))
        return self._scalar(node, kind, path)

    def _scalar(self, node: _Node, kind: str, path: KeyPath) -> Any:
        text: str = node.value
        if kind in ("str", "timestamp"):
            self._refuse_unprintable(node, path)
            # 1e2 is a number to people and to YAML 1.2
            return float(text) if node.plain and EXPONENT.match(text) else text
        if kind in ("int", "float") and _OCTAL.match(text):
            sign = text[: len(text) - len(text.lstrip("+-"))]
            decimal = sign + (text.lstrip("+-").lstrip("0") or "0")
            finding = f"{text[:40]!r} begins with a zero, which some read as octal"
            raise self.fault(node.line, node.column, finding, f"{decimal[:40]}, if it is decimal", _dotted(path))
        if kind in ("int", "float") and not _PLAIN.match(text):
            finding = f"{text[:40]!r} is a number in a notation that is not accepted"
            raise self.fault(node.line, node.column, finding, "decimal digits, such as 90 or 1.5e3", _dotted(path))
        try:
            return self.scalars.yaml_constructors[node.tag](self.scalars, yaml.ScalarNode(node.tag, text))
        except (ValueError, OverflowError, KeyError) as error:
            finding = f"{text[:40]!r} cannot be read"
            raise self.fault(node.line, node.column, finding, "a plain value", _dotted(path)) from error

    def _refuse_unprintable(self, node: _Node, path: KeyPath) -> None:
        hidden = unprintable_character(node.value)
        if hidden is not None:
            finding, accepted = f"text with the character {hidden}", "characters that can be shown"
            raise self.fault(node.line, node.column, finding, accepted, _dotted(path))

    def _mapping(self, node: _Node, path: KeyPath) -> dict[str, Any]:
        out: dict[str, Any] = {}
        merged: list[_Node] = []
        for key_node, value_node in node.value:
            line, column = key_node.line, key_node.column
            if key_node.tag == _MERGE:
                merged += value_node.value if value_node.tag == _SEQUENCE else [value_node]
                continue
            if not isinstance(key_node.value, str):
                raise self.fault(line, column, "a key that is not a word", "a word as key", _dotted(path))
            key = key_node.value
            key_path = (*path, key)
            self._refuse_unprintable(key_node, path)
            if "\n" in key or "\t" in key:
                raise self.fault(line, column, f"the key {key!r}", "a key in one line, without tabs", "")
            if key in out:
                first_line = self.locations[key_path][0]
                accepted = f"each key once; it is on line {first_line} too"
                raise self.fault(line, column, "key given twice", accepted, _dotted(key_path))
            self.locations.setdefault(key_path, (line, column))
            out[key] = self.build(value_node, key_path)
        for base in merged:
            self._merge(base, path, out)
        return out

    def _merge(self, base: _Node, path: KeyPath, out: dict[str, Any]) -> None:
        """Add the keys of a mapping that ``out`` lacks; locations of keys that the mapping itself states are kept."""
        self.merges += 1
        if self.merges > MOST_MERGES or self.merging > MOST_LEVELS:
            accepted = f"at most {MOST_MERGES} '<<'"
            raise self.fault(base.line, base.column, "too many merges, or one of itself", accepted, "")
        if base.tag != _MAPPING:
            finding = "'<<' of what is not a mapping"
            raise self.fault(base.line, base.column, finding, "an alias of a mapping", "")
        self.values += len(base.value)  # each is compared, whether it is taken or not
        self.merging += 1
        inherited = [pair for pair in base.value if pair[0].value not in out]
        for key, value in self._mapping(base._replace(value=inherited), path).items():
            out.setdefault(key, value)
        self.merging -= 1
