"""Helpers on the path; poses kept by the tests of one run alone."""

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

CACHE = tempfile.TemporaryDirectory(prefix="armsim-tests-")
os.environ["XDG_CACHE_HOME"] = CACHE.name  # of the commands that tests start, too
