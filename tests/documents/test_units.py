"""Units of documents against another library of units, pint, by its own definitions."""

import pint
import pytest

from armsim.documents.units import DIMENSIONS, PREFIXES, UNITS, read_quantity, si_factor

REGISTRY: pint.UnitRegistry = pint.UnitRegistry(preprocessors=[lambda text: text.replace("%", "percent")])
ABSENT = {"one", "pct"}
"""Names that pint does not know as such."""
KINDS = {kind: units for kind, units in DIMENSIONS.items() if kind != "absolute temperature"}


def value(unit: str, si: str) -> float:
    """Value of a unit by pint."""
    return float(REGISTRY.Quantity(1.0, unit).to("" if si == "one" else si).magnitude)


@pytest.mark.parametrize("kind", KINDS)
def test_the_units_that_are_shown_have_the_values_of_pint(kind: str) -> None:
    si, units = KINDS[kind]
    for unit in units:
        assert si_factor(unit, kind) == pytest.approx(value(unit, si), rel=1e-14, abs=0), unit


@pytest.mark.parametrize("name", sorted(UNITS.keys() - ABSENT - {"%", "N", "newton"}))
def test_every_unit_with_every_prefix_has_the_value_of_pint(name: str) -> None:
    kind = next(kind for kind in KINDS if si_factor(name, kind) is not None)
    base = value(name, KINDS[kind][0])
    assert si_factor(name, kind) == pytest.approx(base, rel=1e-14, abs=0)
    for prefix in PREFIXES:
        # the prefixes of pint, on a metre: it does not know all of these on every unit
        factor = value(f"{prefix}meter", "meter")
        for plural in ("", "s") if len(name) > 1 else ("",):
            assert si_factor(f"{prefix}{name}{plural}", kind) == pytest.approx(factor * base, rel=1e-14, abs=0), prefix


@pytest.mark.parametrize(
    "unit",
    ["m*rad*s", "ms", "furlong", "m/", "/s", "m**2", "1", "pi", "mm mm", "µµm", "m*m*m*m*m", "s/m", "%", "(m)", "mS"],
)
def test_what_is_no_unit_of_a_length_is_refused(unit: str) -> None:
    with pytest.raises(ValueError, match="is not a"):
        read_quantity(f"1 {unit}", "length")


@pytest.mark.parametrize("tenths", [n for n in range(1, 1000) if n % 10 == 0 or n > 900])
def test_a_percentage_is_the_decimal_that_it_writes(tenths: int) -> None:
    """95 % is 0.95 and no more: a thousandth arm more or less lies beyond it. Source: IEEE 754, correctly rounded."""
    text = f"{tenths // 10}.{tenths % 10}"
    assert read_quantity(f"{text} %", "ratio") == float(f"0.{tenths:03d}")
