"""The volume read out of the picture, from film file to equivalence volume; what is refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.burette.burette_search import burette_in, find_burette, find_tip
from endpoint.burette.drops import DropCount
from endpoint.burette.picture_volume import delivery_from_drops, pauses_of
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import Estimate
from endpoint.messages import SEEN_REASONS, SEEN_REMARKS, seen_reason
from endpoint.problems import EXIT_BAD_INPUT, EXIT_NONE, RecordProblem, UnseenVolume
from endpoint.record.delivery import readings_from_text
from endpoint.record.titration import parse_record
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import ArrayFrame
from sample_media.bench_view import BenchRecipe, bench_recipe, plan_of_bench
from sample_media.burette_recipe import burette_family
from sample_media.burette_view import render_burette
from sample_media.h264 import write_h264
from tests.command import run
from tests.kept_films import BENCH_SEED, copied
from tests.located_films import located

TABLE: dict[str, Any] = {
    "format": 1,
    "sample": {"volume_ml": 100.0},
    "titrant": {"concentration_mol_l": 0.01},
    "recording": {"video": "film.mp4"},
}
MENISCUS = {"start_ml": 0.52, "end_ml": 9.87, "division_ml": 0.1}


def flat_frames(count: int) -> Iterator[tuple[float, np.ndarray]]:
    """Grey pictures with a little grain, five a second."""
    grain = np.random.default_rng(2).normal(0, 2, (120, 160, 3))
    for n in range(count):
        yield n / 5.0, np.clip(150 + grain, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record of the film of the meniscus, in a folder for what is written."""
    return copied("burette-meniscus", tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], str]:
    """Result of the film of the meniscus."""
    return located(tmp_path_factory, "burette-meniscus")


def check_against_truth(recipe: BenchRecipe, found: dict[str, Any]) -> None:
    true = recipe.chemistry.flask.equivalence_ml
    low, high = found["equivalence_ml"]["interval95"]
    assert low < true < high
    assert abs(found["equivalence_ml"]["value"] - true) < 0.05
    whole = float(plan_of_bench(recipe).true_ml[-1])
    delivered = found["delivery"]["delivered_ml"]
    assert abs(delivered["value"] - whole) < 3 * delivered["standard_uncertainty"]
    (name,) = [n for n in found["quantities"]["equivalence_ml"]["contributions"] if "volume" in n]
    assert name.startswith(recipe.chemistry.name)
    assert name in {line["name"] for line in found["budget"]}
    u = found["equivalence_ml"]["standard_uncertainty"]
    assert u > found["chemistry"]["uncertainty_parts_ml"]["scatter of the colour"]


# End to end ------------------------------------------------------------------------------------


def test_a_film_with_its_burette_gives_the_equivalence_volume(followed: Any) -> None:
    recipe = bench_recipe("meniscus", BENCH_SEED)
    found, shown = followed
    check_against_truth(recipe, found)
    seen = found["delivery"]
    assert seen["read_from"] == found["inputs"]["delivery"] == "meniscus"
    assert not seen["box_given"]
    assert seen["frames_seen"] > 0.95 * seen["frames"] > 200
    assert seen["pauses"] >= 6
    # 3 to 4 mm behind the print at 600 mm.
    part = seen["parallax_ml"] / seen["delivered_ml"]["value"]
    assert 0.003 < part < 0.012
    assert "Volumes read from the picture: the meniscus was found" in shown


