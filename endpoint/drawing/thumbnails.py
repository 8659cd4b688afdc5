"""A strip of small pictures of the titration: where was measured, and what was set aside.

Under each picture stand the added volume and "used" or the reason in words; frames set aside are
crossed out. The outline is white on black, solid for the liquid, dashed for the reference.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.result import Result
from endpoint.colour.kept_pictures import KeptPicture
from endpoint.problems import Flag
from endpoint.rounding import rounded
from endpoint.scene.region import Region
from endpoint.scene.tracking import HOME, Pose

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST = 8
COLUMNS = 4
CELL_IN = 2.5
"""Pictures at most and in a row, and the width of one, inches."""
TYPE_PT = 18.0
"""Of the captions, in a strip of `COLUMNS` times `CELL_IN`: paper shows it at a third of that."""
_TALLEST_IN = 2.0
_LINE_IN = 0.31
_SIGNS = 16
"""Height of a picture at most and of a line of its caption, inches, and signs in a line."""
_MOST_ASIDE = 3
"""Pictures at most that show why frames were set aside."""
_AROUND_END_ML = (-0.3, 0.0, 0.3)
"""Volumes from the end, mL, of which a picture is always shown: before, in and after the change."""
_WORDS = {
    Flag.DAMAGED: "damaged frame",
    Flag.DARK: "too dark",
    Flag.CAMERA_MOVED: "camera or flask moved",
    Flag.LIQUID_LOST: "liquid hidden",
    Flag.REFERENCE_LOST: "reference hidden",
    Flag.CLIPPED: "too bright",
    Flag.OFF_COLOUR: "foreign colour",
    Flag.MIXING: "not yet mixed",
}

_UNSEEN = int(Flag.LIQUID_LOST | Flag.CAMERA_MOVED | Flag.DARK)


@dataclass(frozen=True, eq=False)
class Thumbnail:
    """One picture of the strip."""

    picture: KeptPicture
    volume_ml: float
    aside: str
    """Why it was set aside, empty where it was used."""
    pose: Pose = HOME
    timed: bool = True
    """False for stills, which have numbers and no times."""
    hidden: bool = False
    """The liquid was not seen."""


@dataclass(frozen=True, eq=False)
class PictureStates:
    """What is known of every kept picture; arrays in the order of `Result.pictures`."""

    volume_ml: NDArray[np.float64]
    flags: NDArray[np.int64]
    """Flags of its frame, 0 where it was used."""

    def why(self, k: int) -> str:
        """Why a picture was set aside in words, empty where it was used."""
        return _why(int(self.flags[k]))


def states_of(result: Result) -> PictureStates | None:
    """Delivered volume and flags of the kept pictures; None where there are no pictures."""
    curve, delivery = result.curve, result.job.delivery
    if curve is None or delivery is None or not result.pictures or curve.frame_times_s.size == 0:
        return None
    times = np.array([p.time_s for p in result.pictures])
    nearest = np.clip(np.searchsorted(curve.frame_times_s, times - 1e-6), 0, None)
    nearest = np.minimum(nearest, curve.frame_times_s.size - 1)
    volumes = np.asarray(delivery.volume_at(times), dtype=np.float64)
    return PictureStates(volumes, np.asarray(curve.frame_flags)[nearest])


def choose(result: Result) -> tuple[Thumbnail, ...]:
    """Pictures over the whole titration, around the end, and of each kind set aside.

    Parameters
    ----------
    result:
        With the pictures that were kept while its recording was read.
    """
    states, delivery = states_of(result), result.job.delivery
    if states is None or delivery is None:
        return ()
    times = np.array([p.time_s for p in result.pictures])
    volumes, flags = states.volume_ml, states.flags
    chosen: set[int] = set()
    for flag in _WORDS:
        if flag == Flag.MIXING or len(chosen) >= _MOST_ASIDE:
            continue
        hit = np.flatnonzero((flags & int(flag)) != 0)
        if hit.size:
            chosen.add(int(hit[hit.size // 2]))
    used = np.flatnonzero(flags == 0)
    if used.size == 0:
        used = np.arange(times.size)
    end = _end_ml(result)
    if end is not None:
        for offset in _AROUND_END_ML:
            chosen.add(int(used[np.argmin(np.abs(volumes[used] - end - offset))]))
    places = np.linspace(volumes[used[0]], volumes[used[-1]], MOST)
    for place in _spread_first(places):
        if len(chosen) >= MOST:
            break
        chosen.add(int(used[np.argmin(np.abs(volumes[used] - place))]))
    timed = delivery.mode != "per-still"
    return tuple(
        Thumbnail(
            result.pictures[k],
            float(volumes[k]),
            _why(int(flags[k])),
            result.poses[k] if result.poses else HOME,
            timed,
            bool(flags[k] & _UNSEEN),
        )
        for k in sorted(chosen, key=lambda k: times[k])
    )


def _spread_first(places: Any) -> list[float]:
    """First and last, then what lies between: the ends are never left out."""
    order = [0, len(places) - 1, *range(1, len(places) - 1)]
    return [float(places[k]) for k in order]


def _end_ml(result: Result) -> float | None:
    if result.equivalence is not None:
        return result.equivalence.value_ml
    bracket = result.verdict.bracket_ml
    if bracket is None:
        return None
    return bracket[0] if bracket[1] is None else 0.5 * (bracket[0] + bracket[1])


def _why(flags: int) -> str:
    return next((word for flag, word in _WORDS.items() if flags & int(flag)), "")


def thumbnails_picture(result: Result) -> Figure | None:
    """Strip of the chosen pictures with the region on each; None where none were kept."""
    from matplotlib.figure import Figure

    shown, region = choose(result), result.region
    if not shown or region is None:
        return None
    height, width = shown[0].picture.rgb.shape[:2]
    rows = -(-len(shown) // COLUMNS)
    tall_in = min(CELL_IN * height / width, _TALLEST_IN)
    lines = max(_caption(t).count("\n") + 1 for t in shown)
    figure = Figure(
        figsize=(COLUMNS * CELL_IN, rows * (tall_in + lines * _LINE_IN)),
        facecolor="white",
        layout="constrained",
    )
    grid = figure.subplots(rows, COLUMNS, squeeze=False)
    for axes in grid.flat:
        axes.axis("off")
    for thumbnail, axes in zip(shown, grid.flat, strict=False):
        _draw(axes, thumbnail, region)
    return figure


def _draw(axes: Axes, thumbnail: Thumbnail, region: Region) -> None:
    picture = thumbnail.picture.rgb
    height, width = picture.shape[:2]
    axes.imshow(picture)
    factor = width / region.width
    here = region.at(thumbnail.pose)
    outlines: list[tuple[Any, Any]] = [(region.reference_outline, (0, (3, 2)))]
    # A hidden flask, or one out of the picture, is not drawn where it is not seen.
    if here is not None and not thumbnail.hidden:
        outlines.append((here.liquid_outline, "solid"))
    for outline, style in outlines:
        line = np.array([*outline, outline[0]], dtype=np.float64) * factor
        axes.plot(line[:, 0], line[:, 1], color="black", linewidth=3.0)
        axes.plot(line[:, 0], line[:, 1], color="white", linewidth=1.2, linestyle=style)
    if thumbnail.aside:
        for across in ((0, width), (width, 0)):
            axes.plot(across, (0, height), color="black", linewidth=2.6)
            axes.plot(across, (0, height), color="white", linewidth=1.0)
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    axes.set_anchor("SW")
    axes.set_title(_caption(thumbnail), fontsize=TYPE_PT, loc="left")


def _caption(thumbnail: Thumbnail) -> str:
    """Volume, time and state, in lines that fit above a picture."""
    when = (
        f"{rounded(thumbnail.picture.time_s, 0)} s"
        if thumbnail.timed
        else (f"still {thumbnail.picture.index + 1}")
    )
    state = f"set aside: {thumbnail.aside}" if thumbnail.aside else "used"
    texts = (f"{rounded(thumbnail.volume_ml, 2)} mL, {when}", state)
    return "\n".join(line for text in texts for line in textwrap.wrap(text, _SIGNS))


def describe_thumbnails(result: Result) -> str:
    """Return the strip in words, for those who cannot see it."""
    parts = [
        f"{rounded(t.volume_ml, 2)} mL {'set aside: ' + t.aside if t.aside else 'used'}"
        for t in choose(result)
    ]
    return "Pictures of the titration with the measured region: " + "; ".join(parts) + "."
