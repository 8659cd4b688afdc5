"""Films of titrations as people make them, as seeded families with known truth.

Seeds below 1000 are for tuning, seeds from 1000 up for reporting; half of the scenes of the
latter are never used for tuning. Every family has a grade: what a careful analyst, who is honest
about the film, would make of it.

good: nothing hides or distorts the change; a result within a drop is expected.
hard: the change can be seen, but the film takes part of it away; a wider interval is in order.
bracket: the film cannot tell more than an interval; the interval must hold the truth.
refuse: there is no end point in the film; any number is false.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from endpoint.chemistry.indicator_file import named_indicator
from sample_media.mishaps import Cover, with_hanging_drops
from sample_media.recipes import HELD_BACK_VIEWS, TUNING_VIEWS, Plan, Recipe, plan_of, truth_of
from sample_media.scene import BEAKER, CONICAL, VIEWS, View
from sample_media.simulated import level_volume_ml

FIRST_HELD_BACK_SEED = 1000


@dataclass(frozen=True)
class Kind:
    """Grade of a family and the reasons for it."""

    grade: str
    because: str
    may_ask: bool = False
    """Asking the person for something that the film cannot tell is as good as a result."""


KINDS: dict[str, Kind] = {
    "hand-swirled": Kind("hard", "the flask moves, tilts and turns, a hand holds it; colour stays"),
    "hand-across": Kind("good", "hidden for seconds, away from the change"),
    "hand-in-change": Kind("hard", "hidden for seconds within the change; colours around it show"),
    "hidden-change": Kind("bracket", "red before a sleeve hides the flask, blue after it"),
    "tungsten-dim": Kind("hard", "little blue light, strong noise"),
    "fluorescent-bands": Kind("hard", "liquid and reference lie in different bands of one frame"),
    "auto-hunting": Kind("hard", "exposure and balance swing, some frames clip"),
    "very-pale": Kind("hard", "a tenth of the usual contrast"),
    "very-dark": Kind("hard", "little light comes through, the change is stretched"),
    "yellow-water": Kind("good", "a constant colour of the water cancels between the plateaux"),
    "turbid-water": Kind("hard", "scattered light veils the colour"),
    "light-box": Kind("good", "even light from behind"),
    "beaker": Kind("good", "as a flask, with a straight wall"),
    "bubbles": Kind("hard", "foam and bubbles cover part of the liquid after each addition"),
    "vortex": Kind("good", "the vortex covers a small part and the mixing is fast"),
    "walk-by": Kind("good", "a shadow falls on liquid and reference alike"),
    "portrait-phone": Kind("good", "turned by its tag, hand-tuned exposure"),
    "varying-rate": Kind("good", "every frame has its time stamp"),
    "hevc": Kind("good", "a common codec"),
    "mjpeg": Kind("good", "a common codec, full range, no tags"),
    "browser-webm": Kind("good", "a common codec; no duration in its header"),
    "ultra-hd": Kind("good", "only larger; the film shows the last millilitres"),
    "hdr-hlg": Kind("hard", "another tone curve and wider primaries; a warning is due"),
    "knocked": Kind("hard", "the camera looks elsewhere for seconds and comes nearly back"),
    "light-off-on": Kind("hard", "seconds are dark, maybe within the change"),
    "low-bitrate": Kind("hard", "colour is smeared over blocks and over time"),
    "hanging-drop": Kind("hard", "the log is ahead of the flask by a drop"),
    "clock-apart": Kind("hard", "clocks apart by minutes; the first plume shows it", may_ask=True),
    "coarse-half-ml": Kind("bracket", "the change lies within one or two additions of 0.5 mL"),
    "other-red-blue": Kind("good", "calcium alone at pH 12 with another red to blue indicator"),
    "other-hue": Kind("good", "zinc with an indicator that turns from violet to yellow"),
    "swirled-unfinished": Kind("refuse", "stopped before the change, swirled by hand"),
    "blue-sleeve-stays": Kind("refuse", "stopped before the change; then a blue sleeve"),
    "balance-goes-blue": Kind("refuse", "stopped before the change; the balance turns to blue"),
    "no-indicator": Kind("refuse", "no indicator was added"),
    "hands-no-flask": Kind("refuse", "hands on an empty bench"),
}


@dataclass(frozen=True)
class Film:
    """One film: what is titrated and shown, and what goes wrong."""

    family: str
    seed: int
    recipe: Recipe
    stirrer: bool = True
    beaker: bool = False
    empty: bool = False
    portrait: bool = False
    held: str = ""
    """"", "in-hand", "put-down" or "swirling"."""
    skin: tuple[float, float, float] = (0.55, 0.31, 0.22)
    cloth: str = "coat"
    covers: tuple[Cover, ...] = ()
    passing_s: tuple[float, ...] = ()
    flicker: float = 0.0
    """Size of the brightness bands of mains light, as a part."""
    bands: float = 2.5
    """Bands over the height of the picture."""
    beat_hz: float = 0.7
    """Apparent frequency of the flicker at the frame rate."""
    exposure_hunting: float = 0.0
    balance_hunting: float = 0.0
    balance_goes_s: float = 0.0
    """Time at which the balance turns to blue for good; 0 for never."""
    yellow_per_cm: float = 0.0
    """Density of the water at 440 nm per cm."""
    turbid_per_cm: float = 0.0
    """Part of the light scattered per cm."""
    bubbles: int = 0
    vortex: float = 0.0
    """Depth of the vortex as a part of the height of the liquid."""
    knocked_s: tuple[float, float] | None = None
    dark_s: tuple[float, float] | None = None
    warm: float = 0.0
    """Yellow cast that the balance leaves, as a part."""
    blotch: float = 0.0
    """Coarse colour noise of a camera in dim light."""
    coding: str = "h264"
    vary_rate: bool = False
    kbit_s: float = 0.0
    enlarge: int = 1
    hanging_ml: float = 0.0
    clock_shift_s: float = 0.0

    @property
    def name(self) -> str:
        """Family and seed."""
        return f"{self.family}-{self.seed}"

    @property
    def view(self) -> View:
        """Scene, framed for the shape of the picture."""
        base = VIEWS[self.recipe.view]
        wider = 1.0 if base.name == "far" else 1.25
        field_cm = base.field_cm * (0.66 if self.portrait else wider)
        vessel = BEAKER if self.beaker else base.vessel
        if self.held and base.vessel is BEAKER:
            vessel = CONICAL
        # Steep frames would cut the vessel off.
        aim = (base.aim_cm[0] * (0.4 if self.portrait else 1.0), base.aim_cm[1] + 0.6)
        stirrer = base.stirrer and self.stirrer
        return replace(base, vessel=vessel, field_cm=field_cm, aim_cm=aim, stirrer=stirrer)


def plan_of_film(film: Film) -> Plan:
    """Additions of a film; drops that hang are still at the tip in the true volume."""
    plan = plan_of(film.recipe)
    if film.hanging_ml:
        plan = with_hanging_drops(plan, film.hanging_ml, np.random.default_rng([film.seed, 11]))
    return plan


def change_s(recipe: Recipe, low: float = 0.1, high: float = 0.9) -> tuple[float, float]:
    """Times at which the delivered volume passes the parts `low` and `high` of free indicator."""
    plan = plan_of(recipe)
    # A part that is passed nowhere lies before the start or at the end.
    volumes = [
        np.nan_to_num(level_volume_ml(recipe.flask, part), nan=other)
        for part, other in ((low, 0.0), (high, recipe.flask.equivalence_ml + 0.3))
    ]
    begin, end = np.interp(volumes, plan.true_ml, plan.true_s)
    return float(begin), float(end)


def truth_of_film(film: Film) -> dict[str, Any]:
    """True values of a film, its grade and how it was made."""
    recipe = film.recipe
    kind = KINDS[film.family]
    truth: dict[str, Any] = truth_of(recipe)
    truth |= {
        "family": film.family,
        "seed": film.seed,
        "grade": kind.grade,
        "because": kind.because,
        "may_ask": kind.may_ask,
        "warning": "HDR" if film.coding == "hlg" else None,
        "film": {k: v for k, v in asdict(film).items() if k != "recipe"},
    }
    if kind.grade != "refuse":
        truth["change_s"] = [round(t, 2) for t in change_s(recipe)]
    return truth


def home_film(family: str, seed: int) -> Film:
    """Random film of a family.

    Parameters
    ----------
    family:
        One of `KINDS`.
    seed:
        Seed of everything random; from 1000 up also scenes that are kept for reporting.
    """
    rng = np.random.default_rng([seed, sum(map(ord, family)), 7])
    views = TUNING_VIEWS + (HELD_BACK_VIEWS * 2 if seed >= FIRST_HELD_BACK_SEED else ())
    recipe = Recipe(
        name=f"{family}-{seed}",
        seed=seed,
        hardness_mmol_l=float(rng.uniform(0.5, 1.1)),
        magnesium=float(10 ** rng.uniform(np.log10(0.06), np.log10(0.4))),
        indicator_umol_l=float(rng.uniform(4.5, 10.0)),
        ph=float(rng.uniform(9.9, 10.1)),
        stop_after_ml=float(rng.uniform(0.5, 0.9)),
        wait_s=(3.0, 4.5),
        mixing_s=float(rng.uniform(0.5, 1.2)),
        view=str(rng.choice(views)),
        lamp=str(rng.choice(["daylight", "tungsten", "fluorescent", "led"])),
        exposure=float(rng.uniform(0.62, 0.85)),
        exposure_drift=float(rng.uniform(0.0, 0.05)),
        balance_drift=float(rng.uniform(0.0, 0.02)),
        contrast=float(rng.uniform(0.0, 0.25)),
        noise=float(rng.uniform(0.004, 0.012)),
        haze=float(rng.uniform(0.0, 0.03)),
        width=480,
        height=270,
        frames_s=5.0,
        crf=int(rng.integers(21, 28)),
    )
    film = Film(
        family,
        seed,
        recipe,
        skin=_skin(rng),
        cloth=str(rng.choice(["coat", "denim", "wine", "grey", "checked"])),
    )
    return _MAKERS[family](film, rng)


def _skin(rng: np.random.Generator) -> tuple[float, float, float]:
    from sample_media.hands import GLOVES, SKINS

    kinds = SKINS * 2 + GLOVES
    return kinds[int(rng.integers(len(kinds)))]


def _with(film: Film, recipe: dict[str, Any] | None = None, **changes: Any) -> Film:
    return replace(film, recipe=replace(film.recipe, **(recipe or {})), **changes)


def _cover(rng: np.random.Generator, begin: float, seconds: float, kind: str = "") -> Cover:
    kind = kind or str(rng.choice(["hand", "sleeve"]))
    side = float(rng.choice([0.0, 180.0, 60.0, 120.0, 330.0]) + rng.uniform(-12, 12))
    return Cover(begin, begin + seconds, kind, side)


def _away(rng: np.random.Generator, film: Film, seconds: float) -> float:
    """Time of an event that ends before the change or begins after it."""
    begin, end = change_s(film.recipe, 0.05, 0.95)
    last = plan_of(film.recipe).duration_s
    if rng.uniform() < 0.75 or last - end - 2.0 < seconds + 2.0:
        return float(rng.uniform(2.0, max(begin - seconds - 1.5, 2.5)))
    return float(rng.uniform(end + 2.0, last - seconds - 1.0))


def _hand_swirled(film: Film, rng: np.random.Generator) -> Film:
    return _with(film, held=str(rng.choice(["in-hand", "put-down", "swirling"])), stirrer=False)


def _hand_across(film: Film, rng: np.random.Generator) -> Film:
    spans = [(_away(rng, film, s), s) for s in rng.uniform(2.0, 7.0, int(rng.integers(2, 4)))]
    return _with(film, covers=tuple(_cover(rng, begin, s) for begin, s in spans))


def _hand_in_change(film: Film, rng: np.random.Generator) -> Film:
    begin, end = change_s(film.recipe)
    at = float(rng.uniform(begin - 1.0, 0.5 * (begin + end)))
    return _with(film, covers=(_cover(rng, at, float(rng.uniform(3.0, 7.0))),))


def _hidden_change(film: Film, rng: np.random.Generator) -> Film:
    begin, end = change_s(film.recipe, 0.12, 0.96)
    begin = max(begin - 1.5, 10.0)
    return _with(film, covers=(_cover(rng, begin, end + 4.0 - begin, "sleeve"),))


def _tungsten_dim(film: Film, rng: np.random.Generator) -> Film:
    dim = {
        "lamp": "tungsten",
        "exposure": float(rng.uniform(0.25, 0.45)),
        "noise": float(rng.uniform(0.02, 0.035)),
        "crf": 26,
    }
    warm = float(rng.uniform(0.1, 0.3))
    return _with(film, dim, warm=warm, blotch=float(rng.uniform(0.008, 0.02)))


def _fluorescent(film: Film, rng: np.random.Generator) -> Film:
    return _with(
        film,
        {"lamp": "fluorescent"},
        flicker=float(rng.uniform(0.05, 0.16)),
        bands=float(rng.uniform(0.6, 3.5)),
        beat_hz=float(rng.uniform(0.05, 2.5)),
    )


def _hunting(film: Film, rng: np.random.Generator) -> Film:
    return _with(
        film,
        {"exposure": float(rng.uniform(0.55, 0.7))},
        exposure_hunting=float(rng.uniform(0.15, 0.3)),
        balance_hunting=float(rng.uniform(0.05, 0.12)),
    )


def _yellow(film: Film, rng: np.random.Generator) -> Film:
    return _with(film, yellow_per_cm=float(rng.uniform(0.015, 0.05)))


def _turbid(film: Film, rng: np.random.Generator) -> Film:
    return _with(film, turbid_per_cm=float(rng.uniform(0.03, 0.12)))


def _vortex(film: Film, rng: np.random.Generator) -> Film:
    view = str(rng.choice(["tile", "stirrer"]))
    return _with(film, {"view": view, "mixing_s": 0.5}, vortex=float(rng.uniform(0.3, 0.75)))


def _walk_by(film: Film, rng: np.random.Generator) -> Film:
    begin, end = change_s(film.recipe)
    last = plan_of(film.recipe).duration_s
    times = [*rng.uniform(2.0, last - 3.0, 4), rng.uniform(begin - 1.0, end)]
    return _with(film, passing_s=tuple(sorted(float(t) for t in times)))


def _portrait(film: Film, rng: np.random.Generator) -> Film:
    return _with(film, {"width": 270, "height": 480}, portrait=True)


def _ultra_hd(film: Film, rng: np.random.Generator) -> Film:
    end = film.recipe.flask.equivalence_ml
    late = {
        "width": 640,
        "height": 360,
        "frames_s": 2.0,
        "start_ml": round(end - 0.75, 2),
        "stop_after_ml": 0.45,
        "fine_ml": (0.1,),
        "wait_s": (3.0, 4.0),
        "crf": 28,
    }
    return _with(film, late, enlarge=6)


def _knocked(film: Film, rng: np.random.Generator) -> Film:
    seconds = float(rng.uniform(4.0, 12.0))
    begin, end = change_s(film.recipe)
    at = _away(rng, film, seconds) if rng.uniform() < 0.5 else float(rng.uniform(begin - 2, end))
    return _with(film, knocked_s=(at, at + seconds))


def _light_off_on(film: Film, rng: np.random.Generator) -> Film:
    seconds = float(rng.uniform(4.0, 9.0))
    begin, end = change_s(film.recipe)
    at = _away(rng, film, seconds) if rng.uniform() < 0.5 else float(rng.uniform(begin - 2, end))
    return _with(film, dark_s=(at, at + seconds))


def _coarse(film: Film, rng: np.random.Generator) -> Film:
    return _with(film, {"jump_ml": 0.5, "stop_after_ml": 1.4})


def _unfinished(film: Film, rng: np.random.Generator) -> Film:
    short = {
        "hardness_mmol_l": float(rng.uniform(0.8, 1.2)),
        "stop_after_ml": -float(rng.uniform(0.8, 2.0)),
    }
    return _with(film, short)


def _sleeve_stays(film: Film, rng: np.random.Generator) -> Film:
    film = _with(_unfinished(film, rng), cloth="denim", skin=(0.06, 0.17, 0.52))
    last = plan_of(film.recipe).duration_s
    begin = last - float(rng.uniform(8.0, 20.0))
    return _with(film, covers=(replace(_cover(rng, begin, 60.0, "sleeve"), stays=True),))


def _balance_goes(film: Film, rng: np.random.Generator) -> Film:
    film = _unfinished(film, rng)
    return _with(film, balance_goes_s=0.75 * plan_of(film.recipe).duration_s)


def _hands_no_flask(film: Film, rng: np.random.Generator) -> Film:
    last = plan_of(film.recipe).duration_s
    begins = np.sort(rng.uniform(3.0, last - 8.0, 4))
    return _with(
        film,
        empty=True,
        stirrer=False,
        covers=tuple(_cover(rng, float(b), float(rng.uniform(2, 6)), "hand") for b in begins),
    )


_MAKERS: dict[str, Any] = {
    "hand-swirled": _hand_swirled,
    "hand-across": _hand_across,
    "hand-in-change": _hand_in_change,
    "hidden-change": _hidden_change,
    "tungsten-dim": _tungsten_dim,
    "fluorescent-bands": _fluorescent,
    "auto-hunting": _hunting,
    "very-pale": lambda f, r: _with(f, {"indicator_umol_l": float(r.uniform(1.0, 1.7))}),
    "very-dark": lambda f, r: _with(f, {"indicator_umol_l": float(r.uniform(22.0, 40.0))}),
    "yellow-water": _yellow,
    "turbid-water": _turbid,
    "light-box": lambda f, r: _with(f, {"view": "lightbox"}),
    "beaker": lambda f, r: _with(f, beaker=True),
    "bubbles": lambda f, r: _with(f, bubbles=int(r.integers(40, 120))),
    "vortex": _vortex,
    "walk-by": _walk_by,
    "portrait-phone": _portrait,
    "varying-rate": lambda f, r: _with(f, {"frames_s": 8.0}, vary_rate=True),
    "hevc": lambda f, r: _with(f, coding="hevc"),
    "mjpeg": lambda f, r: _with(f, coding="mjpeg"),
    "browser-webm": lambda f, r: _with(f, coding="webm", vary_rate=True),
    "ultra-hd": _ultra_hd,
    "hdr-hlg": lambda f, r: _with(f, {"contrast": 0.0}, coding="hlg"),
    "knocked": _knocked,
    "light-off-on": _light_off_on,
    "low-bitrate": lambda f, r: _with(f, kbit_s=float(r.uniform(10.0, 18.0))),
    "hanging-drop": lambda f, r: _with(f, hanging_ml=0.04),
    "clock-apart": lambda f, r: _with(
        f, clock_shift_s=float(r.choice([-1.0, 1.0]) * r.uniform(60.0, 240.0))
    ),
    "coarse-half-ml": _coarse,
    "other-red-blue": lambda f, r: _with(
        f,
        {
            "indicator": "Calconcarboxylic acid",
            "magnesium": 0.0,
            "ph": named_indicator("Calconcarboxylic acid").ph,
        },
    ),
    "other-hue": lambda f, r: _with(
        f, {"indicator": "Xylenol orange", "magnesium": 0.0, "ph": 5.5}
    ),
    "swirled-unfinished": lambda f, r: _hand_swirled(_unfinished(f, r), r),
    "blue-sleeve-stays": _sleeve_stays,
    "balance-goes-blue": _balance_goes,
    "no-indicator": lambda f, r: _with(f, {"indicator_umol_l": 0.02}),
    "hands-no-flask": _hands_no_flask,
}
