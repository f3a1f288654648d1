"""Sweep of two values of a design: every pair of them judged, for a map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from armsim.decide.sweep import Sweep, sweep
from armsim.documents.grammar import read_value
from armsim.errors import InputError, Problem
from armsim.requirement import Judgement
from armsim.run_options import RunOptions
from armsim.study import Study

MOST_PAIRS = 400
"""Most pairs of values; each is a run of the study."""


@dataclass(frozen=True, eq=False)
class SweepMap:
    """Answers per pair of values: a sweep over the second number at every value of the first.

    Parameters
    ----------
    path : str
        First number, as `sweep` takes it.
    values : tuple of str
        Its values, as written in a file.
    sweeps : tuple of Sweep
        One per value.
    """

    path: str
    values: tuple[str, ...]
    sweeps: tuple[Sweep, ...]

    def judgements(self, task: str, criterion: str) -> list[list[Judgement]]:
        """Judge a criterion of a task at all pairs of values.

        Parameters
        ----------
        task : str
        criterion : str

        Returns
        -------
        list of list of Judgement
            Rows by the first number, columns by the second.
        """
        return [[judgement for _, judgement in sweep.judgements_by_task(criterion)[task]] for sweep in self.sweeps]


def sweep_map(
    study: Study,
    paths: tuple[str, str],
    values: tuple[Sequence[str], Sequence[str]],
    run_options: RunOptions = RunOptions(),
) -> SweepMap:
    """Judge the tasks of a study at all pairs of values of two numbers.

    Parameters
    ----------
    study : Study
    paths : (first, second)
        As `sweep`.
    values : (first, second)
        Values of each as written in a file, with their units.
    run_options : RunOptions

    Returns
    -------
    SweepMap

    Raises
    ------
    InputError
        A path does not exist or does not accept a value, both are the same, or there are too many pairs.
    """
    (first, second), (rows, columns) = paths, values
    pairs = len(rows) * len(columns)
    if first == second:
        raise _fault(second, "the same number twice", "two numbers of the design")
    if pairs > MOST_PAIRS:
        raise _fault(second, f"{pairs} pairs of values", f"{MOST_PAIRS} at most")
    read = [read_value(value, first) for value in rows]
    designs = [study.change({first: value}) for value in read]
    out = []
    for number, (value, design) in enumerate(zip(rows, designs, strict=True)):
        start = number * len(columns)

        def progress(what: str, completed: int, total: int, start: int = start, value: str = value) -> None:
            run_options.progress(f"{first} = {value}", start + min(completed, len(columns)), pairs)

        progress("", 0, 0)
        out.append(sweep(design, second, columns, replace(run_options.silent, progress=progress)))
    return SweepMap(first, tuple(rows), tuple(out))


def _fault(path: str, finding: str, accepted: str) -> InputError:
    return InputError(Problem("sweep of two numbers", 0, 0, path, finding, accepted))
