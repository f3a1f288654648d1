"""Needs of a joint, and the words in which encoder and joint state the surroundings."""

from __future__ import annotations

from typing import Any

from pydantic import model_validator

from armsim.documents.fields import invalid
from armsim.documents.from_spec import extend_document
from armsim.model.installation import PROTECTION_PATTERN, Needs, SensorNeeds


def check_installation(protection: str | None, temperature: Any) -> None:
    """Check a protection class and a range of temperature.

    Raises
    ------
    PydanticCustomError
        No such class, or a range whose ends are in the wrong order.
    """
    if protection is not None and PROTECTION_PATTERN.match(protection) is None:
        raise invalid(f"{protection[:40]!r} as protection class", "IP and two digits, such as IP64; X for either digit")
    if temperature is not None and temperature[0] >= temperature[1]:
        raise invalid("a range of temperature that does not rise", "the lowest and the highest temperature")


def _check_needs(document: Any) -> Any:
    check_installation(document.protection, document.temperature)
    return document


_CHECKS = {"whole": model_validator(mode="after")(_check_needs)}
SensorNeedsDocument = extend_document(SensorNeeds, "PlaceNeedsDocument", checks=_CHECKS)
NeedsDocument = extend_document(
    Needs, "NeedsDocument", {"motor": (SensorNeedsDocument, None), "output": (SensorNeedsDocument, None)}, _CHECKS
)
