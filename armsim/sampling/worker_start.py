"""What worker processes need, loaded when this module is imported: by the one process from which they are forked."""

import scipy.special  # noqa: F401

import armsim.sampling.process_sampling  # noqa: F401
from armsim.core.precompile import JOBS

for _name in ("visits of arms", "quantiles", "poses", "ranks of arms", "integrals over visits", "moments of arms"):
    JOBS[_name].compile()  # or load, where the cache holds it
