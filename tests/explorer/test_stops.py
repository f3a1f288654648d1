"""A stop is asked for between any two steps of a job, counted in steps and not in seconds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from support import ROOT

import armsim
from armsim.calibration import gauss_newton
from armsim.decide import joint_filter, option_moments, sensitivities
from armsim.decide.calibration_study import calibrate
from armsim.decide.search import Search
from armsim.decide.sensitivity import TaskPopulation
from armsim.report import drawing
from armsim.report.drawing import Planned, begin, finish
from armsim.report.helpers import Helpers
from armsim.run_options import Interrupted, RunOptions
from armsim.sampling import acceptance, joint_budgets
from armsim.study import Study


class Steps:
    """Steps of a job since a stop was asked for, the most of each kind, and their number in all."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._monkeypatch = monkeypatch
        self._since: Counter[str] = Counter()
        self.most: dict[str, int] = {}
        self.total: Counter[str] = Counter()

    def count(self, owner: Any, name: str) -> None:
        """Count the calls of a function."""
        function: Callable[..., Any] = getattr(owner, name)
        self.most[name] = 0

        def step(*arguments: Any, **options: Any) -> Any:
            self._since[name] += 1
            self.total[name] += 1
            self.most[name] = max(self.most[name], self._since[name])
            return function(*arguments, **options)

        self._monkeypatch.setattr(owner, name, step)

    def stopped(self) -> bool:
        """No stop is requested; the count begins anew."""
        self._since.clear()
        return False

    @property
    def options(self) -> RunOptions:
        """Options of a run of one thread that asks here."""
        return RunOptions(1, stopped=self.stopped)


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    return Steps(monkeypatch)


def demo(place: Path, **changes: Any) -> Study:
    """The demo with a few named poses and few arms."""
    text = (ROOT / "scenarios" / "bonding-cell.yaml").read_text().replace("../configs", str(ROOT / "configs"))
    content = yaml.safe_load(text)
    camera = {"name": "camera", "joints": ["0 deg", "10 deg", "20 deg", "0 deg", "60 deg", "0 deg"]}
    beside = {"name": "beside", "joints": ["10 deg", "10 deg", "20 deg", "0 deg", "60 deg", "0 deg"]}
    poses = [{"kind": "poses", "name": name, "poses": [camera, beside]} for name in ("one", "other")]
    content |= {"tasks": poses, "sampling": {"units": 64, "visits": 4, "seed": 7}, **changes}
    path = place / "demo.yaml"
    path.write_text(yaml.safe_dump(content))
    return armsim.load(path)


def test_a_search_asks_before_every_task_of_every_option(tmp_path: Path, steps: Steps) -> None:
    study = demo(tmp_path)
    options = study.options(ROOT / "configs" / "catalogues" / "discs.yaml")
    steps.count(joint_filter, "_judgements")
    steps.count(option_moments, "_errors_at")
    Search(study, options, steps.options)
    offered = sum(map(len, options.joints))
    assert steps.total["_judgements"] == offered
    assert steps.total["_errors_at"] > offered
    # both tasks of an option are evaluated, with a question before each; the links follow the last option
    assert steps.most == {"_judgements": 1, "_errors_at": 4}


def test_a_result_asks_before_every_joint_and_every_tested_pose(tmp_path: Path, steps: Steps) -> None:
    study = demo(tmp_path)
    steps.count(joint_budgets, "joint_curve")
    steps.count(acceptance, "pose_repeatability")
    study.evaluate(study.find(), steps.options)
    assert steps.total == {"joint_curve": 6, "pose_repeatability": 4}
    assert set(steps.most.values()) == {1}


def test_a_sensitivity_asks_before_every_number(tmp_path: Path, steps: Steps) -> None:
    steps.count(TaskPopulation, "line")
    result = sensitivities(demo(tmp_path), steps.options, "j2")
    assert steps.total["line"] >= len(result.lines) > 5
    assert steps.most["line"] == 1


def test_a_calibration_asks_before_every_few_arms(tmp_path: Path, steps: Steps) -> None:
    plan = {"instrument": {"std": "20 um"}, "poses": {"candidates": 40, "count": 12}, "identify": {"zeros": True}}
    steps.count(gauss_newton, "_identify_chunk")
    calibrate(demo(tmp_path, calibration=plan, sampling={"units": 600, "visits": 4, "seed": 7}), steps.options)
    assert steps.total["_identify_chunk"] > 1
    assert steps.most["_identify_chunk"] == 1


def test_figures_ask_before_every_file(tmp_path: Path, steps: Steps) -> None:
    from armsim.figures.style import Drawing, style

    def blank() -> Drawing:
        with style():
            return Drawing()

    steps.count(drawing, "save_figure")
    planned = [Planned("section", f"figure-{n}", "caption", blank) for n in range(2)]
    finish(begin(tmp_path / "figures", planned, Helpers(0)), lambda what, completed, total: steps.stopped() or None)
    assert steps.total["save_figure"] == 4
    assert steps.most["save_figure"] == 1


def test_a_stop_ends_it_at_once(tmp_path: Path) -> None:
    """Whatever is asked first after the request: nothing more than what has begun is worked out."""
    study = demo(tmp_path)
    options = study.options(ROOT / "configs" / "catalogues" / "discs.yaml")
    questions = 0

    def stopped() -> bool:
        nonlocal questions
        questions += 1
        return questions > 20

    with pytest.raises(Interrupted):
        Search(study, options, RunOptions(1, stopped=stopped))
    assert questions == 21
