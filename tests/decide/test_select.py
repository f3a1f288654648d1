"""Selection: the program against full enumeration, the search against sampling everything, and wrong catalogues."""

import itertools
import json
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support import COARSE, ROOT, few_discs, invoke, normal_joint, planar_arm

from armsim.assessment import AssessedTask, judge, overall_verdict_of
from armsim.decide import ledger, option_moments, select
from armsim.decide import search as search_module
from armsim.decide.option_moments import Moments, VisitCoefficient, fixed_moments, moments_of, moments_of_options
from armsim.decide.program import Program
from armsim.decide.search import Search
from armsim.decide.search_state import SHOWN_NEXT, SearchState
from armsim.decide.selection import Selection
from armsim.decide.trials import failure, trials
from armsim.documents.load import load_options
from armsim.errors import InputError
from armsim.model.configurations import Configurations
from armsim.model.installation import Functions
from armsim.model.joint_options import EncoderAtJoint, Option, Options
from armsim.model.machine import Machine
from armsim.report.decision_sentences import answer, grounds
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.sampling.first_order import rotation_mean_square
from armsim.study import Study

DEMO, CATALOGUE = ROOT / "scenarios" / "bonding-cell.yaml", ROOT / "configs" / "catalogues" / "discs.yaml"


def random_program(generator: np.random.Generator) -> Program:
    """Few joints and options, with means on some of them, limits on mass, stock and types on some."""
    joints, poses = int(generator.integers(2, 5)), int(generator.integers(1, 8))
    options, parts = [], []
    for j in range(joints):
        own_options, own_parts = [], []
        means = [np.zeros((poses, 3)), generator.normal(0, 0.4, (poses, 3))]
        for o in range(int(generator.integers(2, 5))):
            encoder = f"e{generator.integers(0, 4)}"
            price, mass = float(generator.integers(1, 40)), float(generator.uniform(0.01, 0.1))
            own_options.append(Option(normal_joint(f"j{j}", 1e-4), encoder, f"m{o}", "motor", price, mass))
            scatter = generator.uniform(0.02, 1.0, poses)
            own_parts.append(Moments(means[int(generator.integers(0, 2))], scatter, 0.3 * scatter, {}, still(poses)))
        options.append(tuple(own_options))
        parts.append(own_parts)
    fixed = Moments(
        generator.normal(0, 0.2, (poses, 3)),
        generator.uniform(0, 0.3, poses),
        generator.uniform(0, 0.1, poses),
        {},
        still(poses),
    )
    limits = Options(
        tuple(options),
        {"e1": 1} if generator.random() < 0.4 else {},
        0.06 * joints if generator.random() < 0.4 else None,
        2 if generator.random() < 0.4 else None,
        (((0, 1), 1),) if generator.random() < 0.2 else (),
        ((0, joints - 1),) if generator.random() < 0.2 else (),
        random_pairs(generator, joints) if generator.random() < 0.4 else (),
    )
    visit_limit = np.full(poses, 0.15 * joints) if generator.random() < 0.5 else np.full(poses, np.inf)
    limit = generator.uniform(0.4, 1.2, poses) * joints
    if generator.random() < 0.5:
        return Program(limits, parts, fixed, limit, visit_limit, np.full(poses, np.inf))
    turned = [[turning(part, generator) for part in row] for row in parts]
    limit = np.concatenate([limit, generator.uniform(0.6, 1.5, poses) * joints])
    return Program(limits, turned, turning(fixed, generator, 0.2), limit, visit_limit, np.full(poses, 0.25 * joints))


def still(poses: int) -> np.ndarray:
    """Visits that do not turn the tool."""
    return np.zeros((poses, 3, 3))


def turning(part: Moments, generator: np.random.Generator, size: float = 1.0) -> Moments:
    """A part with rows of the orientation, and visits that turn the tool."""
    poses = len(part.visit_variance)
    gains = size * generator.normal(0.0, 0.4, (poses, 3, 2))
    return Moments(
        np.concatenate([part.shared_vectors, size * generator.normal(0.0, 0.2, (poses, 3))]),
        np.concatenate([part.independent_variance, size * generator.uniform(0.02, 1.0, poses)]),
        part.visit_variance, part.visit_coefficients, gains @ np.swapaxes(gains, 1, 2),
    )  # fmt: skip


