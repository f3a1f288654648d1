"""Eight additions as a contributor would make them: new files, and lines put before a line that is there.

`tests/test_additions.py` makes each on a copy of the package, counts the files of the package that it touches and uses
what was added; DEVELOPERS.md tells the same in words.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Addition:
    """``most`` files of the package, new ones and those in which lines are put before or in place of a line."""

    most: int
    new: dict[str, str] = field(default_factory=dict)
    before: tuple[tuple[str, str, str], ...] = ()
    instead: tuple[tuple[str, str, str], ...] = ()

    @property
    def files(self) -> set[str]:
        """Every file that is touched."""
        return set(self.new) | {path for path, _, _ in (*self.before, *self.instead)}


EFFECT = Addition(
    2,
    before=(
        (
            "physics/assembly.py",
            "def mastering(",
            '''DISC_WARP = causes.Cause("disc warp")


def warp(amplitude: Distribution, track_radius: float, heads: int = 1) -> tuple[Term, ...]:
    """Three-times-per-turn error of a disc that three screws have bent: a / R sin 3t.

    References
    ----------
    .. [1] invented for the test of additions; no source.
    """
    parts = (PolarHarmonic(1.0 / track_radius, power=1, turns=3, order=3.0),)
    return _averaged_over_heads("warp", DISC_WARP, amplitude, None, parts, heads)


''',
        ),
        (
            "model/mounting.py",
            "    guide_pitch: Distribution = key(",
            """    disc_warp: Distribution = key(
        NONE, "length", "amplitude of the warp of a disc held by three screws", only="rotation", needs=NEEDS_RADIUS,
        cause=assembly.DISC_WARP, effect="three times per turn", physics=assembly.warp,
    )  # fmt: skip
""",
        ),
        (
            "model/mounting.py",
            "        if self.abbe_offset and self.guide_pitch.nonzero:",
            """        if self.disc_warp.nonzero:
            terms += assembly.warp(self.disc_warp, radius, heads)
""",
        ),
    ),
)

ERROR_MOTION = Addition(
    2,
    before=(
        (
            "physics/assembly.py",
            "def mastering(",
            '''BEARING_TILT = causes.Cause("bearing tilt")


def bearing_tilt(tilt: Distribution) -> tuple[Term, ...]:
    """Lean of the axis of a joint in its bearing, about the x of the joint.

    References
    ----------
    .. [1] invented for the test of additions; no source.
    """
    lean = Axis("", "tilt x", Role.ERROR_MOTION)
    return (independent("bearing tilt", BEARING_TILT, (tilt,), (Constant(),), tilt.limit, axis=lean),)


''',
        ),
        (
            "model/mounting.py",
            "    guide_pitch: Distribution = key(",
            """    bearing_tilt: Distribution = key(
        NONE, "angle", "lean of the axis in its bearing", cause=assembly.BEARING_TILT, effect="a lean of the axis",
        physics=assembly.bearing_tilt,
    )  # fmt: skip
""",
        ),
        (
            "model/mounting.py",
            "        if self.abbe_offset and self.guide_pitch.nonzero:",
            """        if self.bearing_tilt.nonzero:
            terms += assembly.bearing_tilt(self.bearing_tilt)
""",
        ),
    ),
    instead=(
        (
            "physics/assembly.py",
            "from armsim.errormodel.terms import PolarHarmonic, Term, independent, polar",
            "from armsim.errormodel.terms import Axis, PolarHarmonic, Role, Term, independent, polar",
        ),
    ),
)

KEY = Addition(
    2,
    before=(
        (
            "model/joint.py",
            '    placement: float = _price_key("price of the placement")',
            '    cabling: float = _price_key("of its cable")\n',
        ),
        (
            "model/machine.py",
            '            "placement": sum(joint.fitting.placement for joint in self.joints),',
            '            "cabling": sum(joint.fitting.cabling for joint in self.joints),\n',
        ),
    ),
    instead=(
        (
            "model/joint.py",
            "return self.encoders_price + self.fitting.mounting + self.fitting.placement",
            "return self.encoders_price + self.fitting.mounting + self.fitting.placement + self.fitting.cabling",
        ),
    ),
)

TASK = Addition(
    2,
    new={
        "tasks/ring.py": '''"""Points on a level circle about the base."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.results import Unreachable
