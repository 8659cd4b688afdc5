"""Who may talk to the bench, and what it refuses, on real sockets."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import struct
import threading
import time
from collections.abc import Iterator, Sequence
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from endpoint.bench.web.app import NEEDS_TOKEN
from endpoint.bench.web.hub import MAX_CONNECTIONS
from tests.bench_server import Bench, serving
from tests.made_media import write_huge_png
from tests.waiting import PATIENCE_S


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with serving(shared=True) as running:
        yield running


def ask(
    bench: Bench, path: str, *, method: str = "GET", cookie: str = "", **headers: str
) -> tuple[int, http.client.HTTPMessage, str]:
    line = http.client.HTTPConnection("127.0.0.1", bench.port, timeout=PATIENCE_S)
    line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    line.putheader("Host", headers.pop("host", f"127.0.0.1:{bench.port}"))
    if cookie:
        line.putheader("Cookie", cookie)
    for name, value in headers.items():
        line.putheader(name.replace("_", "-"), value)
    line.endheaders()
    answer = line.getresponse()
    body = answer.read().decode()
    line.close()
    return answer.status, answer.headers, body


def cookie_of(bench: Bench, token: str | None = None) -> str:
    status, headers, _ = ask(bench, f"/?token={token or bench.keys.new_operator_token()}")
    assert status == 303
    return str(headers["set-cookie"]).split(";")[0]


def link(bench: Bench, cookie: str, query: str = "", **more: Any) -> ClientConnection:
    host = f"127.0.0.1:{bench.port}"
    origin = more.pop("origin", f"http://{host}")
    headers = {"Cookie": cookie} if cookie else {}
    return connect(
        f"ws://{host}/bench{query}",
        origin=origin,
        additional_headers={**headers, **more},
        open_timeout=PATIENCE_S,
        max_size=None,
        proxy=None,
    )


def hear(socket_: ClientConnection, what: str, seconds: float = PATIENCE_S) -> dict[str, Any]:
    """Next message of a kind."""
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        text = socket_.recv(timeout=left)
        if isinstance(text, str):
            message: dict[str, Any] = json.loads(text)
            if message["say"] == what:
                return message
    raise AssertionError(f"no {what} was said")


PATHS = ["/", "/static/app.js", "/result.json", "/vision.json", "/report.html", "/report.pdf"]


def test_address_works_once(bench: Bench) -> None:
    token = bench.keys.new_operator_token()
    status, headers, _ = ask(bench, f"/?token={token}")
    assert (status, headers["location"]) == (303, "/")
    cookie = str(headers["set-cookie"])
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert ask(bench, f"/?token={token}")[0] == 403
    assert ask(bench, "/", cookie=cookie.split(";")[0])[0] == 200


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("cookie", ["", "endpoint_bench=x", "wrong"])
def test_nothing_without_the_cookie(bench: Bench, path: str, cookie: str) -> None:
    given = f"{bench.keys.cookie_name}=guess" if cookie == "wrong" else cookie
    status, _, body = ask(bench, path, cookie=given)
    assert (status, body) == (403, NEEDS_TOKEN)


@pytest.mark.parametrize("token", ["", "x", "%00", "a" * 5000, "../../etc/passwd"])
def test_wrong_tokens(bench: Bench, token: str) -> None:
    assert ask(bench, f"/?token={token}")[0] == 403


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "localhost:1", "127.0.0.1:80@evil"])
def test_foreign_host(bench: Bench, host: str) -> None:
    assert ask(bench, "/", cookie=cookie_of(bench), host=host)[0] == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1"])
def test_foreign_origin(bench: Bench, origin: str) -> None:
    cookie = cookie_of(bench)
    assert ask(bench, "/result.json", cookie=cookie, origin=origin)[0] == 421
    with (
        pytest.raises((InvalidStatus, ConnectionClosed)),
        link(bench, cookie, origin=origin) as page,
    ):
        page.recv(timeout=PATIENCE_S)


def test_socket_needs_origin_and_cookie(bench: Bench) -> None:
    for cookie, origin in (("", None), (cookie_of(bench), None), ("", "own")):
        given = None if origin is None else f"http://127.0.0.1:{bench.port}"
        with (
            pytest.raises((InvalidStatus, ConnectionClosed)),
            link(bench, cookie, origin=given) as page,
        ):
            page.recv(timeout=PATIENCE_S)


def test_headers_of_every_answer(bench: Bench) -> None:
    cookie = cookie_of(bench)
    for path in ("/", "/static/app.js", "/nothing", "/static/../server.py", "/report.html"):
        _, headers, _ = ask(bench, path, cookie=cookie)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/..%2fserver.py",
        "/static/%2e%2e/%2e%2e/cli.py",
        "/static//etc/passwd",
        "/static/vendor/../../hub.py",
        "/static/index.html",
        "/static/telephone.html",
        "/static/",
        "/static/app.js%00.txt",
        "/..%5c..%5cwindows",
        "//evil.example/",
    ],
)
def test_no_path_reaches_the_disk(bench: Bench, path: str) -> None:
    status, _, body = ask(bench, path, cookie=cookie_of(bench))
    assert status == 404
    assert body == "There is nothing here.\n"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", PATHS)
def test_nothing_can_be_written(bench: Bench, path: str, method: str) -> None:
    assert ask(bench, path, cookie=cookie_of(bench), method=method)[0] == 405


def test_upload_of_a_gigabyte_is_refused_at_once(bench: Bench) -> None:
    with socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE_S) as raw:
        raw.sendall(
            f"POST / HTTP/1.1\r\nHost: 127.0.0.1:{bench.port}\r\n"
            "Content-Length: 1073741824\r\n\r\n".encode()
        )
        assert raw.recv(100).startswith(b"HTTP/1.1 413")
        with contextlib.suppress(OSError):
            # What is sent on goes nowhere: the other end has hung up.
            for _ in range(200):
                raw.sendall(b"x" * 65536)
            raise AssertionError("13 MB were taken after the refusal")


def test_endless_head_is_cut_off(bench: Bench) -> None:
    with socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE_S) as raw:
        raw.sendall(b"GET / HTTP/1.1\r\nX: ")
        try:
            for _ in range(200):
                raw.sendall(b"a" * 4096)
            answer = raw.recv(100)
        except OSError:
            answer = b""
        assert not answer.startswith(b"HTTP/1.1 200")


def jpeg(width: int, height: int) -> bytes:
    good, data = cv2.imencode(".jpg", np.full((height, width, 3), 180, dtype=np.uint8))
    assert good
    return data.tobytes()


def frame(data: bytes, number: int = 1) -> bytes:
    return struct.pack("<4sIHH", b"EPF1", number, 0, 0) + data


def bomb() -> bytes:
    """A JPEG of a few hundred bytes whose header promises 65500 x 65500 pixels."""
    data = bytearray(jpeg(64, 64))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 65500, 65500)
    return bytes(data)


def test_pictures_that_are_refused(bench: Bench, tmp_path: Any) -> None:
    png = write_huge_png(tmp_path / "huge.png", 3000).read_bytes()
    webp = b"RIFF\x20\x00\x00\x00WEBPVP8X\x0a\x00\x00\x00\x00\x00\x00\x00" + b"\xff" * 6
    small = jpeg(64, 64)
    cases = [frame(bomb()), frame(webp), frame(png), frame(jpeg(32, 32)), frame(b""), b"", b"EPF1"]
    cases += [b"\x00" * 40, small, frame(jpeg(1921, 80))]
    with link(bench, cookie_of(bench)) as page:
        assert hear(page, "state")["role"] == "operator"
        for case in cases:
            page.send(case)
            assert hear(page, "refused")["text"]
        # A header that tells a size the data do not have, and data that break off.
        wrong = bytearray(jpeg(96, 96))
        at = wrong.index(b"\xff\xc0")
        wrong[at + 5 : at + 9] = struct.pack(">HH", 1080, 1920)
        for case in (bytes(wrong), small[:200] + b"\x00" * 50):
            page.send(frame(case))
            assert hear(page, "seen")["number"] == 1
        page.send(frame(jpeg(320, 240), 9))
        told = hear(page, "seen")
        assert (told["number"], told["used"]) == (9, True)


def is_closed_by(page: ClientConnection, messages: Sequence[str | bytes]) -> bool:
    """Whether the bench hangs up on these messages."""
    try:
        for message in messages:
            page.send(message)
        for _ in range(5000):
            page.recv(timeout=PATIENCE_S)
    except ConnectionClosed:
        return True
    return False


def test_message_beyond_the_limit_closes_the_socket(bench: Bench) -> None:
    with link(bench, cookie_of(bench)) as page:
        hear(page, "state")
        assert is_closed_by(page, [b"x" * 3_000_000])


def test_flood_of_commands_closes_the_socket(bench: Bench) -> None:
    with link(bench, cookie_of(bench)) as page:
        assert is_closed_by(page, ['{"do": "undo"}'] * 3000)


def takes_over(page: ClientConnection) -> None:
    """A page that only watch takes the work as soon as it is free."""
    for _ in range(50):
        if hear(page, "state")["free"]:
            break
    page.send('{"do": "take-over"}')
    assert hear(page, "done")["do"] == "take-over"
    assert hear(page, "state")["role"] == "operator"


def test_second_page_only_looks_on(bench: Bench) -> None:
    cookie = cookie_of(bench)
    with link(bench, cookie) as first:
        assert hear(first, "state")["role"] == "operator"
        with link(bench, cookie) as second:
            assert hear(second, "state")["role"] == "viewer"
            second.send('{"do": "undo"}')
            assert "only watch" in hear(second, "refused")["text"]
            second.send('{"do": "take-over"}')
            assert "still open" in hear(second, "refused")["text"]
            first.close()
            takes_over(second)


def test_page_left_open_from_an_earlier_start_only_looks_on(bench: Bench) -> None:
    cookie = cookie_of(bench)
    with link(bench, cookie, "?start=0123456789abcdef") as old:
        told = hear(old, "state")
        assert (told["role"], told["free"]) == ("viewer", True)
        with link(bench, cookie) as new:
            now = hear(new, "state")
            assert now["role"] == "operator"
        takes_over(old)
    # A socket that broke while the program ran on has the work again.
    with link(bench, cookie, f"?start={now['start_id']}") as back:
        assert hear(back, "state")["role"] == "operator"


def test_shared_address_never_operates(bench: Bench) -> None:
    token = bench.keys.viewer_token
    assert token is not None
    assert cookie_of(bench, token) == cookie_of(bench, token)
    with link(bench, cookie_of(bench, token)) as page:
        state = hear(page, "state")
        assert (state["role"], state["free"]) == ("viewer", False)
        page.send('{"do": "take-over"}')
        assert hear(page, "refused")


def test_pages_are_bounded(bench: Bench) -> None:
    cookie, count = cookie_of(bench), 0
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(InvalidStatus, ConnectionClosed):
            for _ in range(20):
                stack.enter_context(link(bench, cookie)).recv(timeout=PATIENCE_S)
                count += 1
        assert 8 <= count <= 12


HEADER = st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=40)


@given(
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "OPTIONS", "X"])
    | st.text("ABC", min_size=1),
    path=st.sampled_from(["/", "/static/", "/result.json", "/vision.json", "/bench", "/?token="]),
    rest=st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=60),
    headers=st.dictionaries(
        st.sampled_from(
            ["Range", "Accept", "Upgrade", "If-None-Match", "Sec-WebSocket-Key", "X-Y"]
        ),
        HEADER,
        max_size=3,
    ),
    signed=st.booleans(),
)
@settings(max_examples=150, suppress_health_check=list(HealthCheck))
def test_any_request_is_answered_or_refused(
    bench: Bench,
    method: str,
    path: str,
    rest: str,
    headers: dict[str, str],
    signed: bool,
) -> None:
    """Every route with any method, path and headers: never a fault of the server."""
    cookie = f"Cookie: {cookie_of(bench)}\r\n" if signed else ""
    lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    head = f"{method} {path}{rest} HTTP/1.1\r\nHost: 127.0.0.1:{bench.port}\r\n{cookie}{lines}"
    with socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE_S) as raw:
        raw.sendall(f"{head}Connection: close\r\n\r\n".encode("latin-1"))
        answer = b""
        while part := raw.recv(65536):
            answer += part
    status = int(answer.split(b" ", 2)[1])
    assert status in {200, 303, 400, 403, 404, 405, 413, 421, 426}, answer[:200]
    assert b"Traceback" not in answer
    if not signed:
        assert status != 200


def test_slow_page_is_not_waited_for(bench: Bench) -> None:
    """A page that reads nothing holds nobody up, and what waits for it does not grow."""
    cookie = cookie_of(bench)
    with link(bench, cookie) as first, link(bench, cookie) as idle:
        hear(first, "state")
        hear(idle, "state")
        picture, taken = jpeg(320, 240), []
        for number in range(1, 31):
            first.send(frame(picture, number))
            taken.append(hear(first, "seen")["number"])
        assert taken == list(range(1, 31))
    assert threading.active_count() < 40


def test_idle_and_half_requests_keep_nobody_out(bench: Bench) -> None:
    cookie = cookie_of(bench)
    for sent in (b"", b"GET / HTTP/1.1\r\n"):
        with contextlib.ExitStack() as held:
            for _ in range(70):
                line = socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE_S)
                held.enter_context(line)
                line.sendall(sent)
            assert ask(bench, "/", cookie=cookie)[0] == 200


def test_viewers_do_not_take_the_place_of_the_operator(bench: Bench) -> None:
    assert bench.keys.viewer_token is not None
    viewer, operator = cookie_of(bench, bench.keys.viewer_token), cookie_of(bench)
    with contextlib.ExitStack() as held:
        for _ in range(MAX_CONNECTIONS):
            held.enter_context(link(bench, viewer))
        with pytest.raises(InvalidStatus):
            link(bench, viewer)
        page = held.enter_context(link(bench, operator))
        assert hear(page, "state")["role"] == "operator"


def test_a_viewer_gets_no_result_while_a_question_is_open(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bench.keys.viewer_token is not None
    viewer, operator = cookie_of(bench, bench.keys.viewer_token), cookie_of(bench)
    monkeypatch.setattr(type(bench.session), "document", {"status": "located"})
    bench.session.classroom.ask(1.0)
    assert ask(bench, "/result.json", cookie=viewer)[0] == 404
    assert ask(bench, "/result.json", cookie=operator)[0] == 200
    bench.session.classroom.guess(2.0)
    assert ask(bench, "/result.json", cookie=viewer)[0] == 200
