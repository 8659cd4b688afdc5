"""Sheets of a standardisation: recordings as titres, remarks, and what bad sheets are told."""

from __future__ import annotations

import copy
import datetime
import json
import math
from pathlib import Path
from typing import Any

import pytest

from calibration.certificate import quantity_from_json, read_certificate, write_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Contribution, Quantity, Source
from calibration.sheet import read_sheet
from calibration.standardisation.titrant import certificate_from_sheet
from calibration.ware import weighing
from calibration.ware.burette import burette_from_certificate
from calibration.ware.glassware import burette_volume, ware_from_table
from tests.places import BENCH
from tests.titrant_sheets import BASE, BURETTE, TODAY, certificate, strength

SHARED = {
    "magnesium share, constants and pH": 0.012,
    "amount of indicator": 0.004,
    "mixing lag": 0.006,
    "drift and colour scale of the camera": 0.003,
}


# --- titres that are recordings ---------------------------------------------------------------


def result(
    folder: Path, number: int, value_ml: float, scatter_ml: float = 0.010, **changes: Any
) -> str:
    """Write what an analysis of a recording writes, as far as a sheet reads it."""
    # Sizes differ from run to run, as they do in analyses; over three runs they average to SHARED.
    sizes = {name: u * (0.9, 1.0, 1.1)[number % 3] for name, u in SHARED.items()}
    parts = {
        f"endpoint: {name}": Contribution(u, source=Source(0.0, "mL", u))
        for name, u in sizes.items()
    }
    parts["endpoint: scatter of the colour"] = Contribution(scatter_ml, "A", 60)
    burette = ware_from_table(BURETTE, "burette", "test")
    volume = burette_volume(burette, Quantity(value_ml, "mL", parts), "Standard")
    data = {
        "format": 1,
        "label": "Standard",
        "status": "located",
        "reasons": [],
        "equivalence_ml": {"value": value_ml, "standard_uncertainty": 0.02},
        "quantities": {"equivalence_ml": volume.to_json()},
        **changes,
    }
    path = folder / f"run-{number}" / "result.json"
    path.parent.mkdir(exist_ok=True)
    kept = {key: value for key, value in data.items() if value is not ...}
    path.write_text(json.dumps(kept), encoding="utf-8")
    return f"run-{number}/result.json"


def recorded(*names: str) -> dict[str, Any]:
    return {
        "titre": [{"result": name} for name in names],
        "end": {"read": "recording", "indicator": "Eriochrome Black T"},
        "ware.burette": ...,
    }


def test_recordings_share_what_is_common_and_average_the_rest(tmp_path: Path) -> None:
    names = [result(tmp_path, n, v) for n, v in enumerate((24.90, 24.91, 24.895), 1)]
    found = certificate(recorded(*names), tmp_path)
    c = found.quantity("concentration", "mol/L")
    mean = (24.90 + 24.91 + 24.895) / 3
    per_ml = c.value / mean

    def size_ml(part: str) -> float:
        sizes = [abs(k.value) for name, k in c.contributions.items() if part in name]
        return math.hypot(*sizes) / per_ml

    assert c.value == pytest.approx(strength().value * (74.69 / 3 + 0.03) / mean, rel=1e-9)
    assert found.details["scatter_from"] == "recordings"
    assert found.readings["titre_ml"] == (24.90, 24.91, 24.895)
    for name, u in SHARED.items():
        assert size_ml(name) == pytest.approx(u, rel=1e-6), name
    assert size_ml("burette B2: calibration") == pytest.approx(0.05 / math.sqrt(6.0), rel=1e-6)
    assert size_ml("scatter of the colour") == pytest.approx(0.010 / math.sqrt(3.0), rel=1e-3)
    reading = math.sqrt(2.0) * 0.02 / math.sqrt(6.0)
    assert size_ml("reading") == pytest.approx(reading / math.sqrt(3.0), rel=1e-3)
    # The name of the burette is that of every sheet, so that it cancels in a sample.
    assert "burette B2: calibration" in c.contributions
    # Lack of knowledge about this standard must not cancel in the recording of a sample.
    assert not [name for name in c.contributions if name.startswith("endpoint: ")]
    write_certificate(found, tmp_path / "edta.json")
    assert read_certificate(tmp_path / "edta.json").quantity("concentration", "mol/L") == c