def test_a_film_with_falling_drops_gives_the_equivalence_volume(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    recipe = bench_recipe("drops", BENCH_SEED)
    found, shown = located(tmp_path_factory, "burette-drops")
    assert f"{sum(recipe.additions)} drops of" in shown
    check_against_truth(recipe, found)
    seen = found["delivery"]
    assert seen["drops"] == sum(recipe.additions)
    assert seen["drop_ml"] == pytest.approx(recipe.drop_ml, rel=0.03)
    assert seen["drop_usual_ml"] == [0.03, 0.06]
    assert seen["division_ml"] is None


def test_readings_on_the_command_line_do_the_same_as_the_record(
    record: Path, followed: Any
) -> None:
    base, _ = followed
    said = base["delivery"]
    given = ",".join(str(said[key]) for key in ("start_ml", "end_ml", "division_ml"))
    sample = base["inputs"]["flask_ml"] - base["inputs"]["added_ml"]
    words = ["--meniscus", given, "--sample-ml", str(sample), "--titrant", "0.01"]
    words += ["--added-ml", str(base["inputs"]["added_ml"])]
    words += ["--burette-box", ",".join(str(v) for v in said["box"])]
    outcome = run("locate", record.with_suffix(".mp4"), "--json", "-", "--quiet", *words)
    assert outcome.exit_code == 0, outcome.stderr
    found = json.loads(outcome.stdout)
    assert found["equivalence_ml"]["value"] == pytest.approx(
        base["equivalence_ml"]["value"], abs=1e-6
    )
    assert found["delivery"]["box_given"]


def test_a_box_without_meniscus_ends_without_a_number(record: Path) -> None:
    wall = bench_recipe("meniscus", BENCH_SEED).size[0] - 40
    outcome = run(
        "locate", record, "--json", "-", "--burette-box", f"{wall},20,{wall + 30},200", "--quiet"
    )
    assert outcome.exit_code == EXIT_NONE
    found = json.loads(outcome.stdout)
    assert found["status"] == "none"
    assert found["equivalence_ml"] is found["hardness"] is found["delivery"] is None
    assert found["reasons"][0]["code"] == "tube-missing"
    assert "burette_box" in found["reasons"][0]["advice"]


def test_readings_that_contradict_the_film_are_bad_input(record: Path) -> None:
    text = record.read_text(encoding="utf-8")
    start = text.index("end_ml = ") + len("end_ml = ")
    wrong = record.with_name("wrong.toml")
    end = float(text[start : text.index(",", start)]) + 1.0
    wrong.write_text(text[:start] + f"{end:.2f}" + text[text.index(",", start) :], encoding="utf-8")
    outcome = run("locate", wrong, "--quiet")
    assert outcome.exit_code == EXIT_BAD_INPUT
    assert "printed lines" in outcome.stderr


# Record ----------------------------------------------------------------------------------------


def refused(table: dict[str, Any]) -> str:
    with pytest.raises(RecordProblem) as problem:
        parse_record(table, "a.toml", Path())
    assert problem.value.remedy
    return problem.value.sentence


def test_readings_stand_in_the_record() -> None:
    record = parse_record({**TABLE, "delivery": {"meniscus": MENISCUS}}, "a.toml", Path())
    assert record.seen is not None
    assert (record.seen.kind, record.seen.start_ml, record.seen.end_ml) == ("meniscus", 0.52, 9.87)
    lines = parse_record({**TABLE, "delivery": {"meniscus": {}}}, "a.toml", Path())
    assert lines.seen is not None
    assert lines.seen.start_ml is None
    assert lines.seen.division_ml == 0.1


@pytest.mark.parametrize(
    ("delivery", "words"),
    [
        ({"meniscus": 3.0}, "delivery.meniscus is not a table"),
        ({"meniscus": {"start": 0.5, "end_ml": 3.0}}, "delivery.meniscus.start is not known"),
        ({"meniscus": {"start_ml": 0.5}}, "delivery.meniscus.end_ml is missing"),
        ({"drops": {}}, "delivery.drops.start_ml is missing"),
        ({"drops": {"start_ml": 5.0, "end_ml": 3.0}}, "nothing was delivered"),
        ({"meniscus": {"start_ml": 5.0, "end_ml": 5.0}}, "nothing was delivered"),
        (
            {"drops": {"start_ml": "0", "end_ml": 3.0}},
            'start_ml is "0", not a number',
        ),
        ({"meniscus": {**MENISCUS, "end_ml": 987.0}}, "outside 0 to 100"),
        ({"meniscus": {**MENISCUS, "division_ml": 5.0}}, "outside 0.02 to 1"),
        ({"drops": {"start_ml": 0.0, "end_ml": 3.0, "division_ml": 0.1}}, "division_ml"),
        ({"meniscus": MENISCUS, "rate_ml_min": 3.0}, "exactly one of"),
        ({"meniscus": MENISCUS, "clock_offset_s": 3.0}, "needs no clock"),
        ({"meniscus": MENISCUS, "mode": "steps"}, "belongs to a log only"),
    ],
)
def test_wrong_readings_are_refused_in_one_sentence(delivery: dict[str, Any], words: str) -> None:
    assert words in refused({**TABLE, "delivery": delivery})


@pytest.mark.parametrize("medium", ["stills", "photometer"])
def test_only_a_film_shows_a_burette(medium: str) -> None:
    table = {**TABLE, "recording": {medium: "x"}, "delivery": {"meniscus": MENISCUS}}
    assert "belongs to a film" in refused(table)


@pytest.mark.parametrize("text", ["", "1", "a,b", "1,2,3"])
def test_readings_of_the_command_line_are_checked(text: str) -> None:
    with pytest.raises(RecordProblem, match="--drops"):
        readings_from_text(text, "drops")


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("burette_box = [0, 0, 5000, 50]", "burette_box reaches to"),
        ("tip_box = [0, 0, 30, 50]", "tip_box is given, but delivery.drops is not"),
        ("burette_box = [30, 0, 20, 50]", "burette_box encloses no part"),
    ],
)
def test_boxes_are_checked_against_picture_and_delivery(
    tmp_path: Path, settings: str, words: str
) -> None:
    write_h264(flat_frames(8), tmp_path / "film.mp4", 5.0)
    record = tmp_path / "r.toml"
    record.write_text(
        "format = 1\n[sample]\nvolume_ml = 100\n[titrant]\nconcentration_mol_l = 0.01\n"
        '[recording]\nvideo = "film.mp4"\n'
        f"[delivery]\nmeniscus = {{ start_ml = 0.5, end_ml = 3.0 }}\n[settings]\n{settings}\n",
        encoding="utf-8",
    )
    outcome = run("locate", record, "--quiet")
    assert outcome.exit_code == EXIT_BAD_INPUT
    assert words in outcome.stderr


