"""The command, on the committed samples and on bad use."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command import run
from tests.places import SAMPLES


def truth(name: str) -> dict[str, float]:
    data: dict[str, float] = json.loads((SAMPLES / f"{name}.truth.json").read_text("utf-8"))
    return data


@pytest.mark.parametrize(
    ("name", "tolerance"),
    # 0.06 mL is the worst error allowed for a good recording.
    [
        ("mill-spring", 0.06),
        ("school-well", 0.06),
        ("chapel-fountain", 0.06),
        ("quarry-pond", 0.06),
        ("chalk-spring", 0.06),
    ],
)
def test_good_samples_are_located(name: str, tolerance: float) -> None:
    got = run("locate", str(SAMPLES / f"{name}.toml"), "--json", "-")
    assert got.exit_code == 0, got.output
    data = json.loads(got.stdout)
    found, wanted = data["equivalence_ml"], truth(name)
    assert found["value"] == pytest.approx(wanted["equivalence_ml"], abs=tolerance)
    u = found["standard_uncertainty"]
    assert abs(found["value"] - wanted["equivalence_ml"]) < 3.5 * u
    low, high = data["hardness"]["mmol_l"]["interval95"]
    assert low - 0.01 < wanted["hardness_mmol_l"] < high + 0.01
    assert sum(line["share"] for line in data["budget"]) == pytest.approx(1.0)
    assert data["provenance"]["medium_sha256"]


@pytest.mark.parametrize(
    ("name", "code"), [("deep-well", "never-reached"), ("rain-barrel", "already-blue")]
)
def test_samples_without_endpoint_get_a_reason_and_no_number(name: str, code: str) -> None:
    got = run("locate", str(SAMPLES / f"{name}.toml"), "--json", "-")
    assert got.exit_code == 4
    data = json.loads(got.stdout)
    assert [s["code"] for s in data["reasons"]] == [code]
    assert data["equivalence_ml"] is None
    assert data["hardness"] is None


def test_without_a_record(tmp_path: Path) -> None:
    got = run(
        "locate",
        str(SAMPLES / "quarry-pond.csv"),
        "--sample-ml",
        "100",
        "--added-ml",
        "5",
        "--titrant",
        "0.01",
        "--json",
        str(tmp_path / "result.json"),
    )
    assert got.exit_code == 0, got.output
    assert got.stdout.startswith("quarry-pond: equivalence volume 17.1")
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    assert data["status"] == "located"
    assert "volume of the titrant (no burette stated)" in data["not_in_budget"]


def test_json_to_a_file(tmp_path: Path) -> None:
    target = tmp_path / "r.json"
    got = run("locate", str(SAMPLES / "quarry-pond.toml"), "--json", str(target))
    assert got.exit_code == 0
    assert json.loads(target.read_text("utf-8"))["status"] == "located"


@pytest.mark.parametrize(
    "arguments",
    [
        ("locate",),
        ("locate", "nowhere.toml"),
        ("locate", "nowhere.mp4", "--sample-ml", "100"),
        ("locate", str(SAMPLES / "mill-spring.mp4"), "--sample-ml", "100"),
        ("locate", str(SAMPLES / "mill-spring.mp4"), "--sample-ml", "100", "--titrant", "0.01"),
        ("locate", str(SAMPLES / "mill-spring.mp4"), "--sample-ml", "0.1", "--titrant", "0.01"),
        ("locate", str(SAMPLES / "mill-spring.toml"), "--titrant", "0.01"),
        ("locate", str(SAMPLES / "mill-spring.toml"), "--liquid-box", "1,2,3"),
        ("locate", str(SAMPLES / "mill-spring.toml"), "--colour-matrix", "bt1"),
        ("locate", str(SAMPLES / "mill-spring.toml"), "--json", "/no/such/folder/x.json"),
        ("locate", str(SAMPLES / "README.md")),
        ("loacte",),
    ],
)
def test_bad_use_is_one_sentence_and_a_remedy(arguments: tuple[str, ...]) -> None:
    got = run(*arguments)
    assert got.exit_code == 2, got.output
    assert got.stdout == ""
    lines = got.stderr.strip().splitlines()
    assert lines[0].startswith("endpoint: ")
    assert len(lines) == 2
    assert "Traceback" not in got.stderr


def test_help_is_quick_to_import_and_lists_every_option() -> None:
    from endpoint.record.settings import OPTIONS

    got = run("locate", "--help")
    assert got.exit_code == 0
    for option in OPTIONS:
        assert "--" + option.name.replace("_", "-") in got.output
    heavy = "numpy scipy cv2 av matplotlib skimage"
    script = f"import sys, endpoint.cli; print([m for m in '{heavy}'.split() if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_the_alkalinity_of_a_recording_gives_its_carbonate_hardness(tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "quarry-pond.csv", tmp_path)
    record = tmp_path / "pond.toml"
    text = (SAMPLES / "quarry-pond.toml").read_text("utf-8")
    text = text.replace("added_ml = 5.0", "added_ml = 5.0\nalkalinity_mmol_l = 2.0")
    record.write_text(f"{text}\n[calcium]\ntitre_ml = 9.0\n", encoding="utf-8")
    out = tmp_path / "out"
    got = run("locate", record, "--out", out)
    assert got.exit_code == 0, got.stderr
    shown = " ".join(got.stdout.replace("\u00a0", " ").split())
    assert "Calcium: 0.9" in shown
    assert "Carbonate: 1.00 mmol/L = 100 mg/L as CaCO3 (uncertainty not known)." in shown
    assert "alkalinity (no uncertainty stated)" in shown
    parts = json.loads((out / "result.json").read_text("utf-8"))["parts"]
    assert {"calcium", "magnesium", "carbonate", "non_carbonate", "warnings"} == set(parts)
    assert run("report", out, "--pdf", tmp_path / "report.pdf").exit_code == 0
