"""One YAML file: its data, and the place of every key, so that a fault can be named by line and column."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import yaml

from armsim.documents.files import LARGEST, Unreadable, read_bytes, unshown
from armsim.errors import InputError, Problem
from armsim.sources import KeyPath, Source

MOST_VALUES = 100_000
"""Values, with every alias counted as often as it is used."""
DEEPEST = 40
"""Levels of nesting, and of merges within merges."""
MOST_MERGES = 1000
"""Mappings merged by ``<<`` in a file: each costs a look at what stands there already."""

_PLAIN = re.compile(r"^[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?$|^[-+]?\.(inf|Inf|INF)$|^\.(nan|NaN|NAN)$", re.ASCII)
"""YAML 1.1 would read 1:30 as ninety, 0x14 as twenty and 1_0 as ten."""
_OCTAL = re.compile(r"^[-+]?0\d", re.ASCII)
"""YAML 1.1 would read 0512 as 330, YAML 1.2 as 512."""
_EXPONENT = re.compile(r"^[+-]?[0-9]+(\.[0-9]*)?[eE][+-]?[0-9]+$")
_SCALARS = {"null", "bool", "int", "float", "str", "timestamp"}


def read_source(path: Path, raw: bytes | None = None) -> Source:
    """Read a YAML file safely: no tags, no code, bounded in size, depth and aliases.

    ``raw`` is its content, where that is read already.

    Raises
    ------
    InputError
        The file is missing, is not UTF-8, is not YAML or passes a bound.
    """
    name = str(path)

    def fault(line: int, column: int, found: str, accepted: str, key: str = "") -> InputError:
        return InputError(Problem(name, line, column, key, found, accepted))

    try:
        raw = read_bytes(path) if raw is None else raw
    except Unreadable as error:
        raise fault(0, 0, error.found, error.accepted) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise fault(line, 1, f"byte {error.start} is not UTF-8", "a text file in UTF-8") from error
    try:
        depth = 0
        for event in yaml.parse(text, Loader=yaml.CSafeLoader):
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
                if depth > DEEPEST:
                    line = event.start_mark.line + 1 if event.start_mark else 0
                    raise fault(line, 1, "nested too deeply", f"at most {DEEPEST} levels")
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
        root = yaml.compose(text, Loader=yaml.CSafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        accepted = (
            "one document in a file"
            if "document" in str(error.problem or error.context)
            else "'key: value', indented by spaces"
        )
        raise fault(line, column, f"not YAML: {error.problem}", accepted) from error
    except yaml.YAMLError as error:  # a character that YAML does not allow
        place = getattr(error, "position", 0) or 0
        found = str(error).splitlines()[0].strip().rstrip(":")
        raise fault(text.count("\n", 0, place) + 1, 1, f"not YAML: {found}", "a YAML file") from error
    if not isinstance(root, yaml.MappingNode):
        raise fault(1, 1, "not a mapping", "keys with values, the first of them 'kind:'")
    builder = _Builder(fault)
    data = builder.build(root, ())
    return Source(Path(name), data, builder.places, hashlib.sha256(raw).hexdigest(), text)


def read_named(path: Path, source: Source, at: KeyPath, largest: int = LARGEST) -> bytes:
    """The content of a file that a document names.

    Raises
    ------
    InputError
        It cannot be read: the fault is of the line that names it.
    """
    try:
        return read_bytes(path, largest)
    except Unreadable as error:
        accepted = f"{error.accepted}; the path is relative to the file that names it"
        raise source.error(at, f"{error.found}: {path}", accepted) from error


class _Builder:
    """Turns nodes into values, keeping places."""

    def __init__(self, fault: Any) -> None:
        self.fault = fault
        self.places: dict[KeyPath, tuple[int, int]] = {}
        self.values = 0
        self.merges = 0
        self.merging = 0
        self.scalars = yaml.constructor.SafeConstructor()

    def build(self, node: yaml.Node, path: KeyPath) -> Any:
        line, column = node.start_mark.line + 1, node.start_mark.column + 1
        self.places.setdefault(path, (line, column))
        key = ".".join(map(str, path))
        self.values += 1
        if self.values > MOST_VALUES:
            raise self.fault(line, column, "too many values", f"at most {MOST_VALUES}, aliases counted", key)
        if len(path) > DEEPEST:
            raise self.fault(line, column, "nested too deeply, or an alias within itself", f"at most {DEEPEST} levels")
        kind = node.tag.rpartition(":")[2]
        if isinstance(node, yaml.MappingNode) and kind == "map":
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode) and kind == "seq":
            return [self.build(child, (*path, i)) for i, child in enumerate(node.value)]
        if not isinstance(node, yaml.ScalarNode) or kind not in _SCALARS:
            raise self.fault(line, column, f"tag {node.tag!r}", "plain values without tags", key)
        if kind in ("str", "timestamp"):
            self._show(node, key)
            # 1e2 is a number to people and to YAML 1.2
            return float(node.value) if not node.style and _EXPONENT.match(node.value) else node.value
        if kind in ("int", "float") and _OCTAL.match(node.value):
            sign = node.value[: len(node.value) - len(node.value.lstrip("+-"))]
            meant = sign + (node.value.lstrip("+-").lstrip("0") or "0")
            found = f"{node.value[:40]!r} begins with a zero, which some read as octal"
            raise self.fault(line, column, found, f"{meant[:40]}, if it is decimal", key)
        if kind in ("int", "float") and not _PLAIN.match(node.value):
            found = f"{node.value[:40]!r} is a number in a notation that is not taken"
            raise self.fault(line, column, found, "decimal digits, such as 90 or 1.5e3", key)
        try:
            return self.scalars.yaml_constructors[node.tag](self.scalars, node)
        except (ValueError, OverflowError) as error:
            raise self.fault(line, column, f"{node.value[:40]!r} cannot be read", "a plain value", key) from error

    def _show(self, node: yaml.ScalarNode, key: str) -> None:
        hidden = unshown(node.value)
        if hidden is not None:
            line, column = node.start_mark.line + 1, node.start_mark.column + 1
            raise self.fault(line, column, f"text with the character {hidden}", "characters that can be shown", key)

    def _mapping(self, node: yaml.MappingNode, path: KeyPath) -> dict[str, Any]:
        out: dict[str, Any] = {}
        merged: list[yaml.Node] = []
        for key_node, value_node in node.value:
            line, column = key_node.start_mark.line + 1, key_node.start_mark.column + 1
            if key_node.tag == "tag:yaml.org,2002:merge":
                merged += value_node.value if isinstance(value_node, yaml.SequenceNode) else [value_node]
                continue
            if not isinstance(key_node, yaml.ScalarNode):
                raise self.fault(line, column, "a key that is not a word", "a word as key", ".".join(map(str, path)))
            key = key_node.value
            here = (*path, key)
            self._show(key_node, ".".join(map(str, path)))
            if "\n" in key or "\t" in key:
                raise self.fault(line, column, f"the key {key!r}", "a key in one line, without tabs")
            if key in out:
                first = self.places[here][0]
                accepted = f"each key once; it stands on line {first} too"
                raise self.fault(line, column, "key given twice", accepted, ".".join(map(str, here)))
            self.places.setdefault(here, (line, column))
            out[key] = self.build(value_node, here)
        for base in merged:
            self._merge(base, path, out)
        return out

    def _merge(self, base: yaml.Node, path: KeyPath, out: dict[str, Any]) -> None:
        """Add what a mapping has and ``out`` has not; places of keys that the mapping itself gives stay."""
        line, column = base.start_mark.line + 1, base.start_mark.column + 1
        self.merges += 1
        if self.merges > MOST_MERGES or self.merging > DEEPEST:
            raise self.fault(line, column, "too many merges, or one of itself", f"at most {MOST_MERGES} '<<'")
        if not isinstance(base, yaml.MappingNode):
            raise self.fault(line, column, "'<<' of what is not a mapping", "an alias of a mapping")
        self.values += len(base.value)  # each is looked at, whether it is taken or not
        self.merging += 1
        rest = [pair for pair in base.value if pair[0].value not in out]
        for key, value in self._mapping(yaml.MappingNode(base.tag, rest, base.start_mark), path).items():
            out.setdefault(key, value)
        self.merging -= 1
