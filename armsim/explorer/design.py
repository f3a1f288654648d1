"""A design as changes of a scenario, its name, and the undo history."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from textwrap import shorten
from typing import Any

from armsim.study import Study

MOST_STEPS = 100
"""Steps of the history; a study takes about 100 kB, so that they stay within some 10 MB."""
LONGEST_NAME = 90
"""Most characters in the name of a design."""
NAMED_CHANGES = 2
"""Changes that the name of a design tells; the number of the others follows."""


@dataclass(frozen=True)
class Design:
    """A variant of the scenario: changes by path, as in `armsim.documents.overrides`, in order."""

    changes: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def key(self) -> str:
        """Digest of the changes, by which a snapshot names its design."""
        text = json.dumps(list(self.changes.items()), sort_keys=True, default=str)
        return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()

    def with_changes(self, changes: Mapping[str, Any]) -> Design:
        """This design with further changes; a change of a whole part drops earlier changes inside it."""
        remaining = {
            path: value
            for path, value in self.changes.items()
            if path not in changes and not any(path.startswith(f"{new}.") for new in changes)
        }
        return Design({**remaining, **changes})

    def without(self, paths: Iterable[str], initial: Design) -> Design:
        """This design without changes of paths and of what lies inside them, which are as in the initial one again."""
        dropped = tuple(paths)

        def is_dropped(path: str) -> bool:
            return any(path == dropped_path or path.startswith(f"{dropped_path}.") for dropped_path in dropped)

        remaining = {path: value for path, value in self.changes.items() if not is_dropped(path)}
        return Design({**{path: value for path, value in initial.changes.items() if is_dropped(path)}, **remaining})

    def without_vain_removals(self, data: Mapping[str, Any]) -> Design:
        """This design without removals (None) of what the scenario as read, ``data``, does not state."""
        changes = {path: value for path, value in self.changes.items() if value is not None or _is_stated(data, path)}
        return self if len(changes) == len(self.changes) else Design(changes)

    def name_since(self, initial: Design) -> str:
        """Name of the design: its last changes since the initial one, and how many others there are."""
        before = initial.changes
        since = [(path, value) for path, value in self.changes.items() if path not in before or before[path] != value]
        if not since:
            return "as read"
        texts = [_change_text(path, value) for path, value in since[: -NAMED_CHANGES - 1 : -1]]
        others = len(since) - len(texts)
        further = f" and {others} more" if others else ""
        return f"{shorten(', '.join(texts), LONGEST_NAME - len(further), placeholder=' …')}{further}"


def _is_stated(data: Any, path: str) -> bool:
    """Whether a document states a path; what lies in a list or behind a reference counts as stated."""
    for key in path.split("."):
        if not isinstance(data, dict):
            return True
        if key not in data:
            return False
        data = data[key]
    return True


def _change_text(path: str, value: Any) -> str:
    """A change as a short text: a reference by the name of its document, a mapping by its path alone."""
    words = path.removeprefix("joints.").replace(".", " ")
    if value is None:
        return f"no {words}"
    if isinstance(value, dict | list):
        return words
    text = str(value)
    if path.endswith("encoder"):
        text = text.rpartition("#")[2] if "#" in text else Path(text).stem
    return f"{words} {text}"


@dataclass(frozen=True, eq=False)
class Step:
    """A design with its study; ``slide`` is common to the steps of one movement of a slider."""

    design: Design
    study: Study
    slide: object = None


@dataclass(frozen=True, eq=False)
class History:
    """Undo history: steps in order, and the number of the current one."""

    steps: tuple[Step, ...]
    at: int = 0

    @property
    def step(self) -> Step:
        """The current step."""
        return self.steps[self.at]

    def to(self, step: Step) -> History:
        """Append a step; undone ones are dropped, and the oldest beyond `MOST_STEPS`.

        A step of the slide of the current one replaces it.
        """
        if step.design == self.step.design:
            return self
        continues = step.slide is not None and step.slide is self.step.slide
        steps = (*self.steps[: self.at + (not continues)], step)[-MOST_STEPS:]
        return History(steps, len(steps) - 1)

    @property
    def undone(self) -> History | None:
        """The history one step back; None at the beginning."""
        return replace(self, at=self.at - 1) if self.at else None

    @property
    def redone(self) -> History | None:
        """The history one step forward; None at the end."""
        return replace(self, at=self.at + 1) if self.at + 1 < len(self.steps) else None
