"""Sampling on a CUDA device: the same numbers, by numba's simulator of one where there is none, and what is done without."""

import json
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.core.device_counts import DeviceCounts
from armsim.core.pose_kernel import WorkItem
from armsim.errors import InputError
from armsim.report.reproduce import difference, sha256
from armsim.run_options import RunOptions
from armsim.sampling import cuda_sampler, devices
from armsim.sampling.kernel_arrays import empty_units
from armsim.sampling.pose_sampler import PROCESSOR
from armsim.sampling.sampler import Samples
from armsim.study import Study

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
without_device = pytest.mark.skipif(cuda_sampler.cuda_devices() != (), reason="there is a CUDA device")
with_device = pytest.mark.skipif(not cuda_sampler.cuda_devices(), reason="there is no CUDA device")


@pytest.fixture(scope="module")
def stations() -> Study:
    study = armsim.load(DEMO).with_plan(256, 5)
    return study.with_scenario(tasks=study.scenario.tasks[:1])


def rows_of(samples: Samples) -> list[bytes]:
    return [task.rows.tobytes() for task in samples.tasks]


@without_device
def test_a_device_that_is_not_there_is_one_line_and_exit_2(tmp_path: Path) -> None:
    process = invoke("run", DEMO, "--device", "cuda", "--out", tmp_path / "result", cwd=tmp_path)
    assert process.returncode == 2
    assert process.stderr.strip().splitlines() == [
        "error: device: cuda: no CUDA device, or no driver of it (pip install 'armsim[cuda]'); accepted: cpu, or auto, which "
        "takes a device where there is one"
    ]
    assert not (tmp_path / "result").exists()


@without_device
def test_python_is_told_the_same(stations: Study) -> None:
    with pytest.raises(InputError, match="no CUDA device"):
        stations.run(device="cuda")


def test_other_processes_have_no_device(stations: Study) -> None:
    with pytest.raises(InputError, match="processes or a cluster"):
        stations.run(device="cuda", processes=True)


@without_device
def test_auto_without_a_device_says_where_it_samples(stations: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "MIN_SAMPLES", 1)
    monkeypatch.setattr(devices, "MIN_UNITS", 1)
    notes: list[str] = []
    result = stations.run(device="auto", note=notes.append)
    assert "no CUDA device: sampling on the processor" in notes
    assert result.sampled_on == ""


