"""The page: one HTML file with everything in it, that can run only its own two scripts."""

from __future__ import annotations

import base64
import functools
import hashlib
import json
import re
from importlib.resources import files
from typing import Any

from endpoint.chemistry.ground_indicator import mixture_mg
from endpoint.drawing.svg import MARKS
from endpoint.hardness.classes import OTHER_SCHEME, SCHEME, scale_in_words
from endpoint.hardness.units import M_CACO3
from endpoint.replay import drawing
from endpoint.replay.chemistry import plain_tables
from endpoint.replay.lesson import STEPS, forms_in_words, reasons_of
from endpoint.replay.numbers import constants_in_words, percent, strength
from endpoint.replay.pictures import FlaskPicture
from endpoint.replay.practical import Practical, practical_of
from endpoint.replay.questions import (
    CONTROL_MMOL_L,
    CONTROL_UMOL_L,
    control_flasks,
    questions_of,
    what_went_wrong,
)
from endpoint.replay.shades import EBT
from endpoint.replay.shades import STEPS as SHADES
from endpoint.replay.story import Story
from endpoint.result.wording import cautions
from endpoint.rounding import rounded

LARGEST_BYTES = 8_000_000
"""Bytes of the page: what passes as an attachment of a message. Our choice."""
_COARSE = 6
"""Parts into which the worksheet divides a titration."""
_ROUND_ML = (1.0, 0.5, 0.1, 0.05)
"""Steps of the worksheet, mL, the largest that fits."""
_AROUND_END_ML = (-1.0, -0.5, -0.2, -0.1, 0.0, 0.1, 0.3)
"""Volumes of the answer sheet around the end, mL from the rounded equivalence volume."""
_MOST_STOPS = 100
"""Stops of a class at most: several forms together. Our choice."""
_EARLY_SCRIPT = "document.documentElement.classList.add('scripted');"


def page(story: Story) -> str:
    """HTML of the replay.

    Parameters
    ----------
    story:
        From `endpoint.replay.story.story_of`.
    """
    style, script = (_text(name) for name in ("replay.css", "replay.js"))
    return str(
        _template().render(
            **_parts(story),
            style=style,
            early=_EARLY_SCRIPT,
            script=script,
            data=embedded(_data(story)),
            policy=_policy(style, _EARLY_SCRIPT, script),
        )
    )


def practical_page(story: Story, sheet: Practical) -> str:
    """HTML of the practical sheet alone, which runs no script."""
    style = _text("replay.css")
    return str(
        _template("practical_page").render(
            practical=sheet,
            alone=True,
            style=style,
            policy=_policy(style),
            origin=story.facts.origin,
        )
    )


