"""Properties over arms, encoders and scenarios made at random: what must hold whatever the hardware."""

import json
import math
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pose_samples import all_visits

import armsim
from armsim.errormodel.distributions import Distribution
from armsim.errors import InputError, RunError
from armsim.model.machine import Change, Machine
from armsim.results import Result
from armsim.sampling.first_order import linearise
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study

MANY = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
FEW = settings(MANY, max_examples=120)


def size(unit: str, most: float) -> st.SearchStrategy[str]:
    return st.one_of(st.just(0.0), st.floats(1e-4 * most, most)).map(lambda x: f"{x:.6g} {unit}")


def tolerance(unit: str, most: float, magnitude: bool = False) -> st.SearchStrategy[Any]:
    laws = [st.just("normal"), st.just("rayleigh")] if magnitude else [st.just("normal")]
    return st.one_of(
        size(unit, most),
        st.fixed_dictionaries(
            {"limit": size(unit, most), "distribution": st.sampled_from(["uniform", "triangular", "arcsine", "fixed"])}
        ),
        st.fixed_dictionaries({"std": size(unit, most / 3), "distribution": st.one_of(*laws)}),
    )


def some(**parts: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional=parts)


RATIO = tolerance("%", 5)
SIGNAL = some(
    offset=RATIO, amplitude_mismatch=RATIO, phase_error=tolerance("deg", 3), third_harmonic=RATIO,
    noise=size("%", 2), averages=st.integers(1, 16), third_harmonic_order=st.sampled_from([2, 4]),
)  # fmt: skip
SHARE = size("%", 100)


@st.composite
def encoders(draw: st.DrawFn, rotary: bool) -> dict[str, Any]:
    unit, most = ("arcsec", 60.0) if rotary else ("um", 20.0)
    out: dict[str, Any] = {
        "kind": "encoder",
        "name": draw(st.text("abc äß線 -", min_size=1, max_size=12).map(lambda text: " ".join(text.split()) or "a")),
        "measures": "rotation" if rotary else "translation",
        "price": draw(st.integers(0, 500)),
    }
    common = some(
        hysteresis=size(unit, most), timing=some(latency=size("us", 100), jitter=size("ns", 100)),
        drift=tolerance(f"{unit}/K", 1),
    )  # fmt: skip
    if draw(st.booleans()):
        resolution = draw(st.integers(8, 24).map(lambda n: f"{n} bit")) if rotary else draw(st.just("100 nm"))
        return {**out, **draw(common), "summary": {"resolution": resolution, "accuracy": draw(tolerance(unit, most))}}
    out |= (
        {
            "signal_periods": draw(st.integers(16, 4096)),
            "track_radius": draw(st.integers(5, 60).map(lambda r: f"{r} mm")),
        }
        if rotary
        else {"signal_period": draw(st.sampled_from(["4 um", "20 um", "200 um"]))}
    )
    out["interpolation"] = draw(st.integers(0, 14).map(lambda n: f"{n} bit"))
    more = some(
        graduation_error=tolerance(unit, most), signal=SIGNAL,
        corrections=some(signal=SHARE, eccentricity=SHARE, latency=SHARE),
        **({"read_heads": st.integers(1, 4)} if rotary else {"slope_error": tolerance("um/m", 20)}),
    )  # fmt: skip
    return {**out, **draw(common), **draw(more)}


@st.composite
def scenarios(draw: st.DrawFn) -> dict[str, Any]:
    """A whole scenario in one document: arm, encoders, joints, tasks."""
    count = draw(st.integers(1, 7))
    kinds = [draw(st.sampled_from(["revolute", "revolute", "prismatic"])) for _ in range(count)]
    rows, joints, pose = [], {}, []
    length, angle = st.integers(-400, 400).map(lambda x: f"{x} mm"), st.integers(-180, 180).map(lambda x: f"{x} deg")
    for number, kind in enumerate(kinds, start=1):
        name = f"j{number}"
        row = {"name": name, "type": kind, "a": draw(length), "alpha": draw(angle)}
        if kind == "revolute":
            rows.append({**row, "d": draw(length), "range": ["-170 deg", "170 deg"]})
            pose.append(draw(st.integers(-160, 160).map(lambda x: f"{x} deg")))
        else:
            rows.append({**row, "theta": draw(angle), "range": ["0 mm", "800 mm"]})
            pose.append(draw(st.integers(0, 800).map(lambda x: f"{x} mm")))
        joints[name] = draw(fitted(kind == "revolute"))
    task = {"kind": "poses", "name": "stations", "poses": [{"name": "one", "joints": pose}]}
    required = some(repeatability=st.just("200 um"))
    return {
        "kind": "scenario",
        "name": "made at random",
        "arm": {
            "kind": "arm", "name": "chain", "kinematics": {"convention": "standard-dh", "joints": rows},
            **draw(some(tolerances=some(theta=tolerance("urad", 50), d=tolerance("um", 50), a=tolerance("um", 50)))),
        },
        "joints": joints,
        **draw(some(environment=some(temperature_rise=tolerance("K", 5)))),
        **draw(some(requirement=required.map(lambda more: {"position": "150 um", **more}))),
        "tasks": [task],
        "sampling": {"units": draw(st.integers(2, 40)), "visits": draw(st.integers(2, 5)), "seed": draw(st.integers(0, 99))},
    }  # fmt: skip


