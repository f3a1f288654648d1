"""Figures without content, for tests about something else: to lay them out takes nine tenths of the time of a review.

`python tests/blank_figures.py WORDS` is the command `armsim WORDS` in a process of its own, with such figures.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any


def blank_figure(path: Path, figure: Any) -> tuple[()]:
    """In place of `armsim.report.drawing.save_figure`: a picture of nothing, without spots."""
    width, height = 72 * figure.get_size_inches()
    size = f'width="{width:g}pt" height="{height:g}pt" viewBox="0 0 {width:g} {height:g}"'
    path.with_name(f"{path.name}.svg").write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {size}/>')
    return ()


if __name__ in ("__main__", "__mp_main__"):  # helper processes draw blank too
    from armsim.report import drawing

    drawing.save_figure = blank_figure  # type: ignore[assignment]
if __name__ == "__main__":
    from armsim.cli.main import main

    sys.argv[0] = "armsim"
    main()
