"""Indicators from data files: right volumes, words of their own, wrong files told."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import Flask, constants_at, speciate
from endpoint.chemistry.indicator_file import (
    indicator_names,
    named_indicator,
    parse_indicator,
    read_indicator,
)
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.chemistry.other_indicators import letters_of, other_indicator, shows_no_metal
from endpoint.colour.density import measure, trace
from endpoint.curve.gathering import from_colour
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import fit_transition, magnesium_share
from endpoint.equivalence.model import Priors, priors_for
from endpoint.problems import RecordProblem
from endpoint.recording.frame import ArrayFrame, Box
from endpoint.scene.region import locate
from endpoint.verdict.evidence import Evidence
from endpoint.verdict.verdict import Verdict, hindrance, judge
from sample_media.light import WAVELENGTHS_NM, camera, tone
from sample_media.simulated import careful_additions
from tests.indicator_plans import drawn_constants, titrate

FloatArray = NDArray[np.float64]
OTHERS = tuple(name for name in indicator_names() if name != ERIOCHROME_BLACK_T.name)


def verdict_of(curve: Curve, indicator: Indicator) -> Verdict:
    change = hindrance(curve, indicator) is None
    fit = fit_transition(curve, 0.01, None, indicator) if change else None
    return judge(Evidence(curve, fit, priors_for(indicator), indicator))


def test_the_usual_file_says_what_the_program_assumes() -> None:
    assert named_indicator("Eriochrome Black T") == ERIOCHROME_BLACK_T
    assert named_indicator("ebt") == ERIOCHROME_BLACK_T
    k = constants_at(10.0)
    found = replace(ERIOCHROME_BLACK_T, conditions=None)
    assert found.constants.log_k_edta == pytest.approx((k.log_ca_edta, k.log_mg_edta))
    assert found.constants.log_k_indicator == pytest.approx(
        (k.log_ca_indicator, k.log_mg_indicator)
    )
    assert priors_for(found) == Priors()
    # In a usual flask little salt makes up for ammonia: tests/chemistry/test_conditions.py.
    assert ERIOCHROME_BLACK_T.constants.log_k_edta == pytest.approx(
        found.constants.log_k_edta, abs=0.2
    )


def test_conditional_constants_by_hand() -> None:
    # Worked by hand. Itoh and Ueno (from memory): 5.85, pKa 13.67; pH 12.5, CaOH 1.3.
    found = named_indicator("Patton-Reeder indicator").constants
    hydroxide = math.log10(1.0 + 10.0 ** (1.3 - 1.5))
    assert found.log_k_indicator[0] == pytest.approx(
        5.85 - math.log10(1 + 10**1.17) - hydroxide, abs=1e-3
    )
    assert found.log_k_edta[0] == pytest.approx(
        10.65 - math.log10(1 + 10**-2.23) - hydroxide, abs=1e-3
    )
    # A maker's data sheet (Dojindo H007, read): log K' of calcium 2.82 at pH 10, pKa 12.91.
    table = tomllib.loads(
        (files("endpoint.chemistry") / "indicator_files" / "hydroxynaphthol-blue.toml").read_text(
            "utf-8"
        )
    )
    table["indicator"] |= {"ph": 10.0, "ph_range": [9.8, 10.2]}
    at_ten = parse_indicator(table, "hnb.toml").constants
    assert at_ten.log_k_indicator[0] == pytest.approx(2.82, abs=0.01)


@pytest.mark.parametrize("name", OTHERS)
def test_equivalence_volume_and_its_interval(name: str) -> None:
    # 30 curves, constants drawn as widely as the file says they are unsure: a true coverage of
    # 95 % gives 25 or more hits in 99.7 % of all cases.
    indicator = named_indicator(name)
    errors, inside, located = [], 0, 0
    for seed in range(1000, 1030):
        run = titrate(indicator, seed)
        assert hindrance(run.curve, indicator) is None
        fit = fit_transition(run.curve, 0.01, None, indicator)
        found = judge(Evidence(run.curve, fit, priors_for(indicator), indicator))
        located += found.status == "located"
        value = fit.equivalence
        errors.append((value.value_ml - run.equivalence_ml) / value.standard_uncertainty_ml)
        inside += value.low_ml <= run.equivalence_ml <= value.high_ml
        assert abs(value.value_ml - run.equivalence_ml) < 0.06
    assert located >= 28
    assert inside >= 25
    assert abs(np.mean(errors)) < 0.6


def test_a_single_metal_has_no_magnesium() -> None:
    indicator = named_indicator("Calconcarboxylic acid")
    fit = fit_transition(titrate(indicator, 3).curve, 0.01, None, indicator)
    assert "root_magnesium_ratio" not in fit.parameters
    assert "split_log_k_edta" not in fit.parameters
    assert magnesium_share(fit) == (0.0, 0.0, 0.0)
    assert "constants and pH" in fit.contributions_ml
    assert not any("magnesium" in part for part in fit.contributions_ml)
    assert indicator.is_hardness
    assert indicator.titrated == "calcium"
    assert not named_indicator("XO").is_hardness


@pytest.mark.parametrize(
    ("name", "bound", "free"),
    [
        ("Calconcarboxylic acid", "red", "blue"),
        ("Murexide", "pink", "purple"),
        ("Xylenol orange", "violet", "yellow"),
    ],
)
def test_sentences_use_the_colours_of_the_indicator(name: str, bound: str, free: str) -> None:
    indicator = named_indicator(name)
    before = verdict_of(titrate(indicator, 5, stop_ml=-3.0).curve, indicator)
    assert [r.code for r in before.reasons] == ["never-reached"]
    assert f"still {bound} at" in before.reasons[0].text
    assert f"until the {free} colour stays" in before.reasons[0].advice
    assert before.above_ml is not None
    rest = titrate(indicator, 5, forms=(np.array(indicator.free.camera_density) * 0.8,) * 2)
    blue = verdict_of(rest.curve, indicator)
    assert [r.code for r in blue.reasons] == ["already-blue"]
    assert f"was {free} from the start" in blue.reasons[0].text
    assert "{" not in "".join(r.text + r.advice for r in (*before.reasons, *blue.reasons))


@pytest.mark.parametrize(
    ("used", "named"),
    [
        ("Xylenol orange", "Eriochrome Black T"),
        ("Eriochrome Black T", "Xylenol orange"),
        ("Murexide", "Xylenol orange"),
        ("Xylenol orange", "Calconcarboxylic acid"),
        ("Calconcarboxylic acid", "Xylenol orange"),
    ],
)
def test_the_wrong_file_is_refused(used: str, named: str) -> None:
    for seed in range(4):
        run = titrate(named_indicator(used), seed, magnesium=0.2 if used[0] == "E" else 0.0)
        found = verdict_of(run.curve, named_indicator(named))
        assert found.status == "none"
        assert [r.code for r in found.reasons] == ["other-colour"]


@pytest.mark.parametrize(
    ("used", "named"),
    [("Murexide", "Hydroxynaphthol blue"), ("Eriochrome Black T", "Murexide")],
)
def test_a_file_of_nearly_the_same_colours_is_flagged(used: str, named: str) -> None:
    told = 0
    for seed in range(10):
        run = titrate(named_indicator(used), seed, magnesium=0.2 if used[0] == "E" else 0.0)
        found = verdict_of(run.curve, named_indicator(named))
        told += found.status == "none" or "colour-unlike" in {r.code for r in found.remarks}
    assert told == 10
    own = [
        verdict_of(titrate(named_indicator(used), seed).curve, named_indicator(used))
        for seed in range(5)
    ]
    assert not any("colour-unlike" in {r.code for r in one.remarks} for one in own)


# --- through a camera -------------------------------------------------------------------------

# Spectra as sums of bands: height (L/mol/cm), centre and width (nm). Centres from memory, heights
# and widths made up: none of this is in the data files, which only know rough densities.
SPECTRA: dict[str, tuple[tuple[tuple[float, float, float], ...], ...]] = {
    "Calconcarboxylic acid": (
        ((1.5e4, 535.0, 38.0), (4e3, 480.0, 45.0)),
        ((1.8e4, 635.0, 42.0), (6e3, 580.0, 38.0)),
    ),
    "Murexide": (((1.4e4, 490.0, 36.0),), ((1.4e4, 546.0, 36.0),)),
    "Xylenol orange": (((2.6e4, 575.0, 32.0),), ((2.2e4, 434.0, 36.0),)),
}
LIQUID, TILE = Box(10, 10, 50, 50), Box(60, 10, 90, 50)


def spectrum(bands: tuple[tuple[float, float, float], ...]) -> FloatArray:
    total = np.zeros_like(WAVELENGTHS_NM)
    for height, centre, width in bands:
        total += height * np.exp(-0.5 * ((WAVELENGTHS_NM - centre) / width) ** 2)
    return total


def photographed(indicator: Indicator, lamp: str, seed: int) -> tuple[Curve, float]:
    """Stills of a liquid beside a white tile, seen by a measured camera, and the true volume."""
    rng = np.random.default_rng([5, seed])
    flask = Flask(105.0, 0.1 * rng.uniform(0.8, 2.5), 0.0, 0.105 * 20.0, 0.01)
    volume = np.array(careful_additions(flask.equivalence_ml, rng, 1.2))
    f = speciate(flask, volume, drawn_constants(indicator, rng)).free_fraction
    mol_l = 1e-3 * flask.indicator_umol / (105.0 + volume)
    bound, free = (spectrum(bands) for bands in SPECTRA[indicator.name])
    absorbance = mol_l[:, None] * ((1.0 - f)[:, None] * bound + f[:, None] * free)
    seen = camera("Nikon 5100 (NPL)", lamp).see(10.0 ** -(4.0 * absorbance))
    frames = []
    for k, liquid in enumerate(seen):
        linear = np.full((60, 100, 3), 0.35)
        linear[10:50, 10:50] = 0.75 * liquid
        linear[10:50, 60:90] = 0.75
        stored = 255.0 * tone(linear, 0.0) + rng.normal(0.0, 1.0, linear.shape)
        frames.append(ArrayFrame(k, float(k), np.clip(np.round(stored), 0, 255).astype(np.uint8)))
    region = locate(frames, LIQUID, TILE)
    delivery = Delivery("per-still", np.arange(volume.size, dtype=np.float64), volume)
    colours = trace([measure(frame, region) for frame in frames])
    return from_colour(colours, delivery, 105.0), flask.equivalence_ml


@pytest.mark.parametrize("name", sorted(SPECTRA))
@pytest.mark.parametrize("lamp", ["daylight", "led"])
def test_stills_of_a_measured_camera(name: str, lamp: str) -> None:
    indicator = named_indicator(name)
    for seed in range(2):
        curve, truth = photographed(indicator, lamp, seed)
        found = verdict_of(curve, indicator)
        assert found.status == "located", found.reasons
        assert found.equivalence is not None
        assert "colour-unlike" not in {r.code for r in found.remarks}
        # A camera's scale bends in more ways than the two terms of the fit: up to 0.008 mL of
        # error were found where the same liquid on a straight scale gave 0.002 mL, so here the
        # error is held against what a good recording should reach, not against its interval.
        assert abs(found.equivalence.value_ml - truth) < 0.02


# --- bad files --------------------------------------------------------------------------------

GOOD = (files("endpoint.chemistry") / "indicator_files" / "murexide.toml").read_text("utf-8")


def refusal(tmp_path: Path, text: str) -> str:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordProblem) as caught:
        read_indicator(path)
    return str(caught.value)


def test_an_own_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD.replace('"Murexide"', '"My dye"'), encoding="utf-8")
    assert read_indicator(path).name == "My dye"
    assert read_indicator(path).constants == named_indicator("Murexide").constants


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("format = 1", "format = 2", "format = 1"),
        ("ph = 12.0", "ph = 120", "indicator.ph is 120"),
        ("ph = 12.0", "", "indicator.ph is missing"),
        ("ph = 12.0", "pH = 12.0", "indicator.pH is not known"),
        ("ph_range = [11.5, 12.5]", "ph_range = [9, 10]", "indicator.ph_range"),
        ("pka = [9.2, 10.9]", "pka = [10.9, 9.2]", "indicator.pka is not in rising order"),
        ("pka = [9.2, 10.9]", 'pka = ["a"]', 'indicator.pka is "a", not a number'),
        ("log_k_indicator = 5.0", "log_k_indicator = 1e5", "metals.calcium.log_k_indicator"),
        ("log_k_edta = 10.65", "", "metals.calcium.log_k_edta is missing"),
        ("log_k_edta = 10.65", "log_k_edta = nan", "metals.calcium.log_k_edta"),
        ("[metals.calcium]", "[metal.calcium]", "Did you mean metals?"),
        ('camera_channel = "blue"', 'camera_channel = "cyan"', "bound.camera_channel is 'cyan'"),
        ('camera_channel = "blue"', 'camera_channel = "red"', "are the same"),
        ("[0.05, 0.41, 0.64]", "[0.05, 0.41, 0.10]", "bound.camera_density is not the larger"),
        ("[0.05, 0.41, 0.64]", "[0.05, 0.41]", "bound.camera_density is not a list of three"),
        ("band_nm = 480", "band_nm = 4800", "bound.band_nm is 4800"),
        ("window_nm = [450, 500]", "window_nm = [500, 550]", "bound.window_nm"),
        ("window_nm = [540, 610]", "window_nm = [490, 610]", "overlap"),
        ('colour = "pink"', 'colour = ""', "bound.colour is not a text"),
        ('colour = "pink"', "", "bound.colour is missing"),
        ('name = "Murexide"', "name = 3", "indicator.name is not a text"),
        ("[uncertainty]\nlog_k_edta = 0.2", "[uncertainty]\nlog_k_edta = 0", "uncertainty.log_k_e"),
        ("ph = 12.0", "ph = = 12", "not valid TOML"),
    ],
)
def test_a_bad_file_gets_a_sentence_that_names_the_key(
    tmp_path: Path, old: str, new: str, part: str
) -> None:
    assert GOOD.count(old) >= 1
    found = refusal(tmp_path, GOOD.replace(old, new, 1))
    assert part in found
    if "TOML" not in part:
        assert "mine.toml" in found
    assert "\n" not in found


@pytest.mark.parametrize(
    ("name", "said", "instead"),
    [
        ("calcon", "Calcon shows the end of calcium alone at pH 12 to 13", "calconcarboxylic acid"),
        ("Mordant Black 17", "Calcon shows the end of calcium alone", "murexide"),
        ("Calcein", "Calcein shows the end of calcium alone at pH 12 to 13", "hydroxynaphthol"),
        ("calmagite", "calcium and magnesium together at pH 10", "Titrate with Eriochrome Black T"),
        ("Zincon", "zinc, or of calcium with EGTA, at pH 9 to 10", "xylenol orange"),
        ("Tiron", "iron at pH 2 to 3", "Write a file"),
        ("Phenolphthalein", "does not show metals", "Eriochrome Black T"),
    ],
)
def test_a_name_of_the_trade_without_constants_says_what_it_is(
    name: str, said: str, instead: str
) -> None:
    with pytest.raises(RecordProblem) as caught:
        named_indicator(name)
    assert said in caught.value.sentence
    assert instead in caught.value.remedy
    assert "is not known" not in caught.value.sentence


def test_no_name_stands_for_two_indicators() -> None:
    folder = files("endpoint.chemistry") / "indicator_files"
    heads = [tomllib.loads(each.read_text("utf-8"))["indicator"] for each in folder.iterdir()]
    known = [letters_of(n) for head in heads for n in (head["name"], *head.get("other_names", []))]
    assert len(set(known)) == len(known)
    assert not any(other_indicator(name) or shows_no_metal(name) for name in known)


def test_a_missing_file_and_an_unknown_name(tmp_path: Path) -> None:
    with pytest.raises(RecordProblem, match=r"cannot be read .*Check its name"):
        read_indicator(tmp_path / "none.toml")
    with pytest.raises(RecordProblem, match="Did you mean Murexide"):
        named_indicator("Murexid")
    assert named_indicator("calcon carboxylic acid").name == "Calconcarboxylic acid"
    three = GOOD + "".join(
        f"[metals.m{k}]\nlog_k_edta = 10\nlog_k_indicator = 5\n" for k in range(2)
    )
    assert "names 3 metals" in refusal(tmp_path, three)
