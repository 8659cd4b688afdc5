"""What all commands share: help, --json, and how a person types titres and units."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest

from endpoint.cli import main
from tests.command import run
from tests.places import BENCH, ROOT

QUICK = {
    "calibrate": ("calibrate", "glassware", BENCH / "burette-b2.toml"),
    "certificates": ("certificates", BENCH),
    "hardness": ("hardness", BENCH / "well-by-eye.toml"),
    "locate": ("locate", ROOT / "sample_media" / "quarry-pond.toml"),
    "plan": ("plan", "2.5"),
    "replicates": ("replicates", "12.40", "12.45"),
    "compare": ("compare", BENCH / "eye-and-recording.csv"),
    "runs": ("runs",),
}


def test_the_bare_command_prints_its_help() -> None:
    bare = run()
    assert bare.exit_code == 0
    assert bare.stdout == run("--help").stdout
    assert bare.stderr == ""


@pytest.mark.parametrize("columns", [40, 80])
def test_no_line_of_the_help_is_cut(columns: int) -> None:
    from click.testing import CliRunner

    shown = CliRunner().invoke(main, ["--help"], terminal_width=columns).stdout
    assert "..." not in shown.replace("[ARGS]...", "")
    text = " ".join(shown.split())
    for command in main.commands.values():
        first = (command.help or "").partition("\n\n")[0]
        assert " ".join(first.split()) in text


def test_no_line_of_the_help_of_a_group_is_cut() -> None:
    groups = [c for c in main.commands.values() if isinstance(c, click.Group)]
    assert len(groups) >= 2
    for group in groups:
        text = " ".join(run(str(group.name), "--help").stdout.split())
        for command in group.commands.values():
            first = (command.help or "").partition("\n\n")[0]
            assert " ".join(first.split()) in text


def test_a_group_without_a_word_prints_its_help() -> None:
    bare = run("verify")
    assert bare.exit_code == 0
    assert bare.stdout == run("verify", "--help").stdout


def test_every_command_with_json_takes_a_file_or_a_dash() -> None:
    for command in main.commands.values():
        for option in command.params:
            if isinstance(option, click.Option) and "--json" in option.opts:
                assert not option.is_flag, command.name
                assert option.metavar == "FILE|-", command.name
                assert command.name in QUICK


@pytest.mark.parametrize("name", QUICK)
def test_json_prints_only_json_or_writes_a_file(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    shown = run(*QUICK[name], "--json", "-")
    assert shown.exit_code == 0, shown.output
    json.loads(shown.stdout)
    path = tmp_path / "found.json"
    written = run(*QUICK[name], "--json", path)
    assert written.exit_code == 0, written.output
    assert json.loads(path.read_text("utf-8")).keys() == json.loads(shown.stdout).keys()
    assert written.stdout.strip()


def test_no_runs_yet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    got = run("runs")
    assert got.exit_code == 0, got.output
    assert "none yet" in got.stdout
    assert json.loads(run("runs", "--json", "-").stdout)["runs"] == []
    assert not list(tmp_path.iterdir())
    # A journal that is named must be there.
    assert run("runs", "--journal", tmp_path / "no.sqlite").exit_code == 2


@pytest.mark.parametrize("titres", [("12.40", "12.45", "12.50"), ("12,40", "12,45", "12,50")])
def test_titres_are_typed_directly(titres: tuple[str, ...]) -> None:
    got = run("replicates", *titres, "--sample-ml", 100, "--titrant", 0.01, "--blank", "0.05")
    assert got.exit_code == 0, got.output
    data = json.loads(
        run("replicates", *titres, "--sample-ml", 100, "--titrant", 0.01, "--json", "-").stdout
    )
    assert (data["n"], data["titre_ml"]["value"]) == (3, pytest.approx(12.45))
    assert data["hardness"]["mmol_l"]["value"] == pytest.approx(1.245)
    wrong = run("replicates", "1240", "1245")
    assert wrong.exit_code == 2
    assert "1240" in wrong.stderr


@pytest.mark.parametrize(
    ("unit", "same"), [("°dH", "dH"), ("ppm", "mg/L"), ("°fh", "fH"), ("MMOL/L", "mmol/L")]
)
def test_units_as_people_write_them(unit: str, same: str) -> None:
    hardness = {"dH": "14", "mg/L": "250", "fH": "25", "mmol/L": "2.5"}[same]
    got, usual = (
        run("plan", hardness, "--unit", each, "--magnesium", 20, "--json", "-")
        for each in (unit, same)
    )
    assert got.exit_code == 0, got.output
    assert got.stdout == usual.stdout
    assert run("plan", "2.5", "--unit", "furlong").exit_code == 2
