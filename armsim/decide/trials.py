"""Trials of a design: what it is held to before it is sampled whole.

All visits at the poses of the largest errors come first. The figures of single arms, and so the yield, need no visits
(`yield_survey`): they are evaluated at more poses and then at all, for a tenth of what the visits take, and are to the
bit those of a whole sample. What fails at some poses fails at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from armsim.assessment import AssessedTask, judge_all
from armsim.criteria import CRITERIA, REACH
from armsim.decide.ledger import Failure, requirement_met
from armsim.decide.program import Choice, Program
from armsim.decide.search import MORE_POSES, Search
from armsim.sampling.sampler import Samples
from armsim.sampling.yield_survey import survey
from armsim.tasks import PoseSet

Trial = tuple[tuple[AssessedTask, ...], Samples]
MANY = 2 * MORE_POSES
"""Poses of all tasks from which on more trials than one come before the whole sample."""


def failure(search: Search, choice: Choice, program: Program, short: bool = False) -> Failure | None:
    """Try a new choice until it fails; None where it meets the requirement, sampled whole.

    Parameters
    ----------
    search : Search
    choice : Choice
    program : Program
    short : bool
        Whether the short trials are enough; None then where it passes these.

    Returns
    -------
    Failure, optional
    """
    ledger = search.ledger
    if choice in ledger.failures or ledger.meets_requirement(choice) or (short and choice in ledger.passed_trials):
        return ledger.failures.get(choice)
    for tasks, sampled in (short_trials if short else trials)(search, choice, program):
        if not requirement_met(tasks):
            ledger.failures[choice] = Failure(tasks, float(search.utilisations(tasks, sampled).max()))
            return ledger.failures[choice]
    if short:
        ledger.passed_trials[choice] = tasks
    return None


def trials(search: Search, choice: Choice, program: Program) -> Iterator[Trial]:
    """Trials of a choice, each harder and longer than the one before; the last is the whole sample.

    Parameters
    ----------
    search : Search
    choice : Choice
    program : Program

    Yields
    ------
    Trial
    """
    yield from short_trials(search, choice, program)
    if choice in search.ledger.full_assessments:
        return
    if len(search.names) > MANY and not limits_arms(search):
        yield search.sample(choice, search.hard_poses(program, choice, MORE_POSES))
    yield search.sample(choice)


def short_trials(search: Search, choice: Choice, program: Program, seed: int | None = None) -> Iterator[Trial]:
    """Trials of a choice with visits at few poses alone; of few poses in all, the whole sample.

    Parameters
    ----------
    search : Search
    choice : Choice
    program : Program
    seed : int, optional
        That of the scenario where not given.

    Yields
    ------
    Trial
        Judgements of the errors at the poses that were sampled, and of single arms at those that were surveyed.
    """
    few = search.hard_poses(program, choice)
    if sum(len(poses.names) for poses in few) == len(search.names):
        yield search.sample(choice, seed=seed)
        return
    trial = search.sample(choice, few, seed=seed)
    yield trial
    if len(search.names) > MANY and limits_arms(search):
        for poses in (search.hard_poses(program, choice, MORE_POSES), search.poses):
            yield surveyed(search, choice, few, trial[1], poses)


def limits_arms(search: Search) -> bool:
    """Whether anything is required of single arms, such as a yield or a repeatability."""
    return any(
        criterion.needs_no_visits and criterion is not REACH
        and criterion.limit_at(search.requirement.at_task(task.name), configurations.is_path) is not None
        for criterion in CRITERIA
        for task, configurations in zip(search.tasks, search.configurations, strict=True)
    )  # fmt: skip


def surveyed(
    search: Search, choice: Choice, few: Sequence[PoseSet], sampled: Samples, poses: Sequence[PoseSet]
) -> Trial:
    """Judgements of a choice with its errors at the poses that were sampled and its single arms at others.

    Parameters
    ----------
    search : Search
    choice : Choice
    few : sequence of PoseSet
        Poses that were sampled.
    sampled : Samples
        Samples there.
    poses : sequence of PoseSet
        Poses of every task at which single arms are evaluated.

    Returns
    -------
    Trial
    """
    samples = tuple(
        replace(sample, extremes=survey(sampled.spec, of_task.configurations, search.run_options).extremes)
        for sample, of_task in zip(sampled.tasks, poses, strict=True)
    )
    return judge_all(search.study_of(choice).scenario, few, samples), replace(sampled, tasks=samples)
