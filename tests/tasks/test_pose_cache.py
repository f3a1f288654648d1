"""Poses kept on disk are those that were found, to the bit; what is not whole is looked for again."""

import shutil
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support import ROOT

import armsim
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
            pairs: list[tuple[Any, Any]] = [(getattr(a, own.name), getattr(b, own.name)) for own in fields(a)]
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
        found = task.find(arm)
        pose_cache.save("k", found)
        back = pose_cache.load("k")
        assert back is not None, task.name
        assert same(found, back), task.name


def test_the_same_arm_and_task_are_searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the study and all made from it from memory; by another process from disk; a changed arm or task anew."""
    study = Study.load(EVERY)
    task: Any = type(study.scenario.tasks[0])
    searched = []
    find = task.find
    monkeypatch.setattr(task, "find", lambda self, arm, advance: searched.append(self) or find(self, arm, advance))
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    first = study.find()
    study.with_plan(units=3).find()
    again = Study.load(EVERY).with_scenario(tasks=study.scenario.tasks[:1]).find()
    assert len(searched) == 1
    assert same(first[0], again[0])
    arm = study.scenario.machine.arm
    moved = replace(arm, motions=(*arm.motions[:-1], replace(arm.motions[-1], value=arm.motions[-1].value + 1e-12)))
    study.with_scenario(machine=replace(study.scenario.machine, arm=moved)).find()
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
    moved = replace(before, configurations=configurations)
    monkeypatch.setattr(type(task), "find", lambda self, arm, advance: moved)
    assert same(pose_cache.poses_of(arm, task), before)
    package = tmp_path / "changed"
    shutil.copytree(Path(armsim.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    assert digest_of(package) == source_digest()
    with (package / "tasks" / "cells.py").open("a") as file:
        file.write("# one line more\n")
    monkeypatch.setattr(pose_cache, "source_digest", lambda: digest_of(package))
    assert same(pose_cache.poses_of(arm, task), moved)


@pytest.mark.parametrize("change", ["tasks/cells.py", "model/arm.py", "engine/visitlaw.py", "core/screws.py", "new.py"])
def test_the_digest_follows_every_source(tmp_path: Path, change: str) -> None:
    package = tmp_path / "armsim"
    shutil.copytree(Path(armsim.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "left.py").write_text("nothing that is imported\n")
    assert digest_of(package) == source_digest()
    with (package / change).open("a") as file:
        file.write(" ")
    assert digest_of(package) != source_digest()


@pytest.mark.parametrize("damage", [b"", b"PK", b"\0" * 500])
def test_what_is_not_whole_is_looked_for_again(own_cache: Path, damage: bytes) -> None:
    study = Study.load(EVERY)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    found = study.find()
    (file,) = own_cache.glob("*.npz")
    file.write_bytes(damage or file.read_bytes()[:-200])
    again = Study(study.scenario).find()
    assert same(found[0], again[0])
    assert pose_cache.load(file.stem) is not None  # made anew


def test_a_cache_that_cannot_be_written_is_done_without(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    study = Study.load(EVERY)
    assert study.with_scenario(tasks=study.scenario.tasks[:1]).find()


def test_old_ones_make_way(own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pose_cache, "MOST_FILES", 3)
    study = Study.load(EVERY)
    found = study.scenario.tasks[0].find(study.scenario.machine.arm)
    for number in range(6):
        pose_cache.save(f"k{number}", found)
    assert len(list(own_cache.glob("*.npz"))) == 3
    assert not list(own_cache.glob("*.partial"))
