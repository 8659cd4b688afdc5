"""What tests of more than one file share."""

from __future__ import annotations

import os

# The workers of xdist inherit it: threads of two processes on two cores wait for each other.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ.setdefault(_name, "1")
