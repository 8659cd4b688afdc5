"""Checks before a titration: each fault is found and named, and a good set-up passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.bench.guidance.setup_checks import Check, SetUp, setup_checks
from endpoint.chemistry.indicator_file import named_indicator
from endpoint.colour.density import ColourSample
from endpoint.problems import Flag
from endpoint.recording.frame import Box
from endpoint.scene.region import Region

RED = (0.14, 0.60, 0.38)
BLUE = (0.62, 0.40, 0.16)


def region_of() -> Region:
    mask = np.ones((10, 10), dtype=np.bool_)
    box = Box(0, 0, 10, 10)
    return Region(
        width=100,
        height=80,
        liquid_box=box,
        liquid_mask=mask.copy(),
        reference_box=box,
        reference_mask=mask.copy(),
        liquid_by_hand=False,
        reference_by_hand=False,
        confidence=0.9,
        change=0.0,
        liquid_outline=((0, 0), (9, 0), (9, 9)),
    )


def samples_of(
    density: tuple[float, float, float] = RED,
    *,
    flags: Flag = Flag.NONE,
    light: float = 0.0,
    count: int = 30,
) -> list[ColourSample]:
    rng = np.random.default_rng(3)
    found = []
    for k in range(count):
        level = 0.7 * float(np.exp(light * rng.standard_normal()))
        found.append(
            ColourSample(
                k,
                k / 5.0,
                density,
                density,
                (0.002, 0.002, 0.002),
                (level, level, level),
                0.01,
                flags,
            )
        )
    return found


def scene(region: Region, samples: list[ColourSample]) -> SetUp:
    return SetUp(camera_alive=True, region=region, samples=tuple(samples))


def failed(checks: tuple[Check, ...]) -> list[str]:
    return [check.code for check in checks if check.mark != "good"]


def test_a_good_set_up_passes() -> None:
    checks = setup_checks(scene(region_of(), samples_of()))
    assert failed(checks) == []
    assert len(checks) == 8
    assert all(check.text.endswith(".") and check.advice == "" for check in checks)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"flags": Flag.LIQUID_LOST}, "flask-found"),
        ({"flags": Flag.REFERENCE_LOST}, "reference-found"),
        ({"flags": Flag.CLIPPED}, "nothing-clipped"),
        ({"flags": Flag.DARK}, "nothing-clipped"),
        ({"light": 0.06}, "light-steady"),
        ({"density": BLUE}, "liquid-bound"),
        ({"density": (0.03, 0.13, 0.08)}, "enough-indicator"),
        ({"density": (0.35, 1.6, 1.0)}, "not-too-much-indicator"),
    ],
)
def test_every_fault_is_named_with_a_remedy(change: dict[str, object], code: str) -> None:
    checks = setup_checks(scene(region_of(), samples_of(**change)))  # type: ignore[arg-type]
    assert failed(checks) == [code]
    wrong = next(check for check in checks if check.mark == "fault")
    assert wrong.text
    assert wrong.advice


def test_too_much_indicator_says_start_again() -> None:
    checks = setup_checks(scene(region_of(), samples_of((0.35, 1.6, 1.0))))
    assert "Start again" in checks[-1].advice


def test_nothing_passes_without_pictures() -> None:
    assert failed(setup_checks(SetUp(camera_alive=False))) == ["camera"]
    looking = setup_checks(SetUp(camera_alive=True))
    assert [check.mark for check in looking] == ["good"] + 7 * ["wait"]
    lost = setup_checks(SetUp(camera_alive=True, trouble="no-liquid"))
    assert [check.mark for check in lost] == ["good", "fault", "fault"] + 5 * ["wait"]
    few = setup_checks(scene(region_of(), samples_of(count=2)))
    assert set(failed(few)) == {
        "nothing-clipped",
        "light-steady",
        "liquid-bound",
        "enough-indicator",
        "not-too-much-indicator",
    }


def test_light_that_drifts_is_not_steady() -> None:
    samples = [
        replace(s, reference=(r, r, r))
        for s, r in zip(samples_of(), np.linspace(0.6, 0.9, 30), strict=True)
    ]
    assert failed(setup_checks(scene(region_of(), samples))) == ["light-steady"]


def test_only_the_last_seconds_count() -> None:
    before = samples_of(flags=Flag.CLIPPED)
    after = [replace(s, time_s=s.time_s + 60.0) for s in samples_of()]
    assert failed(setup_checks(scene(region_of(), before + after))) == []


def test_words_are_those_of_the_indicator() -> None:
    murexide = named_indicator("Murexide")
    check = setup_checks(scene(region_of(), samples_of(BLUE)), murexide)[5]
    assert murexide.free.colour in check.text
