"""The pictures in README, the first page of the demo's review and its map: python tests/pictures.py --write"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pypdfium2 as pdfium
from PIL import Image

import armsim
from armsim.report.run_folder import write_run_folder

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
PICTURES = ROOT / "scenarios" / "pictures"
SCALE, WIDTH = 1.5, 900


def draw(to: Path) -> None:
    """Run the demo and keep its first page and its map."""
    study = armsim.load(DEMO)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "r"
        write_run_folder(folder, study.run(), study.scenario, "armsim run scenarios/bonding-cell.yaml")
        page = pdfium.PdfDocument(folder / "report.pdf")[0].render(scale=SCALE).to_pil()
        cells = Image.open(folder / "figures" / "2-side-view-map.png").convert("RGB")
    to.mkdir(exist_ok=True)
    page.convert("P", palette=1, colors=224).save(to / "page-one.png", optimize=True)
    cells.thumbnail((WIDTH, WIDTH))
    cells.convert("P", palette=1, colors=224).save(to / "side-view.png", optimize=True)


if __name__ == "__main__":
    if "--write" in sys.argv:
        draw(PICTURES)
    else:
        print(__doc__)
