"""The chart: names that cover nothing, nothing told by colour alone, and its words."""

from __future__ import annotations

import dataclasses
import functools
import re
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from endpoint.analysis.of_curve import result_of_curve
from endpoint.analysis.result import Result
from endpoint.drawing.chart import chart, describe, picture_bytes, zoom_window
from endpoint.drawing.outlines import region_picture
from endpoint.drawing.panels import has_colour, volumes_of
from endpoint.equivalence.fit import Estimate
from endpoint.recording.frame import Box
from endpoint.result.text import volume_words
from endpoint.rounding import FIXED_SPACE
from endpoint.scene.region import Region
from sample_media.simulated import PHOTOMETER, draw_plan, simulate
from tests.simulated import curve, flask, job, labelled, result_of, steps, with_equivalence
from tests.studies.interval_study import curve_of

PUMP_SEED = 134


@functools.cache
def _steps() -> Result:
    return result_of(steps(flask()))[1]


@functools.cache
def _close_together() -> Result:
    return result_of(steps(flask(magnesium=0.5)))[1]


@functools.cache
def _calcium_only() -> Result:
    return result_of(steps(flask(magnesium=0.0)))[1]


@functools.cache
def _noisy() -> Result:
    return result_of(steps(flask(), noise=0.02))[1]


@functools.cache
def _still_purple() -> Result:
    plan = steps(flask())
    return result_of(plan, simulate(plan).free_fraction < 0.6)[1]


def _open_bracket() -> Result:
    result = _still_purple()
    verdict = dataclasses.replace(result.verdict, bracket_ml=(24.8, None))
    return dataclasses.replace(result, verdict=verdict)


@functools.cache
def _one_addition() -> Result:
    plan = dataclasses.replace(steps(flask()), additions_ml=tuple(np.arange(0.0, 30.0, 1.5)))
    return result_of_curve(job(), curve(simulate(plan)))


@functools.cache
def _pump() -> Result:
    plan = draw_plan(PUMP_SEED)
    assert not plan.additions_ml
    return result_of_curve(job(lag_s=(plan.lag_s, 0.15)), curve_of(plan, simulate(plan)))


@functools.cache
def _photometer() -> Result:
    plan = dataclasses.replace(steps(flask()), channels=PHOTOMETER)
    return result_of_curve(job(), curve_of(plan, simulate(plan)))


def _uneven() -> Result:
    return with_equivalence(_calcium_only(), Estimate(24.98, 0.01, 24.91, 24.99))


def _one_left_out() -> Result:
    result = _steps()
    assert result.fit is not None
    f, outlier = np.array(result.fit.free_fraction), np.array(result.fit.outlier)
    f[4], outlier[4] = 3.0, True
    fit = dataclasses.replace(result.fit, free_fraction=f, outlier=outlier)
    return dataclasses.replace(result, fit=fit)


FITTED: dict[str, Callable[[], Result]] = {
    "steps": _steps,
    "close together": _close_together,
    "calcium only": _calcium_only,
    "noisy": _noisy,
    "still purple": _still_purple,
    "open bracket": _open_bracket,
    "one addition": _one_addition,
    "pump": _pump,
    "photometer": _photometer,
    "uneven": _uneven,
    "one left out": _one_left_out,
}


@functools.cache
def _none() -> Result:
    table = simulate(steps(flask()))
    return result_of_curve(job(), curve(table, table.volume_ml < table.equivalence_ml - 3.0))


def _pictured(result: Result) -> Result:
    """The same with colours as a camera gives them: red to blue."""
    assert result.curve is not None
    part = np.clip(result.curve.signal, 0.0, 1.0)[:, None]
    rgb = np.rint((1 - part) * [190, 60, 110] + part * [60, 110, 200]).astype(np.uint8)
    hue = np.where(part[:, 0] < 0.5, 355.0 + 10.0 * part[:, 0], 290.0)
    seen = dataclasses.replace(result.curve, rgb=rgb, hue_deg=hue % 360.0)
    return dataclasses.replace(result, curve=seen)


def _drawn(figure: Any) -> Any:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    return canvas.get_renderer()


