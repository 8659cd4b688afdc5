"""The session as plain data for the page: a small state for every frame, a curve when it is new."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from endpoint.analysis.result import Result
from endpoint.bench.guidance.said import Guidance
from endpoint.bench.journal.pump import Pump
from endpoint.bench.journal.run_list import RunEntry
from endpoint.bench.live.camera_view import CameraView
from endpoint.bench.live.session import LiveSession
from endpoint.bench.live.volumes import PictureDelivery, Readings, Volumes
from endpoint.burette.burette_rows import DROP_ML
from endpoint.chemistry.indicator_file import indicator_names
from endpoint.colour.density import lab_and_rgb
from endpoint.curve.colour_names import blueness_of, name_of, place_of
from endpoint.problems import Flag
from endpoint.recording.frame import Box
from endpoint.result.document import plain
from endpoint.result.short_words import words_of
from endpoint.scene.region import Region

_READINGS_SHOWN = 200
"""Readings that a page lists, the last ones."""


def state_of_session(session: LiveSession, now_s: float, *, operator: bool) -> dict[str, Any]:
    """State for one page.

    Parameters
    ----------
    session:
        The run.
    now_s:
        Time on its clock.
    operator:
        False for a viewer, who does not see how much is left while a question is open.
    """
    with session.lock:
        run, question = session.run, session.classroom.question
        hide = not operator and session.classroom.asked
        guidance = None if run is None or run.over or hide else run.guidance(now_s)
        state: dict[str, Any] = {
            "say": "state",
            "phase": session.phase,
            "time_s": round(now_s, 2),
            "checks": [asdict(c) for c in session.checks(now_s)]
            if session.phase == "set-up"
            else [],
            "region": _region(session.view.region),
            "choice": _choice(session.view) if session.phase == "set-up" else None,
            "burette": _burette(session),
            "colour": _colour(session),
            "delivered_ml": round(session.delivered_ml(now_s), 4),
            "volumes": None if run is None else _volumes(run.volumes),
            "guidance": None if guidance is None else guidance_json(guidance),
            "question": None if question is None else asdict(question),
            "notices": [n.to_json() for n in session.notices.current(now_s)],
            "version": session.version,
            "unfinished": [
                {"run": str(entry.run), "label": entry.head.label}
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


def _choice(view: CameraView) -> dict[str, Any] | None:
    """What else could be the liquid, while it is not settled by hand."""
    start = view.start
    if start is None:
        return None
    return {
        "sure": start.sure,
        "kept": view.kept,
        "which": view.which,
        "bodies": [[list(point) for point in outline] for outline in start.outlines],
    }


def _colour(session: LiveSession) -> dict[str, Any] | None:
    latest = session.view.latest()
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


def _volumes(volumes: Volumes) -> dict[str, Any]:
    if isinstance(volumes, Readings):
        rows = volumes.to_json()[-_READINGS_SHOWN:]
        return {"kind": "burette", "rows": rows, "undo": volumes.undo_words}
    if isinstance(volumes, Pump):
        return {
            "kind": "pump",
            "rate_ml_min": volumes.rate_ml_min,
            "start_s": volumes.start_s,
            "running": volumes.running,
            "undo": volumes.undo_words,
        }
    return {
        "kind": volumes.way,
        "begun_s": volumes.begun_s,
        "start_ml": volumes.start_ml,
        "end_ml": volumes.end_ml,
        "text": _seen_text(volumes),
    }


def _seen_text(volumes: PictureDelivery) -> str:
    """What the volume in the picture rests on, one sentence."""
    if volumes.logged is None:
        return "The picture shows no volume yet."
    sigma = volumes.sigma_ml or 0.0
    known = f"{volumes.delivered_ml:.2f} mL, {2.0 * sigma:.2f} mL either way (95 %)"
    if volumes.way == "drops":
        found = f"{volumes.drops} drops, {known}"
        why = f"it assumes {DROP_ML[0]:g} mL a drop, {2.0 * DROP_ML[1]:g} mL either way"
    else:
        found, why = f"Meniscus: {known}", "its scale comes from the printed lines"
    if volumes.end_ml is not None:
        return f"{found}, from both readings."
    return f"{found}. Provisional until you type the end reading: {why}."


def _burette(session: LiveSession) -> dict[str, Any]:
    """Boxes by hand and where the burette was found, in pixels of the pictures."""
    burette, view = session.burette, session.view
    hands = {**view.boxes, **burette.boxes}
    found = burette.box
    return {
        "picture": None if view.size is None else list(view.size),
        "boxes": {name: _sides(box) for name, box in hands.items()},
        "way": burette.way,
        "found": None if found is None else _sides(found),
    }


def _sides(box: Box) -> list[int]:
    return [box.left, box.top, box.right, box.bottom]


def curve_of_session(session: LiveSession) -> dict[str, Any]:
    """Curve and document; sent only when the version has changed."""
    with session.lock:
        run, classroom, version = session.run, session.classroom, session.version
        result, document = (None, None) if run is None else (run.result, run.document)
        series = classroom.series
        guess = None if classroom.question is None else classroom.question.guess_ml
        form = dict(session.form)
    return {
        "say": "curve",
        "version": version,
        "points": [] if result is None else points_of(result),
        "document": document,
        "words": None if result is None or document is None else words_of(document),
        "replicates": [entry_json(entry) for entry in series.entries],
        "mean": series.mean,
        "discarded": None if run is None or run.discarded is None else run.discarded[1],
        "choices": {
            "certificates": [asdict(offer) for offer in session.offered],
            "indicators": list(indicator_names()),
        },
        "last_reading_ml": session.last_reading_ml,
        "guess_ml": guess,
        "form": form,
    }


def points_of(result: Result) -> list[list[Any]]:
    """Points of the curve: volume in mL, place between red (0) and blue (1), colour.

    Once the end is located the place is the free fraction of the fit against the volume that the
    liquid had mixed in, as in the report; before, it comes from the colour alone.
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


def entry_json(entry: RunEntry) -> dict[str, Any]:
    """One line of the list of replicates."""
    known = entry.result or {}
    words = words_of(known) if {"equivalence_ml", "hardness"} <= known.keys() else {}
    volume, amounts = words.get("volume", {}), words.get("amounts", [])
    return {
        "run": entry.run,
        "replicate": entry.head.replicate,
        "label": entry.head.label,
        "status": entry.status,
        "volume": f"{volume.get('value', '')} {volume.get('rest', '')}".strip(),
        "amount": amounts[0]["text"] if amounts else "",
    }