@st.composite
def fitted(draw: st.DrawFn, rotary: bool) -> dict[str, Any]:
    unit, most = ("arcsec", 60.0) if rotary else ("um", 20.0)
    encoder = draw(encoders(rotary))
    placement = draw(st.sampled_from(["motor", "output"]))
    box: dict[str, st.SearchStrategy[Any]] = {"lost_motion": size(unit, most)}
    if rotary:
        harmonic = st.fixed_dictionaries(
            {
                "per": st.sampled_from(["input-turn", "output-turn"]), "order": st.integers(1, 4),
                "amplitude": tolerance("arcsec", 60, magnitude=True),
            }
        )  # fmt: skip
        box |= {"ratio": st.integers(1, 160), "kinematic_error": st.lists(harmonic, max_size=2)}
    parts: dict[str, st.SearchStrategy[Any]] = {
        "transmission": some(**box), "mastering": tolerance(unit, most),
        "approach": st.sampled_from(["random", "positive", "negative"]),
    }  # fmt: skip
    if "summary" not in encoder:
        parts["mounting"] = (
            some(eccentricity=tolerance("um", 50, magnitude=True), disc_tilt=tolerance("deg", 0.5, magnitude=True))
            if rotary
            else some(abbe_offset=size("mm", 100), guide_pitch=tolerance("urad", 50))
        )
    return {"encoder": encoder, "placement": placement, **draw(some(**parts))}


def load(document: dict[str, Any]) -> Study:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scenario.yaml"
        path.write_text(yaml.safe_dump(document, allow_unicode=True, sort_keys=False), encoding="utf-8")
        return armsim.load(path)


def no_constant(constant: str) -> None:
    raise AssertionError(constant)


@MANY
@given(scenarios())
def test_every_machine_runs_and_its_result_is_sound(document: dict[str, Any]) -> None:
    """No traceback; finite numbers; shares that sum to one, or to nothing where there is no error; a result read back."""
    result = load(document).run(1)
    data = json.loads(result.to_json(), parse_constant=no_constant)
    for task in data["tasks"]:
        for pose in task["poses"]:
            total = sum(share for causes in pose["shares"].values() for share in causes.values())
            assert total == pytest.approx(1.0, abs=1e-9) or (total == 0.0 and pose["error"]["max"] < 1e-12)
            assert all(share >= -1e-12 for causes in pose["shares"].values() for share in causes.values())
            error = pose["error"]
            assert 0 <= error["p50"] <= error["p95"] <= error["p99"] <= error["max"] * (1 + 1e-12)
            assert np.linalg.eigvalsh(error["covariance"]).min() >= -1e-9 * max(np.trace(error["covariance"]), 1e-30)
    assert Result.from_json(result.to_json()).to_json() == result.to_json()


def first_order(machine: Machine, pose: list[float]) -> Any:
    return linearise(machine.at(np.array([pose])))


def machine_and_pose(document: dict[str, Any]) -> tuple[Machine, list[float]]:
    scenario = load(document).scenario
    task: Any = scenario.tasks[0]
    return scenario.machine, list(task.poses[0].joints)


@MANY
@given(scenarios())
def test_doubling_every_error_doubles_the_first_order(document: dict[str, Any]) -> None:
    machine, pose = machine_and_pose(document)
    one = first_order(machine, pose)
    two = first_order(replace(machine, changes=(*machine.changes, Change(2.0))), pose)
    np.testing.assert_allclose(two.covariance, 4 * one.covariance, rtol=1e-12, atol=1e-30)
    np.testing.assert_allclose(two.mean, 2 * one.mean, rtol=1e-12, atol=1e-18)


