"""Where the numbers of a live run come from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from endpoint.analysis.pipeline import Result
from endpoint.bench.live.form import Setting
from endpoint.result.document import document, edta_constants


def describe_live(details: Mapping[str, str]) -> Callable[[Result, Setting], dict[str, Any]]:
    """Function that turns a live result into the document that `endpoint locate --json` prints.

    Parameters
    ----------
    details:
        Where the pictures come from.
    """

    def describe(result: Result, setting: Setting) -> dict[str, Any]:
        provenance = {
            "record": "live",
            "source": dict(details),
            "delivery": setting.mode,
            "edta_constants": edta_constants(result.job.indicator),
        }
        return document(result, provenance)

    return describe
