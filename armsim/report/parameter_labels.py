"""Labels of the numbers of a machine: the words of a path, for tables, figures and sentences."""

from __future__ import annotations

from collections.abc import Iterable

PARTS = {"transmission": "gear"}
"""Parts of a joint whose word is not their key."""
ENTRIES = {"kinematic_error": "wave"}
"""Words of the entries of lists; others are called entries."""
LINK = "link "


def parameter_label(path: str, joints: Iterable[str]) -> str:
    """Label of a number in words: owner, part, quantity.

    Parameters
    ----------
    path : str
        Path as used to change a scenario: ``joints.j2.transmission.kinematic_error.0.amplitude``, or ``link j1.d``.
    joints : iterable of str
        Names of the joints, which may hold dots.

    Returns
    -------
    str
        ``j2, gear: kinematic error, wave 1, amplitude``; ``j1, link: d``.
    """
    prefix = LINK if path.startswith(LINK) else "joints."
    names = [name for name in joints if path.startswith(f"{prefix}{name}.")]
    joint = max(names, key=len, default="")
    keys = path.removeprefix(f"{prefix}{joint}." if joint else LINK).split(".")
    parts = [joint] if joint else []
    if prefix == LINK:
        parts.append("link")
    elif len(keys) > 1:
        parts.append(_words(keys.pop(0)))
    pairs = zip(["", *keys], keys, strict=False)
    words = [_entry(before, key) if key.isdecimal() else _words(key) for before, key in pairs]
    return f"{', '.join(parts)}: {', '.join(words)}" if parts else ", ".join(words)


def _words(key: str) -> str:
    return PARTS.get(key, key.replace("_", " "))


def _entry(of: str, index: str) -> str:
    return f"{ENTRIES.get(of, 'entry')} {int(index) + 1}"
