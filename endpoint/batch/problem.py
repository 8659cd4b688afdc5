"""What can stop a whole batch; a bad recording cannot."""

from __future__ import annotations

from calibration.problem import Problem


class BatchProblem(Problem):
    """A batch cannot begin or go on."""

    code = "batch"


class BatchStopped(BatchProblem):
    """A person stopped the batch; finished recordings are kept."""

    exit_code = 130