from armsim.tasks.base import PointProgress, PoseConstraints, PoseSet, Task, constraints_field, name_field, no_progress
from armsim.tasks.inverse import Failure, Solver


@dataclass(frozen=True)
class Ring(Task):
    """Points on a level circle about the base."""

    kind = "ring"
    has_named_poses = True
    name: str = name_field()
    radius: float = key(..., "length", "of the circle", least=0.0, above=True)
    points: int = key(..., "count", "how many", least=1, most=360, why="each is named")
    height: float = key(0.0, "length", "of the circle above the base")
    constraints: PoseConstraints = constraints_field()

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        solver, names, joints, lost = Solver(arm, self.constraints), [], [], []
        seeds = solver.starts()
        for number in range(self.points):
            angle = 2 * math.pi * number / self.points
            xyz = (self.radius * math.cos(angle), self.radius * math.sin(angle), self.height)
            q = solver.solve(self.constraints.command_at(xyz), seeds)
            name = f"{math.degrees(angle):g} deg"
            if isinstance(q, Failure):
                lost.append(Unreachable(name, xyz, q.reason))
            else:
                names.append(name)
                joints.append(q)
                seeds = [q, *seeds]
        return PoseSet(tuple(names), Configurations(np.array(joints)), tuple(lost))
''',
    },
    before=(("tasks/__init__.py", "from armsim.tasks.slice import", "from armsim.tasks.ring import Ring\n"),),
    instead=(("tasks/__init__.py", "IsoPoses, Path)\n", "IsoPoses, Path, Ring)\n"),),
)

FIGURE = Addition(
    2,
    new={
        "figures/lives.py": '''"""What stays with a built arm against what changes at every visit."""

from __future__ import annotations

from armsim.figures import style
from armsim.results import Result, TaskResult


def lives(result: Result, task: TaskResult) -> style.Drawing:
    """Bars of the mean square error by life."""
    with style.style():
        out, axes = style.figure(4.0, 3.0)
        axes.bar(list(task.summary.lives), [100 * share for share in task.summary.lives.values()])
        axes.set_ylabel("share of the mean square error [%]")
        axes.set_title(f"{task.name}: by life")
    return out
''',
    },
    before=(
        ("report/gallery.py", "from armsim.figures.style import Drawing", "from armsim.figures.lives import lives\n"),
        (
            "report/gallery.py",
            ')  # fmt: skip\n"""Figures of a task',
            '    Figure("lives", "population", "By life.", lambda result, task: True, lives),\n',
        ),
    ),
)

STATISTIC = Addition(
    3,
    before=(
        ("results/poses.py", "    p95: float\n    p99: float", "    p75: float\n"),
        (
            "sampling/pose_statistics.py",
            '    Quantile("error.p99", DISTANCE, 0.99),',
            '    Quantile("error.p75", DISTANCE, 0.75),\n',
        ),
    ),
    instead=(
        ("report/csv_tables.py", '("p50", "error.p50", UM),', '("p75", "error.p75", UM), ("p50", "error.p50", UM),'),
    ),
)

CRITERION = Addition(
    2,
    before=(
        (
            "requirement/requirement.py",
            "    path_accuracy: float | None = key(",
            """    half: float | None = key(
        None, "length", "limit of half of the errors of the tool point", least=0.0, above=True
    )
""",
        ),
        ("requirement/requirement.py", "    tasks: Mapping", '    half: float | None = _limit("half")\n'),
        (
            "criteria/arm_criteria.py",
            "PER_ARM: tuple",
            '''class Half(Criterion):
    """Median of the tool-point error, at every pose."""

    name = "half"

    def statistic(self, requirement: Requirement | None) -> str:
        return "half of errors"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.half

    def judge(self, evidence: Evidence) -> Judgement | None:
        if self.limit_of(evidence) is None:
            return None
        values = evidence.poses.column("error.p50")
        worst = int(np.argmax(values))
        return Judgement.from_interval(
            self.name, "half of errors", "half of errors lie within {}", float(values[worst]), (0.0, math.inf),
            self.limit_of(evidence), evidence.units, evidence.poses.names[worst],
        )  # fmt: skip


