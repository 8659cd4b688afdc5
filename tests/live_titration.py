"""A titration as the bench sees it: frame by frame, with readings of the burette; truth known."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.inputs import Job
from endpoint.analysis.pipeline import of_colours
from endpoint.analysis.prepare import job_without_source
from endpoint.analysis.result import Result
from endpoint.bench.journal.events import RunHead
from endpoint.bench.journal.export import done_in, export, head_of
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.reconstruct import colours_of
from endpoint.chemistry.equilibrium import constants_at, speciate
from endpoint.colour.density import ColourSample
from endpoint.delivery.delivery import Delivery
from endpoint.problems import Flag
from endpoint.record.titration import read_record
from sample_media.simulated import BLUE_FORM, RED_FORM, careful_additions
from tests.simulated import flask

RECORD: dict[str, Any] = {
    "format": 1,
    "sample": {"label": "Well 3, north field", "deliveries_ml": [50.0, 50.0], "date": "2026-11-20"},
    "titrant": {"concentration_mol_l": 0.01, "standard_uncertainty_mol_l": 2e-5},
    "delivery": {"mode": "steps", "mixing_lag_s": 1.5},
    "ware": {"burette": {"nominal_ml": 50, "class": "A", "division_ml": 0.1}, "pipette": "A"},
}


def head(**changes: Any) -> RunHead:
    """Head of a run with `RECORD`."""
    return RunHead(RECORD["sample"]["label"], {**RECORD, **changes}, source="a simulation")


@dataclass(frozen=True, eq=False)
class Titration:
    """Additions or a pump, and the colour that follows from the chemistry."""

    delivery: Delivery
    equivalence_ml: float
    end_s: float
    seed: int = 1
    lag_s: float = 1.5
    noise: float = 0.002

    def samples(self, start_s: float, stop_s: float, step_s: float) -> Iterator[ColourSample]:
        """Colours of frames every `step_s`."""
        first, last = (int(np.ceil(t / step_s - 1e-9)) for t in (start_s, stop_s))
        yield from self.colours(first, step_s * np.arange(first, last, dtype=np.float64))

    def colours(self, first: int, times_s: NDArray[np.float64]) -> Iterator[ColourSample]:
        """Colours of frames with numbers from `first` on; a number always has the same noise."""
        content = flask()
        mixed = self.delivery.mixed_volume_at(times_s, self.lag_s)
        f = speciate(content, mixed, constants_at(content.ph)).free_fraction
        thin = content.volume_ml / (content.volume_ml + self.delivery.volume_at(times_s))
        red, blue = np.asarray(RED_FORM), np.asarray(BLUE_FORM)
        clean = thin[:, None] * (red + f[:, None] * (blue - red))
        for k, (time_s, row) in enumerate(zip(times_s.tolist(), clean, strict=True), start=first):
            noisy = row + self.noise * np.random.default_rng([self.seed, k]).standard_normal(3)
            d = (float(noisy[0]), float(noisy[1]), float(noisy[2]))
            yield ColourSample(k, time_s, d, d, (3e-4,) * 3, (0.6,) * 3, 0.01, Flag.NONE)


def stepwise(seed: int = 1, pause_s: float = 9.0) -> Titration:
    """Careful additions to 2.5 mmol/L water with a fifth of magnesium."""
    end = flask().equivalence_ml
    volumes = np.array(careful_additions(end, np.random.default_rng(seed), 0.8))
    volumes = np.round(volumes, 2)
    times = 5.0 + pause_s * np.arange(volumes.size, dtype=np.float64)
    return Titration(Delivery("steps", times, volumes), end, float(times[-1]) + pause_s, seed)


def pumped(rate_ml_min: float = 4.0, start_s: float = 5.0, seed: int = 1) -> Titration:
    """The same with a pump."""
    end = flask().equivalence_ml
    stop_s = start_s + (end + 1.2) * 60.0 / rate_ml_min
    return Titration(Delivery.at_constant_rate(rate_ml_min, start_s), end, stop_s, seed)


def inputs_in(journal: RunJournal, run: int) -> Job:
    """What the exported record of a run and the readings in the journal say."""
    events = journal.events(run)
    with tempfile.TemporaryDirectory() as place:
        export(journal, run, Path(place))
        record = read_record(Path(place) / "record.toml")
        return job_without_source(record, done_in(head_of(events), events).log)


def result_in(journal: RunJournal, run: int) -> Result:
    """Result of a run, from the colours as they stand in the journal."""
    return of_colours(colours_of(journal.events(run)), inputs_in(journal, run))