def _placed(figure: Any) -> Any:
    """Renderer of a figure in which everything has its place, and nothing was painted."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas: Any = FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    return canvas.get_renderer()


def _names(figure: Any) -> tuple[Any, list[Any]]:
    """Panel with the names of the volumes, and the boxes of the names in pixels."""
    renderer = _placed(figure)
    found = [(a, t) for a in figure.axes for t in a.texts if t.get_bbox_patch() is not None]
    assert len({id(axes) for axes, _ in found}) == 1
    return found[0][0], [t.get_bbox_patch().get_window_extent(renderer) for _, t in found]


@pytest.mark.parametrize("case", list(FITTED))
def test_names_stand_apart_and_cover_nothing(case: str) -> None:
    result = FITTED[case]()
    axes, boxes = _names(chart(result))
    bracketed = result.verdict.bracket_ml is not None
    assert len(boxes) == len(volumes_of(result)) + bracketed
    panel = axes.get_window_extent()
    for k, one in enumerate(boxes):
        assert panel.x0 <= one.x0 <= one.x1 <= panel.x1
        assert panel.y0 <= one.y0 <= one.y1 <= panel.y1
        assert not any(one.overlaps(other) for other in boxes[k + 1 :])
        fit = result.fit
        assert fit is not None
        for x, f in (
            (fit.grid_volume_ml, fit.grid_fraction),
            (fit.mixed_volume_ml, np.clip(fit.free_fraction, *axes.get_ylim())),
        ):
            at = axes.transData.transform(np.column_stack([x, f]))
            inside = (at[:, 0] > one.x0) & (at[:, 0] < one.x1)
            inside &= (at[:, 1] > one.y0) & (at[:, 1] < one.y1)
            assert not inside.any()
        for mark, estimate in volumes_of(result):
            height = axes.get_ylim()[0] if mark.height is None else mark.height
            x_px, y_px = axes.transData.transform((estimate.value_ml, height))
            assert not (one.x0 < x_px < one.x1 and one.y0 < y_px < one.y1)
            # Nor may a name hide the line of a volume beside it.
            assert not one.x0 < x_px < one.x1


@pytest.mark.parametrize("case", list(FITTED))
def test_zoom_holds_every_volume_and_the_bracket(case: str) -> None:
    result = FITTED[case]()
    low, high = zoom_window(result)
    for _, estimate in volumes_of(result):
        assert low < estimate.value_ml < high
    if result.verdict.bracket_ml is not None:
        assert low < result.verdict.bracket_ml[0] < high
        assert (result.verdict.bracket_ml[1] or low) < high


def test_a_midpoint_far_away_is_named_at_the_edge() -> None:
    result = dataclasses.replace(_calcium_only(), midpoint=Estimate(15.0, 0.3, 14.4, 15.6))
    figure = chart(result)
    texts = [t.get_text() for axes in figure.axes for t in axes.texts]
    assert any("left of this panel" in text for text in texts)
    _, boxes = _names(figure)
    assert len(boxes) == 3


@pytest.mark.parametrize("result", [_steps(), _pictured(_one_left_out()), _none()])
def test_title_and_panels_stand_apart(result: Result) -> None:
    figure = chart(labelled(result, "A long label of a sample " * 3))
    renderer = _placed(figure)
    title = figure._suptitle.get_window_extent(renderer)  # type: ignore[attr-defined]
    assert title.x1 <= figure.bbox.x1
    tight = [axes.get_tightbbox(renderer) for axes in figure.axes]
    boxes = [box for box in tight if box is not None]
    assert len(boxes) == len(tight)
    for k, box in enumerate(boxes):
        assert box.y1 <= title.y0
        assert box.x0 >= 0
        for other in boxes[k + 1 :]:
            # A pixel of the frame lines may touch.
            assert not box.padded(-1.0).overlaps(other)


def test_everything_but_the_liquid_is_grey() -> None:
    """What is told must not need colour: outside the strip all three channels are equal."""
    figure = chart(_pictured(_one_left_out()))
    _drawn(figure)
    pixels = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)  # type: ignore[attr-defined]
    coloured = np.ptp(pixels, axis=2) > 3
    height = pixels.shape[0]
    for axes in figure.axes:
        if axes.images:
            box = axes.get_window_extent()
            top, bottom = height - int(box.y1) - 2, height - int(box.y0) + 2
            assert coloured[top:bottom, int(box.x0) : int(box.x1)].any()
            coloured[top:bottom, int(box.x0) - 2 : int(box.x1) + 2] = False
    assert not coloured.any()


def test_strip_shows_the_colour_at_its_volume() -> None:
    result = _pictured(_steps())
    assert result.curve is not None
    figure = chart(result)
    strip = next(axes for axes in figure.axes if axes.images)
    image = strip.images[0]
    left, right = image.get_extent()[:2]
    row = np.asarray(image.get_array())[0]
    for k, inward in ((0, 0.02), (5, 0.0), (len(result.curve) - 1, -0.02)):
        at = (result.curve.volume_ml[k] + inward - left) / (right - left)
        seen = row[int(at * len(row))] * 255
        assert seen == pytest.approx(result.curve.rgb[k], abs=1.5)


def test_hue_has_no_jump_at_the_full_turn() -> None:
    figure = chart(_pictured(_steps()))
    hue = next(axes for axes in figure.axes if "hue" in axes.get_ylabel())
    drawn = np.asarray(hue.lines[0].get_ydata(), dtype=float)
    assert np.max(np.abs(np.diff(drawn))) < 90.0
    formatter = hue.yaxis.get_major_formatter()
    assert formatter(-5.0, 0) == "355"


def test_points_left_out_have_a_shape_of_their_own() -> None:
    figure = chart(_one_left_out())
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "left out" in labels
    crosses = [line for a in figure.axes for line in a.lines if line.get_marker() == "x"]
    assert crosses
    # Far off the panel it is drawn at the edge, not lost.
    for line in crosses:
        assert line.axes is not None
        low, high = line.axes.get_ylim()
        assert np.all((np.asarray(line.get_ydata()) > low) & (np.asarray(line.get_ydata()) < high))


@pytest.mark.parametrize("label", ["costs $5 and $6", r"$\frac{$", "Brunnen 3, Süd", "井戸 三"])
def test_any_label_can_be_drawn(label: str) -> None:
    figure = chart(labelled(_none(), label))
    assert picture_bytes(figure, "png", label, label).startswith(b"\x89PNG")
    svg = picture_bytes(figure, "svg", label, label).decode("utf-8")
    assert ElementTree.fromstring(svg) is not None


def test_svg_is_described_and_the_same_every_time() -> None:
    result = labelled(_steps(), "<Well> & co.")
    one = picture_bytes(chart(result), "svg", result.label, describe(result))
    two = picture_bytes(chart(result), "svg", result.label, describe(result))
    assert one == two
    root = ElementTree.fromstring(one.decode("utf-8"))
    space = "{http://www.w3.org/2000/svg}"
    assert root.attrib["role"] == "img"
    titles = root.findall(f"{space}title")
    assert [title.text for title in titles] == ["<Well> & co."]
    assert root.findtext(f"{space}desc") == describe(result)


@pytest.mark.parametrize("case", list(FITTED))
def test_words_of_the_chart_give_its_numbers(case: str) -> None:
    result = FITTED[case]()
    text = describe(result)
    drawn = [t.get_text() for axes in chart(result).axes for t in axes.texts]
    for mark, estimate in volumes_of(result):
        words = volume_words(estimate).replace(FIXED_SPACE, " ")
        assert f"The {mark.words_for(result.job.indicator)} is at {words}" in text
        assert any(words in t.replace("\n(", " (") for t in drawn)
    assert "nan" not in text
    assert re.search(r"[.] [a-z]", text) is None


def test_without_a_curve_the_first_picture_is_shown() -> None:
    picture = np.full((40, 60, 3), 200, dtype=np.uint8)
    bare = dataclasses.replace(_none(), curve=None, fit=None)
    for first in (None, picture):
        result = dataclasses.replace(bare, first_frame=first)
        _drawn(chart(result))
        assert describe(result).endswith(".")
    assert "first picture" in describe(result)
    assert not has_colour(_steps().curve)  # type: ignore[arg-type]


def _with_region(liquid: Box, reference: Box, shade: int) -> Result:
    picture = np.full((300, 400, 3), shade, dtype=np.uint8)
    region = Region(
        width=400,
        height=300,
        liquid_box=liquid,
        liquid_mask=np.ones((liquid.height, liquid.width), dtype=bool),
        reference_box=reference,
        reference_mask=np.ones((reference.height, reference.width), dtype=bool),
        liquid_by_hand=True,
        reference_by_hand=True,
        confidence=1.0,
        change=0.0,
        liquid_outline=(),
    )
    return dataclasses.replace(_none(), region=region, first_frame=picture)


@pytest.mark.parametrize("shade", [0, 128, 255])
def test_outlines_are_seen_on_anything(shade: int) -> None:
    figure = region_picture(_with_region(Box(150, 120, 260, 200), Box(300, 120, 350, 170), shade))
    assert figure is not None
    _drawn(figure)
    pixels = np.asarray(figure.canvas.buffer_rgba())[..., 0].astype(int)  # type: ignore[attr-defined]
    scale = pixels.shape[1] / 400
    row = pixels[int(160 * scale)]
    edge = row[int(145 * scale) : int(155 * scale)]
    assert edge.max() > 220
    assert edge.min() < 35


@pytest.mark.parametrize(
    ("liquid", "reference"),
    [
        (Box(150, 120, 260, 200), Box(300, 120, 350, 170)),
        (Box(150, 120, 260, 200), Box(160, 118, 200, 130)),
        (Box(0, 0, 200, 300), Box(250, 0, 300, 300)),
        (Box(100, 0, 300, 100), Box(0, 250, 50, 300)),
        (Box(100, 100, 300, 250), Box(375, 100, 400, 140)),
    ],
)
def test_names_of_the_outlines_are_in_the_picture_and_apart(liquid: Box, reference: Box) -> None:
    figure = region_picture(_with_region(liquid, reference, 180))
    assert figure is not None
    axes, boxes = _names(figure)
    panel = axes.get_window_extent()
    assert not boxes[0].overlaps(boxes[1])
    for box in boxes:
        assert panel.padded(1.0).contains(box.x0, box.y0)
        assert panel.padded(1.0).contains(box.x1, box.y1)


def test_no_picture_no_outlines() -> None:
    assert region_picture(_none()) is None
