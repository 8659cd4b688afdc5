"""From sheets through certificates to results: what is shared cancels, what is old is refused."""

from __future__ import annotations

import datetime
import json
import math
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.instruments.tone import srgb
from calibration.quantity import Quantity
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.record.titration import read_record
from endpoint.report.folder import curve_csv
from endpoint.result.document import document
from tests.command import located, run
from tests.kept_films import copied
from tests.places import ROOT

BENCH = ROOT / "sample_media" / "bench"

RECORD = """\
format = 1
[sample]
label = "Quarry pond"
date = 2026-11-20
deliveries_ml = [50.0, 50.0]
added_ml = 5.0
[titrant]
{titrant}
[recording]
photometer = "quarry-pond.csv"
[ware]
burette = {burette}
pipette = {{ nominal_ml = 50, class = "A", name = "P1" }}
{more}
"""
BY_CLASS = '{ nominal_ml = 50, class = "A", division_ml = 0.1, name = "B2" }'
TYPED = "concentration_mol_l = 0.0100\nstandard_uncertainty_mol_l = 0.00002"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Folder with the sheets, a recording and the certificates made from the sheets."""
    for sheet in ("edta-caco3.toml", "burette-b2.toml", "pipette-p1.csv", "photometer.csv"):
        shutil.copy(BENCH / sheet, tmp_path)
    shutil.copy(ROOT / "sample_media" / "quarry-pond.csv", tmp_path)
    for kind, sheet in (
        ("glassware", "burette-b2.toml"),
        ("glassware", "pipette-p1.csv"),
        ("titrant", "edta-caco3.toml"),
        ("photometer", "photometer.csv"),
    ):
        made = run("calibrate", kind, tmp_path / sheet)
        assert made.exit_code == 0, made.stderr
    return tmp_path


def write(
    folder: Path, titrant: str = TYPED, burette: str = BY_CLASS, more: str = "", **change: str
) -> Path:
    text = RECORD.format(titrant=titrant, burette=burette, more=more)
    for old, new in change.items():
        text = text.replace(old, new)
    path = folder / "pond.toml"
    path.write_text(text, encoding="utf-8")
    return path


def contribution(data: dict[str, Any], name: str) -> float:
    parts = data["quantities"]["hardness_mmol_l"]["contributions"]
    return float(parts[name]["value"])


def test_one_burette_for_standard_and_sample_cancels_to_the_remainder_through_files(
    bench: Path,
) -> None:
    alone = located(write(bench))
    both = located(write(bench, 'certificate = "edta-caco3.json"'))
    name = "burette B2: calibration"
    u_ml = 0.05 / math.sqrt(6.0)
    sample_ml = both["quantities"]["equivalence_ml"]["value"]
    sheet = tomllib.loads((bench / "edta-caco3.toml").read_text(encoding="utf-8"))
    titres = [row["volume_ml"] for row in sheet["titre"]]
    net_ml = (
        math.fsum(titres) / len(titres) - 0.04
    )  # less the blank, which takes the end error with it
    mmol_l = both["hardness"]["mmol_l"]["value"]
    assert contribution(alone, name) == pytest.approx(
        alone["hardness"]["mmol_l"]["value"] * u_ml / sample_ml, rel=1e-6
    )
    # dH/H = e/V_sample - e/V_standard, first order.
    remainder = mmol_l * u_ml * (1.0 / sample_ml - 1.0 / net_ml)
    assert contribution(both, name) == pytest.approx(remainder, rel=2e-3)
    assert abs(contribution(both, name)) < 0.4 * abs(contribution(alone, name))


def test_the_end_error_of_the_eye_stays_where_the_sample_is_a_recording(bench: Path) -> None:
    # With a blank by the same eye the titrant has no such error.
    name = "end read by eye: MR, Eriochrome Black T"
    record = write(bench, 'certificate = "edta-caco3.json"')
    parts = located(record)["quantities"]["hardness_mmol_l"]["contributions"]
    assert name not in parts
    sheet = bench / "edta-caco3.toml"
    blank = "[blank]\nvolume_ml = 0.04\nstandard_uncertainty_ml = 0.02\n"
    assert blank in sheet.read_text("utf-8")
    sheet.write_text(sheet.read_text("utf-8").replace(blank, ""), encoding="utf-8")
    made = run("calibrate", "titrant", sheet, "--out", bench / "no-blank.json")
    assert made.exit_code == 0, made.stderr
    both = located(write(bench, 'certificate = "no-blank.json"'))
    mmol_l = both["hardness"]["mmol_l"]["value"]
    net_ml = (24.97 + 25.01 + 24.98) / 3 - 0.02
    assert abs(contribution(both, name)) == pytest.approx(mmol_l * 0.03 / net_ml, rel=2e-3)


def test_result_lists_its_certificates_and_its_shares_sum_to_one(bench: Path) -> None:
    path = write(
        bench,
        'certificate = "edta-caco3.json"',
        '"burette-b2.json"',
        "temperature_c = 22.0\n[calcium]\ntitre_ml = 13.10",
        **{
            'photometer = "quarry-pond.csv"': 'photometer = "quarry-pond.csv"\n'
            'certificate = "photometer.json"'
        },
    )
    data = located(path)
    assert {c["purpose"]: c["id"] for c in data["certificates"]} == {
        "titrant": "EDTA-7",
        "burette": "burette-b2-2026",
        "photometer": "photometer-2026-09",
    }
    assert all(c["reservations"] == [] for c in data["certificates"])
    assert math.fsum(line["share"] for line in data["budget"]) == pytest.approx(1.0)
    for line in data["budget"]:
        if line["sensitivity"] is not None:
            assert abs(line["sensitivity"]) * line["standard_uncertainty"] == pytest.approx(
                line["contribution"]
            )
    by_name = {line["name"]: line for line in data["budget_inputs"]}
    assert set(by_name) == {
        "equivalence volume",
        "titrant",
        "sample, delivery 1",
        "sample, delivery 2",
    }
    # The correction of the burette and the temperature of 22 °C are in the volume that is used.
    used, read = by_name["equivalence volume"]["value"], data["equivalence_ml"]["value"]
    assert used - read == pytest.approx(0.0204 - read * 2 * 2.1e-4, abs=0.004)
    parts = data["parts"]
    total = data["hardness"]["mmol_l"]["value"]
    calcium = parts["calcium"]["mmol_l"]["value"]
    assert calcium + parts["magnesium"]["mmol_l"]["value"] == pytest.approx(total)
    assert parts["magnesium"]["ion_mg_l"]["value"] == pytest.approx((total - calcium) * 24.305)


def test_an_expired_certificate_is_used_only_when_told_so(bench: Path) -> None:
    file = bench / "edta-caco3.json"
    kept = json.loads(file.read_text(encoding="utf-8"))
    file.write_text(json.dumps({**kept, "expiry": "2026-11-15"}), encoding="utf-8")
    path = write(bench, 'certificate = "edta-caco3.json"')
    refused = run("locate", path, "--json", "-")
    assert refused.exit_code == 2
    assert "EDTA-7" in refused.stderr
    assert "expired on 2026-11-15" in refused.stderr
    assert "accept" in refused.stderr
    data = located(path, "--accept-certificate", "EDTA-7")
    (used,) = data["certificates"]
    assert "expired on 2026-11-15" in used["reservations"][0]
    in_record = write(
        bench,
        'certificate = "edta-caco3.json"',
        more='[certificates]\naccept = ["EDTA-7"]',
    )
    assert located(in_record)["certificates"] == data["certificates"]
    shown = run("locate", in_record).stdout
    assert "expired on 2026-11-15" in " ".join(shown.split())


def test_a_titration_in_the_future_is_refused(bench: Path) -> None:
    refused = run("locate", write(bench, **{"2026-11-20": "2199-01-01"}))
    assert refused.exit_code == 2
    assert "sample.date is 2199-01-01, which is in the future" in refused.stderr


def test_a_certificate_made_after_the_titration_is_refused(bench: Path) -> None:
    path = write(bench, 'certificate = "edta-caco3.json"', **{"2026-11-20": "2026-11-01"})
    refused = run("locate", path)
    assert refused.exit_code == 2
    assert "after the day of use 2026-11-01" in refused.stderr


def test_a_certificate_of_other_ware_is_refused_or_stands_in_the_result(bench: Path) -> None:
    other = '{ certificate = "burette-b2.json", name = "B3" }'
    refused = run("locate", write(bench, burette=other))
    assert refused.exit_code == 2
    assert "name B2, but the record says B3" in refused.stderr
    data = located(write(bench, burette=other), "--accept-certificate", "burette-b2-2026")
    assert "B3" in data["certificates"][0]["reservations"][0]
    wrong = run("locate", write(bench, burette='"pipette-p1.json"'))
    assert wrong.exit_code == 2
    assert "pipette" in wrong.stderr
    kind = run("locate", write(bench, burette='"edta-caco3.json"'))
    assert kind.exit_code == 2
    assert "is for titrant" in kind.stderr


def test_titre_below_a_third_of_the_burette_is_remarked(bench: Path) -> None:
    hundred = '{ nominal_ml = 100, class = "A", division_ml = 0.2, name = "B9" }'
    data = located(write(bench, burette=hundred))
    assert any("30 %" in note for note in data["notes"])
    assert not any("30 %" in note for note in located(write(bench))["notes"])


def test_calibrate_keeps_what_is_there(bench: Path) -> None:
    before = (bench / "edta-caco3.json").read_bytes()
    refused = run("calibrate", "titrant", bench / "edta-caco3.toml")
    assert refused.exit_code == 2
    assert "already exists" in refused.stderr
    assert (bench / "edta-caco3.json").read_bytes() == before
    assert run("calibrate", "titrant", bench / "edta-caco3.toml", "--replace").exit_code == 0
    printed = run("calibrate", "titrant", bench / "edta-caco3.toml", "--json", "-")
    assert json.loads(printed.stdout)["id"] == "EDTA-7"


def test_certificates_lists_by_expiry_and_passes_results_over(bench: Path) -> None:
    run("locate", write(bench), "--out", bench / "out")
    listed = run("certificates", bench)
    assert listed.exit_code == 0
    lines = listed.stdout.splitlines()
    assert [line.split()[0] for line in lines[1:5]] == [
        "EDTA-7",
        "photometer-2026-09",
        "burette-b2-2026",
        "pipette-p1-2026",
    ]
    data = json.loads(run("certificates", bench, "--json", "-").stdout)
    assert [c["kind"] for c in data["certificates"]] == [
        "titrant",
        "photometer",
        "glassware",
        "glassware",
    ]
    assert data["unreadable"] == []
    (bench / "broken.json").write_text('{"id": 3, "kind": "titrant", "quantities": {}}')
    again = run("certificates", bench)
    assert "broken.json" in again.stdout
    assert "Cannot be used" in again.stdout


def test_every_certificate_reads_back_as_it_was_written(bench: Path) -> None:
    for path in bench.glob("*.json"):
        certificate = read_certificate(path)
        assert certificate.to_json() == json.loads(path.read_text(encoding="utf-8"))


def test_a_clock_that_is_ahead_is_set_right(tmp_path: Path) -> None:
    rows = (ROOT / "sample_media" / "quarry-pond.csv").read_text(encoding="utf-8").splitlines()
    volumes, table = ["time_s;volume_ml"], ["time_s;A530;A620"]
    for n, row in enumerate(rows[1:]):
        volume, a, b = row.split(";")
        volumes.append(f"{30 * n + 1};{volume}")
        table.append(f"{30 * n + 1 + 95.0 + 20.0};{a};{b}")
    (tmp_path / "v.csv").write_text("\n".join(volumes))
    (tmp_path / "a.csv").write_text("\n".join(table))
    log = '[delivery]\nlog = "v.csv"\nmode = "steps"\n'
    text = RECORD.format(titrant=TYPED, burette=BY_CLASS, more=log).replace(
        "quarry-pond.csv", "a.csv"
    )
    path = tmp_path / "r.toml"
    truth = located(ROOT / "sample_media" / "quarry-pond.toml")["equivalence_ml"]["value"]
    path.write_text(text)
    wrong = run("locate", path, "--json", "-")
    shifted = json.loads(wrong.stdout)["equivalence_ml"] if wrong.exit_code == 0 else None
    assert shifted is None or abs(shifted["value"] - truth) > 0.05
    path.write_text(text + "clock_offset_s = 95.0\nclock_offset_uncertainty_s = 0.5\n")
    assert located(path)["equivalence_ml"]["value"] == pytest.approx(truth, abs=0.003)


def camera(folder: Path, power: float | None) -> None:
    """Certificate of a camera with the sRGB curve, or with a pure power."""
    encoded = [n / 256 for n in range(257)]
    linear = [float(srgb(e)) if power is None else e**power for e in encoded]
    certificate = Certificate(
        "camera-1",
        "camera",
        "bench camera",
        datetime.date(2026, 11, 1),
        None,
        "KT",
        {"response deviation": Quantity(0.0, "1")},
        details={
            "response": {"encoded": encoded, "linear": linear},
            "chart": {"ratio_matrix": [[0.8, 0.2, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]},
        },
    )
    write_certificate(certificate, folder / "camera.json")


def looked_at(path: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """Document of a record, and the first row of its curve by the names of the columns."""
    job, source = prepare(read_record(path))
    result = analyse(source, job)
    header, first = curve_csv(result).splitlines()[:2]
    return document(result, {}), dict(zip(header.split(","), first.split(","), strict=True))


def test_the_tone_curve_of_the_camera_is_used(tmp_path: Path) -> None:
    path = copied("stills", tmp_path)
    text = path.read_text(encoding="utf-8")
    plain, plain_row = looked_at(path)
    key = "[recording]\n"
    assert key in text
    path.write_text(text.replace(key, key + 'certificate = "camera.json"\n'), encoding="utf-8")
    camera(path.parent, None)
    same, same_row = looked_at(path)
    assert same["equivalence_ml"]["value"] == pytest.approx(
        plain["equivalence_ml"]["value"], abs=1e-4
    )
    assert same["certificates"][0]["purpose"] == "camera"
    camera(path.parent, 1.6)
    _, other_row = looked_at(path)
    # A lower power makes the same picture lighter: less density. The matrix only moves the hue.
    assert float(other_row["density_green"]) < 0.85 * float(plain_row["density_green"])
    assert same_row["density_green"] == plain_row["density_green"]
    assert abs(float(same_row["hue_deg"]) - float(plain_row["hue_deg"])) > 0.5