def test_recordings_that_disagree_are_judged_by_their_scatter(tmp_path: Path) -> None:
    names = [result(tmp_path, n, v) for n, v in enumerate((24.80, 24.91, 25.02), 1)]
    found = certificate(recorded(*names), tmp_path)
    c = found.quantity("concentration", "mol/L")
    scatter = c.contributions["EDTA-7: scatter of the titres"]
    assert abs(scatter.value) / c.value == pytest.approx(0.11 / math.sqrt(3.0) / 24.91, rel=1e-6)
    assert (scatter.kind, scatter.degrees_of_freedom) == ("A", 2)
    assert not [name for name in c.contributions if "scatter of the colour" in name]
    assert [r for r in found.remarks if "more than the" in r]
    assert [r for r in found.remarks if "differ by 0.22 mL" in r]


def test_one_recording_has_an_uncertainty_of_its_own(tmp_path: Path) -> None:
    c = strength(recorded(result(tmp_path, 1, 24.90)), tmp_path)
    own = "EDTA-7, recording 1 (Standard): endpoint: scatter of the colour"
    assert abs(c.contributions[own].value) / c.value == pytest.approx(0.010 / 24.90, rel=1e-9)


def test_a_burette_without_a_name_is_no_burette_of_a_sample(tmp_path: Path) -> None:
    nameless = Quantity(24.9, "mL", {"burette: calibration": Contribution(0.02)})
    quantities = {"equivalence_ml": nameless.to_json()}
    found = certificate(recorded(result(tmp_path, 1, 24.9, quantities=quantities)), tmp_path)
    parts = found.quantity("concentration", "mol/L").contributions
    assert "burette: calibration" not in parts
    assert "burette: calibration, EDTA-7" in parts
    assert [r for r in found.remarks if "has no name" in r]
    bare = {"equivalence_ml": Quantity(24.9, "mL").to_json()}
    found = certificate(recorded(result(tmp_path, 1, 24.9, quantities=bare)), tmp_path)
    assert [r for r in found.remarks if "states no burette" in r]


def located(folder: Path, label: str, titrant: str) -> Path:
    """Result of the photometer rows that come with the tool, titrated with burette B2."""
    from click.testing import CliRunner

    from endpoint.cli import main

    rows = BENCH.parent / "quarry-pond.csv"
    (folder / rows.name).write_bytes(rows.read_bytes())
    record = folder / f"{label}.toml"
    record.write_text(
        f'''format = 1
        [sample]
        label = "{label}"
        deliveries_ml = [50.0, 50.0]
        added_ml = 5.0
        [titrant]
        {titrant}
        [recording]
        photometer = "{rows.name}"
        [ware]
        burette = {{ nominal_ml = 25, class = "A", division_ml = 0.05, name = "B5" }}
        pipette = {{ nominal_ml = 50, class = "A", name = "P1" }}
        ''',
        encoding="utf-8",
    )
    target = folder / f"{label}.json"
    run = CliRunner().invoke(main, ["locate", str(record), "--json", str(target)])
    assert run.exit_code == 0, run.output
    return target


def test_standard_and_sample_recorded_with_one_burette_and_one_pipette(tmp_path: Path) -> None:
    # The same rows serve as standard and as sample: what is shared must cancel altogether.
    standard = located(tmp_path, "Standard", "concentration_mol_l = 0.0100")
    changes = {
        **recorded(standard.name),
        "standard": {
            "substance": "zinc",
            "certified_mol_l": 0.001720,
            "expanded_uncertainty_mol_l": 0.000004,
        },
        "ware.flask": ...,
        "ware.pipette.nominal_ml": 50,
        "ware.pipette_fillings": 2,
    }
    found = certificate(changes, tmp_path)
    write_certificate(found, tmp_path / "edta.json")
    data = json.loads(
        located(tmp_path, "Sample", 'certificate = "edta.json"').read_text(encoding="utf-8")
    )
    held = data["quantities"]["hardness_mmol_l"]
    hardness = quantity_from_json(held, "test")
    assert hardness.value == pytest.approx(1.720, rel=1e-4)
    for name in ("burette B5: calibration", "pipette P1: calibration"):
        assert name in found.quantity("concentration", "mol/L").contributions
        assert abs(hardness.contributions[name].value) < 1e-5 * hardness.value
    scatters = [name for name in hardness.contributions if "scatter of the colour" in name]
    assert len(scatters) == 2