def random_pairs(generator: np.random.Generator, joints: int) -> tuple[tuple[EncoderAtJoint, EncoderAtJoint], ...]:
    """Two encoders that may not both be there, anywhere, or each at a joint."""
    names = [f"e{n}" for n in generator.integers(0, 4, 2)]
    if generator.random() < 0.5:
        return (((None, names[0]), (None, names[1])),)
    at = generator.permutation(joints)[:2].tolist()
    return (((at[0], names[0]), (at[1], names[1])),)


def tied(options: Options, encoders: list[str]) -> bool:
    """Whether types of groups, joints held together or encoders held apart forbid it. Source: the words themselves."""
    for joints, most in options.group_types:
        if len({encoders[j] for j in joints}) > most:
            return True
    for joints in options.same_encoder_groups:
        if any(encoders[j] != encoders[joints[0]] for j in joints):
            return True
    for (at, one), (to, other) in options.forbidden_pairs:
        for j, k in itertools.permutations(range(len(encoders)), 2):
            if encoders[j] == one and encoders[k] == other and at in (None, j) and to in (None, k):
                return True
    return False


def admissible(program: Program) -> list[tuple[int, ...]]:
    """Every choice that keeps to the limits. Source: enumeration."""
    out = []
    for choice in itertools.product(*(range(len(row)) for row in program.options.joints)):
        chosen = [row[n] for row, n in zip(program.options.joints, choice, strict=True)]
        encoders = [option.encoder for option in chosen]
        heavy = program.options.mass is not None and sum(option.mass for option in chosen) > program.options.mass
        short = any(encoders.count(name) > pieces for name, pieces in program.options.stock.items())
        many = program.options.types is not None and len(set(encoders)) > program.options.types
        fits = not (heavy or short or many or tied(program.options, encoders))
        assert program.options.admits(chosen) == fits
        if fits:
            out.append(choice)
    return out


@pytest.mark.parametrize("seed", range(12))
def test_a_module_is_fitted_alike(seed: int) -> None:
    """Encoder, mounting and placement of two or three joints; one has a fit that the other lacks. Source: enumeration."""
    generator = np.random.default_rng(seed)
    poses, rows, parts = 4, [], []
    fits = list(itertools.product(("e0", "e1"), ("plain", "careful"), ("motor", "output")))
    for j in range(3):
        numbers = sorted(generator.permutation(len(fits))[:6].tolist())
        joint = normal_joint(f"j{j}", 1e-4)
        rows.append(tuple(Option(joint, *fits[n], float(generator.integers(1, 40)), 0.01) for n in numbers))
        scatter = generator.uniform(0.1, 1.0, (len(numbers), poses))
        parts.append([Moments(np.zeros((poses, 3)), row, 0.3 * row, {}, still(poses)) for row in scatter])
    fixed = Moments(np.zeros((poses, 3)), np.full(poses, 0.1), np.full(poses, 0.05), {}, still(poses))
    modules = ((0, 2),) if seed % 3 else ((0, 1, 2),)
    options, open_ = Options(tuple(rows), {}, modules=modules), np.full(poses, np.inf)
    program = Program(options, parts, fixed, np.full(poses, 1.7), open_, open_)
    good = []
    for choice in itertools.product(*(range(len(row)) for row in rows)):
        fitted = [str(row[n]) for row, n in zip(rows, choice, strict=True)]
        alike = all(len({fitted[j] for j in joints}) == 1 for joints in modules)
        assert options.admits([row[n] for row, n in zip(rows, choice, strict=True)]) == alike
        if alike and np.all(square(program, choice) <= 1.7):
            good.append(sum(row[n].price for row, n in zip(rows, choice, strict=True)))
    best = program.cheapest()
    assert (best is None) == (not good)
    if best is not None:
        assert program.price(best) == pytest.approx(min(good))


