"""The committed samples: a school's survey of the springs and wells of its valley."""

from __future__ import annotations

from dataclasses import dataclass, field

from sample_media.recipes import Recipe


@dataclass(frozen=True)
class Sample:
    """One committed sample: how it is written and its recipe."""

    kind: str
    recipe: Recipe = field(repr=False)


SAMPLES: tuple[Sample, ...] = (
    Sample(
        "film",
        Recipe(
            "mill-spring",
            11,
            "Mill spring",
            hardness_mmol_l=1.384,
            magnesium=0.18,
            view="tile",
            wait_s=(6.0, 7.0),
        ),
    ),
    Sample(
        "film",
        Recipe(
            "school-well",
            12,
            "School well, pump",
            hardness_mmol_l=0.962,
            magnesium=0.27,
            mode="continuous",
            rate_ml_min=4.0,
            stop_after_ml=1.2,
            view="stirrer",
            lamp="led",
            mixing_s=1.6,
        ),
    ),
    Sample(
        "stills",
        Recipe(
            "chapel-fountain",
            13,
            "Chapel fountain",
            hardness_mmol_l=1.157,
            magnesium=0.12,
            view="beaker",
            lamp="fluorescent",
            width=800,
            height=600,
            frames_s=5.0,
        ),
    ),
    Sample(
        "photometer",
        Recipe(
            "quarry-pond",
            14,
            "Quarry pond",
            hardness_mmol_l=1.718,
            magnesium=0.22,
            indicator_umol_l=22.0,
        ),
    ),
    Sample(
        "film",
        Recipe(
            "chalk-spring",
            15,
            "Chalk spring (no magnesium)",
            hardness_mmol_l=1.243,
            magnesium=0.0,
            view="close",
            lamp="daylight",
            tagged=False,
        ),
    ),
    Sample(
        "film",
        Recipe(
            "deep-well",
            16,
            "Deep well (stopped too early)",
            hardness_mmol_l=1.9,
            magnesium=0.2,
            stop_after_ml=-4.2,
            view="tile",
            lamp="tungsten",
        ),
    ),
    Sample(
        "film",
        Recipe(
            "rain-barrel",
            17,
            "Rain barrel (already blue)",
            hardness_mmol_l=0.001,
            stop_after_ml=3.0,
            coarse_ml=0.5,
            view="lightbox",
            crf=26,
            wait_s=(4.0, 4.0),
            lamp="led",
        ),
    ),
)
