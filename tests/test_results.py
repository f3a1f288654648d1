"""Results: written, read back, and what stands in them."""

import csv
import json
import pickle
from pathlib import Path

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.notebook import DisplayedResult
from armsim.report.csv_tables import LARGE, run_tables, write_table
from armsim.results import Result
from armsim.results.ellipsoids import coverage_factor, ellipsoids
from armsim.results.pose_table import PoseTable


@pytest.fixture(scope="module")
def result() -> Result:
    return armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=60, visits=4).run()


def test_written_and_read_back(result: Result) -> None:
    text = result.to_json()
    again = DisplayedResult.from_result(Result.from_json(text))
    assert again.tasks == result.tasks
    assert again == result
    assert again.to_json() == text


def test_a_file_of_an_earlier_version_is_read() -> None:
    """Source: written by 0.1.0 of `lessons/mastering.yaml` with 5 arms and 2 visits; of the curve of the joint four points."""
    file = ROOT / "tests" / "results-0.1.0.json"
    record = json.loads(file.read_text())
    earlier = armsim.read(file)
    assert earlier.version == record["version"] == "0.1.0"
    pose = record["tasks"][0]["poses"][0]
    assert earlier.tasks[0].pose("out").error.p95 == pose["error"]["p95"]
    assert earlier.tasks[0].column("repeatability.p50")[0] == pose["repeatability"]["p50"]
    assert earlier.task("lever").share("j1", "mastering")[0] == pose["shares"]["j1"]["mastering"]
    written = json.loads(earlier.to_json())  # whole in the present format, with what 0.1.0 did not have
    assert written["sampled_on"] == ""
    assert written["tasks"][0]["summary"] == record["tasks"][0]["summary"]
    with pytest.raises(
        ValueError, match="results of the format 'armsim-results/2'; this version reads 'armsim-results/1'"
    ):
        Result.from_json(file.read_text().replace("armsim-results/1", "armsim-results/2"))


def test_a_name_that_looks_like_an_empty_table() -> None:
    """The text is put together around the poses: a name must not be taken for the place where they go."""
    result = armsim.load(ROOT / "scenarios" / "lessons" / "mastering.yaml").with_plan(units=5, visits=2).run()
    from dataclasses import replace

    odd = replace(result, scenario='"poses": [] and \\"poses\\": []')
    assert DisplayedResult.from_result(Result.from_json(odd.to_json())) == odd


def test_the_contract(result: Result) -> None:
    """Names of the result file that users rely on."""
    data = json.loads(result.to_json())
    pose = data["tasks"][0]["poses"][0]
    assert data["format"] == "armsim-results/1"
    assert {"mean", "covariance", "rms", "p50", "p95", "p99", "max", "p95_interval"} <= set(pose["error"])
    assert {"rms", "p95"} <= set(pose["orientation_error"])
    assert {"p50", "p95"} <= set(pose["accuracy"]) & set(pose["repeatability"])
    assert {"rms", "covariance"} <= set(pose["first_order"])
    assert {"p95", "worst_pose", "yield", "groups"} <= set(data["tasks"][0]["summary"])
    for task in data["tasks"]:
        for pose in task["poses"]:
            assert sum(x for causes in pose["shares"].values() for x in causes.values()) == pytest.approx(1.0)


def test_measures_of_every_task(result: Result) -> None:
    names = {task.name: [measure.name for measure in task.measures] for task in result.tasks}
    assert names["stations"] == ["AP", "RP", "AD", "RD", "vAP", "vAP"]
    assert names["acceptance"] == ["AP", "RP", "AD", "RD", *["vAP"] * 3]
    assert names["bead"] == ["AT", "RT"]
    assert names["box"] == ["AP", "RP"]
    for task in result.tasks:
        for measure in task.measures:
            assert 0 <= measure.p50 <= measure.p95
            assert measure.clause


def test_coverage_factors() -> None:
    """Source: JCGM 102:2011 table 1 (1.96 for one quantity, 2.45 for two, 2.80 for three at 95 %)."""
    assert [round(coverage_factor(n), 2) for n in (1, 2, 3)] == [1.96, 2.45, 2.80]


