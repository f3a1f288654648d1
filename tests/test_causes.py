"""A cause is one object: declared once, stated by keys, carried by the terms that physics makes of them."""

from __future__ import annotations

import pytest
from support import ROOT

import armsim.causes
from armsim.causes import HYSTERESIS, LOST_MOTION, SIGNAL_NOISE, STATED_NOISE, Cause, combine_causes, names_in
from armsim.documents.load import load_scenario
from armsim.errormodel.distributions import Distribution
from armsim.field_spec import declared_fields
from armsim.model.chain import OriginTolerances
from armsim.model.effects import causes_in, effects, stated_effects
from armsim.model.encoder import Encoder, Misalignment, SheetSummary, Signal
from armsim.model.joint import Joint
from armsim.model.machine import Change
from armsim.model.mounting import Mounting
from armsim.physics import gear
from armsim.report.boilerplate import model_texts
from armsim.results import Result
from armsim.study import Study

DECLARED = [var for var in vars(armsim.causes).values() if isinstance(var, Cause)]
SCENARIOS = [path for path in sorted((ROOT / "scenarios").rglob("*.yaml")) if "kind: scenario" in path.read_text()]


def test_every_name_is_there_once_and_can_be_joined() -> None:
    names = [cause.name for cause in DECLARED]
    assert len(names) > 40
    assert len(set(names)) == len(names)
    assert all(names_in(name) == (name,) for name in names)
    both = combine_causes(LOST_MOTION, HYSTERESIS)
    assert names_in(both.name) == ("lost motion", "hysteresis")
    assert both.parts == (LOST_MOTION, HYSTERESIS)
    assert both.by_direction
    assert combine_causes(HYSTERESIS) is HYSTERESIS


def test_what_a_key_states_is_what_its_terms_carry() -> None:
    """Over the lessons, one for an effect, and the demos: declaration and physics speak of one cause."""
    reference = {str(effect): effect.cause for effect in effects()}
    working = set()
    for path in SCENARIOS:
        machine = load_scenario(path).machine
        carried = {cause for term in machine.terms for cause in term.cause.parts or (term.cause,)}
        working |= {text for text in stated_effects(machine) if carried & {reference[text], *reference[text].through}}
    of_origins = {
        f"arm tolerances.{field.name}" for field in declared_fields(OriginTolerances)
    }  # no demo has an arm of URDF
    assert set(reference) - working == of_origins


@pytest.mark.parametrize("approach", ["random", "positive", "path"])
def test_the_direction_decides_lost_motion_and_hysteresis(approach: gear.Approach) -> None:
    for lost, lag, name in (
        (1e-3, 0.0, "lost motion"),
        (0.0, 1e-3, "hysteresis"),
        (2e-3, 1e-3, "lost motion and hysteresis"),
    ):
        terms = gear.reversal(lost, lag, approach)
        assert {term.cause.name for term in terms} == {name}
        assert all(term.cause.by_direction for term in terms)
    assert gear.reversal(0.0, 0.0, approach) == ()


def result_of(encoder: Encoder, mounting: Mounting) -> Result:
    study = Study(load_scenario(ROOT / "scenarios" / "lessons" / "eccentricity.yaml"))
    machine = study.scenario.machine
    joint = Joint(machine.joints[0].name, encoder, mounting=mounting)
    return study.with_scenario(machine=type(machine)(machine.arm, (joint,))).with_plan(units=20, visits=2).run()


@pytest.mark.parametrize("noise", [SIGNAL_NOISE, STATED_NOISE])
def test_a_head_that_is_off_works_through_either_noise(noise: Cause) -> None:
    """The contrast that it costs raises the noise of the signals and that of a stated noise alike."""
    stated_value = noise is STATED_NOISE
    encoder = Encoder(
        "e", signal_periods=512, interpolation=14, track_radius=10e-3, signal=Signal(noise=0.0 if stated_value else 0.01),
        noise=Distribution("normal", 1e-5 if stated_value else 0.0),
    )  # fmt: skip
    off = Mounting(head_radial=Distribution("fixed", 3e-4))
    quiet, loud = (sum(t.second_moment.trace() for t in Joint("j", encoder, mounting=m).terms() if t.cause == noise)
                   for m in (Mounting(), off))  # fmt: skip
    assert loud > 1.01 * quiet
    sentences = model_texts(result_of(encoder, off))
    assert "head radial" in sentences[0]
    assert not any("without effect" in text for text in sentences)


def test_what_a_sheet_states_of_an_offset_counts_for_the_offset() -> None:
    """Without any noise the head that is off errs all the same, by as much as the sheet says."""
    encoder = Encoder(
        "e", summary=SheetSummary(20.0), track_radius=10e-3,
        misalignment_errors=(Misalignment("head_radial", 1e-4, 1e-5),),
    )  # fmt: skip
    result = result_of(encoder, Mounting(head_radial=Distribution("uniform", 1e-4)))
    (term,) = [
        term for budget in result.joints.values() for term in budget.terms if term.cause == "stated misalignment"
    ]
    assert causes_in(term) == ("stated misalignment", "head radial")
    sentences = model_texts(result)
    assert "head radial" in sentences[0]
    assert not any("without effect" in text for text in sentences)


def test_a_change_by_name_is_refused() -> None:
    """It would change nothing, and say nothing."""
    with pytest.raises(TypeError, match="'wind-up': a name"):
        Change(0.5, cause="wind-up")  # type: ignore[arg-type]