def test_every_sentence_says_what_to_do() -> None:
    assert all(text and advice for text, advice in (*SEEN_REASONS.values(), *SEEN_REMARKS.values()))
    assert seen_reason("meniscus-seldom", seen=3, all=9).text.startswith(
        "The meniscus was found in only 3"
    )


# Where to look ---------------------------------------------------------------------------------


def test_the_tube_is_found_in_a_picture() -> None:
    recipe = replace(burette_family(2), duration_s=0.3)
    _, pixels = next(iter(render_burette(recipe)))
    box = burette_in(ArrayFrame(0, 0.0, pixels), recipe.division_ml)
    assert box is not None
    assert 0.5 * (box.left + box.right) == pytest.approx(recipe.width / 2, abs=3)
    half_px = recipe.outer_mm * recipe.px_per_mm
    assert 2.0 * half_px < box.width < 4.0 * half_px + 6.0
    assert box.height > 0.9 * recipe.height


def test_two_tubes_or_none_are_not_guessed() -> None:
    recipe = replace(burette_family(2), duration_s=0.3)
    _, pixels = next(iter(render_burette(recipe)))
    both = np.concatenate([pixels, pixels], axis=1)
    assert burette_in(ArrayFrame(0, 0.0, both), recipe.division_ml) is None
    grain = np.random.default_rng(3).normal(150, 6, (300, 200, 3)).astype(np.uint8)
    assert burette_in(ArrayFrame(0, 0.0, grain), 0.1) is None


def test_a_film_without_burette_asks_for_a_box(tmp_path: Path) -> None:
    write_h264(flat_frames(20), tmp_path / "film.mp4", 5.0)
    source = VideoSource(tmp_path / "film.mp4")
    for find, code in ((find_burette, "burette-not-found"), (find_tip, "tip-not-found")):
        with pytest.raises(UnseenVolume) as problem:
            find(source)
        assert problem.value.reason == code
        assert "settings." in problem.value.remedy
    source.close()


# Pauses and uncertainty ------------------------------------------------------------------------


def poured(pours: int, pour_s: float, wait_s: float) -> tuple[np.ndarray, np.ndarray]:
    t = np.cumsum([0.0, *([wait_s, pour_s] * pours), wait_s])
    v = np.repeat(np.arange(pours + 1) * 0.5, 2)
    return t, v


def test_pauses_are_found_where_they_are() -> None:
    t, v = poured(8, 2.0, 5.0)
    pauses = pauses_of(t, v)
    assert pauses == pytest.approx(t.reshape(-1, 2))
    spans = Delivery("continuous", t, v, pauses).settled_spans(0.0, float(t[-1]), 0.5)
    assert [s[0] for s in spans] == pytest.approx(np.arange(9) * 0.5)
    assert [s[1] - b for s, (b, _) in zip(spans, pauses, strict=True)] == pytest.approx(
        [0.0] + [2.0] * 8
    )
    assert [s[2] for s in spans] == pytest.approx(pauses[:, 1])


@pytest.mark.parametrize(
    ("pours", "pour_s", "wait_s"), [(8, 6.0, 3.5), (3, 2.0, 9.0), (8, 9.0, 1.0)]
)
def test_without_enough_pauses_the_whole_course_counts(
    pours: int, pour_s: float, wait_s: float
) -> None:
    assert pauses_of(*poured(pours, pour_s, wait_s)).size == 0


def test_the_volume_axis_widens_an_interval() -> None:
    number = np.full(100, 2)
    count = DropCount(np.arange(0.0, 50.0, 0.5), number, 0.0, 60.0, 0.0, 0, ())
    volume = delivery_from_drops(count, start_ml=0.0, end_ml=5.0)
    before = Estimate(2.5, 0.01, 2.48, 2.53)
    after = before.widened(volume.sigma_at(before.value_ml))
    more = float(np.interp(2.5, volume.volume_ml, volume.sigma_ml))
    assert after.standard_uncertainty_ml == pytest.approx(np.hypot(0.01, more))
    assert 2.5 - after.low_ml == pytest.approx(np.hypot(0.02, 1.96 * more))
    assert after.high_ml - 2.5 == pytest.approx(np.hypot(0.03, 1.96 * more))