@pytest.mark.parametrize("seed", range(12))
def test_joints_take_one_family_in_sizes_of_their_own(seed: int) -> None:
    """No encoder fits two joints; one family has a size that the other lacks. Source: enumeration."""
    generator = np.random.default_rng(seed)
    poses, rows, parts = 4, [], []
    for j in range(3):
        joint, row = normal_joint(f"j{j}", 1e-4), []
        for n in range(3 + j % 2):
            family = "" if n == 3 else "fg"[n % 2]  # the last belongs to none
            encoder = replace(joint.encoder, functions=Functions(family=family))
            price = float(generator.integers(1, 40))
            row.append(Option(replace(joint, encoder=encoder), f"size {j} {n}", "m", "motor", price, 0.01))
        rows.append(tuple(row))
        scatter = generator.uniform(0.1, 1.0, (len(row), poses))
        parts.append([Moments(np.zeros((poses, 3)), of, 0.3 * of, {}, still(poses)) for of in scatter])
    fixed = Moments(np.zeros((poses, 3)), np.full(poses, 0.1), np.full(poses, 0.05), {}, still(poses))
    bound = (0, 2) if seed % 3 else (0, 1, 2)
    options, open_ = Options(tuple(rows), {}, same_family_groups=(bound,)), np.full(poses, np.inf)
    program = Program(options, parts, fixed, np.full(poses, 1.9), open_, open_)
    good = []
    for choice in itertools.product(*(range(len(row)) for row in rows)):
        chosen = [row[n] for row, n in zip(rows, choice, strict=True)]
        names = [chosen[j].joint.encoder.functions.family or str(j) for j in bound]
        assert options.admits(chosen) == (len(set(names)) == 1)
        if len(set(names)) == 1 and np.all(square(program, choice) <= 1.9):
            good.append(sum(option.price for option in chosen))
    best = program.cheapest()
    assert (best is None) == (not good)
    if best is not None:
        assert program.price(best) == pytest.approx(min(good))


def test_modules_of_a_catalogue_bind_the_joints(tmp_path: Path) -> None:
    file = tmp_path / "discs.yaml"
    file.write_text(CATALOGUE.read_text().replace("limits: {", "limits: {modules: [[j1, j3]], "))
    assert load_options(DEMO, file)[1].modules == ((0, 2),)
    file.write_text(CATALOGUE.read_text().replace("limits: {", "limits: {modules: [[j1, j9]], "))
    with pytest.raises(InputError, match=r"modules.*the arm has no joint 'j9'"):
        load_options(DEMO, file)
    file.write_text(CATALOGUE.read_text().replace("limits: {", "limits: {same_family: [[j1, j3]], "))
    assert load_options(DEMO, file)[1].same_family_groups == ((0, 2),)


def square(program: Program, choice: tuple[int, ...]) -> np.ndarray:
    """Means added as vectors, then squared; scatters added. Source: definition."""
    mean, scatter = program.fixed_moments.shared_vectors.copy(), program.fixed_moments.independent_variance.copy()
    for row, n in zip(program.option_moments, choice, strict=True):
        mean, scatter = mean + row[n].shared_vectors, scatter + row[n].independent_variance
    return scatter + np.sum(mean**2, axis=1)


def widest(program: Program, choice: tuple[int, ...]) -> np.ndarray:
    """Largest variance of the rotation about any axis, shape (poses,). Source: singular values of the summed squares."""
    covariance = program.fixed_moments.rotation_covariance.copy()
    for row, n in zip(program.option_moments, choice, strict=True):
        covariance = covariance + row[n].rotation_covariance
    return np.array([np.linalg.norm(matrix, 2) for matrix in covariance])


@pytest.mark.parametrize("seed", range(200))
def test_the_cheapest_choice_is_that_of_enumeration(seed: int) -> None:
    """200 random small cases. Source: full enumeration."""
    program = random_program(np.random.default_rng(seed))
    every = admissible(program)
    visits = {
        c: program.fixed_moments.visit_variance
        + sum(o[n].visit_variance for o, n in zip(program.option_moments, c, strict=True))
        for c in every
    }
    loads = {
        c: max(
            float(np.max(square(program, c) / program.limit)),
            float(np.max(visits[c] / program.visit_limit)),
            float(np.max(widest(program, c) / program.turning_limit)),
        )
        for c in every
    }
    good = [c for c in every if loads[c] <= 1.0]
    choice = program.cheapest()
    if not good:
        assert choice is None
    else:
        assert choice in good
        assert program.price(choice) == min(program.price(choice) for choice in good)
    if every:
        nearest = program.closest()
        assert nearest is not None
        assert nearest[1] == pytest.approx(min(loads.values()), rel=1e-5)
        assert loads[nearest[0]] == pytest.approx(nearest[1], rel=1e-9)


