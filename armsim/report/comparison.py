"""The folder of a comparison."""

from __future__ import annotations

import csv
import json
import shutil
import tempfile
from pathlib import Path

from armsim import figures
from armsim.decide.compare import Comparison, summary_rows
from armsim.report.bundle import file_name, move_into_place

COMPARISON = {"comparison.json", "tables", "figures"}
"""What it leaves behind."""
UM = 1e6


def write_comparison(out: Path, comparison: Comparison) -> None:
    """Write comparison.json, tables and figures; an earlier comparison there is replaced at the very end."""
    out = out.absolute()
    out.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{out.name}.partial-", dir=out.parent))
    try:
        partial.chmod(0o755)
        text = json.dumps(comparison.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)
        (partial / "comparison.json").write_text(text + "\n", encoding="utf-8")
        (partial / "tables").mkdir()
        rows = summary_rows(comparison)
        with (partial / "tables" / "designs.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        with (partial / "tables" / "differences.csv").open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file)
            table.writerow(["task", "design", "pose", "difference of p95 [um]", "half of its 95 % interval [um]"])
            for row in comparison.differences:
                for name, value, half in zip(row.poses, row.values.tolist(), row.half_widths.tolist(), strict=True):
                    table.writerow([row.task, row.scenario, name, f"{value * UM:.9g}", f"{half * UM:.9g}"])
        (partial / "figures").mkdir()
        first = comparison.results[0]
        for number, row in enumerate(comparison.differences, start=1):
            task = first.task(row.task)
            if task.kind == "slice":
                figure = figures.difference_map(task, row.values, row.half_widths, first.scenario, row.scenario)
                name = f"{number}-{file_name(row.task)}-{file_name(row.scenario)}"
                figure.savefig(partial / "figures" / f"{name}.svg", metadata={"Date": None})
                figure.savefig(partial / "figures" / f"{name}.png")
        move_into_place(partial, out)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