@MANY
@given(scenarios(), st.integers(0, 6), st.floats(1e-9, 1e-3))
def test_an_added_error_never_lowers_the_scatter(document: dict[str, Any], which: int, spread: float) -> None:
    """A further independent error of mean zero adds its own to the mean square at every pose."""
    machine, pose = machine_and_pose(document)
    joint = machine.joints[which % len(machine.joints)]
    grown = replace(
        joint, mastering=Distribution("normal", math.hypot(joint.mastering.scale if joint.mastering else 0, spread))
    )
    if joint.mastering is not None and joint.mastering.distribution != "normal":
        grown = replace(joint, mastering=Distribution("normal", math.sqrt(joint.mastering.second_moment + spread**2)))
    joints = tuple(grown if item is joint else item for item in machine.joints)
    one, two = first_order(machine, pose), first_order(replace(machine, joints=joints), pose)
    squares = [float(np.trace(x.covariance[0])) for x in (one, two)]
    assert squares[1] >= squares[0] * (1 - 1e-12)


ANGLE = st.integers(-180, 180)


@MANY
@given(scenarios(), st.tuples(ANGLE, ANGLE, ANGLE))
def test_turning_the_base_turns_the_covariance(document: dict[str, Any], rpy: tuple[int, int, int]) -> None:
    """The covariance turns with the base, lengths of errors stay. Source: geometry; rotations of spatialmath."""
    from spatialmath import SO3

    turned = json.loads(json.dumps(document))
    turned["arm"]["kinematics"]["base"] = {"rpy": [f"{angle} deg" for angle in rpy]}
    (machine, pose), (other, _) = machine_and_pose(document), machine_and_pose(turned)
    one, two = first_order(machine, pose), first_order(other, pose)
    rotation = np.array(SO3.RPY(rpy, unit="deg"))
    scale = max(float(np.trace(one.covariance[0])), 1e-30)
    np.testing.assert_allclose(two.covariance[0], rotation @ one.covariance[0] @ rotation.T, atol=1e-9 * scale + 1e-30)
    plan = SamplingPlan(64, 3, 5)
    sampled = [all_visits(MachineAtPoses.prepare(m.at(np.array([pose])), plan), 0)[0] for m in (machine, other)]
    largest = max(float(np.abs(sampled[0]).max()), 1e-15)
    expected = np.einsum("ij,jvu->ivu", rotation, sampled[0])
    np.testing.assert_allclose(sampled[1], expected, atol=1e-9 * largest + 1e-15)


@MANY
@given(scenarios(), st.randoms(use_true_random=False))
def test_the_order_of_causes_does_not_matter(document: dict[str, Any], random: Any) -> None:
    """Every cause draws its own numbers, whatever stands before it."""
    machine, pose = machine_and_pose(document)
    evaluated = machine.at(np.array([pose]))
    order = list(range(len(evaluated.terms)))
    random.shuffle(order)
    acts = tuple(evaluated.acts[n] for n in order)
    mixed = replace(evaluated, terms=tuple(evaluated.terms[n] for n in order), acts=acts, draw_acts=acts)
    one, two = linearise(evaluated), linearise(mixed)
    scale = max(float(np.trace(one.covariance[0])), 1e-30)
    np.testing.assert_allclose(two.covariance, one.covariance, atol=1e-12 * scale)
    plan = SamplingPlan(32, 3, 1)
    sampled = [all_visits(MachineAtPoses.prepare(item, plan), 0)[0] for item in (evaluated, mixed)]
    np.testing.assert_allclose(sampled[1], sampled[0], atol=1e-12 * max(float(np.abs(sampled[0]).max()), 1e-15))


@FEW
@given(scenarios(), st.data())
def test_a_spoilt_document_is_told_and_nothing_else(document: dict[str, Any], data: st.DataObject) -> None:
    """One value anywhere replaced by rubbish: it runs, or it is told with its place; never a traceback."""
    paths: list[tuple[Any, Any]] = []

    def walk(node: Any) -> None:
        for key in list(node) if isinstance(node, dict) else range(len(node)):
            paths.append((node, key))
            if isinstance(node[key], dict | list):
                walk(node[key])

    walk(document)
    rubbish = st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.just([]), st.just({}),
        st.sampled_from(["1 mm", "-5 deg", "1e300 m", "nan mm", ".", "../..", "5 %"]),
    )  # fmt: skip
    node, key = data.draw(st.sampled_from(range(len(paths))).map(lambda n: paths[n]))
    node[key] = data.draw(rubbish)
    try:
        load(document).run(1)
    except InputError as error:
        message = list(error.problems)
        if not (message and all(problem.actual for problem in message)):
            pytest.fail("a fault without words")
    except RunError:
        pass
