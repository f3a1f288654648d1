"""Options whose speed ripples more than is required: since that is a matter of one joint, they are left out at once."""

from __future__ import annotations

from dataclasses import replace

from armsim.formatting import percent
from armsim.model.joint_options import Options
from armsim.sampling.speed_ripple import smoothness
from armsim.study import Study


def smooth_enough(study: Study, options: Options) -> Options:
    """The options that keep to the ripple of the speed that the scenario requires.

    Raises
    ------
    InputError
        None of a joint does.
    """
    scenario = study.scenario
    limit = None if scenario.requirement is None else scenario.requirement.velocity_ripple
    if limit is None or scenario.motion is None:
        return options
    out = []
    for own in options.joints:
        name = own[0].joint.name
        speed = scenario.motion.speeds.get(name)
        if speed is None:
            out.append(own)
            continue
        ripples = [smoothness(option.joint, speed, scenario.motion, scenario.plan.seed) for option in own]
        kept = tuple(option for option, ripple in zip(own, ripples, strict=True) if ripple <= limit)
        if not kept:
            found = f"at {name} the least ripple of any option is {percent(min(ripples))} of the speed"
            accepted = f"no less than that; stated is {percent(limit)}"
            raise scenario.fault("requirement.velocity_ripple", found, accepted)
        out.append(kept)
    return replace(options, joints=tuple(out))
