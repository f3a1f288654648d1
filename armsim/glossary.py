"""Glossary: what every word of the results means; the one home of these definitions."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Word:
    """A word of the glossary: what it means, the unit of its values, where the definition comes from."""

    word: str
    meaning: str
    unit: str = ""
    source: str = ""

    @property
    def text(self) -> str:
        """The definition in one line."""
        return f"{self.meaning}{f' [{self.unit}]' if self.unit else ''}{f' ({self.source})' if self.source else ''}"


GLOSSARY: tuple[Word, ...] = (
    Word(
        "arm",
        "one built arm of the simulated population, which the key `units` counts; its errors are drawn once and stay",
    ),
    Word("unit", "one built arm of the simulated population, so called in keys, options and files; see arm"),
    Word(
        "visit",
        "one approach of an arm to a pose, a cycle of ISO 9283; what changes from visit to visit is drawn anew",
    ),
    Word(
        "task",
        "a set of poses, or a path, at which the tool point is evaluated, such as a slice of the workspace",
    ),
    Word(
        "pose",
        "position and orientation of the tool, with the joint positions that bring it there; every cell of a map and "
        "every step along a path is one",
    ),
    Word("tool point", "the point of the tool whose position is evaluated"),
    Word("error", "attained minus commanded position of the tool point; its size is a distance", "m"),
    Word("worst pose", "the pose of a task at which the figure of the criterion is largest"),
    Word(
        "AP",
        "pose accuracy of an arm: distance of the mean of its visits from the command",
        "m",
        "ISO 9283:1998, 7.2.1",
    ),
    Word(
        "RP",
        "pose repeatability of an arm: mean distance of its visits from their mean, plus three standard "
        "deviations of it",
        "m",
        "ISO 9283:1998, 7.2.2",
    ),
    Word("AD", "distance accuracy of an arm between two poses", "m", "ISO 9283:1998, 7.3.2"),
    Word("RD", "distance repeatability of an arm between two poses", "m", "ISO 9283:1998, 7.3.3"),
    Word(
        "vAP",
        "largest distance between the means of visits that come from different directions",
        "m",
        "ISO 9283:1998, 7.2.3",
    ),
    Word("AT", "path accuracy of an arm: its largest AP along a path, across it", "m", "ISO 9283:1998, 8.2"),
    Word("RT", "path repeatability of an arm: its largest RP along a path, across it", "m", "ISO 9283:1998, 8.3"),
    Word(
        "criterion",
        "a statistic, where it is evaluated, and its limit, such as 95 % of errors within 100 um at every pose",
    ),
    Word("met", "the whole 95 % interval of the figure keeps the limit"),
    Word(
        "not resolved",
        "the limit lies within the interval of the figure: more arms would decide",
        "",
        "guarded acceptance, JCGM 106:2012",
    ),
    Word("not met", "the whole 95 % interval of the figure is beyond the limit"),
    Word("yield", "share of arms that keep every criterion that an arm can keep, at every pose of a task"),
    Word("coverage", "share of the errors, over arms and visits, that must keep the limit at every pose"),
    Word("p95", "tool-point error not exceeded by 95 % of arms and visits at a pose", "m"),
    Word(
        "interval",
        "how well this sample determines a figure, at 95 %, in brackets; not how well the model fits the hardware",
    ),
    Word(
        "share",
        "part of the mean square error that a joint, a cause or a group contributes, its mean included; also "
        "called contribution",
    ),
    Word(
        "bias",
        "mean error that all arms have in common, such as wind-up under gravity",
    ),
    Word("rms", "root of the mean square: scatter and mean together"),
    Word(
        "life",
        "unit: a cause is drawn once for an arm and affects accuracy; visit: it is drawn anew at every visit and "
        "affects repeatability",
    ),
    Word("percentage points", "unit of the change of a share: from 80 % to 90 % is 10 percentage points"),
    Word("cause", "origin of an error, such as eccentricity, lost motion or mastering"),
    Word("order", "number of waves of an error per turn of a shaft: an eccentricity has order 1"),
    Word(
        "shape",
        "how an error varies: constant, in waves per turn, or with load, speed or temperature",
    ),
    Word(
        "standard uncertainty",
        "root mean square of an error over arms, visits and travel, its mean included",
        "",
        "JCGM 100:2008",
    ),
    Word("worst case", "largest error that a cause can make; of several causes, all at their largest at once"),
    Word("law", "distribution of a quantity over arms or visits, such as uniform or normal"),
    Word("p-value", "probability that an arm of the population deviates as much or more; also called chance"),
    Word(
        "limit of operation",
        "error at which an absolute sensor reads a wrong period, or a joint sensor a wrong turn of the motor",
    ),
    Word(
        "placement",
        "side of the gear on which a sensor is mounted: motor, output (the joint itself), or both",
    ),
    Word("cost unit", "unit of all prices, in whatever currency the catalogue states them"),
    Word("lever arm", "largest movement of the tool point for a radian of the joint", "m/rad"),
    Word("resolution", "steps of the reading per turn of the joint, as bits: 20 bit are 2^20 steps"),
    Word("mastering", "setting the zero of a joint; the remaining zero error stays with the arm"),
    Word(
        "link a",
        "tolerance of the length a of a link; link d, link theta and link alpha are those of the other constants of "
        "Denavit and Hartenberg",
    ),
    Word("wind-up", "twist of a gear under the load that gravity puts on the joint"),
    Word("lost motion", "difference between the positions of a joint approached from either direction"),
    Word(
        "first order",
        "computed with the Jacobian in place of sampling: exact for small errors, fast, checked against the samples",
    ),
    Word(
        "near-singular",
        "a pose close to one at which the arm loses a direction of movement: joint positions there are "
        "poorly determined",
    ),
    Word("group", "joints named together in the arm, such as base and wrist"),
    Word("calibration", "measuring an arm, identifying its parameters and correcting them in its controller"),
)
"""In an order that is read from top to bottom."""

MEANING: dict[str, str] = {entry.word: entry.meaning for entry in GLOSSARY}
"""Definition of every word."""


def sentence(word: str) -> str:
    """The definition of a word as a sentence."""
    text = MEANING[word]
    return f"{text[:1].upper()}{text[1:]}."