def test_auto_looks_for_no_device_for_a_small_run(stations: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    def looked() -> None:
        raise AssertionError("looked for a device")

    monkeypatch.setattr(devices, "_devices", looked)
    notes: list[str] = []
    stations.run(device="auto", note=notes.append)
    assert not any("device" in note for note in notes)


class BrokenDevice:
    """A device that is lost as soon as it is used."""

    name = "broken device"
    available_bytes = 2**40

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.calls = 0
        self.active = nullcontext

    def take_memory(self) -> Any:
        raise RuntimeError("the device was lost\nin mid run")


class SmallDevice(BrokenDevice):
    """A device with less memory than a pose needs."""

    name = "small device"
    available_bytes = 2**20


@pytest.mark.parametrize(
    ("device", "reason"), [(BrokenDevice(), "the device was lost"), (SmallDevice(), "needed ")], ids=["lost", "small"]
)
def test_the_processor_samples_what_a_device_does_not(
    stations: Study, monkeypatch: pytest.MonkeyPatch, device: Any, reason: str
) -> None:
    """Nothing is lost, the bits are those of the processor, and it is said once."""
    sets = stations.find()
    expected = stations.sample(sets, RunOptions(2))
    notes: list[str] = []
    monkeypatch.setattr(devices, "_devices", lambda: (device,))
    samples = stations.sample(sets, RunOptions(2, device="cuda", note=notes.append))
    assert rows_of(samples) == rows_of(expected)
    assert samples.spec.sampler.device == f"{device.name}, in part on the processor"
    sentences = [note for note in notes if "does not sample this" in note]
    assert len(sentences) == 1
    assert sentences[0].startswith(f"{device.name} does not sample this ({reason}")
    assert "\n" not in sentences[0]


def test_more_visits_than_counts_hold_are_the_processors(stations: Study) -> None:
    """Counts of a device are words of 32 bits."""
    notes: list[str] = []
    sampler = cuda_sampler.CudaSampler((BrokenDevice(),), 1, notes.append)  # type: ignore[arg-type]
    part: Any = type("Part", (), {"low": 0, "high": 1, "units": 2**20, "visits": 2**12})
    assert sampler._try(None, np.zeros((1, 1)), part) is None  # type: ignore[arg-type]
    assert "exceed its 32-bit counts" in notes[0]


def test_a_simulated_device_samples_as_the_processor() -> None:
    """Draws equal to the bit, arithmetic to its rounding. Source: the processor's kernel, through the same statistics."""
    command = [sys.executable, "-W", "ignore", str(Path(__file__).with_name("simulated_device.py"))]
    environment = {**os.environ, "NUMBA_ENABLE_CUDASIM": "1", "PYTHONPATH": str(ROOT)}
    process = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    records = [json.loads(line) for line in process.stdout.splitlines()]
    assert [record["scenario"] for record in records] == ["bonding-cell", "track-cell", "lessons/mastering"]
    for record in records:
        assert record["device"] == "simulated device"
        assert "sampling on simulated device" in record["notes"]
        assert record["undefined alike"]
        assert record["figures"] > 50
        assert record["difference"] < 1e-12, record
        assert record["of units"] < 1e-12


@with_device
@pytest.mark.parametrize(
    "name", ["bonding-cell", "every-task", "palletiser", "coupled-six", "quill-scara", "track-cell"]
)
def test_a_device_samples_as_the_processor(name: str) -> None:
    """Paths, couplings, prismatic axes, gravity: sums within 1e-12, quantiles to a part of a bin."""
    study = armsim.load(ROOT / "scenarios" / f"{name}.yaml").with_plan(1000, 11)
    sets = study.find()
    one, other = (study.sample(sets, RunOptions(device=device)) for device in ("cpu", "cuda"))
    assert "processor" not in other.spec.sampler.device
    for a, b in zip(one.tasks, other.tasks, strict=True):
        x, y = a.rows["error"]["covariance"], b.rows["error"]["covariance"]
        assert np.abs(x - y).max() < 1e-12 * np.abs(x).max()
        assert np.abs(a.worst - b.worst).max() < 1e-12 * a.worst.max()
        assert np.abs(a.rows["error"]["p95"] / b.rows["error"]["p95"] - 1).max() < 2**-11


def test_the_processor_has_no_name() -> None:
    assert PROCESSOR.device == ""


def test_a_result_of_another_device_is_reproduced_to_its_rounding(stations: Study, tmp_path: Path) -> None:
    earlier = stations.run()
    (tmp_path / "results.json").write_bytes(earlier.to_json())

    def changed(factor: float, device: str) -> Any:
        task = earlier.tasks[0]
        rows = task.poses.rows.copy()
        rows["error"]["p95"] *= factor
        return replace(earlier, sampled_on=device, tasks=(replace(task, poses=replace(task.poses, rows=rows)),))

    path = tmp_path / "results.json"
    assert difference(changed(1 + 1e-5, "device"), sha256(earlier), path) is None
    assert "they differ by up to" in str(difference(changed(1.01, "device"), sha256(earlier), path))
    assert "they differ by up to" in str(difference(changed(1 + 1e-5, ""), sha256(earlier), path))


class CountedDevice:
    """A device that notes the memory that comes back."""

    name, available_bytes = "counted", 2**40

    def __init__(self, returned: list[Any]) -> None:
        self.calls, self.active, self.give_back = 0, nullcontext, returned.append


def test_threads_share_the_sample_of_a_block(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of seven poses for four threads: one call, each takes its own rows, the memory comes back once."""
    poses: Any = SimpleNamespace(direction=np.zeros((7, 6, 3)))
    returned: list[Any] = []
    device: Any = CountedDevice(returned)
    calls: list[Any] = []

    def sample_on_device(self: Any, device: Any, poses: Any, coefficients: Any, item: WorkItem) -> Any:
        calls.append(item)
        rows = np.arange(7.0)[:, None] + np.zeros(item.units)
        counts = DeviceCounts(np.zeros((7, 4, 3), dtype=int), np.zeros(1, dtype=np.uint32), rows[:, None, :1])
        return cuda_sampler._DeviceSample(device, "memory", counts, rows, np.repeat(rows[:, None], 4, axis=1))  # type: ignore[arg-type]

    concluded: dict[int, list[float]] = {}

    def conclude(_: Any, poses: Any, item: WorkItem, query: Any, stack: Any, units: Any, out: Any, counts: Any) -> None:
        assert np.array_equal(units.squared_errors[:, 0], counts.totals[:, 0, 0])
        concluded[item.low] = units.squared_errors[:, 0].tolist()

    monkeypatch.setattr(cuda_sampler.CudaSampler, "_sample_on_device", sample_on_device)
    monkeypatch.setattr(cuda_sampler, "conclude_poses", conclude)
    sampler = cuda_sampler.CudaSampler((device,), 4, print)
    parts = [(0, 2), (2, 4), (4, 6), (6, 7)]

    def take(part: tuple[int, int]) -> None:
        units: Any = empty_units(1, 5)
        item = WorkItem(*part, 0, 0, 5, 3, 5, -1)
        sampler.sample(poses, np.zeros((1, 5)), item, None, None, units, None)  # type: ignore[arg-type]

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(take, parts))
    assert [(item.low, item.high) for item in calls] == [(0, 7)]
    assert returned == ["memory"]
    assert not sampler._shared_samples
    assert concluded == {0: [0, 1], 2: [2, 3], 4: [4, 5], 6: [6]}


def test_calls_go_to_the_device_that_works_on_the_fewest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four calls at a time and two devices: two each, the memory of each comes back to it; their names count them."""
    returned: tuple[list[Any], list[Any]] = ([], [])
    pair: Any = tuple(CountedDevice(memories) for memories in returned)
    together = threading.Barrier(4)
    chosen: list[Any] = []

    def sample_on_device(self: Any, device: Any, poses: Any, coefficients: Any, item: WorkItem) -> Any:
        chosen.append(device)
        together.wait(60)  # all four are at work
        counts = DeviceCounts(np.zeros((1, 4, 3), dtype=int), np.zeros(1, dtype=np.uint32), np.zeros((1, 1, 1)))
        return cuda_sampler._DeviceSample(device, chosen.index(device), counts, np.zeros((1, 5)), np.zeros((1, 4, 5)))  # type: ignore[arg-type]

    monkeypatch.setattr(cuda_sampler.CudaSampler, "_sample_on_device", sample_on_device)
    monkeypatch.setattr(cuda_sampler, "SHARED_BYTES", 0)  # calls of their own
    monkeypatch.setattr(cuda_sampler, "conclude_poses", lambda *arguments: None)
    sampler = cuda_sampler.CudaSampler(pair, 4, print)
    poses: Any = SimpleNamespace(direction=np.zeros((4, 6, 3)))

    def take(pose: int) -> None:
        item = WorkItem(pose, pose + 1, 0, 0, 5, 3, 5, -1)
        sampler.sample(poses, np.zeros((1, 5)), item, None, None, empty_units(1, 5), None)  # type: ignore[arg-type]

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(take, range(4)))
    assert [chosen.count(device) for device in pair] == [2, 2]
    assert [len(memories) for memories in returned] == [2, 2]
    assert [device.calls for device in pair] == [0, 0]
    assert sampler.device == "2 x counted"
