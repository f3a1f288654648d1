"""Entrance of the page: the session that it shows, or none yet, and where its scenario comes from."""

from __future__ import annotations

import shutil
import tempfile
import threading
from importlib.resources import as_file, files
from pathlib import Path

from armsim.explorer.recent import remember
from armsim.explorer.session import Inputs, Session
from armsim.run_options import RunOptions


def demo_files() -> tuple[Path, Path, Path]:
    """Copy the demo into a temporary folder.

    Returns
    -------
    folder, scenario, catalogue : Path
    """
    folder = Path(tempfile.mkdtemp(prefix="armsim-demo-"))
    with as_file(files("armsim.cli").joinpath("demo")) as demo:
        shutil.copytree(demo, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.png"))
    return folder, folder / "scenarios" / "bonding-cell.yaml", folder / "configs" / "catalogues" / "discs.yaml"


class Entrance:
    """The session of a server, which may be chosen after it has started.

    Parameters
    ----------
    run_options : RunOptions
        Those of the session.
    command : str
        Command that starts the server again.
    """

    def __init__(self, run_options: RunOptions, command: str = "armsim explore") -> None:
        self.run_options, self.command = run_options, command
        self.session: Session | None = None
        self._demo: Path | None = None
        self._lock = threading.Lock()

    def enter(self, session: Session, demo: Path | None = None) -> None:
        """Begin a session; ``demo`` is the temporary folder of the demo, where it is shown.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        session.begin()
        self.session, self._demo = session, demo
        if demo is None:
            remember(session.file)

    def choose(self, scenario: Path | None) -> None:
        """Begin a session on a scenario, or on the demo; where there is one already, nothing changes.

        Raises
        ------
        InputError
            A fault in the files.
        RunError
            A task has no pose that the arm can reach.
        """
        with self._lock:
            if self.session is not None:
                return
            folder, catalogue = None, None
            if scenario is None:
                folder, scenario, catalogue = demo_files()
            self.enter(Session(Inputs.read(scenario, catalogue), self.run_options), folder)

    def leave(self) -> None:
        """End the session; the folder of the demo goes, unless something was saved in it."""
        if self.session is None:
            return
        self.session.end()
        if self._demo is not None and self.session.saved is None:
            shutil.rmtree(self._demo, ignore_errors=True)
