"""The renderer returns the truth it was given."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sample_media import light
from sample_media.render import (
    SAMPLES,
    Recipe,
    family,
    mixed_volume,
    plan_of,
    render_frames,
    truth_of,
    write_photometer,
)
from sample_media.scene import VIEWS, trace_view

FOLDER = Path(__file__).resolve().parent.parent / "sample_media"
SMALL = replace(family("good-steps", 3), width=160, height=120, frames_s=1.0)


def test_transmittance_is_beer_lambert() -> None:
    path = np.array([0.0, 1.0, 2.0])
    through = light.transmittance(8e-6, 0.0, path)
    assert through[0] == pytest.approx(np.ones(light.WAVELENGTHS_NM.size))
    assert through[2] == pytest.approx(through[1] ** 2)
    k = int(np.argmin(np.abs(light.WAVELENGTHS_NM - 530.0)))
    assert -np.log10(through[1, k]) == pytest.approx(8e-6 * light.RED_FORM[k])


@pytest.mark.parametrize("lamp", list(light.LAMPS))
def test_white_stays_white_and_red_turns_blue(lamp: str) -> None:
    camera = light.camera(light.CAMERAS[0], lamp)
    assert camera.see(np.ones((1, light.WAVELENGTHS_NM.size)))[0] == pytest.approx(np.ones(3))
    red = camera.see(light.transmittance(8e-6, 0.0, np.array([7.0])))[0]
    blue = camera.see(light.transmittance(0.0, 8e-6, np.array([7.0])))[0]
    assert red[0] > red[2] > red[1]
    assert blue[2] > blue[1] > blue[0]


@pytest.mark.parametrize("view", list(VIEWS))
def test_every_scene_shows_liquid_and_paths_are_those_of_the_vessel(view: str) -> None:
    plate = trace_view(VIEWS[view], 120, 90, 110.0)
    assert plate.liquid.sum() > 100
    widest = 2 * max(VIEWS[view].vessel.foot_cm, VIEWS[view].vessel.shoulder_cm)
    assert 2.0 < np.median(plate.path_cm[plate.liquid]) < 1.3 * widest
    assert np.all(plate.behind >= 0)


def test_mixing_lags_behind_the_pump_by_rate_times_mixing_time() -> None:
    recipe = replace(family("good-pump", 2), rate_ml_min=6.0, mixing_s=1.6)
    plan = plan_of(recipe)
    given, mixed = mixed_volume(plan, recipe, np.array([40.0]))
    assert given[0] - mixed[0] == pytest.approx(0.16, abs=0.002)


def test_one_seed_one_film() -> None:
    first = [picture for _, picture in zip(range(3), render_frames(SMALL), strict=False)]
    again = [picture for _, picture in zip(range(3), render_frames(SMALL), strict=False)]
    for (_, a), (_, b) in zip(first, again, strict=True):
        assert np.array_equal(a, b)


def test_the_tile_does_not_feel_the_colour_of_the_liquid() -> None:
    still = replace(
        SMALL, view="tile", exposure_drift=0.0, balance_drift=0.0, noise=0.0, shake_px=0.0, haze=0.0
    )
    frames = [picture for _, picture in render_frames(still)]
    plate = trace_view(VIEWS["tile"], 160, 120, 110.0)
    assert plate.patch.sum() > 200
    first, last = frames[0].astype(int), frames[-1].astype(int)
    assert np.abs(first[plate.patch] - last[plate.patch]).max() <= 2
    assert np.abs(first[plate.liquid] - last[plate.liquid]).mean() > 20


def test_additions_add_up_and_reach_past_the_end() -> None:
    plan = plan_of(SMALL)
    assert np.all(np.diff(plan.log_s) > 0)
    assert plan.log_ml[-1] == pytest.approx(plan.true_ml[-1], abs=0.006)
    assert plan.log_ml[-1] > SMALL.flask.equivalence_ml + 0.3


def test_photometer_table_follows_the_spectra(tmp_path: Path) -> None:
    recipe = replace(family("photometer", 1), name="photometer-x")
    write_photometer(recipe, tmp_path, comma=True)
    text = (tmp_path / "photometer-x.csv").read_text(encoding="utf-8")
    assert text.startswith("volume_ml;A530;A620")
    assert "," in text.splitlines()[1]


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.recipe.name)
def test_committed_samples_are_those_of_the_recipes(sample: object) -> None:
    recipe: Recipe = sample.recipe  # type: ignore[attr-defined]
    stored = json.loads((FOLDER / f"{recipe.name}.truth.json").read_text(encoding="utf-8"))
    assert stored == json.loads(json.dumps(truth_of(recipe)))


def test_samples_stay_small() -> None:
    total = sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file())
    assert total < 25e6
