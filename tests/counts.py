"""Counts what the tests try, for the manual: python tests/counts.py"""

from __future__ import annotations

import importlib
import inspect
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), *(str(HERE / name) for name in ("documents", "report", "decide"))]


def counts_text() -> list[str]:
    """Sentences as the manual quotes them."""
    documents, corpus = importlib.import_module("test_documents"), importlib.import_module("test_corpus")
    catalogue, faults = importlib.import_module("test_select"), importlib.import_module("test_faults")
    properties = importlib.import_module("test_properties")
    wrong = {tuple(case[:3]) for case in (*documents.WRONG, *corpus.MORE)}
    inputs = len(wrong) + len(corpus.RAW) + len(corpus.WRONG_URDF) + len(catalogue.WRONG)
    others = [name for name in vars(faults) if name.startswith("test_") and "random" not in name]
    cases = {
        name: test._hypothesis_internal_use_settings.max_examples
        for name, test in vars(properties).items()
        if hasattr(test, "_hypothesis_internal_use_settings")
    }
    machines = [
        name
        for name in cases
        if "document" in inspect.signature(vars(properties)[name].hypothesis.inner_test).parameters
    ]
    return [
        f"{inputs} wrong inputs",
        f"{faults.KILLS} runs killed at random",
        f"{len(others)} other faults",
        f"{sum(cases[name] for name in machines)} machines made at random",
        f"{len(machines)} properties",
    ]


def main() -> None:
    """Print them."""
    print("; ".join(counts_text()))


if __name__ == "__main__":
    main()
