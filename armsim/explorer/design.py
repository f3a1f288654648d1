"""A design as changes of a scenario, and the undo history."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any


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


@dataclass(frozen=True)
class History:
    """Undo history: designs in order, and the number of the current one."""

    designs: tuple[Design, ...] = (Design(),)
    at: int = 0

    @property
    def design(self) -> Design:
        """The current design."""
        return self.designs[self.at]

    def to(self, design: Design) -> History:
        """Append a design; undone designs are dropped."""
        if design == self.design:
            return self
        return History((*self.designs[: self.at + 1], design), self.at + 1)

    def over(self, design: Design) -> History:
        """Replace the current design, such as while a slider moves."""
        return replace(self, designs=(*self.designs[: self.at], design))

    @property
    def undone(self) -> History | None:
        """The history one step back; None at the beginning."""
        return replace(self, at=self.at - 1) if self.at else None

    @property
    def redone(self) -> History | None:
        """The history one step forward; None at the end."""
        return replace(self, at=self.at + 1) if self.at + 1 < len(self.designs) else None
