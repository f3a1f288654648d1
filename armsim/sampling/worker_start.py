"""Loads what worker processes need, when it is imported by the process from which they are forked."""

import scipy.special  # noqa: F401

import armsim.sampling.process_sampling  # noqa: F401
from armsim.core.precompile import JOBS

for _name in ("visits of arms", "quantiles", "poses", "ranks of arms", "integrals over visits", "moments of arms"):
    JOBS[_name].compile()  # or load from the cache
