"""From the colours and volumes of a run that goes on to its result and its document; pure.

At its end the result comes from the journal, see `endpoint.bench.journal.run_record`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.of_curve import result_of_curve
from endpoint.analysis.result import Result
from endpoint.bench.guidance.plume import Sight
from endpoint.bench.journal.events import Kept
from endpoint.bench.journal.run_record import result_of
from endpoint.bench.live.volumes import PictureDelivery, Readings, Volumes
from endpoint.burette.picture_volume import level_spans
from endpoint.colour.density import ColourTrace
from endpoint.curve.gathering import from_colour
from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem, UnseenVolume
from endpoint.result.document import document, edta_constants, programs
from endpoint.scene.region import Region
from endpoint.verdict.verdict import volume_unseen

_PAUSE_PAST_S = 20.0
"""How long ago the last pause of a pump may have ended, s, and its mixing still be looked at.
Assumed."""


def result_of_run(
    job: AnalysisInputs,
    volumes: Volumes,
    trace: ColourTrace,
    region: Region | None,
    details: Mapping[str, str],
    *,
    sight: Sight | None = None,
) -> Result:
    """Result of what was seen so far.

    Parameters
    ----------
    job:
        What was stated before the run.
    volumes:
        What was delivered. A burette that the picture shows may have no volume yet.
    trace, region, details:
        Colours, where they were seen, and where the pictures came from.
    sight:
        When the addition of each reading ended, as far as the picture shows it: people type later.
    """
    logged = volumes.logged if isinstance(volumes, PictureDelivery) else None
    seen = None if logged is None else logged.seen
    delivery = volumes.delivery() if seen is None else seen.delivery
    if seen is not None:
        delivery = _with_pauses(delivery, trace)
    if isinstance(volumes, Readings):
        times_s = delivery.time_s if sight is None else sight.times_of(delivery.time_s)
        delivery = replace(delivery, time_s=times_s)
    job = replace(job, delivery=delivery, logged=seen)
    curve = from_colour(trace, delivery, job.flask_ml, job.priors.lag_s[0])
    return replace(
        result_of_curve(job, curve, seen=seen), region=region, source_details=dict(details)
    )


def ended_result(
    job: AnalysisInputs,
    events: Sequence[Kept],
    volumes: Volumes,
    region: Region | None,
    details: Mapping[str, str],
) -> Result | None:
    """Result of a run that has ended, as an export of it gives it; None if nothing was delivered.

    Parameters
    ----------
    job, volumes, region, details:
        As of `result_of_run`.
    events:
        All that the journal holds of the run.
    """
    trouble = volumes.trouble if isinstance(volumes, PictureDelivery) else None
    if isinstance(trouble, UnseenVolume):
        # Without a volume that the picture surely shows there is no result.
        return Result(job, volume_unseen(trouble), source_details=dict(details))
    try:
        result = result_of(events)
    except DeliveryProblem:
        return None
    return replace(result, region=region, source_details=dict(details))


def _with_pauses(delivery: Delivery, trace: ColourTrace) -> Delivery:
    """Delivery in which even a few pauses count, so that a plume is not taken for the liquid.

    A film as a whole needs many of them; at the burette the first may be the only one. Where the
    last is long ago, titrant is added without pauses, and all that is seen counts.
    """
    spans = level_spans(delivery.time_s, delivery.volume_ml)
    if not len(spans) or not trace.time_s.size:
        return delivery
    now_s = float(trace.time_s[-1])
    return replace(delivery, pauses_s=spans) if spans[-1, 1] > now_s - _PAUSE_PAST_S else delivery


def document_of_run(result: Result, mode: str, details: Mapping[str, str]) -> dict[str, Any]:
    """The document that `endpoint locate --json` prints, for a live result.

    Parameters
    ----------
    result:
        Of the run.
    mode:
        How the titrant was added, see `Setting.mode`.
    details:
        Where the pictures come from.
    """
    provenance = {
        **programs(),
        "record": "live",
        "medium_kind": "colours",
        "source": dict(details),
        "delivery": mode,
        "edta_constants": edta_constants(result.job.indicator),
    }
    return document(result, provenance)
