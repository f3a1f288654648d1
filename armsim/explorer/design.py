"""A design as changes of a scenario, and the history of what was tried."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any


@dataclass(frozen=True)
class Design:
    """Changes by path, as `armsim.documents.overrides`, later ones over earlier ones."""

    changes: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def key(self) -> str:
        """What stands for it: answers carry the key of the design that they are of."""
        text = json.dumps(list(self.changes.items()), sort_keys=True, default=str)
        return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()

    def with_changes(self, changes: Mapping[str, Any]) -> Design:
        """With further changes; one that another path inside it had changed before takes that along."""
        kept = {
            path: value
            for path, value in self.changes.items()
            if path not in changes and not any(path.startswith(f"{new}.") for new in changes)
        }
        return Design({**kept, **changes})


@dataclass(frozen=True)
class History:
    """Designs one after the other, and which of them stands."""

    designs: tuple[Design, ...] = (Design(),)
    at: int = 0

    @property
    def design(self) -> Design:
        """That which stands."""
        return self.designs[self.at]

    def to(self, design: Design) -> History:
        """A further design; what had been undone is gone."""
        if design == self.design:
            return self
        return History((*self.designs[: self.at + 1], design), self.at + 1)

    def over(self, design: Design) -> History:
        """The last design replaced, such as while a slider moves."""
        return replace(self, designs=(*self.designs[: self.at], design))

    @property
    def undone(self) -> History | None:
        """One step back; None at the beginning."""
        return replace(self, at=self.at - 1) if self.at else None

    @property
    def redone(self) -> History | None:
        """One step forth; None at the end."""
        return replace(self, at=self.at + 1) if self.at + 1 < len(self.designs) else None
