"""A telephone as the camera: over TLS, with a cookie, pictures and films only."""

from __future__ import annotations

import contextlib
import http.client
import json
import shutil
import socket
import ssl
import struct
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from endpoint.bench.web import telephone
from endpoint.bench.web.certificate import new_certificate
from endpoint.bench.web.telephone import TelephoneFeed
from tests.bench_scene import FORM_VALUES, frames, place
from tests.bench_server import Bench, barriers, browsing, heard, serving, tab_to
from tests.places import ROOT
from tests.waiting import PATIENCE_S, wait_for

FILM_FILE = ROOT / "tests/films/small-mill-spring/mill-spring.mp4"


@dataclass
class Phone:
    """A running server of the telephone's page."""

    bench: Bench
    feed: TelephoneFeed
    port: int
    films: Path
    said: list[str]

    def ask(
        self, path: str, body: bytes = b"", *, method: str = "GET", cookie: str = "", **more: str
    ) -> tuple[int, http.client.HTTPMessage, str]:
        line = http.client.HTTPSConnection(
            "127.0.0.1", self.port, timeout=PATIENCE_S, context=ssl._create_unverified_context()
        )
        headers = {"Cookie": cookie} if cookie else {}
        line.request(method, path, body or None, {**headers, **more})
        answer = line.getresponse()
        text = answer.read().decode()
        line.close()
        return answer.status, answer.headers, text

    def cookie(self) -> str:
        status, headers, _ = self.ask(self.feed.address().partition(str(self.port))[2])
        assert status == 303
        return str(headers["set-cookie"]).split(";")[0]

    def post(self, path: str, body: bytes, cookie: str) -> tuple[int, str]:
        status, _, text = self.ask(path, body, method="POST", cookie=cookie)
        return status, text


@contextlib.contextmanager
def answering(films: Path) -> Iterator[Phone]:
    """A bench and the server of its telephone's page, until the block ends."""
    with serving(browser=False) as bench:
        listener = socket.socket()
        listener.bind(("127.0.0.1", 0))
        said: list[str] = []
        feed = TelephoneFeed(("127.0.0.1",), listener, films, said.append)
        thread = threading.Thread(target=feed.run, args=(bench.hub,))
        thread.start()
        assert feed.started.wait(PATIENCE_S)
        try:
            yield Phone(bench, feed, listener.getsockname()[1], films, said)
        finally:
            bench.hub.stopping.set()
            thread.join(PATIENCE_S)
            listener.close()
        assert not thread.is_alive()


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[Phone]:
    with answering(tmp_path / "films") as running:
        yield running


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Phone]:
    """One server for all that is refused: it is the same afterwards."""
    with answering(tmp_path_factory.mktemp("refused") / "films") as running:
        yield running
    assert not running.bench.seen_s
    assert not running.said
    assert not running.films.exists()


def calling(phone: Phone) -> ssl.SSLSocket:
    """A line to the server on which a test writes what it likes."""
    raw = socket.create_connection(("127.0.0.1", phone.port), timeout=PATIENCE_S)
    return ssl._create_unverified_context().wrap_socket(raw)


def picture(number: int = 1, width: int = 160, height: int = 120) -> bytes:
    good, data = cv2.imencode(".jpg", np.full((height, width, 3), 180, dtype=np.uint8))
    assert good
    return struct.pack("<4sIHH", b"EPF1", number, 0, 0) + data.tobytes()


def test_certificate_is_for_this_address_and_signed_by_itself() -> None:
    from cryptography import x509

    made = new_certificate(("192.0.2.7", "bench.example"))
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()

        def answer() -> None:
            with contextlib.suppress(OSError):
                taken, _ = listener.accept()
                made.context.wrap_socket(taken, server_side=True).close()

        thread = threading.Thread(target=answer)
        thread.start()
        text = ssl.get_server_certificate(listener.getsockname())
        thread.join()
    told = x509.load_pem_x509_certificate(text.encode())
    names = told.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert [str(v) for v in names.get_values_for_type(x509.IPAddress)] == ["192.0.2.7"]
    assert names.get_values_for_type(x509.DNSName) == ["bench.example"]
    assert told.issuer == told.subject
    digest = __import__("hashlib").sha256(ssl.PEM_cert_to_DER_cert(text)).hexdigest().upper()
    assert made.fingerprint.replace(":", "") == digest


