"""The session as plain data for the page: a small state for every frame, a curve when it is new."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from endpoint.analysis.result import Result
from endpoint.bench.guidance.colour_names import blueness_of, name_of, place_of
from endpoint.bench.guidance.ports import Guidance
from endpoint.bench.live.classroom import Replicate
from endpoint.bench.live.session import LiveSession
from endpoint.bench.live.volumes import PictureDelivery, Pump, Readings
from endpoint.colour.density import lab_and_rgb
from endpoint.delivery.burette_rows import DROP_ML
from endpoint.problems import Flag
from endpoint.recording.frame import Box
from endpoint.result.document import plain
from endpoint.result.short_words import words_of
from endpoint.scene.region import Region

_READINGS_SHOWN = 200


def state_of_session(session: LiveSession, now_s: float, *, operator: bool) -> dict[str, Any]:
    """State for one page.

    Parameters
    ----------
    session:
        The run.
    now_s:
        Time on its clock.
    operator:
        False for a viewer: while a question is open it is not told how much is left.
    """
    with session.lock:
        titrating = session.phase == "titrating"
        question = session.question
        hide = not operator and question is not None and question.open
        guidance = session.guidance(now_s) if titrating and not hide else None
        state: dict[str, Any] = {
            "say": "state",
            "phase": session.phase,
            "time_s": round(now_s, 2),
            "checks": [asdict(c) for c in session.checks(now_s)]
            if session.phase == "set-up"
            else [],
            "region": _region(session.sight.region),
            "burette": _burette(session),
            "colour": _colour(session),
            "delivered_ml": round(session.delivered_ml(now_s), 4),
            "volumes": _volumes(session),
            "guidance": None if guidance is None else guidance_json(guidance),
            "question": None if question is None else asdict(question),
            "notices": [n.to_json() for n in session.notices.current(now_s)],
            "version": session.version,
            "unfinished": [
                {"run": entry["run"], "label": entry["label"]}
                for entry in (session.unfinished[:5] if session.phase == "set-up" else [])
            ],
        }
    return {key: plain(value) for key, value in state.items()}


def guidance_json(guidance: Guidance) -> dict[str, Any]:
    """Guidance as plain data."""
    return asdict(guidance)


def _region(region: Region | None) -> dict[str, Any] | None:
    if region is None:
        return None
    return {
        "width": region.width,
        "height": region.height,
        "liquid": [list(point) for point in region.liquid_outline],
        "reference": [list(point) for point in region.reference_outline],
    }


def _colour(session: LiveSession) -> dict[str, Any] | None:
    latest = session.sight.latest()
    if latest is None or latest.flags & (Flag.DARK | Flag.LIQUID_LOST):
        return None
    hue, _, rgb = lab_and_rgb(np.array([latest.display_density]))
    blueness = blueness_of(np.array(latest.density))
    return {
        "hex": _hex(rgb[0]),
        "name": name_of(blueness),
        "place": None if blueness is None else round(place_of(blueness), 4),
        "hue_deg": round(float(hue[0]), 1),
    }


def _hex(rgb: Any) -> str:
    return "#" + "".join(f"{int(v):02x}" for v in rgb)


def _volumes(session: LiveSession) -> dict[str, Any] | None:
    volumes = session.volumes
    if isinstance(volumes, Readings):
        return {"kind": "burette", "rows": volumes.to_json()[-_READINGS_SHOWN:]}
    if isinstance(volumes, Pump):
        return {"kind": "pump", **asdict(volumes)}
    if isinstance(volumes, PictureDelivery):
        return {
            "kind": volumes.way,
            "begun_s": volumes.begun_s,
            "start_ml": volumes.start_ml,
            "end_ml": volumes.end_ml,
            "text": _seen_text(volumes),
        }
    return None


def _seen_text(volumes: PictureDelivery) -> str:
    """What the volume in the picture rests on, one sentence."""
    if volumes.logged is None:
        return "No volume is seen yet."
    sigma = volumes.sigma_ml or 0.0
    known = f"{volumes.delivered_ml:.2f} mL, {2.0 * sigma:.2f} mL either way (95 %)"
    if volumes.way == "drops":
        told = f"{volumes.drops} drops, {known}"
        why = f"a drop is taken as {DROP_ML[0]:g} mL, {2.0 * DROP_ML[1]:g} mL either way"
    else:
        told, why = f"Meniscus: {known}", "the scale is that of the printed lines"
    if volumes.end_ml is not None:
        return f"{told}, by both readings."
    return f"{told}. Provisional: {why}, until the end reading is typed."


def _burette(session: LiveSession) -> dict[str, Any]:
    """Boxes by hand and where the burette was found, in pixels of the pictures."""
    seen, sight = session.seen, session.sight
    hands = {**sight.boxes, **seen.boxes}
    found = seen.box
    return {
        "picture": None if sight.size is None else list(sight.size),
        "boxes": {name: _sides(box) for name, box in hands.items()},
        "way": seen.way,
        "found": None if found is None else _sides(found),
    }


def _sides(box: Box) -> list[int]:
    return [box.left, box.top, box.right, box.bottom]


def curve_of_session(session: LiveSession) -> dict[str, Any]:
    """Curve and document; sent only when the version has changed."""
    with session.lock:
        result, document, version = session.result, session.document, session.version
        replicates = [replicate_json(k, r) for k, r in enumerate(session.replicates)]
        guess = session.question.guess_ml if session.question is not None else None
        form = dict(session.form)
    return {
        "say": "curve",
        "version": version,
        "points": [] if result is None else points_of(result),
        "document": document,
        "words": None if result is None or document is None else words_of(document),
        "replicates": replicates,
        "guess_ml": guess,
        "form": form,
    }


def points_of(result: Result) -> list[list[Any]]:
    """Points of the curve: volume in mL, place between red (0) and blue (1), colour.

    Once the end is located the place is the free fraction of the fit against the volume that the
    liquid had felt, as in the report; before, it is told from the colour alone.
    """
    curve, fit = result.curve, result.fit
    if curve is None:
        return []
    if result.status == "located" and fit is not None:
        volumes, places = fit.mixed_volume_ml, [float(f) for f in fit.free_fraction]
        if np.isfinite(places).all() and np.isfinite(volumes).all():
            order = np.argsort(volumes, kind="stable")
            return [
                [round(float(volumes[k]), 4), round(places[k], 4), _hex(curve.rgb[k])]
                for k in order
            ]
    points: list[list[Any]] = []
    for volume, density, rgb in zip(curve.volume_ml, curve.density, curve.rgb, strict=True):
        blueness = blueness_of(density)
        if blueness is not None:
            points.append([round(float(volume), 4), round(place_of(blueness), 4), _hex(rgb)])
    return points


def replicate_json(number: int, replicate: Replicate) -> dict[str, Any]:
    """One line of the list of replicates."""
    volume = replicate.words.get("volume", {})
    amounts = replicate.words.get("amounts", [])
    return {
        "number": number + 1,
        "label": replicate.label,
        "status": replicate.document.get("status"),
        "volume": f"{volume.get('value', '')} {volume.get('rest', '')}".strip(),
        "amount": amounts[0]["text"] if amounts else "",
    }
