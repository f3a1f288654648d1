"""Sentences on the results of comparison, selection and trade-off, for terminal and page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from armsim.criteria import REACH, CriterionChange, required_in_words
from armsim.decide.compare import Comparison, TaskDifference
from armsim.decide.decision_records import FittedEncoder, Proof
from armsim.decide.ledger import deciding_judgement
from armsim.decide.selection import Selection
from armsim.decide.trade_off import TradeOff
from armsim.formatting import percent, show, show_interval
from armsim.requirement import show_change
from armsim.requirement.judgement import MOST_STATED
from armsim.results import Summary


def signed_change(change: CriterionChange) -> str:
    """Change of a criterion with sign, unit and interval."""
    return show_change(change.change.value, change.change.interval, change.quantity)


def kind_in_words(kind: str) -> str:
    """Kind of a single change in words."""
    return "joint without error" if kind == "joint ideal" else kind


def effect(change: CriterionChange) -> str:
    """Effect of a design on a criterion as the end of a sentence: "it takes 50.9 µm off the 95 % quantile"."""
    value, interval = change.change
    if not change.change.resolved and interval is not None:
        return f"it has no significant effect on the {change.phrase} ({signed_change(change)})"
    less = value < 0 or (value == 0 and not change.at_least)
    ends = interval if interval is None or not less else (-interval[1], -interval[0])
    size = show_change(abs(value), ends, change.quantity, sign=False)
    return f"it takes {size} off the {change.phrase}" if less else f"it adds {size} to the {change.phrase}"


def difference(row: TaskDifference) -> str:
    """Sentence on the gain of a design over the first at a task, per criterion, and on its price."""
    first, *others = row.criteria
    sentence = f"{row.scenario}: at {row.task} {effect(first)}"
    for change in others:
        open_ = change.change.interval is not None and not change.change.resolved
        text = f"no significant change of the {change.phrase} ({signed_change(change)})"
        sentence += f", {text}" if open_ else f", the {change.phrase} changes by {signed_change(change)}"
    gain = gain_per_cost(row)
    if gain:
        return f"{sentence}, for {row.price:g} cost units more: {gain} per cost unit"
    if not row.price:
        return f"{sentence}, at the same price"
    return f"{sentence}, for {abs(row.price):g} cost units {'more' if row.price >= 0 else 'less'}"


def gain_per_cost(row: TaskDifference) -> str:
    """Gain over the first design per cost unit; empty if it is not significant, or costs nothing more."""
    first = row.criteria[0]
    if row.price <= 0 or first.gain <= 0 or not (first.change.resolved or first.change.interval is None):
        return ""
    return show_change(first.gain / row.price, None, first.quantity, sign=False)


def other_requirements(comparison: Comparison) -> list[str]:
    """Sentences on designs that state another requirement than the first, by which they are judged."""
    first = comparison.results[0]
    return [
        f"{name!r} asks for {required_in_words(requirement)}; it is judged by the requirement of {first.scenario!r}: "
        f"{required_in_words(first.requirement)}"
        for name, requirement in comparison.other_requirements.items()
    ]


def answer(selection: Selection) -> str:
    """The result of a selection in one sentence: what to buy, its price and margin, and how sure that is.

    Where nothing meets the requirement it says so, with what comes closest.
    """
    task, judgement = deciding_judgement(selection.tasks)
    judged_at = f"{judgement.finding}, {task.name}"
    lost = [f"{task.name}: {text}" for task in selection.tasks for text in _out_of_reach(task.summary)]
    if lost:
        return f"No choice can meet the requirement, whatever the sensors: {'; '.join(lost)}; elsewhere {judged_at}."
    if selection.design is None:
        opening = "No choice meets" if selection.proved else "No choice was found to meet"
        doubt = f"; {sureness(selection)}" if selection.state == "not resolved" else ""
        return f"{opening} the requirement: of the closest, {judged_at}{doubt}."
    price = f"{selection.price:g} cost units{of_types(selection)}"
    margin = f", {judgement.margin}" if judgement.margin else ""
    return f"Buy {to_buy(selection)}: the cheapest choice costs {price}; {judged_at}{margin}; {sureness(selection)}."


def to_buy(selection: Selection) -> str:
    """Encoders of an arm by type, with their numbers, those of most pieces first."""
    pieces = Counter(sensor.encoder for part in selection.closest for sensor in part.sensors)
    return ", ".join(f"{number} x {encoder}" for encoder, number in pieces.most_common())


def sureness(selection: Selection) -> str:
    """Whether the sample resolves that the choice meets the requirement, and how many arms would."""
    if selection.state == "met":
        return "met by the whole interval on two populations"
    needed = selection.units_to_resolve
    spent = ""
    if selection.attempts:
        designs = sum(attempt.sampled for attempt in selection.attempts)
        searches = "a search" if len(selection.attempts) == 1 else f"{len(selection.attempts)} searches"
        spent = f" after {searches} of {designs} designs with up to {selection.attempts[-1].units} arms"
    if needed is None:
        return f"not resolved{spent}"
    count = f"about {needed}" if needed <= MOST_STATED else "more than a million"
    return f"not resolved{spent}: {count} arms would resolve it"


def of_types(selection: Selection) -> str:
    """End of a price: the number of arms, and the one-off costs of its types."""
    arms, parts = selection.arms, selection.closest
    sensors = [sensor for part in parts for sensor in part.sensors]
    text = f" an arm of {arms}, {arms * sum(part.price for part in parts):g} for all" if arms > 1 else ""
    one_off = arms * sum(sensor.one_off for sensor in sensors)
    if not one_off:
        return text
    number = len({sensor.encoder for sensor in sensors})
    return f"{text}, {one_off:g} of it once for {number} type{'s' if number > 1 else ''} of encoder"


def grounds(selection: Selection) -> tuple[str, ...]:
    """Grounds of the result of a selection, one sentence each.

    Why the closest fails, or what a fresh population says; other choices of the same price; cheaper ones that this
    sample cannot exclude; how all others were excluded.
    """
    if any(_out_of_reach(task.summary) for task in selection.tasks):
        return tuple(_failures(selection))  # no sensor can make good a pose out of reach: nothing was searched
    if selection.design is None:
        return (*_failures(selection), _excluded(selection.proof, "every choice", "the other designs"))
    sentences = [*_confirmation(selection)]
    if selection.equals:
        number = len(selection.equals)
        others = f"{number} other choices meet" if number > 1 else "One other choice meets"
        scope = "" if selection.proof.same_price_complete else " of those examined"
        smallest = show(min(equal.at_coverage for equal in selection.equals))
        few = any(equal.sampled_poses for equal in selection.equals)
        scope_of_poses = " at the poses with the largest predicted errors" if few else ""
        sentences.append(
            f"{others} the requirement for this price{scope}{scope_of_poses}, with errors of {smallest} and more."
        )
    examined = [row for row in selection.refuted if row.undecided is not None]
    unresolved = [row.price for row in examined if row.undecided]
    if unresolved:
        sentences.append(
            f"Of the {len(examined)} closest cheaper designs {len(unresolved)} miss the requirement by less than "
            f"this sample resolves, the cheapest for {min(unresolved):g}."
        )
    return (*sentences, _excluded(selection.proof, "every cheaper choice", "the other cheaper designs"))


def _failures(selection: Selection) -> list[str]:
    """Why the closest choice fails, and the largest contribution there."""
    worst, judgement = deciding_judgement(selection.tasks)
    parts = dict(zip(worst.table.share_names, worst.table.contributions[worst.worst].tolist(), strict=True))
    owner, cause = max(parts, key=lambda key: parts[key])
    reasons = [f"{task.name}: {reason}" for task in selection.tasks for reason in task.summary.reasons]
    share = percent(parts[owner, cause], 2)
    of_position = judgement.criterion == worst.summary.judgements[0].criterion
    judged_at = "there" if of_position else f"to the tool-point error at {worst.summary.worst_pose}, {worst.name},"
    largest = f"The largest contribution {judged_at} is {cause} of {owner}, {share} of the mean square error."
    return [*([f"It fails: {'; '.join(reasons)}."] if reasons else []), largest]


def _confirmation(selection: Selection) -> list[str]:
    """Criteria that the sample does not resolve, and what a fresh population says."""
    doubts = dict.fromkeys(
        f"{judgement.reason[:1].upper()}{judgement.reason[1:]}."
        for task in selection.tasks
        for judgement in task.summary.judgements
        if judgement.doubt
    )
    again = selection.confirmation
    if again is None:
        return [*doubts]
    figure = show_interval(again.at_coverage, again.interval)
    more = "more" if again.units_to_resolve is None else f"about {again.units_to_resolve}"
    outcome = {
        "not met": ", and the requirement is not met: more arms would decide",
        "not resolved": "" if doubts else f", and the requirement is not resolved: {more} arms would decide",
    }.get(again.state, "")
    errors = selection.tasks[0].summary.judgements[0].phrase.format(figure)
    return [f"On a second, fresh population {errors}{outcome}.", *doubts]


def cheapest_in_words(curve: TradeOff) -> str:
    """Sentence on the cheapest design of a trade-off that meets the requirement."""
    if curve.cheapest is None:
        return "no choice was found to meet the requirement"
    if curve.state == "not resolved":
        doubt = "whether it meets the requirement is not resolved"
        return f"the cheapest choice by these estimates costs {curve.cheapest:g}; {doubt}"
    return f"the cheapest choice that meets the requirement costs {curve.cheapest:g}"


def curve_in_words(curve: TradeOff) -> str:
    """Sentence on a trade-off curve."""
    first, last = curve.points[0], curve.points[-1]
    beaten = sum(curve.dominated)
    dominated = f" In the sample {beaten} of them are dominated by a cheaper one." if beaten else ""
    cheapest = cheapest_in_words(curve)
    return (
        f"{len(curve.points)} sets of sensors are Pareto-optimal by first order: from {show(first.sampled)} for "
        f"{first.price:g} cost units to {show(last.sampled)} for {last.price:g} ({percent(curve.coverage)} of "
        f"errors within). {cheapest[:1].upper()}{cheapest[1:]}. The present design has an error of "
        f"{show(curve.current)} for {curve.current_price:g}.{dominated}"
    )


def in_words(design: Sequence[FittedEncoder]) -> str:
    """Encoders, mountings and placements of a design, with equal joints grouped."""
    return _grouped(design, len(design))


def changes_in_words(choice: Sequence[FittedEncoder], design: Sequence[FittedEncoder]) -> str:
    """Joints at which a design differs from a choice, with equal joints grouped."""
    fits = {(part.joint, part.in_words) for part in choice}
    changed = [part for part in design if (part.joint, part.in_words) not in fits]
    return _grouped(changed, len(design))


def _grouped(parts: Sequence[FittedEncoder], joints_in_all: int) -> str:
    """Parts with equal joints grouped."""
    return "; ".join(joints_grouped([(part.joint, part.in_words) for part in parts], joints_in_all))


ALL_JOINTS = "all joints"
"""In place of the names of all joints of an arm that has several."""


def joints_grouped(texts: Iterable[tuple[str, str]], joints_in_all: int) -> list[str]:
    """Texts about joints, such as "j1, j2: disc 50" or "all joints: disc 50", with the joints of one text together.

    Parameters
    ----------
    texts : iterable of (joint, text)
    joints_in_all : int
        Number of joints of the arm.

    Returns
    -------
    list of str
    """
    joints_by_text: dict[str, list[str]] = {}
    for joint, text in texts:
        joints_by_text.setdefault(text, []).append(joint)
    return [
        f"{ALL_JOINTS if len(joints) == joints_in_all > 1 else ', '.join(joints)}: {text}"
        for text, joints in joints_by_text.items()
    ]


def _out_of_reach(summary: Summary) -> list[str]:
    return [judgement.reason for judgement in summary.judgements if judgement.criterion == REACH.name]


def _excluded(proof: Proof, which: str, others: str) -> str:
    """Sentence on how other designs were excluded."""
    reasons = [f"{proof.sampled} sampled, which fail{_criteria_failed(proof)}"] if proof.sampled else []
    if proof.bounded:
        near = "" if proof.complete else ", and with them all that are near"
        figures = " or ".join(proof.bounded_by)
        reasons.append(f"{proof.bounded} whose {figures} exceeds the limit by the distribution of their visits{near}")
    if proof.complete:
        detail = f" ({'; '.join(reasons)})" if reasons else ""
        return f"Proved for these samples: {which} was examined{detail}."
    visits = "" if proof.repeatability else " Not all choices of small visits could be examined."
    examined = f" Excluded: {'; '.join(reasons)}." if reasons else ""
    margin = f"by more than {percent(proof.margin)} of the mean square error"
    return (
        f"Not proved for {others}.{examined} Each of the others is no better at any joint and pose "
        f"than one that failed, or exceeds the first-order limits {margin}.{visits}"
    )


def _criteria_failed(proof: Proof) -> str:
    """Criteria that the sampled designs fail, as the end of a sentence, with how many fail each of several."""
    if len(proof.failed) < 2:
        return "".join(f" in {criterion}" for criterion in proof.failed)
    *most, last = [f"{criterion} ({number})" for criterion, number in proof.failed.items()]
    return f" in {', '.join(most)} and {last}"