''',
        ),
    ),
    instead=(("criteria/arm_criteria.py", "    PathRepeatability(),\n", "    PathRepeatability(),\n    Half(),\n"),),
)

COMMAND = Addition(
    3,
    new={
        "report/ranking.py": '''"""Tasks in the order of their error: what is worked out, its figure and its review."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

from armsim.figures import style
from armsim.report.document import Section, Text
from armsim.report.drawing import Planned
from armsim.report.frame import Frame, lengths, words
from armsim.report.review import Review, json_file
from armsim.results import Result
from armsim.results.json_records import record_as_dict
from armsim.scenario import Scenario


@dataclass(frozen=True)
class Ranking:
    """Of `armsim ranking`: tasks and their largest 95 % quantiles [m], the largest first."""

    tasks: tuple[tuple[str, float], ...]
    format: Literal["armsim-ranking/1"] = "armsim-ranking/1"

    @staticmethod
    def of(result: Result) -> Ranking:
        rows = [(task.name, task.summary.p95) for task in result.tasks]
        return Ranking(tuple(sorted(rows, key=lambda row: -row[1])))

    @property
    def frame(self) -> Frame:
        sizes = lengths("95 % quantile", [size for _, size in self.tasks])
        return Frame((words("task", [name for name, _ in self.tasks]), sizes))


def drawn(ranking: Ranking) -> style.Drawing:
    """A bar per task."""
    with style.style():
        out, axes = style.figure(4.0, 3.0)
        axes.barh([name for name, _ in ranking.tasks], [1e6 * size for _, size in ranking.tasks])
        axes.set_xlabel("95 % quantile at the worst pose [\\u00b5m]")
        axes.set_title("Tasks by their error")
    return out


def ranking_review(ranking: Ranking, scenario: Scenario) -> Review:
    """Where the error is largest."""
    table = ranking.frame.table()
    return Review(
        "Ranking", scenario.name, "at which task is the error largest?", f"At {ranking.tasks[0][0]}.", "strong", table,
        (Section("Tasks", "ranking", (Text("By their largest error."), table)),),
        [Planned("ranking", "ranking", "Tasks by their error.", partial(drawn, ranking))],
        ("ranking",), model=scenario, sources=scenario.sources,
        files={"ranking.json": json_file(record_as_dict(ranking))}, tables={"ranking": ranking.frame.exact},
    )
''',
        "cli/ranking.py": '''"""armsim ranking"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.command import Changes, Output, CommandResult, Sampling, command_words, input_files, with_option_groups, run_command


@with_option_groups
def ranking(
    scenario: Annotated[Path, typer.Argument()], output: Output, sampling: Sampling, changes: Changes
) -> None:
    """Tasks in the order of their error."""
    study = sampling.read_study(scenario, changes)

    def work(progress, note) -> CommandResult:
        from armsim.report.ranking import Ranking, ranking_review
        from armsim.results.json_records import record_as_dict

        ranked = Ranking.of(study.run(sampling.threads, progress, sampling.memory_limit, note=note))
        return CommandResult(lambda: record_as_dict(ranked), [ranked.frame], review=ranking_review(ranked, study.scenario))

    run_command(output, work, command_words("ranking", [scenario], study.scenario.plan, *changes.words), input_files(study))
''',
    },
    before=(
        ("cli/main.py", 'app.command("schema")', 'app.command("ranking")(ranking.ranking)\n'),
        ("cli/main.py", "from armsim.cli.printing import print_note", "from armsim.cli import ranking\n"),
    ),
)