@pytest.mark.parametrize("dimensions", [2, 3])
def test_ellipsoids_hold_the_share_of_a_normal_sample(dimensions: int) -> None:
    """Source: brute force on a correlated normal sample; binomial scatter of the share."""
    generator = np.random.default_rng(4)
    mix = generator.standard_normal((dimensions, dimensions))
    sample = generator.standard_normal((100_000, dimensions)) @ mix.T
    semi_axes, directions = ellipsoids((mix @ mix.T)[None])
    inside = np.sum((sample @ directions[0].T / semi_axes[0]) ** 2, axis=1) <= 1
    assert inside.mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.05 * 0.95 / 100_000))
    assert (np.diff(semi_axes[0]) <= 0).all()


def test_tables(result: Result, tmp_path: Path) -> None:
    """One row per pose, as many values as headings, numbers those of the result; large tables as Parquet too."""
    (tmp_path / "tables").mkdir()
    for name, table in run_tables(result).items():
        write_table(tmp_path / "tables" / f"{name}.csv", table)
    with (tmp_path / "tables" / "poses.csv").open() as file:
        rows = list(csv.DictReader(file))
    poses = [(task.name, pose) for task in result.tasks for pose in task.poses]
    assert len(rows) == len(poses)
    for row, (task, pose) in zip(rows, poses, strict=True):
        assert (row["task"], row["pose"]) == (task, pose.name)
        assert None not in row
        assert float(row["p95 [um]"]) == pytest.approx(pose.error.p95 * 1e6, rel=1e-6)
        assert float(row["ellipsoid a [um]"]) == pytest.approx(pose.error.ellipsoid.semi_axes[0] * 1e6, rel=1e-6)
        assert float(row["conditioning [1]"]) == pytest.approx(pose.conditioning, rel=1e-6)
    shares = sum(len(task.poses) * (len(task.poses.share_names) - 1) for task in result.tasks)
    assert shares > LARGE
    parquet = pytest.importorskip("pyarrow.parquet")
    table = parquet.read_table(tmp_path / "tables" / "shares.parquet")
    assert table.num_rows == shares
    with (tmp_path / "tables" / "shares.csv").open() as file:
        texts = [row["share of mean square error [1]"] for row in csv.DictReader(file)]
    np.testing.assert_allclose(table.column(4).to_numpy(), np.array(texts, dtype=float))
    assert not (tmp_path / "tables" / "poses.parquet").exists()


def test_covariances_are_files_with_their_frame(result: Result, tmp_path: Path) -> None:
    """CSV and Parquet, as in results.json. Source: the record that is written, in SI."""
    write_table(tmp_path / "covariances.csv", run_tables(result)["covariances"])
    with (tmp_path / "covariances.csv").open() as file:
        rows = list(csv.DictReader(file))
    record = json.loads(result.to_json())
    poses = [(task["name"], pose) for task in record["tasks"] for pose in task["poses"]]
    assert len(rows) == len(poses)
    for row, (task, pose) in zip(rows, poses, strict=True):
        assert (row["task"], row["pose"], row["error of"], row["frame"]) == (task, pose["name"], "tool point", "base")
        matrix, largest = 1e12 * np.array(pose["error"]["covariance"]), 1e12 * pose["error"]["rms"] ** 2
        for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
            assert float(row[f"{'xyz'[a]}{'xyz'[b]} [um^2]"]) == pytest.approx(
                matrix[a, b], rel=1e-8, abs=1e-12 * largest
            )
    table = pytest.importorskip("pyarrow.parquet").read_table(tmp_path / "covariances.parquet").to_pydict()
    assert table["frame"] == ["base"] * len(rows)
    np.testing.assert_array_equal(table["yz [um^2]"], [float(row["yz [um^2]"]) for row in rows])


def test_a_table_is_handed_over_without_its_views() -> None:
    """A thread hands the table to a helper process while the main one asks for columns: what it looked at stays here.

    With the views in the pickle the run ended now and then in "dictionary changed size during iteration".
    """
    table = PoseTable.empty([f"p{n}" for n in range(200)], [("j1", "noise"), ("bias", "mean")], 2)
    bare = len(pickle.dumps(table))
    for path in ("error.p95", "error.covariance", "joints", "shares"):
        table.column(path)
    assert len(pickle.dumps(table)) == bare
    back = pickle.loads(pickle.dumps(table))
    assert back == table
    assert np.isnan(back.column("error.p95")).all()