@functools.cache
def _template(name: str = "replay") -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("endpoint.replay", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["strength"] = strength
    environment.filters["formula"] = formula
    environment.filters["species"] = species
    environment.filters["percent"] = percent
    environment.filters["picture_volume"] = picture_volume
    environment.filters["fixed"] = rounded
    environment.globals.update(scheme=SCHEME, other_scheme=OTHER_SCHEME, molar_mass=M_CACO3)
    return environment.get_template(f"{name}.html.j2")


def formula(text: str) -> Any:
    """Text for the page with the formula of calcium carbonate as chemists write it."""
    from markupsafe import Markup, escape

    return Markup(str(escape(text)).replace("CaCO3", "CaCO<sub>3</sub>"))


def species(text: str) -> Any:
    """Text of `endpoint.replay.lesson` with charges and numbers in their place: "HY^3-", "NH_4"."""
    from markupsafe import Markup, escape

    found = re.sub(r"_([0-9]+)", r"<sub>\1</sub>", str(escape(text)))
    raised = re.sub(r"\^([0-9]*[+-])", r"<sup>\1</sup>", found)
    return Markup(raised.replace("-</sup>", "−</sup>"))


def _text(name: str) -> str:
    return (files("endpoint.replay") / "templates" / name).read_text(encoding="utf-8").strip()


def _policy(style: str, *scripts_of_page: str) -> str:
    """Content security policy that allows only what this page itself contains."""
    scripts = " ".join(map(_hash, scripts_of_page)) or "'none'"
    return (
        f"default-src 'none'; img-src data:; style-src {_hash(style)}; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def embedded(data: Any) -> str:
    """JSON for the inside of a script element: no character of it can end that element."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _parts(story: Story) -> dict[str, Any]:
    tables = story.tables
    scales = None if tables is None else drawing.species_scales(tables)
    return {
        "s": story,
        "whole": drawing.whole(story),
        "around": drawing.around(story),
        "practical": practical_of(story),
        "alone": False,
        "wrong": what_went_wrong(story),
        "lesson": () if story.water is None else STEPS,
        "forms_in_words": "" if story.water is None else forms_in_words(story.water.ph),
        "reasons_why": () if story.water is None else reasons_of(story.water),
        "classes": "" if not story.facts.soft_or_hard else scale_in_words(),
        "questions": questions_of(story),
        "control": control_flasks(story.forms) if story.facts.indicator == EBT else (),
        "control_mmol_l": CONTROL_MMOL_L,
        "control_umol_l": CONTROL_UMOL_L,
        "species": () if tables is None else drawing.species(tables),
        "species_scales": scales,
        "species_y": drawing.SPECIES_Y,
        "constants": constants_in_words(),
        "end_number": _end_number(story),
        "equivalence_shape": MARKS["equivalence_ml"],
        "settings": () if tables is None else _settings(story),
        "runs_ahead": any(p.delivered_ml > p.volume_ml + 0.005 for p in story.pictures),
        "strip": _strip(story),
        "rows": _rows(story),
        "coarse": _coarse(story),
        "cautions": cautions(story.facts.ph),
        "encoded": lambda jpeg: base64.b64encode(jpeg).decode("ascii"),
    }


def _end_number(story: Story) -> str:
    found = next((m.number for m in story.marks if m.key == "equivalence"), None)
    if story.is_example or found is None:
        return "" if story.water is None else rounded(story.water.equivalence_ml, 2)
    return found


def _settings(story: Story) -> tuple[dict[str, Any], ...]:
    """The three sliders of the model: key, name, texts of all steps, where to begin."""
    tables = story.tables
    assert tables is not None
    flask_ml = tables.water.flask_ml
    axes = (
        ("ph", "pH", [f"pH {value:g}" for value in tables.ph]),
        ("magnesium", "Share of magnesium", [percent(value) for value in tables.magnesium]),
        (
            "indicator",
            "Amount of indicator",
            [
                f"{rounded(value, 0)} µmol/L ({rounded(mixture_mg(value, flask_ml), -1)} mg)"
                for value in tables.indicator_umol_l
            ],
        ),
    )
    return tuple(
        {"key": key, "name": name, "texts": texts, "own": own}
        for (key, name, texts), own in zip(axes, tables.own, strict=True)
    )


def _strip(story: Story) -> list[Any]:
    """A few steps whose pictures stand on the page without a script."""
    last = len(story.steps) - 1
    places = {0, last // 2, last}
    for mark in story.marks:
        places.add(
            min(range(last + 1), key=lambda k: abs(story.steps[k].volume_ml - mark.value_ml))
        )
    return [story.steps[k] for k in sorted(places)]


def _coarse(story: Story) -> list[Any]:
    """Steps for the worksheet, evenly spread so that they do not give the end away."""
    last = story.steps[-1].volume_ml
    unit = next((u for u in _ROUND_ML if last / _COARSE >= u), _ROUND_ML[-1])
    width = unit * max(round(last / _COARSE / unit), 1)
    return _nearest(story, [width * k for k in range(int(last / width + 1e-9) + 1)])


def _rows(story: Story) -> list[Any]:
    """Steps for the answer sheet: those of the worksheet, and closer ones around the end."""
    end, last = story.equivalence_ml, story.steps[-1].volume_ml
    near = [] if end is None else [round(end, 1) + d for d in _AROUND_END_ML]
    wanted = [s.volume_ml for s in _coarse(story)] + [v for v in near if 0.0 < v < last]
    return _nearest(story, wanted)


def _nearest(story: Story, wanted: list[float]) -> list[Any]:
    """Steps at volumes in their order, each once."""
    steps = story.steps
    picks = {min(range(len(steps)), key=lambda k: abs(steps[k].volume_ml - v)) for v in wanted}
    return [steps[k] for k in sorted(picks)]


def _data(story: Story) -> dict[str, Any]:
    """Everything that the script looks up."""
    from scipy.special import stdtrit

    found = drawing.around(story)
    data: dict[str, Any] = {
        "steps": [
            [s.volume_ml, s.words, s.colour.hex, s.colour.name, s.reading, s.picture]
            for s in story.steps
        ],
        "stops": _stops(story),
        "level": story.axis.kind == "free",
        "levels": [round(s.level, 4) for s in story.steps],
        "pictures": [
            {
                "src": base64.b64encode(p.jpeg).decode("ascii"),
                "volume": picture_volume(p),
                "aside": p.aside,
            }
            for p in story.pictures
        ],
        "x": [drawing.LEFT, drawing.RIGHT],
        "marks": [[m.key, m.name, m.value_ml] for m in story.marks],
        "bracket": None if story.bracket_ml is None else list(story.bracket_ml),
        "around": None if found is None else [found.plot.x.low, found.plot.x.high],
        "per_ml": story.per_ml,
        "per_unit": story.per_unit,
        "t": [round(float(stdtrit(n, 0.975)), 4) for n in range(1, _MOST_STOPS)],
    }
    if story.tables is not None:
        scales = drawing.species_scales(story.tables)
        ends = {name: [scale.low, scale.high] for name, scale in scales.items()}
        y = drawing.SPECIES_Y
        data["model"] = {
            **plain_tables(story.tables),
            "scales": ends,
            "y": [y.first, y.last],
            "bands": {key: [b[0] for b in bands] for key, _, bands in drawing.BANDS},
            "shades": _shades(story),
        }
    return data


def picture_volume(picture: FlaskPicture) -> str:
    """Volume of a picture in words: what was delivered, and how much of it was mixed in."""
    delivered, mixed = (rounded(v, 2) for v in (picture.delivered_ml, picture.volume_ml))
    said = f"{delivered} mL"
    return said if mixed == delivered else f"{said} delivered, {mixed} mL of it mixed in"


def _stops(story: Story) -> list[int]:
    """Steps at which playing and the buttons stop: the points of the curve, thinned."""
    volumes = [step.volume_ml for step in story.steps]
    at = {min(range(len(volumes)), key=lambda k: abs(volumes[k] - v)) for v in story.volume_ml}
    return sorted(at | {0, len(volumes) - 1})


def _shades(story: Story) -> list[list[list[str]]]:
    """Colour and name for each amount of indicator and each twentieth of free indicator."""
    tables = story.tables
    assert tables is not None
    own = tables.water.indicator_umol_l
    found = []
    for amount in tables.indicator_umol_l:
        shades = [story.forms.at(k / SHADES, amount / own) for k in range(SHADES + 1)]
        found.append([[shade.hex, shade.name] for shade in shades])
    return found
