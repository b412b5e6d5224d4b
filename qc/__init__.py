"""Measures finished cakes from photographs; the modules are the stages of the work (see DEVELOPERS.md)."""

import os

__version__ = "0.1.0"

# Before numpy is loaded: the fit solves many small systems, for which the threads of its linear algebra only wait for
# each other (a check took six times as long with them). Stages run side by side instead.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