BAD_RESULTS: list[tuple[str, str, dict[str, Any]]] = [
    ("never-reached", "is red to the end", {"status": "none"}),
    ('not "located"', "more slowly", {"status": "bracketed"}),
    ("kept their contributions", "Analyse that recording again", {"quantities": ...}),
    ("kept their contributions", "Analyse that recording again", {"quantities": 3}),
    ("not a result of an analysis", "result.json", {"format": 2}),
    ("not a result of an analysis", "result.json", {"status": ...}),
    ("cannot be used", "", {"quantities": {"equivalence_ml": {"value": 3}}}),
    (
        "equivalence volume of -1 mL",
        "Analyse",
        {"quantities": {"equivalence_ml": Quantity(-1.0, "mL").to_json()}},
    ),
]


@pytest.mark.parametrize(("words", "remedy", "changes"), BAD_RESULTS)
def test_results_that_cannot_be_used(
    words: str, remedy: str, changes: dict[str, Any], tmp_path: Path
) -> None:
    reasons = {
        "none": ("never-reached: it is red to the end.", "It is red to the end: add more."),
        "bracketed": ("The end lies in a gap.", "Add more slowly near the end."),
    }
    text, advice = reasons.get(str(changes.get("status")), ("", ""))
    reason = [{"code": "x", "text": text, "advice": advice}]
    name = result(tmp_path, 1, 24.9, **{"reasons": reason, **changes})
    with pytest.raises(CalibrationProblem) as caught:
        certificate(recorded(name), tmp_path)
    assert caught.value.sentence.startswith("edta.toml: titre, row 1, result")
    assert words in caught.value.sentence
    assert remedy in str(caught.value)


def test_result_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "text.json").write_text("{", encoding="utf-8")
    (tmp_path / "picture.json").write_bytes(b"\xff\xd8\xff")
    good = result(tmp_path, 1, 24.9)
    for names, words in (
        (["none.json"], "cannot be read"),
        (["folder"], "is a folder"),
        (["text.json"], "not valid JSON"),
        (["picture.json"], "not a text file"),
        (["a\0b"], "result"),
        ([good, "run-1/../" + good], "row 2, result is the recording of edta.toml: titre, row 1"),
    ):
        with pytest.raises(CalibrationProblem, match=r"edta\.toml") as caught:
            certificate(recorded(*names), tmp_path)
        assert words in caught.value.sentence


def test_recordings_and_readings_are_not_mixed(tmp_path: Path) -> None:
    name = result(tmp_path, 1, 24.9)
    mixed = {**recorded(name), "titre": [{"result": name}, {"volume_ml": 24.9}]}
    for changes in (mixed, {"titre": [{"result": name}]}):
        with pytest.raises(CalibrationProblem, match="is a recording, but"):
            certificate(changes, tmp_path)


# --- ware with a certificate ------------------------------------------------------------------


def weighed(folder: Path, name: str) -> str:
    """Write the certificate of a piece of ware from the sheet that comes with the tool."""
    (sheet,) = BENCH.glob(f"{name}.*")
    made = weighing.certificate_from_sheet(read_sheet(sheet, TODAY))
    write_certificate(made, folder / f"{name}.json")
    return f"{name}.json"


