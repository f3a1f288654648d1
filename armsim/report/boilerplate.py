"""What frames the numbers of a review: assumptions, what is left out, inputs, references, cautions, provenance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.report.document import Block, Bullets, Folded, Listing, Section, Table, Text, table
from armsim.results import Result
from armsim.sources import Source

CAUSES = {
    "eccentricity": "mounting.eccentricity",
    "disc tilt": "mounting.disc_tilt",
    "ellipticity": "mounting.ellipticity",
    "coupling misalignment": "mounting.coupling_angle",
    "head tangential": "mounting.head_tangential",
    "graduation error": "graduation_error",
    "signal offset": "signal.offset",
    "amplitude mismatch": "signal.amplitude_mismatch",
    "phase error": "signal.phase_error",
    "third harmonic": "signal.third_harmonic",
    "signal noise": "signal.noise",
    "quantisation": "interpolation",
    "hysteresis": "hysteresis",
    "stated accuracy": "summary.accuracy",
    "stated repeatability": "summary.repeatability",
    "mastering": "mastering",
    "gear kinematic error": "transmission.kinematic_error",
    "lost motion": "transmission.lost_motion",
    "wind-up": "transmission.stiffness",
    "latency": "timing.latency",
    "timing jitter": "timing.jitter",
    "sampling skew": "bus.skew",
    "bus cycle": "bus.cycle",
    "temperature": "environment.temperature_rise",
    "slope error": "slope_error",
    "Abbe offset": "mounting.abbe_offset",
    "link theta": "tolerances.theta",
    "link d": "tolerances.d",
    "link a": "tolerances.a",
    "link alpha": "tolerances.alpha",
}
"""Every cause that the model knows, and the key that states it."""
REFERENCES = (
    "ISO 9283:1998, Manipulating industrial robots: performance criteria and related test methods (AP, RP, AD, RD, "
    "AT, RT, vAP; clause numbers from memory)",
    "JCGM 100:2008, Guide to the expression of uncertainty in measurement (rounding 7.2.6, quantisation F.2.2.1)",
    "JCGM 101:2008, Supplement 1: propagation of distributions using a Monte Carlo method (7.9 adaptive run, clause 8 "
    "comparison with first order)",
    "JCGM 102:2011, Supplement 2: any number of output quantities (ellipsoids)",
    "Clopper, Pearson, Biometrika 26 (1934) 404 (interval of the yield)",
    "Korn, Graubard, Survey Methodology 24 (1998) 193 (interval of pooled quantiles)",
    "Heydemann, Applied Optics 20 (1981) 3382 (errors of sine and cosine signals)",
    "Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994) (kinematics)",
)
CAUTION = (
    "These are design estimates, not a safety function. They do not replace a risk assessment, and nothing that "
    "protects people may rest on them. Verify by measurement on the built arm; local codes and licensed practice "
    "decide."
)
LONGEST = 400
"""Lines of a file that are printed."""


def assumptions(result: Result) -> Section:
    """What the numbers rest on, and what the scenario does not state."""
    stated = {term.cause for sheet in result.joints.values() for term in sheet.terms}
    stated |= {term.cause for term in result.links}
    left_out = [f"{cause} ({key})" for cause, key in CAUSES.items() if cause not in stated]
    items = (
        "Causes are independent of each other; what comes from one cause (both waves of an eccentricity, one "
        "temperature at many places) is drawn once and stays correlated.",
        "A cause of unit life is drawn once for a built arm and is the same at every visit (accuracy); one of visit "
        "life is drawn anew at every visit (repeatability).",
        "Kinematics is exact; the shapes of the causes are exact to the order that their documentation states.",
        "Static but for the speeds stated: no dynamics, vibration, wear or control error. Links do not bend; joints "
        "wind up only where stiffness and masses are stated.",
        "What calibration and mastering leave behind is what the scenario states; neither is simulated.",
        "Intervals are at 95 % and tell how well this sample determines a figure, not how well the model fits the "
        "hardware.",
    )
    blocks: list[Block] = [Bullets(items)]
    names = ", ".join(cause for cause in CAUSES if cause in stated)
    blocks.append(Text(f"Causes in the model of this arm: {names or 'none'}."))
    if left_out:
        blocks.append(Text(f"Not stated, therefore taken as zero (key in brackets): {', '.join(left_out)}."))
    return Section("Assumptions, and what is left out", "assumptions", tuple(blocks))


def inputs(sources: Sequence[Source]) -> Section:
    """Every file as it was read."""
    blocks: list[Block] = [Text("Every value carries its unit; counts, ratios and prices are bare numbers.", "soft")]
    for source in sources:
        lines = source.text.splitlines()
        text = "\n".join(line[:400] for line in lines[:LONGEST])
        if len(lines) > LONGEST:
            text += f"\n... and {len(lines) - LONGEST} lines more"
        name = source.path.name
        body: Block = Listing(name, text) if text else Text("Not a document of this program; only its hash is kept.")
        blocks.append(Folded(name, (body,)))
    return Section("The inputs as read", "inputs", tuple(blocks))


def references() -> Section:
    """Standards and papers."""
    return Section("References", "references", (Bullets(REFERENCES),))


def cautions() -> Section:
    """What must not be done with it."""
    return Section("Cautions", "cautions", (Text(CAUTION, "strong"),))


def provenance(manifest: dict[str, Any]) -> Section:
    """How it was made, and how to make it again."""
    packages = ", ".join(f"{name} {number}" for name, number in manifest["packages"].items())
    sampled = f"Seed {manifest['seed']}, {manifest['units']} built units, {manifest['visits']} visits of each pose."
    hashes: Table = table(("input", "SHA-256"), [[row["file"], row["sha256"]] for row in manifest["inputs"]], words=2)
    blocks: tuple[Block, ...] = (
        Text(f"armsim {manifest['armsim']}, Python {manifest['python']}, {packages}; {manifest['platform']}."),
        Text(f"{sampled} Made {manifest['time']}."),
        Text("To make it again, in the folder where it was made:"),
        Listing("command", manifest["command"]),
        hashes,
    )
    return Section("Provenance", "provenance", blocks)
