"""What notebooks and scripts get, and every example in docstrings and documents."""

from __future__ import annotations

import csv
import doctest
import importlib
import importlib.metadata
import inspect
import io
import json
import pickle
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

import endpoint
from calibration.problem import Problem
from endpoint.analysis.result import Result
from endpoint.batch.work import row_of_record
from endpoint.notebook.shown import NotebookResult
from endpoint.problems import InstallProblem
from endpoint.record.titration import read_record
from endpoint.report.folder import curve_csv
from tests.command import run
from tests.places import BENCH, ROOT

SAMPLES = ROOT / "sample_media"
DOCUMENTS = ("README.md", "DEVELOPERS.md")


@pytest.fixture(autouse=True)
def at_the_root(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


@pytest.fixture(scope="module")
def pond() -> NotebookResult:
    return endpoint.analyse(SAMPLES / "quarry-pond.toml")


def with_examples() -> list[str]:
    every = [p for top in ("endpoint", "calibration") for p in sorted((ROOT / top).rglob("*.py"))]
    chosen = [path for path in every if ">>> " in path.read_text("utf-8")]
    return [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in chosen]


@pytest.mark.parametrize("name", with_examples())
def test_examples_in_docstrings(name: str) -> None:
    done = doctest.testmod(importlib.import_module(name))
    assert done.attempted > 0
    assert done.failed == 0


def test_the_top_level_has_the_commands_as_functions(tmp_path: Path) -> None:
    import pandas

    assert endpoint.__version__ == importlib.metadata.version("endpoint-titration")
    assert (ROOT / ".changes" / f"{endpoint.__version__}.md").is_file()
    found = endpoint.replicates([12.40, 12.45, 12.50], sample_ml=100.0, titrant_mol_l=0.01)
    assert found.summary.titre.quantity.value == pytest.approx(12.45)
    assert found.to_dict()["n"] == 3
    table = BENCH / "eye-and-recording.csv"
    compared = endpoint.compare(table)
    assert endpoint.compare(pandas.read_csv(table)).against[0].agreement == (
        compared.against[0].agreement
    )
    eye = endpoint.hardness(BENCH / "well-by-eye.toml")
    planned = endpoint.plan("14-18", unit="°dH", magnesium="20")
    for each in (found, compared, eye, planned):
        assert len(repr(each)) < 125
        json.dumps(each.to_dict(), allow_nan=False)
    # The packages of these names do not take the place of the functions.
    importlib.import_module("endpoint.hardness.units")
    importlib.import_module("endpoint.replicates.mean")
    assert callable(endpoint.hardness)
    assert callable(endpoint.replicates)


def test_a_kept_result_is_loaded_and_counts_like_a_new_one(tmp_path: Path) -> None:
    out = tmp_path / "pond"
    record = ROOT / "sample_media" / "quarry-pond.toml"
    assert run("locate", record, "--out", out, "--quiet").exit_code == 0
    kept, result = endpoint.load(out), endpoint.analyse(record)
    assert repr(kept) == "<KeptResult 'Quarry pond': located, equivalence 17.181 mL>"
    assert kept.to_dict()["equivalence_ml"] == result.to_dict()["equivalence_ml"]
    assert (
        endpoint.table(kept)["volume_ml"].tolist() == endpoint.table(result)["volume_ml"].tolist()
    )
    assert list(endpoint.budget_table(kept)["name"]) == list(endpoint.budget_table(result)["name"])
    both = endpoint.replicates([kept])
    assert result.equivalence is not None
    assert both.summary.titre.quantity.value == pytest.approx(result.equivalence.value_ml)


def test_a_result_pickles() -> None:
    result = endpoint.analyse(ROOT / "sample_media" / "quarry-pond.toml")
    again = pickle.loads(pickle.dumps(result))
    assert again.to_dict() == result.to_dict()
    assert repr(again) == repr(result) == "<Result 'Quarry pond': located, equivalence 17.181 mL>"


def test_the_notebook_functions_have_examples() -> None:
    assert {"endpoint.notebook.calls", "endpoint.notebook.tables"} <= set(with_examples())
    for name in set(endpoint.__all__) - {"__version__"}:
        assert ">>> " in (getattr(endpoint, name).__doc__ or ""), name


@pytest.mark.parametrize("name", DOCUMENTS)
def test_walk_through_of_the_documents(name: str) -> None:
    blocks = re.findall(r"```pycon\n(.*?)```", (ROOT / name).read_text("utf-8"), re.S)
    if name == "README.md":
        assert len(blocks) >= 3
    test = doctest.DocTestParser().get_doctest("".join(blocks), {}, name, name, 0)
    runner = doctest.DocTestRunner()
    runner.run(test)
    assert runner.failures == 0


def test_import_stays_light() -> None:
    code = (
        "import sys, endpoint; assert 'analyse' in dir(endpoint); "
        "print([m for m in ('numpy', 'scipy', 'cv2', 'pandas', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    with pytest.raises(AttributeError, match="no attribute 'analyze'"):
        endpoint.analyze  # noqa: B018


def test_path_text_and_record_give_the_result_of_the_pipeline(pond: NotebookResult) -> None:
    path = SAMPLES / "quarry-pond.toml"
    assert isinstance(pond, Result)
    row = row_of_record("q.toml", path)
    for again in (pond, endpoint.analyse(str(path)), endpoint.analyse(read_record(path))):
        assert again.equivalence is not None
        assert again.equivalence.value_ml == row["equivalence_ml"]
    for odd in (3, None, [SAMPLES]):
        with pytest.raises(Problem, match="is neither a record nor the path") as caught:
            endpoint.analyse(odd)  # type: ignore[arg-type]
        assert caught.value.remedy
    with pytest.raises(Problem, match="is not a record"):
        endpoint.analyse(SAMPLES / "mill-spring.mp4")
    with pytest.raises(Problem, match="does not exist"):
        endpoint.analyse("nowhere.toml")


def test_arrays_and_table_are_the_curve_that_is_written(pond: NotebookResult) -> None:
    columns = endpoint.arrays(pond)
    table = endpoint.table(pond)
    assert list(table.columns) == list(columns)
    written = list(csv.DictReader(io.StringIO(curve_csv(pond))))
    assert len(table) == len(written)
    for name, column in columns.items():
        assert not column.flags.writeable
        assert name in written[0], name
        cells = [row[name] for row in written]
        if name == "flags" or not all(cells):
            continue
        assert np.allclose([float(cell) for cell in cells], column, atol=6e-4), name
    with pytest.raises(ValueError, match="read-only"):
        columns["volume_ml"][0] = 1.0


def test_the_budget_is_that_of_the_result(pond: NotebookResult) -> None:
    parts = endpoint.budget_table(pond)
    assert pond.hardness is not None
    assert list(parts["name"]) == [line.name for line in pond.hardness.budget]
    assert parts["share"].is_monotonic_decreasing


def test_results_without_an_end_have_no_fit_columns(tmp_path: Path) -> None:
    rows = (SAMPLES / "quarry-pond.csv").read_text("utf-8").splitlines()
    (tmp_path / "quarry-pond.csv").write_text("\n".join(rows[:12]), "utf-8")
    shutil.copy(SAMPLES / "quarry-pond.toml", tmp_path)
    none = endpoint.analyse(tmp_path / "quarry-pond.toml")
    assert none.status == "none"
    assert "free_fraction" not in endpoint.arrays(none)
    assert endpoint.budget_table(none).empty
    shown = none._repr_html_()
    assert "the endpoint was not reached" in shown
    assert "<table>" not in shown
    assert repr(none) == "<Result 'Quarry pond': none>"


def test_without_pandas_the_remedy_is_said(
    pond: NotebookResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(InstallProblem, match="Tables need pandas"):
        endpoint.table(pond)


class _Page(HTMLParser):
    """Open tags must close; pictures must have words; nothing comes from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.text = ""
        self.words = ""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "link", "iframe", "style")
        if tag == "img":
            given = dict(attributes)
            assert (given["src"] or "").startswith("data:image/svg+xml")
            self.words = given["alt"] or ""
            return
        self.stack.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_html_shows_the_answer_and_escapes_labels(pond: NotebookResult) -> None:
    import dataclasses

    evil = "<script>alert('x')</script> & $a$"
    job = dataclasses.replace(pond.job, label=evil)
    page = _Page()
    page.feed(dataclasses.replace(pond, job=job)._repr_html_())
    assert not page.stack
    assert evil in page.text
    assert "17.18" in page.text
    assert len(page.words) > 100
    assert "does not say that the water is fit to drink" in page.text


@pytest.mark.parametrize(
    ("name", "option", "default"),
    [("plan", "unit", "mmol/L"), ("compare", "bias_ml", 0.05), ("replicates", "limit_ml", 0.10)],
)
def test_options_have_names_and_defaults(name: str, option: str, default: object) -> None:
    shown = inspect.signature(getattr(endpoint, name)).parameters
    assert shown[option].default == default
    assert not any(one.kind is one.VAR_KEYWORD for one in shown.values())
