"""The picture in README, the first page of the demo's review: python tests/pictures.py --write"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pypdfium2 as pdfium

import armsim
from armsim.report.run_folder import write_run_folder

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
PICTURE = ROOT / "scenarios" / "pictures" / "page-one.png"
SCALE = 1.5


def draw(to: Path) -> None:
    """Run the demo and keep its first page."""
    study = armsim.load(DEMO)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "r"
        write_run_folder(folder, study.run(), study.scenario, "armsim run scenarios/bonding-cell.yaml")
        page = pdfium.PdfDocument(folder / "report.pdf")[0].render(scale=SCALE).to_pil()
    to.parent.mkdir(exist_ok=True)
    page.convert("P", palette=1, colors=128).save(to, optimize=True)


if __name__ == "__main__":
    if "--write" in sys.argv:
        draw(PICTURE)
    else:
        print(__doc__)