def test_ware_with_a_certificate(tmp_path: Path) -> None:
    name = weighed(tmp_path, "burette-b2")
    plain = strength()
    for stated in ({"certificate": name}, name):
        found = certificate({"ware.burette": stated}, tmp_path)
        c = found.quantity("concentration", "mol/L")
        assert found.details["burette"] == "burette B2"
        burette = burette_from_certificate(read_certificate(tmp_path / name))
        corrections = [burette.correction_at(v).value for v in (24.87, 24.92, 24.90)]
        net = 74.69 / 3 + 0.03
        expected = plain.value * net / (net + sum(corrections) / 3)
        assert c.value == pytest.approx(expected, rel=1e-9)
        assert [n for n in c.contributions if n.startswith("burette B2: calibration burette-b2")]
        # Weighed, the burette is known better than by its class.
        assert c.standard_uncertainty < plain.standard_uncertainty
    # From another start of the scale another correction counts.
    moved = {f"titre.{n}.start_ml": 10.0 for n in range(3)}
    shifted = strength({"ware.burette": name, **moved}, tmp_path)
    corrections = [
        burette.correction_at(10.0 + v).value - burette.correction_at(10.0).value
        for v in (24.87, 24.92, 24.90)
    ]
    expected = plain.value * net / (net + sum(corrections) / 3)
    assert shifted.value == pytest.approx(expected, rel=1e-9)


def test_certificates_of_ware_that_cannot_be_used(tmp_path: Path) -> None:
    name = weighed(tmp_path, "burette-b2")
    write_certificate(certificate(), tmp_path / "edta.json")
    late = {"certificate.date": datetime.date(2026, 10, 1), "ware.burette": name}
    for changes, words in (
        ({"ware.burette": "none.json"}, "cannot be read"),
        ({"ware.pipette": name}, "the certificate of a burette"),
        ({"ware.burette": "edta.json"}, "is for titrant"),
        (late, "after the day of use"),
        ({"ware.burette": {"certificate": name, "name": "B2"}}, "name is not known"),
    ):
        with pytest.raises(CalibrationProblem, match=r"edta\.toml: ware") as caught:
            certificate(changes, tmp_path)
        assert words in caught.value.sentence


