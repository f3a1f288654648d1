"""Results of three demo scenarios stay what they were. Source: an earlier commit of this project, named in each file."""

from __future__ import annotations

import re

import pytest
from golden import SCENARIOS, differences, golden_tasks, stored


@pytest.mark.parametrize("name", SCENARIOS)
def test_results_are_those_of_the_stored_commit(name: str) -> None:
    golden = stored(name)
    assert re.fullmatch(r"[0-9a-f]{40}", golden["commit"])
    assert differences(golden["tasks"], golden_tasks(name)) == [], "meant? python tests/golden.py --write, and say why"


def test_differences_are_found() -> None:
    assert differences({"a": [1.0, None]}, {"a": [1.0 + 1e-9, None]}) == []
    assert differences({"a": [1.0]}, {"a": [1.001]}) == ["/a/0: 1.0 1.001"]
    assert differences({"a": 1.0}, {"b": 1.0}) == ["/a: 1.0 None", "/b: None 1.0"]
