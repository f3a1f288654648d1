"""How long a change takes to be seen on the page, how soon a job stops, how memory grows: python tests/benchmarks/page.py [CHANGES]

Milliseconds from a change typed in the browser to the first-order numbers, to the first sampled ones and to those of
the whole population, as the browser shows them, median of nine; of the demo and of the arm on a track. Seconds from the
button that stops a job to its end, for every job of the demo. Memory of server and page over CHANGES changes (0 where
not given). Chromium with software drawing and playwright are needed; nothing else should run meanwhile: the load of the
machine is printed.
"""

from __future__ import annotations

import os
import re
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
DEMO, CATALOGUE = "scenarios/bonding-cell.yaml", "configs/catalogues/discs.yaml"
CASES = {DEMO: "j2", "scenarios/track-cell.yaml": "j2"}
CHANGES = 9
CALIBRATION = "calibration={instrument: {std: 20 um}, poses: {candidates: 150, count: 30}, identify: {zeros: true}}"
JOBS = {
    "cheapest": "",
    "worth": "",
    "sweep": "sweep-go",
    "sensitivity": "sensitivity-go",
    "calibrate": "",
    "review": "",
}
"""Buttons of jobs, with the button of the dialog that they open."""
FEW_ARMS = "sampling={units: 64, visits: 4, seed: 7}"
"""Sampling while memory is measured: what one answer holds is the same after every change, so that few arms suffice."""
SETTLED = 300
"""Changes after which memory is compared: the history is full, the browser has compiled its scripts."""
BROWSER = ("--no-sandbox", "--enable-unsafe-swiftshader", "--use-angle=swiftshader", "--disable-gpu-compositing")
SAMPLED = "/^\\d+ arms sampled/.test(document.querySelector('[data-name=stage]')?.innerText || '')"
WATCH = """() => {
  window.log = [];
  document.addEventListener('keydown', e => { if (e.key === 'Enter') window.log = [['typed', performance.now()]]; }, true);
  const stage = document.querySelector('[data-name=stage]');
  new MutationObserver(() => window.log.push([stage.innerText, performance.now()]))
    .observe(stage, {childList: true, characterData: true, subtree: true});
}"""


@contextmanager
def opened(scenario: str, *words: str) -> Iterator[tuple[Any, int]]:
    """A tab on a page with every arm sampled, and the process of its server."""
    from playwright.sync_api import sync_playwright

    command = [sys.executable, "-m", "armsim.cli.main", "explore", str(ROOT / scenario), "--no-browser", *words]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert server.stderr is not None
    address = next(match[1] for line in server.stderr if (match := re.search(r"open (http://\S+)", line)))
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=path, args=list(BROWSER))
            tab = browser.new_page(viewport={"width": 1280, "height": 800})
            tab.set_default_timeout(120_000)
            tab.goto(address)
            tab.wait_for_function(SAMPLED)
            if tab.locator("[data-name=tour-skip]").count():
                tab.click("[data-name=tour-skip]")
            yield tab, server.pid
            browser.close()
    finally:
        server.terminate()
        server.wait(20)


def field_of(tab: Any, joint: str) -> Any:
    """Field of the eccentricity of a joint, which is unfolded."""
    path = f'input[data-path="joints.{joint}.mounting.eccentricity"]'
    if not tab.locator(path).count():
        tab.click(f'[data-open="{joint}"]')
        tab.wait_for_selector(path)
    return tab.locator(path)


def times(tab: Any, joint: str) -> dict[str, list[float]]:
    """Milliseconds from a change to first order, first arms and all arms."""
    field = field_of(tab, joint)
    tab.evaluate(WATCH)
    out: dict[str, list[float]] = {"first order": [], "first arms": [], "all arms": []}
    for n in range(CHANGES):
        field.fill(f"{21 + n} um")
        field.press("Enter")
        tab.wait_for_function("window.log.length > 2")
        tab.wait_for_function(SAMPLED)
        (_, began), *records = tab.evaluate("window.log")
        for name, pattern in (
            ("first order", r"(?!working)"),
            ("first arms", r"\d+ .*arms"),
            ("all arms", r"\d+ arms"),
        ):
            out[name].append(next((at - began for text, at in records if re.match(pattern, text)), float("nan")))
    return out


def stops(tab: Any) -> Iterator[tuple[str, float]]:
    """Seconds from the click on "stop" to the end of every job; nan where it was done before."""
    for job, button in JOBS.items():
        tab.click(f"[data-name={job}]")
        if button:
            tab.click(f"[data-name={button}]")
        tab.wait_for_selector("[data-name=halt]")
        tab.wait_for_timeout(1000)  # in the midst of its work
        seconds = float("nan")
        if tab.locator("[data-name=halt]").count():
            began = time.monotonic()
            tab.click("[data-name=halt]")
            tab.wait_for_selector("[data-name=halt]", state="detached")
            seconds = time.monotonic() - began
        yield job, seconds


def memory(tab: Any, server: int) -> tuple[float, float]:
    """Memory of the server and of the scripts of the page. [MB]"""
    status = Path(f"/proc/{server}/status").read_text()
    resident = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
    client = tab.context.new_cdp_session(tab)
    client.send("HeapProfiler.collectGarbage")
    heap = client.send("Runtime.getHeapUsage")["usedSize"]
    client.detach()
    return resident / 1024, heap / 1e6


def growth(tab: Any, server: int, joint: str, changes: int) -> Iterator[tuple[int, float, float]]:
    """Changes, and memory after them."""
    field = field_of(tab, joint)
    for n in range(1, changes + 1):
        before = tab.get_attribute("[data-name=stage]", "data-design")
        field.fill(f"{10 + 0.01 * n:.2f} um")
        field.press("Enter")
        tab.wait_for_function(
            "(old) => { const key = document.querySelector('[data-name=stage]').dataset.design; return key && key !== old }",
            arg=before,
        )
        if n % 100 == 0:
            yield n, *memory(tab, server)


def load() -> str:
    """Load of the machine, in words."""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors"


def main() -> None:
    """Print the tables."""
    print(f"{'scenario':34s} {'first order':>14s} {'first arms':>14s} {'all arms':>14s}   [ms], median (largest)")
    for scenario, joint in CASES.items():
        with opened(scenario) as (tab, _):
            display = [f"{statistics.median(item):.0f} ({max(item):.0f})" for item in times(tab, joint).values()]
        print(f"{scenario:34s} {display[0]:>14s} {display[1]:>14s} {display[2]:>14s}   {load()}", flush=True)
    with opened(DEMO, "--catalogue", str(ROOT / CATALOGUE), "--set", CALIBRATION) as (tab, _):
        for job, seconds in stops(tab):
            print(f"stop of {job:26s} {seconds:14.2f} s", flush=True)
    changes = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    if changes:
        with opened(DEMO, "--set", FEW_ARMS) as (tab, server):
            settled = None
            for n, resident, heap in growth(tab, server, CASES[DEMO], changes):
                settled = (resident, heap) if n <= SETTLED or settled is None else settled
                relative = f"{resident / settled[0] - 1:+.1%} {heap / settled[1] - 1:+.1%}"
                print(
                    f"{n:5d} changes: server {resident:.0f} MB, page {heap:.1f} MB ({relative})   {load()}", flush=True
                )


if __name__ == "__main__":
    main()
