"""Standard sections of a review: assumptions, omitted causes, inputs, references, cautions, provenance."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from armsim import disclaimer
from armsim.glossary import GLOSSARY
from armsim.inspection.machine_inspection import budgets, link_budget
from armsim.model.assumptions import assumptions
from armsim.model.effects import Effect, causes_in, effects, stated_effects
from armsim.report.assumed_values import assumed_frame
from armsim.report.document import Block, Bullets, Folded, Listing, Section, Text
from armsim.report.frame import Frame, words
from armsim.results import Assumption, JointBudget, Result, TaskResult, TermBudget
from armsim.scenario import Scenario
from armsim.sources import Source
from armsim.version import code_label

REFERENCES = (
    "ISO 9283:1998, Manipulating industrial robots: performance criteria and related test methods (AP, RP, AD, RD, "
    "AT, RT, vAP)",
    "JCGM 100:2008, Guide to the expression of uncertainty in measurement (rounding 7.2.6, quantisation F.2.2.1)",
    "JCGM 101:2008, Supplement 1: propagation of distributions using a Monte Carlo method (7.9 adaptive run, clause 8 "
    "comparison with first order)",
    "JCGM 102:2011, Supplement 2: any number of output quantities (ellipsoids)",
    "JCGM 106:2012, The role of measurement uncertainty in conformity assessment (three states of a criterion)",
    "Clopper, Pearson, Biometrika 26 (1934) 404 (interval of the yield)",
    "Borm, Menq (1991), Driels, Pathre (1990), Nahvi, Hollerbach (1996), Sun, Hollerbach (2008) (observability of a "
    "calibration); Fedorov, Theory of Optimal Experiments (1972) (choice of its poses)",
    "Korn, Graubard, Survey Methodology 24 (1998) 193 (interval of pooled quantiles)",
    "Heydemann, Applied Optics 20 (1981) 3382 (errors of sine and cosine signals)",
    "Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994) (kinematics)",
)
LONGEST = 400
"""Most lines printed of an input file."""


def notes(texts: Sequence[str]) -> tuple[Section, ...]:
    """Section with all notes; none if there are no notes."""
    return (Section("Notes", "notes", (Bullets(tuple(texts)),)),) if texts else ()


@dataclass(frozen=True)
class ModelContent:
    """Content of a model: budgets of joints, terms of links, stated causes, assumed values."""

    joints: Mapping[str, JointBudget]
    links: Sequence[TermBudget]
    stated: Mapping[str, Sequence[str]]
    assumptions: Sequence[Assumption]
    tasks: Sequence[TaskResult] = ()

    @staticmethod
    def of(source: Result | Scenario) -> ModelContent:
        """Model of a result, or of a scenario that was not sampled as a run."""
        if isinstance(source, Result):
            return ModelContent(source.joints, source.links, source.stated, source.assumptions, source.tasks)
        machine = source.machine
        return ModelContent(
            budgets(source, curves=False), link_budget(machine), stated_effects(machine), assumptions(machine)
        )


def assumptions_section(source: Result | Scenario) -> Section:
    """Section on the assumptions of the model and the values that the scenario does not state."""
    model = ModelContent.of(source)
    items = (
        "Causes are independent of each other; what comes from one cause (both waves of an eccentricity, one "
        "temperature at many places) is drawn once and stays correlated.",
        "A cause of unit life is drawn once for a built arm and is the same at every visit (accuracy); one of visit "
        "life is drawn anew at every visit (repeatability).",
        "Kinematics is exact; the shapes of the causes are exact to the order that their documentation states.",
        "Static but for the speeds stated: no dynamics, vibration, wear or control error. Links bend and "
        "joints wind up only where stiffness and masses are stated; temperatures are those of rest, not of warming up.",
        "What calibration and mastering leave behind is what the scenario states; calibration is worked out by "
        "armsim calibrate, mastering is not simulated.",
        "Intervals are at 95 % and state how well this sample determines a figure, not how well the model fits the "
        "hardware.",
    )
    blocks: list[Block] = [Bullets(items)]
    blocks += [Text(text) for text in model_texts(model)]
    if model.assumptions:
        blocks.append(assumed_frame(model.assumptions, model.tasks).without("makes").table())
    return Section("Assumptions and omissions", "assumptions", tuple(blocks))


def model_texts(model: Result | ModelContent) -> list[str]:
    """Sentences on the causes in the model, those stated without effect, and those taken as zero."""
    effects_by_text = {str(effect): effect for effect in effects()}
    joints_by_cause: dict[str, set[str]] = {}
    terms_by_joint = [(name, budget.all_terms) for name, budget in model.joints.items()]
    for name, terms in (*terms_by_joint, ("", model.links)):
        for term in terms:
            for cause_name in causes_in(term):
                joints_by_cause.setdefault(cause_name, set()).add(name)
    names, idle = [], []
    for text, joints in model.stated.items():
        if text not in effects_by_text:
            continue
        cause = effects_by_text[text].cause
        cause_joints: set[str] = set().union(*(joints_by_cause.get(part.name, ()) for part in (cause, *cause.through)))
        dead = [name for name in joints if not {name, ""} & cause_joints]
        if cause_joints and len(dead) < max(len(joints), 1):
            names.append(cause.name)
        if dead or not cause_joints:
            idle.append(f"{cause}{' at ' + ', '.join(dead) if dead else ''} ({text})")
    out = [f"Causes in the model of this arm: {', '.join(dict.fromkeys(names)) or 'none'}."]
    if idle:
        out.append(f"Stated, and without effect on the errors of this design (key in brackets): {', '.join(idle)}.")
    absent = _absent_effects(model, effects_by_text)
    if absent:
        out.append(f"Not stated, therefore taken as zero (key in brackets): {', '.join(absent)}.")
    return out


def _absent_effects(model: Result | ModelContent, effects_by_text: Mapping[str, Effect]) -> list[str]:
    """Causes that the scenario does not state, except those impossible for the joints of this arm."""
    stated_causes = {effects_by_text[text].cause for text in model.stated if text in effects_by_text}
    units = {"rotation": "rad", "translation": "m"}
    present = {budget.unit for budget in model.joints.values()}
    out: dict[str, str] = {}
    for text, effect in effects_by_text.items():
        cause = effect.cause
        if cause in stated_causes or (effect.key.only is not None and units[effect.key.only] not in present):
            continue
        if cause.family:
            if not any(other.family == cause.family for other in stated_causes):
                out.setdefault("tolerances of the links", "arm tolerances")
            continue
        out.setdefault(cause.name, text)
    return [f"{cause} ({text})" for cause, text in out.items()]


def inputs(sources: Sequence[Source], changes: Sequence[str] = ()) -> Section:
    """Section with the values that were changed, and the text of every input file."""
    blocks: list[Block] = [Text("Every value carries its unit; counts, ratios and prices are bare numbers.", "soft")]
    if changes:
        blocks += [Text("Values changed, in place of those of the files:"), Bullets(tuple(changes))]
    for source in sources:
        lines = source.text.splitlines()
        text = "\n".join(line[:400] for line in lines[:LONGEST])
        if len(lines) > LONGEST:
            text += f"\n... and {len(lines) - LONGEST} lines more"
        name = source.path.name
        body: Block = Listing(name, text) if text else Text("Not an armsim document; only its hash is recorded.")
        blocks.append(Folded(name, (body,)))
    return Section("Inputs as read", "inputs", tuple(blocks))


def references() -> Section:
    """Section with standards and papers."""
    return Section("References", "references", (Bullets(REFERENCES),))


def glossary() -> Section:
    """Section with the glossary of a review."""
    meanings = Frame(
        (words("word", [entry.word for entry in GLOSSARY]), words("meaning", [entry.text for entry in GLOSSARY]))
    )
    return Section("Glossary", "glossary", (Folded("What the words mean", (meanings.table(),)),))


def cautions() -> Section:
    """Section with the disclaimer."""
    return Section("Cautions", "cautions", (Text(disclaimer.WHOLE, "strong"),))


def _option_a_line(command: str) -> str:
    """A shell command with every option on a line of its own: a narrow page would break a line within one."""
    lines: list[list[str]] = [[]]
    for word in shlex.split(command):
        if word.startswith("--"):
            lines.append([])
        lines[-1].append(word)
    return " \\\n  ".join(map(shlex.join, lines))


def provenance(manifest: Mapping[str, Any]) -> Section:
    """Section on how the results were computed and how to reproduce them."""
    packages = ", ".join(f"{name} {number}" for name, number in manifest["packages"].items())
    code = code_label(manifest["armsim"], manifest.get("source_digest", ""))
    sampled = ""
    if "seed" in manifest:
        sampled = f"Seed {manifest['seed']}, {manifest['units']} built arms, {manifest['visits']} visits of each pose"
        sampled += f", sampled on {manifest['sampled_on']}. " if manifest.get("sampled_on") else ". "
    inputs = manifest["inputs"]
    hashes = Frame(
        (words("input", [row["file"] for row in inputs]), words("SHA-256", [row["sha256"] for row in inputs]))
    )
    blocks: tuple[Block, ...] = (
        Text(f"{code}, Python {manifest['python']}, {packages}; {manifest['platform']}."),
        Text(f"{sampled}Made {manifest['time']}."),
        Text("To reproduce it, in the folder where it was made:"),
        Listing("command", _option_a_line(manifest["command"])),
        hashes.table(),
    )
    return Section("Provenance", "provenance", blocks)
