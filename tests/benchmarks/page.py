"""How long a change takes to be seen on the page: python tests/benchmarks/page.py

Milliseconds from a change typed in the browser to the first-order numbers and to the first sampled ones, as the browser
shows them, median of some changes; of the demo and of the arm on a track. Chromium and playwright are needed.
"""

from __future__ import annotations

import os
import re
import shutil
import statistics
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
CASES = {"scenarios/bonding-cell.yaml": "j2", "scenarios/track-cell.yaml": "j2"}
CHANGES = 9
WATCH = """() => {
  window.log = [];
  document.addEventListener('keydown', e => { if (e.key === 'Enter') window.log = [['typed', performance.now()]]; }, true);
  const stage = document.querySelector('[data-name=stage]');
  new MutationObserver(() => window.log.push([stage.innerText, performance.now()]))
    .observe(stage, {childList: true, characterData: true, subtree: true});
}"""


def measured(scenario: str, joint: str) -> tuple[list[float], list[float]]:
    """Milliseconds to first order, and to the first arms."""
    from playwright.sync_api import sync_playwright

    words = [sys.executable, "-m", "armsim.cli.main", "explore", str(ROOT / scenario), "--no-browser"]
    server = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert server.stderr is not None
    address = next(match[1] for line in server.stderr if (match := re.search(r"open (http://\S+)", line)))
    browser_path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path=browser_path,
                args=["--no-sandbox", "--enable-unsafe-swiftshader", "--use-angle=swiftshader"],
            )
            tab = browser.new_page(viewport={"width": 1280, "height": 800})
            tab.set_default_timeout(60_000)
            tab.goto(address)
            condition = "/^\\d+ arms sampled/.test(document.querySelector('[data-name=stage]')?.innerText || '')"
            tab.wait_for_function(condition)
            tab.click(f'[data-open="{joint}"]')
            path = f"joints.{joint}.mounting.eccentricity"
            tab.wait_for_selector(f'input[data-path="{path}"]')
            tab.evaluate(WATCH)
            actual = []
            for n in range(CHANGES):
                field = tab.locator(f'input[data-path="{path}"]')
                field.fill(f"{21 + n} um")
                field.press("Enter")
                tab.wait_for_function("window.log.length > 2")
                tab.wait_for_function(condition)
                (_, began), *records = tab.evaluate("window.log")
                first = next((at - began for text, at in records if not text.startswith("working")), float("nan"))
                arms = next((at - began for text, at in records if "arms sampled" in text), float("nan"))
                actual.append((first, arms))
            browser.close()
    finally:
        server.terminate()
        server.wait(20)
    return [first for first, _ in actual], [arms for _, arms in actual]


def main() -> None:
    """Print the table."""
    print(f"{'scenario':34s} {'first order':>14s} {'first arms':>14s}   [ms], median (largest)")
    for scenario, joint in CASES.items():
        first, arms = measured(scenario, joint)
        display = [f"{statistics.median(item):.0f} ({max(item):.0f})" for item in (first, arms)]
        print(f"{scenario:34s} {display[0]:>14s} {display[1]:>14s}")


if __name__ == "__main__":
    main()