def test_limits_of_the_visits_bind() -> None:
    """The random programs hold what they are made for: visits exclude choices that the errors leave."""
    binding = turned = 0
    for seed in range(200):
        program = random_program(np.random.default_rng(seed))
        within = [c for c in admissible(program) if np.all(square(program, c) <= program.limit)]
        binding += any(np.any(program.visit_mean_square(choice) > program.visit_limit) for choice in within)
        turned += any(np.any(widest(program, choice) > program.turning_limit) for choice in within)
    assert binding >= 20
    assert turned >= 20


@pytest.mark.parametrize("looser", [1e4, 1e8])
def test_the_closest_is_found_far_below_the_limits(looser: float) -> None:
    """Utilisations of a hundred-millionth lie below the tolerances of the solver. Source: full enumeration."""
    for seed in range(60):
        plain = random_program(np.random.default_rng(seed))
        program = Program(
            plain.options, plain.option_moments, plain.fixed_moments, plain.limit * looser, plain.visit_limit * looser,
            plain.turning_limit * looser,
        )  # fmt: skip
        loads = [float(program.largest_utilisation(choice).max()) for choice in admissible(program)]
        closest = program.closest()
        assert (closest is None) == (not loads)
        if closest is not None:
            assert closest[1] == pytest.approx(min(loads), rel=1e-5)


def test_the_proof_counts_every_cheaper_design() -> None:
    """Each was sampled and fails, or is bounded. Source: full enumeration of the prices."""
    _, options = small_case(75e-6)
    selection = chosen(75e-6)
    assert selection.price is not None
    prices = [
        sum(row[n].price for row, n in zip(options.joints, choice, strict=True))
        for choice in itertools.product(*(range(len(row)) for row in options.joints))
    ]
    assert selection.proved
    assert selection.proof.sampled + selection.proof.bounded == sum(price < selection.price - 1e-6 for price in prices)
    again = [row for row in selection.refuted if row.undecided is not None]
    assert len(again) <= SHOWN_NEXT < len(selection.refuted)


def learn_wrongly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ratios two and a half times as large as designs tell: good ones are hidden behind them."""
    learn = Search.learn

    def wrongly(self: Search, *arguments: Any) -> None:
        learn(self, *arguments)
        self.ratio = self.ratio * 2.5

    monkeypatch.setattr(Search, "learn", wrongly)


def test_a_hidden_design_is_found_by_judgement_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ratios far too large, nothing looked at in the end: the margin must widen until the cheapest is found."""
    study, options = small_case(75e-6)
    expected = chosen(75e-6)
    learn_wrongly(monkeypatch)
    monkeypatch.setattr(sys.modules["armsim.decide.search_state"], "MOST_LISTED", 0)
    selection = select(study, options, RunOptions(2))
    assert selection.price == expected.price
    assert not selection.proved


def test_parts_add_up_to_the_machine() -> None:
    """Moments of the options of a machine and of what is fixed make those of the machine whole. Source: the whole."""
    ready, options = load_options(DEMO, CATALOGUE)
    study = Study(ready)
    configurations = [poses.configurations for poses in study.find()]
    generator = np.random.default_rng(3)
    choice = [int(generator.integers(0, len(row))) for row in options.joints]
    few = Options(tuple((row[n],) for row, n in zip(options.joints, choice, strict=True)), {})
    total = fixed_moments(ready.machine, configurations, with_orientation=True)
    for (part,) in moments_of_options(ready.machine, few, configurations, with_orientation=True):
        total = total + part
    machine = replace(ready.machine, joints=tuple(row[0].joint for row in few.joints))
    moments = moments_of(machine, configurations, with_orientation=True)
    np.testing.assert_allclose(total.mean_square, moments.mean_square, rtol=1e-9)
    np.testing.assert_allclose(total.visit_variance, moments.visit_variance, rtol=1e-9)
    np.testing.assert_allclose(total.rotation_covariance, moments.rotation_covariance, rtol=1e-9, atol=1e-20)
    rotation = [rotation_mean_square(machine.evaluate(of_task)) for of_task in configurations]
    np.testing.assert_allclose(moments.mean_square[len(moments.visit_variance) :], np.concatenate(rotation), rtol=1e-9)


