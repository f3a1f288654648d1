"""Renamed keys: the former name of a key is read for one minor version, with a note that gives the present one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from armsim.sources import KeyPath


@dataclass(frozen=True)
class FormerKey:
    """A key that was renamed.

    Parameters
    ----------
    name, present : str
        Former and present name.
    parents : frozenset of str
        Keys whose value holds it, directly or in a list; "" for the top of a document.
    until : str
        Version from which the former name is an unknown key.
    """

    name: str
    present: str
    parents: frozenset[str]
    until: str


ENCODER_KEYS = frozenset({"", "encoder", "motor_encoder"})
NEEDS_KEYS = frozenset({"needs", "motor", "output"})
FORMER_KEYS = (
    FormerKey("turns_by", "multiturn", ENCODER_KEYS | NEEDS_KEYS, "0.3"),
    FormerKey("through", "waypoints", frozenset({"tasks"}), "0.3"),
    FormerKey("together", "same_encoder", frozenset({"limits"}), "0.3"),
    FormerKey("apart", "incompatible", frozenset({"limits"}), "0.3"),
    FormerKey("sees", "coefficients", frozenset({"couplings"}), "0.3"),
    FormerKey("at", "position", frozenset({"instrument"}), "0.3"),
    FormerKey("cone", "acceptance_angle", frozenset({"instrument"}), "0.3"),
    FormerKey("ripple", "ripple_limit", frozenset({"motion"}), "0.3"),
)


def former_key(parent_path: KeyPath, name: Any) -> FormerKey | None:
    """Renamed key of a former name below a key path; None where the name is none."""
    parent = next((part for part in reversed(parent_path) if isinstance(part, str)), "")
    return next((key for key in FORMER_KEYS if key.name == name and parent in key.parents), None)


def with_present_keys(data: Any, parent_path: KeyPath, on_renamed: Callable[[KeyPath, FormerKey], None]) -> Any:
    """Values of a document under the present names of their keys.

    Parameters
    ----------
    data : Any
        Value as it was read.
    parent_path : key path
        Its place in the document.
    on_renamed : callable
        Is called with the key path as written, and the renamed key, for every former name.

    Returns
    -------
    Any
        The same object where no key has a former name.
    """
    if isinstance(data, list):
        items = [with_present_keys(item, (*parent_path, n), on_renamed) for n, item in enumerate(data)]
        return items if any(new is not old for new, old in zip(items, data, strict=True)) else data
    if not isinstance(data, dict):
        return data
    out, changed = {}, False
    for name, value in data.items():
        former = former_key(parent_path, name)
        if former is not None and former.present not in data:
            on_renamed((*parent_path, name), former)
            name, changed = former.present, True
        out[name] = with_present_keys(value, (*parent_path, name), on_renamed)
        changed = changed or out[name] is not value
    return out if changed else data


def renaming_note(location: str, key: FormerKey) -> str:
    """Note on a former name at a location, such as a file and line."""
    return f"{location}: {key.name!r} is now called {key.present!r}; the former name is read until armsim {key.until}"
