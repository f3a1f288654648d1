"""Measures the engine against named baselines, in one run: python tests/benchmarks/run.py

Every ratio is the median over repeats in which both sides are timed in turn, on one thread, on the same samples. Nothing
here passes or fails: a timed test would flake.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import math
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent))
from first_run import main as first_runs
from scaling import HERE, print_scaling
from stages import stages
from support import normal_machine, planar_arm, published_arm, robot_file

import armsim
from armsim.core.compile import compiled
from armsim.core.kernel_digest import LANES
from armsim.core.screws import FRAME, SCREW, Axes, apply_unit_errors, displace
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.model.configurations import Configurations
from armsim.model.encoder import Encoder, Signal
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.model.toolbox import transform_sequence
from armsim.model.transmission import Transmission
from armsim.results.pose_table import PoseTable
from armsim.run_options import RunOptions
from armsim.sampling.first_order import linearise
from armsim.sampling.layout import GIB
from armsim.sampling.population import TaskConfigurations
from armsim.sampling.pose_statistics import share_names
from armsim.sampling.sampler import open_runner
from armsim.sampling_plan import SamplingPlan
from armsim.tasks.base import Command, PoseConstraints
from armsim.tasks.inverse import Solver

DEMO = Path(__file__).resolve().parent.parent.parent / "scenarios" / "bonding-cell.yaml"
REPEATS = 7
PASSES = 20
"""Passes of our kernels over the samples in one timing, which else is too short to time."""


@compiled
def frames_in_blocks(errors, screws, rotary, frame, half):  # type: ignore[no-untyped-def]
    for _ in range(PASSES):
        for b in range(errors.shape[1]):
            frame[:] = 0.0
            frame[6 * LANES :] = 1.0
            displace(errors, b, screws, rotary, frame, half)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def in_turn(*sides: Callable[[], object]) -> list[list[float]]:
    """Times of every side over the repeats, taken in turn after a warm-up."""
    for side in sides:
        side()
    return [list(column) for column in zip(*[[seconds(side) for side in sides] for _ in range(REPEATS)], strict=True)]


def row(name: str, ours: list[float], theirs: list[float], ours_n: int, theirs_n: int, baseline: str) -> None:
    ratios = [(t / theirs_n) / (o / ours_n) for o, t in zip(ours, theirs, strict=True)]
    mine, other = (statistics.median(x) / n * 1e9 for x, n in ((ours, ours_n), (theirs, theirs_n)))
    spread = f"{min(ratios):.3g} to {max(ratios):.3g}"
    print(f"{name:34} {mine:9.3g} ns  {baseline:44} {other:9.4g} ns   x {statistics.median(ratios):6.3g}  ({spread})")


def six_axis_machine() -> Machine:
    """A published six-axis arm with an encoder, a mounting and a gear on every joint."""
    arm, _ = published_arm("Puma560")
    disc = Encoder(
        "disc",
        signal_periods=256,
        interpolation=12,
        track_radius=11e-3,
        graduation_error=Distribution("uniform", 5e-5),
        signal=Signal(*[Distribution("uniform", 0.01)] * 3, noise=0.001),
    )
    joints = [
        Joint(
            name,
            disc,
            placement="motor",
            mounting=Mounting(
                Magnitude(Distribution("uniform", 2e-5)), disc_tilt=Magnitude(Distribution("uniform", 2e-3))
            ),
            transmission=Transmission(100.0, lost_motion=5e-5),
            mastering=Distribution("uniform", 5e-5),
        )
        for name in arm.names
    ]
    return Machine(arm, tuple(joints))


def kinematics() -> None:
    print("\nKinematics of Puma 560, one thread, double precision, per sample")
    arm, _ = published_arm("Puma560")
    machine = normal_machine(arm, *[1e-4] * 6)
    q = np.random.default_rng(0).uniform(-1, 1, 6)
    at = machine.arm.postures(q)
    blocks = 80
    n = blocks * LANES
    errors = 1e-4 * np.random.default_rng(1).standard_normal((6, blocks, LANES))
    samples = q + errors.reshape(6, n).T
    ets = transform_sequence(arm)
    axes, moving = Axes(at.direction[0], at.column[0], at.rotary), np.arange(6)
    screws, frame, half = np.empty((6, SCREW * LANES)), np.empty(FRAME * LANES), np.empty(2 * LANES)
    apply_unit_errors(np.zeros((6, LANES)), axes, moving, screws, frame, half)

    def ours() -> None:
        frames_in_blocks(errors, screws, axes.rotary, frame, half)

    frames, theirs = in_turn(ours, lambda: ets.eval(samples))
    row("full pose", frames, theirs, PASSES * n, n, "roboticstoolbox ets.eval, compiled batch")
    few = samples[:4000]
    frames, looped, plain = in_turn(ours, _pinocchio_loop(few), lambda: arm.postures(few).tool)
    row("full pose", frames, looped, PASSES * n, len(few), "a loop over pinocchio (UR5)")
    row("full pose", frames, plain, PASSES * n, len(few), "plain numpy, batched")


def _pinocchio_loop(samples: np.ndarray) -> Callable[[], object]:
    import pinocchio as pin

    model = pin.buildModelFromUrdf(str(robot_file("ur_description", "urdf", "ur5_robot.urdf")))
    data = model.createData()

    def work() -> None:
        for q in samples:
            pin.forwardKinematics(model, data, q)

    return work


def sample(machine: Machine, q: np.ndarray, plan: SamplingPlan, workers: int = 1) -> None:
    with open_runner(machine, 0.95, RunOptions(workers, 8 * GIB)) as place:
        place.run(plan, [TaskConfigurations("", Configurations(q))])


def whole_job() -> None:
    print("\nWhole spec (draws, shapes, kinematics, statistics) per pose-sample, one thread")
    machine = six_axis_machine()
    ets = transform_sequence(machine.arm)
    plan = SamplingPlan(2000, 30, 1)
    q = np.random.default_rng(2).uniform(-1, 1, (64, 6))
    n = len(q) * plan.units * plan.visits
    samples = np.random.default_rng(3).uniform(-1, 1, (100_000, 6))
    ours, theirs = in_turn(lambda: sample(machine, q, plan), lambda: ets.eval(samples))
    row("whole spec", ours, theirs, n, len(samples), "roboticstoolbox ets.eval, kinematics alone")
    a, b = np.random.default_rng(4).random((2, 1500, 1500))
    source = np.random.default_rng(5).random(20_000_000)
    target = np.empty_like(source)
    ours, copy, product = in_turn(lambda: sample(machine, q, plan), lambda: np.copyto(target, source), lambda: a @ b)
    row("whole spec", ours, copy, n, len(source), "this machine's copy, per double")
    row("whole spec", ours, product, n, 1500**3, "this machine's matrix product, per multiply-add")


def scaling() -> None:
    print("\nScaling: nanoseconds per pose-sample of the whole spec, median of repeats")

    def rate(machine: Machine, q: np.ndarray, plan: SamplingPlan, workers: int = 1) -> float:
        (times,) = in_turn(lambda: sample(machine, q, plan, workers))
        return statistics.median(times) / (len(q) * plan.units * plan.visits) * 1e9

    machine = six_axis_machine()
    q = np.random.default_rng(0).uniform(-1, 1, (64, 6))
    for name, values in (
        ("units", {n: rate(machine, q, SamplingPlan(n, 30, 1)) for n in (100, 1000, 10_000)}),
        ("visits", {n: rate(machine, q, SamplingPlan(1000, n, 1)) for n in (4, 30, 120, 600)}),
        ("poses", {n: rate(machine, np.resize(q, (n, 6)), SamplingPlan(1000, 30, 1)) for n in (4, 64, 640)}),
        (
            "joints",
            {
                n: rate(
                    normal_machine(planar_arm(*[0.1] * n), *[1e-4] * n), np.zeros((64, n)), SamplingPlan(1000, 30, 1)
                )
                for n in (2, 6, 20)
            },
        ),
        ("workers", {n: rate(machine, q, SamplingPlan(4000, 30, 1), n) for n in (1, 2)}),
    ):
        print(f"  {name:8}", "   ".join(f"{n}: {value:.3g}" for n, value in values.items()))


def start_up() -> None:
    """Print the seconds of commands, with the package compiled to byte code, as after an installation."""
    print("\nStart-up, seconds of the clock and of the processors, medians of repeats")
    with tempfile.TemporaryDirectory() as folder:
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = f"{folder}/bytecode"
        armsim_command = [sys.executable, "-m", "armsim.cli.main"]
        for name, command in (
            ("import armsim", [sys.executable, "-c", "import armsim"]),
            ("--help", [*armsim_command, "--help"]),
            ("explain", [*armsim_command, "explain"]),
            ("schema", [*armsim_command, "schema", "scenario"]),
            ("check", [*armsim_command, "check", str(DEMO)]),
            ("run", [*armsim_command, "run", str(DEMO), "--out", f"{folder}/run"]),
        ):
            subprocess.run(command, capture_output=True, check=True, env=environment)
            clock, processors = [], []
            for _ in range(REPEATS):
                start, before = time.perf_counter(), os.times()
                subprocess.run(command, capture_output=True, check=True, env=environment)
                after = os.times()
                clock.append(time.perf_counter() - start)
                processors.append(sum(after[2:4]) - sum(before[2:4]))  # of children, user and system
            print(f"  {name:14} {statistics.median(clock):5.2f} {statistics.median(processors):5.2f}", flush=True)


def changes() -> None:
    print("\nA change of the demo, milliseconds, median of repeats")
    study = armsim.load(DEMO).with_plan(units=100, visits=30)
    pose_sets = study.find()
    change = {"joints.j2.mounting.eccentricity": "5 um"}
    machine = study.change(change).scenario.machine

    def first_order() -> None:
        fresh = replace(machine)  # without what was worked out for it
        for poses in pose_sets:
            linearise(fresh.evaluate(poses.configurations))

    sides = (lambda: study.change(change), first_order, lambda: study.change(change).sample(pose_sets, RunOptions(2)))
    poses = sum(len(item.names) for item in pose_sets)
    names = ("study.change", f"first order of {poses} poses", f"sampling of {poses} poses x 100 x 30, two threads")
    for name, times in zip(names, in_turn(*sides), strict=True):
        print(f"  {name:44} {1e3 * statistics.median(times):.3g}")


def growing() -> None:
    print("\nThe demo after a change, seconds until each answer, two threads, median of repeats")
    study = armsim.load(DEMO)
    pose_sets = study.find()
    changed = study.change({"joints.j2.mounting.eccentricity": "5 um"})
    runs: dict[int, list[float]] = {}
    for _ in range(REPEATS):
        start = time.perf_counter()
        for answer in changed.growing(pose_sets, RunOptions(2)):
            runs.setdefault(answer.units, []).append(time.perf_counter() - start)
    message = (f"{units or 'first order'}: {statistics.median(times):.2f}" for units, times in runs.items())
    print("  units", "   ".join(message))
    start = time.perf_counter()
    for eccentricity in range(5, 45, 5):
        study.change({"joints.j1.mounting.eccentricity": f"{eccentricity} um"}).judge(pose_sets, RunOptions(2))
    print(
        f"  eight values of one eccentricity, {study.scenario.plan.units} units each: {time.perf_counter() - start:.1f}"
    )


def poses() -> None:
    print("\nInverse kinematics from a neighbour 2 mm away, milliseconds a pose, median of repeats")
    for name in ("Puma560", "Panda"):
        arm, _ = published_arm(name)
        constraints = PoseConstraints(rpy=(math.pi, 0.0, 0.0))
        solver = Solver(arm, constraints)
        commands = [constraints.command_at((0.35 + 0.002 * k, 0.05, 0.25)) for k in range(100)]
        first = solver.solve(commands[0], solver.starts())
        assert isinstance(first, np.ndarray)

        def line(solver: Solver = solver, commands: list[Command] = commands, first: np.ndarray = first) -> None:
            q: np.ndarray | None = first
            for command in commands[1:]:
                q = solver.follow(command, first if q is None else q)

        (times,) = in_turn(line)
        print(f"  {name} ({len(arm.joints)} joints): {statistics.median(times) / 99 * 1e3:.3f}")


def _quiet(*message: object) -> None:
    """Tell nobody."""


def memory() -> None:
    print("\nThe demo's stations, units or visits or poses a hundred times as many: peak memory of the process, MiB")
    for name, units, visits, copies in (
        ("as it is", 2000, 30, 1),
        ("100 x units", 200_000, 30, 1),
        ("100 x visits", 2000, 3000, 1),
        ("100 x poses", 2000, 30, 100),
    ):
        code = (
            "import sys, time, numpy as np, armsim\n"
            "from armsim.sampling.population import TaskConfigurations\n"
            "from armsim.sampling.sampler import open_runner\n"
            "from armsim.model.configurations import Configurations\n"
            "from armsim.run_options import RunOptions\n"
            "from armsim.sampling_plan import SamplingPlan\n"
            f"machine = armsim.load({str(DEMO)!r}).scenario.machine\n"
            f"q = np.resize(np.random.default_rng(0).uniform(-1, 1, (4, 6)), (4 * {copies}, 6))\n"
            "with open_runner(machine, 0.95, RunOptions(2, 2**30)) as place:\n"
            f"    place.run(SamplingPlan({units}, {visits}, 1), [TaskConfigurations('', Configurations(q))])\n"
            "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
        )
        out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        print(f"  {name:12} {4 * copies} poses x {units} units x {visits} visits: {int(out.stdout) // 1024}")


def hundred_million() -> None:
    print("\n10^8 pose-samples of the demo (a finer slice, 1000 units x 30 visits), all processors, one run")
    text = (
        DEMO.read_text()
        .replace("step: 30 mm", "step: 12 mm")
        .replace("../configs", str(DEMO.parent.parent / "configs"))
    )
    with tempfile.TemporaryDirectory() as folder:
        fine = Path(folder) / "fine.yaml"
        fine.write_text(text)
        code = (
            "import sys, time, armsim\n"
            f"study = armsim.load({str(fine)!r}).with_plan(units=1000, visits=30)\n"
            "start = time.perf_counter()\n"
            "result = study.run(note=print)\n"
            "print(f'  sampled in {time.perf_counter() - start:.1f} s, inverse kinematics and judgement included')\n"
            "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
        )
        out = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.splitlines()
        print(f"  {out[0]}\n{out[1]}\n  peak {int(out[2]) // 1024} MiB")
        command = [sys.executable, "-m", "armsim.cli.main", "run", str(fine), "--units", "1000", "--visits", "30"]
        start = time.perf_counter()
        subprocess.run([*command, "--out", str(Path(folder) / "out")], capture_output=True, check=False)
        print(f"  the whole command, tables, figures and report included: {time.perf_counter() - start:.1f} s")
        fine.write_text(text.replace("step: 12 mm", "step: 7.2 mm"))
        start = time.perf_counter()
        subprocess.run([*command, "--out", str(Path(folder) / "finer")], capture_output=True, check=False)
        print(f"  a slice of 101 x 101 cells, the whole command: {time.perf_counter() - start:.1f} s")


if __name__ == "__main__":
    print(f"numpy {np.__version__}, {os.cpu_count()} processors, {REPEATS} repeats; ns are medians, x the median ratio")
    kinematics()
    whole_job()
    stages()
    scaling()
    print_scaling([HERE])
    start_up()
    first_runs()
    changes()
    growing()
    poses()
    memory()
    hundred_million()