def test_address_works_once_and_the_device_before_is_out(phone: Phone) -> None:
    path = phone.feed.address().partition(str(phone.port))[2]
    status, headers, _ = phone.ask(path)
    assert status == 303
    given = str(headers["set-cookie"])
    assert all(word in given for word in ("HttpOnly", "Secure", "SameSite=strict"))
    assert phone.ask(path)[0] == 403
    first = given.split(";")[0]
    assert phone.ask("/", cookie=first)[0] == 200
    second = phone.cookie()
    assert phone.ask("/", cookie=second)[0] == 200
    assert phone.ask("/", cookie=first)[0] == 403


@pytest.mark.parametrize("path", ["/", "/static/telephone.js", "/picture", "/film"])
def test_nothing_without_the_cookie(refusing: Phone, path: str) -> None:
    method = "POST" if path in ("/picture", "/film") else "GET"
    assert refusing.ask(path, b"x" * 20 if method == "POST" else b"", method=method)[0] == 403


@pytest.mark.parametrize(
    "path",
    ["/bench", "/result.json", "/vision.json", "/static/app.js", "/static/index.html",
     "/static/link.js", "/static/../hub.py", "/static/%2e%2e/app.py", "/films", "/film/x"],
)  # fmt: skip
def test_nothing_else_is_served(refusing: Phone, path: str) -> None:
    status, _, text = refusing.ask(path, cookie=refusing.cookie())
    assert (status, text) == (404, "There is nothing here.\n")


def test_the_bench_does_not_know_the_telephone(refusing: Phone) -> None:
    cookie = refusing.cookie().partition("=")[2]
    line = http.client.HTTPConnection("127.0.0.1", refusing.bench.port, timeout=PATIENCE_S)
    named = f"{refusing.bench.keys.cookie_name}={cookie}"
    line.request("GET", "/", headers={"Cookie": named})
    assert line.getresponse().status == 403
    line.close()


@pytest.mark.parametrize("headers", [{"Host": "evil.example"}, {"Origin": "https://evil.example"},
                                     {"Origin": "http://127.0.0.1"}])  # fmt: skip
def test_foreign_host_and_origin(refusing: Phone, headers: dict[str, str]) -> None:
    cookie = refusing.cookie()
    assert refusing.ask("/picture", picture(), method="POST", cookie=cookie, **headers)[0] == 421


def test_pictures_are_measured_and_shown(phone: Phone) -> None:
    cookie = phone.cookie()
    for number in range(1, 6):
        assert phone.post("/picture", picture(number), cookie) == (200, '{"text":""}')
        wait_for(lambda n=number: len(phone.bench.seen_s) >= n, "the picture")  # type: ignore[misc]
    assert phone.bench.hub.preview is not None
    assert phone.bench.seen_s == sorted(phone.bench.seen_s)


def test_pictures_that_are_refused(refusing: Phone) -> None:
    cookie = refusing.cookie()
    bomb = bytearray(picture())
    at = bomb.index(b"\xff\xc0")
    bomb[at + 5 : at + 9] = struct.pack(">HH", 65500, 65500)
    for body in (bytes(bomb), b"EPF1", b"\x00" * 400, picture()[:12], picture(1, 32, 32)):
        status, text = refusing.post("/picture", body, cookie)
        assert status == 400
        assert json.loads(text)["text"]
    assert not refusing.bench.seen_s


def test_too_large_and_without_length(refusing: Phone) -> None:
    cookie = refusing.cookie()
    for head in (
        "POST /picture HTTP/1.1\r\nContent-Length: 1600000",
        "POST /film HTTP/1.1\r\nContent-Length: 4000000001",
        "POST /picture HTTP/1.1\r\nTransfer-Encoding: chunked",
        "POST / HTTP/1.1\r\nContent-Length: 5",
        "GET /picture HTTP/1.1\r\nContent-Length: 5",
        "POST /picture HTTP/1.1\r\nContent-Length: 99999999999999999999",
    ):
        with calling(refusing) as line:
            line.sendall(
                f"{head}\r\nHost: 127.0.0.1:{refusing.port}\r\nCookie: {cookie}\r\n\r\n".encode()
            )
            answer = line.recv(100)
            assert answer.split(b" ", 2)[1] in (b"413", b"405"), (head, answer)


def test_rate_is_bounded(phone: Phone) -> None:
    cookie = phone.cookie()
    phone.feed._pictures._most = phone.feed._pictures._left = 3.0
    phone.feed._pictures._per_s = 0.0
    told = [phone.post("/picture", picture(), cookie)[0] for _ in range(5)]
    assert told == [200, 200, 200, 429, 429]