def test_moments_are_the_same_with_kinematics_worked_out_once() -> None:
    """To the bit. Source: every option alone, with kinematics of its own."""
    study, options = small_case(75e-6)
    configurations = [poses.configurations for poses in study.find()]
    machine = study.scenario.machine
    shared = option_moments.shared_terms(machine, options)
    together = moments_of_options(machine, options, configurations, shared, with_orientation=True)
    for row, parts in zip(options.joints[:3], together, strict=False):
        for option, part in zip(row, parts, strict=True):
            alone = Options(((option,),), {})
            ((expected,),) = moments_of_options(machine, alone, configurations, shared, with_orientation=True)
            np.testing.assert_array_equal(part.shared_vectors, expected.shared_vectors)
            np.testing.assert_array_equal(part.independent_variance, expected.independent_variance)
            np.testing.assert_array_equal(part.rotation_covariance, expected.rotation_covariance)


def test_a_yield_that_fails_is_found_without_a_whole_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    """The yield at more poses, then at all, to the last arm. Source: the design sampled at the same poses."""
    ready, options = load_options(DEMO, CATALOGUE)
    one = Options(tuple(row[:1] for row in options.joints), {})
    study = Study(ready).with_plan(units=200, visits=2)
    study = study.with_scenario(tasks=study.scenario.tasks[1:2], requirement=Requirement(90e-6, 0.5, None, 0.01))
    search, choice = Search(study, one, RunOptions(1)), (0,) * 6
    program = search.program()
    numbers = search_module.FEW_POSES, search_module.MORE_POSES
    pose_sets = [*(search.hard_poses(program, choice, number) for number in numbers), search.poses]
    few, more, at_all = (share_of_passing(search.sample(choice, poses)[0]) for poses in pose_sets)
    assert few >= more >= at_all
    tried = [share_of_passing(tasks) for tasks, _ in trials(search, choice, program)]
    assert tried == [few, more, at_all, at_all]
    study = study.with_scenario(requirement=Requirement(90e-6, 0.5, None, 0.97 * few))
    search = Search(study, one, RunOptions(1))
    sizes: list[int] = []
    sample = Search.sample

    def sample_and_count(self: Search, choice: Any, poses: Any = None, *arguments: Any, **more: Any) -> Any:
        sizes.append(sum(len(task.names) for task in poses or self.poses))
        return sample(self, choice, poses, *arguments, **more)

    monkeypatch.setattr(Search, "sample", sample_and_count)
    assert at_all < 0.97 * few
    assert failure(search, choice, search.program()) is not None
    assert sizes == [sum(len(task.names) for task in pose_sets[0])]
    assert not ledger.requirement_met(search.sample(choice)[0])
    state = SearchState(search, search.program())
    assert not state.passes_sampling(choice)
    (rival,) = state.rivals()
    assert overall_verdict_of(search.sample(choice, seed=search.confirmation_seed)[0]) == "not met"
    assert not rival.undecided  # a second population fails it too, at all poses, though not at few


def share_of_passing(tasks: tuple[AssessedTask, ...]) -> float:
    """Yield over all poses of the one task."""
    (task,) = tasks
    assert task.summary.yield_ is not None
    return task.summary.yield_.value


@cache
def chosen(position: float) -> Selection:
    """The answer for the small case, worked out once for all tests of a process."""
    return select(*small_case(position), RunOptions(2))