def test_expired_ware_is_used_only_when_told_so(tmp_path: Path) -> None:
    data = json.loads((tmp_path / weighed(tmp_path, "burette-b2")).read_text(encoding="utf-8"))
    data["expiry"] = "2026-11-05"
    (tmp_path / "old.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(CalibrationProblem, match="expired on 2026-11-05"):
        certificate({"ware.burette": "old.json"}, tmp_path)
    accepted = {"ware.burette": "old.json", "certificates": {"accept": [data["id"]]}}
    assert [r for r in certificate(accepted, tmp_path).remarks if "expired on 2026-11-05" in r]


# --- bad sheets -------------------------------------------------------------------------------

BAD: list[tuple[str, str, dict[str, Any]]] = [
    ("standard, mass_mg is 0.2503 mg", "looks like g: in mg it would be 250.3",
     {"standard.mass_mg": 0.2503}),
    ("titre, row 2, volume_ml is 0.02492 mL", "looks like L: in mL it would be 24.92",
     {"titre.1": {"volume_ml": 0.02492}}),
    ("titrant, nominal_mol_l is 10 mol/L", "looks like mmol/L", {"titrant.nominal_mol_l": 10}),
    ("standard, purity_percent is 0.9995 %", "fraction", {"standard.purity_percent": 0.9995}),
    ("ware, flask", "Listed by ISO", {"ware.flask.nominal_ml": 250.3}),
    ("titrant, temperature_c is 293.15", "kelvin", {"titrant.temperature_c": 293.15}),
    # Mass and titre swapped, flask and pipette swapped.
    ("titre, row 1, volume_ml is 250.3 mL, but burette B2 holds 50 mL", "fills = 2",
     {"standard.mass_mg": 24.87, "titre.0": {"volume_ml": 250.3}}),
    ("times the nominal_mol_l", "swapped",
     {"ware.flask.nominal_ml": 25, "ware.pipette.nominal_ml": 50}),
    ("0.01254 mol/L, 1.25 times", "Check the mass", {"standard.mass_mg": 313.0}),
    ("titre, row 1, volume_ml is 62.1 mL, but burette B2 holds 50 mL", "fills",
     {"titre.0": {"volume_ml": 62.1}}),
    ("certificate, date is 2026-11-26, which is in the future", "clock",
     {"certificate.date": datetime.date(2026, 11, 26)}),
    ("certificate, expiry is 2026-11-01, before the date", "swapped",
     {"certificate.expiry": datetime.date(2026, 11, 1)}),
    ("holds 0 reading(s) [[titre]]", "Add a [[titre]]", {"titre": ...}),
    ("holds one titre", "[repeatability]", {"titre": [{"volume_ml": 24.9}]}),
    ("row 1: volume_ml is missing", "volume_m ", {"titre.0": {"volume_m": 24.9}}),
    ("row 1: drop is not known", "", {"titre.0": {"volume_ml": 24.9, "drop": 2}}),
    ('substance is "calcium carbonat"', "calcium carbonate",
     {"standard.substance": "calcium carbonat"}),
    ('is "calcium", which is not weighed', "certified_mol_l", {"standard.substance": "calcium"}),
    ("certified_mol_l is given, and mass_mg too", "Keep mass_mg",
     {"standard.certified_mol_l": 0.01}),
    ("mass_mg is missing", "", {"standard.mass_mg": ...}),
    ("purity_half_width_percent is missing", "", {"standard.purity_half_width_percent": ...}),
    ("ware: flask is missing", "Add flask", {"ware.flask": ...}),
    ("ware, burette: name is missing", "Add name", {"ware.burette": {"nominal_ml": 50}}),
    ("ware: bottle is not known", "", {"ware.bottle": "x"}),
    ("end: analyst is missing", "Add analyst", {"end.analyst": ...}),
    ('end, read is "eyes"', 'Did you mean "eye"?', {"end.read": "eyes"}),
    ("error_standard_uncertainty_ml is missing", "in mL",
     {"end.error_standard_uncertainty_ml": ...}),
    ("belongs to an end that is read by eye", "Leave it out", {"end.read": "recording"}),
    ("blank, volume_ml is 30", "", {"blank": {"volume_ml": 30.0}}),
    ("not smaller than the mean titre", "swapped",
     {"blank": {"volume_ml": 3.0}, "titre": [{"volume_ml": 2.5}, {"volume_ml": 2.5}]}),
    ("nothing is left of the titre", "error_ml",
     {"end.error_ml": 2.0, "titre": [{"volume_ml": 1.5}, {"volume_ml": 1.6}]}),
    ("tirtant is not known", "Did you mean titrant?", {"tirtant": {}}),
    ("had expired on the day of use", "still valid",
     {"ware.flask": ..., "standard": {
         "substance": "calcium", "certified_mg_l": 400.0, "expanded_uncertainty_mg_l": 1.0,
         "expiry": datetime.date(2026, 11, 8)}}),
    ("certified_mol_l is 10 mol/L", "mmol/L",
     {"standard": {"substance": "zinc", "certified_mol_l": 10.0}}),
    ("certified_mg_l is given, and certified_mol_l too", "one of the two",
     {"standard": {"substance": "zinc", "certified_mol_l": 0.01, "certified_mg_l": 650.0}}),
    ("repeatability, standard_deviation_ml is 20", "",
     {"repeatability": {"standard_deviation_ml": 20.0, "titrations": 5}}),
]  # fmt: skip


@pytest.mark.parametrize(("words", "remedy", "changes"), BAD, ids=[words for words, _, _ in BAD])
def test_bad_sheets_name_cell_and_remedy(words: str, remedy: str, changes: dict[str, Any]) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        certificate(changes)
    assert words in caught.value.sentence
    assert remedy.strip() in caught.value.remedy
    assert caught.value.sentence.startswith("edta.toml")
    assert len(str(caught.value)) < 400


def test_every_cell_may_be_anything_without_a_traceback() -> None:
    junk: list[Any] = [None, True, -1, 0, 1e300, 10**400, math.nan, math.inf, "", "x", [], {}, [{}]]

    def places(table: Any, path: str = "") -> list[str]:
        items = table.items() if isinstance(table, dict) else enumerate(table)
        found = []
        for key, value in items:
            here = f"{path}.{key}" if path else str(key)
            found.append(here)
            if isinstance(value, dict | list):
                found += places(value, here)
        return found

    for place in places(copy.deepcopy(BASE)):
        for value in junk:
            try:
                found = certificate({place: value})
            except CalibrationProblem as problem:
                assert problem.sentence
                assert problem.remedy
            else:
                assert math.isfinite(found.quantity("concentration", "mol/L").standard_uncertainty)


# --- remarks ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "changes"),
    [
        ("No expiry is stated", {"certificate.expiry": ...}),
        ("hold for 365 days", {"certificate.expiry": datetime.date(2027, 11, 9)}),
        ("Keep it in polyethylene", {"titrant.stored_in": ...}),
        ("kept in soft glass", {"titrant.stored_in": "soft glass"}),
        ("+6.4 % from the nominal", {"standard.mass_mg": 265.5}),
        ("is not stated: 0 mL with the standard uncertainty 0.05 mL",
         {"end.error_ml": ..., "end.error_standard_uncertainty_ml": ...}),
        ("less than 30 % of the burette",
         {"ware.burette": {**BURETTE, "nominal_ml": 100, "division_ml": 0.2}}),
        ("differ by 0.13 mL", {"titre.0": {"volume_ml": 24.79}}),
        ("loses water", {"standard.substance": "zinc sulfate heptahydrate",
                         "standard.mass_mg": 719.0}),
    ],
)  # fmt: skip
def test_what_is_remarked(words: str, changes: dict[str, Any]) -> None:
    assert [remark for remark in certificate(changes).remarks if words in remark]
    assert not [remark for remark in certificate().remarks if words in remark]


