"""The command itself: what it prints, what it refuses, a film and a camera as sources."""

from __future__ import annotations

import datetime
import json
import re
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from calibration.problem import Problem
from calibration.quantity import Quantity
from endpoint.analysis.prepare import prepare
from endpoint.bench.live.form import setting_from
from endpoint.bench.live.session import LiveSession
from endpoint.bench.web.feeds import CameraFeed, FilmFeed, LogRow, PumpRun, pump_of, recorded_run
from endpoint.bench.web.hub import BenchClock, Hub
from endpoint.bench.web.protocol import Command, parse_command
from endpoint.cli import main
from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem, SourceProblem
from endpoint.record.titration import read_record
from endpoint.recording.frame import ArrayFrame
from endpoint.scene.region import locate
from tests.bench.live.test_session import Held
from tests.bench_scene import (
    ADDITIONS,
    FORM_VALUES,
    LIQUID,
    PAUSE_S,
    TRUE_ML,
    WHITE,
    frames,
    pump_frames,
)
from tests.bench_server import new_session
from tests.jobs import job_of
from tests.waiting import wait_for


@pytest.fixture(autouse=True)
def own_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))


def said(*arguments: str, answer: str = "") -> tuple[int, str]:
    done = CliRunner().invoke(main, ["bench", *arguments], input=answer)
    return done.exit_code, done.output


@pytest.mark.parametrize("camera", ["nothing.mp4", "nothing.toml", "../x", "99"])
def test_sources_that_are_not_there(camera: str) -> None:
    code, output = said("--camera", camera)
    assert code == 2
    assert "Traceback" not in output
    assert len(output.strip().splitlines()) == 2


def test_record_without_a_film() -> None:
    code, output = said("--camera", "sample_media/quarry-pond.toml")
    assert code == 2
    assert "does not describe a film" in output


def test_port_that_is_taken() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        code, output = said("--port", str(other.getsockname()[1]))
    assert code == 2
    assert "Another program uses port" in output
    assert "token=" not in output