def test_picture_that_stalls_is_given_up(phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(telephone, "_STALLED_S", 0.3)
    cookie = phone.cookie()
    with calling(phone) as line:
        line.sendall(
            f"POST /picture HTTP/1.1\r\nHost: 127.0.0.1:{phone.port}\r\nCookie: {cookie}\r\n"
            "Content-Length: 50000\r\n\r\nEPF1".encode()
        )
        assert line.recv(100).startswith(b"HTTP/1.1 400")


def test_film_is_stored_and_played_until_pictures_come(phone: Phone) -> None:
    cookie = phone.cookie()
    status, text = phone.post("/film", FILM_FILE.read_bytes(), cookie)
    assert status == 200, text
    (kept,) = phone.films.iterdir()
    assert kept.name in text
    assert kept.suffix == ".mp4"
    assert kept.read_bytes() == FILM_FILE.read_bytes()
    assert str(kept) in phone.said[0]
    wait_for(lambda: phone.bench.session.view.region is not None, "the flask in the film")
    assert phone.post("/picture", picture(), cookie)[0] == 200
    assert phone.feed._film is None


def test_film_does_not_disturb_a_run_nor_pictures_the_run_of_a_film(phone: Phone) -> None:
    cookie = phone.cookie()
    place(phone.bench, frames())
    session, now = phone.bench.session, phone.bench.hub.clock.now
    session.begin(FORM_VALUES, now())
    status, text = phone.post("/film", FILM_FILE.read_bytes(), cookie)
    assert status == 200
    assert "it is not played" in text
    assert phone.feed._film is None
    session.finish(now())
    session.again()
    phone.feed._sent_films._left = 3.0
    time.sleep(1.1)  # the name of a film tells the second
    assert "shows it" in phone.post("/film", FILM_FILE.read_bytes(), cookie)[1]
    wait_for(lambda: session.view.region is not None, "the flask in the film")
    session.begin(FORM_VALUES, now())
    assert phone.post("/picture", picture(), cookie)[0] == 409


@pytest.mark.parametrize("body", [b"#EXTM3U\n/etc/passwd\n" * 20, b"\x00" * 5000, b"x" * 100])
def test_what_is_no_film_is_not_kept(phone: Phone, body: bytes) -> None:
    status, text = phone.post("/film", body, phone.cookie())
    assert status == 422
    assert json.loads(text)["text"]
    assert not list(phone.films.iterdir())


def test_full_disk_is_said(phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(ROOT)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    status, text = phone.post("/film", FILM_FILE.read_bytes(), phone.cookie())
    assert status == 507
    assert "no room" in text


# The page itself --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def handheld() -> Iterator[Browser]:
    with browsing(camera=True) as opened:
        yield opened


def opened_page(handheld: Browser, phone: Phone, **options: Any) -> Page:
    context = handheld.new_context(ignore_https_errors=True, **options)
    page = context.new_page()
    page.goto(phone.feed.address())
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_telephone_page_by_keyboard(handheld: Browser, phone: Phone, scheme: Any) -> None:
    page = opened_page(handheld, phone, viewport={"width": 390, "height": 844}, color_scheme=scheme)
    told = heard(page)
    assert barriers(page) == []
    expect(page.locator("#state")).to_have_text("Nothing is sent.")
    tab_to(page, "#start")
    page.keyboard.press("Enter")
    expect(page.locator("#state")).to_have_text("Sending pictures.")
    expect(page.locator("#stop")).to_be_focused()
    wait_for(lambda: len(phone.bench.seen_s) >= 5, "pictures of the telephone")
    assert barriers(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.keyboard.press("Enter")
    expect(page.locator("#state")).to_have_text("Nothing is sent.")
    page.set_input_files("#film", FILM_FILE)
    tab_to(page, "#send-film")
    page.keyboard.press("Enter")
    expect(page.locator("#film-note")).to_contain_text("the bench shows it")
    assert barriers(page) == []
    assert told == []
    page.context.close()


def test_bench_page_shows_what_the_telephone_films(handheld: Browser, phone: Phone) -> None:
    page = opened_page(handheld, phone, viewport={"width": 390, "height": 844})
    page.locator("#start").click()
    bench = handheld.new_page()
    bench.goto(phone.bench.address())
    expect(bench.locator("#preview")).to_be_visible()
    expect(bench.locator("#camera-tools")).to_be_hidden()
    # The address of the next telephone ends this one.
    phone.cookie()
    expect(page.locator("#note")).to_contain_text("no longer knows this telephone")
    expect(page.locator("#state")).to_have_text("Nothing is sent.")
    page.context.close()
    bench.close()