def test_titres_may_stand_in_a_csv_file(tmp_path: Path) -> None:
    text = (BENCH / "edta-caco3.toml").read_text(encoding="utf-8").split("[[titre]]")[0]
    rows = "volume_ml;start_ml\n24,97;0\n25,01;0\n24,98;0\n"
    (tmp_path / "rows.csv").write_text(rows, encoding="utf-8")
    named = text.replace("format = 1", 'format = 1\ncsv = "rows.csv"')
    (tmp_path / "edta.toml").write_text(named, encoding="utf-8")
    found = certificate_from_sheet(read_sheet(tmp_path / "edta.toml", TODAY))
    assert found == certificate_from_sheet(read_sheet(BENCH / "edta-caco3.toml", TODAY))


def test_blank_is_taken_off() -> None:
    plain = strength()
    blank = strength({"blank": {"volume_ml": 0.05, "standard_uncertainty_ml": 0.02}})
    mean = 74.69 / 3
    # Alone the titre has its end error of -0.03 mL taken off; with a blank they share it.
    assert blank.value == pytest.approx(plain.value * (mean + 0.03) / (mean - 0.05), rel=1e-9)
    part = blank.contributions["blank, EDTA-7"].value / blank.value
    assert part == pytest.approx(0.02 / (mean - 0.05), rel=1e-9)


def test_a_burette_that_was_filled_twice_counts_its_error_twice() -> None:
    big = {"titre": [{"volume_ml": 60.0, "fills": 2}] * 2, "standard.mass_mg": 600.0}
    c = strength(big)
    part = c.contributions["burette B2: calibration"].value / c.value
    assert -part == pytest.approx(2 * 0.05 / math.sqrt(6.0) / 60.03, rel=1e-9)


# --- the sheets that come with the tool -------------------------------------------------------


@pytest.mark.parametrize("name", ["edta-caco3", "edta-zinc", "edta-eye"])
def test_bench_sheets(name: str, tmp_path: Path) -> None:
    found = certificate_from_sheet(read_sheet(BENCH / f"{name}.toml", TODAY))
    c = found.quantity("concentration", "mol/L")
    assert c.value == pytest.approx(0.01, rel=0.02)
    assert 5e-4 < c.standard_uncertainty / c.value < 5e-3
    assert found.check_use("titrant", TODAY) == ()
    write_certificate(found, tmp_path / "edta.json")
    assert read_certificate(tmp_path / "edta.json") == found
