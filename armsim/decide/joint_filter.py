"""Options that a joint cannot take whatever the other joints take: ripple of the speed, limits of operation."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from armsim.criteria import judge_joints
from armsim.model.joint_options import Option, Options
from armsim.requirement import Judgement
from armsim.sampling.operation_limits import limits_of
from armsim.sampling.speed_ripple import steady_speed
from armsim.study import Study


def fit_for_joints(study: Study, options: Options) -> Options:
    """Options whose estimates meet all criteria judged joint by joint.

    Parameters
    ----------
    study : Study
    options : Options

    Returns
    -------
    Options

    Raises
    ------
    InputError
        None of a joint does.
    """
    judge = judge_of(study)
    joints = []
    for candidates in options.joints:
        judged = [(option, judge(option)) for option in candidates]
        fit = tuple(option for option, judgements in judged if all(judgement.holds for judgement in judgements))
        if not fit:
            raise _fault(study, [judgements for _, judgements in judged])
        joints.append(fit)
    return replace(options, joints=tuple(joints))


def judge_of(study: Study) -> Callable[[Option], tuple[Judgement, ...]]:
    """Function that returns the judgements of a joint with an option."""
    scenario = study.scenario
    motion, plan = scenario.motion, scenario.plan

    def judge(option: Option) -> tuple[Judgement, ...]:
        if scenario.requirement is None:
            return ()
        joint, speeds = option.joint, {}
        speed = (
            None if motion is None or scenario.requirement.velocity_ripple is None else motion.speeds.get(joint.name)
        )
        if motion is not None and speed is not None:
            speeds[joint.name] = steady_speed(joint, speed, motion, plan.seed)
        limits = limits_of(replace(scenario.machine, joints=(joint,)), plan)
        return judge_joints(scenario.requirement, speeds, limits, plan.units)

    return judge


def _fault(study: Study, judged: Sequence[tuple[Judgement, ...]]) -> Exception:
    """The option that comes closest misses, by so much."""
    closest = min(judged, key=lambda judgements: max(judgement.load for judgement in judgements))
    worst = max(closest, key=lambda judgement: judgement.load)
    fault = f"no option of {worst.where} meets the requirement; of the closest {worst.phrase.format(worst.number)}"
    return study.scenario.fault(
        "requirement", fault, f"options with which it keeps what is required: {worst.limit_text}"
    )
