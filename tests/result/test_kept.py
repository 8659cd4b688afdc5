"""Results read back from what --out kept, whole or damaged."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from endpoint.burette.picture_volume import of_log
from endpoint.files.result_json import ResultFileProblem
from endpoint.result.document import document, plain, to_json
from endpoint.result.kept import KeptResult, check_document, picture_bytes, read_kept
from endpoint.result.wording import delivered_text
from tests.kept_results import result_folder
from tests.report.test_folder import CASES, EXTRA


@pytest.fixture(scope="module")
def kept_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return result_folder(tmp_path_factory, "located")


@pytest.fixture
def folder(kept_folder: Path, tmp_path: Path) -> Path:
    """Copy of a kept result, to be spoiled."""
    copy_of = tmp_path / "well"
    copy_of.mkdir()
    for path in kept_folder.iterdir():
        if path.suffix in (".json", ".csv"):
            (copy_of / path.name).write_bytes(path.read_bytes())
    return copy_of


def test_a_log_with_uncertainties_comes_back(tmp_path: Path) -> None:
    found = replace(
        CASES["located"](),
        seen_volume=of_log(np.array([0.0, 9.0]), np.array([0.0, 9.0]), np.array([0.0, 0.01])),
    )
    (tmp_path / "well.json").write_text(to_json(document(found, EXTRA)), "utf-8")
    kept = read_kept(tmp_path / "well.json")
    assert kept.document["delivery"]["read_from"] == "log"
    assert "states its uncertainty" in delivered_text(kept.document["delivery"])


def change(folder: Path, edit: Callable[[dict[str, Any]], None]) -> None:
    path = folder / "result.json"
    data = json.loads(path.read_text("utf-8"))
    edit(data)
    path.write_text(json.dumps(data), "utf-8")


@pytest.mark.parametrize("status", list(CASES))
def test_what_was_kept_comes_back(status: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    result = CASES[status]()
    kept = read_kept(result_folder(tmp_path_factory, status))
    assert kept.status == status
    assert kept.document == json.loads(json.dumps(document(result, EXTRA)))
    assert result.curve is not None
    assert kept.curve is not None
    assert kept.curve["volume_ml"] == pytest.approx(result.curve.volume_ml, abs=1e-4)
    assert not kept.curve["volume_ml"].flags.writeable
    assert len(kept.flags) == len(result.curve)
    assert (kept.fitted is None) == (status == "none")
    if kept.fitted is not None and result.fit is not None:
        assert kept.fitted[1] == pytest.approx(result.fit.grid_fraction, abs=1e-5)


def test_a_file_alone_has_no_curve(kept_folder: Path, tmp_path: Path) -> None:
    alone = tmp_path / "renamed.json"
    alone.write_bytes((kept_folder / "result.json").read_bytes())
    kept = read_kept(alone)
    assert (kept.curve, kept.fitted, kept.folder, dict(kept.pictures)) == (None, None, None, {})
    beside: KeptResult = read_kept(kept_folder / "result.json")
    assert beside.curve is not None


def test_every_shape_of_document_is_accepted() -> None:
    for make in CASES.values():
        check_document(plain(document(make(), EXTRA)), "result.json")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not valid JSON"),
        ("[1]", "is not a result"),
        ("{}", "is not a result"),
        ('{"status": "located", "equivalence_ml": NaN, "format": 1}', "not valid JSON"),
        ('{"status": "located", "equivalence_ml": null, "format": 2}', "has the format 2"),
        ('{"status": "located", "equivalence_ml": null, "format": true}', "has the format"),
        ('{"status": "located", "equivalence_ml": null, "format": "x"}', "format unknown"),
        ('{"status": "located", "equivalence_ml": null, "format": 1}', "damaged or was changed"),
        ("[" * 100_000, "cannot be read"),
        ('{"a":' * 100_000, "cannot be read"),
    ],
)
def test_texts_that_are_no_result(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text(text, "utf-8")
    with pytest.raises(ResultFileProblem, match=words) as found:
        read_kept(path)
    assert found.value.remedy


# Nothing in a report hangs on these.
_PASSED_ON = {
    "quantities", "budget_inputs", "provenance", "monte_carlo", "uncertainty_parts_ml",
    "residual_rms", "degrees_of_freedom", "interval_from", "first_order", "contributions",
}  # fmt: skip


def _values(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Places of all values that are neither a table nor a list; of a list only the first."""
    if isinstance(data, dict):
        kept = [key for key in data if key not in _PASSED_ON]
        return [p for key in kept for p in _values(data[key], (*path, key))]
    if isinstance(data, list):
        return _values(data[0], (*path, 0)) if data else []
    return [path]


