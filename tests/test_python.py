"""The Python face: what is exported, what answers a slip, what cannot be changed."""

from __future__ import annotations

import doctest
import inspect
import json
import math
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.arrays import Array
from armsim.errors import RunError
from armsim.results import Result, TaskResult

WITHOUT_EXAMPLE = {"allocate", "select", "trade_off"}
"""Take a minute on the demo; the tests of `decide` have theirs."""
SEVEN = ROOT / "scenarios" / "seven-from-sheets.yaml"


@pytest.fixture(scope="module")
def result() -> Result:
    return armsim.load(SEVEN).with_plan(units=40, visits=3).run(1)


def test_everything_that_is_exported_is_there() -> None:
    for name in armsim.__all__:
        assert getattr(armsim, name) is not None, name
    assert set(armsim.__all__) <= set(dir(armsim))
    assert "import_module" not in dir(armsim)
    with pytest.raises(AttributeError, match="no attribute 'studdy'"):
        _ = armsim.studdy


@pytest.mark.parametrize("name", [name for name in armsim.__all__ if inspect.isfunction(getattr(armsim, name))])
def test_help_of_a_function_is_complete_and_its_examples_run(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the folder of the project, as a reader has it. Source: the sections of numpydoc; doctest."""
    monkeypatch.chdir(ROOT)
    text = inspect.getdoc(getattr(armsim, name)) or ""
    for section in ("Parameters", "Returns", "Raises"):
        assert f"{section}\n{'-' * len(section)}\n" in text, section
    examples = doctest.DocTestParser().get_doctest(text, {}, name, None, None)
    assert examples.examples or name in WITHOUT_EXAMPLE
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
    runner.run(examples)
    assert runner.failures == 0


def test_the_import_costs_nothing() -> None:
    """No library and no module of the package is loaded before it is asked for. Source: the list of loaded modules."""
    text = "import sys, armsim; print([m for m in sys.modules if m.split('.')[0] in ('numpy', 'numba', 'pydantic')])"
    process = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True, cwd=ROOT)
    assert process.stdout.strip() == "[]"


def test_a_name_that_is_not_there_is_answered_with_those_that_are(result: Result) -> None:
    with pytest.raises(KeyError, match=r"no task named 'statoins'; did you mean 'stations'\? There are: 'stations'"):
        result.task("statoins")
    name = result.tasks[0].poses.names[0]
    with pytest.raises(KeyError, match=f"no pose named 'nowhere'.*{name}"):
        result.tasks[0].pose("nowhere")
    assert result.tasks[0].pose(name).name == name


@pytest.mark.parametrize(
    ("figure", "message"),
    [
        (lambda task: task.column("error.p59"), r"no column named 'error.p59'; did you mean 'error\.p\d\d'"),
        (lambda task: task.column("error.p95.low"), "no column named 'error.p95.low'"),
        (lambda task: task.share("j9", "quantisation"), "no owner named 'j9'.*'j1'"),
        (
            lambda task: task.share("j1", "quantization"),
            r"no cause named 'quantization'; did you mean 'quantisation'\?",
        ),
        (lambda task: task.contribution("link"), "no owner named 'link'.*'j1'"),
        (lambda task: task.contribution(cause="typo"), "no cause named 'typo'"),
    ],
)
def test_a_figure_that_is_not_there_is_no_zero(
    result: Result, figure: Callable[[TaskResult], Array], message: str
) -> None:
    with pytest.raises(KeyError, match=message):
        figure(result.tasks[0])


def test_every_figure_of_a_pose_is_a_column(result: Result) -> None:
    """Also those of the comparison with first order, a record for each of its figures."""
    task = result.tasks[0]
    differences = [validation.difference for validation in task.poses[0].first_order.validation]
    assert task.column("first_order.validation.difference")[0].tolist() == differences


def test_an_owner_without_a_cause_that_others_have_has_none_of_it(result: Result) -> None:
    task = result.tasks[0]
    owners = {owner for owner, _ in task.poses.share_names}
    lacking = {(owner, cause) for owner in owners for _, cause in task.poses.share_names} - set(task.poses.share_names)
    assert lacking
    assert not any(task.share(owner, cause).any() for owner, cause in lacking)
    assert not any(task.contribution(owner, cause).any() for owner, cause in lacking)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [({"units": 0}, "units: 0; accepted: at least 1"), ({"visits": -3}, "visits: -3"), ({"seed": -1}, "seed: -1"),
     ({"units": 10**9}, "at most 1e\\+07"), ({"units": 2.5}, "units: 2.5; accepted: a whole number"),
     ({"units": "60"}, "units: '60'; accepted: a whole number"), ({"visits": True}, "visits: True")],
)  # fmt: skip
def test_a_plan_keeps_the_bounds_of_a_file(arguments: dict[str, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        armsim.load(SEVEN).with_plan(**arguments)


@pytest.mark.parametrize(
    ("poses", "message"),
    [({}, "no poses; accepted: at least one"),
     ({"a": [0.0] * 6}, "pose 'a': 6 joint positions; accepted: 7: j1, j2, j3, j4, j5, j6, j7"),
     ({"a": [math.nan] * 7}, "pose 'a': joint j1 at nan; accepted: .* rad to .* rad"),
     ({"a": [0.0] * 6 + [1e9]}, "pose 'a': joint j7 at 1e\\+09; accepted: .* rad to .* rad")],
)  # fmt: skip
def test_poses_keep_the_bounds_of_a_file(poses: dict[str, list[float]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        armsim.load(SEVEN).with_poses(poses)


def test_options_of_a_catalogue_are_to_be_had_from_python() -> None:
    """Those that `select` and `trade_off` take."""
    study, catalogue = armsim.load(SEVEN), ROOT / "configs" / "catalogues" / "discs.yaml"
    options = study.options(catalogue)
    assert isinstance(options, armsim.Options)
    assert len(options.joints) == 7
    assert study.options(catalogue, arms=50).purchase.arms == 50
    with pytest.raises(ValueError, match="made in Python"):
        study.with_arm(study.scenario.machine.arm).options(catalogue)


def test_a_result_cannot_be_written(result: Result) -> None:
    task = result.tasks[0]
    column = task.column("error.p95")
    before = column.copy()
    owner, cause = task.poses.share_names[0]
    for array in (column, task.share(owner, cause), task.poses.column("error.p95"), task.poses.numbers):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0
    assert np.array_equal(result.tasks[0].column("error.p95"), before)


def test_run_tells_its_parameters() -> None:
    """Keywords of `run` are options of every run, with the same values where they are not given."""
    study = armsim.load(SEVEN)
    parameters = inspect.signature(study.run).parameters
    assert "workers" in parameters
    options = armsim.RunOptions()
    assert {name: value.default for name, value in parameters.items()} == {
        name: getattr(options, name) for name in parameters
    }
    assert "Raises" in (study.run.__doc__ or "")


def test_keywords_and_options_run_alike() -> None:
    study = armsim.load(SEVEN).with_plan(units=40, visits=3)
    notes: list[str] = []
    by_keywords = study.run(workers=2, memory=2**30, note=notes.append)
    options = armsim.RunOptions(workers=1)
    assert study.evaluate(study.find(), options)[0].to_json() == by_keywords.to_json()
    assert len(notes) == 1
    with pytest.raises(AttributeError):
        options.workers = 3  # type: ignore[misc]


@pytest.mark.parametrize("name", ["bonding-cell", "track-cell", "coupled-six", "seven-from-sheets"])
def test_a_table_of_pandas_holds_the_figures_of_results_json(name: str) -> None:
    """Columns by the path of the figure there, rows by task and pose. Source: the record that is written."""
    result = armsim.load(ROOT / "scenarios" / f"{name}.yaml").change(
        {"tasks.side view.step": "150 mm"} if name == "bonding-cell" else {}
    ).with_plan(units=120, visits=3).run(1)  # fmt: skip
    table, record = result.to_dataframe(), json.loads(result.to_json())
    assert len(table) == sum(len(task["poses"]) for task in record["tasks"])
    assert all(kind == np.float64 for kind in table.dtypes)
    for task in record["tasks"]:
        for pose in task["poses"][:3]:
            row = table.loc[task["name"], pose["name"]]
            assert row["error.p95"] == pose["error"]["p95"]
            assert [row[f"position.{axis}"] for axis in "xyz"] == pose["position"]
            assert row["error.covariance.xz"] == pose["error"]["covariance"][0][2]
            assert [row["error.p95_interval.low"], row["error.p95_interval.high"]] == pose["error"]["p95_interval"]
            assert [row[f"joints.{joint}"] for joint in record["joints"]] == pose["joints"]
            assert row.filter(like="contributions.").sum() == pytest.approx(1.0)
    only = result.tasks[0].to_dataframe()
    assert list(only.index) == list(result.tasks[0].poses.names)


def test_a_dataset_of_xarray_has_the_cells_of_a_slice() -> None:
    """Directions as dimensions, every pose at its own place. Source: the positions of the poses themselves."""
    pytest.importorskip("xarray")
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").change({"tasks.side view.step": "150 mm"})
    result = study.with_plan(units=20, visits=2).run(1)
    view = result.task("side view")
    cells = view.to_xarray()
    assert cells["error.p95"].dims == ("z", "x")
    reached = cells["position.x"].notnull()
    assert int(reached.sum()) == len(view.poses) < reached.size
    for axis in "xz":
        off = np.abs(cells[f"position.{axis}"] - cells[axis])
        assert float(off.max()) < 1e-6
    stations = result.task("stations").to_xarray()["error.p95"]
    assert float(stations.sel(pose="glue")) == result.task("stations").pose("glue").error.p95


def test_without_pandas_it_says_what_to_install(result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(RunError, match=r"pip install 'armsim\[dataframe\]'"):
        result.to_dataframe()
