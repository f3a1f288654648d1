"""Poses in the cache on disk are those that were found, to the bit; what is damaged is found again and replaced."""

import shutil
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.model.configurations import Configurations
from armsim.results import Grid
from armsim.study import Study
from armsim.tasks import PoseSet, pose_cache
from armsim.version import digest_of, source_digest

EVERY = ROOT / "scenarios" / "every-task.yaml"


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return tmp_path / "armsim" / "poses"


def same(one: PoseSet, other: PoseSet) -> bool:
    for field in fields(PoseSet):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if field.name == "configurations":
            pairs: list[tuple[Any, Any]] = [(getattr(a, item.name), getattr(b, item.name)) for item in fields(a)]
        else:
            pairs = [(a, b)]
        for x, y in pairs:
            if isinstance(x, np.ndarray):
                if x.tobytes() != y.tobytes():
                    return False
            elif x != y:
                return False
    return True


def test_every_kind_of_task_comes_back_to_the_bit() -> None:
    study = armsim.load(EVERY)
    arm = study.scenario.machine.arm
    for task in study.scenario.tasks:
        pose_set = task.find(arm)
        pose_cache.save("k", pose_set)
        back = pose_cache.load("k")
        assert back is not None, task.name
        assert same(pose_set, back), task.name


def test_the_same_arm_and_task_are_searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the study and all made from it from memory; by another process from disk; a changed arm or task anew."""
    study = Study.load(EVERY)
    task: Any = type(study.scenario.tasks[0])
    searched = []
    find = task.find
    monkeypatch.setattr(task, "find", lambda self, arm, progress: searched.append(self) or find(self, arm, progress))
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    first = study.find()
    study.with_plan(units=3).find()
    again = Study.load(EVERY).with_scenario(tasks=study.scenario.tasks[:1]).find()
    assert len(searched) == 1
    assert same(first[0], again[0])
    arm = study.scenario.machine.arm
    changed = replace(arm, motions=(*arm.motions[:-1], replace(arm.motions[-1], value=arm.motions[-1].value + 1e-12)))
    study.with_scenario(machine=replace(study.scenario.machine, arm=changed)).find()
    assert len(searched) == 2
    study.with_scenario(tasks=(replace(study.scenario.tasks[0], name="other"),)).find()
    assert len(searched) == 3


def test_poses_of_other_sources_are_not_taken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A change of how cells are laid out, by 7 mm, shows at once: the poses of the earlier sources are not those of now."""
    study = Study.load(EVERY)
    task = next(task for task in study.scenario.tasks if task.kind == "slice")
    arm = study.scenario.machine.arm
    before = pose_cache.poses_of(arm, task)
    configurations = replace(before.configurations, joints=before.configurations.joints + 7e-3)
    changed = replace(before, configurations=configurations)
    monkeypatch.setattr(type(task), "find", lambda self, arm, progress: changed)
    assert same(pose_cache.poses_of(arm, task), before)
    package = tmp_path / "changed"
    shutil.copytree(Path(armsim.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    assert digest_of(package) == source_digest()
    with (package / "tasks" / "cells.py").open("a") as file:
        file.write("# one line more\n")
    monkeypatch.setattr(pose_cache, "source_digest", lambda: digest_of(package))
    assert same(pose_cache.poses_of(arm, task), changed)


@pytest.mark.parametrize(
    "change", ["tasks/cells.py", "model/arm.py", "sampling/visit_distribution.py", "core/screws.py", "new.py"]
)
def test_the_digest_follows_every_source(tmp_path: Path, change: str) -> None:
    package = tmp_path / "armsim"
    shutil.copytree(Path(armsim.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "left.py").write_text("nothing that is imported\n")
    assert digest_of(package) == source_digest()
    with (package / change).open("a") as file:
        file.write(" ")
    assert digest_of(package) != source_digest()


def damages(full: bytes) -> Iterator[tuple[str, bytes]]:
    """A cache file in every kind of damage: empty, of another kind, cut, bytes changed one and some at a time."""
    yield from {"empty": b"", "zeros": b"\0" * 500, "other": b"PK", "longer": full + b"\0", "twice": full * 2}.items()
    random = np.random.default_rng(20)
    for size in random.integers(1, len(full), 60).tolist():
        yield f"cut at {size}", full[:size]
        yield f"begins at {size}", full[size:]
    for place in sorted({*range(80), *range(len(full) - 80, len(full)), *random.integers(0, len(full), 1500)}):
        mask = int(random.integers(1, 256))
        yield f"byte {place} ^ {mask}", full[:place] + bytes([full[place] ^ mask]) + full[place + 1 :]
    for place in random.integers(0, len(full) - 8, 100).tolist():
        yield f"eight bytes at {place}", full[:place] + random.bytes(8) + full[place + 8 :]


def test_no_damage_passes(own_cache: Path) -> None:
    """A damaged file is never read as poses, let alone as others, nor ends the run."""
    study = Study.load(EVERY)
    task = next(task for task in study.scenario.tasks if task.kind == "slice")
    pose_cache.save("k", task.find(study.scenario.machine.arm))
    (file,) = own_cache.glob("*.npz")
    for name, damaged in damages(file.read_bytes()):
        file.write_bytes(damaged)
        assert pose_cache.load("k") is None, name


def test_a_file_under_the_name_of_another_is_not_taken(own_cache: Path) -> None:
    study = Study.load(EVERY)
    pose_cache.save("k", study.scenario.tasks[0].find(study.scenario.machine.arm))
    (file,) = own_cache.glob("*.npz")
    shutil.copy(file, file.with_stem("other"))
    assert pose_cache.load("other") is None


@pytest.mark.parametrize("damage", ["cut", "changed", "folder", "forbidden"])
def test_damaged_poses_are_found_again_and_replaced(own_cache: Path, damage: str) -> None:
    study = Study.load(EVERY)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    poses = study.find()
    (file,) = own_cache.glob("*.npz")
    content = file.read_bytes()
    if damage == "folder":  # cannot be read, nor replaced
        file.unlink()
        file.mkdir()
    elif damage == "forbidden":
        file.chmod(0)
    else:
        file.write_bytes(
            content[:-200] if damage == "cut" else content[:700] + bytes([content[700] ^ 64]) + content[701:]
        )
    again = Study(study.scenario).find()
    assert same(poses[0], again[0])
    if damage != "folder":
        assert file.read_bytes() == content
        assert pose_cache.load(file.stem) is not None


def poses_of_two() -> PoseSet:
    joints = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])
    ones, along = np.ones((2, 3)), np.array([0.0, 0.1])
    configurations = Configurations(joints, ones, ones, ones, np.array([3, 4], np.int64))
    return PoseSet(("a", "b"), configurations, along=along, pairs=((0, 1),), constraints=("free", "full"))


def grid_of(*pose: int) -> Grid:
    return Grid("xy", 0.5, 0.1, ((0.0, 0.1), (0.0,)), pose)


@pytest.mark.parametrize(
    "change",
    [
        {"joints": np.zeros((1, 3))},
        {"joints": np.zeros(6)},
        {"joints": np.zeros((2, 4))},
        {"joints": np.zeros((2, 3), np.float32)},
        {"joints": np.zeros((2, 3), np.int64)},
        {"joints": np.full((2, 3), np.nan)},
        {"joints": np.array([[0.1, 0.2, np.inf], [0.4, 0.5, 0.6]])},
        {"speeds": np.full((2, 3), np.nan)},
        {"directions": np.ones((3, 3))},
        {"tangents": np.ones((2, 2))},
        {"keys": np.array([3.0, 4.0])},
        {"keys": np.array([3], np.int64)},
        {"along": np.array([0.0])},
        {"along": np.array([0.0, np.nan])},
        {"pairs": ((0, 2),)},
        {"pairs": ((-1, 0),)},
        {"constraints": ("free",)},
        {"constraints": ("free", "loosely")},
        {"maps": ("nothing",)},
        {"names": ("a",)},
        {"grid": grid_of(0, 2)},
        {"grid": grid_of(0)},
    ],
    ids=lambda change: next(iter(change)),
)
def test_poses_that_contradict_themselves_are_not_taken(change: dict[str, Any]) -> None:
    """Written whole, with a true checksum, yet no poses of an arm of three joints."""
    poses = poses_of_two()
    pose_cache.save("k", poses)
    assert pose_cache.load("k") is not None
    inner = {name: value for name, value in change.items() if hasattr(poses.configurations, name)}
    outer = {name: value for name, value in change.items() if name not in inner}
    pose_cache.save("k", replace(poses, configurations=replace(poses.configurations, **inner), **outer))
    assert pose_cache.load("k") is None


def test_a_cache_that_cannot_be_written_is_done_without(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    study = Study.load(EVERY)
    assert study.with_scenario(tasks=study.scenario.tasks[:1]).find()


def test_old_ones_make_way(own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pose_cache, "MOST_FILES", 3)
    study = Study.load(EVERY)
    pose_set = study.scenario.tasks[0].find(study.scenario.machine.arm)
    for number in range(6):
        pose_cache.save(f"k{number}", pose_set)
    assert len(list(own_cache.glob("*.npz"))) == 3
    assert not list(own_cache.glob("*.partial"))