def small_case(position: float) -> tuple[Study, Options]:
    ready, options = load_options(DEMO, CATALOGUE)
    study = Study(ready).with_plan(units=200, visits=4)
    study = study.with_scenario(tasks=study.scenario.tasks[:1], requirement=Requirement(position, 0.95, 40e-6, 0.8))
    # six joints, three of them with four choices each and the others as they are: 64 designs
    few = []
    for number, row in enumerate(options.joints):
        sorted_by_price = sorted(row, key=lambda option: option.price)
        few.append(tuple(sorted_by_price[:: max(1, len(row) // 4)][:4]) if number < 3 else (sorted_by_price[0],))
    return study, Options(tuple(few), {})


@pytest.mark.parametrize("position", [62e-6, 75e-6])
def test_the_answer_is_the_cheapest_of_all_that_hold_when_sampled(position: float) -> None:
    """Source: every design of a small catalogue, sampled."""
    study, options = small_case(position)
    selection = chosen(position)
    prices, pose_sets = [], study.find()
    for choice in itertools.product(*(range(len(row)) for row in options.joints)):
        joints = tuple(row[n].joint for row, n in zip(options.joints, choice, strict=True))
        design = study.with_scenario(machine=replace(study.scenario.machine, joints=joints))
        (sample,) = design.sample(pose_sets, RunOptions(1)).tasks
        if judge(design.scenario, design.scenario.tasks[0], pose_sets[0], sample).summary.holds:
            prices.append(sum(row[n].price for row, n in zip(options.joints, choice, strict=True)))
    if prices:
        assert selection.price == min(prices)
        assert selection.proved
        assert all(task.summary.holds for task in selection.tasks)
        assert all(row.price <= min(prices) + 1e-9 for row in selection.refuted)
    else:
        assert selection.design is None
    assert study.scenario.requirement is not None
    assert ("costs" if prices else "No choice") in answer(selection)


def test_a_margin_that_is_too_small_is_widened(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ratios learned far too large hide the cheapest design; it must be found all the same. Source: as above."""
    study, options = small_case(75e-6)
    expected = chosen(75e-6)
    learn_wrongly(monkeypatch)
    hidden = select(study, options, RunOptions(2))
    assert hidden.price == expected.price
    assert hidden.proved
    assert hidden.proof.margin > expected.proof.margin


def test_the_curve_is_that_of_enumeration() -> None:
    """Every design of a small catalogue, by first order with the same ratios. Source: full enumeration."""
    from armsim.decide.frontier import STEP
    from armsim.decide.trade_off import trade_off

    study, options = small_case(75e-6)
    options = Options(options.joints[:3] + tuple(row[:1] for row in options.joints[3:]), {})
    curve = trade_off(study, options, RunOptions(1))
    prices = [point.price for point in curve.points]
    errors = [point.predicted for point in curve.points]
    assert prices == sorted(set(prices))
    assert errors == sorted(errors, reverse=True)
    # the ratios that the curve went by, from its own first point
    configurations = [poses.configurations for poses in study.find()]
    parts, fixed = (
        moments_of_options(study.scenario.machine, options, configurations),
        fixed_moments(study.scenario.machine, configurations),
    )
    program = Program(
        options,
        parts,
        fixed,
        np.ones(len(fixed.independent_variance)),
        np.full(len(fixed.independent_variance), np.inf),
        np.full(len(fixed.independent_variance), np.inf),
    )
    every = [
        (program.price(choice), choice) for choice in itertools.product(*(range(len(row)) for row in options.joints))
    ]
    by_design = {
        tuple((row[n].encoder, row[n].mounting, row[n].placement) for row, n in zip(options.joints, c, strict=True)): c
        for _, c in every
    }
    chosen = [by_design[tuple((d.encoder, d.mounting, d.placement) for d in point.design)] for point in curve.points]
    # wherever all poses keep their ratio, a design no dearer and better at every pose would beat a point: there is none
    for point, choice in zip(curve.points, chosen, strict=True):
        mean_square = program.mean_square(choice)
        for price, other in every:
            better = np.all(program.mean_square(other) < mean_square * (1 - STEP))
            assert not (price < point.price - 1e-9 and better)
    assert curve.current > 0
    assert sum(curve.points[0].spending.values()) == pytest.approx(curve.points[0].price)


def test_nothing_holds() -> None:
    study, _options = small_case(5e-6)
    selection = chosen(5e-6)
    assert selection.design is None
    assert study.scenario.requirement is not None
    text = answer(selection)
    assert "No choice meets the requirement" in text
    assert "The largest contribution there is" in " ".join(grounds(selection))
    assert json.loads(json.dumps(selection.to_dict(), allow_nan=False))["state"] == "not met"


def test_no_requirement() -> None:
    study, options = small_case(1e-4)
    with pytest.raises(InputError, match="requirement: missing"):
        select(study.with_scenario(requirement=None), options)


WRONG = (
    ("kind: catalogue", "kind: catalog", "catalogue"),
    ("name: invented discs\n", "", "name"),
    ("limits: {types: 4", "limits: {types: 0", "types"),
    ("j5: {diameter: 35 mm}", "j5: {diameter: 1 mm}", "no entry can be fitted to joint j5"),
    ("j5: {diameter: 35 mm}", "j9: {diameter: 35 mm}", "the arm has no such joint"),
    ("j5: {diameter: 35 mm}", "j5: {mountings: [sloppy]}", "no mounting named 'sloppy'"),
    ("j5: {diameter: 35 mm}", "j5: {interface: parallel}", "no entry can be fitted to joint j5"),
    ("j5: {diameter: 35 mm}", "j5: {placements: [side]}", "placements"),
    ("name: careful", "name: plain", "two mountings named 'plain'"),
    ("name: disc 20 128,", "name: disc 13 128,", "two encoders named 'disc 13 128'"),
    ("price: 9,", "price: -9,", "price"),
    ("placements: {motor: 0, output: 20}", "placements: {motor: 0, outside: 20}", "placements"),
    ("mass: 0.0052 kg", "mass: 5.2", "mass"),
)


@pytest.mark.parametrize(("old", "new", "fault"), WRONG)
def test_a_wrong_catalogue_is_named(tmp_path: Path, old: str, new: str, fault: str) -> None:
    text = CATALOGUE.read_text()
    assert old in text
    wrong = tmp_path / "catalogue.yaml"
    wrong.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_options(DEMO, wrong)
    assert fault in str(caught.value)
    assert "catalogue.yaml:" in str(caught.value)


def test_the_command(tmp_path: Path) -> None:
    """Of the trade-off, and of a catalogue alone; that of the selection is held by the manual's whole decision."""
    few = ["--units", "60", "--visits", "2", "--out", tmp_path / "t", "--json"]
    curve = invoke("trade-off", DEMO, *COARSE, "--catalogue", few_discs(tmp_path), *few, pictures=True)
    assert curve.returncode == 0, curve.stderr
    points = json.loads(curve.stdout)["points"]
    assert (tmp_path / "t" / "tables" / "trade-off.csv").read_text().count("\n") == 1 + len(points)
    assert (tmp_path / "t" / "figures" / "trade-off.png").exists()
    checked = invoke("check", CATALOGUE)
    assert checked.returncode == 0
    assert "catalogue 'invented discs' is valid" in checked.stdout


def test_options_carry_the_parts_of_their_price() -> None:
    _, options = load_options(DEMO, CATALOGUE)
    for option in options.joints[0]:
        mounting = {"plain": 0.0, "careful": 9.0}[option.mounting]
        placement = {"motor": 0.0, "output": 20.0}[option.placement]
        assert (option.joint.fitting.mounting, option.joint.fitting.placement) == (mounting, placement)
        assert option.price == option.joint.encoder.price + mounting + placement


def test_points_of_the_curve_tell_what_they_do_not_keep() -> None:
    """Source: each point sampled by itself with the whole requirement."""
    from armsim.decide.trade_off import trade_off

    study, options = small_case(75e-6)
    curve = trade_off(study, options, RunOptions(2))
    assert any("position" in point.failed for point in curve.points if point.sampled > 75e-6)
    assert all(("position" in point.failed) == (point.sampled > 75e-6) for point in curve.points)


def test_a_catalogue_without_prices_ends() -> None:
    """Where every set costs nothing the first that holds is the answer, and nothing is cheaper."""
    study, options = small_case(90e-6)
    free = Options(tuple(tuple(replace(option, price=0.0) for option in row) for row in options.joints), {})
    selection = select(study, free, RunOptions(1))
    assert selection.price == 0.0
    assert selection.proved


@pytest.mark.parametrize("seed", range(20))
def test_a_ball_excludes_the_choices_within_it_and_no_other(seed: int) -> None:
    """Visits of every option are vectors on a line; distances of choices are sums over joints. Source: enumeration."""
    rng = np.random.default_rng(seed)
    joints, options = 3, 4
    gains = rng.uniform(0.0, 1.0, (joints, options))
    parts = [
        [
            Moments(
                np.zeros((1, 3)),
                np.ones(1),
                np.array([g**2]),
                {f"j{j} 0": VisitCoefficient("normal", np.array([[g, 0.0, 0.0]]))},
                still(1),
            )
            for g in gains[j]
        ]
        for j in range(joints)
    ]
    priced = tuple(
        tuple(Option(normal_joint(f"j{j}", 1e-4), f"e{o}", "m", "motor", float(o), 0.0) for o in range(options))
        for j in range(joints)
    )
    nothing = Moments(np.zeros((1, 3)), np.zeros(1), np.zeros(1), {}, still(1))
    program = Program(Options(priced, {}), parts, nothing, np.full(1, 100.0), np.full(1, np.inf), np.full(1, np.inf))
    centre, radius = (1, 2, 0), 0.4
    program.refuse_near(centre, 0, radius)
    allowed = []
    while (choice := program.cheapest()) is not None:
        allowed.append(choice)
        program.refuse(choice)
    distance = {
        choice: float(sum((gains[j, n] - gains[j, centre[j]]) ** 2 for j, n in enumerate(choice)))
        for choice in itertools.product(range(options), repeat=joints)
    }
    assert set(allowed) == {choice for choice, square in distance.items() if square >= radius**2}


def test_dominance_leaves_out_what_is_no_better_and_closest_looks_at_it_all_the_same() -> None:
    """Two joints, three options each, better and worse by halves. Source: by hand."""
    scatter = [[0.5, 1.0, 1.5], [0.5, 1.0, 1.5]]
    parts = [[Moments(np.zeros((1, 3)), np.array([s]), np.zeros(1), {}, still(1)) for s in row] for row in scatter]
    priced = tuple(
        tuple(Option(normal_joint(f"j{j}", 1e-4), f"e{o}", "m", "motor", 3.0 - o, 0.0) for o in range(3))
        for j in range(2)
    )
    nothing = Moments(np.zeros((1, 3)), np.zeros(1), np.zeros(1), {}, still(1))
    program = Program(Options(priced, {}), parts, nothing, np.full(1, 100.0), np.full(1, np.inf), np.full(1, np.inf))
    program.refuse((1, 1))
    program.refuse_dominated((1, 1))
    allowed = set()
    while (choice := program.cheapest()) is not None:
        allowed.add(choice)
        program.refuse(choice)
    assert allowed == {(0, 0), (0, 1), (0, 2), (1, 0), (2, 0)}  # each better than (1, 1) at a joint
    fresh = Program(Options(priced, {}), parts, nothing, np.full(1, 100.0), np.full(1, np.inf), np.full(1, np.inf))
    fresh.refuse_dominated((0, 0))  # everything is no better
    assert fresh.cheapest() is None
    assert fresh.closest() is not None


def test_visits_on_a_path_count_across_it() -> None:
    """Scatter along the path is none of RT: what is left is its part across. Source: projection by hand."""
    machine = Machine(planar_arm(0.4, 0.3), (normal_joint("j1", 1e-3), normal_joint("j2", 2e-3)))
    q = np.array([[0.3, 0.8], [0.1, 1.2]])
    tangents = np.array([[1.0, 0.0, 0.0], [0.6, 0.8, 0.0]])
    configurations = Configurations(q, np.zeros((2, 2)), np.ones((2, 2)), tangents)
    moments = moments_of(machine, [configurations])
    column = machine.arm.postures(q).column
    across = column - tangents[:, None] * np.einsum("paj,pj->pa", column, tangents)[:, :, None]
    expected = np.sum(across**2, axis=2) @ np.array([1e-6, 4e-6])
    np.testing.assert_allclose(moments.visit_variance, expected, rtol=1e-9)
    square = np.sum(column**2, axis=2) @ np.array([1e-6, 4e-6])
    np.testing.assert_allclose(moments.independent_variance, square, rtol=1e-9)
