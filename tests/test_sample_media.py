"""The renderer returns the truth it was given."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from endpoint.record.titration import read_record
from endpoint.recording.film import VideoSource
from sample_media import light
from sample_media.encode import write_photometer
from sample_media.film_files import write_home_film
from sample_media.filming import linear_frames
from sample_media.hands import arm, lay
from sample_media.home_films import KINDS, Film, home_film, plan_of_film, truth_of_film
from sample_media.layers import trace_layers
from sample_media.mishaps import frame_times
from sample_media.picture import render_frames
from sample_media.recipes import (
    HELD_BACK_VIEWS,
    TUNING_VIEWS,
    Recipe,
    family,
    mixed_volume,
    plan_of,
    truth_of,
)
from sample_media.scene import VIEWS, trace_view
from sample_media.studio import Studio
from sample_media.survey import SAMPLES
from tests.places import SAMPLES as FOLDER
from tests.studies import recordings_study as study

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


# Films as people make them ---------------------------------------------------------------------


def tiny(name: str, seed: int = 3, **changes: object) -> Film:
    """Film of a few frames; the last half millilitre only."""
    film = home_film(name, seed)
    end = film.recipe.flask.equivalence_ml
    recipe = replace(
        film.recipe,
        width=96,
        height=160 if film.portrait else 64,
        frames_s=1.0,
        start_ml=round(end - 0.3, 2),
        stop_after_ml=0.2,
        view="tile",
    )
    return replace(film, recipe=recipe, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", list(KINDS))
def test_every_family_keeps_its_promise(name: str) -> None:
    for seed in (1, 1001):
        film = home_film(name, seed)
        truth = truth_of_film(film)
        plan = plan_of_film(film)
        end = truth["equivalence_ml"]
        if truth["grade"] == "refuse":
            assert film.empty or film.recipe.indicator_umol_l < 0.1 or plan.log_ml[-1] < end - 0.5
        else:
            begin, stop = truth["change_s"]
            assert 0.0 <= begin < stop < plan.duration_s
            assert plan.log_ml[-1] > end
        spans = [(c.begin_s, c.end_s) for c in film.covers]
        if name == "hand-across":
            assert all(s[1] + 0.45 < begin or s[0] > stop for s in spans)
        elif name == "hand-in-change":
            assert any(s[0] < stop and s[1] > begin for s in spans)
        elif name == "hidden-change":
            assert any(s[0] < begin + 2.0 and s[1] > stop for s in spans)
        elif name == "coarse-half-ml":
            over = int(np.searchsorted(plan.log_ml, end))
            assert plan.log_ml[over] - plan.log_ml[over - 1] == pytest.approx(0.5)


def test_half_of_the_scenes_are_kept_for_reporting() -> None:
    names = ("mjpeg", "hevc", "tungsten-dim")
    tuned = {home_film(name, seed).recipe.view for name in names for seed in range(1, 30)}
    kept = {home_film(name, seed).recipe.view for name in names for seed in range(1001, 1030)}
    assert tuned == set(TUNING_VIEWS)
    assert set(HELD_BACK_VIEWS) < kept


def test_one_seed_one_home_film() -> None:
    film = tiny("hand-swirled")
    twice = [list(linear_frames(film))[:4] for _ in range(2)]
    for (t, a), (u, b) in zip(*twice, strict=True):
        assert t == u
        assert np.array_equal(a, b)


def test_layers_put_together_are_the_traced_scene() -> None:
    view = replace(VIEWS["tile"], burette=False)
    layers, plate = trace_layers(view, 96, 72, 110.0), trace_view(view, 96, 72, 110.0)
    cover = layers.cover[..., None]
    joined = layers.plain * layers.shade[..., None] * (1 - cover) + layers.behind
    whole = (plate.liquid | plate.patch)[..., None] | (cover == 1)
    assert np.abs(np.where(whole, joined - plate.behind, 0)).max() < 0.01
    assert np.allclose(layers.path_cm, plate.path_cm, atol=1e-4)


def test_a_moved_flask_takes_its_liquid_along() -> None:
    quiet = {"noise": 0.0, "shake_px": 0.0, "exposure_drift": 0.0, "balance_drift": 0.0}
    film = tiny("hand-swirled", held="in-hand")
    film = replace(film, recipe=replace(film.recipe, width=192, height=108, **quiet))  # type: ignore[arg-type]
    studio = Studio(film, None)
    centres, poses = [], []
    for t, linear in linear_frames(film):
        red = np.clip(linear[..., 0] - linear[..., 1], 0, None) + np.clip(
            linear[..., 2] - linear[..., 0], 0, None
        )
        box = red[40:, 50:140]
        centres.append(float((box.sum(axis=0) * np.arange(90)).sum() / box.sum()))
        assert studio.movement is not None
        poses.append(studio.movement.at(t).right_cm)
    slope, _ = np.polyfit(poses, centres, 1)
    assert np.ptp(poses) > 0.5
    # Less than the scale itself: the wooden bench is coloured a little and stays.
    assert 0.2 * studio.scale < slope < 1.2 * studio.scale


def test_a_hand_hides_what_is_under_it_and_nothing_else() -> None:
    sprite = arm("reaching", 4.0, (0.4, 0.2, 0.1), "coat", (0.3, 0.8), np.random.default_rng(1))
    picture = np.full((80, 240, 3), 0.5, dtype=np.float32)
    lay(picture, sprite, (60.0, 40.0))
    palm, outside = picture[40, 60 + 44], picture[2, 10]
    assert palm[0] > 1.3 * palm[2]
    assert outside == pytest.approx(np.full(3, 0.5))


def test_a_hanging_drop_falls_before_the_next_addition() -> None:
    film = home_film("hanging-drop", 4)
    plan = plan_of_film(film)
    late = plan.log_ml - np.interp(plan.log_s, plan.true_s, plan.true_ml)
    assert 0.015 < late.max() < 0.05
    assert late.min() > -0.006
    assert plan.true_ml[-1] == pytest.approx(plan.log_ml[-1], abs=0.006)
    assert np.all(np.diff(plan.true_s) > 0)


def test_varying_rate_has_rising_times_and_gaps() -> None:
    times = frame_times(60.0, 8.0, True, np.random.default_rng(2))
    gaps = np.diff(times)
    assert times[0] == 0.0
    assert gaps.min() > 0.03
    assert gaps.max() > 0.2


@pytest.mark.parametrize(
    ("name", "codec"),
    [
        ("hevc", "hevc"),
        ("mjpeg", "mjpeg"),
        ("browser-webm", "vp9"),
        ("portrait-phone", "h264"),
        ("hdr-hlg", "hevc"),
        ("ultra-hd", "h264"),
        ("low-bitrate", "h264"),
    ],
)
def test_files_are_what_they_are_said_to_be(tmp_path: Path, name: str, codec: str) -> None:
    film = tiny(name, enlarge=2 if name == "ultra-hd" else 1)
    record = read_record(write_home_film(film, tmp_path / "film"))
    source = VideoSource(record.medium)
    times = [frame.time_s for frame in source.frames()]
    size = (film.enlarge * film.recipe.width, film.enlarge * film.recipe.height)
    assert source.info.details["codec"] == codec
    assert (source.info.width, source.info.height) == size
    assert times == pytest.approx(list(Studio(film, None).times), abs=0.002)
    assert ("HDR" in " ".join(source.info.notes)) == (name == "hdr-hlg")
    if name == "browser-webm":
        assert source.info.duration_s is None
    # White and red are where they belong, upright and in the right colours.
    first = next(iter(source.frames())).rgb8().astype(float) / 255
    layers = Studio(film, None).layers
    wet = cv2.resize(layers.path_cm, size) > 3.0
    red = first[wet].mean(axis=0)
    assert red[0] > red[1] + 0.05


def test_false_numbers_are_told_from_wide_ones() -> None:
    assert study.is_false("swirled-unfinished", True, (9.9, 10.1), 10.0)
    assert study.is_false("swirled-unfinished", False, (9.0, None), 10.0)
    assert not study.is_false("lights-off", False, (9.0, None), 10.0)
    assert study.is_false("lights-off", False, (10.5, None), 10.0)
    assert not study.is_false("mjpeg", True, (10.01, 10.2), 10.0)
    assert study.is_false("mjpeg", True, (10.1, 10.2), 10.0)
    assert not study.is_false("mjpeg", False, None, 10.0)


def test_the_table_tells_which_targets_are_missed() -> None:
    def outcome(family: str, error_ml: float | None, covered: bool) -> study.Outcome:
        return study.Outcome(
            family=family,
            seed=1,
            grade=study.grade_of(family),
            view="tile",
            status="none" if error_ml is None else "located",
            codes=(),
            remarks=(),
            truth_ml=10.0,
            error_ml=error_ml,
            uncertainty_ml=0.01,
            interval_ml=None,
            covered=None if error_ml is None else covered,
            false=False,
        )

    good = [outcome("mjpeg", 0.01, True), outcome("hevc", -0.06, False)]
    assert study.shortfalls("good", good[:1]) == []
    assert study.shortfalls("good", good) == ["median above 0.02 mL", "worst above 0.05 mL"]
    assert study.shortfalls("refuse", [outcome("no-indicator", None, False)]) == []
    text = study.table(good)
    assert "ALL good" in text
    assert "0.060" in text
