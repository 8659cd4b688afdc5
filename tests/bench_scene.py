"""A drawn scene whose colours come from the mass balances, for the live session."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from endpoint.bench.live.session import LiveSession
from endpoint.chemistry.equilibrium import Flask, constants_at
from endpoint.colour.density import UNSHARE, ColourSample
from endpoint.colour.follow import follow
from endpoint.recording.frame import ArrayFrame, Box
from endpoint.scene.region import locate
from sample_media.simulated import Plan, simulate
from tests.bench_server import Bench, new_session

FLASK = Flask(
    volume_ml=105.0, calcium_mmol=0.06, magnesium_mmol=0.02, indicator_umol=1.0, titrant_mol_l=0.01
)
CONSTANTS = constants_at(FLASK.ph, FLASK.edta_set)
TRUE_ML = 8.0
ADDITIONS = (0.0, 2.0, 4.0, 6.0, 7.0, 7.4, 7.6, 7.7, 7.8, 7.85, 7.9, 7.95, 8.0, 8.1, 8.2, 8.4, 8.7)
PAUSE_S, RATE = 4.0, 5.0
FILM_START_S = 4.0
LIQUID, WHITE = Box(60, 50, 110, 90), Box(8, 60, 40, 92)
FORM_VALUES = {
    "label": "Drawn water", "sample_ml": 100.0, "fillings": 2, "added_ml": 5.0,
    "titrant_mol_l": 0.01, "mode": "steps", "lag_s": 0.2, "lag_uncertainty_s": 0.1,
}  # fmt: skip


@cache
def frames(lead_s: float = FILM_START_S) -> list[ArrayFrame]:
    """A white ground with a coloured patch, additions every `PAUSE_S` seconds after a lead.

    Drawn once, so nobody may change the list.
    """
    table = simulate(Plan(FLASK, CONSTANTS, additions_ml=ADDITIONS, noise=0.0))
    count = round((lead_s + PAUSE_S * len(ADDITIONS)) * RATE)
    steps = [max(0, int((k / RATE - lead_s) // PAUSE_S)) for k in range(count)]
    return _drawn(table.density[np.minimum(steps, len(ADDITIONS) - 1)])


def pump_frames(rate_ml_min: float, lead_s: float = 4.0, lag_s: float = 0.2) -> list[ArrayFrame]:
    """The same with a pump that starts after the lead and runs on past the end."""
    table = simulate(
        Plan(FLASK, CONSTANTS, rate_ml_min=rate_ml_min, stop_ml=TRUE_ML + 1.0, lag_s=lag_s,
             row_interval_s=1.0 / RATE, noise=0.0)
    )  # fmt: skip
    before = np.repeat(table.density[:1], round(lead_s * RATE), axis=0)
    return _drawn(np.vstack([before, table.density]))


def _drawn(density: np.ndarray) -> list[ArrayFrame]:
    """One frame for each density, shape (n, 3)."""
    # A camera mixes channels; the tool mixes them back, so they are mixed here.
    mixed = np.linalg.inv(UNSHARE)
    rng = np.random.default_rng(5)
    out = []
    for k, row in enumerate(density):
        picture = np.full((120, 160, 3), 0.7)
        picture[30:100, 50:120] = 0.7 * (mixed @ 10.0**-row)
        picture *= 1.0 + 0.01 * rng.standard_normal(picture.shape)
        encoded = 1.055 * np.clip(picture, 0.0031308, 1.0) ** (1 / 2.4) - 0.055
        out.append(ArrayFrame(k, k / RATE, np.rint(255 * encoded).astype(np.uint8)))
    return out


def ready(film: list[ArrayFrame], **parts: Any) -> LiveSession:
    session = new_session(**parts)
    session.view.look_at(locate(film[:5], LIQUID, WHITE))
    return session


def place(bench: Bench, film: list[ArrayFrame]) -> None:
    """Show a bench where liquid and white reference of the film are."""
    region = ready(film).view.region
    assert region is not None
    bench.session.view.look_at(region)


def titrate(session: LiveSession, film: list[ArrayFrame], *, upto: int = len(ADDITIONS)) -> float:
    """Play the film with its first readings; returns the last time that was seen."""
    begun, entered = False, 1
    for frame in film:
        if not begun and frame.time_s >= 3.0:
            session.begin(FORM_VALUES, frame.time_s)
            begun = True
        while entered < upto and frame.time_s >= 4.0 + PAUSE_S * entered - 1e-9:
            session.running().reading(ADDITIONS[entered], 4.0 + PAUSE_S * entered - 0.001)
            entered += 1
        if entered == upto and frame.time_s > 4.0 + PAUSE_S * (entered + 0.9):
            break
        session.see(frame)
    return frame.time_s


def colours_of_frames(lead_s: float = FILM_START_S) -> list[ColourSample]:
    """Colours of the frames, as they are measured."""
    film = frames(lead_s)
    return list(follow(film, locate(film[:5], LIQUID, WHITE)))
