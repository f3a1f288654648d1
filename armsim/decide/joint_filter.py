"""Options that meet the criteria on single joints, whatever sensors the other joints have.

These are velocity ripple and operating limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from armsim.criteria import EvaluatedJoints
from armsim.model.joint_options import Option, Options
from armsim.requirement import Judgement
from armsim.run_options import CheckStop, never_stop
from armsim.study import Study


def meeting_joint_requirements(study: Study, options: Options, check_stop: CheckStop = never_stop) -> Options:
    """Options whose estimates meet all criteria that are judged joint by joint.

    Parameters
    ----------
    study : Study
    options : Options
    check_stop : callable
        Called before every option, as `CheckStop`.

    Returns
    -------
    Options

    Raises
    ------
    InputError
        No option of some joint meets them.
    """
    joints = []
    for candidates in options.joints:
        judgements_of_options = []
        for option in candidates:
            check_stop()
            judgements_of_options.append((option, _judgements(study, option)))
        accepted = tuple(
            option for option, judgements in judgements_of_options if all(judgement.holds for judgement in judgements)
        )
        if not accepted:
            raise _no_option_fault(study, [judgements for _, judgements in judgements_of_options])
        joints.append(accepted)
    return replace(options, joints=tuple(joints))


def meets_joint_requirements(study: Study, option: Option) -> bool:
    """Whether the estimates of an option meet all criteria judged joint by joint.

    Parameters
    ----------
    study : Study
    option : Option

    Returns
    -------
    bool
    """
    return all(judgement.holds for judgement in _judgements(study, option))


def _judgements(study: Study, option: Option) -> Sequence[Judgement]:
    """Judgements of a joint with an option."""
    scenario = study.scenario
    alone = replace(scenario.machine, joints=(option.joint,))
    return EvaluatedJoints.evaluate(scenario.requirement, alone, scenario.motion, scenario.plan).judgements


def _no_option_fault(study: Study, judgements_of_options: Sequence[Sequence[Judgement]]) -> Exception:
    """Error that no option of a joint meets the requirement, with the closest one and how far it misses."""
    closest = min(judgements_of_options, key=lambda judgements: max(judgement.utilisation for judgement in judgements))
    worst = max(closest, key=lambda judgement: judgement.utilisation)
    fault = f"no option of {worst.where} meets the requirement; of the closest {worst.phrase.format(worst.value_text)}"
    return study.scenario.fault(
        "requirement", fault, f"options with which it keeps what is required: {worst.limit_text}"
    )
