"""The bench as it is used: guidance by prediction, checks of the set-up, the journal."""

from __future__ import annotations

from dataclasses import replace

from endpoint.analysis.result import Result
from endpoint.bench.guidance import ports
from endpoint.bench.guidance.guide import Bench, Guidance, Pace, guide
from endpoint.bench.guidance.plain_guidance import unseen
from endpoint.bench.guidance.setup_checks import Check, setup_checks
from endpoint.bench.guidance.words import left_sentence
from endpoint.equivalence.fit import Estimate

_Z90 = 1.645
_NOT_YET = "Not to be told yet."


def adviser(result: Result | None, moment: ports.Moment) -> ports.Guidance:
    """Guidance from the curve of the last conclusion; see `ports.Adviser`."""
    if result is None or result.curve is None or moment.blueness is None:
        return unseen(moment.delivered_ml)
    job, curve = result.job, result.curve
    pace = Pace(pump=moment.pump)
    if moment.pump and curve.delivery is not None:
        rate = float(curve.delivery.rate_ml_s_at(moment.now_s))
        pace = Pace(pump=True, pour_ml_s=rate) if rate > 0.0 else pace
    bench = Bench(
        titrant_mol_l=job.titrant_mol_l.value,
        priors=job.priors,
        pace=pace,
        expected_ml=moment.expected_ml,
    )
    told = _told(guide(curve, bench, now_s=moment.now_s, plume=moment.plume))
    end = result.equivalence
    return told if end is None or result.status != "located" else passed(told, end)


def passed(told: ports.Guidance, end: Estimate) -> ports.Guidance:
    """Guidance that the end has passed, by the located end: the number that the curve shows too.

    Other guidance, and one that this end does not bear out, stays as it is.
    """
    spread = _Z90 * end.standard_uncertainty_ml
    left = end.value_ml - told.delivered_ml
    if told.code != "passed" or left + spread > 0.0:
        return told
    text = left_sentence(left, left - spread, left + spread, 0.0)
    return replace(
        told,
        spoken=f"{told.title}. {text}",
        left_text=text,
        left_ml=left,
        left_low_ml=left - spread,
        left_high_ml=left + spread,
    )


def _told(guidance: Guidance) -> ports.Guidance:
    return ports.Guidance(
        code=guidance.code,
        title=guidance.title,
        words=guidance.words,
        shape=guidance.shape,
        place=guidance.place,
        tone=guidance.tone,
        spoken=guidance.spoken,
        left_text=guidance.left_text,
        delivered_ml=guidance.delivered_ml,
        left_ml=guidance.left_ml,
        left_low_ml=guidance.left_low_ml,
        left_high_ml=guidance.left_high_ml,
    )


def checker(set_up: ports.SetUp) -> tuple[ports.Check, ...]:
    """Lines of the set-up page; see `ports.Checker`."""
    if not set_up.camera_alive:
        return (
            ports.Check(
                "camera",
                "fault",
                "No pictures come from the camera.",
                "Choose a camera, allow its use, or check its plug.",
            ),
        )
    found = setup_checks(set_up.region, set_up.samples)
    looking = set_up.region is None and set_up.trouble is None
    return (
        ports.Check("camera", "good", "The camera gives pictures."),
        *(_line(check, looking) for check in found),
    )


def _line(check: Check, looking: bool) -> ports.Check:
    if check.passed:
        return ports.Check(check.code, "good", check.sentence)
    waits = looking or check.sentence == _NOT_YET
    text = "Looking at the picture." if looking else check.sentence
    return ports.Check(check.code, "wait" if waits else "fault", text, check.remedy)