@pytest.mark.parametrize("answer", ["", "yes\n", "SHARE\n"])
def test_sharing_needs_the_word(answer: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from endpoint.commands import bench as command

    monkeypatch.setattr(command, "_address_here", lambda: "192.0.2.7")
    monkeypatch.setattr(command, "serve", lambda *a, **k: pytest.fail("served without consent"))
    code, output = said("--share", answer=answer)
    assert code in (2, 130)
    assert "unencrypted" in output
    assert "token=" not in output


def test_sharing_serves_viewers_only(monkeypatch: pytest.MonkeyPatch) -> None:
    from endpoint.commands import bench as command

    seen: dict[str, Any] = {}

    def serve(hub: Any, keys: Any, hosts: tuple[str, ...], *more: Any) -> None:
        seen.update(keys=keys, hosts=hosts)
        more[-1]()

    monkeypatch.setattr(command, "_address_here", lambda: "192.0.2.7")
    monkeypatch.setattr(command, "listen", lambda port, everywhere: seen.update(all=everywhere))
    monkeypatch.setattr(command, "serve", serve)
    code, output = said("--share", answer="share\n")
    assert code == 0, output
    assert seen["all"] is True
    assert "192.0.2.7:8765" in seen["hosts"]
    assert f"http://192.0.2.7:8765/?token={seen['keys'].viewer_token}" in output


def test_without_sharing_only_this_computer_is_served(monkeypatch: pytest.MonkeyPatch) -> None:
    from endpoint.commands import bench as command

    seen: dict[str, Any] = {}

    def serve(hub: Any, keys: Any, hosts: tuple[str, ...], *more: Any) -> None:
        seen.update(hosts=hosts)
        more[-1]()

    monkeypatch.setattr(command, "serve", serve)
    monkeypatch.setattr(command, "listen", lambda port, everywhere: seen.update(all=everywhere))
    code, output = said()
    assert code == 0
    assert seen["all"] is False
    assert seen["hosts"] == ("127.0.0.1:8765", "localhost:8765")
    assert "works once" in output


def test_telephone_is_told_what_it_needs(monkeypatch: pytest.MonkeyPatch) -> None:
    from endpoint.commands import bench as command

    seen: dict[str, Any] = {}

    def taken(port: int, everywhere: bool) -> socket.socket:
        seen[f"port {port}"] = everywhere
        listener = socket.socket()
        listener.bind(("127.0.0.1", 0))
        seen.setdefault("sockets", []).append(listener)
        return listener

    def serve(hub: Any, keys: Any, hosts: tuple[str, ...], *more: Any) -> None:
        seen.update(hub=hub, hosts=hosts, keys=keys, feed=more[1])
        more[-1]()

    monkeypatch.setattr(command, "_address_here", lambda: "192.0.2.7")
    monkeypatch.setattr(command, "listen", taken)
    monkeypatch.setattr(command, "serve", serve)
    code, output = said("--telephone")
    for listener in seen["sockets"]:
        listener.close()
    assert code == 0, output
    # The bench itself stays on this computer, and knows nobody else.
    assert seen["port 8765"] is False
    assert seen["port 8766"] is True
    assert seen["hosts"] == ("127.0.0.1:8765", "localhost:8765")
    assert seen["keys"].viewer_token is None
    assert not seen["hub"].browser
    phone = seen["feed"].__self__
    assert f"https://192.0.2.7:{phone._port}/?token={phone.keys.operator_token}" in output
    assert phone.fingerprint[:23] in output
    assert "same network" in output
    assert "nothing else, and nothing goes back" in output
    # The code is drawn with half blocks, so two rows of it make a line.
    assert sum(set(line) <= set(" ▀▄█") and len(line) > 30 for line in output.split("\n")) > 12


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--telephone", "--camera", "0"), "each name a camera"),
        (("--telephone",), "not in a network"),
        (("--camera", "file:///etc/passwd"), "not the address of a network camera"),
        (("--camera", "concat://a|b"), "not the address of a network camera"),
        (("--camera", "http://127.0.0.1:9/"), "Nothing answers at 127.0.0.1:9"),
    ],
)
def test_cameras_that_cannot_be_used(
    arguments: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from endpoint.commands import bench as command

    monkeypatch.setattr(command, "_address_here", lambda: None)
    code, output = said(*arguments)
    assert code == 2
    assert words in output
    assert len(output.strip().splitlines()) == 2


def test_address_is_printed_when_pages_are_answered() -> None:
    """The first line comes from a server that answers at once, without a second try."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    program = "from endpoint.cli import main; main()"
    bench = subprocess.Popen(
        [sys.executable, "-u", "-c", program, "bench", "--port", str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert bench.stdout is not None
        address = bench.stdout.readline().split()[-1]
        with urllib.request.urlopen(address.partition("?")[0] + "?token=x", timeout=60) as page:
            raise AssertionError(page.status)
    except urllib.error.HTTPError as answer:
        assert answer.code == 403
        answer.close()
    finally:
        bench.kill()
        bench.communicate()


class Patient(BenchClock):
    """A clock that goes on whenever it is read, so that a busy machine is never late."""

    def __init__(self) -> None:
        super().__init__(speed=1000.0)
        self._now_s = 0.0

    def now(self) -> float:
        self._now_s += 0.01
        return self._now_s


def played(
    film: list[ArrayFrame], form: dict[str, Any], **logged: Any
) -> tuple[LiveSession, float]:
    """A finished session to which a drawn film was played, and its time at the end."""
    session = new_session()
    session.view.look_at(locate(film[:4], LIQUID, WHITE))
    hub = Hub(session, Patient(), browser=False)
    feed = FilmFeed(Held(film), **logged)
    thread = threading.Thread(target=feed.run, args=(hub,), daemon=True)
    thread.start()
    wait_for(lambda: session.view.last_s is not None, "the first frames of the film")
    assert session.phase == "set-up"
    page = hub.join(True)
    assert page is not None
    hub.command(page, Command("begin", {"form": form}))
    wait_for(lambda: session.source_ended, "the end of the film")
    hub.command(page, Command("finish"))
    hub.stopping.set()
    thread.join(60.0)
    assert session.document is not None
    assert session.document["status"] == "located", session.document["reasons"]
    assert session.document["equivalence_ml"]["value"] == pytest.approx(TRUE_ML, abs=0.05)
    return session, hub.clock.now()


def test_film_is_played_as_if_live() -> None:
    """A drawn film with its readings gives the true volume."""
    rows = tuple(LogRow(PAUSE_S * k, v) for k, v in enumerate(ADDITIONS))
    played(frames(lead_s=0.0), FORM_VALUES, rows=rows)


def test_record_fills_the_form() -> None:
    run = recorded_run(Path("sample_media/mill-spring.toml"))
    run.source.close()
    form, rows = run.form, run.rows
    assert run.pump is None
    assert run.left_out == ()
    assert form["sample_ml"] == 100.0
    assert form["fillings"] == 2
    assert rows[1].volume_ml == 2.0
    assert [row.time_s for row in rows] == sorted(row.time_s for row in rows)


def test_film_with_its_burette_fills_the_form(tmp_path: Path) -> None:
    table = Path("sample_media/mill-spring.toml").read_text(encoding="utf-8")
    head, _, rest = table.partition("[delivery]")
    later = rest[rest.index("\n[") :] if "\n[" in rest else ""
    film = re.search(r'video = "(.*)"', head)
    assert film is not None
    head = head.replace(film[1], str(Path("sample_media").resolve() / film[1]))
    record = tmp_path / "seen.toml"
    seen = "meniscus = { start_ml = 0.5, end_ml = 9.5, division_ml = 0.05 }"
    record.write_text(f"{head}[delivery]\n{seen}\n{later}", encoding="utf-8")
    run = recorded_run(record)
    run.source.close()
    form = run.form
    assert run.rows == ()
    assert run.pump is None
    assert (form["mode"], form["first_reading_ml"], form["division_ml"]) == ("meniscus", 0.5, 0.05)


@pytest.mark.parametrize("name", ["mill-spring", "school-well"])
def test_form_of_a_record_gives_the_quantities_of_the_record(name: str) -> None:
    """Same sample, titrant, burette and lag, each with its uncertainty, as `endpoint locate`."""
    path = Path(f"sample_media/{name}.toml")
    job = prepare(read_record(path))[0]
    run = recorded_run(path)
    run.source.close()
    form = parse_command(json.dumps({"do": "begin", "form": run.form})).values["form"]
    live = job_of(setting_from(form), datetime.date(2026, 11, 25))
    assert live.not_in_budget == job.not_in_budget == ()
    assert live.lag_s == job.lag_s
    assert live.burette is not None
    assert job.burette is not None
    titre = Quantity.measured(10.0, "mL", 0.01, "curve")
    pairs = [
        (sum_of(live.deliveries_ml), sum_of(job.deliveries_ml)),
        (live.titrant_mol_l, job.titrant_mol_l),
        (live.burette(titre), job.burette(titre)),
    ]
    for mine, its in pairs:
        assert mine.value == pytest.approx(its.value, rel=1e-12)
        assert mine.standard_uncertainty == pytest.approx(its.standard_uncertainty, rel=1e-9)
        assert mine.standard_uncertainty > 0.0


def sum_of(parts: tuple[Quantity, ...]) -> Quantity:
    return parts[0] + parts[1]


def test_what_the_form_cannot_hold_is_said(tmp_path: Path) -> None:
    text = Path("sample_media/mill-spring.toml").read_text(encoding="utf-8")
    for name in ("mill-spring.mp4", "mill-spring-volumes.csv"):
        text = text.replace(name, str(Path("sample_media").resolve() / name))
    text = text.replace("[ware]", "[ware]\ntemperature_c = 24.0")
    text = text.replace("nominal_ml = 25, class", 'nominal_ml = 25, standard = "ISO", class')
    record = tmp_path / "warm.toml"
    record.write_text(text, encoding="utf-8")
    run = recorded_run(record)
    run.source.close()
    assert run.left_out == ("burette",)
    assert run.form["temperature_c"] == 24.0
    assert "burette_nominal_ml" not in run.form
    assert run.form["pipette_class"] == "A"


def test_pump_of_a_log() -> None:
    run = recorded_run(Path("sample_media/school-well.toml"))
    run.source.close()
    # 10.820 mL from 4.00 s to 166.30 s, see the log.
    assert run.pump is not None
    assert (run.pump.start_s, run.pump.stop_s) == (4.0, 166.3)
    assert run.pump.rate_ml_min == pytest.approx(4.0, abs=1e-6)
    assert run.form["mode"] == "pump"
    assert run.form["rate_ml_min"] == run.pump.rate_ml_min
    for volumes in ([0.0, 1.0, 3.0], [1.0, 2.0, 3.0], [0.0, 0.0, 0.0]):
        with pytest.raises(DeliveryProblem, match="one constant rate"):
            pump_of(Delivery("continuous", np.arange(3.0), np.array(volumes)), "run.toml")


def test_film_of_a_pump_is_played_as_if_live() -> None:
    """The pump is started and stopped as it was, with nobody at the page."""
    pump = PumpRun(12.0, 4.0, 4.0 + 60.0 * (TRUE_ML + 1.0) / 12.0)
    form = {**FORM_VALUES, "mode": "pump", "rate_ml_min": 12.0}
    session, now_s = played(pump_frames(12.0, lead_s=4.0), form, pump=pump)
    # It stops after the last frame.
    assert session.delivered_ml(now_s + 1.0) == pytest.approx(TRUE_ML + 1.0, abs=0.01)


class Unplugged:
    """An OpenCV camera that gives three pictures and is then pulled out."""

    left = 3

    def __init__(self, number: int) -> None:
        pass

    def isOpened(self) -> bool:  # noqa: N802
        return True

    def read(self) -> tuple[bool, Any]:
        Unplugged.left -= 1
        if Unplugged.left < 0:
            return False, None
        return True, np.zeros((120, 160, 3), dtype=np.uint8)

    def set(self, what: int, value: float) -> None:
        pass

    def release(self) -> None:
        pass


def test_camera_that_is_unplugged_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    import cv2

    monkeypatch.setattr(cv2, "VideoCapture", Unplugged)
    session = new_session()
    hub = Hub(session, BenchClock(speed=20.0), browser=False)
    thread = threading.Thread(target=CameraFeed(0).run, args=(hub,), daemon=True)
    thread.start()

    def silent() -> bool:
        session.tick(hub.clock.now(), 0.0, 0.0)
        return "camera-silent" in {n.code for n in session.notices.current(hub.clock.now())}

    wait_for(silent, "the notice that no pictures come")
    hub.stopping.set()
    thread.join(60.0)
    assert not thread.is_alive()
    with pytest.raises(SourceProblem):
        CameraFeed(0)
    assert issubclass(SourceProblem, Problem)
