"""Where the numbers of a live run come from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from endpoint.analysis.pipeline import Result
from endpoint.bench.live.form import Setting
from endpoint.result.document import document


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
            "edta_constants": "log K CaY 10.65, MgY 8.79; pKa set fifield-kealey; "
            "fitted shift stated",
        }
        return document(result, provenance)

    return describe
