"""Input that is accepted and looks like a slip is told; what was taken without a word before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from support import ROOT, invoke

import armsim
from armsim.documents import check_file
from armsim.documents.lint import lint_machine
from armsim.documents.load import load_options, load_scenario
from armsim.errormodel.distributions import Distribution
from armsim.errors import InputError
from armsim.model.encoder import Encoder, SheetSummary, Signal
from armsim.model.motion import Motion
from armsim.model.transmission import Transmission
from armsim.results import Result
from armsim.sampling.layout import RECORD_BYTES, Resources, Workload, choose_layout
from armsim.sampling_plan import SamplingPlan

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def test_a_total_resolution_stated_as_interpolation_is_told() -> None:
    """1024 lines and 22 bit in each are 32 bit per turn; 22 bit in all would be 12 bit in each. Source: arithmetic."""
    machine = load_scenario(DEMO).machine
    disc = Encoder("fine", signal_periods=1024, interpolation=22.0)
    joints = (replace(machine.joints[0], encoder=disc), *machine.joints[1:])
    (message,) = lint_machine(replace(machine, joints=joints))
    assert "32 bit per turn" in message
    assert "interpolation is 12 bit" in message
    assert lint_machine(machine) == []


def test_a_ratio_upside_down_and_a_stiffness_without_load_are_told() -> None:
    machine = load_scenario(DEMO).machine
    odd = replace(machine.joints[0], transmission=Transmission(0.01, stiffness=1e4))
    message = " ".join(lint_machine(replace(machine, joints=(odd, *machine.joints[1:]))))
    assert "was 100 meant?" in message
    assert "no masses" in message


def test_a_lead_of_zero_is_refused() -> None:
    process = invoke("check", DEMO, "--set", "joints.j1.transmission.lead=0 mm")
    assert process.returncode == 2
    assert "transmission.lead" in process.stderr


def test_what_a_catalogue_cannot_fit_is_told(tmp_path: Path) -> None:
    catalogue = yaml.safe_load((ROOT / "configs" / "catalogues" / "discs.yaml").read_text())
    catalogue["encoders"].append({**catalogue["encoders"][0], "diameter": "500 mm"})
    catalogue["encoders"][-1] = {**catalogue["encoders"][-1]}
    catalogue["encoders"][-1]["encoder"] = {**catalogue["encoders"][0]["encoder"], "name": "giant"}
    names = load_scenario(DEMO).machine.arm.names
    catalogue["limits"] = {"joints": {name: {"diameter": "100 mm"} for name in names}}
    file = tmp_path / "discs.yaml"
    file.write_text(yaml.safe_dump(catalogue))
    ready, options = load_options(DEMO, file)
    assert any("giant can be fitted to no joint" in note for note in ready.notes)
    of_j1 = [row for row in options.exclusions if (row.joint, row.placement) == ("j1", "motor")]
    assert [(row.reason, row.encoders, row.of) for row in of_j1] == [
        ("outer diameter of at most 100 mm needed", ("giant",), 31)
    ]


def test_a_phase_error_beyond_first_order_is_refused(tmp_path: Path) -> None:
    text = (ROOT / "configs" / "encoders" / "disc-28.yaml").read_text()
    file = tmp_path / "disc.yaml"
    file.write_text(text.replace("phase_error: 1 deg", "phase_error: 120 deg"))
    with pytest.raises(InputError, match="phase_error: '120 deg' is too large"):
        check_file(file)


def test_results_of_a_later_format_are_refused() -> None:
    with pytest.raises(ValueError, match="armsim-results/9"):
        Result.from_json('{"format": "armsim-results/9", "anything": 1}')


def test_the_estimate_counts_what_chunks_hand_back() -> None:
    """The largest of every unit, of every task and of every chunk on its way. Source: the arrays of a sampled task."""
    machine = load_scenario(DEMO).machine
    study = armsim.load(DEMO).with_plan(units=64, visits=1)
    (sample, *_) = study.judge(study.find())[1].tasks
    arrays = (sample.extremes.worst, sample.extremes.repeatability_bounds, sample.within_operation)
    assert sum(array.nbytes for array in arrays) == 64 * RECORD_BYTES
    one, three = (
        choose_layout(machine, SamplingPlan(500_000, 30), Workload(10, 200, n), Resources(1, 2**33)).estimated_bytes
        for n in (1, 3)
    )
    assert three - one == 2 * RECORD_BYTES * 500_000


def test_the_limit_of_a_rayleigh_law_leaves_as_little_as_that_of_a_normal_one() -> None:
    """0.27 % beyond. Source: distribution functions."""
    import math

    assert math.exp(-0.5 * Distribution("rayleigh", 1.0).limit ** 2) == pytest.approx(0.0027)
    assert math.erfc(Distribution("normal", 1.0).limit / math.sqrt(2)) == pytest.approx(0.0027, rel=1e-3)


def test_a_path_alone_budgets_its_latency() -> None:
    """A scenario with nothing but a path: its joints move, so that latency and jitter stand in their budgets."""
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=20, visits=2)
    paths = tuple(task for task in study.scenario.tasks if task.kind == "path")
    late = tuple(
        replace(j, encoder=replace(j.encoder, timing=replace(j.encoder.timing, latency=1e-3)))
        for j in study.scenario.machine.joints
    )
    machine = replace(study.scenario.machine, joints=late)
    result = study.with_scenario(tasks=paths, machine=machine).run(1)
    assert any(term.cause == "latency" and term.rms > 0 for sheet in result.joints.values() for term in sheet.terms)


def test_a_repeatability_that_makes_no_noise_of_the_speed_is_told() -> None:
    """Of the sensor that closes the speed loop, where a motion is stated and nothing scatters from reading to reading."""
    machine = load_scenario(DEMO).machine
    first = machine.joints[0]
    motion = Motion(1e-3, speeds={first.name: 1.0})

    def notes_of(encoder: Encoder, motor: Encoder | None = None) -> list[str]:
        fitted = replace(first, encoder=encoder, motor_encoder=motor, placement="both" if motor else "output")
        return lint_machine(replace(machine, joints=(fitted, *machine.joints[1:])), motion)

    seated = Encoder("seated", summary=SheetSummary(24.0, repeatability=Distribution("normal", 1e-5)))
    (note,) = notes_of(seated)
    assert note.startswith(f"summary.repeatability of {first.name} adds no noise to the speed")
    assert "visit to visit" in note
    assert "stated as noise" in note
    assert notes_of(replace(seated, noise=Distribution("normal", 1e-6))) == []
    assert notes_of(replace(seated, signal=Signal(noise=0.001))) == []
    assert notes_of(Encoder("plain", summary=SheetSummary(24.0))) == []
    assert notes_of(replace(seated), Encoder("on the motor", summary=SheetSummary(24.0))) == []
    assert len(notes_of(Encoder("plain", summary=SheetSummary(24.0)), seated)) == 1
    assert lint_machine(replace(machine, joints=(replace(first, encoder=seated), *machine.joints[1:]))) == []


def test_check_tells_of_it(tmp_path: Path) -> None:
    sheets = ROOT / "scenarios" / "seven-from-sheets.yaml"
    message = "summary.repeatability of j1, j2, j4 adds no noise to the speed"
    assert message in invoke("check", sheets).stderr
    still = tmp_path / "still.yaml"
    data = yaml.safe_load(sheets.read_text().replace("../configs", str(ROOT / "configs")))
    del data["motion"], data["requirement"]["velocity_ripple"]
    still.write_text(yaml.safe_dump(data))
    process = invoke("check", still)
    assert process.returncode == 0, process.stderr
    assert "no noise of the speed" not in process.stderr


def test_an_air_gap_that_does_nothing_is_told() -> None:
    machine = load_scenario(DEMO).machine
    first = machine.joints[0]
    off = replace(first, mounting=replace(first.mounting, air_gap=Distribution("uniform", 1e-4)))
    (message,) = lint_machine(replace(machine, joints=(off, *machine.joints[1:])))
    assert "air_gap at j1 does nothing: the encoder states no light_cone" in message
    seeing = replace(off, encoder=replace(off.encoder, light_cone=0.05))
    assert lint_machine(replace(machine, joints=(seeing, *machine.joints[1:]))) == []
