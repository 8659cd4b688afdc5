"""Messages of a page: whatever comes, it is a checked command, a checked picture, or refused."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from calibration.problem import Problem
from endpoint.bench.live.form import setting_from
from endpoint.bench.web.incoming_picture import picture_size
from endpoint.bench.web.protocol import (
    FORM,
    MAX_PIXELS,
    MAX_SIDE,
    WORDS,
    Command,
    ProtocolProblem,
    decode,
    parse_command,
    parse_picture,
)
from tests.bench_server import new_session
from tests.jobs import job_of

VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=3,
)
MESSAGE = st.fixed_dictionaries(
    {"do": st.sampled_from(sorted(WORDS)) | st.text(max_size=12)},
    optional={
        "ml": VALUE,
        "row": VALUE,
        "sure": VALUE,
        "before_ml": VALUE,
        "after_ml": VALUE,
        "rate_ml_min": VALUE,
        "reason": VALUE,
        "form": st.dictionaries(st.sampled_from(sorted(FORM)), VALUE, max_size=14) | VALUE,
        "more": VALUE,
    },
)


def checked(command: Command) -> None:
    assert command.do in WORDS
    for value in command.values.values():
        assert not isinstance(value, float) or math.isfinite(value)


@given(st.text(max_size=200) | MESSAGE.map(json.dumps))
@settings(max_examples=120)
def test_any_text_is_a_command_or_refused(text: str) -> None:
    try:
        checked(parse_command(text))
    except ProtocolProblem as problem:
        assert problem.sentence.endswith(".")
        assert problem.remedy


@pytest.mark.parametrize(
    "text",
    ["[" * 4000, "9" * 4000, '{"do":"reading","ml":1e999}', '{"do":"reading","ml":NaN}',
     '{"do":"reading","ml":true}', '{"do":"reading","ml":1,"sure":2}', '{"do":"discard"}',
     '{"do":"refill","before_ml":1}', '{"do":"pump-rate","rate_ml_min":0}',
     '{"do":"reading"}', '{"do":["a"]}', '"x"', "x" * 5000,
     '{"do":"reading","ml":' + "9" * 400 + "}", '{"do":"undo","undo":1}', "\ud800"],
)  # fmt: skip
def test_hostile_texts(text: str) -> None:
    with pytest.raises(ProtocolProblem):
        parse_command(text)


GOOD_FORM = {"label": "x", "sample_ml": 100, "titrant_mol_l": 0.01, "mode": "steps"}


@given(st.lists(MESSAGE, max_size=12))
@settings(max_examples=40)
def test_any_order_of_commands_leaves_a_sound_session(messages: list[dict[str, Any]]) -> None:
    """Commands in any order either do their work or tell why not; nothing else is raised."""
    from endpoint.bench.web.hub import BenchClock, Hub
    from endpoint.bench.web.page_state import curve_of_session, state_of_session

    session = new_session()
    hub = Hub(session, BenchClock(), browser=True)
    page = hub.join(True)
    assert page is not None
    for message in messages:
        try:
            hub.command(page, parse_command(json.dumps(message)))
        except Problem as problem:
            assert problem.sentence
            assert problem.remedy
        state = state_of_session(session, hub.clock.now(), operator=True)
        json.dumps([state, curve_of_session(session)], allow_nan=False)
        assert state["phase"] in ("set-up", "titrating", "result")


@given(st.dictionaries(st.sampled_from(sorted(FORM)), VALUE, max_size=14))
@settings(max_examples=80)
def test_any_form_makes_a_job_or_is_refused(form: dict[str, Any]) -> None:
    import datetime

    try:
        command = parse_command(json.dumps({"do": "begin", "form": {**GOOD_FORM, **form}}))
        job = job_of(setting_from(command.values["form"]), datetime.date(2026, 11, 25))
    except Problem:
        return
    assert job.flask_ml > 0
    assert math.isfinite(job.titrant_mol_l.standard_uncertainty)


@given(st.binary(max_size=300))
@settings(max_examples=300)
def test_any_bytes_are_a_picture_or_refused(data: bytes) -> None:
    for body in (data, struct.pack("<4sIHH", b"EPF1", 1, 0, 0) + data):
        try:
            picture = parse_picture(body)
        except ProtocolProblem:
            continue
        assert picture.width * picture.height <= MAX_PIXELS
        assert max(picture.width, picture.height) <= MAX_SIDE


def coded(kind: str, width: int, height: int, *options: int) -> bytes:
    good, data = cv2.imencode(kind, np.full((height, width, 3), 90, dtype=np.uint8), options)
    assert good
    return data.tobytes()


@given(st.binary(min_size=1, max_size=40), st.integers(2, 3000), st.sampled_from([".jpg", ".webp"]))
@settings(max_examples=200)
def test_damaged_pictures_are_refused(noise: bytes, at: int, kind: str) -> None:
    data = bytearray(coded(kind, 96, 72))
    at %= len(data)
    data[at : at + len(noise)] = noise
    try:
        pixels = decode(parse_picture(struct.pack("<4sIHH", b"EPF1", 1, 0, 0) + bytes(data)))
    except ProtocolProblem:
        return
    assert pixels.dtype == np.uint8


@pytest.mark.parametrize("kind", ["JPEG", "WEBP"])
@pytest.mark.parametrize(("width", "height"), [(64, 64), (640, 480), (1279, 719), (480, 640)])
@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"lossless": True}, {"exif": b"Exif\0\0" + b"x" * 900}]
)
def test_size_from_the_header_is_that_of_another_reader(
    kind: str, width: int, height: int, options: dict[str, Any], tmp_path: Any
) -> None:
    path = tmp_path / f"picture.{kind.lower()}"
    Image.new("RGB", (width, height), (120, 40, 60)).save(path, kind, **options)
    with Image.open(path) as opened:
        assert picture_size(path.read_bytes()) == opened.size == (width, height)


def test_other_formats_have_no_size() -> None:
    for data in (coded(".png", 64, 64), b"GIF89a" + b"\0" * 20, b"", b"\xff\xd8", b"RIFF"):
        assert picture_size(data) is None