@pytest.mark.parametrize("wrong", [{"a": 1}, [[]], 1e300, "x" * 100_000])
def test_wrong_types_and_huge_numbers_are_refused(wrong: object) -> None:
    data = plain(document(CASES["located"](), EXTRA))
    places = _values(data)
    assert len(places) > 80
    for place in places:
        *above, last = place
        table = data
        for step in above:
            table = table[step]
        right, table[last] = table[last], copy.deepcopy(wrong)
        with pytest.raises(ResultFileProblem) as found:
            check_document(data, "result.json")
        assert len(found.value.sentence) < 300, place
        table[last] = right
    check_document(data, "result.json")


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda d: d["equivalence_ml"].update(value=1.0), "outside its interval"),
        (lambda d: d.update(status="none"), "equivalence_ml"),
        (lambda d: d.update(status="perhaps"), "status"),
        (lambda d: d["equivalence_ml"].update(value=None), "equivalence_ml"),
        (lambda d: d.pop("frames"), "frames is missing"),
        (lambda d: d["frames"].pop("used"), "frames.used is missing"),
        (lambda d: d["frames"].update(points=3), "the result has 3"),
        (lambda d: d.update(label=7), "label"),
        (lambda d: d["budget"][0].update(share=7.0), "budget.0.share"),
    ],
)
def test_values_that_cannot_be(
    folder: Path, edit: Callable[[dict[str, Any]], None], words: str
) -> None:
    change(folder, edit)
    with pytest.raises(ResultFileProblem, match=words):
        read_kept(folder)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("curve.csv", "volume_ml\n1.0\n2.0\n", "has 2 points"),
        ("curve.csv", "volume_ml\n1.0\nnan\n", "is not a usable number"),
        ("curve.csv", "volume_ml\n1.0\n1e99\n", "is not a usable number"),
        ("curve.csv", "volume_ml\n", "has no rows"),
        ("curve.csv", "", "curve.csv"),
        ("fit.csv", "a,b\n1,2\n", "no column mixed_volume_ml"),
        ("fit.csv", "mixed_volume_ml,fitted_fraction\n1,\n", "empty cell"),
    ],
)
def test_spoiled_tables(folder: Path, name: str, text: str, words: str) -> None:
    (folder / name).write_text(text, "utf-8")
    with pytest.raises(ResultFileProblem, match=words):
        read_kept(folder)


def test_a_cut_curve_is_noticed(folder: Path) -> None:
    text = (folder / "curve.csv").read_text("utf-8")
    (folder / "curve.csv").write_text(text[: len(text) // 2], "utf-8")
    with pytest.raises(ResultFileProblem):
        read_kept(folder)


def test_missing_files(tmp_path: Path) -> None:
    with pytest.raises(ResultFileProblem, match="does not exist"):
        read_kept(tmp_path / "nowhere")
    with pytest.raises(ResultFileProblem, match=r"holds no result\.json"):
        read_kept(tmp_path)


def test_pictures_are_checked_before_they_are_shown(folder: Path) -> None:
    assert picture_bytes(read_kept(folder), "region.png") is None
    change(folder, lambda data: data["frames"].update(kind="frames"))
    Image.fromarray(np.zeros((4, 4, 3), np.uint8)).save(folder / "region.png")
    data = picture_bytes(read_kept(folder), "region.png")
    assert data == (folder / "region.png").read_bytes()
    (folder / "region.png").write_bytes(b"<svg onload='x'/>")
    with pytest.raises(ResultFileProblem, match="not a picture"):
        picture_bytes(read_kept(folder), "region.png")
    (folder / "region.png").write_bytes((data or b"")[:40])
    with pytest.raises(ResultFileProblem, match="not a picture"):
        picture_bytes(read_kept(folder), "region.png")
